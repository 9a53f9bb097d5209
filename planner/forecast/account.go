package forecast

// Kinds of an [Account].
const (
	Running  = "running"  // turning
	Random   = "stop"     // random stops of a cause
	Known    = "planned"  // stops that come a known number of times
	Progress = "progress" // the rest of the stop in progress
	Held     = "held"     // standing known exactly
	Care     = "care"     // pauses
	Waiting  = "waiting"  // random stops until somebody takes them up, where that is known
)

// Account is working time that goes to one thing: its mean, and what it stays within
// with 90 % chance, both in minutes.
type Account struct {
	Kind, Cause string
	Mean, P90   float64
}

// Account tells where the working time of the work goes. The means add up to that of
// [Machine.Finish].
func (m *Machine) Account(w Work) ([]Account, error) {
	if _, err := m.Finish(w); err != nil {
		return nil, err
	}
	run := Account{Kind: Running, Mean: w.RunMinutes, P90: w.RunMinutes}
	if w.RunSDMin > 0 {
		const z90 = 1.2815515655446004
		run.P90 += z90 * w.RunSDMin
	}
	out := []Account{run}
	add := func(kind, cause string, s Sum) error {
		law, err := s.law(&m.fleet.cache)
		if mean := law.Mean() - s.Run; err == nil && mean > 0 {
			out = append(out, Account{kind, cause, mean, law.Quantile(0.9) - s.Run})
		}
		return err
	}
	sum := m.of(w)
	var waiting []Stops
	for _, s := range sum.Stops {
		if wait, ok := m.waitsOf(s.Cause); ok && !w.NoWaiting {
			waited, worked := wait.parts(s.Durations.Mean())
			waiting = append(waiting, Stops{s.Cause, s.Rate, waited})
			s.Durations = worked
		}
		if err := add(Random, s.Cause, Sum{Run: w.RunMinutes, Stops: []Stops{s}, Common: sum.Common}); err != nil {
			return nil, err
		}
	}
	if len(waiting) > 0 {
		if err := add(Waiting, "", Sum{Run: w.RunMinutes, Stops: waiting, Common: sum.Common}); err != nil {
			return nil, err
		}
	}
	for _, p := range w.Planned {
		if err := add(Known, p.Cause, Sum{Repeats: []Repeat{{p.Count, m.plannedLaw(p)}}}); err != nil {
			return nil, err
		}
	}
	if w.Stop != nil {
		if err := add(Progress, w.Stop.Cause, Sum{Repeats: []Repeat{{1, m.remainder(*w.Stop)}}}); err != nil {
			return nil, err
		}
	}
	if w.FixedMinutes > 0 {
		out = append(out, Account{Held, "", w.FixedMinutes, w.FixedMinutes})
	}
	if len(w.Pauses) > 0 {
		law, err := m.Finish(w)
		if err != nil {
			return nil, err
		}
		if mean, upTo := law.Paused(0.9); mean > 0 {
			out = append(out, Account{Care, "", mean, upTo})
		}
	}
	return out, nil
}

// Whose history a forecast rests on, from the best to the least.
const (
	OwnHistory   = "machine"
	FleetHistory = "fleet"
	NoHistory    = "assumed"
)

// History says whose stops the machine's forecast rests on.
func (m *Machine) History() string {
	switch {
	case m.own.minutes >= littleHistory:
		return OwnHistory
	case m.fleet.minutes >= littleHistory:
		return FleetHistory
	}
	return NoHistory
}
