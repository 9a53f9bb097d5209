package chaos

import (
	"context"
	"time"

	"turnwise/simulator/plc"
)

func blowing(w weather) inject {
	return func(_ context.Context, _ *mill, s *station) (func() error, bool, error) {
		s.line.set(w)
		return func() error { s.line.set(fair); return nil }, true, nil
	}
}

func cuttingAll(_ context.Context, m *mill, _ *station) (func() error, bool, error) {
	set := func(w weather) {
		for _, s := range m.stations {
			s.line.set(w)
		}
	}
	set(cut)
	return func() error { set(fair); return nil }, true, nil
}

// breaking spoils all answers of one machine. The others of the same agent
// must be read meanwhile.
func breaking(f plc.Fault) inject {
	return func(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
		c := m.oneOf(s)
		c.breakLine(f)
		before := map[*cylinder]int{}
		for _, n := range s.machines {
			before[n] = n.seen()
		}
		return func() error {
			for n, looks := range before {
				if n != c && m.alone && s.proc != nil && !n.readAgain(ctx, looks) {
					m.note("%s was not read while %s gave wrong answers", n.id, c.id)
				}
			}
			c.breakLine(plc.None)
			return nil
		}, true, nil
	}
}

// readAgain waits until a machine is read after so many looks. Half a minute
// is no measure of speed: another machine's fault may not stop the reading.
func (c *cylinder) readAgain(ctx context.Context, looks int) bool {
	for until := time.Now().Add(30 * time.Second); c.seen() == looks; {
		if time.Now().After(until) || !pause(ctx.Done(), 20*time.Millisecond) {
			return false
		}
	}
	return true
}

func (m *mill) oneOf(s *station) *cylinder { return s.machines[m.rng.IntN(len(s.machines))] }

// jumping moves a counter as a controller does that restarts.
func jumping(kind string) inject {
	return func(_ context.Context, m *mill, s *station) (func() error, bool, error) {
		c := m.oneOf(s)
		to := int64(0)
		switch kind {
		case "near its end":
			to = c.modulus() - 10 - m.rng.Int64N(30)
		case "preset":
			to = farAway + m.rng.Int64N(40_000)
		}
		return nothing, c.jump(kind, to), nil
	}
}

// A wrong reading: what is shown instead of the counter; ok is false where
// turning could explain it, so that no reader could tell.
type wrong func(m *mill, c *cylinder, shown int64) (instead int64, ok bool)

func faltering(how wrong) inject {
	return func(_ context.Context, m *mill, s *station) (func() error, bool, error) {
		c := m.oneOf(s)
		return nothing, c.falter(func(shown int64) (int64, bool) { return how(m, c, shown) }), nil
	}
}

func farOff(m *mill, c *cylinder, shown int64) (int64, bool) {
	return shown + farAway + m.rng.Int64N(50_000), true
}

func zero(_ *mill, _ *cylinder, shown int64) (int64, bool) { return 0, shown >= farAway }

// torn is a counter of two words whose high word was read before or after the
// low one went round.
func torn(m *mill, c *cylinder, shown int64) (int64, bool) {
	return shown + 1<<16*(1-2*m.rng.Int64N(2)), c.register.Bits() == 32 && shown >= 1<<16
}
