package creel

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func hall(a, b string) float64 { return math.Abs(float64(a[0]) - float64(b[0])) }

func drawCalls(t *rapid.T, n int) []Call {
	calls := make([]Call, n)
	for i := range calls {
		open := float64(rapid.IntRange(0, 40).Draw(t, "open"))
		calls[i] = Call{
			ID: string(rune('a' + i)), Machine: string(rune('A' + rapid.IntRange(0, 5).Draw(t, "machine"))),
			Open: open, Latest: open + float64(rapid.IntRange(0, 30).Draw(t, "span")),
			Work: float64(rapid.IntRange(1, 15).Draw(t, "work")), LateCost: float64(rapid.IntRange(0, 5).Draw(t, "cost")),
		}
	}
	return calls
}

// bestByHand tries every order and every tender, with its own evaluation.
func bestByHand(calls []Call, tenders []Tender, walkCost float64) float64 {
	type state struct {
		now float64
		at  string
	}
	states := make([]state, len(tenders))
	for i, p := range tenders {
		states[i] = state{p.Free, p.At}
	}
	done := make([]bool, len(calls))
	var rec func(left int) float64
	rec = func(left int) float64 {
		if left == 0 {
			return 0
		}
		best := math.Inf(1)
		for i, c := range calls {
			if done[i] {
				continue
			}
			for t, p := range tenders {
				if len(p.Machines) > 0 && !slices.Contains(p.Machines, c.Machine) {
					continue
				}
				old := states[t]
				d := hall(old.at, c.Machine)
				start := math.Max(old.now+d, c.Open)
				done[i], states[t] = true, state{start + c.Work, c.Machine}
				best = math.Min(best, rec(left-1)+walkCost*d+c.LateCost*math.Max(0, start-c.Latest))
				done[i], states[t] = false, old
			}
		}
		return best
	}
	return rec(len(calls))
}

func TestRoutesAgainstAllOrders(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		calls := drawCalls(t, rapid.IntRange(1, 5).Draw(t, "calls"))
		tenders := []Tender{{Name: "1", At: "A"}}
		if rapid.Bool().Draw(t, "two") {
			tenders = append(tenders, Tender{Name: "2", At: "F", Free: 3, Machines: []string{"C", "D", "E", "F"}})
		}
		f := Floor{Walk: hall, WalkCost: 0.5}
		routes, exact, err := Routes(calls, tenders, f)
		if err != nil || !exact {
			t.Fatal(exact, err)
		}
		got, seen := 0.0, map[int]bool{}
		for _, r := range routes {
			got += r.Cost
			for _, s := range r.Stops {
				if seen[s.Call] {
					t.Fatalf("call %d twice", s.Call)
				}
				seen[s.Call] = true
			}
		}
		if want := bestByHand(calls, tenders, 0.5); len(seen) != len(calls) || math.Abs(got-want) > 1e-9 {
			t.Fatalf("%d of %d calls for %g, the best of all orders costs %g", len(seen), len(calls), got, want)
		}
	})
}

// The local search on 11 calls and two tenders against the exact routes.
func TestSearchNearExact(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	var found, best, worst float64
	for range 25 {
		calls := make([]Call, 11)
		for i := range calls {
			open := 60 * r.Float64()
			calls[i] = Call{Machine: string(rune('A' + r.IntN(14))), Open: open, Latest: open + 25*r.Float64(), Work: 3 + 12*r.Float64(), LateCost: 1 + 3*r.Float64()}
		}
		w, err := newWalk(calls, []Tender{{Name: "1", At: "A"}, {Name: "2", At: "N"}}, Floor{Walk: hall, WalkCost: 0.3})
		if err != nil {
			t.Fatal(err)
		}
		sum := func(orders [][]int) float64 { return w.cost(0, orders[0]) + w.cost(1, orders[1]) }
		a, b := sum(w.kick(w.insertAll())), sum(w.exact())
		if a < b-1e-9 {
			t.Fatalf("search finds %g below the exact %g", a, b)
		}
		found, best, worst = found+a, best+b, max(worst, a/b-1)
	}
	t.Logf("search costs %.2f %% more than exact over all, worst case %.2f %%", 100*(found/best-1), 100*worst)
	if found/best > 1.03 {
		t.Errorf("search costs %.2f %% more than exact", 100*(found/best-1))
	}
}

func TestTakenCallsStay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		calls := drawCalls(t, rapid.IntRange(2, 18).Draw(t, "calls"))
		for i := range calls {
			if rapid.IntRange(0, 3).Draw(t, "taken") == 0 {
				calls[i].Taken = []string{"1", "2"}[i%2]
			}
		}
		routes, _, err := Routes(calls, []Tender{{Name: "1", At: "A"}, {Name: "2", At: "F"}}, Floor{Walk: hall})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, r := range routes {
			open := false
			for _, s := range r.Stops {
				n++
				c := calls[s.Call]
				if c.Taken != "" && (c.Taken != r.Tender || open) {
					t.Fatalf("taken call %+v on route of %s, behind others: %v", c, r.Tender, open)
				}
				open = open || c.Taken == ""
			}
		}
		if n != len(calls) {
			t.Fatalf("%d of %d calls on routes", n, len(calls))
		}
	})
}

func TestFold(t *testing.T) {
	calls := []Call{
		{ID: "cones", Machine: "A", Open: 0, Latest: 20, Work: 10, Fetch: []Fetch{{"L-1", 90}}},
		{ID: "doff", Machine: "A", Open: 15, Latest: 15, Work: 4},
		{ID: "tie", Machine: "A", Open: 16, Latest: 30, Work: 5, Fetch: []Fetch{{"L-1", 6}}},
		{ID: "other", Machine: "B", Open: 0, Latest: 20, Work: 1},
	}
	got := Fold(calls)
	if len(got) != 3 || got[0].Work != 14 || got[0].Open != 15 || got[0].Latest != 15 || !slices.Equal(got[0].Parts, []string{"doff", "cones"}) {
		t.Errorf("folded to %+v", got)
	}
	if calls[0].Fetch[0].Cones != 90 {
		t.Error("folding has changed its input")
	}
	routes, _, err := Routes(got, []Tender{{Name: "1"}}, Floor{})
	if err != nil {
		t.Fatal(err)
	}
	if l := FetchList(got, routes, 60); len(l) != 1 || l[0] != (Fetch{"L-1", 96}) {
		t.Errorf("to fetch: %v", l)
	}
}

// No call is left out by folding, none gets a time outside its own, and the number of
// visits of one machine is the largest number of pairwise apart calls (a clique cover of intervals).
func TestFoldIsFewest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		calls := drawCalls(t, rapid.IntRange(1, 9).Draw(t, "calls"))
		for i := range calls {
			calls[i].Machine = "A"
		}
		folded := Fold(calls)
		most := 0
		for set := range 1 << len(calls) {
			apart, n := true, 0
			for i := range calls {
				if set>>i&1 == 0 {
					continue
				}
				n++
				for j := range i {
					if set>>j&1 == 1 && calls[i].Open <= calls[j].Latest && calls[j].Open <= calls[i].Latest {
						apart = false
					}
				}
			}
			if apart {
				most = max(most, n)
			}
		}
		if len(folded) != most {
			t.Fatalf("%d visits, want %d", len(folded), most)
		}
		for _, f := range folded {
			for _, id := range f.Parts {
				c := calls[id[0]-'a']
				if f.Open > f.Latest || f.Open < c.Open || f.Latest > c.Latest {
					t.Fatalf("visit %+v is outside call %+v", f, c)
				}
			}
		}
	})
}

func TestSplitIsNeverWorse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		calls := drawCalls(t, rapid.IntRange(2, 10).Draw(t, "calls"))
		tenders := []Tender{{Name: "1", At: "A", Machines: []string{"A", "B", "C"}}, {Name: "2", At: "F", Machines: []string{"D", "E", "F"}}}
		sets, before, after, err := Split(calls, tenders, Floor{Walk: hall, WalkCost: 0.5})
		if err != nil {
			t.Fatal(err)
		}
		all := slices.Sorted(slices.Values(slices.Concat(sets...)))
		if !slices.Equal(all, []string{"A", "B", "C", "D", "E", "F"}) {
			t.Fatalf("the sets hold %v", all)
		}
		sum := func(rs []Route) (c float64) {
			for _, r := range rs {
				c += r.Cost
			}
			return c
		}
		if sum(after) > sum(before)+1e-9 {
			t.Fatalf("worse: %g after %g", sum(after), sum(before))
		}
	})
}

func TestTwoMachinesWaitForOne(t *testing.T) {
	calls := []Call{{Machine: "A", Latest: 0, Work: 10, LateCost: 1}, {Machine: "B", Latest: 0, Work: 10, LateCost: 1}, {Machine: "C", Latest: 0, Work: 10, LateCost: 1}}
	routes, _, err := Routes(calls, []Tender{{Name: "1"}}, Floor{})
	if err != nil {
		t.Fatal(err)
	}
	// The first is served at once; the others stand to 20 and 30, both to 20.
	if r := routes[0]; r.Late != 30 || r.Both != 20 {
		t.Errorf("late %g, both %g, want 30 and 20", r.Late, r.Both)
	}
	if n := Fewest([][2]float64{{0, 10}, {0, 10}, {10, 20}, {5, 12}}); n != 3 {
		t.Errorf("fewest tenders %d, want 3", n)
	}
}

func TestRoutesRefuse(t *testing.T) {
	for _, x := range []struct {
		c  Call
		ts []Tender
	}{
		{Call{Machine: "A"}, nil},
		{Call{Machine: "A"}, []Tender{{Machines: []string{"B"}}}},
		{Call{Machine: "A", Work: -1}, []Tender{{}}},
		{Call{Machine: "A", Latest: math.NaN()}, []Tender{{}}},
		{Call{Machine: "A", Taken: "2"}, []Tender{{Name: "1"}}},
	} {
		if _, _, err := Routes([]Call{x.c}, x.ts, Floor{}); err == nil {
			t.Errorf("%+v with %v is accepted", x.c, x.ts)
		}
	}
}

func BenchmarkRoutes60(b *testing.B) {
	r := rand.New(rand.NewPCG(5, 6))
	calls := make([]Call, 60)
	for i := range calls {
		open := 480 * r.Float64()
		calls[i] = Call{Machine: string(rune('A' + r.IntN(14))), Open: open, Latest: open + 40*r.Float64(), Work: 3 + 8*r.Float64(), LateCost: 1}
	}
	for b.Loop() {
		if _, _, err := Routes(calls, []Tender{{Name: "1", At: "A"}, {Name: "2", At: "N"}}, Floor{Walk: hall, WalkCost: 0.3}); err != nil {
			b.Fatal(err)
		}
	}
}
