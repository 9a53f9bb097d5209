package main

import (
	"bytes"
	"context"
	"encoding/json"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// lines is standard output that tells when a line is there.
type lines chan string

func (l lines) Write(p []byte) (int, error) { l <- string(p); return len(p), nil }

func TestRunUntilEnd(t *testing.T) {
	dir := t.TempDir()
	socket := filepath.Join(dir, "notify")
	manager, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: socket, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	env := []string{"NOTIFY_SOCKET=" + socket, "TURNWISE_DATABASE__FILE=" + filepath.Join(dir, "t.db"),
		"TURNWISE_LISTEN__GRPC=127.0.0.1:0", "TURNWISE_LISTEN__HTTP=127.0.0.1:0", "TURNWISE_LISTEN__MQTT=127.0.0.1:0", "TURNWISE_LISTEN__METRICS=off"}
	ctx, cancel := context.WithCancel(t.Context())
	out, code := make(lines, 4), make(chan int, 1)
	var errOut bytes.Buffer
	go func() { code <- run(ctx, []string{"run"}, env, out, &errOut) }()
	select {
	case got := <-out:
		for _, want := range []string{"pages http://127.0.0.1:", "grpc 127.0.0.1:", "mqtt 127.0.0.1:", "ready", filepath.Join(dir, "t.db")} {
			if !strings.Contains(got, want) {
				t.Errorf("line %q, want %q in it", got, want)
			}
		}
		if strings.Contains(got, "metrics") || strings.Count(got, "\n") != 1 {
			t.Errorf("line %q, want one line without metrics", got)
		}
	case c := <-code:
		t.Fatalf("exit %d: %s", c, errOut.String())
	}
	heard := func(want string) {
		t.Helper()
		p := make([]byte, 64)
		_ = manager.SetReadDeadline(time.Now().Add(10 * time.Second))
		if n, err := manager.Read(p); err != nil || string(p[:n]) != want {
			t.Errorf("service manager heard %q, %v, want %q", p[:n], err, want)
		}
	}
	heard("READY=1")
	cancel()
	heard("STOPPING=1")
	select {
	case c := <-code:
		if c != 0 {
			t.Errorf("exit %d: %s", c, errOut.String())
		}
	case <-time.After(10 * time.Second):
		t.Fatal("does not end")
	}
}

func TestCommands(t *testing.T) {
	bad := filepath.Join(t.TempDir(), "server.yaml")
	if err := os.WriteFile(bad, []byte("plan: { risk: 7 }\nlisten: { http: 127.0.0.1:8080 }\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		args string
		code int
		out  string // in standard output or error
	}{
		{"", 2, "expected one of"},
		{"walk", 2, "walk"},
		{"run --log-level loud", 2, "loud"},
		{"--help", 0, "config check"},
		{"--version", 0, "dev"},
		{"config check", 0, "the configuration is good: 0 values set"},
		{"config show", 0, "listen.grpc"},
		{"config check -c " + bad, 1, bad + ":1: plan.risk: found 7, expected 0.01 to 0.5"},
		{"run -c " + bad, 1, "plan.risk"},
		{"config show -c " + bad, 1, bad + ":2"}, // shows and complains
		{"config check -c none.yaml", 1, "none.yaml"},
	} {
		var out, errOut bytes.Buffer
		code := run(t.Context(), strings.Fields(tt.args), nil, &out, &errOut)
		if all := out.String() + errOut.String(); code != tt.code || !strings.Contains(all, tt.out) {
			t.Errorf("server %s: exit %d, %q; want %d and %q", tt.args, code, all, tt.code, tt.out)
		}
	}
}

func TestShowJSON(t *testing.T) {
	var out, errOut bytes.Buffer
	if code := run(t.Context(), []string{"config", "show", "--json"}, []string{"TURNWISE_PLAN__RISK=0.2"}, &out, &errOut); code != 0 {
		t.Fatalf("exit %d: %s", code, errOut.String())
	}
	var rows []struct{ Key, Value, Origin string }
	if err := json.Unmarshal(out.Bytes(), &rows); err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.Key == "plan.risk" && (r.Value != "0.2" || r.Origin != "environment TURNWISE_PLAN__RISK") {
			t.Errorf("row %+v", r)
		}
	}
	if len(rows) < 50 {
		t.Errorf("%d rows, want every value", len(rows))
	}
}

// TestEndDuringStart: an end that is asked for before the records are open is
// no failure.
func TestEndDuringStart(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	env := []string{"TURNWISE_DATABASE__FILE=" + filepath.Join(t.TempDir(), "t.db"),
		"TURNWISE_LISTEN__GRPC=off", "TURNWISE_LISTEN__HTTP=127.0.0.1:0", "TURNWISE_LISTEN__MQTT=off", "TURNWISE_LISTEN__METRICS=off"}
	var out, errOut bytes.Buffer
	if code := run(ctx, []string{"run"}, env, &out, &errOut); code != 0 || errOut.Len() > 0 {
		t.Errorf("exit %d, %q; want 0 and nothing said", code, errOut.String())
	}
}
