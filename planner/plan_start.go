package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type planStartCmd struct {
	Machine string `arg:"" help:"Machine, for example K03."`
	Order   string `arg:"" optional:"" help:"Order that it knits now; none = the one that is planned next."`
	At      string `help:"When it began, for example 2026-11-28T06:40; none = now. At most 24 hours ago."`
	Undo    bool   `help:"Take the latest beginning that was told for the machine back."`
	DryRun  bool   `name:"dry-run" help:"Tell what would be written and write nothing."`
}

// Help says why there is such a command.
func (*planStartCmd) Help() string {
	return "A planned job does not begin by the clock: as long as nobody says that it has begun, all that\nthe machine knits counts for the order before. Done of an order's end in the creel round says it too.\n\nExample:\n  planner plan start K03\n  planner plan start K03 SO-1052 --at 2026-11-28T06:40"
}

// Run says so, or takes it back.
func (c *planStartCmd) Run(ctx context.Context, s *session) error {
	if c.Undo && (c.Order != "" || c.At != "") {
		return usage("--undo takes the latest beginning of the machine back: give no order and no --at with it")
	}
	began, err := s.instantTold(c.At)
	if err != nil {
		return err
	}
	q := &pb.BeginJobRequest{Machine: machineName(c.Machine), TakeBack: c.Undo, ValidateOnly: c.DryRun, BeginTime: began}
	ctx, cancel := s.call(ctx)
	defer cancel()
	if !c.Undo {
		order := c.Order
		if order == "" {
			if order, err = s.plannedNext(ctx, q.GetMachine()); err != nil {
				return err
			}
		}
		q.Order = "orders/" + strings.TrimPrefix(order, "orders/")
	}
	r, err := s.plans().BeginJob(ctx, q)
	if err != nil {
		return s.explain(err)
	}
	data := struct {
		Machine string     `json:"machine"`
		Order   string     `json:"order"`
		Before  string     `json:"before"`
		Begin   *time.Time `json:"begin"`
		Changes []string   `json:"changes"`
		DryRun  bool       `json:"dry_run"`
	}{strings.TrimPrefix(q.GetMachine(), "machines/"), strings.TrimPrefix(r.GetOrder(), "orders/"), strings.TrimPrefix(r.GetBefore(), "orders/"), when(r.GetBeginTime()), some(r.GetChanges()), c.DryRun}
	l := listing{head: []string{"change"}, data: data}
	for _, line := range data.Changes {
		l.add(line)
	}
	if err := s.print(&l); err != nil {
		return err
	}
	if c.DryRun {
		fmt.Fprintln(s.err, "nothing was written (dry run)")
	}
	return nil
}

// plannedNext is the first job of a machine that waits for somebody's word.
func (s *session) plannedNext(ctx context.Context, machine string) (string, error) {
	r, err := s.plans().GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/live"})
	if err != nil {
		return "", s.explain(err)
	}
	for _, line := range r.GetPlan().GetLines() {
		if line.GetMachine() != machine {
			continue
		}
		for _, j := range line.GetJobs() {
			if j.GetWaitsForWord() {
				return j.GetOrder(), nil
			}
		}
	}
	return "", &exitError{exitNotFound, errors.New("no job is planned on " + strings.ToUpper(strings.TrimPrefix(machine, "machines/")) + "; see planner plan show")}
}
