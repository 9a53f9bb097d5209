package loading

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// rounds is a budget of so many looks, so that a test always does the same.
func rounds(n int) func() float64 {
	k := 0
	return func() float64 { k++; return float64(k-1) / float64(n) }
}

// drawn is a small problem of whole numbers.
func drawn(t *rapid.T, jobs, machines int) *Problem {
	whole := func(lo, hi int, name string) int64 { return int64(rapid.IntRange(lo, hi).Draw(t, name)) }
	p := &Problem{Goal: Goal(rapid.IntRange(0, 1).Draw(t, "goal")), SetupCost: whole(0, 2, "set-up cost")}
	keeps := rapid.Bool().Draw(t, "keeps")
	for j := range jobs {
		p.Release = append(p.Release, whole(0, 20, "release"))
		p.Due = append(p.Due, whole(0, 60, "due"))
		p.Weight = append(p.Weight, whole(0, 9, "weight"))
		if keeps {
			p.From, p.Move = append(p.From, rapid.IntRange(-1, machines-1).Draw(t, "from")), append(p.Move, whole(0, 30, "move"))
		}
		_ = j
	}
	for i := range machines {
		p.Free = append(p.Free, whole(0, 15, "free"))
		var times []int64
		for range jobs {
			v := whole(1, 20, "time")
			if i > 0 && rapid.IntRange(0, 4).Draw(t, "able") == 0 {
				v = Never
			}
			times = append(times, v)
		}
		p.Time = append(p.Time, times)
		var rows [][]int64
		for range jobs + 1 {
			rows = append(rows, rapid.SliceOfN(rapid.Int64Range(0, 9), jobs, jobs).Draw(t, "set-up"))
		}
		p.Setup = append(p.Setup, rows)
	}
	return p
}

// enumerate tries every plan: each job in turn at every place of every machine.
func enumerate(t *rapid.T, p *Problem) int64 {
	best := int64(math.MaxInt64)
	var place func(j int, plan Plan)
	place = func(j int, plan Plan) {
		if j == p.Jobs() {
			s, err := p.Evaluate(plan)
			if err != nil {
				t.Fatal(err)
			}
			best = min(best, s.Cost)
			return
		}
		for i := range plan {
			if p.Time[i][j] == Never {
				continue
			}
			for k := range len(plan[i]) + 1 {
				next := plan.Clone()
				next[i] = slices.Insert(next[i], k, j)
				place(j+1, next)
			}
		}
	}
	place(0, make(Plan, p.Machines()))
	return best
}

func TestExactIsExhaustive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t, rapid.IntRange(1, 5).Draw(t, "jobs"), rapid.IntRange(1, 3).Draw(t, "machines"))
		s, err := p.Solve(Search{})
		if err != nil {
			t.Fatal(err)
		}
		want := enumerate(t, p)
		if again, err := p.Evaluate(s.Plan); err != nil || again.Cost != s.Cost || s.Cost != want || !s.Proven {
			t.Fatalf("costs %d (evaluated %d, %v, proven %v), the best of all plans %d", s.Cost, again.Cost, err, s.Proven, want)
		}
		if b := p.Bound(); b > want {
			t.Fatalf("bound %d above the optimum %d", b, want)
		}
	})
}

// TestBoardAgrees: what the annealing believes a plan costs is what it costs, after
// any changes; and what a change was said to bring is what it brings.
func TestBoardAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t, rapid.IntRange(2, 14).Draw(t, "jobs"), rapid.IntRange(1, 4).Draw(t, "machines"))
		p.Goal = Tardiness
		b := newBoard(p, p.construct(1, 1))
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		for range 200 {
			c, ok := b.propose(rng)
			if !ok {
				continue
			}
			b.accept(c)
			now := make(Plan, len(b.lanes))
			for i := range b.lanes {
				now[i] = b.lanes[i].jobs
			}
			s, err := p.Evaluate(now)
			if err != nil || float64(s.Cost) != b.total {
				t.Fatalf("board %g, plan %d, %v", b.total, s.Cost, err)
			}
		}
	})
}

// TestChainAgrees: every move that the chain makes costs what it foresaw, since the
// sequence is laid anew after each; and its end is at a local optimum for exchanges
// of neighbours, by brute force.
func TestChainAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t, rapid.IntRange(3, 16).Draw(t, "jobs"), 1)
		p.Goal, p.From, p.Move = Tardiness, nil, nil
		p.Release = make([]int64, p.Jobs())
		c := newChain(p, 0)
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		c.seq = c.begin(1, 1)
		c.lay()
		for k := range 30 {
			i := rng.IntN(c.n - 1)
			j := i + 1 + rng.IntN(c.n-i-1)
			end := j + 1 + rng.IntN(c.n-j)
			want := slices.Clone(c.seq)
			want = slices.Concat(want[:i], want[j:end], want[i:j], want[end:])
			s, err := p.Evaluate(Plan{want})
			if err != nil {
				t.Fatal(err)
			}
			// The least over the ends up to this one, so each end is tried alone.
			c.begins(i)
			v, at := c.turned(i, j, end, math.MaxInt64/4)
			least := int64(math.MaxInt64)
			for e := j + 1; e <= end; e++ {
				x := slices.Concat(c.seq[:i], c.seq[j:e], c.seq[i:j], c.seq[e:])
				s, err := p.Evaluate(Plan{x})
				if err != nil {
					t.Fatal(err)
				}
				least = min(least, s.Cost)
			}
			if v != least || at == 0 {
				t.Fatalf("%d: blocks at %d, %d, up to %d: foreseen %d, least %d", k, i, j, end, v, least)
			}
			if i+2 < c.n {
				m := i + 2 + rng.IntN(c.n-i-2)
				x := slices.Clone(c.seq)
				x[i], x[m] = x[m], x[i]
				s, err := p.Evaluate(Plan{x})
				if err != nil {
					t.Fatal(err)
				}
				if v := c.swapped(i, m, math.MaxInt64/4); v != s.Cost {
					t.Fatalf("%d: places %d and %d: foreseen %d, is %d", k, i, m, v, s.Cost)
				}
			}
			c.turn(i, j, end)
			if c.lay(); c.cost != s.Cost {
				t.Fatalf("laid anew %d, evaluated %d", c.cost, s.Cost)
			}
		}
	})
}

// TestValleys: a crossing has every job once and a stretch of one parent, the others in the
// order of the other; the pool is in order of cost, without two of one cost, and keeps the best.
func TestValleys(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "jobs")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		a, b := rng.Perm(n), rng.Perm(n)
		out := cross(rng, a, b, nil)
		if all := slices.Sorted(slices.Values(out)); len(out) != n || all[0] != 0 || len(slices.Compact(all)) != n {
			t.Fatalf("%v and %v gave %v", a, b, out)
		}
		fits := false
		for lo := range n + 1 {
			for hi := lo; hi <= n && !fits; hi++ {
				others := slices.DeleteFunc(slices.Clone(b), func(j int) bool { return slices.Contains(a[lo:hi], j) })
				fits = hi-lo >= n/4 && slices.Equal(out, slices.Concat(others[:lo], a[lo:hi], others[lo:]))
			}
		}
		if !fits {
			t.Fatalf("%v and %v gave %v, which has no stretch of the first", a, b, out)
		}
		var pool []valley
		costs := rapid.SliceOfN(rapid.Int64Range(0, 40), 1, 60).Draw(t, "costs")
		for _, c := range costs {
			pool = keep(pool, valley{cost: c})
		}
		slices.Sort(costs)
		costs = slices.Compact(costs)
		costs = costs[:min(len(costs), poolSize)]
		if !slices.EqualFunc(pool, costs, func(v valley, c int64) bool { return v.cost == c }) {
			t.Fatalf("pool %v, expected costs %v", pool, costs)
		}
	})
}

func TestLineAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawn(t, rapid.IntRange(13, 20).Draw(t, "jobs"), 1)
		n := p.Jobs()
		p.Goal, p.From, p.Move, p.SetupCost, p.Free, p.Release = Tardiness, nil, nil, 0, []int64{0}, make([]int64, n)
		none := make([]int64, n)
		for b := range p.Setup[0] {
			p.Setup[0][b] = none
		}
		l := newLine(p, 0)
		l.seq = l.start(1)
		for l.lay(); ; {
			foreseen := l.cost
			if more := l.sweep(); !more {
				break
			}
			foreseen += l.best[n]
			s, err := p.Evaluate(Plan{l.seq})
			if err != nil || s.Cost != l.cost || s.Cost != foreseen {
				t.Fatalf("sweep says %d, lays %d, evaluated %d, %v", foreseen, l.cost, s.Cost, err)
			}
		}
		for i := range n {
			for j := i + 1; j < n; j++ {
				x := slices.Clone(l.seq)
				x[i], x[j] = x[j], x[i]
				if s, err := p.Evaluate(Plan{x}); err != nil || s.Cost < l.cost {
					t.Fatalf("places %d and %d changed cost %d, the end of the descent %d, %v", i, j, s.Cost, l.cost, err)
				}
			}
		}
	})
}

func TestSameSeedSamePlan(t *testing.T) {
	p := plant(3, 6, 40)
	var first Solution
	for k := range 3 {
		s, err := p.Solve(Search{Seed: 5, Spent: rounds(300)})
		if err != nil {
			t.Fatal(err)
		}
		if k == 0 {
			first = s
		} else if s.Cost != first.Cost || !slices.EqualFunc(s.Plan, first.Plan, slices.Equal) {
			t.Fatalf("run %d costs %d, the first %d", k, s.Cost, first.Cost)
		}
	}
}

func TestSearchTellsBetterPlans(t *testing.T) {
	p := plant(4, 5, 40)
	last := int64(math.MaxInt64)
	told := 0
	s, err := p.Solve(Search{Seed: 1, Spent: rounds(400), Better: func(plan Plan, cost int64) {
		score, err := p.Evaluate(plan)
		if err != nil || score.Cost != cost || cost >= last {
			t.Errorf("told %d after %d, evaluated %d, %v", cost, last, score.Cost, err)
		}
		last = cost
		told++
	}})
	if err != nil || s.Cost != last || told < 2 {
		t.Errorf("%d plans told, the last costs %d, the solution %d, %v", told, last, s.Cost, err)
	}
}

func TestRefuses(t *testing.T) {
	good := func() *Problem { return plant(1, 2, 14) }
	for name, spoil := range map[string]func(p *Problem){
		"no machine can":   func(p *Problem) { p.Time[0][3], p.Time[1][3] = Never, Never },
		"negative set-up":  func(p *Problem) { p.Setup[1][4][2] = -1 },
		"short set-up row": func(p *Problem) { p.Setup[1][4] = p.Setup[1][4][:3] },
		"no weights":       func(p *Problem) { p.Weight = nil },
		"huge time":        func(p *Problem) { p.Time[0][0] = 1 << 50 },
		"negative release": func(p *Problem) { p.Release[1] = -4 },
		"no free times":    func(p *Problem) { p.Free = nil },
	} {
		p := good()
		spoil(p)
		if _, err := p.Solve(Search{}); !errors.Is(err, ErrProblem) {
			t.Errorf("%s: %v", name, err)
		}
	}
	p := good()
	for name, start := range map[string]Plan{
		"one machine": {{0}}, "a job twice": {{0, 0}, {}}, "jobs left out": {{0}, {1}}, "an unknown job": {{0, 99}, {}},
	} {
		if _, err := p.Solve(Search{Start: start}); !errors.Is(err, ErrProblem) {
			t.Errorf("start with %s: %v", name, err)
		}
	}
	if s, err := (&Problem{}).Solve(Search{}); err != nil || s.Cost != 0 || !s.Proven {
		t.Errorf("nothing to plan: %+v, %v", s, err)
	}
}
