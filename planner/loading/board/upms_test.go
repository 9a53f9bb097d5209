package board

import (
	"bytes"
	"compress/gzip"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
)

const upmsTWT = "../../../../shared/benchmarks/upms_twt/setting_13_10X100_5.txt.gz"

func cpu() float64 {
	var u syscall.Rusage
	syscall.Getrusage(syscall.RUSAGE_SELF, &u)
	return float64(u.Utime.Sec) + float64(u.Utime.Usec)/1e6
}

func readTWT(t testing.TB) *shop {
	raw, err := os.ReadFile(upmsTWT)
	if err != nil {
		raw, err = os.ReadFile("/work/shared/benchmarks/upms_twt/setting_13_10X100_5.txt.gz")
	}
	if err != nil {
		t.Skip("the set is not here; its licence does not let it be copied")
	}
	z, err := gzip.NewReader(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	text, _ := io.ReadAll(z)
	f := strings.Fields(string(text))
	next := func() int64 { v, _ := strconv.ParseFloat(f[0], 64); f = f[1:]; return int64(v) }
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
		up := make([]int32, (n+1)*(n+1))
		for to := range n {
			for from := range n {
				v := next()
				if from != to {
					up[from*(n+1)+to] = int32(v)
				}
			}
		}
		s.setup[i] = up
		s.live[i] = n
	}
	for j := range n {
		s.state[j] = int32(j)
		v := next()
		for i := range m {
			s.due[i*n+j] = v
		}
	}
	for j := range n {
		v := next()
		for i := range m {
			s.release[i*n+j] = v
		}
	}
	return s
}

func blank(n, m int) *shop {
	s := &shop{n: n, m: m, dur: make([]int64, n*m), release: make([]int64, n*m), due: make([]int64, n*m), extra: make([]int64, n*m),
		weight: make([]int64, n), state: make([]int32, n), live: make([]int32, m), setup: make([][]int32, m), free: make([]int64, m), fixed: make([]int, m), kin: make([]int32, n), after: make([]int32, n)}
	for j := range n {
		var able []int32
		for i := range m {
			able = append(able, int32(i))
		}
		s.able = append(s.able, able)
		s.after[j] = -1
	}
	return s
}

func TestTWT(t *testing.T) {
	for seed := range 1 {
		s := readTWT(t)
		l := newLayout(s)
		for j := range s.n {
			l.insert(j%s.m, int32(j), len(l.seq[j%s.m]))
		}
		x := newSearch(l, uint64(seed))
		t0 := cpu()
		marks := []float64{0.5, 1, 2, 5, 10, 20}
		n := x.run(1<<30, func(n int, better bool) bool {
			e := cpu() - t0
			for len(marks) > 0 && e > marks[0] {
				fmt.Println(seed, marks[0], n, x.bestCost)
				marks = marks[1:]
			}
			return e < 20
		})
		fmt.Println(n, x.bestCost, l.total())
	}
}
