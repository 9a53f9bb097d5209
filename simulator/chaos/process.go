package chaos

import (
	"bytes"
	"context"
	"debug/buildinfo"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"time"

	"turnwise/proto/wall"
)

// patience is how long a program may take to end when it is asked to.
const patience = 10 * time.Second

// process is a program of ours that runs.
type process struct {
	name string
	cmd  *exec.Cmd
	log  *os.File
	born time.Time
	done chan struct{}
	err  error // of the program, set when done is closed
}

func start(name, file, log string, environ []string, args ...string) (*process, error) {
	out, err := os.OpenFile(log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, fmt.Errorf("chaos: log of %s: %w", name, err)
	}
	p := &process{name: name, cmd: exec.Command(file, args...), log: out, born: time.Now(), done: make(chan struct{})}
	p.cmd.Stdout, p.cmd.Stderr, p.cmd.SysProcAttr = out, out, apart()
	p.cmd.Env = append(os.Environ(), environ...)
	if err := p.cmd.Start(); err != nil {
		return nil, errors.Join(fmt.Errorf("chaos: start %s: %w", name, err), out.Close())
	}
	go func() {
		p.err = p.cmd.Wait()
		out.Close()
		close(p.done)
	}()
	return p, nil
}

// over tells whether the program has ended by itself.
func (p *process) over() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

// end sends a signal and waits until the program is gone. It tells when one
// that was asked politely did not obey, or obeyed with an error.
func (p *process) end(how os.Signal) error {
	if p.over() {
		return fmt.Errorf("%s ended by itself: %v", p.name, p.err)
	}
	if err := p.cmd.Process.Signal(how); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("%s: %v: %w", p.name, how, err)
	}
	t := time.NewTimer(patience)
	defer t.Stop()
	select {
	case <-p.done:
		// -1: by the signal itself, before the program had begun to listen to it.
		if how == syscall.SIGTERM && p.err != nil && p.cmd.ProcessState.ExitCode() != -1 {
			return fmt.Errorf("%s ended with an error when asked to end: %w", p.name, p.err)
		}
		return nil
	case <-t.C:
		_ = p.cmd.Process.Kill()
		<-p.done
		return fmt.Errorf("%s was still there %s after %v", p.name, patience, how)
	}
}

// signal sends a signal to a program that goes on.
func (p *process) signal(s os.Signal) error {
	if err := p.cmd.Process.Signal(s); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("%s: %v: %w", p.name, s, err)
	}
	return nil
}

// stepsClock tells whether a program was built so that its clock can be
// stepped.
func stepsClock(file string) bool {
	info, err := buildinfo.ReadFile(file)
	if err != nil {
		return false
	}
	for _, s := range info.Settings {
		if s.Key == "-tags" && slices.Contains(strings.Split(s.Value, ","), wall.Tag) {
			return true
		}
	}
	return false
}

// build makes the programs, or finds them in a folder given. Their clocks can
// be stepped; beside that they are as released.
func build(ctx context.Context, bin, dir string) (string, error) {
	if bin != "" {
		for _, name := range []string{"agent", "server"} {
			if _, err := exec.LookPath(program(bin, name)); err != nil {
				return "", fmt.Errorf("chaos: no program %s in %s: %w; build it there (go build -o %s turnwise/%s), or leave --bin out", name, bin, err, bin, name)
			}
		}
		return bin, nil
	}
	cmd := exec.CommandContext(ctx, "go", "build", "-tags", wall.Tag, "-o", dir+string(filepath.Separator), "turnwise/agent", "turnwise/server")
	cmd.Env = append(os.Environ(), "TMPDIR="+dir, "GOTMPDIR="+dir) // what an interrupted build leaves is removed with the folder
	cmd.SysProcAttr, cmd.Cancel = apart(), func() error { return killGroup(cmd.Process) }
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("chaos: build agent and server: %w\n%srun this in the folder of the sources, or name a folder with both programs (--bin)", err, out)
	}
	return dir, nil
}

func program(dir, name string) string {
	if runtime.GOOS == "windows" {
		name += ".exe"
	}
	return filepath.Join(dir, name)
}

// offers tells whether a program has the subcommands.
func offers(ctx context.Context, file string, commands ...string) bool {
	for _, c := range commands {
		out, err := exec.CommandContext(ctx, file, c, "--help").CombinedOutput()
		if err != nil || !bytes.Contains(out, []byte(c)) {
			return false
		}
	}
	return true
}

// freePort is an address of loopback below the ports that the kernel hands
// out by itself, so that no connection takes it while a server is down.
func freePort() (string, error) {
	for range 200 {
		address := fmt.Sprintf("127.0.0.1:%d", 20000+rand.IntN(12000))
		if ln, err := net.Listen("tcp", address); err == nil {
			return address, ln.Close()
		}
	}
	return "", errors.New("chaos: no free port from 20000 to 32000")
}

// tail is the end of a log, for people.
func tail(file string, lines int) string {
	text, err := os.ReadFile(file)
	if err != nil {
		return err.Error()
	}
	all := strings.Split(strings.TrimSpace(string(text)), "\n")
	return strings.Join(all[max(0, len(all)-lines):], "\n")
}

// crashed gives the lines with which the runtime begins to tell why a program
// fell, the last time it did, or "" when its log has none.
func crashed(file string) string {
	text, err := os.ReadFile(file)
	if err != nil {
		return err.Error()
	}
	all := strings.Split(string(text), "\n")
	for i := len(all) - 1; i >= 0; i-- {
		for _, word := range []string{"panic: ", "fatal error: ", "SIG", "unexpected fault address", "runtime: "} {
			if strings.HasPrefix(all[i], word) {
				for i > 0 && strings.TrimSpace(all[i-1]) != "" && !strings.HasPrefix(all[i-1], "time=") && !strings.HasPrefix(all[i-1], "{") {
					i--
				}
				return strings.Join(all[i:min(len(all), i+fallLines)], "\n")
			}
		}
	}
	return ""
}

// fallLines is how much of what a fallen program says is told.
const fallLines = 40

// ended tells how a program ended that nobody asked to.
func (p *process) ended(log string) string {
	if fell := crashed(log); fell != "" && p.cmd.ProcessState.ExitCode() == 2 { // as the runtime of Go leaves it
		return fmt.Sprintf("%s ended by itself: %v:\n%s", p.name, p.err, fell)
	}
	return fmt.Sprintf("%s ended by itself: %v: %s", p.name, p.err, tail(log, 3))
}

// frozen lists the agents of which the server's log says that a stream froze,
// and how far the log was read.
func frozen(file string, from int64) (agents []string, to int64) {
	text, err := os.ReadFile(file)
	if err != nil || int64(len(text)) < from {
		return nil, from
	}
	for line := range strings.SplitSeq(string(text[from:]), "\n") {
		if !strings.Contains(line, "stream frozen") {
			continue
		}
		if _, after, ok := strings.Cut(line, "agent="); ok {
			name, _, _ := strings.Cut(after, " ")
			agents = append(agents, name)
		}
	}
	return agents, int64(len(text))
}
