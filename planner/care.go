package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type careCmd struct {
	List careListCmd `cmd:"" default:"1" help:"Planned work on machines, what is due first in front."`
	Done careDoneCmd `cmd:"" help:"Tell that a care was done; revolutions are counted anew from then."`
}

// Help says how care is entered.
func (*careCmd) Help() string {
	return `Care is entered in the book. By revolutions it comes again and again, by a window of dates it comes once:

  care:
    - { id: needles-k03, machine: k03, kind: needles, minutes: 240, every_revolutions: 9000000, done_time: 2026-09-14T10:00:00+03:00 }
    - { id: oil-k05, machine: k05, kind: oil, minutes: 90, from_time: 2026-12-01T06:00:00+03:00, to_time: 2026-12-04T22:00:00+03:00 }
    - { id: oil-k04, remove: true }

Plans place it among the jobs where it costs least. Stop and isolate the machine before work on it; the rules of the mill and of the law hold.`
}

type careListCmd struct{}

type careJSON struct {
	Care      string     `json:"care"`
	Machine   string     `json:"machine"`
	Kind      string     `json:"kind"`
	Minutes   float64    `json:"minutes"`
	Every     int64      `json:"every_revolutions"`
	Since     int64      `json:"revolutions"`
	DoneAt    *time.Time `json:"done_time"`
	Earliest  *time.Time `json:"earliest"`
	Latest    *time.Time `json:"latest"`
	Start     *time.Time `json:"start"`
	End       *time.Time `json:"end"`
	Completed bool       `json:"completed"`
}

// Run lists the care of the book.
func (c *careListCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().ListCare(ctx, &pb.ListCareRequest{})
	if err != nil {
		return s.explain(err)
	}
	l := listing{head: []string{"care", "machine", "kind", ">min", ">revolutions", ">of", "done last", "not before", "due by", "planned"}, empty: "the book has no care; see planner care --help"}
	data := []careJSON{}
	for _, x := range r.GetCare() {
		b := x.GetCare()
		j := careJSON{
			b.GetId(), b.GetMachine(), b.GetKind(), b.GetMinutes(), int64(b.GetEveryRevolutions()), x.GetRevolutionCount(), when(b.GetDoneTime()),
			when(x.GetEarliestTime()), when(x.GetLatestTime()), when(x.GetStartTime()), when(x.GetEndTime()), x.GetDone(),
		}
		data = append(data, j)
		since, of, planned := "-", "-", s.forecastOf(j.Start)
		if j.Every > 0 {
			since, of = fmt.Sprintf("%dc", j.Since), fmt.Sprintf("%de", j.Every)
		}
		switch {
		case j.Completed:
			planned = "done"
		case j.Start == nil:
			planned = "later"
		}
		l.add(j.Care, strings.ToUpper(j.Machine), j.Kind, fmt.Sprintf("%.0fe", j.Minutes), since, of, s.clockOf(j.DoneAt), s.clockOf(j.Earliest), s.clockOf(j.Latest), planned)
	}
	l.data = struct {
		Care []careJSON `json:"care"`
	}{data}
	return s.print(&l)
}

type careDoneCmd struct {
	Care   string `arg:"" help:"Id of the care, for example needles-k03."`
	At     string `help:"When it was done; default: now." placeholder:"2026-11-28T06:00"`
	DryRun bool   `name:"dry-run" help:"Tell what would change and write nothing."`
}

// Run enters when a care was done.
func (c *careDoneCmd) Run(ctx context.Context, s *session) error {
	at := s.now()
	if c.At != "" {
		t, err := s.instant(c.At)
		if err != nil {
			return err
		}
		if t.After(at.Add(time.Minute)) {
			return usage("--at %s is still to come; tell it when it is done", t.In(s.zone).Format("2006-01-02 15:04"))
		}
		at = t
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().ListCare(ctx, &pb.ListCareRequest{})
	if err != nil {
		return s.explain(err)
	}
	var known []string
	for _, x := range r.GetCare() {
		b := x.GetCare()
		known = append(known, b.GetId())
		if b.GetId() != c.Care {
			continue
		}
		if before := b.GetDoneTime(); before != nil && before.AsTime().After(at) {
			return &exitError{exitRefused, fmt.Errorf("care %s was done %s already, which is later; correct it with: planner book apply", c.Care, s.clockOf(when(before)))}
		}
		b.DoneTime = timestamppb.New(at.Truncate(time.Second))
		w, err := s.books().ApplyBook(ctx, &pb.ApplyBookRequest{Book: &pb.Book{Care: []*pb.BookCare{b}}, ValidateOnly: c.DryRun, RequestId: newRequestID()})
		if err != nil {
			return s.explain(err)
		}
		l := listing{head: []string{"change"}, empty: "nothing to change"}
		for _, line := range w.GetChanges() {
			l.add(line)
		}
		l.data = struct {
			Care   string    `json:"care"`
			Done   time.Time `json:"done_time"`
			DryRun bool      `json:"dry_run"`
		}{c.Care, at.Truncate(time.Second), c.DryRun}
		if err := s.print(&l); err != nil {
			return err
		}
		if c.DryRun {
			fmt.Fprintln(s.err, "nothing was written (dry run)")
		}
		return nil
	}
	if len(known) == 0 {
		return &exitError{exitNotFound, fmt.Errorf("care %q: the book has none; enter it with planner book apply", c.Care)}
	}
	return &exitError{exitNotFound, fmt.Errorf("care %q: the book has %s", c.Care, strings.Join(known, ", "))}
}
