package board

import (
	"encoding/json"
	"os"
	"testing"

	"turnwise/planner/loading"
)

// problem is a shop without care, pins, parts and calendars, for the evaluator that shares no
// code with this package.
func problem(s *shop) *loading.Problem {
	p := &loading.Problem{SetupCost: s.price, Release: make([]int64, s.n), Due: make([]int64, s.n), Weight: s.weight, Free: s.free}
	for j := range s.n {
		p.Release[j], p.Due[j] = s.release[int(s.able[j][0])*s.n+j], s.due[int(s.able[j][0])*s.n+j]
	}
	for i := range s.m {
		time := make([]int64, s.n)
		rows := make([][]int64, s.n+1)
		for b := range rows {
			rows[b] = make([]int64, s.n)
			from := s.live[i]
			if b > 0 {
				from = s.state[b-1]
			}
			for j := range s.n {
				rows[b][j] = max(int64(s.setup[i][from*s.states+s.state[j]]), 0)
			}
		}
		for j := range s.n {
			time[j] = loading.Never
		}
		p.Time, p.Setup = append(p.Time, time), append(p.Setup, rows)
	}
	for j := range s.n {
		for _, i := range s.able[j] {
			p.Time[i][j] = s.dur[int(i)*s.n+j]
		}
	}
	return p
}

func sequences(l *layout) loading.Plan {
	out := make(loading.Plan, len(l.seq))
	for i, q := range l.seq {
		out[i] = []int{}
		for _, t := range q {
			out[i] = append(out[i], int(t))
		}
	}
	return out
}

// small draws a shop of a few tasks with times that make them meet.
func small(r *dice, n, m int) *shop {
	s := blank(n, m)
	s.states = int32(n + 1)
	s.price = int64(r.below(3))
	for i := range m {
		s.live[i], s.free[i] = int32(n), int64(r.below(200))
		s.setup[i] = make([]int32, (n+1)*(n+1))
		for k := range s.setup[i] {
			s.setup[i][k] = int32(r.below(60))
		}
	}
	for j := range n {
		s.weight[j] = int64(1 + r.below(9))
		due, release := int64(r.below(500)), int64(max(r.below(300)-100, 0))
		for i := range m {
			k := i*n + j
			s.due[k], s.release[k], s.dur[k] = due, release, int64(20+r.below(150))
		}
		if m > 1 && r.below(3) == 0 {
			s.able[j] = s.able[j][:1+r.below(m-1)]
		}
	}
	return s
}

// TestCostIsThatOfEvaluate: the cost that the search sums up step by step, and the one it
// reports, is what an evaluator without a line in common says.
func TestCostIsThatOfEvaluate(t *testing.T) {
	r := dice(3)
	for round := range 60 {
		s := small(&r, 3+r.below(25), 1+r.below(4))
		l := begin(newLayout(s))
		x := newSearch(l, uint64(round))
		x.run(200, func(int, bool) bool { return true })
		score, err := problem(s).Evaluate(sequences(l))
		if err != nil {
			t.Fatal(err)
		}
		if score.Cost != x.bestCost || score.Cost != l.total() {
			t.Fatalf("round %d: the search says %d, its layout %d, Evaluate %d", round, x.bestCost, l.total(), score.Cost)
		}
		if b := s.bound(nil); b > score.Cost {
			t.Fatalf("round %d: bound %d above a cost %d", round, b, score.Cost)
		}
	}
}

// TestPutIsInsert: what a place is said to cost is what it costs; no place that costs less than
// what is known is refused by its bound.
func TestPutIsInsert(t *testing.T) {
	r := dice(11)
	for range 5000 {
		s := small(&r, 4+r.below(12), 2)
		if s.pinned = r.below(2) == 0; s.pinned {
			s.after[1] = 0
		}
		// Some leave the machine as it is set up, and some are shorter than a set-up.
		for j := range s.n {
			if r.below(4) == 0 {
				s.state[j] = -1
			}
			if r.below(3) == 0 {
				for i := range s.m {
					s.dur[i*s.n+j] = int64(r.below(30))
				}
			}
		}
		l := newLayout(s)
		for j := 1; j < s.n; j++ {
			i := int(s.able[j][r.below(len(s.able[j]))])
			l.insert(i, int32(j), r.below(len(l.seq[i])+1))
		}
		i := int(s.able[0][0])
		before := l.cost(i)
		p := r.below(len(l.seq[i]) + 1)
		said := l.put(i, 0, p, 1<<60)
		for _, known := range []int64{said / 2, said - 1, said, said + 1} {
			if got := l.put(i, 0, p, known); got != said && (got < known || got > said) {
				t.Fatalf("place %d of %v: said %d more, and %d when %d is known", p, l.seq[i], said, got, known)
			}
		}
		l.insert(i, 0, p)
		if got := l.cost(i) - before; got != said {
			t.Fatalf("place %d of %v: said %d more, is %d", p, l.seq[i], said, got)
		}
	}
}

// TestSearchFindsTheOptimum: on problems small enough for the exact solver.
func TestSearchFindsTheOptimum(t *testing.T) {
	r := dice(5)
	for round := range 40 {
		s := small(&r, 4+r.below(4), 1+r.below(3))
		q := problem(s)
		exact, err := q.Solve(loading.Search{})
		if err != nil || !exact.Proven {
			t.Fatalf("round %d: the exact solver gave %v, proven %v", round, err, exact.Proven)
		}
		x := newSearch(begin(newLayout(s)), uint64(round))
		x.enough = exact.Cost
		n := x.run(20000, func(int, bool) bool { return true })
		if x.bestCost != exact.Cost {
			t.Errorf("round %d: %d after %d rounds, the optimum is %d", round, x.bestCost, n, exact.Cost)
		}
	}
}

// TestSequenceIsEvaluated: a problem in numbers comes back with the cost that Evaluate says,
// and no worse than what the simple start of that package gives.
func TestSequenceIsEvaluated(t *testing.T) {
	r := dice(9)
	for range 10 {
		p := problem(small(&r, exactJobs+1+r.below(20), 2+r.below(3)))
		p.From, p.Move = make([]int, p.Jobs()), make([]int64, p.Jobs())
		for j := range p.From {
			p.From[j], p.Move[j] = r.below(p.Machines()+1)-1, int64(r.below(100))
		}
		rounds := 0
		got, err := Sequence(p, loading.Search{Seed: 1, Spent: func() float64 { rounds++; return float64(rounds) / 100 }})
		if err != nil {
			t.Fatal(err)
		}
		score, err := p.Evaluate(got.Plan)
		if err != nil || score.Cost != got.Cost {
			t.Fatalf("said %d, is %d, %v", got.Cost, score.Cost, err)
		}
		start, err := p.Solve(loading.Search{})
		if err != nil || got.Cost > start.Cost {
			t.Fatalf("%d is worse than the start %d, %v", got.Cost, start.Cost, err)
		}
	}
}

// millCase is a case of mill_small.json, made for this project: optima by an exact subset
// recursion that agreed with full enumeration, sequences evaluated again in a second language.
type millCase struct {
	Name     string
	Machines []struct{ Available int64 }
	Orders   []struct {
		Weight, Release, Due int64
		Minutes              []int64
	}
	Setup     [][][]int64
	SetupCost int64 `json:"setup_cost_per_minute"`
	Optimum   int64
}

func (c *millCase) problem() *loading.Problem {
	p := &loading.Problem{SetupCost: c.SetupCost, Setup: c.Setup}
	for _, o := range c.Orders {
		p.Release, p.Due, p.Weight = append(p.Release, o.Release), append(p.Due, o.Due), append(p.Weight, o.Weight)
	}
	for i, m := range c.Machines {
		p.Free = append(p.Free, m.Available)
		var row []int64
		for _, o := range c.Orders {
			row = append(row, o.Minutes[i]) // -1 is loading.Never too
		}
		p.Time = append(p.Time, row)
	}
	return p
}

func millCases(t testing.TB) []millCase {
	raw, err := os.ReadFile("../testdata/mill_small.json")
	if err != nil {
		t.Fatal(err)
	}
	var out []millCase
	if err := json.Unmarshal(raw, &out); err != nil {
		t.Fatal(err)
	}
	return out
}

// TestMillOptima: the search alone, without the exact solver, reaches every optimum and goes
// below none, whatever the seed.
func TestMillOptima(t *testing.T) {
	for _, c := range millCases(t) {
		for seed := range uint64(5) {
			s, ok := shopOf(c.problem())
			if !ok {
				t.Fatal(c.Name)
			}
			x := newSearch(begin(newLayout(s)), seed)
			n := x.run(16000, func(int, bool) bool { return x.bestCost > c.Optimum })
			if x.bestCost != c.Optimum {
				t.Errorf("%s, seed %d: %d after %d rounds, the optimum is %d", c.Name, seed, x.bestCost, n, c.Optimum)
			}
		}
	}
}

// BenchmarkMill prints how many of the 12 cases reach the optimum within 50 ms of processor
// time by the search alone.
func BenchmarkMill(b *testing.B) {
	for b.Loop() {
		reached := 0
		for _, c := range millCases(b) {
			s, _ := shopOf(c.problem())
			x, more := newSearch(begin(newLayout(s)), 1), cpuFor(0.05)
			x.run(1<<40, func(int, bool) bool { return x.bestCost > c.Optimum && more() })
			if x.bestCost == c.Optimum {
				reached++
			}
		}
		b.ReportMetric(float64(reached), "of_12_optimal")
	}
}
