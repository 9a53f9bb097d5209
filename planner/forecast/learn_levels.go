package forecast

import (
	"maps"
	"math"
	"slices"
)

const (
	usualClass, usualClassError = 0.02, 0.10 // squared relative spread between kinds of shifts
	// tideShape is the gamma shape of a level between two changes: changes by a third
	// are usual.
	tideShape = 8.0
	// changeCost is minus the logarithm of the chance that a shift brings a change
	// which strikes all machines: about once in a hundred and fifty shifts.
	changeCost = 5.0
	// tideShifts are looked at for changes, the newest; what is older has the level of
	// the oldest of them.
	tideShifts = 60
	maxClass   = 24
	// leastTideShifts must be known, a day and more: in fewer, a night that begins
	// looks like a change.
	leastTideShifts = 5
)

// commonLevels are the factors that all machines share at a time.
type commonLevels struct {
	class map[int]float64
	// tide holds the level of each shift from first on; a later one has the last.
	tide  map[int]float64
	first int
	last  int
	// changes are the shifts from which on the tide is another.
	changes []int
}

// level of a shift against the usual; a shift of 0 is of the usual.
func (f *Fleet) level(class, shift int) float64 {
	level := 1.0
	if k, ok := f.levels.class[class]; ok {
		level = k
	}
	if shift > 0 && len(f.levels.tide) > 0 {
		if tide, ok := f.levels.tide[min(max(shift, f.levels.first), f.levels.last)]; ok {
			level *= tide
		}
	}
	return level
}

// tideNow is the level in force.
func (f *Fleet) tideNow() float64 {
	if len(f.levels.tide) == 0 {
		return 1
	}
	return f.levels.tide[f.levels.last]
}

// Changes gives the shifts from which on all machines stop more or less often than
// before, oldest first: a forecast made before one and ended after it says nothing of
// how good forecasts are.
func (f *Fleet) Changes() []int { return slices.Clone(f.levels.changes) }

// shared sums what the machines did in one class or shift. Noise is the variance of
// count, in which orders have their part.
type shared struct{ count, expected, noise float64 }

// sift gives the sums as a Poisson count would tell them.
func (s shared) sift() (x, e float64) {
	if !(s.noise > 0) {
		return 0, 0
	}
	w := min(s.expected/s.noise, 1)
	return w * s.count, w * s.expected
}

// fitLevels estimates the levels; false if the histories tell neither class nor shift.
// The classes come first: a tide fitted to nights that no class explains yet would
// be a change at every dusk and dawn, and leave nothing to the class.
func (f *Fleet) fitLevels(all [][]tally) bool {
	classes := f.levelSums(all, func(p piece) (int, float64, float64) {
		return p.class, p.weight, p.weight * f.level(0, p.shift)
	})
	f.fitClasses(classes)
	shifts := f.levelSums(all, func(p piece) (int, float64, float64) {
		return p.shift, 1, f.level(p.class, 0)
	})
	f.fitTide(shifts)
	return len(classes) > 1 || len(shifts) > 1
}

// levelSums sums the pieces by a number that of tells, with the weights of its count
// and of what was expected; the number 0 is not known.
func (f *Fleet) levelSums(all [][]tally, of func(piece) (number int, count, expected float64)) map[int]*shared {
	type cell struct{ order, number int }
	sums := map[int]*shared{}
	for i, h := range f.histories {
		factor := f.roughFactor(all[i])
		rate := 0.0
		for c := range f.causes {
			rate += f.base(h.group, c)
		}
		cells := map[cell]float64{}
		for _, p := range h.pieces {
			number, count, expected := of(p)
			if number == 0 {
				continue
			}
			var x float64
			for _, n := range p.counts {
				x += n
			}
			x, e := x*count, factor*rate*p.minutes*expected
			if sums[number] == nil {
				sums[number] = &shared{}
			}
			s := sums[number]
			s.count, s.expected = s.count+x, s.expected+e
			// What an order brings to one number varies together.
			before := cells[cell{p.order, number}]
			cells[cell{p.order, number}] += e
			s.noise += e + f.spread.order*e*(2*before+e)
		}
	}
	return sums
}

// roughFactor is the factor of a machine, all causes alike.
func (f *Fleet) roughFactor(orders []tally) float64 {
	var x, e, spread float64
	for _, o := range orders {
		for c := range o.count {
			x, e = x+o.count[c], e+o.expected[c]
			spread += o.expected[c] * f.spread.own[c]
		}
	}
	if !(e > 0) {
		return 1
	}
	shape := 1 / max(f.spread.machine+spread/e/2, least)
	return (shape + x) / (shape + e)
}

func (f *Fleet) fitClasses(classes map[int]*shared) {
	f.levels.class = nil
	if len(classes) < 2 {
		return
	}
	numbers := slices.Sorted(maps.Keys(classes))
	var common pairs
	for _, k := range numbers {
		x, e := classes[k].sift()
		common.add((x-e)*(x-e)-e, e*e)
	}
	v, err := common.value(float64(len(classes)))
	v, _ = between(v, err, usualClass, usualClassError*usualClassError)
	shape := 1 / min(max(v, least), most)
	level := map[int]float64{}
	var sum, weight float64
	for _, k := range numbers {
		x, e := classes[k].sift()
		level[k] = (shape + x) / (shape + e)
		sum, weight = sum+level[k]*classes[k].expected, weight+classes[k].expected
	}
	for k := range level {
		level[k] *= weight / sum
	}
	f.levels.class = level
}

// fitTide cuts the shifts into stretches of one level each so that the counts become
// most likely, a cut costing what makes it rare.
func (f *Fleet) fitTide(shifts map[int]*shared) {
	f.levels.tide, f.levels.changes = nil, nil
	if len(shifts) < leastTideShifts {
		return
	}
	numbers := slices.Sorted(maps.Keys(shifts))
	numbers = numbers[max(len(numbers)-tideShifts, 0):]
	n := len(numbers)
	xs, es := make([]float64, n+1), make([]float64, n+1)
	for i, k := range numbers {
		x, e := shifts[k].sift()
		xs[i+1], es[i+1] = xs[i]+x, es[i]+e
	}
	if !(es[n] > 0) {
		return
	}
	// The base rates were fitted with the levels found before; the levels sought are
	// against the mean of the counts at hand.
	scale := xs[n] / es[n]
	if !(scale > 0) {
		return
	}
	fit := func(from, to int) (log, level float64) {
		x, e := xs[to]-xs[from], (es[to]-es[from])*scale
		a, _ := math.Lgamma(tideShape + x)
		return a - (tideShape+x)*math.Log(tideShape+e), (tideShape + x) / (tideShape + e)
	}
	head, _ := math.Lgamma(tideShape)
	head = tideShape*math.Log(tideShape) - head
	best, from := make([]float64, n+1), make([]int, n+1)
	for to := 1; to <= n; to++ {
		best[to] = math.Inf(-1)
		for cut := range to {
			log, _ := fit(cut, to)
			if v := best[cut] + log + head - changeCost; v > best[to] {
				best[to], from[to] = v, cut
			}
		}
	}
	f.levels.tide = make(map[int]float64, n)
	for to := n; to > 0; to = from[to] {
		_, level := fit(from[to], to)
		for _, k := range numbers[from[to]:to] {
			f.levels.tide[k] = level
		}
		if from[to] > 0 {
			f.levels.changes = append(f.levels.changes, numbers[from[to]])
		}
	}
	slices.Reverse(f.levels.changes)
	f.levels.first, f.levels.last = numbers[0], numbers[n-1]
	if len(f.levels.changes) == 0 {
		f.levels.tide = nil // one level is the base rate's
	}
}
