package main

import (
	"strings"
	"testing"
	"time"
)

// Beads right of the bar are late, whatever the scale.
func TestBeadsAgainstThePromise(t *testing.T) {
	times := make([]*time.Time, 20)
	for i := range times {
		at := noon.Add(60*time.Hour + time.Duration(i)*time.Hour)
		times[i] = &at
	}
	for _, tt := range []struct {
		promise time.Duration
		late    int
	}{
		{72 * time.Hour, 7}, {59 * time.Hour, 20}, {60 * time.Hour, 19}, {79 * time.Hour, 0}, {500 * time.Hour, 0}, {1, 20},
	} {
		promise := noon.Add(tt.promise)
		late, early := 0, 0
		for _, line := range strings.Split(beads(times, &promise, noon, time.UTC), "\n")[1:] {
			before, after, ok := strings.Cut(line, "|")
			if !ok && strings.Contains(line, "o") {
				t.Errorf("a row without the bar: %q", line)
			}
			early += strings.Count(before, "o")
			late += strings.Count(after, "o")
		}
		if late != tt.late || early+late != 20 {
			t.Errorf("promise after %v: %d early, %d late; want %d late of 20", tt.promise, early, late, tt.late)
		}
	}
	past := noon.Add(-time.Hour)
	if got := beads(times, &past, noon, time.UTC); strings.Count(got, "o") != 20+strings.Count("", "o") || strings.Contains(got, "|") {
		t.Errorf("a promise in the past:\n%s", got)
	}
	if got := beads(times, nil, noon, time.UTC); strings.Contains(got, "|") || strings.Count(got, "o") != 20 {
		t.Errorf("without a promise:\n%s", got)
	}
	if got := beads(nil, nil, noon, time.UTC); got != "" {
		t.Errorf("no beads draw %q", got)
	}
}

func TestDaysFit(t *testing.T) {
	for _, tt := range []struct {
		first, last time.Duration
		head        string
	}{
		{20 * 24 * time.Hour, 20 * 24 * time.Hour, "  Tue 15"},                                     // one instant
		{time.Hour, 40 * 24 * time.Hour, "  Wed 25"},                                               // days that do not all fit
		{48 * time.Hour, 58 * time.Hour, "  Fri 27                 12:00                   18:00"}, // hours
	} {
		first, last := noon.Add(tt.first), noon.Add(tt.last)
		head := strings.Split(beads([]*time.Time{&first, &last}, nil, noon, time.UTC), "\n")[0]
		if !strings.HasPrefix(head, tt.head) || len(head) > lineWidth+10 {
			t.Errorf("day line %q, want it to begin with %q", head, tt.head)
		}
	}
}

func TestThousands(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 999: "999", 1000: "1,000", 1234567: "1,234,567", -4200: "-4,200"} {
		if got := thousands(v); got != want {
			t.Errorf("thousands(%v) = %q, want %q", v, got, want)
		}
	}
}
