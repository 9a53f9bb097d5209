// Package sourcetest is the conformance suite of sources: whatever reads a
// machine must pass it. The one rule that it proves: a reading is either what
// the machine shows, or an error. It knows no protocol.
package sourcetest

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"turnwise/agent/source"
)

// Fault is a way in which a machine misbehaves.
type Fault int

// Faults of a machine on the bench.
const (
	None    Fault = iota
	Refuses       // answers that it will not
	Silent        // takes the question and says nothing
	Drips         // answers one byte now and then
	Other         // answers in the name of another device
	Short         // answers with less than was asked for
	Long          // answers with more than was asked for
	Garbage       // answers with bytes that mean nothing
	HangsUp       // closes the line in the middle of an answer
)

var faults = map[Fault]string{
	Refuses: "refuses", Silent: "silent", Drips: "drips", Other: "other device", Short: "short answer",
	Long: "long answer", Garbage: "garbage", HangsUp: "hangs up",
}

// Bench is a machine under the control of the suite.
type Bench interface {
	// Open makes a new source of the machine, which has three stop inputs.
	Open(t *testing.T) source.Source
	// Show sets what the machine shows.
	Show(raw uint64, active ...int)
	// Misbehave sets the fault from now on.
	Misbehave(f Fault)
	// Patience is how long a Read may take at most.
	Patience() time.Duration
}

// Run proves a source. bench sets up one machine and its cleaning up.
func Run(t *testing.T, bench func(t *testing.T) Bench) {
	t.Run("shows what the machine shows", func(t *testing.T) { values(t, bench(t)) })
	for f, name := range faults {
		t.Run("machine "+name, func(t *testing.T) { fault(t, bench(t), f) })
	}
	t.Run("ends with its context", func(t *testing.T) { cancelled(t, bench(t)) })
	t.Run("closes while reading", func(t *testing.T) { closed(t, bench(t)) })
}

func values(t *testing.T, b Bench) {
	s := b.Open(t)
	defer s.Close()
	bits := s.Counter()
	if bits < 1 || bits > 64 {
		t.Fatalf("counter of %d bits", bits)
	}
	most := uint64(1)<<bits - 1
	for _, raw := range []uint64{0, 1, most / 3, most - 1, most} {
		for _, active := range [][]int{nil, {0}, {1, 2}, {0, 1, 2}} {
			b.Show(raw, active...)
			r, err := s.Read(t.Context())
			if err != nil {
				t.Fatalf("machine shows %d %v: %v", raw, active, err)
			}
			if r.Raw != raw || !slices.Equal(r.Active, active) || r.Err != nil {
				t.Errorf("machine shows %d %v; read %d %v, err %v", raw, active, r.Raw, r.Active, r.Err)
			}
			if r.At != (source.Instant{}) {
				t.Errorf("the source stamped the reading with %+v: that is not its task", r.At)
			}
		}
	}
}

func fault(t *testing.T, b Bench, f Fault) {
	s := b.Open(t)
	defer s.Close()
	b.Show(41, 1)
	if _, err := s.Read(t.Context()); err != nil {
		t.Fatalf("before the fault: %v", err)
	}
	b.Misbehave(f)
	for range 2 {
		began := time.Now()
		r, err := s.Read(t.Context())
		if err == nil {
			t.Fatalf("a machine that misbehaves gave the reading %+v", r)
		}
		if d := time.Since(began); d > b.Patience() {
			t.Errorf("the error took %s, at most %s expected", d, b.Patience())
		}
	}
	b.Misbehave(None)
	b.Show(42)
	var err error
	for range 3 { // the first may still find the old line
		var r source.Reading
		if r, err = s.Read(t.Context()); err == nil {
			if r.Raw != 42 || len(r.Active) != 0 {
				t.Errorf("after the fault the machine shows 42; read %d %v", r.Raw, r.Active)
			}
			return
		}
	}
	t.Errorf("the machine is well again, three reads are not; the last: %v", err)
}

func cancelled(t *testing.T, b Bench) {
	s := b.Open(t)
	defer s.Close()
	b.Show(1)
	if _, err := s.Read(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.Misbehave(Silent)
	ctx, cancel := context.WithTimeout(t.Context(), b.Patience()/10)
	defer cancel()
	began := time.Now()
	_, err := s.Read(ctx)
	if !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("Read gave %v, want context.DeadlineExceeded", err)
	}
	if d := time.Since(began); d >= b.Patience() {
		t.Errorf("Read came back after %s, when the machine's own time was over", d)
	}
}

func closed(t *testing.T, b Bench) {
	s := b.Open(t)
	b.Misbehave(Silent)
	read := make(chan error, 1)
	go func() {
		_, err := s.Read(context.Background())
		read <- err
	}()
	began := time.Now()
	if err := s.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
	if d := time.Since(began); d > b.Patience()/2 {
		t.Errorf("Close waited %s for the Read in progress", d)
	}
	if err := <-read; err == nil {
		t.Errorf("the Read in progress gave a reading of a silent machine")
	}
	if err := s.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	if _, err := s.Read(t.Context()); err == nil {
		t.Errorf("a closed source gave a reading")
	}
}
