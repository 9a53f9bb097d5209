package chaos

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"time"
)

func nothing() error { return nil }

func endingAgent(how syscall.Signal) inject {
	return func(_ context.Context, m *mill, s *station) (func() error, bool, error) {
		if s.proc == nil {
			return nothing, false, nil
		}
		m.endAgent(s, how)
		return func() error { return m.startAgent(s, false) }, true, nil
	}
}

// hangingAgent stops the process; whoever it spoke to waits. What it had just
// read gets the time of its going on.
func hangingAgent(_ context.Context, m *mill, s *station) (func() error, bool, error) {
	p, since := s.proc, m.now()
	if p == nil {
		return nothing, false, nil
	}
	return func() error {
		for _, c := range s.machines {
			c.mu.Lock()
			c.hung = max(c.hung, m.now()-since)
			c.mu.Unlock()
		}
		return p.signal(goOn)
	}, true, p.signal(hang)
}

// starvingAgent lets it open nothing, neither a connection nor a segment of
// its journal. One that has only just been started is left alone: without files
// it may say so and end.
func starvingAgent(_ context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil || s.blind || !s.line.connected() {
		return nothing, false, nil
	}
	undo, err := limitFiles(s.proc.cmd.Process.Pid)
	if err != nil {
		return nothing, false, err
	}
	since := m.now()
	m.setBlind(s, true)
	s.line.set(cut)
	s.line.set(fair)
	return func() error {
		err := undo()
		m.doubt(s, since)
		m.setBlind(s, false)
		return err
	}, true, nil
}

// steppingAgent steps the wall clock of an agent, for a while.
func steppingAgent(unset bool) inject {
	return func(_ context.Context, m *mill, s *station) (func() error, bool, error) {
		if s.proc == nil {
			return nothing, false, nil
		}
		step := time.Duration(m.rng.Int64N(int64(4*time.Hour))) - 2*time.Hour
		if unset {
			step = -time.Since(time.Unix(0, 0)) + time.Minute
		}
		// A stream that begins now is placed by the instant of receipt.
		return m.stepClock(s.clock, step, lateWord)
	}
}

// lateWord is how long a batch may be under way through a bad line.
const lateWord = 5 * time.Second

// stepClock steps a wall clock for a while; streams that begin meanwhile may be
// put in a place that is wrong by so much.
func (m *mill) stepClock(file string, step, wrong time.Duration) (func() error, bool, error) {
	was := m.clockWrong
	m.clockWrong = max(was, wrong)
	m.misplace()
	return func() error {
		m.clockWrong = was
		if err := os.Remove(file); !errors.Is(err, os.ErrNotExist) { // else both faults of a cycle were this one
			return err
		}
		return nil
	}, true, writeStep(file, step)
}

// writeStep says how far a wall clock is wrong from now on.
func writeStep(file string, step time.Duration) error {
	next := file + ".next"
	return errors.Join(os.WriteFile(next, []byte(strconv.FormatInt(int64(step), 10)), 0o600), os.Rename(next, file))
}

// cuttingAgent takes the power of the whole box: process and disk at once.
func cuttingAgent(_ context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.disk == nil || s.proc == nil {
		return nothing, false, nil
	}
	// Nothing of it runs on between the two.
	if err := s.proc.signal(hang); err != nil {
		return nothing, false, err
	}
	m.killAgent(s)
	m.doubt(s, m.now()-unsynced)
	err := s.disk.cutPower()
	return func() error { return m.startAgent(s, false) }, true, err
}

// unsynced is how much of what was written may not be on the disk yet: the
// journal syncs every 50 ms, on a host that is busy.
const unsynced = 1500 * time.Millisecond

// closingLate ends the agent while the broker believes its connection alive:
// the next one finds the old one still there, and its will comes late.
func closingLate(_ context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil {
		return nothing, false, nil
	}
	s.line.set(lateClose)
	m.endAgent(s, syscall.SIGKILL)
	if err := m.startAgent(s, false); err != nil {
		return nothing, true, err
	}
	return func() error { s.line.set(fair); return nil }, true, nil
}

// tearing takes the end of a journal that was written after the line went: a
// power cut takes only what was not synced, and that was never sent.
func tearing(_ context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil {
		return nothing, false, nil
	}
	s.line.set(cut)
	mend := func() error { s.line.set(fair); return nil }
	pause(nil, 300*time.Millisecond)
	since := m.now()
	file, least, err := newest(s.spool)
	if err != nil {
		return mend, false, err
	}
	for _, c := range s.machines {
		c.stopSoon() // so that something is written
	}
	pause(nil, 900*time.Millisecond)
	m.endAgent(s, syscall.SIGKILL)
	m.doubt(s, since-unsettled)
	n, err := tear(s.spool, file, least, m.rng)
	return func() error { s.line.set(fair); return m.startAgent(s, false) }, n > 0, err
}

// flipping spoils one bit of what was synced. Records in it that the server
// has not got are lost and declared, the counts follow from their neighbours.
func flipping(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil {
		return nothing, false, nil
	}
	m.endAgent(s, syscall.SIGKILL)
	safe := m.safe(ctx, s)
	m.doubt(s, safe)
	ok, err := flip(s.spool, m.rng)
	m.backup, m.broken = "", true // what only the journal had may be gone
	return func() error {
		if err := m.startAgent(s, false); err != nil || !ok {
			return err
		}
		m.gens[s.gen].vague = true
		for _, c := range s.machines {
			c.replaced(safe)
		}
		return nil
	}, ok, err
}

// losing takes the whole journal, as when a box is replaced.
func losing(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil {
		return nothing, false, nil
	}
	m.endAgent(s, syscall.SIGKILL)
	return func() error { return m.enrol(ctx, s) }, true, nil
}

// enrol gives an agent that stands an empty journal.
func (m *mill) enrol(ctx context.Context, s *station) error {
	safe := m.safe(ctx, s)
	m.doubt(s, safe)
	if err := empty(s.spool); err != nil {
		return err
	}
	m.backup, m.broken, s.placing = "", true, m.now()
	m.misplace()
	books, _, err := m.totals(ctx)
	for _, c := range s.machines {
		if t := books[c.id]; err == nil && m.server != nil && t.GetRevolutions() == 0 && watched(t) == 0 {
			c.unbegun()
		}
		c.replaced(safe)
	}
	return m.startAgent(s, true)
}

// copying runs a second agent with a copy of the journal. Afterwards people
// do what the server asks for: they keep one, with an empty journal.
func copying(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil {
		return nothing, false, nil
	}
	since := m.safe(ctx, s)
	copied := s.spool + ".copy"
	if err := os.RemoveAll(copied); err != nil {
		return nothing, false, err
	}
	if err := copyJournal(s.spool, copied); err != nil {
		return nothing, false, err
	}
	m.copied[s.id] = true // a stream of it may freeze from now on
	second, err := start("copy of "+s.id, program(m.bin, "agent"), m.log(s.id+".copy"), nil, "run", "-c", s.conf+".copy")
	if err != nil {
		return nothing, false, err
	}
	for _, c := range s.machines {
		c.stopSoon()
	}
	return func() error {
		pause(ctx.Done(), time.Second)
		if err := second.end(syscall.SIGKILL); err != nil {
			m.note("%v", err)
		}
		if s.proc != nil {
			m.endAgent(s, syscall.SIGTERM)
		}
		m.doubt(s, since)
		return m.enrol(ctx, s)
	}, true, nil
}

// imaging brings an agent back with its journal of some time ago, as from the
// image of a disk: it tells other records under numbers that are taken.
// Afterwards people do what the server asks for.
func imaging(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
	if s.proc == nil {
		return nothing, false, nil
	}
	since := m.safe(ctx, s)
	image := s.spool + ".image"
	if err := errors.Join(os.RemoveAll(image), copyJournal(s.spool, image)); err != nil {
		return nothing, false, err
	}
	for _, c := range s.machines {
		c.stopSoon() // so that something is told after the image
	}
	return func() error {
		pause(ctx.Done(), time.Second)
		m.endAgent(s, syscall.SIGKILL)
		m.doubt(s, since)
		m.copied[s.id] = true
		if err := errors.Join(empty(s.spool), copyJournal(image, s.spool)); err != nil {
			return err
		}
		if err := m.startAgent(s, false); err != nil {
			return err
		}
		m.gens[s.gen].vague = true
		for _, c := range s.machines {
			c.stopSoon()
		}
		pause(ctx.Done(), 1200*time.Millisecond)
		m.endAgent(s, syscall.SIGTERM)
		m.doubt(s, since)
		return m.enrol(ctx, s)
	}, true, nil
}

// filling leaves no byte on the small disk of an agent.
func filling(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
	if _, err := os.Stat(filepath.Join(s.spool, fullName)); s.disk == nil || s.proc == nil || s.blind || err == nil {
		return nothing, false, nil // a full disk cannot be filled again
	}
	since := m.now()
	m.setBlind(s, true)
	file, err := fill(s.spool)
	if err != nil {
		return nothing, false, err
	}
	return func() error {
		pause(ctx.Done(), fullFor)
		err := unfill(file)
		s.roomAgain = time.Now()
		m.doubt(s, since)
		m.setBlind(s, false)
		return err
	}, true, nil
}

// setBlind says whether the agent of a station may keep nothing of what it
// sees.
func (m *mill) setBlind(s *station, on bool) {
	s.blind = on
	for _, c := range s.machines {
		c.setBlind(on)
		if on {
			c.stopSoon()
		}
	}
}
