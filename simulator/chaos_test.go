package main

import (
	"bufio"
	"bytes"
	"errors"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"

	"turnwise/simulator/chaos"
)

// TestChaosInterrupted: a signal while it builds, in the controls and among the
// faults leaves no folder, no mount and no program, and prints no result.
func TestChaosInterrupted(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs agents and servers for most of half a minute")
	}
	if runtime.GOOS != "linux" {
		t.Skip("looks for programs and mounts in /proc")
	}
	simulator := filepath.Join(t.TempDir(), "simulator")
	if out, err := exec.Command("go", "build", "-o", simulator, "turnwise/simulator").CombinedOutput(); err != nil {
		t.Fatalf("build simulator: %v\n%s", err, out)
	}
	for _, tt := range []struct {
		name, line string // after which it is interrupted
		how        syscall.Signal
	}{
		{"building", "being built", syscall.SIGINT},
		{"controls", "controls: ", syscall.SIGHUP},
		{"faults", "cycle 3", syscall.SIGTERM},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			if signal.Ignored(tt.how) { // under nohup a program stays deaf to it
				tt.how = syscall.SIGTERM
			}
			tmp := t.TempDir()
			cmd := exec.Command(simulator, "chaos", "--cycles", "1000", "--json")
			cmd.Env = append(os.Environ(), "TMPDIR="+tmp)
			var out bytes.Buffer
			cmd.Stdout = &out
			progress, err := cmd.StderrPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			said, sent := "", false
			for lines := bufio.NewScanner(progress); lines.Scan(); {
				said += lines.Text() + "\n"
				if !sent && strings.Contains(lines.Text(), tt.line) {
					sent = true
					if err := cmd.Process.Signal(tt.how); err != nil {
						t.Fatal(err)
					}
				}
			}
			var exit *exec.ExitError
			if err := cmd.Wait(); !sent || !errors.As(err, &exit) || exit.ExitCode() != 1 || !strings.Contains(said, "interrupted after") || out.Len() > 0 {
				t.Errorf("ended with %v and %q, want 1, words and no result; it said:\n%s", err, out.String(), said)
			}
			left, err := os.ReadDir(tmp)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range left {
				t.Errorf("%s is left", e.Name())
			}
			if mounts, err := os.ReadFile("/proc/self/mounts"); err != nil || bytes.Contains(mounts, []byte(tmp)) {
				t.Errorf("something is mounted in %s, or %v", tmp, err)
			}
			programs, err := filepath.Glob("/proc/[0-9]*/exe")
			if err != nil || len(programs) == 0 {
				t.Fatalf("no programs in /proc: %v", err)
			}
			for _, p := range programs {
				if file, err := os.Readlink(p); err == nil && strings.HasPrefix(file, tmp) {
					t.Errorf("%s runs as %s", file, p)
				}
			}
		})
	}
}

// TestChaosArguments: what can only be a mistake is refused with 2, and the
// words say what was found and what is expected.
func TestChaosArguments(t *testing.T) {
	for _, tt := range []struct{ args, want string }{
		{"--cycles=0", "--cycles 0: 1 or more is expected"},
		{"--cycles=many", `"many"`},
		{"--seed=0", "--seed 0: 1 or more is expected"},
		{"--within=-5s", "--within -5s: a time from the start is expected, for example 20m"},
		{"--within=20", `missing unit in duration "20"`},
		{"--server-lives=-1m", "--server-lives -1m0s: a time before the end is expected, for example 25m"},
		{"--within=10m --server-lives=25m", "longer than the run"},
		{"--only=kill_agent", `no fault "kill_agent"; simulator chaos --list shows all kinds`},
		{"--cycle=3", "unknown flag --cycle"},
		{"again", "unexpected argument again"},
	} {
		var out, errOut bytes.Buffer
		if code := run(t.Context(), append([]string{"chaos"}, strings.Fields(tt.args)...), &out, &errOut); code != usage || !strings.Contains(errOut.String(), tt.want) {
			t.Errorf("chaos %s: exit %d, %q, want 2 and %q", tt.args, code, errOut.String(), tt.want)
		}
	}
	var out, errOut bytes.Buffer
	if code := run(t.Context(), []string{"chaos", "--bin", t.TempDir()}, &out, &errOut); code != 1 || !strings.Contains(errOut.String(), "no program agent in") {
		t.Errorf("an empty folder: exit %d, %q, want 1 and the program's name", code, errOut.String())
	}
	out.Reset()
	if code := run(t.Context(), []string{"chaos", "--list"}, &out, &errOut); code != 0 || strings.Count(out.String(), "\n") != len(chaos.Kinds()) {
		t.Errorf("--list: exit %d, %d lines, want 0 and a line for each of %d kinds", code, strings.Count(out.String(), "\n"), len(chaos.Kinds()))
	}
}
