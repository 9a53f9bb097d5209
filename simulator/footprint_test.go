package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/host"
	"turnwise/simulator/plc"
)

// BenchmarkAgentFootprint measures the real agent binary over twenty seconds
// with 1 and 50 machines at 60 turns a minute, polled every 500 ms: memory in
// use, processor time as a share of one core, syncs of its journal, and the
// size of the stripped binary.
func BenchmarkAgentFootprint(b *testing.B) {
	bin := buildAgent(b)
	for _, n := range []int{1, 50} {
		b.Run(fmt.Sprintf("machines=%d", n), func(b *testing.B) {
			for b.Loop() {
				footprint(b, bin, n, 20*time.Second)
			}
		})
	}
}

func buildAgent(b *testing.B) string {
	b.Helper()
	bin := filepath.Join(b.TempDir(), "agent")
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", bin, "turnwise/agent")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		b.Fatalf("go build: %v\n%s", err, out)
	}
	return bin
}

func footprint(b *testing.B, bin string, n int, window time.Duration) {
	dir := b.TempDir()
	ctx, cancel := context.WithCancel(b.Context())
	mqtt, total := serve(b, ctx, dir)
	defer cancel()
	page := freeAddress(b)
	config := machines(b, ctx, dir, mqtt, page, n)
	register(b, ctx, total, n)

	cmd := exec.Command(bin, "run", "-c", config)
	var stderr bytes.Buffer
	cmd.Stderr = &stderr
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := cmd.Process.Signal(syscall.SIGTERM); err != nil {
			b.Error(err)
		}
		if err := cmd.Wait(); err != nil {
			b.Errorf("the agent ended with %v\n%s", err, stderr.String())
		}
	}()
	// The start is not counted: wait until each machine has turned.
	waitFor(b, ctx, total, n)
	cpu0, syncs0, t0 := cpuTime(b, cmd.Process.Pid), syncsOf(b, page), time.Now()
	select {
	case <-time.After(window):
	case <-ctx.Done():
	}
	cpu := cpuTime(b, cmd.Process.Pid) - cpu0
	b.ReportMetric(100*cpu.Seconds()/time.Since(t0).Seconds(), "cpu_%")
	b.ReportMetric((syncsOf(b, page)-syncs0)/time.Since(t0).Seconds(), "syncs/s")
	b.ReportMetric(float64(residentBytes(b, cmd.Process.Pid))/1e6, "rss_MB")
	st, err := os.Stat(bin)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(float64(st.Size())/1e6, "stripped_MB")
}

// serve starts a server in this process and returns its broker's address and
// a connection to its API.
func serve(b *testing.B, ctx context.Context, dir string) (mqtt string, api *grpc.ClientConn) {
	b.Helper()
	c, _, err := host.LoadConfig("", []string{
		"TURNWISE_LISTEN__GRPC=127.0.0.1:0", "TURNWISE_LISTEN__HTTP=off", "TURNWISE_LISTEN__MQTT=127.0.0.1:0", "TURNWISE_LISTEN__METRICS=off",
		"TURNWISE_SITE__ID=bench", "TURNWISE_DATABASE__FILE=" + filepath.Join(dir, "bench.db"),
	})
	if err != nil {
		b.Fatal(err)
	}
	h, err := host.New(ctx, c, host.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		b.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- h.Run(ctx) }()
	b.Cleanup(func() {
		if err := <-ended; err != nil && !errors.Is(err, context.Canceled) {
			b.Errorf("the server ended with %v", err)
		}
	})
	conn, err := grpc.NewClient(h.Addrs().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { conn.Close() })
	return h.Addrs().MQTT, conn
}

// machines starts n turning machines and writes the agent's file for them.
func machines(b *testing.B, ctx context.Context, dir, mqtt, page string, n int) string {
	b.Helper()
	var y strings.Builder
	fmt.Fprintf(&y, "version: 1\nsite: bench\narea: hall\nagent: u-01\nmqtt: { url: \"mqtt://%s\" }\nspool: { dir: %q }\nmetrics: { listen: %q }\nmachines:\n", mqtt, filepath.Join(dir, "spool"), page)
	begin := time.Now()
	for i := range n {
		s, err := plc.Listen("127.0.0.1:0", plc.Options{Look: func() plc.Look {
			return plc.Look{Turns: int64(time.Since(begin) / time.Second), RPM: 60}
		}})
		if err != nil {
			b.Fatal(err)
		}
		go func() {
			if err := s.Run(ctx); err != nil {
				b.Error(err)
			}
		}()
		fmt.Fprintf(&y, "  - id: k%02d\n    source:\n      kind: modbus-tcp\n      address: %s\n      unit: 1\n      poll: 500ms\n", i+1, s.Addr())
		fmt.Fprintf(&y, "      max_speed_rpm: 60\n      revolution: { function: 3, register: %d, type: u32be, scale: 1 }\n      stops:\n", plc.CounterRegister)
		for k, cause := range []string{"yarn", "needle", "fabric", "door"} {
			fmt.Fprintf(&y, "        - { function: 2, input: %d, cause: %s }\n", plc.FirstInput+k, cause)
		}
	}
	file := filepath.Join(dir, "agent.yaml")
	if err := os.WriteFile(file, []byte(y.String()), 0o600); err != nil {
		b.Fatal(err)
	}
	return file
}

// freeAddress is one of the loopback interface that nobody listens on.
func freeAddress(b *testing.B) string {
	b.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer ln.Close()
	return ln.Addr().String()
}

// syncsOf is how often the agent's journal was synced, from its metrics.
func syncsOf(b *testing.B, page string) float64 {
	b.Helper()
	r, err := http.Get("http://" + page + "/metrics")
	if err != nil {
		b.Fatal(err)
	}
	defer r.Body.Close()
	for lines := bufio.NewScanner(r.Body); lines.Scan(); {
		if n, ok := strings.CutPrefix(lines.Text(), "turnwise_agent_journal_syncs_total "); ok {
			v, err := strconv.ParseFloat(n, 64)
			if err != nil {
				b.Fatal(err)
			}
			return v
		}
	}
	b.Fatal("the agent's metrics do not tell its syncs")
	return 0
}

func register(b *testing.B, ctx context.Context, api *grpc.ClientConn, n int) {
	b.Helper()
	req := &pb.RegisterAgentRequest{Agent: "u-01"}
	for i := range n {
		req.Machines = append(req.Machines, fmt.Sprintf("k%02d", i+1))
	}
	if _, err := pb.NewAgentServiceClient(api).RegisterAgent(ctx, req); err != nil {
		b.Fatal(err)
	}
}

// waitFor returns when n machines have been counted.
func waitFor(b *testing.B, ctx context.Context, api *grpc.ClientConn, n int) {
	b.Helper()
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	watch, err := pb.NewMachineServiceClient(api).WatchMachines(ctx, &pb.WatchMachinesRequest{})
	if err != nil {
		b.Fatal(err)
	}
	counted := map[string]bool{}
	for len(counted) < n {
		m, err := watch.Recv()
		if err != nil {
			b.Fatalf("%d of %d machines were counted: %v", len(counted), n, err)
		}
		for _, x := range m.GetMachines() {
			if x.GetLive().GetRevolutionCount() > 0 {
				counted[x.GetName()] = true
			}
		}
	}
}

// cpuTime is what /proc says a process has used, in user and kernel mode.
func cpuTime(b *testing.B, pid int) time.Duration {
	b.Helper()
	f := procFields(b, fmt.Sprintf("/proc/%d/stat", pid))
	var ticks int64
	for _, s := range f[11:13] { // utime and stime, counted after the name
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			b.Fatal(err)
		}
		ticks += n
	}
	return time.Duration(ticks) * 10 * time.Millisecond // USER_HZ is 100 on Linux
}

func residentBytes(b *testing.B, pid int) int64 {
	b.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		b.Fatal(err)
	}
	pages, err := strconv.ParseInt(strings.Fields(string(text))[1], 10, 64)
	if err != nil {
		b.Fatal(err)
	}
	return pages * int64(os.Getpagesize())
}

func procFields(b *testing.B, file string) []string {
	b.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		b.Fatal(err)
	}
	_, after, ok := strings.Cut(string(text), ") ")
	if !ok {
		b.Fatalf("%s holds %q", file, text)
	}
	return strings.Fields(after)
}
