package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// asServer makes the test binary the program itself, so that the commands are
// tested as processes.
const asServer = "TURNWISE_TEST_AS_SERVER"

func TestMain(m *testing.M) {
	if os.Getenv(asServer) != "" {
		os.Unsetenv(asServer)
		main()
		return
	}
	os.Exit(m.Run())
}

func process(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe, args...)
	cmd.Env = []string{asServer + "=1", "HOME=" + t.TempDir()}
	return cmd
}

// execute runs a command to its end.
func execute(t *testing.T, args ...string) (code int, out, errOut string) {
	t.Helper()
	cmd := process(t, args...)
	var o, e bytes.Buffer
	cmd.Stdout, cmd.Stderr = &o, &e
	err := cmd.Run()
	if cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), o.String(), e.String()
}

func want(t *testing.T, wantCode int, text string, args ...string) string {
	t.Helper()
	code, out, errOut := execute(t, args...)
	if code != wantCode || !strings.Contains(out+errOut, text) {
		t.Errorf("server %s: exit %d, %s%s\nwant %d and %q", strings.Join(args, " "), code, out, errOut, wantCode, text)
	}
	return out
}

// startServer runs a server until end is called.
func startServer(t *testing.T, config string) (end func()) {
	t.Helper()
	cmd := process(t, "run", "-c", config)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	var errOut bytes.Buffer
	cmd.Stderr = &errOut
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	if s := bufio.NewScanner(out); !s.Scan() || !strings.Contains(s.Text(), "ready") {
		_ = cmd.Wait()
		t.Fatalf("the server says %q, %s", s.Text(), errOut.String())
	}
	return func() {
		t.Helper()
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			t.Errorf("run: %v: %s", err, errOut.String())
		}
	}
}

func TestBackupCommands(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "server.yaml")
	text := "database: { file: " + filepath.Join(dir, "data", "t.db") + " }\n" +
		"backup: { dir: " + filepath.Join(dir, "safe") + ", every: 1d, keep: 7 }\n" +
		"listen: { grpc: off, http: off, mqtt: 127.0.0.1:0, metrics: off }\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	target, db := filepath.Join(dir, "b.db"), filepath.Join(dir, "data", "t.db")
	want(t, 1, "no such file", "backup", "-c", config, "--to", target)
	want(t, 1, "no such file", "verify", "-c", config)
	want(t, 2, "--from", "restore", "-c", config)

	if err := os.Mkdir(filepath.Dir(db), 0o700); err != nil {
		t.Fatal(err)
	}
	end := startServer(t, config)
	out := want(t, 0, "backup: checking", "backup", "-c", config, "--to", target, "--json")
	var b struct {
		File, SHA256, Incarnation string
		Bytes                     int64
		Taken                     time.Time
	}
	if err := json.Unmarshal([]byte(out), &b); err != nil || b.File != target || len(b.SHA256) != 64 || b.Bytes == 0 || time.Since(b.Taken).Abs() > time.Minute {
		t.Errorf("result %s, %v", out, err)
	}
	// Killed in the midst it leaves no backup, and the next one works.
	for range 3 {
		cmd := process(t, "backup", "-c", config, "--to", filepath.Join(dir, "killed.db"))
		pipe, err := cmd.StderrPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		bufio.NewScanner(pipe).Scan() // the first stage
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if _, err := os.Stat(filepath.Join(dir, "killed.db")); err == nil {
			want(t, 0, "good", "verify", "-c", config, "--from", filepath.Join(dir, "killed.db"))
		}
	}
	want(t, 0, "backup", "backup", "-c", config, "--to", filepath.Join(dir, "killed.db"))
	if left, _ := filepath.Glob(filepath.Join(dir, "killed*")); len(left) != 1 {
		t.Errorf("left %v", left)
	}
	want(t, 1, "mkdir -p "+filepath.Join(dir, "safe"), "backup", "-c", config) // as where its disk is not mounted
	if err := os.Mkdir(filepath.Join(dir, "safe"), 0o700); err != nil {
		t.Fatal(err)
	}
	want(t, 0, filepath.Join(dir, "safe", "demo-"), "backup", "-c", config)
	want(t, 0, filepath.Join(dir, "demo-"), "backup", "-c", config, "--to", dir)
	want(t, 0, "good: "+db, "verify", "-c", config)
	want(t, 0, "good: "+target, "verify", "-c", config, "--from", target)
	want(t, 1, "in use by process", "restore", "-c", config, "--verify", "--from", target)
	want(t, 1, "in use by process", "run", "-c", config)
	end()

	want(t, 0, "good, nothing was changed", "restore", "-c", config, "--verify", "--dry-run", "--from", target)
	out = want(t, 0, `"kept_aside"`, "restore", "-c", config, "--from", target, "--json")
	var r struct{ Incarnation string }
	if err := json.Unmarshal([]byte(out), &r); err != nil || len(r.Incarnation) != 32 || r.Incarnation == b.Incarnation {
		t.Errorf("restored %s, %v, before it was %s", out, err, b.Incarnation)
	}
	want(t, 1, "it is of incarnation", "backup", "-c", config, "--to", target) // of the database before
	want(t, 0, "start the server", "restore", "-c", config, "--verify", "--from", target)

	content, err := os.ReadFile(target)
	if err != nil {
		t.Fatal(err)
	}
	bad := filepath.Join(dir, "bad.db")
	at := bytes.LastIndex(content, []byte("CREATE TABLE quarantine"))
	content[at+20] ^= 1
	if err := os.WriteFile(bad, content, 0o600); err != nil {
		t.Fatal(err)
	}
	want(t, 1, "damaged", "restore", "-c", config, "--verify", "--from", bad)
	out = want(t, 1, `"damages"`, "verify", "-c", config, "--from", bad, "--json")
	var rep struct {
		Damages []struct{ Place, Found, Expected, Repair string }
	}
	if err := json.Unmarshal([]byte(out), &rep); err != nil || len(rep.Damages) == 0 || rep.Damages[0].Repair == "" {
		t.Errorf("report %s, %v", out, err)
	}
	code, told, summed := execute(t, "verify", "-c", config, "--from", bad)
	if code != 1 || !strings.Contains(told, rep.Damages[0].Found) || strings.Contains(summed, rep.Damages[0].Found) || !strings.Contains(summed, bad+" is damaged in ") {
		t.Errorf("exit %d, want each damage once, on standard output, and their number:\n%s\n%s", code, told, summed)
	}
	want(t, 0, "good: "+db, "verify", "-c", config) // what was there is still there

	if err := os.WriteFile(db, content[:len(content)/2], 0o600); err != nil {
		t.Fatal(err)
	}
	want(t, 1, "server restore", "run", "-c", config)
	want(t, 1, "server restore", "verify", "-c", config)
	want(t, 1, "damaged", "backup", "-c", config, "--to", filepath.Join(dir, "never.db"))
	if left, _ := filepath.Glob(filepath.Join(dir, "never*")); len(left) != 0 {
		t.Errorf("left %v", left)
	}
	want(t, 0, "start the server", "restore", "-c", config, "--verify", "--from", target)
	startServer(t, config)()
}
