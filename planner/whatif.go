package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/planner/outlook"
	pb "turnwise/proto/turnwisepb"
)

type whatifCmd struct {
	Changes []string `arg:"" help:"Changes, separated by commas." placeholder:"slow K03 27, down K04 6h"`
	Or      []string `sep:"none" help:"Another what-if beside the first; at most two more." placeholder:"\"move SO-1052 K02\""`
}

// Help has the grammar and an example.
func (*whatifCmd) Help() string {
	return `Changes, separated by commas; together they make one what-if:
  slow MACHINE RPM     it turns at another speed
  down MACHINE TIME    it stands for so much working time: 90m, 6h, 2d
  add MACHINE ORDER    it works on the order too, behind its present jobs
  move ORDER MACHINE   it goes there whole; a third word names the order it comes behind
  split ORDER MACHINE  a half of it goes there; a third word gives the kilos
  open FROM TO         time outside the shifts is worked
  close FROM TO        time inside the shifts is not worked
FROM and TO are written 2026-11-28T06:00, in your zone, or with a zone.
Nothing is written.

Example:
  planner whatif slow K03 27, down K04 6h
  planner whatif move SO-1052 K02 --or "add K05 SO-1052"`
}

// effectJSON is what happens to one order, as scripts read it.
type effectJSON struct {
	Order    string     `json:"order"`
	Promise  *time.Time `json:"promise"`
	Before   finishJSON `json:"before"`
	After    finishJSON `json:"after"`
	Sentence string     `json:"sentence"`
}

// Run asks one what-if, or sets up to three side by side.
func (c *whatifCmd) Run(ctx context.Context, s *session) error {
	if len(c.Or) > 0 {
		return c.beside(ctx, s)
	}
	changes, err := s.changes(strings.Join(c.Changes, " "))
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().EvaluateWhatIf(ctx, &pb.EvaluateWhatIfRequest{Changes: changes})
	if err != nil {
		return s.explain(err)
	}
	data := struct {
		Effects     []effectJSON `json:"effects"`
		Same        int64        `json:"same"`
		Assumptions []string     `json:"assumptions"`
		Warnings    []string     `json:"warnings"`
	}{[]effectJSON{}, int64(r.GetSameCount()), some(r.GetAssumptions()), some(r.GetWarnings())}
	l := listing{head: []string{"order", "promise", "80 % now", "then", "90 % now", "then", ">late now", ">then", "effect"}}
	for _, e := range r.GetEffects() {
		j := effectJSON{strings.TrimPrefix(e.GetOrder(), "orders/"), when(e.GetPromiseTime()), finishFromPB(e.GetBefore()), finishFromPB(e.GetAfter()), e.GetSentence()}
		data.Effects = append(data.Effects, j)
		l.add(j.Order, s.clockOf(j.Promise), s.forecastOf(j.Before.P80), s.forecastOf(j.After.P80), s.forecastOf(j.Before.P90), s.forecastOf(j.After.P90),
			chance(&j.Before), chance(&j.After), j.Sentence)
	}
	l.data = data
	l.empty = "no order moves"
	if err := s.print(&l); err != nil || s.common.Output != "table" {
		return err
	}
	for _, w := range data.Warnings {
		fmt.Fprintf(s.out, "warning: %s\n", w)
	}
	_, err = fmt.Fprintf(s.out, "%d orders stay as they are; nothing was written\n", data.Same)
	return err
}

// forecastOf writes a foreseen time for a table.
func (s *session) forecastOf(t *time.Time) string {
	if t == nil {
		return "?"
	}
	return s.clockOf(t) + "f"
}

func chance(f *finishJSON) string {
	if f.Refused != "" {
		return "?"
	}
	return twentieths(f.MissChance)
}

// changes reads the phrases of a what-if.
func (s *session) changes(text string) ([]*pb.Change, error) {
	list, err := outlook.ParseChanges(text, s.zone)
	if err != nil {
		return nil, usage("%w", err)
	}
	var out []*pb.Change
	for _, c := range list {
		out = append(out, changeToPB(c))
	}
	return out, nil
}

func changeToPB(c outlook.Change) *pb.Change {
	switch c := c.(type) {
	case outlook.SlowMachine:
		return &pb.Change{Kind: &pb.Change_SlowMachine{SlowMachine: &pb.SlowMachine{Machine: machineName(c.Machine), SpeedRpm: c.SpeedRPM}}}
	case outlook.StopMachine:
		return &pb.Change{Kind: &pb.Change_StopMachine{StopMachine: &pb.StopMachine{Machine: machineName(c.Machine), Duration: durationpb.New(c.For)}}}
	case outlook.AddMachine:
		return &pb.Change{Kind: &pb.Change_AddMachine{AddMachine: &pb.AddMachine{Machine: machineName(c.Machine), Order: "orders/" + c.Order}}}
	case outlook.MoveOrder:
		return &pb.Change{Kind: &pb.Change_MoveOrder{MoveOrder: &pb.MoveOrder{Order: "orders/" + c.Order, Machine: machineName(c.Machine), After: c.After}}}
	case outlook.SplitOrder:
		return &pb.Change{Kind: &pb.Change_SplitOrder{SplitOrder: &pb.SplitOrder{Order: "orders/" + c.Order, Machine: machineName(c.Machine), QuantityKg: c.Kg}}}
	case outlook.OpenTime:
		return &pb.Change{Kind: &pb.Change_OpenTime{OpenTime: &pb.OpenTime{StartTime: timestamppb.New(c.From), EndTime: timestamppb.New(c.To)}}}
	case outlook.CloseTime:
		return &pb.Change{Kind: &pb.Change_CloseTime{CloseTime: &pb.CloseTime{StartTime: timestamppb.New(c.From), EndTime: timestamppb.New(c.To)}}}
	}
	return &pb.Change{}
}

// besideJSON is one of several what-ifs.
type besideJSON struct {
	WhatIf   string       `json:"what_if"`
	Effects  []effectJSON `json:"effects"`
	Same     int64        `json:"same"`
	Warnings []string     `json:"warnings"`
}

// beside sets what-ifs side by side: a column each, an order a row.
func (c *whatifCmd) beside(ctx context.Context, s *session) error {
	texts := append([]string{strings.Join(c.Changes, " ")}, c.Or...)
	if len(texts) > 3 {
		return usage("%d what-ifs, expected at most three side by side", len(texts))
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	l := listing{head: []string{"order", "promise", "80 % now"}, empty: "no order moves"}
	var data []besideJSON
	rows := map[string][]string{}
	var orders []string
	for i, text := range texts {
		changes, err := s.changes(text)
		if err != nil {
			return err
		}
		r, err := s.plans().EvaluateWhatIf(ctx, &pb.EvaluateWhatIfRequest{Changes: changes})
		if err != nil {
			return s.explain(err)
		}
		one := besideJSON{text, []effectJSON{}, int64(r.GetSameCount()), some(r.GetWarnings())}
		for _, e := range r.GetEffects() {
			j := effectJSON{strings.TrimPrefix(e.GetOrder(), "orders/"), when(e.GetPromiseTime()), finishFromPB(e.GetBefore()), finishFromPB(e.GetAfter()), e.GetSentence()}
			one.Effects = append(one.Effects, j)
			if rows[j.Order] == nil {
				orders = append(orders, j.Order)
				rows[j.Order] = []string{j.Order, s.clockOf(j.Promise), s.forecastOf(j.Before.P80), "same", "same", "same"}
			}
			rows[j.Order][3+i] = s.forecastOf(j.After.P80) + " late " + chance(&j.After)
		}
		data = append(data, one)
		l.head = append(l.head, text)
	}
	for _, o := range orders {
		l.add(rows[o][:3+len(texts)]...)
	}
	l.data = struct {
		WhatIfs []besideJSON `json:"what_ifs"`
	}{data}
	if err := s.print(&l); err != nil || s.common.Output != "table" {
		return err
	}
	for _, one := range data {
		for _, w := range one.Warnings {
			fmt.Fprintf(s.out, "warning: %s: %s\n", one.WhatIf, w)
		}
	}
	_, err := fmt.Fprintln(s.out, "nothing was written")
	return err
}
