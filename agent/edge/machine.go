package edge

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"iter"
	"log/slog"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"turnwise/agent/edge/scribe"
	"turnwise/agent/edge/watch"
	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// machine reads one machine and journals what it tells. All but view and the
// counters belong to the goroutine of run.
type machine struct {
	agent   *Agent
	conf    Machine
	log     *slog.Logger
	channel *journal.Channel
	watch   *watch.Watch

	scribe *scribe.Scribe
	speed  watch.Speed
	ill    bool          // the last append went wrong
	absent <-chan answer // the server's word on how long nobody watched, while it is asked

	turned   atomic.Int64 // when the loop went round last
	readings atomic.Uint64
	failures atomic.Uint64

	mu   sync.Mutex
	view view
}

// view is what the live picture shows.
type view struct {
	live     *wirepb.MachineLive
	readable bool
	problem  string
	journal  string
}

func newMachine(a *Agent, c Machine) (*machine, error) {
	ch, err := a.journal.Channel(c.ID)
	if err != nil {
		return nil, fmt.Errorf("edge: machine %s: %w", c.ID, err)
	}
	per, err := c.Source.perRevolution()
	if err != nil {
		return nil, fmt.Errorf("edge: machine %s: %w", c.ID, err)
	}
	wc := watch.Config{
		Bits: counterBits(c.Source), Pulses: c.Source.Kind == kindGPIO, PerRevolution: per, MaxRPM: c.Source.MaxSpeedRPM,
		Poll: c.Source.Poll.Std(), Patience: patience, StopAfter: c.Run.StopAfter.Std(), CrawlRPM: c.Run.CrawlRPM,
		SourceKind: c.Source.Kind, Digest: digest(c), Counter: counterName(c.Source, per), Inputs: inputsName(c.Source),
	}
	for _, s := range c.Source.Stops {
		wc.Stops = append(wc.Stops, watch.Stop{Cause: s.Cause, Side: s.Side, Hold: s.Hold.Std()})
	}
	w, err := watch.New(wc, newID, a.journal.Boot)
	if err != nil {
		return nil, fmt.Errorf("edge: machine %s: %w", c.ID, err)
	}
	m := &machine{agent: a, conf: c, log: a.o.Log.With("machine", c.ID), channel: ch, watch: w}
	m.view.live = &wirepb.MachineLive{}
	m.turned.Store(time.Now().UnixNano())
	if m.scribe, err = scribe.New(ch, w); err != nil {
		return nil, fmt.Errorf("edge: machine %s: the journal in %s holds a state that this program does not know: %w; use the version that wrote it, or move the folder away (the counter itself keeps the counts)",
			c.ID, a.conf.Spool.Dir, err)
	}
	return m, nil
}

func newID() (id [16]byte) {
	_, _ = rand.Read(id[:]) // never fails
	return id
}

// digest is over the section as it takes effect, defaults included.
func digest(c Machine) [32]byte {
	s := c.Source
	var speed Register
	if s.SpeedRPM != nil {
		speed = *s.SpeedRPM
	}
	return sha256.Sum256(fmt.Appendf(nil, "%q %q %q %d %s %+v %+v %+v %v %+v %d %q %d %d %q %q",
		c.ID, s.Kind, s.Address, s.Unit, s.Poll, s.Revolution, speed, s.Stops, s.MaxSpeedRPM, c.Run,
		s.Baud, s.Parity, s.StopBits, s.EventBuffer, s.File, s.Direction))
}

// counterName names the counter that is read: where it is and what one count
// means. The address of the machine is left out: it may move in the network.
func counterName(s Source, per uint32) uint64 {
	r := s.Revolution
	if s.Kind == kindGPIO {
		h := sha256.Sum256(fmt.Appendf(nil, "%q %q %q %q %d", s.Kind, r.Line, r.LineB, r.Edge, per))
		return binary.BigEndian.Uint64(h[:])
	}
	h := sha256.Sum256(fmt.Appendf(nil, "%q %d %d %q %d", s.Kind, r.Function, r.Register, r.Type, per))
	return binary.BigEndian.Uint64(h[:])
}

// inputsName names the stop inputs: where they are and what they mean. How long
// they are held may change.
func inputsName(s Source) uint64 {
	b := fmt.Appendf(nil, "%q", s.Kind)
	for _, st := range s.Stops {
		b = fmt.Appendf(b, " %d %d %q %q %q %q", st.Function, st.Input, st.Line, st.Active, st.Cause, st.Side)
	}
	h := sha256.Sum256(b)
	return binary.BigEndian.Uint64(h[:])
}

// run takes the past readings, then reads the machine until ctx ends. pastDone
// is called behind the past and tried behind every look; neither where it ends before.
func (m *machine) run(ctx context.Context, delay time.Duration, pastDone, tried func()) {
	src := m.open(ctx, tried)
	if src == nil {
		return
	}
	defer func() {
		if err := src.Close(); err != nil {
			m.log.Warn("source not closed", "error", err)
		}
	}()
	m.remember(ctx)
	m.replay(ctx)
	if r, ok := src.(recorded); ok {
		m.takePast(ctx, r.Past())
	}
	pastDone()
	if p, ok := src.(source.Pulses); ok {
		p.GoOn(m.scribe.State().Count.Raw)
	}
	if !sleep(ctx, delay) {
		return
	}
	tick := time.NewTicker(m.conf.Source.Poll.Std())
	defer tick.Stop()
	for {
		r, err := src.Read(ctx)
		if ctx.Err() != nil {
			break
		}
		r.At, r.Err = m.agent.clocks(), err
		m.take(r, false)
		m.away()
		tried()
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
		if ctx.Err() != nil {
			break
		}
	}
	m.finish()
}

// How long until a source that could not be opened is tried again: each time
// twice as long, so that one that is late at the start is soon there, and one
// that is broken costs nothing.
const (
	openAgain  = time.Second
	openAtMost = 15 * time.Second
)

// open opens the source. Where that fails the machine is not readable and all
// others go on; it gives nil only where ctx ends first.
func (m *machine) open(ctx context.Context, tried func()) source.Source {
	for wait := openAgain; ; wait = min(2*wait, openAtMost) {
		src, err := m.agent.o.open(m.conf.Source)
		if err == nil {
			return src
		}
		// The scribe is not asked: what it knows of the machine may not be made sure of yet.
		m.turned.Store(time.Now().UnixNano())
		m.failures.Add(1)
		m.look(source.Reading{Err: err})
		tried()
		if !sleep(ctx, wait) {
			return nil
		}
	}
}

// finish journals what was counted and how far the machine was watched.
func (m *machine) finish() {
	wrote, told, err := m.scribe.Finish()
	if wrote {
		m.noteJournal(err)
	}
	if told {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.view.live.Untold = 0
	}
}

func sleep(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

// replay takes the past readings that the journal does not speak of yet.
func (m *machine) replay(ctx context.Context) {
	if m.agent.o.Past != nil {
		m.takePast(ctx, m.agent.o.Past(m.conf.ID))
	}
}

func (m *machine) takePast(ctx context.Context, past iter.Seq[source.Reading]) {
	st := m.scribe.State()
	since, known := st.Last.Wall, st.Known
	for r := range past {
		if ctx.Err() != nil {
			return
		}
		if known && r.At.Wall <= since {
			continue
		}
		m.take(r, true)
	}
	m.lastMark()
}

// take gives a reading to the scribe.
func (m *machine) take(r source.Reading, past bool) {
	m.turned.Store(time.Now().UnixNano())
	if r.Err != nil {
		m.failures.Add(1)
	} else {
		m.readings.Add(1)
	}
	wrote, err := m.scribe.Take(r, past)
	if wrote {
		m.noteJournal(err)
	}
	if err != nil {
		return
	}
	if r.Err == nil {
		m.speed.Add(m.scribe.State())
	}
	m.look(r)
}

// lastMark journals how far the machine was watched.
func (m *machine) lastMark() {
	if wrote, err := m.scribe.Mark(); wrote {
		m.noteJournal(err)
	}
}

func (m *machine) noteJournal(err error) {
	switch {
	case err != nil && !m.ill:
		m.log.Error("journal refuses, counts wait in the machine's own counter", "error", err)
	case err == nil && m.ill:
		m.log.Info("journal takes records again")
	}
	m.ill = err != nil
	m.mu.Lock()
	defer m.mu.Unlock()
	m.view.journal = ""
	if err != nil {
		m.view.journal = err.Error()
	}
}

// look renews the live picture.
func (m *machine) look(r source.Reading) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if was := m.view.readable; r.Err != nil && (was || m.view.problem == "") {
		m.log.Warn("machine not readable", "error", r.Err)
	} else if r.Err == nil && !was {
		m.log.Info("machine is read", "raw", r.Raw)
	}
	m.view.readable, m.view.problem = r.Err == nil, ""
	if r.Err != nil {
		m.view.problem = r.Err.Error()
		m.view.live.Turning, m.view.live.SpeedRpm = false, 0
		return
	}
	st := m.scribe.State()
	_, waiting := st.Waiting()
	m.view.live = m.watch.Live(st, &m.speed, r.SpeedRPM)
	m.view.problem = r.Note
	switch {
	case waiting:
		m.view.problem = "the box was off; waiting for the server to tell for how long"
	case st.Count.Disagreeing():
		m.view.problem = fmt.Sprintf("the first readings of the counter do not follow each other (now %d); waiting for two that do", st.Raw)
	case st.Count.Holding() && !st.Count.Beginning():
		m.view.problem = fmt.Sprintf("counter reading %d does not follow %d; waiting for it to be confirmed", st.Raw, st.Count.Raw)
	}
}

// live gives a copy of the live picture.
func (m *machine) live() *wirepb.MachineLive {
	m.mu.Lock()
	defer m.mu.Unlock()
	v := m.view.live
	l := &wirepb.MachineLive{
		LifeId: v.LifeId, Extended: v.Extended, Raw: v.Raw, RawBits: v.RawBits, CountsPerRevolution: v.CountsPerRevolution,
		BoottimeNs: v.BoottimeNs, Turning: v.Turning, SpeedRpm: v.SpeedRpm, StopId: v.StopId, Cause: v.Cause,
	}
	stream := m.channel.StreamID()
	l.Machine, l.StreamId = m.conf.ID, stream[:]
	l.Readable, l.Problem = m.view.readable, m.view.problem
	// Before the head: what becomes durable in between counts as untold.
	l.Untold = v.Untold + m.channel.Unsynced()
	if pressed := m.agent.journal.Pressed(); pressed != "" {
		l.Problem = pressed
	}
	if m.view.journal != "" {
		l.Problem = m.view.journal
		l.Untold = max(l.Untold, 1)
	}
	const most = 200 // bytes: the live view of all machines is one message
	if len(l.Problem) > most {
		l.Problem = strings.ToValidUTF8(l.Problem[:most], "")
	}
	l.HeadSeq, l.AckedSeq = m.channel.Head(), m.channel.Acked()
	return l
}

// alive tells whether the loop went round within the longest time that one
// reading may take, and some.
func (m *machine) alive() bool {
	s := m.conf.Source
	reading := s.Timeout.Std() * time.Duration(len(s.Stops)+4)
	if s.Kind == kindRTU { // all others on the line may be before it
		reading *= time.Duration(m.agent.conf.onLine(s.Address))
	}
	most := s.Poll.Std() + reading + 30*time.Second
	return time.Since(time.Unix(0, m.turned.Load())) < most
}
