package chaos

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"
	"time"
)

// opening is the age at which a program has everything open that it needs.
const opening = 5 * time.Second

// usage is what a program uses now, by measure.
type usage map[string]float64

func (u usage) String() string {
	return fmt.Sprintf("%.0f goroutines, %.0f files, heap %.1f MB, own memory %.1f MB", u["goroutines"], u["files"], u["heap_mb"], u["own_mb"])
}

// series are the samples of one process, by measure.
type series struct {
	at     []time.Duration
	values map[string][]float64
}

// sample looks at the agent that is never ended and at the server. A program
// without its connections needs less: it is looked at while it has them. Once
// a minute people are told.
func (m *mill) sample(ctx context.Context) {
	for _, s := range m.stations {
		if !s.line.connected() {
			return
		}
	}
	last := m.stations[len(m.stations)-1]
	said := m.measure(ctx, "agent", last.proc, last.metrics, "turnwise_agent_goroutines", "turnwise_agent_heap_bytes")
	said = append(said, m.measure(ctx, "server", m.server, m.serverMetrics, "go_goroutines", "go_memstats_heap_alloc_bytes")...)
	if minute := int(m.now() / time.Minute); minute > m.minute && len(said) == 2 {
		m.minute = minute
		m.told(fmt.Sprintf("%5.1f s: minute %d; %s", m.now().Seconds(), minute, strings.Join(said, "; ")))
	}
}

// measure takes one sample of a program and says it in words.
func (m *mill) measure(ctx context.Context, of string, p *process, address, goroutines, heap string) []string {
	if p == nil || time.Since(p.born) < opening {
		return nil
	}
	u, err := use(ctx, p.cmd.Process.Pid, address, goroutines, heap)
	if err != nil {
		return nil // it may be ending
	}
	if m.used[of] == nil {
		m.used[of] = map[*process]*series{}
	}
	s := m.used[of][p]
	if s == nil {
		s = &series{values: map[string][]float64{}}
		m.used[of][p] = s
	}
	age := time.Since(p.born)
	s.at = append(s.at, age)
	for what, v := range u {
		s.values[what] = append(s.values[what], v)
	}
	return []string{fmt.Sprintf("%s, %.0f s old, %v", of, age.Seconds(), u)}
}

// use asks a program and the system what it uses.
func use(ctx context.Context, pid int, address, goroutines, heap string) (usage, error) {
	got, err := scrape(ctx, address)
	if err != nil {
		return nil, err
	}
	files, err := os.ReadDir(fmt.Sprintf("/proc/%d/fd", pid))
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/statm", pid))
	if err != nil {
		return nil, err
	}
	// Pages of files, the program's own among them, are the system's: it takes and
	// gives them as it likes.
	var size, resident, shared float64
	if _, err := fmt.Sscan(string(text), &size, &resident, &shared); err != nil {
		return nil, fmt.Errorf("chaos: /proc/%d/statm holds %q, expected the resident and the shared pages in second and third place", pid, text)
	}
	return usage{"goroutines": got[goroutines], "files": float64(len(files)),
		"heap_mb": got[heap] / 1e6, "own_mb": (resident - shared) * float64(os.Getpagesize()) / 1e6}, nil
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

// figures judges the process of each program that lived longest.
func (m *mill) figures() map[string][]Figure {
	out := map[string][]Figure{}
	for of, all := range m.used {
		var longest *series
		for _, s := range all {
			if longest == nil || s.life() > longest.life() {
				longest = s
			}
		}
		for _, k := range measures {
			out[of] = append(out[of], judgeGrowth(k, longest.at, longest.values[k.what]))
		}
	}
	return out
}

// life is how long a process was sampled; it has one sample at the least.
func (s *series) life() time.Duration { return s.at[len(s.at)-1] - s.at[0] }
