package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/planner/outlook"

	pb "turnwise/proto/turnwisepb"
)

type keptCmd struct {
	Article   string `help:"Only of this article." placeholder:"pq24-ne26"`
	Structure string `help:"Only of this structure." placeholder:"single jersey"`
	Since     string `help:"Only forecasts made since then: 30d, or a time; none = all that are kept." placeholder:"30d"`
}

// Help has an example.
func (*keptCmd) Help() string {
	return "Of dates given with 90 %, about 90 % should be kept. The range says where the share lies with 95 %\nif the chances are right: a share outside of it is a sign, one inside is no proof.\n\nExample:\n  planner kept --structure \"single jersey\""
}

// calibrationJSON compares chances with shares, as scripts read it.
type calibrationJSON struct {
	Group     string      `json:"group"`
	Forecasts int64       `json:"forecasts"`
	Levels    []levelJSON `json:"levels"`
	Tenths    []int64     `json:"tenths"` // outcomes in each tenth of their law
	CRPS      float64     `json:"crps_min"`
}

type levelJSON struct {
	Level float64 `json:"level"`
	Share float64 `json:"share"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

type outcomeJSON struct {
	Order      string     `json:"order"`
	Article    string     `json:"article"`
	Occasion   string     `json:"occasion"`
	Made       *time.Time `json:"made"`
	Promise    *time.Time `json:"promise"`
	MissChance float64    `json:"miss_chance"`
	Done       *time.Time `json:"done"`
	Place      float64    `json:"place"` // of the outcome in the law, 0 to 1; -1 while it runs
	Void       string     `json:"void"`
}

func (c *keptCmd) Run(ctx context.Context, s *session) error {
	q := &pb.ReportPromiseCalibrationRequest{Article: c.Article, Structure: c.Structure}
	if c.Since != "" {
		from, err := s.since(c.Since)
		if err != nil {
			return err
		}
		q.StartTime = timestamppb.New(from)
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().ReportPromiseCalibration(ctx, q)
	if err != nil {
		return s.explain(err)
	}
	data := struct {
		Outcomes     []outcomeJSON     `json:"outcomes"` // first, so that CSV lists them
		Calibrations []calibrationJSON `json:"calibrations"`
	}{[]outcomeJSON{}, []calibrationJSON{}}
	groups := listing{head: []string{"group", ">forecasts", ">done by 50 %", ">by 80 %", ">by 90 %", ">mean error"}, empty: "no order has ended yet since forecasts are kept"}
	for _, k := range r.GetCalibrations() {
		j := calibrationJSON{k.GetGroup(), int64(k.GetForecastCount()), []levelJSON{}, []int64{}, k.GetMeanCrpsMinutes()}
		row := []string{j.Group, fmt.Sprint(j.Forecasts)}
		for _, l := range k.GetLevels() {
			j.Levels = append(j.Levels, levelJSON{l.GetLevel(), l.GetShare(), l.GetShareLow(), l.GetShareHigh()})
			row = append(row, fmt.Sprintf("%.0f %% (%.0f to %.0f)", 100*l.GetShare(), 100*l.GetShareLow(), 100*l.GetShareHigh()))
		}
		for _, n := range k.GetTenthCounts() {
			j.Tenths = append(j.Tenths, int64(n))
		}
		for len(row) < 5 {
			row = append(row, "-")
		}
		groups.add(append(row, fmt.Sprintf("%.0f min", j.CRPS))...)
		data.Calibrations = append(data.Calibrations, j)
	}
	orders := listing{head: []string{"order", "article", "told", "kept for", "promise", ">late", "done", ">place"}}
	for _, o := range r.GetOutcomes() {
		j := outcomeJSON{strings.TrimPrefix(o.GetOrder(), "orders/"), o.GetArticle(), o.GetOccasion(), when(o.GetMadeTime()), when(o.GetPromiseTime()), o.GetMissChance(), when(o.GetDoneTime()), o.GetPlace(), o.GetVoidReason()}
		data.Outcomes = append(data.Outcomes, j)
		done, place := s.clockOf(j.Done), "-"
		occasion := j.Occasion
		if strings.HasPrefix(occasion, "promised for ") {
			occasion = "promised" // for when says the next column
		}
		if j.Void != "" {
			done = j.Void
		}
		if j.Place >= 0 {
			place = fmt.Sprintf("%.0f %%", 100*j.Place)
		}
		orders.add(j.Order, j.Article, s.clockOf(j.Made), occasion, s.clockOf(j.Promise), twentieths(j.MissChance), done, place)
	}
	groups.data = data
	if err := s.print(&groups); err != nil || s.common.Output != "table" || len(orders.rows) == 0 {
		return err
	}
	if _, err := io.WriteString(s.out, "\n"); err != nil {
		return err
	}
	return s.print(&orders)
}

type watchPromisesCmd struct{}

// Help has an example.
func (*watchPromisesCmd) Help() string {
	return "With --json each line is one object {\"full\":...,\"orders\":[...]}.\n\nExample:\n  planner watch promises"
}

func (c *watchPromisesCmd) Run(ctx context.Context, s *session) error {
	open := func() (grpc.ServerStreamingClient[pb.WatchPromisesResponse], error) {
		return s.plans().WatchPromises(ctx, &pb.WatchPromisesRequest{})
	}
	return follow(ctx, s, open, s.printPromises)
}

// promiseChangeJSON is one order of the watch, as scripts read it.
type promiseChangeJSON struct {
	Order    string      `json:"order"`
	Promise  *time.Time  `json:"promise"`
	Finish   finishJSON  `json:"finish"`
	Before   *finishJSON `json:"before"` // null the first time
	Sentence string      `json:"sentence"`
}

func (s *session) printPromises(r *pb.WatchPromisesResponse) error {
	data := struct {
		Full   bool                `json:"full"`
		Orders []promiseChangeJSON `json:"orders"`
	}{r.GetFull(), []promiseChangeJSON{}}
	for _, c := range r.GetChanges() {
		j := promiseChangeJSON{Order: strings.TrimPrefix(c.GetOrder(), "orders/"), Promise: when(c.GetPromiseTime()), Finish: finishFromPB(c.GetFinish()), Sentence: c.GetSentence()}
		if c.GetBefore() != nil {
			before := finishFromPB(c.GetBefore())
			j.Before = &before
		}
		data.Orders = append(data.Orders, j)
	}
	if s.common.Output == "json" {
		return writeJSON(s.out, data)
	}
	now := s.now().In(s.zone).Format("15:04:05")
	for i := range data.Orders {
		j := &data.Orders[i]
		line, late := j.Sentence, chance(&j.Finish)
		switch done := j.Finish.Refused == outlook.NothingLeft; {
		case done:
			late = "-"
			line = cmp.Or(line, "done")
		case line == "" && j.Finish.Refused != "":
			line = "no forecast: " + j.Finish.Refused
		case line == "":
			line = "90 % by " + s.forecastOf(j.Finish.P90)
		}
		if _, err := fmt.Fprintf(s.out, "%s  %-10s promise %-16s late %-7s %s\n", now, j.Order, s.clockOf(j.Promise), late, line); err != nil {
			return err
		}
	}
	return nil
}
