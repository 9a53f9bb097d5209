package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"turnwise/agent/edge"
	"turnwise/agent/source"
)

type lampCommand struct {
	machineFlag
	For  time.Duration `default:"2m" help:"How long to watch; cause each stop once meanwhile."`
	JSON bool          `name:"json" help:"Print JSON."`
}

// lampPoll is how often inputs are looked at: a lamp blinks about once a
// second (common practice, no source).
const lampPoll = 50 * time.Millisecond

// lampEdge is one change of a stop input.
type lampEdge struct {
	Stop   int           `json:"stop"`
	At     time.Duration `json:"at_ns"` // since the first look
	Active bool          `json:"active"`
}

// lampLesson is what one stop input taught.
type lampLesson struct {
	Stop  int    `json:"stop"`
	Cause string `json:"cause"`
	// Times that it went on, and stops that these were.
	On    int `json:"on"`
	Stops int `json:"stops"`
	// LongestDark is the longest time off within one stop.
	LongestDark time.Duration `json:"longest_dark_ns"`
	// Hold to configure; 0 for an input that does not blink.
	Hold time.Duration `json:"hold_ns"`
}

// blinkDark is the longest time off that still belongs to blinking: no stop is
// cleared and the machine started and stopped again within it.
const blinkDark = 3 * time.Second

// learnLamp finds which inputs blink. Hold is half as long again as the
// longest dark time, in tenths of a second.
func learnLamp(edges []lampEdge, stop int) lampLesson {
	l := lampLesson{Stop: stop}
	var off time.Duration
	lit, before := false, false // on now; was on before
	for _, e := range edges {
		if e.Stop != stop || e.Active == lit {
			continue
		}
		lit = e.Active
		if !lit {
			off = e.At
			continue
		}
		l.On++
		if dark := e.At - off; before && dark <= blinkDark {
			l.LongestDark = max(l.LongestDark, dark)
		} else {
			l.Stops++
		}
		before = true
	}
	const tenth = 100 * time.Millisecond
	l.Hold = (l.LongestDark*3/2 + tenth - 1) / tenth * tenth
	return l
}

func (c *lampCommand) Run(w *world) (err error) {
	if c.For <= 0 || c.For > time.Hour {
		return fmt.Errorf("%w: --for: found %s, more than 0 and at most 1h expected", errUsage, c.For)
	}
	m, err := c.machine(w)
	if err != nil {
		return err
	}
	if len(m.Source.Stops) == 0 {
		return fmt.Errorf("%w: machine %s has no stop inputs configured; write them under source.stops first", errUsage, m.ID)
	}
	var l lamps
	src, exact, err := edge.OpenSource(m.Source, l.edge)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	fmt.Fprint(w.errOut, caution)
	fmt.Fprintf(w.errOut, "Watching the stop inputs of %s for %s. Cause each stop once and let it stand for ten seconds.\n", m.ID, c.For)
	ctx, cancel := context.WithTimeout(w.ctx, c.For)
	defer cancel()
	if err := l.watch(ctx, src, exact); err != nil {
		return fmt.Errorf("learn lamp %s: %w", m.ID, err)
	}
	var lessons []lampLesson
	for i, s := range m.Source.Stops {
		lesson := learnLamp(l.edges, i)
		lesson.Cause = s.Cause
		lessons = append(lessons, lesson)
	}
	if c.JSON {
		return json.NewEncoder(w.out).Encode(struct {
			Machine string       `json:"machine"`
			Exact   bool         `json:"exact"`
			Edges   []lampEdge   `json:"edges"`
			Lessons []lampLesson `json:"lessons"`
		}{m.ID, exact, l.edges, lessons})
	}
	return l.print(w, exact, lessons)
}

// lamps gathers edges, from the source or from its readings.
type lamps struct {
	edges []lampEdge
	zero  time.Duration // the source's clock at the first edge
	begun time.Time
	first time.Duration // since begun
}

// maxEdges bounds what is kept of an input that never rests.
const maxEdges = 10_000

func (l *lamps) add(e lampEdge) {
	if len(l.edges) < maxEdges {
		l.edges = append(l.edges, e)
	}
}

// edge takes a change with the source's own instant. The first one gives its
// clock a place on ours.
func (l *lamps) edge(stop int, at time.Duration, active bool) {
	if l.zero == 0 {
		l.zero, l.first = at, time.Since(l.begun)
	}
	l.add(lampEdge{stop, at - l.zero + l.first, active})
}

func (l *lamps) watch(ctx context.Context, src source.Source, exact bool) error {
	l.begun = time.Now()
	tick := time.NewTicker(lampPoll)
	defer tick.Stop()
	var was []int
	for known := false; ; {
		r, err := src.Read(ctx)
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && !known:
			return err
		case err == nil && (!exact || !known):
			l.compare(was, r.Active)
		}
		if err == nil {
			known, was = true, r.Active
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// compare notes which inputs changed between two readings.
func (l *lamps) compare(was, now []int) {
	at := time.Since(l.begun)
	for _, i := range now {
		if !slices.Contains(was, i) {
			l.add(lampEdge{i, at, true})
		}
	}
	for _, i := range was {
		if !slices.Contains(now, i) {
			l.add(lampEdge{i, at, false})
		}
	}
}

func (l *lamps) print(w *world, exact bool, lessons []lampLesson) error {
	var err error
	say := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(w.out, format, args...)
		}
	}
	for _, e := range l.edges {
		word := "off"
		if e.Active {
			word = "on"
		}
		say("%9.3f s  stops[%d] %s\n", e.At.Seconds(), e.Stop, word)
	}
	if !exact {
		say("Times are those of readings, each %s or as fast as the machine answers.\n", lampPoll)
	}
	for _, x := range lessons {
		switch {
		case x.On == 0:
			say("stops[%d] %s: never on; is this the right input, and active the right way round?\n", x.Stop, x.Cause)
		case x.Hold == 0:
			say("stops[%d] %s: %d stops, does not blink; hold is not needed\n", x.Stop, x.Cause, x.Stops)
		default:
			say("stops[%d] %s: %d stops, blinks, dark for up to %s; set hold: %s\n", x.Stop, x.Cause, x.Stops, x.LongestDark.Round(time.Millisecond), x.Hold)
		}
	}
	return err
}
