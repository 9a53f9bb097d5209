package chaos

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"
)

// fault is one kind of trouble. inject makes it and gives what repairs it; ok
// is false where it could not be made just now.
type fault struct {
	kind   string
	inject func(ctx context.Context, m *mill, s *station) (heal func() error, ok bool, err error)
}

// faults are all kinds, in the order of their names in a report.
var faults = []fault{
	{"kill agent", endingAgent(syscall.SIGKILL)},
	{"kill server", endingServer(syscall.SIGKILL)},
	{"end agent", endingAgent(syscall.SIGTERM)},
	{"end server", endingServer(syscall.SIGTERM)},
	{"line cut", blowing(cut)},
	{"line delayed", blowing(delayed)},
	{"line slow", blowing(slow)},
	{"line half open", blowing(deaf)},
	{"line loses acknowledgements", blowing(acksLost)},
	{"line loses records", blowing(dataLost)},
	{"line closed late", closingLate},
	{"counter near its end", jumping("near its end")},
	{"counter set to 0", jumping("reset")},
	{"counter preset", jumping("preset")},
	{"counter read wrong once", faltering},
	{"journal tail torn", tearing},
	{"journal bit flipped", flipping},
	{"journal lost", losing},
	{"journal copied", copying},
	{diskKind, filling},
	{backupKind, backingUp},
	{restoreKind, restoring},
}

// Kinds that not every host or binary can suffer.
const (
	diskKind    = "disk full"
	backupKind  = "server backed up"
	restoreKind = "server restored"
)

func nothing() error { return nil }

func endingAgent(how syscall.Signal) func(context.Context, *mill, *station) (func() error, bool, error) {
	return func(_ context.Context, m *mill, s *station) (func() error, bool, error) {
		if s.proc == nil {
			return nothing, false, nil
		}
		m.endAgent(s, how)
		return func() error { return m.startAgent(s, false) }, true, nil
	}
}

func endingServer(how syscall.Signal) func(context.Context, *mill, *station) (func() error, bool, error) {
	return func(_ context.Context, m *mill, _ *station) (func() error, bool, error) {
		if m.server == nil {
			return nothing, false, nil
		}
		m.endServer(how)
		return m.startServer, true, nil
	}
}

func blowing(w weather) func(context.Context, *mill, *station) (func() error, bool, error) {
	return func(_ context.Context, _ *mill, s *station) (func() error, bool, error) {
		s.line.set(w)
		return func() error { s.line.set(fair); return nil }, true, nil
	}
}

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

// jumping moves a counter as a controller does that restarts.
func jumping(kind string) func(context.Context, *mill, *station) (func() error, bool, error) {
	return func(_ context.Context, m *mill, s *station) (func() error, bool, error) {
		c := s.machines[m.rng.IntN(len(s.machines))]
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

func faltering(_ context.Context, m *mill, s *station) (func() error, bool, error) {
	c := s.machines[m.rng.IntN(len(s.machines))]
	c.falter(farAway + m.rng.Int64N(50_000))
	return nothing, true, nil
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
	m.backup, m.broken = "", true
	for _, c := range s.machines {
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
	second, err := start("copy of "+s.id, program(m.bin, "agent"), m.log(s.id+".copy"), "run", "-c", s.conf+".copy")
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

// filling leaves no byte on the small disk of an agent.
func filling(ctx context.Context, m *mill, s *station) (func() error, bool, error) {
	if _, err := os.Stat(filepath.Join(s.spool, fullName)); s.disk == nil || s.proc == nil || err == nil {
		return nothing, false, nil // a full disk cannot be filled again
	}
	since := m.now()
	for _, c := range s.machines {
		c.setBlind(true)
		c.stopSoon()
	}
	file, err := fill(s.spool)
	if err != nil {
		return nothing, false, err
	}
	return func() error {
		pause(ctx.Done(), fullFor)
		err := os.Remove(file)
		m.doubt(s, since)
		for _, c := range s.machines {
			c.setBlind(false)
		}
		return err
	}, true, nil
}

// backingUp lets the running server make a verified copy of its records.
func backingUp(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil {
		return nothing, false, nil
	}
	m.backups++
	to := filepath.Join(m.dir, fmt.Sprintf("backup-%d", m.backups))
	if err := m.run(ctx, "backup", "-c", m.serverConf, "--to", to); err != nil {
		m.note("%v", err)
		return nothing, false, nil
	}
	m.backup = to
	return nothing, true, nil
}

// restoring puts the newest backup back; the agents make good what came after.
func restoring(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil || m.backup == "" {
		return nothing, false, nil
	}
	m.endServer(syscall.SIGTERM)
	return func() error {
		if m.backup == "" { // what came after it has been lost meanwhile
			return m.startServer()
		}
		if err := m.run(ctx, "restore", "-c", m.serverConf, "--verify", "--from", m.backup); err != nil {
			m.note("%v", err)
		}
		return m.startServer()
	}, true, nil
}

// run runs a command of the server.
func (m *mill) run(ctx context.Context, args ...string) error {
	out, err := exec.CommandContext(ctx, program(m.bin, "server"), args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("server %v: %w: %s", args, err, out)
	}
	return nil
}
