package main

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"strconv"
	"strings"
	"time"

	"turnwise/agent/edge"
)

// manager is the service manager that started the program, by the protocol of
// sd_notify(3): datagrams to a local socket. The zero manager is none.
type manager struct {
	conn  net.Conn
	every time.Duration // of WATCHDOG=1; 0 = not asked for
}

func newManager(environ []string) (m manager, err error) {
	env := map[string]string{}
	for _, e := range environ {
		if k, v, ok := strings.Cut(e, "="); ok {
			env[k] = v
		}
	}
	name := env["NOTIFY_SOCKET"]
	if name == "" {
		return m, nil
	}
	if name[0] == '@' {
		name = "\x00" + name[1:] // abstract
	}
	if m.conn, err = net.Dial("unixgram", name); err != nil {
		return manager{}, fmt.Errorf("connect to NOTIFY_SOCKET %q: %w", env["NOTIFY_SOCKET"], err)
	}
	if us, err := strconv.ParseInt(env["WATCHDOG_USEC"], 10, 64); err == nil && us > 0 {
		m.every = time.Duration(us) * time.Microsecond / 2
	}
	return m, nil
}

// tell says when the agent is ready, that it is alive, and that it ends. It
// returns when ctx ends.
func (m manager) tell(ctx context.Context, a *edge.Agent, log *slog.Logger) {
	if m.conn == nil {
		return
	}
	defer m.conn.Close()
	say := func(text string) {
		if _, err := m.conn.Write([]byte(text)); err != nil {
			log.Warn("service manager not told", "error", err)
		}
	}
	var tick <-chan time.Time
	if m.every > 0 {
		t := time.NewTicker(m.every)
		defer t.Stop()
		tick = t.C
	}
	ready := a.Ready()
	for {
		select {
		case <-ctx.Done():
			say("STOPPING=1")
			return
		case <-ready:
			say("READY=1\nSTATUS=every machine was read or tried")
			ready = nil
		case <-tick:
			if a.Alive() { // silence lets the manager start us anew
				say("WATCHDOG=1")
			}
		}
	}
}
