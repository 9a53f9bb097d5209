package chaos

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"
)

func endingServer(how syscall.Signal) inject {
	return func(_ context.Context, m *mill, _ *station) (func() error, bool, error) {
		if m.server == nil {
			return nothing, false, nil
		}
		m.endServer(how)
		return m.startServer, true, nil
	}
}

func hangingServer(_ context.Context, m *mill, _ *station) (func() error, bool, error) {
	p := m.server
	if p == nil {
		return nothing, false, nil
	}
	return func() error { return p.signal(goOn) }, true, p.signal(hang)
}

// starvingServer lets it open nothing any more. One that has only just been
// started is left alone: without files it may say so and end.
func starvingServer(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil {
		return nothing, false, nil
	}
	if _, _, err := m.totals(ctx); err != nil {
		return nothing, false, nil
	}
	undo, err := limitFiles(m.server.cmd.Process.Pid)
	if err != nil {
		return nothing, false, err
	}
	for _, s := range m.stations {
		s.line.set(cut)
		s.line.set(fair)
	}
	return undo, true, nil
}

// steppingServer steps the wall clock of the server, for a while. Streams that
// begin meanwhile are placed by it.
func steppingServer(_ context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil {
		return nothing, false, nil
	}
	const most = 20 * time.Second
	step := time.Duration(m.rng.Int64N(int64(2*most))) - most
	return m.stepClock(m.serverClock, step, most+lateWord)
}

func cuttingServer(_ context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil || m.serverDisk == nil {
		return nothing, false, nil
	}
	if err := m.server.signal(hang); err != nil {
		return nothing, false, err
	}
	if err := m.server.end(os.Kill); err != nil {
		m.note("%v", err)
	}
	m.server = nil
	err := m.serverDisk.cutPower()
	return m.startServer, true, err
}

// fillingServer leaves no byte for records. What is asked of the server
// meanwhile must be answered.
func fillingServer(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	data := filepath.Dir(m.database())
	if _, err := os.Stat(filepath.Join(data, fullName)); m.serverDisk == nil || m.server == nil || err == nil {
		return nothing, false, nil
	}
	file, err := fill(data)
	if err != nil {
		return nothing, false, err
	}
	return func() error {
		pause(ctx.Done(), fullFor)
		if m.server != nil && m.alone {
			if _, _, err := m.totals(ctx); err != nil {
				m.note("a server whose disk is full does not answer: %v", err)
			}
		}
		if err := unfill(file); err != nil {
			return err
		}
		m.roomAgain = time.Now()
		return nil
	}, true, nil
}

// backingUp lets the running server make a verified copy of its records.
func backingUp(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil || m.serverFull() {
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
	if m.server == nil || m.backup == "" || m.serverFull() {
		return nothing, false, nil
	}
	m.endServer(syscall.SIGTERM)
	return func() error {
		if m.backup != "" { // else what came after it has been lost meanwhile
			if err := m.restore(ctx, m.backup); err != nil {
				m.note("%v", err)
			}
		}
		return m.startServer()
	}, true, nil
}

// restore puts a backup back and throws away what was there.
func (m *mill) restore(ctx context.Context, from string) error {
	if err := m.run(ctx, "restore", "-c", m.serverConf, "--verify", "--from", from); err != nil {
		return err
	}
	for _, s := range m.stations {
		s.safe = 0 // until the books have come back to it
	}
	aside, err := filepath.Glob(m.database() + ".before-restore-*")
	for _, file := range aside {
		err = errors.Join(err, os.Remove(file))
	}
	return err
}

// restoringDamaged tries a backup that has a wrong bit: it must be refused, or
// the bit must say nothing.
func restoringDamaged(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil || m.backup == "" || m.serverFull() {
		return nothing, false, nil
	}
	bad := filepath.Join(m.dir, "damaged.db")
	b, err := os.ReadFile(m.backup)
	if err != nil {
		return nothing, false, err
	}
	m.turnBit(b)
	if err := os.WriteFile(bad, b, 0o600); err != nil {
		return nothing, false, err
	}
	m.endServer(syscall.SIGTERM)
	return func() error {
		if m.backup != "" {
			_ = m.restore(ctx, bad) // refused, or the same as the backup: the books tell
		}
		return m.startServer()
	}, true, nil
}

// turningBit spoils the records of a server that stands. People verify them,
// and put the backup back where damage is found.
func turningBit(ctx context.Context, m *mill, _ *station) (func() error, bool, error) {
	if m.server == nil || m.backup == "" || m.serverFull() {
		return nothing, false, nil
	}
	m.endServer(syscall.SIGTERM)
	return func() error {
		if m.backup == "" {
			return m.startServer()
		}
		b, err := os.ReadFile(m.database())
		if err != nil {
			return err
		}
		m.turnBit(b)
		if err := os.WriteFile(m.database(), b, 0o600); err != nil {
			return err
		}
		if m.run(ctx, "verify", "-c", m.serverConf) != nil {
			if err := m.restore(ctx, m.backup); err != nil {
				m.note("%v", err)
			}
		}
		return m.startServer()
	}, true, nil
}

func (m *mill) turnBit(b []byte) {
	b[m.rng.IntN(len(b))] ^= 1 << m.rng.IntN(8)
}

func (m *mill) serverFull() bool {
	_, err := os.Stat(filepath.Join(filepath.Dir(m.database()), fullName))
	return err == nil
}

// run runs a command of the server.
func (m *mill) run(ctx context.Context, args ...string) error {
	out, err := exec.CommandContext(ctx, program(m.bin, "server"), args...).CombinedOutput()
	if err != nil {
		return fmt.Errorf("server %v: %w: %s", args, err, out)
	}
	return nil
}
