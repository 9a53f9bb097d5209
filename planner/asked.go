package main

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type askedCmd struct {
	Since string `default:"24h" help:"From when on: 24h, 7d, or a time." placeholder:"24h"`
}

// Help has an example.
func (*askedCmd) Help() string {
	return "A person is a set of machines; nobody's name is known. A person is called to a walk; its\ntasks are told beside. Alarms need an answer in time. A flood is 10 alarms within 10 minutes, until fewer than 5 are.\n\nExample:\n  planner asked --since 8h"
}

// askedJSON is what one person was asked, as scripts read it.
type askedJSON struct {
	Person      string      `json:"person"`
	Calls       int64       `json:"calls"` // walks
	Tasks       int64       `json:"tasks"` // of those
	Alarms      int64       `json:"alarms"`
	MeanCalls   float64     `json:"mean_calls_per_10min"`
	MeanTasks   float64     `json:"mean_tasks_per_10min"`
	MeanAlarms  float64     `json:"mean_alarms_per_10min"`
	Worst       int64       `json:"worst_10min"`
	WorstAt     *time.Time  `json:"worst_from"`
	WorstAlarms int64       `json:"worst_alarms_10min"`
	Floods      []floodJSON `json:"floods"`
}

type floodJSON struct {
	From   *time.Time `json:"from"`
	To     *time.Time `json:"to"`
	Alarms int64      `json:"alarms"`
}

func (c *askedCmd) Run(ctx context.Context, s *session) error {
	from, err := s.since(c.Since)
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.alarms().ReportCallLoad(ctx, &pb.ReportCallLoadRequest{StartTime: timestamppb.New(from)})
	if err != nil {
		return s.explain(err)
	}
	data := struct {
		Persons  []askedJSON `json:"persons"`
		From     *time.Time  `json:"from"`
		To       *time.Time  `json:"to"`
		Aim      float64     `json:"aim_alarms_per_10min"`
		Standing []string    `json:"standing_over_24h"`
	}{[]askedJSON{}, when(r.GetStartTime()), when(r.GetEndTime()), r.GetAim(), append([]string{}, r.GetStanding()...)}
	l := listing{head: []string{"person", ">calls", ">calls/10 min", ">tasks", ">alarms", ">alarms/10 min", ">worst 10 min", "at", ">floods", ""}}
	for _, p := range r.GetLoads() {
		j := askedJSON{
			Person: p.GetPerson(), Calls: int64(p.GetCallCount()), Tasks: int64(p.GetTaskCount()), Alarms: int64(p.GetAlarmCount()), MeanCalls: p.GetMeanCalls(), MeanTasks: p.GetMeanTasks(), MeanAlarms: p.GetMeanAlarms(),
			Worst: int64(p.GetWorstCount()), WorstAt: when(p.GetWorstTime()), WorstAlarms: int64(p.GetWorstAlarms()), Floods: []floodJSON{},
		}
		for _, f := range p.GetFloods() {
			j.Floods = append(j.Floods, floodJSON{when(f.GetStartTime()), when(f.GetEndTime()), int64(f.GetAlarmCount())})
		}
		data.Persons = append(data.Persons, j)
		at, note := "-", ""
		if j.WorstAt != nil {
			at = s.clock(*j.WorstAt)
		}
		if j.MeanAlarms > data.Aim && p.GetPerson() != "all" {
			note = fmt.Sprintf("more alarms than the aim of %g", data.Aim)
		}
		l.add(j.Person, fmt.Sprint(j.Calls), fmt.Sprintf("%.2f", j.MeanCalls), fmt.Sprint(j.Tasks), fmt.Sprint(j.Alarms), fmt.Sprintf("%.2f", j.MeanAlarms), fmt.Sprint(j.Worst), at, fmt.Sprint(len(j.Floods)), note)
	}
	l.data = data
	if err := s.print(&l); err != nil {
		return err
	}
	for _, id := range data.Standing {
		fmt.Fprintf(s.err, "stands for more than 24 hours: %s; mend it, shelve it or take it out of service\n", id)
	}
	return nil
}
