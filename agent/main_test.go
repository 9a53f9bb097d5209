package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	mb "github.com/simonvetter/modbus"

	"turnwise/agent/edge"
	"turnwise/agent/journal"
)

// plc is a machine whose register 41 counts at every look. looked is closed at
// the fifth look, when what was read before is kept.
type plc struct {
	t      *testing.T
	mu     sync.Mutex
	n      uint16
	looked chan struct{}
}

func (p *plc) HandleCoils(r *mb.CoilsRequest) ([]bool, error) {
	if r.IsWrite {
		p.t.Error("a coil was written")
	}
	return nil, mb.ErrIllegalFunction
}

func (p *plc) HandleDiscreteInputs(r *mb.DiscreteInputsRequest) ([]bool, error) {
	if r.Addr+r.Quantity > 16 {
		return nil, mb.ErrIllegalDataAddress
	}
	out := make([]bool, r.Quantity)
	for i := range out {
		out[i] = int(r.Addr)+i == 9
	}
	return out, nil
}

func (p *plc) HandleHoldingRegisters(r *mb.HoldingRegistersRequest) ([]uint16, error) {
	if r.IsWrite {
		p.t.Error("a register was written")
	}
	if r.Addr+r.Quantity > 60 {
		return nil, mb.ErrIllegalDataAddress
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.n++; p.n == 5 {
		close(p.looked)
	}
	out := make([]uint16, r.Quantity)
	for i := range out {
		if int(r.Addr)+i == 41 {
			out[i] = p.n
		}
	}
	return out, nil
}

func (p *plc) HandleInputRegisters(*mb.InputRegistersRequest) ([]uint16, error) {
	return nil, mb.ErrIllegalFunction
}

func startPLC(t *testing.T) (addr string) {
	addr, _ = startWatchedPLC(t)
	return addr
}

func startWatchedPLC(t *testing.T) (addr string, looked <-chan struct{}) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr = l.Addr().String()
	l.Close()
	p := &plc{t: t, looked: make(chan struct{})}
	s, err := mb.NewServer(&mb.ServerConfiguration{URL: "tcp://" + addr, Logger: log.New(io.Discard, "", 0)}, p)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Stop() })
	return addr, p.looked
}

// agentFile writes an agent.yaml; the broker that it names does not exist.
func agentFile(t *testing.T, addr string, stops ...string) (file, spool string) {
	dir := t.TempDir()
	file, spool = filepath.Join(dir, "agent.yaml"), filepath.Join(dir, "spool")
	text := fmt.Sprintf(`version: 1
site: demo
agent: u-01
mqtt: { url: "mqtt://127.0.0.1:1" }
spool: { dir: %s, sync: 50ms }
machines:
  - id: k01
    source:
      kind: modbus-tcp
      address: %s
      unit: 1
      poll: 50ms
      revolution: { function: 3, register: 40, type: u32be }
      stops:
        - { function: 2, input: 9, cause: yarn, side: top }
%s`, spool, addr, strings.Join(stops, "\n"))
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return file, spool
}

func agent(t *testing.T, args ...string) (code int, out, errOut string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), args, nil, &o, &e)
	return code, o.String(), e.String()
}

func TestCheck(t *testing.T) {
	addr := startPLC(t)
	file, _ := agentFile(t, addr)
	code, out, errOut := agent(t, "check", "-c", file)
	if code != exitOK || !strings.Contains(out, "stops[0] yarn top") || !strings.Contains(out, "holding registers 40-41 u32be") || strings.Count(out, "yes") != 2 {
		t.Errorf("check: %d\n%s%s", code, out, errOut)
	}

	file, _ = agentFile(t, addr, "        - { function: 2, input: 77, cause: door }")
	code, out, errOut = agent(t, "check", "-c", file, "--json")
	var rows []edge.CheckRow
	if err := json.Unmarshal([]byte(out), &rows); err != nil {
		t.Fatalf("check --json: %v in %s", err, out)
	}
	if code != exitFailed || len(rows) != 3 || rows[0].OK != true || rows[2].OK || !strings.Contains(rows[2].Problem, "no such address") {
		t.Errorf("check of an input that is not there: %d, %+v, %s", code, rows, errOut)
	}
}

func TestCheckRefusesAConfigurationThatWrites(t *testing.T) {
	file, _ := agentFile(t, "127.0.0.1:502", "        - { function: 5, input: 1, cause: door }")
	code, _, errOut := agent(t, "check", "-c", file)
	if code != exitFailed || !strings.Contains(errOut, "the agent only reads") {
		t.Errorf("check: %d, %s", code, errOut)
	}
}

func TestProbe(t *testing.T) {
	addr := startPLC(t)
	code, out, errOut := agent(t, "probe", "modbus://"+addr+"?unit=1", "--scan", "30-65", "--apart", "10ms")
	if code != exitOK || !strings.Contains(out, "counts with 41 (u32be") || !strings.Contains(errOut, "6 addresses are not there") {
		t.Errorf("probe: %d\n%s%s", code, out, errOut)
	}
	code, out, _ = agent(t, "probe", "modbus://"+addr, "--scan", "41-41", "--apart", "10ms", "--json")
	if code != exitOK || !strings.Contains(out, `"counts": true`) {
		t.Errorf("probe --json: %d\n%s", code, out)
	}
	tests := []struct {
		name string
		args []string
		code int
		want string
	}{
		{"no device", []string{"modbus://127.0.0.1:1"}, exitNotReachable, "no connection"},
		{"no scheme", []string{"127.0.0.1:502"}, exitUsage, "modbus://HOST:PORT"},
		{"unit", []string{"modbus://127.0.0.1?unit=300"}, exitUsage, "unit=255"},
		{"writing", []string{"modbus://127.0.0.1", "--function", "16"}, exitUsage, "the agent only reads"},
		{"range", []string{"modbus://127.0.0.1", "--scan", "9-3"}, exitUsage, "0-99"},
		{"flag", []string{"--frobnicate"}, exitUsage, "agent --help"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			code, out, errOut := agent(t, append([]string{"probe"}, tt.args...)...)
			if code != tt.code || !strings.Contains(errOut, tt.want) || out != "" {
				t.Errorf("got %d, %q, %q; want %d with %q", code, out, errOut, tt.code, tt.want)
			}
		})
	}
}

func TestConfigShow(t *testing.T) {
	file, spool := agentFile(t, "127.0.0.1:502")
	code, out, errOut := agent(t, "config", "show", "-c", file)
	if code != exitOK || !strings.Contains(out, spool) || !strings.Contains(out, file+":5") || !strings.Contains(out, "run.stop_after") {
		t.Errorf("config show: %d\n%s%s", code, out, errOut)
	}
	if code, _, errOut := agent(t, "config", "show", "-c", file+".none"); code != exitFailed || !strings.Contains(errOut, ".none") {
		t.Errorf("config show of no file: %d, %s", code, errOut)
	}
}

// TestRun: without a broker the agent counts and keeps; it tells its service
// manager, and ends soon.
func TestRun(t *testing.T) {
	addr, looked := startWatchedPLC(t)
	file, spool := agentFile(t, addr)
	name := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var log bytes.Buffer
	code := make(chan int)
	go func() {
		code <- run(ctx, []string{"run", "-c", file}, []string{"NOTIFY_SOCKET=" + name, "WATCHDOG_USEC=40000"}, io.Discard, &log)
	}()
	var heard []string
	buf := make([]byte, 256)
	for !strings.Contains(strings.Join(heard, " "), "READY=1") || !strings.Contains(strings.Join(heard, " "), "WATCHDOG=1") {
		socket.SetReadDeadline(time.Now().Add(10 * time.Second))
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatalf("service manager heard %q, then %v", heard, err)
		}
		heard = append(heard, string(buf[:n]))
	}
	<-looked // a life begins with the second reading
	cancel()
	begun := time.Now()
	if c := <-code; c != exitOK {
		t.Errorf("run ended with %d:\n%s", c, log.String())
	}
	if d := time.Since(begun); d > 5*time.Second {
		t.Errorf("the end took %s", d)
	}
	for last := ""; last != "STOPPING=1"; {
		socket.SetReadDeadline(time.Now().Add(time.Second))
		n, err := socket.Read(buf)
		if err != nil {
			t.Fatalf("service manager did not hear STOPPING=1 after %q", heard)
		}
		last = string(buf[:n])
	}
	j, report, err := journal.Open(spool, journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if report.Records < 3 || report.Cut != nil || len(report.Damage) > 0 {
		t.Errorf("journal holds %+v; configuration, life and stop expected", report)
	}
}

// TestHangsAtTheEnd: an agent that does not end says so in time, and where it
// hangs.
func TestHangsAtTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		begun := time.Now()
		var log strings.Builder
		err := await(ctx, make(chan error), &log)
		if err == nil || !strings.Contains(err.Error(), "did not end within 4s") || time.Since(begun) != endWithin {
			t.Errorf("after %s: %v, want a word after %s", time.Since(begun), err, endWithin)
		}
		if !strings.Contains(log.String(), ".await+") {
			t.Errorf("the log does not tell where it waits:\n%s", log.String())
		}
	})
}
