package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"turnwise/simulator/mill"
)

// TestProcesses runs the machines, an agent and a server as the processes that
// a mill has, kills and ends each of them while the others go on, stops the
// machines, and compares the books with the truth: no revolution and no stop
// is lost or doubled.
func TestProcesses(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs four programs for most of a minute")
	}
	e := newEstate(t, "server", "agent", "planner", "simulator")
	begun := time.Now()
	stage := func(what string) { t.Logf("%5.1f s: %s", time.Since(begun).Seconds(), what) }
	simulator := []string{"plc", "--data", e.path("plc"), "--ports-file", e.path("ports.json"), "--write-config", e.path("conf"), "--seed", "5",
		"--stand", "8s", "--lively-every", "31s", "--lively-for", "12s", "--grpc", e.port(), "--http", e.port(), "--mqtt", e.port()}
	grpc := simulator[len(simulator)-5]
	plc := e.start("simulator", simulator...)
	e.await("configurations", func() bool { _, err := os.Stat(e.path("conf/book.yaml")); return err == nil })
	server := e.start("server", "run", "-c", e.path("conf/server.yaml"))
	e.await("the book", func() bool {
		return e.try("planner", "--server", grpc, "book", "apply", e.path("conf/book.yaml")) == nil
	})
	agent := e.start("agent", "run", "-c", e.path("conf/agent.yaml"))

	// Every restart begins when a number of new turns was made since the last:
	// the machines turn about five times a second.
	turns := e.turned(10)
	next := func() { turns = e.turned(turns + 6) }
	for _, how := range []os.Signal{syscall.SIGKILL, syscall.SIGTERM} {
		next()
		stage("server, agent and machines get " + how.String())
		server.end(how)
		next() // the agent keeps what it counts
		server = e.start("server", "run", "-c", e.path("conf/server.yaml"))
		next()
		agent.end(how)
		agent = e.start("agent", "run", "-c", e.path("conf/agent.yaml"))
		next()
		plc.end(how)
		if how == syscall.SIGTERM {
			simulator = append(simulator, "--freeze-after", "3s")
		}
		plc = e.start("simulator", simulator...)
	}
	stage("the machines are about to be frozen")
	out, err := e.run("simulator", "compare", "--truth", e.path("plc/"+mill.TruthFile), "--server", grpc, "--wait", "35s", "--json")
	if err != nil {
		t.Fatalf("truth and books: %v\n%s", err, out)
	}
	stage("compared")
	lines := strings.Split(strings.TrimSpace(out), "\n")
	var c mill.Comparison
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &c); err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	if c.Machines != 14 || c.RevolutionsTruth < turns || c.RevolutionsStored != c.RevolutionsTruth || c.StopsTruth == 0 || c.StopsStored != c.StopsTruth {
		t.Errorf("compared %+v, want 14 machines with equal revolutions, more than %d, and stops", c, turns)
	}
	t.Logf("%d revolutions, %d stops, %.3f kg, %.1f s unknown", c.RevolutionsStored, c.StopsStored, c.KilosCounted, c.UnknownSeconds)
	for _, p := range []*process{agent, server, plc} {
		p.end(syscall.SIGTERM)
	}
}

// estate is the folder and the programs of one test.
type estate struct {
	t   *testing.T
	dir string
}

func newEstate(t *testing.T, programs ...string) *estate {
	t.Helper()
	e := &estate{t, t.TempDir()}
	for _, bin := range programs {
		cmd := exec.Command("go", "build", "-o", e.path(bin), "turnwise/"+bin)
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("build %s: %v\n%s", bin, err, out)
		}
	}
	return e
}

func (e *estate) path(name string) string { return filepath.Join(e.dir, name) }

// port is an address of the loopback interface that is free now. It lies
// below the ports that the kernel hands out by itself, so that no connection
// or machine of the test takes it before the server does.
func (e *estate) port() string {
	e.t.Helper()
	for range 100 {
		address := fmt.Sprintf("127.0.0.1:%d", 20000+rand.IntN(12000))
		if ln, err := net.Listen("tcp", address); err == nil {
			if err := ln.Close(); err != nil {
				e.t.Fatal(err)
			}
			return address
		}
	}
	e.t.Fatal("no free port from 20000 to 32000")
	return ""
}

// process is a program of ours that runs.
type process struct {
	t    *testing.T
	name string
	cmd  *exec.Cmd
	out  *output
	done chan error
	over bool
}

// output collects what a program prints.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

func (e *estate) start(name string, args ...string) *process {
	e.t.Helper()
	p := &process{t: e.t, name: name, cmd: exec.Command(e.path(name), args...), out: &output{}, done: make(chan error, 1)}
	p.cmd.Stdout, p.cmd.Stderr = p.out, p.out
	if err := p.cmd.Start(); err != nil {
		e.t.Fatal(err)
	}
	go func() { p.done <- p.cmd.Wait() }()
	e.t.Cleanup(func() {
		if !p.over {
			p.end(os.Kill)
		}
		if e.t.Failed() {
			text := p.out.String()
			e.t.Logf("%s printed:\n%s", name, text[max(0, len(text)-3000):])
		}
	})
	return p
}

// end sends a signal and waits for the program to be gone. One that is asked
// to end must do so by itself and without an error.
func (p *process) end(how os.Signal) {
	p.t.Helper()
	if err := p.cmd.Process.Signal(how); err != nil && !errors.Is(err, os.ErrProcessDone) {
		p.t.Errorf("%s: %v", p.name, err)
	}
	p.over = true
	select {
	case err := <-p.done:
		if how == syscall.SIGTERM && err != nil {
			p.t.Errorf("%s after SIGTERM: %v", p.name, err)
		}
	case <-time.After(10 * time.Second):
		p.t.Errorf("%s is still there 10 s after %v", p.name, how)
		if err := p.cmd.Process.Kill(); err != nil {
			p.t.Error(err)
		}
		<-p.done
	}
}

func (e *estate) run(name string, args ...string) (string, error) {
	out, err := exec.Command(e.path(name), args...).CombinedOutput()
	return string(out), err
}

func (e *estate) try(name string, args ...string) error {
	_, err := e.run(name, args...)
	return err
}

// await asks until it is so, for at most 20 seconds.
func (e *estate) await(what string, so func() bool) {
	e.t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for until := time.Now().Add(20 * time.Second); !so(); <-tick.C {
		if time.Now().After(until) {
			e.t.Fatalf("waited 20 s for %s", what)
		}
	}
}

// turned waits until the machines have made so many turns and tells how many
// they are at.
func (e *estate) turned(least int64) int64 {
	e.t.Helper()
	var sum int64
	e.await("turns", func() bool {
		text, err := os.ReadFile(e.path("plc/" + mill.TruthFile))
		if err != nil {
			return false
		}
		var l mill.Ledger
		if err := json.Unmarshal(text, &l); err != nil {
			e.t.Fatal(err)
		}
		sum = 0
		for _, m := range l.Machines {
			sum += m.Revolutions
		}
		return sum >= least
	})
	return sum
}
