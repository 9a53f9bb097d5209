package chaos

import (
	"context"
	"os"
	"testing"
	"time"

	"turnwise/simulator/machine"
)

// TestFewCycles runs real processes under faults that end programs, lines and
// journals, and both controls.
func TestFewCycles(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs agents and a server for about 20 seconds")
	}
	r, err := Run(t.Context(), Options{Cycles: 3, Seed: 4, Settle: 60 * time.Second, Told: func(s string) { t.Log(s) },
		Only: []string{"kill agent", "kill server", "end agent", "end server", "line delayed", "counter read wrong once"}})
	if err != nil {
		t.Fatal(err)
	}
	if !r.OK() {
		t.Errorf("found %+v, want nothing lost, doubled or contradicted, and both controls caught", r)
	}
	n := 0
	for _, v := range r.Faults {
		n += v
	}
	if r.Cycles != 3 || n < 3 || r.Turns < 20 || r.StopsStored == 0 {
		t.Errorf("%d cycles, %d faults, %d turns, %d stops: too little happened to find anything", r.Cycles, n, r.Turns, r.StopsStored)
	}
}

func TestUnknownFault(t *testing.T) {
	if _, err := Run(t.Context(), Options{Only: []string{"bad luck"}}); err == nil {
		t.Error("a fault that nobody knows was taken")
	}
}

// TestNothingIsLeft: a run that is interrupted leaves no folder.
func TestNothingIsLeft(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir) // os.MkdirTemp on Unix
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Run(ctx, Options{Bin: t.TempDir()}); err == nil {
		t.Error("an interrupted run ended without an error")
	}
	left, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range left {
		t.Errorf("%s is left", e.Name())
	}
}

// TestCountable: what can be counted, from what was looked at.
func TestCountable(t *testing.T) {
	const s = time.Second
	see := func(gen, from, to, input int, raw int64) sight {
		return sight{gen: gen, from: time.Duration(from) * s, to: time.Duration(to) * s, calls: 20, input: input, first: raw, last: raw}
	}
	glance := func(v sight) sight { v.calls = 1; return v }
	moved := func(v sight) sight { v.last++; return v }
	after := func(v sight) sight { v.gap = true; return v }
	old, fresh := &generation{}, &generation{fresh: true}
	tests := []struct {
		name   string
		sights []sight
		gens   map[int]*generation
		want   span
	}{
		{"nothing", nil, nil, span{0, 0}},
		{"one stop", []sight{see(1, 0, 2, none, 5), see(1, 2, 4, 1, 9), see(1, 4, 6, none, 9)}, nil, span{1, 1}},
		{"one input after the other", []sight{see(1, 0, 2, 0, 5), see(1, 2, 4, 1, 5)}, nil, span{2, 2}},
		{"seen once only", []sight{see(1, 0, 2, none, 5), glance(see(1, 2, 2, 1, 9)), see(1, 4, 6, none, 9)}, nil, span{0, 1}},
		{"goes on through a hole", []sight{see(1, 0, 2, 0, 5), see(2, 4, 6, 0, 5)}, map[int]*generation{1: old, 2: old}, span{1, 1}},
		{"the counter moved in the hole", []sight{see(1, 0, 2, 0, 5), see(2, 4, 6, 0, 7)}, map[int]*generation{1: old, 2: old}, span{2, 2}},
		{"the counter jumped before the hole", []sight{moved(see(1, 0, 2, 0, 5)), see(2, 4, 6, 0, 6)}, map[int]*generation{1: old, 2: old}, span{1, 2}},
		{"the machine was not readable and turned", []sight{see(1, 0, 2, 0, 5), after(see(1, 3, 5, 0, 7))}, nil, span{1, 2}},
		{"the machine was not readable and stood", []sight{see(1, 0, 2, 0, 5), after(see(1, 3, 5, 0, 5))}, nil, span{1, 1}},
		{"a new journal may hear of the stop", []sight{see(1, 0, 2, 0, 5), see(2, 4, 6, 0, 5)}, map[int]*generation{1: old, 2: fresh}, span{1, 2}},
		{"begun where it may not be kept", []sight{see(1, 0, 2, none, 5), see(1, 3, 4, 0, 5), see(2, 6, 8, none, 5)},
			map[int]*generation{1: {doubt: []window{{3 * s, 4 * s}}}, 2: old}, span{0, 1}},
		{"begun in doubt, still on after it", []sight{see(1, 0, 2, none, 5), see(1, 3, 4, 0, 5), see(2, 6, 8, 0, 5)},
			map[int]*generation{1: {doubt: []window{{3 * s, 4 * s}}}, 2: old}, span{1, 1}},
		{"ended in doubt, another on after it", []sight{see(1, 0, 2, 0, 5), see(1, 3, 4, none, 5), see(2, 6, 8, 1, 5)},
			map[int]*generation{1: {doubt: []window{{3 * s, 4 * s}}}, 2: old}, span{1, 2}},
	}
	for _, tt := range tests {
		if got := countable(tt.sights, tt.gens); got != tt.want {
			t.Errorf("%s: %+v, want %+v", tt.name, got, tt.want)
		}
	}
}

// TestLedgerKnowsFirst: a turn is in the ledger before it is shown, and jumps
// that nobody could ever tell from turning are not made.
func TestLedgerKnowsFirst(t *testing.T) {
	c := newCylinder("k01", machine.U16, 65_535)
	c.hold = false
	if got := c.look(false).Turns; got != 65_535 {
		t.Errorf("shows %d, want 65535", got)
	}
	c.turn()
	if got := c.look(false).Turns; got != 0 || c.turns != 1 || len(c.wraps) != 1 {
		t.Errorf("shows %d after %d turns and %d wraps, want 0, 1, 1", got, c.turns, len(c.wraps))
	}
	if c.jump("preset", 100) {
		t.Error("jumped by 100 counts, which turning can explain")
	}
	if !c.jump("preset", 20_000) || c.look(false).Turns != 20_000 || c.turns != 1 {
		t.Errorf("shows %d after %d turns, want 20000 after 1", c.look(false).Turns, c.turns)
	}
	if c.jump("reset", 0) {
		t.Error("jumped again before anybody can have believed the first jump")
	}
	if n := c.excusable(); n < 1 {
		t.Errorf("a jump excuses %d counts, want some", n)
	}
}

// TestLateness: the worst of the last seconds is told, and forgotten.
func TestLateness(t *testing.T) {
	var l lateness
	at := time.Unix(1000, 0)
	l.note(at, 30*time.Millisecond)
	l.note(at.Add(time.Second), 10*time.Millisecond)
	if got := l.of(); got != 30*time.Millisecond {
		t.Errorf("%s late, want 30ms", got)
	}
	l.note(at.Add(lateSpell+time.Second), 5*time.Millisecond)
	if got := l.of(); got != 30*time.Millisecond {
		t.Errorf("%s late just after, want 30ms", got)
	}
	l.note(at.Add(3*lateSpell), 7*time.Millisecond)
	if got := l.of(); got != 7*time.Millisecond {
		t.Errorf("%s late long after, want 7ms", got)
	}
}
