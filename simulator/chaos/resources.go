package chaos

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Figure is what a program that lives long used, early and late in its life.
type Figure struct {
	What    string  `json:"what"`
	Samples int     `json:"samples"`
	First   float64 `json:"first_quartile_median"`
	Last    float64 `json:"last_quartile_median"`
	Seconds float64 `json:"seconds"` // from the first to the last sample
	Verdict string  `json:"verdict"` // steady, grows, or too few samples
}

// measures are what is sampled: the share and the amount by which the last
// quarter of a life may exceed the first one, beyond which it grows.
var measures = []struct {
	what   string
	amount float64
}{{"goroutines", 5}, {"files", 5}, {"heap_mb", 4}, {"rss_mb", 8}}

const mayGrow = 0.10

// young is the age at which a program has everything open that it needs.
const young = 5 * time.Second

// series are the samples of one process, by measure.
type series struct {
	at     []time.Duration
	values map[string][]float64
}

// sample looks at the agent that is never ended and at the server, whose
// samples count for the process that lived longest. A program without its
// connections needs less: it is looked at while it has them.
func (m *mill) sample(ctx context.Context) {
	for _, s := range m.stations {
		if !s.line.connected() {
			return
		}
	}
	last := m.stations[len(m.stations)-1]
	m.measure(ctx, "agent", last.proc, last.metrics, "turnwise_agent_goroutines", "turnwise_agent_heap_bytes")
	m.measure(ctx, "server", m.server, m.serverMetrics, "go_goroutines", "go_memstats_heap_alloc_bytes")
}

func (m *mill) measure(ctx context.Context, of string, p *process, address, goroutines, heap string) {
	if p == nil || time.Since(p.born) < young {
		return
	}
	got, err := scrape(ctx, address)
	if err != nil {
		return // it may be ending
	}
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", p.cmd.Process.Pid))
	if err != nil {
		return
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", p.cmd.Process.Pid))
	if err != nil {
		return
	}
	pages, _ := strconv.ParseFloat(strings.Fields(string(text) + " 0 0")[1], 64)
	if m.used == nil {
		m.used = map[string]map[*process]*series{}
	}
	if m.used[of] == nil {
		m.used[of] = map[*process]*series{}
	}
	s := m.used[of][p]
	if s == nil {
		s = &series{values: map[string][]float64{}}
		m.used[of][p] = s
	}
	s.at = append(s.at, time.Since(p.born))
	for what, v := range map[string]float64{"goroutines": got[goroutines], "files": float64(len(files)),
		"heap_mb": got[heap] / 1e6, "rss_mb": pages * float64(os.Getpagesize()) / 1e6} {
		s.values[what] = append(s.values[what], v)
	}
}

// scrape reads the unlabelled metrics of a page in the Prometheus text form.
func scrape(ctx context.Context, address string) (map[string]float64, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/metrics", nil)
	if err != nil {
		return nil, err
	}
	req.Close = true // a connection that is kept would be counted
	r, err := http.DefaultClient.Do(req)
	if err != nil {
		return nil, err
	}
	defer r.Body.Close()
	out := map[string]float64{}
	lines := bufio.NewScanner(io.LimitReader(r.Body, 1<<20))
	for lines.Scan() {
		name, value, _ := strings.Cut(lines.Text(), " ")
		if v, err := strconv.ParseFloat(value, 64); err == nil {
			out[name] = v
		}
	}
	return out, lines.Err()
}

// figures judges the process of each program that was sampled most.
func (m *mill) figures() map[string][]Figure {
	out := map[string][]Figure{}
	for of, all := range m.used {
		var longest *series
		for _, s := range all {
			if longest == nil || len(s.at) > len(longest.at) {
				longest = s
			}
		}
		for _, k := range measures {
			f := slope(longest.values[k.what], k.amount)
			f.What, f.Seconds = k.what, (longest.at[len(longest.at)-1] - longest.at[0]).Seconds()
			out[of] = append(out[of], f)
		}
	}
	return out
}

// slope compares the last quarter of a series with the first.
func slope(v []float64, amount float64) Figure {
	f := Figure{Samples: len(v), Verdict: "too few samples"}
	q := len(v) / 4
	if q < 3 {
		return f
	}
	f.First, f.Last, f.Verdict = median(v[:q]), median(v[len(v)-q:]), "steady"
	if f.Last-f.First > max(amount, mayGrow*f.First) {
		f.Verdict = "grows"
	}
	return f
}

func median(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
