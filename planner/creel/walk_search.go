package creel

import (
	"cmp"
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
)

// mark is a partial walk: it ends at a call at a time, with a cost.
type mark struct {
	now, cost float64
	before    int32 // mark that it continues, -1 for none
	call      int32
}

// table is, for one tender, the cheapest walk over each subset of calls.
type table struct {
	marks []mark
	best  []int32 // by subset: mark, -1 when he cannot serve it
}

// exact solves each tender over all subsets, keeping for each (subset, last call)
// the walks that no other beats in both time and cost: what comes after depends on
// these alone and never gains by a later start. Then subsets are dealt out.
func (w *walk) exact() [][]int {
	n := len(w.calls)
	all := 1<<n - 1
	tables := make([]table, len(w.tenders))
	for t := range w.tenders {
		tables[t] = w.subsets(t)
	}
	cost := func(t, s int) float64 {
		if s == 0 {
			return 0
		}
		if m := tables[t].best[s]; m >= 0 {
			return tables[t].marks[m].cost
		}
		return math.Inf(1)
	}
	best := make([][]float64, len(w.tenders)+1)
	part := make([][]int, len(w.tenders))
	best[0] = make([]float64, all+1)
	for s := 1; s <= all; s++ {
		best[0][s] = math.Inf(1)
	}
	for t := range w.tenders {
		best[t+1], part[t] = make([]float64, all+1), make([]int, all+1)
		for s := 0; s <= all; s++ {
			best[t+1][s] = math.Inf(1)
			for own := s; ; own = (own - 1) & s {
				if v := best[t][s&^own] + cost(t, own); v < best[t+1][s] {
					best[t+1][s], part[t][s] = v, own
				}
				if own == 0 {
					break
				}
			}
		}
	}
	orders := make([][]int, len(w.tenders))
	for t, s := len(w.tenders)-1, all; t >= 0; t-- {
		own := part[t][s]
		if own != 0 {
			for m := tables[t].best[own]; m >= 0; m = tables[t].marks[m].before {
				orders[t] = append(orders[t], int(tables[t].marks[m].call))
			}
			slices.Reverse(orders[t])
		}
		s &^= own
	}
	return orders
}

func (w *walk) subsets(t int) table {
	n := len(w.calls)
	tab := table{best: make([]int32, 1<<n)}
	fronts := make([][][]int32, 1<<n) // by subset, last call: marks
	var able, taken int
	for i := range n {
		if w.serves[t][i] {
			able |= 1 << i
			if w.calls[i].Taken != "" {
				taken |= 1 << i
			}
		}
	}
	add := func(s, i int, m mark) {
		if fronts[s] == nil {
			fronts[s] = make([][]int32, n)
		}
		front := fronts[s][i]
		for _, k := range front {
			if o := tab.marks[k]; o.now <= m.now && o.cost <= m.cost {
				return
			}
		}
		front = slices.DeleteFunc(front, func(k int32) bool { o := tab.marks[k]; return m.now <= o.now && m.cost <= o.cost })
		tab.marks = append(tab.marks, m)
		fronts[s][i] = append(front, int32(len(tab.marks)-1))
	}
	next := func(s int) int { // calls that may come after the subset
		if open := taken &^ s; open != 0 {
			return open
		}
		return able &^ s
	}
	for rest := next(0); rest != 0; rest &= rest - 1 {
		i := bits.TrailingZeros(uint(rest))
		end, c := w.step(t, -1, i, w.tenders[t].Free)
		add(1<<i, i, mark{end, c, -1, int32(i)})
	}
	for s := range fronts {
		tab.best[s] = -1
		if fronts[s] == nil {
			continue
		}
		for last, front := range fronts[s] {
			for _, k := range front {
				m := tab.marks[k]
				if b := tab.best[s]; b < 0 || m.cost < tab.marks[b].cost {
					tab.best[s] = k
				}
				for rest := next(s); rest != 0; rest &= rest - 1 {
					i := bits.TrailingZeros(uint(rest))
					end, c := w.step(t, last, i, m.now)
					add(s|1<<i, i, mark{end, m.cost + c, k, int32(i)})
				}
			}
		}
	}
	return tab
}

// insertAll starts with each call, soonest loss first, at its cheapest place.
func (w *walk) insertAll() [][]int {
	order := make([]int, len(w.calls))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(w.calls[a].Latest, w.calls[b].Latest) })
	orders := make([][]int, len(w.tenders))
	costs := make([]float64, len(w.tenders))
	for _, i := range order {
		w.insert(orders, costs, i, 12)
	}
	return orders
}

// insert puts call i where it adds least, at one of the last reach places of a route.
func (w *walk) insert(orders [][]int, costs []float64, i, reach int) {
	bestT, bestAt, bestCost, bestGain := -1, 0, 0.0, math.Inf(1)
	for t := range w.tenders {
		if !w.serves[t][i] {
			continue
		}
		n := len(orders[t])
		for at := max(0, n-reach); at <= n; at++ {
			c := w.cost(t, slices.Insert(slices.Clone(orders[t]), at, i))
			if g := c - costs[t]; g < bestGain {
				bestT, bestAt, bestCost, bestGain = t, at, c, g
			}
		}
	}
	if bestT < 0 { // a taken call behind others within reach: it goes to the front
		bestT = slices.IndexFunc(w.serves, func(s []bool) bool { return s[i] })
		bestCost = w.cost(bestT, slices.Insert(slices.Clone(orders[bestT]), 0, i))
	}
	orders[bestT] = slices.Insert(orders[bestT], bestAt, i)
	costs[bestT] = bestCost
}

// kick takes a few calls at random out of all routes and puts each back at its cheapest place,
// keeping what gains: it leaves the local optima of search. Same calls, same routes.
func (w *walk) kick(orders [][]int) [][]int {
	const kicks = 400
	r := rand.New(rand.NewPCG(uint64(len(w.calls)), 1))
	orders = w.search(orders)
	total := func(costs []float64) (sum float64) {
		for _, c := range costs {
			sum += c
		}
		return sum
	}
	costs := make([]float64, len(orders))
	for t := range orders {
		costs[t] = w.cost(t, orders[t])
	}
	for range kicks {
		out := r.Perm(len(w.calls))[:min(len(w.calls), 2+r.IntN(4))]
		trial, trialCosts := make([][]int, len(orders)), make([]float64, len(orders))
		for t := range orders {
			trial[t] = slices.DeleteFunc(slices.Clone(orders[t]), func(i int) bool { return slices.Contains(out, i) })
			trialCosts[t] = w.cost(t, trial[t])
		}
		for _, i := range out {
			w.insert(trial, trialCosts, i, len(w.calls))
		}
		if total(trialCosts) <= total(costs)+1e-9 {
			orders, costs = trial, trialCosts
		}
	}
	return w.search(orders)
}

// search moves blocks of one to three calls, in one route or to another, and swaps
// tails, while that gains; at most so many passes.
func (w *walk) search(orders [][]int) [][]int {
	const passes, window = 40, 25
	costs := make([]float64, len(orders))
	for t := range orders {
		costs[t] = w.cost(t, orders[t])
	}
	for range passes {
		better := false
		for a := range orders {
			for length := 1; length <= 3; length++ {
				for i := 0; i+length <= len(orders[a]); i++ {
					better = w.moveBlock(orders, costs, a, i, length, window) || better
				}
			}
			for b := a + 1; b < len(orders); b++ {
				better = w.swapTails(orders, costs, a, b, window) || better
			}
		}
		if !better {
			break
		}
	}
	return orders
}

func (w *walk) moveBlock(orders [][]int, costs []float64, a, i, length, window int) bool {
	block := slices.Clone(orders[a][i : i+length])
	rest := slices.Delete(slices.Clone(orders[a]), i, i+length)
	without := w.cost(a, rest)
	for b := range orders {
		if slices.ContainsFunc(block, func(c int) bool { return !w.serves[b][c] }) {
			continue
		}
		target, old := orders[b], costs[a]+costs[b]
		if a == b {
			target, old = rest, costs[a]
		}
		for at := max(0, i-window); at <= min(len(target), i+window); at++ {
			if a == b && at == i {
				continue
			}
			grown := slices.Insert(slices.Clone(target), at, block...)
			c := w.cost(b, grown)
			whole := c
			if a != b {
				whole += without
			}
			if whole < old-1e-9 {
				if a != b {
					orders[a], costs[a] = rest, without
				}
				orders[b], costs[b] = grown, c
				return true
			}
		}
	}
	return false
}

func (w *walk) swapTails(orders [][]int, costs []float64, a, b, window int) bool {
	able := func(t int, calls []int) bool {
		return !slices.ContainsFunc(calls, func(c int) bool { return !w.serves[t][c] })
	}
	for i := 0; i <= len(orders[a]); i++ {
		for j := max(0, i-window); j <= min(len(orders[b]), i+window); j++ {
			if !able(b, orders[a][i:]) || !able(a, orders[b][j:]) {
				continue
			}
			x := slices.Concat(orders[a][:i], orders[b][j:])
			y := slices.Concat(orders[b][:j], orders[a][i:])
			if cx, cy := w.cost(a, x), w.cost(b, y); cx+cy < costs[a]+costs[b]-1e-9 {
				orders[a], orders[b], costs[a], costs[b] = x, y, cx, cy
				return true
			}
		}
	}
	return false
}

// Split proposes which machines each tender should have, so that the calls cost
// least: machines are moved and swapped from the present sets while that gains. It
// gives the sets and the routes before and after.
func Split(calls []Call, tenders []Tender, f Floor) (sets [][]string, before, after []Route, err error) {
	before, _, err = Routes(calls, tenders, f)
	if err != nil {
		return nil, nil, nil, err
	}
	whole, err := newWalk(calls, tenders, f)
	if err != nil {
		return nil, nil, nil, err
	}
	var machines []string
	owner := map[string]int{}
	for t, r := range before {
		for _, s := range r.Stops {
			m := calls[s.Call].Machine
			if _, known := owner[m]; !known {
				machines = append(machines, m)
				owner[m] = t
			}
		}
	}
	for t, p := range tenders {
		for _, m := range p.Machines {
			if _, known := owner[m]; !known {
				machines = append(machines, m)
				owner[m] = t
			}
		}
	}
	slices.Sort(machines)
	costs, late := make([]float64, len(tenders)), make([]bool, len(tenders))
	alone := func(t int) float64 {
		r := whole.alone(t, owner, false)
		late[t] = r.Late > 0
		return r.Cost
	}
	for t := range tenders {
		costs[t] = alone(t)
	}
	try := func(a, b int, change, back func()) bool {
		if !late[a] && !late[b] {
			return false // walking alone is no reason to change a share
		}
		lateA, lateB := late[a], late[b]
		change()
		ca, cb := alone(a), alone(b)
		if ca+cb < costs[a]+costs[b]-1e-9 {
			costs[a], costs[b] = ca, cb
			return true
		}
		back()
		late[a], late[b] = lateA, lateB
		return false
	}
	for better := true; better; {
		better = false
		for i, m := range machines {
			for t := range tenders {
				if a := owner[m]; a != t {
					better = try(a, t, func() { owner[m] = t }, func() { owner[m] = a }) || better
				}
			}
			for _, o := range machines[i+1:] {
				if a, b := owner[m], owner[o]; a != b {
					better = try(a, b, func() { owner[m], owner[o] = b, a }, func() { owner[m], owner[o] = a, b }) || better
				}
			}
		}
	}
	sets = make([][]string, len(tenders))
	for _, m := range machines {
		sets[owner[m]] = append(sets[owner[m]], m)
	}
	for t := range tenders {
		after = append(after, whole.alone(t, owner, true))
	}
	sum := func(rs []Route) (c float64) {
		for _, r := range rs {
			c += r.Cost
		}
		return c
	}
	if sum(after) >= sum(before)-1e-9 && !slices.ContainsFunc(tenders, func(t Tender) bool { return len(t.Machines) == 0 }) {
		sets = nil
		for _, t := range tenders {
			sets = append(sets, slices.Clone(t.Machines))
		}
		after = before
	}
	return sets, before, after, nil
}

// alone routes the calls of a tender's machines, as if nobody else were there. Without care it
// puts the calls in by rising end and leaves it at that: it is asked often.
func (w *walk) alone(t int, owner map[string]int, care bool) Route {
	var at []int
	for i, c := range w.calls {
		mine := owner[c.Machine] == t
		if c.Taken != "" {
			mine = c.Taken == w.tenders[t].Name
		}
		if mine {
			at = append(at, i)
		}
	}
	own := &walk{tenders: w.tenders[t : t+1], floor: w.floor, serves: [][]bool{make([]bool, len(at))}, from: [][]float64{make([]float64, len(at))}}
	for k, i := range at {
		row := make([]float64, len(at))
		for l, j := range at {
			row[l] = w.between[i][j]
		}
		own.calls, own.between = append(own.calls, w.calls[i]), append(own.between, row)
		own.serves[0][k], own.from[0][k] = true, w.from[t][i]
	}
	var order []int
	switch {
	case len(at) <= 5 || care && len(at) <= exactCalls:
		order = own.exact()[0]
	case care:
		order = own.kick(own.insertAll())[0]
	default:
		order = own.insertAll()[0]
	}
	r := own.route(0, order)
	for i := range r.Stops {
		r.Stops[i].Call = at[r.Stops[i].Call]
	}
	return r
}
