package main

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// halt starts a command and stops it in the midst of its work, after a stage that it
// tells of; what it returns lets it go on to its end.
func halt(t *testing.T, stage string, args ...string) (goOn func()) {
	t.Helper()
	for range 20 {
		cmd := process(t, args...)
		told, err := cmd.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(told)
		for lines.Scan() && !strings.Contains(lines.Text(), stage) {
		}
		_ = cmd.Process.Signal(syscall.SIGSTOP)
		if stopped(t, cmd) {
			return func() {
				t.Helper()
				_ = cmd.Process.Signal(syscall.SIGCONT)
				text := ""
				for lines.Scan() {
					text += lines.Text() + "\n"
				}
				if err := cmd.Wait(); err != nil {
					t.Errorf("server %s: %v, %s", strings.Join(args, " "), err, text)
				}
			}
		}
	}
	t.Fatalf("server %s always ended before it was stopped", strings.Join(args, " "))
	return nil
}

// stopped waits until a process is stopped, or is gone.
func stopped(t *testing.T, cmd *exec.Cmd) bool {
	t.Helper()
	for {
		var s syscall.WaitStatus
		_, err := syscall.Wait4(cmd.Process.Pid, &s, syscall.WUNTRACED, nil)
		switch {
		case err == syscall.EINTR:
		case err != nil:
			t.Fatal(err)
		default:
			return s.Stopped()
		}
	}
}

// Whatever puts another file in the place of the records, and whatever has them open,
// refuse each other; none does half of its work, and all work afterwards.
func TestCommandsOverlap(t *testing.T) {
	config, db := millFile(t, "")
	begun := time.Now().Add(-60 * time.Hour)
	var told [][]byte
	const batches, size = 15, 200
	for i := range batches {
		told = append(told, sealed(t, begun, i*size+1, minutes(i*size+1, i*size+size)...))
	}
	take(t, db, begun.Add(batches*size*time.Minute), told...)
	dir := t.TempDir()
	backup := filepath.Join(dir, "b.db")
	want(t, 0, "3000 records", "backup", "-c", config, "--to", backup)
	restore := []string{"restore", "-c", config, "--verify", "--from", backup}
	shrink := []string{"shrink", "-c", config}
	beside := [][]string{
		{"verify", "-c", config},
		{"backup", "-c", config, "--to", filepath.Join(dir, "second.db")},
		{"prune", "-c", config},
		{"streams", "list", "-c", config},
		{"quarantine", "list", "-c", config},
	}
	alone := [][]string{restore, shrink}

	for _, x := range []struct {
		stage string
		args  []string
	}{{"checking records", restore}, {"checking the new file", shrink}} {
		goOn := halt(t, x.stage, x.args...)
		for _, args := range append(append([][]string{{"run", "-c", config}}, beside...), alone...) {
			want(t, 1, "in use", args...)
		}
		goOn()
		if got := verified(t, "-c", config); got.Records != batches*size || got.Revolutions != batches*size*10 {
			t.Errorf("after %s: %+v", x.args[0], got)
		}
	}
	for _, args := range beside[:2] { // the others are over too soon
		goOn := halt(t, "checking records", args...)
		for _, args := range alone {
			want(t, 1, "in use", args...)
		}
		startServer(t, config)() // which is none of those
		goOn()
	}
	for _, args := range append(beside, alone...) {
		if args[0] == "backup" {
			args = append(args[:len(args)-1:len(args)-1], filepath.Join(dir, "third.db"))
		}
		want(t, 0, "", args...)
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(db), "*.partial*")); len(left) > 0 {
		t.Errorf("left %v", left)
	}
	if _, err := os.Stat(filepath.Join(dir, "second.db")); err != nil {
		t.Error(err)
	}
}
