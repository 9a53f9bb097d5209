package floor

import (
	"math"
	"reflect"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// plausible is how far an agent's wall clock may be from the server's for its
// records to be dated by it. Live words are dated alike, so that the two can be
// compared.
const plausible = 2 * time.Second

// forgotten is how many rolls without a doff mean that doffs are not told.
const forgotten = 3

// Live takes the newest words of an agent. The will of a connection that was
// replaced since is ignored.
func (f *Floor) Live(id string, st *wirepb.AgentState) {
	f.mu.Lock()
	defer f.mu.Unlock()
	a := f.agent(id)
	if !st.GetOnline() {
		// A will was written when its session began: what it says of
		// machines is old.
		if st.GetSessionNo() >= a.session {
			a.online = false
			// A goodbye tells how the machines' streams stand, a will cannot.
			a.parted = len(st.GetMachines()) > 0
			for _, l := range st.GetMachines() {
				if m, ok := f.machines[l.GetMachine()]; ok && f.book.agents[m.id] == id {
					m.live.owes = owes(l)
				}
			}
			f.redraw(f.machinesOf(id)...)
		}
		return
	}
	now := f.c.Now()
	// A session number may fall: a new box has taken the agent's name.
	a.session, a.online, a.parted, a.heard = st.GetSessionNo(), true, false, now
	a.version, a.journal = st.GetVersion(), int64(st.GetJournalBytes())
	clock := st.GetClock()
	wall := now
	if ns := clock.GetWallNs(); ns != 0 {
		a.offset = time.Unix(0, ns).Sub(now)
		if a.offset.Abs() <= plausible {
			wall = now.Add(a.offset)
		}
	}
	touched := f.machinesOf(id) // their problem may be the agent's
	for _, l := range st.GetMachines() {
		m, ok := f.machines[l.GetMachine()]
		if !ok || f.book.agents[m.id] != id {
			continue // not registered for this agent: it has no say
		}
		w := look{
			at: wall, readable: l.GetReadable(), turning: l.GetTurning(),
			rpm: l.GetSpeedRpm(), cause: l.GetCause(), problem: l.GetProblem(),
			owes: owes(l), extended: l.GetExtended(), moved: m.live.moved,
		}
		copy(w.life[:], l.GetLifeId())
		if w.extended != m.live.extended || w.life != m.live.life {
			w.moved = now
		}
		if age := time.Duration(clock.GetBoottimeNs() - l.GetBoottimeNs()); age > 0 && l.GetBoottimeNs() > 0 {
			w.at = wall.Add(-age)
		}
		copy(w.stop[:], l.GetStopId())
		if !w.readable && m.live.readable {
			// The machine was heard until the reading before.
			w.at = m.live.at
		}
		m.live = w
	}
	f.redraw(touched...)
}

// owes tells that an agent has something of a machine that is not in the
// books: a record, or counts that no record tells yet.
func owes(l *wirepb.MachineLive) bool {
	return l.GetHeadSeq() > l.GetAckedSeq() || l.GetUntold() > 0
}

// How old the last word of an agent may be, and for how long a counter must
// have stood, for the books to be whole. Agents speak every ten seconds, and
// within a second after something changed.
const (
	wordAge  = 25 * time.Second
	restTime = 2 * time.Second
)

// settled tells whether every agent that speaks for a machine is heard, or has
// said goodbye, and owes nothing.
func (f *Floor) settled() bool {
	now := f.c.Now()
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, m := range f.machines {
		if m.state.Last.IsZero() && m.live.at.IsZero() {
			continue // never heard
		}
		a := f.agents[f.book.agents[m.id]]
		switch {
		case a == nil, m.live.owes:
			return false
		case a.online:
			if now.Sub(a.heard) > wordAge || now.Sub(m.live.moved) < restTime {
				return false
			}
		case !a.parted:
			return false
		}
	}
	return true
}

// machinesOf lists the machines an agent speaks for. It needs f.mu.
func (f *Floor) machinesOf(agent string) []*machine {
	var out []*machine
	for _, m := range f.order {
		if f.book.agents[m.id] == agent {
			out = append(out, m)
		}
	}
	return out
}

// picture derives the view of a machine. It needs f.mu.
func (f *Floor) picture(m *machine, now time.Time) MachineView {
	e := f.book.machines[m.id]
	job := f.book.at(m.id, now)
	c := f.book.cards[job.Card]
	v := MachineView{
		ID: m.id, Name: f.book.name(m.id), Area: e.Area, Set: e.Set, Agent: f.book.agents[m.id],
		Label: f.book.label(job.Card), Structure: f.book.articles[c.Article].Structure, CardRPM: c.SpeedRPM, Order: job.Order, Card: job.Card, GramsPerRev: c.grams,
		Problem:     m.live.problem,
		Revolutions: m.state.Revolutions, Inched: m.state.Inched,
		SinceDoff:  max(0, m.state.Revolutions-m.state.DoffAt),
		RollNumber: m.state.Doffs + 1,
		Entry: MachineEntry{
			DiameterInch: e.DiameterInch, GaugeNPI: e.GaugeNPI, CylinderNeedles: e.CylinderNeedles, DialNeedles: e.DialNeedles,
			Beds: e.NeedleBeds(), Feeders: e.Feeders, MaxRPM: e.MaxRPM, Structures: e.Structures, Year: e.Year,
		},
	}
	// Counts newer than the books are weighed with the running card.
	v.KilosCounted = m.base.kilos + float64(max(0, m.state.Revolutions-m.base.revolutions))*c.grams/1000
	if a := f.agents[v.Agent]; a != nil && !a.online && !a.heard.IsZero() && v.Problem == "" {
		v.Problem = "agent " + v.Agent + " is offline"
	}
	if roll := f.book.articles[c.Article].RollKg; roll > 0 && c.grams > 0 {
		turns := int64(math.Round(roll * 1000 / c.grams))
		// Where no input tells of doffs, nobody knows how full the roll is.
		if v.SinceDoff < forgotten*turns {
			v.RollKg, v.ToDoff = roll, max(0, turns-v.SinceDoff)
			v.DoffDue = f.plan.doff(m.id)
		}
	}
	f.drawState(m, &v, now)
	return v
}

// drawState decides between the committed and the live word: the newer one
// holds, and when both are old the state is not known.
func (f *Floor) drawState(m *machine, v *MachineView, now time.Time) {
	v.Heard = m.state.Last
	live := m.live.readable && m.live.at.After(m.state.Last)
	if live {
		v.Heard = m.live.at
	}
	if v.Heard.IsZero() || now.Sub(v.Heard) > Silence {
		v.State, v.Since = Unknown, v.Heard
		return
	}
	f.drawKnown(m, v, live)
}

// drawKnown draws the state of a machine that was heard.
func (f *Floor) drawKnown(m *machine, v *MachineView, live bool) {
	open := m.state.Open
	committed := Running
	if open != nil {
		committed = Standing
		if open.Input {
			committed = Stopped
		}
	}
	v.State, v.Since = committed, m.state.Since
	cause, begin := "", m.state.Since
	if open != nil {
		cause, begin = open.Cause, open.Begin
		v.Since = begin
	}
	switch {
	case !live:
	case m.live.stop != store.ID{}:
		if open != nil && open.ID == m.live.stop {
			break // the same stop, and the books know it better
		}
		v.State, cause = Standing, m.live.cause
		if cause != "" {
			v.State = Stopped
		}
		v.Since = f.sinceLive(m, v.State, cause, begin)
		begin = v.Since
	case m.live.turning:
		v.State = Running
		if open != nil {
			v.Since = f.sinceLive(m, Running, "", m.state.Since)
		}
	}
	switch v.State {
	case Running:
		v.SpeedRPM = m.state.SpeedRPM
		if live {
			v.SpeedRPM = m.live.rpm
		}
		v.SpeedRPM = math.Round(v.SpeedRPM*10) / 10
	case Stopped:
		v.Cause = f.cause(cause)
	case Standing:
		v.Cause = f.standing(m.id, begin)
	}
}

// sinceLive is when a state began that only live words tell: the first look
// that showed it.
func (f *Floor) sinceLive(m *machine, s State, cause string, fallback time.Time) time.Time {
	if m.view.State == s && m.view.Since.After(fallback) && (s == Running || m.view.Cause.ID == f.cause(cause).ID || s == Standing) {
		return m.view.Since
	}
	return m.live.at
}

// standing tells why a machine may stand without a stop input.
func (f *Floor) standing(machine string, begin time.Time) Cause {
	if f.book.at(machine, begin).Order == "" {
		return f.cause(noOrder)
	}
	return notGiven
}

// alike tells whether a watcher need not hear of b after a. That a machine was
// heard again is news only every few seconds.
func alike(a, b *MachineView) bool {
	x := *a
	if d := b.Heard.Sub(a.Heard); d >= 0 && d < 5*time.Second {
		x.Heard = b.Heard
	}
	return reflect.DeepEqual(&x, b)
}
