package edge

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"runtime"
	runtimemetrics "runtime/metrics"
	"time"
)

// serveMetrics answers GET /metrics in the Prometheus text form.
func (a *Agent) serveMetrics(ctx context.Context) error {
	l, err := new(net.ListenConfig).Listen(ctx, "tcp", a.conf.Metrics.Listen)
	if err != nil {
		return fmt.Errorf("edge: listen for metrics on %s: %w; choose a free port in metrics.listen", a.conf.Metrics.Listen, err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /metrics", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
		_, _ = w.Write(a.metrics()) // a reader that went away has no use for an error
	})
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 5 * time.Second, WriteTimeout: 10 * time.Second, MaxHeaderBytes: 8 << 10}
	stop := context.AfterFunc(ctx, func() { _ = srv.Close() })
	defer stop()
	if err := srv.Serve(l); err != nil && !errors.Is(err, http.ErrServerClosed) {
		return fmt.Errorf("edge: serve metrics on %s: %w", a.conf.Metrics.Listen, err)
	}
	return nil
}

func (a *Agent) metrics() []byte {
	var b bytes.Buffer
	family := func(name, typ, help string, value func(*machine) uint64) {
		fmt.Fprintf(&b, "# HELP %s %s\n# TYPE %s %s\n", name, help, name, typ)
		for _, m := range a.machines {
			fmt.Fprintf(&b, "%s{machine=%q} %d\n", name, m.conf.ID, value(m))
		}
	}
	family("turnwise_agent_readings_total", "counter", "Good readings of the machine.", func(m *machine) uint64 { return m.readings.Load() })
	family("turnwise_agent_failures_total", "counter", "Readings that went wrong.", func(m *machine) uint64 { return m.failures.Load() })
	family("turnwise_agent_records_outstanding", "gauge", "Durable records that the server has not acknowledged.", func(m *machine) uint64 {
		acked := m.channel.Acked() // first, so that the difference is never negative
		return m.channel.Head() - acked
	})
	family("turnwise_agent_readable", "gauge", "1 when the last reading succeeded.", func(m *machine) uint64 {
		m.mu.Lock()
		defer m.mu.Unlock()
		if m.view.readable {
			return 1
		}
		return 0
	})
	fmt.Fprintf(&b, "# HELP turnwise_agent_journal_bytes Size of the journal on disk.\n# TYPE turnwise_agent_journal_bytes gauge\nturnwise_agent_journal_bytes %d\n", a.journal.Bytes())
	fmt.Fprintf(&b, "# HELP turnwise_agent_journal_syncs_total How often the disk was asked to make records durable.\n# TYPE turnwise_agent_journal_syncs_total counter\nturnwise_agent_journal_syncs_total %d\n", a.journal.Syncs())
	fmt.Fprintf(&b, "# HELP turnwise_agent_journal_rung How far the journal has gone to make room: 0 there is room, 1 backed-up records removed, 2 acknowledged and 3 waiting records kept coarser, 4 ballast given up, 5 only tail rows. Alarm from 2 on.\n# TYPE turnwise_agent_journal_rung gauge\nturnwise_agent_journal_rung %d\n", a.journal.Rung())
	heap := []runtimemetrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	runtimemetrics.Read(heap)
	fmt.Fprintf(&b, "# HELP turnwise_agent_heap_bytes Memory in use by objects.\n# TYPE turnwise_agent_heap_bytes gauge\nturnwise_agent_heap_bytes %d\n", heap[0].Value.Uint64())
	fmt.Fprintf(&b, "# HELP turnwise_agent_goroutines Goroutines.\n# TYPE turnwise_agent_goroutines gauge\nturnwise_agent_goroutines %d\n", runtime.NumGoroutine())
	return b.Bytes()
}
