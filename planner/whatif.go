package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type whatifCmd struct {
	Changes []string `arg:"" help:"Changes, separated by commas." placeholder:"slow K03 27, down K04 6h"`
}

// Help has the grammar and an example.
func (*whatifCmd) Help() string {
	return `Changes, separated by commas; together they make one what-if:
  slow MACHINE RPM     it turns at another speed
  down MACHINE TIME    it stands for so much working time: 90m, 6h, 2d
  add MACHINE ORDER    it works on the order too, behind its present jobs
  open FROM TO         time outside the shifts is worked
  close FROM TO        time inside the shifts is not worked
FROM and TO are written 2026-11-28T06:00, in your zone, or with a zone.
Nothing is written.

Example:
  planner whatif slow K03 27, down K04 6h`
}

// effectJSON is what happens to one order, as scripts read it.
type effectJSON struct {
	Order    string     `json:"order"`
	Promise  *time.Time `json:"promise"`
	Before   finishJSON `json:"before"`
	After    finishJSON `json:"after"`
	Sentence string     `json:"sentence"`
}

func (c *whatifCmd) Run(ctx context.Context, s *session) error {
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
	}{[]effectJSON{}, int64(r.GetSameCount()), some(r.GetAssumptions())}
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
	var out []*pb.Change
	for phrase := range strings.SplitSeq(text, ",") {
		words := strings.Fields(phrase)
		if len(words) != 3 {
			return nil, usage("change %q: expected three words, for example slow K03 27 or down K04 6h", strings.TrimSpace(phrase))
		}
		c, err := s.change(words[0], words[1], words[2])
		if err != nil {
			return nil, usage("change %q: %w", strings.TrimSpace(phrase), err)
		}
		out = append(out, c)
	}
	return out, nil
}

func (s *session) change(verb, a, b string) (*pb.Change, error) {
	machine := "machines/" + strings.ToLower(a)
	switch verb {
	case "slow":
		rpm, err := strconv.ParseFloat(b, 64)
		if err != nil {
			return nil, fmt.Errorf("%q is no speed, expected turns a minute, for example 27", b)
		}
		return &pb.Change{Kind: &pb.Change_SlowMachine{SlowMachine: &pb.SlowMachine{Machine: machine, SpeedRpm: rpm}}}, nil
	case "down":
		d, err := span(b)
		if err != nil {
			return nil, err
		}
		return &pb.Change{Kind: &pb.Change_StopMachine{StopMachine: &pb.StopMachine{Machine: machine, Duration: durationpb.New(d)}}}, nil
	case "add":
		return &pb.Change{Kind: &pb.Change_AddMachine{AddMachine: &pb.AddMachine{Machine: machine, Order: "orders/" + b}}}, nil
	case "open", "close":
		from, err := s.instant(a)
		if err != nil {
			return nil, err
		}
		to, err := s.instant(b)
		if err != nil {
			return nil, err
		}
		if verb == "open" {
			return &pb.Change{Kind: &pb.Change_OpenTime{OpenTime: &pb.OpenTime{StartTime: timestamppb.New(from), EndTime: timestamppb.New(to)}}}, nil
		}
		return &pb.Change{Kind: &pb.Change_CloseTime{CloseTime: &pb.CloseTime{StartTime: timestamppb.New(from), EndTime: timestamppb.New(to)}}}, nil
	}
	return nil, fmt.Errorf("%q is no change, expected slow, down, add, open or close", verb)
}

// span reads a duration as people write it: 90m, 6h, 2d.
func span(text string) (time.Duration, error) {
	if days, ok := strings.CutSuffix(text, "d"); ok {
		n, err := strconv.ParseFloat(days, 64)
		if err == nil && n > 0 && n <= 366 {
			return time.Duration(n * 24 * float64(time.Hour)), nil
		}
	} else if d, err := time.ParseDuration(text); err == nil && d > 0 {
		return d, nil
	}
	return 0, fmt.Errorf("%q is no time, expected for example 90m, 6h or 2d", text)
}

// instant reads a wall time in the zone of the session, or one with its zone.
func (s *session) instant(text string) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if t, err := time.ParseInLocation(layout, text, s.zone); err == nil {
			return t, nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is no time, expected for example 2026-11-28T06:00", text)
}
