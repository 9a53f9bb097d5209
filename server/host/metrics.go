package host

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"turnwise/server/floor"
	"turnwise/server/store"
)

// counts are the metrics of a server, in a registry of its own.
type counts struct {
	reg     *prometheus.Registry
	records prometheus.Counter
	unread  prometheus.Counter
	batches *prometheus.CounterVec
	waiting prometheus.Gauge
}

func newCounts(h *Host) *counts {
	c := &counts{
		reg:     prometheus.NewRegistry(),
		records: prometheus.NewCounter(prometheus.CounterOpts{Name: "turnwise_records_committed_total", Help: "Records of agents that were new and are durable."}),
		unread:  prometheus.NewCounter(prometheus.CounterOpts{Name: "turnwise_records_unread_total", Help: "Records of a kind that this version does not know; their bytes are kept. More than 0: an agent is newer than the server."}),
		batches: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "turnwise_batches_total", Help: "Batches decided in the store, by verdict."}, []string{"verdict"}),
	}
	c.waiting = prometheus.NewGauge(prometheus.GaugeOpts{Name: "turnwise_ingest_waiting", Help: "Batches whose connection waits for a place in the queue of ingest. More than 0 for long: the disk does not keep up."})
	for v := store.OK; v <= store.Unregistered; v++ {
		c.batches.WithLabelValues(verdict(v)) // there from the start, at 0
	}
	info := prometheus.NewGauge(prometheus.GaugeOpts{Name: "turnwise_build_info", Help: "1; the version is a label.", ConstLabels: prometheus.Labels{"version": h.o.Version}})
	info.Set(1)
	c.reg.MustRegister(c.records, c.unread, c.batches, info, machineStates{h}, brokerStats{h}, h.backups, h.retention, h.space, h.clock, c.waiting,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return c
}

func (c *counts) committed(outcomes []store.Outcome) {
	for _, o := range outcomes {
		c.batches.WithLabelValues(verdict(o.Verdict)).Inc()
		c.records.Add(float64(o.Applied))
		c.unread.Add(float64(o.Unread))
	}
}

func (c *counts) handler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(c.reg, promhttp.HandlerOpts{MaxRequestsInFlight: 4}))
	return mux
}

func verdict(v store.Verdict) string {
	switch v {
	case store.OK:
		return "ok"
	case store.NeedFrom:
		return "need_from"
	case store.Frozen:
		return "frozen"
	case store.Unregistered:
		return "unregistered"
	}
	return "other"
}

// machineStates counts machines by what they do now.
type machineStates struct{ h *Host }

var machinesDesc = prometheus.NewDesc("turnwise_machines", "Machines by state; unknown is not stopped.", []string{"state"}, nil)

func (machineStates) Describe(ch chan<- *prometheus.Desc) { ch <- machinesDesc }

func (m machineStates) Collect(ch chan<- prometheus.Metric) {
	n := make(map[floor.State]int)
	for _, v := range m.h.floor.Machines() {
		n[v.State]++
	}
	for state, name := range map[floor.State]string{floor.Unknown: "unknown", floor.Running: "running", floor.Stopped: "stopped", floor.Standing: "standing"} {
		ch <- prometheus.MustNewConstMetric(machinesDesc, prometheus.GaugeValue, float64(n[state]), name)
	}
}

// brokerStats tells the counts of the broker. An increase of the dropped ones
// is worth an alarm: an agent does not read what is sent to it.
type brokerStats struct{ h *Host }

var (
	connectionsDesc = prometheus.NewDesc("turnwise_broker_connections", "Connections open at the broker.", nil, nil)
	refusedDesc     = prometheus.NewDesc("turnwise_broker_refused_total", "Connections refused before they were admitted.", nil, nil)
	deniedDesc      = prometheus.NewDesc("turnwise_broker_denied_total", "Topics and packets denied to agents.", nil, nil)
	rejectedDesc    = prometheus.NewDesc("turnwise_broker_rejected_total", "Batches not taken in time; the agents send them again.", nil, nil)
	malformedDesc   = prometheus.NewDesc("turnwise_broker_malformed_total", "Messages that nobody can read, kept aside.", nil, nil)
	takeoversDesc   = prometheus.NewDesc("turnwise_broker_takeovers_total", "Client ids that changed hands.", nil, nil)
	droppedDesc     = prometheus.NewDesc("turnwise_broker_dropped_total", "Messages to agents thrown away, by reason.", []string{"reason"}, nil)
)

func (brokerStats) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{connectionsDesc, refusedDesc, deniedDesc, rejectedDesc, malformedDesc, takeoversDesc, droppedDesc} {
		ch <- d
	}
}

func (b brokerStats) Collect(ch chan<- prometheus.Metric) {
	if b.h.broker == nil {
		return
	}
	s := b.h.broker.Stats()
	ch <- prometheus.MustNewConstMetric(connectionsDesc, prometheus.GaugeValue, float64(s.Connections))
	for d, v := range map[*prometheus.Desc]int64{refusedDesc: s.Refused, deniedDesc: s.Denied, rejectedDesc: s.Rejected, malformedDesc: s.Malformed, takeoversDesc: s.Takeovers} {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v))
	}
	ch <- prometheus.MustNewConstMetric(droppedDesc, prometheus.CounterValue, float64(s.MessagesDropped), "queue")
	ch <- prometheus.MustNewConstMetric(droppedDesc, prometheus.CounterValue, float64(s.InflightDropped), "inflight")
}
