package board

import (
	"bytes"
	"compress/gzip"
	"io"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

// The instance of Lin and Hsieh 2014 lies outside the project: its licence does not let it be
// copied. Its published solution costs 137515.
const (
	upmsTWT  = "../../../../shared/benchmarks/upms_twt/setting_13_10X100_5.txt.gz"
	upmsCost = 137515
)

// cpu is the processor time of this process, in seconds.
func cpu() float64 {
	var u syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return float64(u.Utime.Sec) + float64(u.Utime.Usec)/1e6
}

func readTWT(t testing.TB) *shop {
	raw, err := os.ReadFile(upmsTWT)
	if err != nil {
		t.Skip("the set is not here: ", err)
	}
	z, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	words := strings.Fields(string(text))
	next := func() int64 {
		v, err := strconv.ParseFloat(words[0], 64)
		if err != nil {
			t.Fatal(err)
		}
		words = words[1:]
		return int64(v)
	}
	const m, n = 10, 100
	s := blank(n, m)
	for k := range m * n {
		s.dur[k] = next()
	}
	for j := range n {
		s.weight[j] = next()
	}
	s.states = n + 1
	for i := range m {
		up := make([]int32, (n+1)*(n+1)) // nothing before the first job
		for to := range n {
			for from := range n {
				if v := next(); from != to {
					up[from*(n+1)+to] = int32(v)
				}
			}
		}
		s.setup[i], s.live[i] = up, n
	}
	for _, row := range []*[]int64{&s.due, &s.release} {
		for j := range n {
			v := next()
			for i := range m {
				(*row)[i*n+j] = v
			}
		}
	}
	return s
}

// blank is a shop in which every machine can do every task at once.
func blank(n, m int) *shop {
	s := &shop{n: n, m: m, dur: make([]int64, n*m), release: make([]int64, n*m), due: make([]int64, n*m), extra: make([]int64, n*m),
		weight: make([]int64, n), state: make([]int32, n), live: make([]int32, m), setup: make([][]int32, m), free: make([]int64, m),
		fixed: make([]int, m), kin: make([]int32, n), after: make([]int32, n)}
	for j := range n {
		var able []int32
		for i := range m {
			able = append(able, int32(i))
		}
		s.able = append(s.able, able)
		s.after[j], s.state[j] = -1, int32(j)
	}
	return s
}

// BenchmarkTWT prints the gap to the published cost after seconds of processor time.
func BenchmarkTWT(b *testing.B) {
	for b.Loop() {
		s := readTWT(b)
		l := newLayout(s)
		l = begin(l)
		x := newSearch(l, 1)
		began, marks := cpu(), []float64{1, 10, 60}
		x.run(1<<40, func(int, bool) bool {
			if cpu()-began < marks[0] {
				return true
			}
			b.ReportMetric(100*(float64(x.bestCost)/upmsCost-1), "%gap_"+strconv.Itoa(int(marks[0]))+"s")
			marks = marks[1:]
			return len(marks) > 0
		})
	}
}
