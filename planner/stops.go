package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type stopsCmd struct {
	Machine string `arg:"" optional:"" help:"Machine, for example k07; none = all."`
	Since   string `default:"8h" help:"From when: 8h, 7d, today, or a time like 2026-11-25T06:00:00+03:00."`
	Limit   int    `default:"1000" help:"At most this many."`
}

// stopJSON is a stop as scripts read it.
type stopJSON struct {
	Stop        string     `json:"stop"`
	Machine     string     `json:"machine"`
	Begin       *time.Time `json:"begin"`
	End         *time.Time `json:"end"` // null while open
	DurationMS  int64      `json:"duration_ms"`
	Cause       string     `json:"cause"`
	Side        string     `json:"side"`
	Origin      string     `json:"origin"`
	Revolutions int64      `json:"revolutions"`
}

func (c *stopsCmd) Run(ctx context.Context, s *session) error {
	from, err := s.since(c.Since)
	if err != nil {
		return err
	}
	if c.Limit < 1 {
		return usage("--limit %d: expected 1 or more", c.Limit)
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	// The end stands still while pages are turned.
	r := &pb.ListStopsRequest{StartTime: timestamppb.New(from), EndTime: timestamppb.New(s.now()), PageSize: int32(min(c.Limit, pageSize))}
	if c.Machine != "" {
		r.Machine = machineName(c.Machine)
	}
	l := listing{
		head:  []string{"machine", "begin", ">lasted", "cause", "side", "from", ">turns"},
		empty: fmt.Sprintf("no stops since %s", s.clock(from)),
	}
	var data []stopJSON
	for {
		page, err := s.machines().ListStops(ctx, r)
		if err != nil {
			return s.explain(err)
		}
		for _, p := range page.GetStops() {
			j := stopFromPB(p)
			data = append(data, j)
			l.add(s.stopRow(&j)...)
			if len(data) == c.Limit {
				break
			}
		}
		r.PageToken = page.GetNextPageToken()
		if r.PageToken == "" {
			break
		}
		if len(data) >= c.Limit {
			fmt.Fprintf(s.err, "only the newest %d; give a greater --limit for more\n", c.Limit)
			break
		}
	}
	l.data = struct {
		Stops []stopJSON `json:"stops"`
	}{some(data)}
	return s.print(&l)
}

func stopFromPB(p *pb.Stop) stopJSON {
	origin := "standstill"
	if p.GetOrigin() == pb.StopOrigin_STOP_ORIGIN_INPUT {
		origin = "input"
	}
	return stopJSON{
		Stop: p.GetName()[strings.LastIndex(p.GetName(), "/")+1:], Machine: p.GetMachine(), Begin: when(p.GetStartTime()), End: when(p.GetEndTime()),
		DurationMS: p.GetDuration().AsDuration().Milliseconds(), Cause: p.GetCause(), Side: p.GetSide(), Origin: origin, Revolutions: p.GetRevolutionCountAt(),
	}
}

func (s *session) stopRow(j *stopJSON) []string {
	lasted := ago(time.Duration(j.DurationMS) * time.Millisecond)
	if j.End == nil {
		lasted = "open, " + lasted
	}
	cause := j.Cause
	if cause == "" {
		cause = "?"
	}
	return []string{strings.ToUpper(j.Machine), s.clockOf(j.Begin), lasted, cause, j.Side, j.Origin, fmt.Sprintf("%dc", j.Revolutions)}
}

// since reads "8h", "7d", "today" or a time.
func (s *session) since(text string) (time.Time, error) {
	now := s.now()
	if text == "today" {
		y, m, d := now.In(s.zone).Date()
		return time.Date(y, m, d, 0, 0, 0, 0, s.zone), nil
	}
	if days, ok := strings.CutSuffix(text, "d"); ok {
		if n, err := strconv.ParseFloat(days, 64); err == nil && n > 0 && n < 36500 {
			return now.Add(-time.Duration(n * 24 * float64(time.Hour))), nil
		}
	}
	if d, err := time.ParseDuration(text); err == nil && d > 0 {
		return now.Add(-d), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		if !t.Before(now) {
			return time.Time{}, usage("--since %s is not in the past", text)
		}
		return t, nil
	}
	return time.Time{}, usage("--since %q: expected for example 8h, 7d, today or 2026-11-25T06:00:00+03:00", text)
}
