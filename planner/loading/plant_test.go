package loading

import (
	"flag"
	"math/rand/v2"
	"testing"
	"time"
)

// plant draws a mill: machines of some groups, orders of yarn families and
// stitch lengths that only some groups can knit, set-ups by what differs, due dates over
// the time that the work takes. Minutes.
func plant(seed uint64, machines, orders int) *Problem {
	rng := rand.New(rand.NewPCG(seed, 9))
	type kind struct{ group, family, stitch int }
	groups := max(machines/10, 1)
	kinds := make([]kind, orders)
	p := &Problem{SetupCost: 1, Time: make([][]int64, machines), Setup: make([][][]int64, machines), Free: make([]int64, machines)}
	var work int64
	size := make([]int64, orders)
	for j := range orders {
		kinds[j] = kind{rng.IntN(groups), rng.IntN(8), rng.IntN(5)}
		size[j] = 300 + int64(rng.IntN(2700))
		work += size[j]
	}
	span := work / int64(machines)
	for j := range orders {
		release := int64(0)
		if rng.IntN(3) == 0 {
			release = rng.Int64N(span/2 + 1)
		}
		p.Release = append(p.Release, release)
		p.Due = append(p.Due, release+size[j]+rng.Int64N(span))
		p.Weight = append(p.Weight, 1+rng.Int64N(9))
	}
	between := func(a, b kind) int64 {
		s := int64(0)
		if a.family != b.family {
			s += 60 + 10*int64((a.family+b.family)%4)
		}
		if a.stitch != b.stitch {
			s += 30
		}
		return s
	}
	for i := range machines {
		p.Free[i] = rng.Int64N(600)
		speed := 0.8 + 0.4*rng.Float64()
		live := kind{i % groups, rng.IntN(8), rng.IntN(5)}
		rows := make([][]int64, orders+1)
		for b := range rows {
			rows[b] = make([]int64, orders)
			for j := range orders {
				from := live
				if b > 0 {
					from = kinds[b-1]
				}
				rows[b][j] = between(from, kinds[j])
			}
		}
		p.Setup[i] = rows
		for j := range orders {
			t := Never
			if d := kinds[j].group - i%groups; d == 0 || d == 1 && j%3 == 0 || groups == 1 {
				t = int64(float64(size[j]) / speed)
			}
			p.Time[i] = append(p.Time[i], t)
		}
	}
	return p
}

var longRun = flag.Duration("plant.long", 0, "also run the plant that long, to compare with")

// BenchmarkPlant re-plans 60 machines and 400 orders within 500 ms of the clock, and
// prints what that brought against the constructed start, against a longer run,
// and how many orders change machine when only the clock moves.
func BenchmarkPlant(b *testing.B) {
	p := plant(1, 60, 400)
	within := func(d time.Duration) func() float64 {
		began := time.Now()
		return func() float64 { return float64(time.Since(began)) / float64(d) }
	}
	start, err := p.Solve(Search{Seed: 1})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		s, err := p.Solve(Search{Seed: 1, Spent: within(500 * time.Millisecond)})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(100*(1-float64(s.Cost)/float64(start.Cost)), "%below_start")
		if *longRun == 0 {
			continue
		}
		l, err := p.Solve(Search{Seed: 1, Spent: within(*longRun)})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(100*(float64(s.Cost)/float64(l.Cost)-1), "%cold_above_long")
		warm, err := p.Solve(Search{Seed: 3, Start: l.Plan, Spent: within(500 * time.Millisecond)})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(100*(float64(warm.Cost)/float64(l.Cost)-1), "%warm_above_long")
		b.ReportMetric(100*float64(clockMoved(b, p, warm.Plan, within))/float64(p.Jobs()), "%moved")
	}
}

// clockMoved counts the orders that change machine when every machine is free ten
// minutes later than thought and nothing else is new.
func clockMoved(b *testing.B, p *Problem, plan Plan, within func(time.Duration) func() float64) int {
	keep := *p
	keep.From, keep.Move = make([]int, p.Jobs()), make([]int64, p.Jobs())
	for i, jobs := range plan {
		for _, j := range jobs {
			keep.From[j], keep.Move[j] = i, 100
		}
	}
	keep.Free = append([]int64{}, p.Free...)
	for i := range keep.Free {
		keep.Free[i] += 10
	}
	again, err := keep.Solve(Search{Seed: 2, Start: plan, Spent: within(500 * time.Millisecond)})
	if err != nil {
		b.Fatal(err)
	}
	moved := 0
	for i, jobs := range again.Plan {
		for _, j := range jobs {
			if keep.From[j] != i {
				moved++
			}
		}
	}
	return moved
}
