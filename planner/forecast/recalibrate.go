package forecast

import (
	"cmp"
	"math"
	"slices"
	"sort"
)

// Ask is what a forecast was asked for, as far as it decides how far to trust it.
type Ask struct {
	// Stops is the number of random stops expected: the class of the horizon.
	Stops float64
	// Level is the logarithm of the minutes that the machine stands in a running
	// minute, against the fleet's.
	Level float64
	// Pull is the mean of the random standing over its standard deviation: by so many
	// standard deviations a machine misses that stands twice as much as thought.
	Pull float64
	// Begun says that stops of the same order were known: such forecasts are another
	// kind.
	Begun bool
	// Class is the kind of shift that most of the work falls into, 0 = not known.
	Class int
}

// Ask tells what a forecast of the work is.
func (m *Machine) Ask(w Work) Ask {
	s := m.of(w)
	var a Ask
	var own, usual float64
	for _, c := range s.Stops {
		a.Stops += c.Rate.Mean * s.Run
		own += c.Rate.Mean * c.Durations.Mean()
	}
	for _, c := range m.fleet.causes {
		if !c.planned {
			usual += c.rate * c.durations.Mean()
		}
	}
	if own > 0 && usual > 0 {
		a.Level = math.Log(own / (usual * m.fleet.tideNow()))
	}
	if mo, err := s.moments(); err == nil && mo.variance > 0 {
		a.Pull = mo.mean / math.Sqrt(mo.variance)
	}
	a.Begun = m.current != nil && w.Order != "" && w.Order == m.own.last
	most := 0.0
	for class, minutes := range w.ClassMinutes {
		if minutes > most {
			most, a.Class = minutes, class
		}
	}
	return a
}

// Kept is a forecast whose order has ended, kept to learn how good forecasts are.
// Made and Ended are minutes on one clock for all.
type Kept struct {
	Order, Machine string
	Made, Ended    float64
	Ask            Ask
	// PIT is where the outcome lay in the law, 0 to 1; see [Points.PIT].
	PIT float64
}

// Points is a law small enough to be stored with a promise.
type Points struct {
	// Least is the shortest time, met exactly with the chance Atom.
	Least, Atom float64
	// At holds the quantiles of longer times, by themselves, at the levels of
	// [PointLevels].
	At []float64
}

var pointLevels = []float64{
	0.0005, 0.001, 0.0025, 0.005, 0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5,
	0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.925, 0.95, 0.97, 0.98, 0.99, 0.995, 0.9975, 0.999, 0.9995,
}

// PointLevels are the levels of [Points.At].
func PointLevels() []float64 { return slices.Clone(pointLevels) }

// Points of the law.
func (l Law) Points() Points {
	p := Points{Least: l.Quantile(0), Atom: l.atom, At: make([]float64, len(pointLevels))}
	if len(l.cdf) == 0 {
		p.Atom = 1
	}
	for i, level := range pointLevels {
		p.At[i] = l.Quantile(p.Atom + (1-p.Atom)*level)
	}
	return p
}

// sameMinute is how near to the shortest time an outcome is taken for it.
const sameMinute = 1.0 / 60

// PIT is the chance that the law gave to less than the outcome; where outcomes of one
// value have a chance of their own, chance, 0 to 1 and drawn anew for each outcome,
// says at which part of it. It is uniform if the law was right. The zero Points
// know nothing: PIT is then chance itself.
func (p Points) PIT(outcome, chance float64) float64 {
	if len(p.At) != len(pointLevels) || math.IsNaN(outcome) {
		return chance
	}
	if outcome <= p.Least+sameMinute && p.Atom > 0 {
		return chance * p.Atom
	}
	// Between points the normal score is straight.
	longer := 0.0
	switch i := sort.SearchFloat64s(p.At, outcome); {
	case i == 0:
		longer = pointLevels[0] * chance
	case i == len(p.At):
		longer = 1 - (1-pointLevels[i-1])*chance
	default:
		a, b, part := probit(pointLevels[i-1]), probit(pointLevels[i]), 1.0
		if p.At[i] > p.At[i-1] {
			part = (outcome - p.At[i-1]) / (p.At[i] - p.At[i-1])
		}
		longer = normal(a + part*(b-a))
	}
	return p.Atom + (1-p.Atom)*longer
}

// probit is the normal quantile.
func probit(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// normal is the normal CDF.
func normal(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

const (
	// KeptOrders is the number of past orders that recalibration looks at, the last.
	KeptOrders = 400
	// trust is the number of orders that count as much as the law itself does.
	trust = 20.0
	// horizonWidth is how far apart horizons tell of each other: the logarithm of the
	// ratio of stops expected.
	horizonWidth = 0.5
	// How far the logarithm of the level may move scores and their spread.
	levelSlope, levelScale = 0.35, 0.15
)

// Recalibration is what kept forecasts teach about forecasts to come.
type Recalibration struct {
	kept    []scored
	offset  float64 // mean score
	records []record
}

// scored is a kept forecast with its score, and with what is left of it when the
// machine's record, as it was known then, is taken out.
type scored struct {
	Kept
	score, rest float64
	level       float64 // of the machine, its record heeded
	first       bool    // of its order
}

// Recalibrate learns from forecasts whose orders have ended, in any order; those
// that cannot be are left out.
func Recalibrate(past []Kept) *Recalibration {
	r := &Recalibration{}
	past = slices.DeleteFunc(slices.Clone(past), func(k Kept) bool {
		return !(k.PIT >= 0 && k.PIT <= 1) || !(k.Ended >= k.Made) || !(k.Ask.Stops >= 0) || !(math.Abs(k.Ask.Level) < 50) || !(k.Ask.Pull >= 0 && k.Ask.Pull < 1e6)
	})
	latest := func(a, b Kept) int { return cmp.Compare(b.Ended, a.Ended) }
	if slices.Reverse(past); !slices.IsSortedFunc(past, latest) { // as a rule they come by their end
		slices.SortStableFunc(past, latest)
	}
	type id struct{ machine, order string }
	first := map[id]int{}
	for _, k := range past {
		o := id{k.Machine, k.Order}
		i, ok := first[o]
		if !ok && len(first) == KeptOrders {
			continue
		}
		s := scored{Kept: k, level: k.Ask.Level, score: probit(min(max(k.PIT, 0.001), 0.999))}
		r.kept = append(r.kept, s)
		if n := len(r.kept) - 1; !ok || k.Made < r.kept[i].Made {
			first[o] = n
		}
	}
	for _, i := range first {
		r.kept[i].first = true
	}
	r.learnRecords()
	return r
}

// Map gives the level of the law at which a chance is kept. The zero value leaves
// levels as they are.
type Map struct {
	scores []float64 // of the law, at normal scores from lowestScore on
}

const lowestScore, scoreStep = -3.5, 0.125

// weighed is a kept forecast as far as it tells of the one asked for.
type weighed struct {
	rest, level, weight float64
	class               int
}

// near picks the kept forecasts of the same kind and a horizon not far off; orders
// is how many orders they are worth, an order's forecasts being one witness.
func (r *Recalibration) near(a Ask) (near []weighed, sum, orders float64) {
	type id struct{ machine, order string }
	heard := map[id]float64{}
	horizon := math.Log(a.Stops + 0.5)
	for _, k := range r.kept {
		d := (math.Log(k.Ask.Stops+0.5) - horizon) / horizonWidth
		w := math.Exp(-d * d / 2)
		if w < 0.05 || k.Ask.Begun != a.Begun {
			continue
		}
		near = append(near, weighed{k.rest, k.level, w, k.Ask.Class})
		sum += w
		o := id{k.Machine, k.Order}
		if more := w - heard[o]; more > 0 {
			heard[o] = w
			orders += more
		}
	}
	return near, sum, orders
}

// shiftOff takes out of the scores what a kind of shift does that the law does not
// know, and gives it by class; share is an order's part in a weight.
func shiftOff(near []weighed, sum, share float64) map[int]float64 {
	mean := 0.0
	for _, k := range near {
		mean += k.weight * k.rest / sum
	}
	missed, witnesses := map[int]float64{}, map[int]float64{}
	for _, k := range near {
		missed[k.class] += share * k.weight * (k.rest - mean)
		witnesses[k.class] += share * k.weight
	}
	for class, n := range witnesses {
		missed[class] /= n + trust
	}
	for i := range near {
		near[i].rest -= missed[near[i].class]
	}
	return missed
}

// lean is how scores lean on the machine's level: about a mean, with a slope, and
// spread the wider the higher.
type lean struct{ level, mean, slope, scale float64 }

// leanOf fits it and takes it out of the scores.
func leanOf(near []weighed, sum, share float64) lean {
	var l lean
	for _, k := range near {
		l.mean += k.weight * k.rest / sum
		l.level += k.weight * k.level / sum
	}
	var got, could float64
	for _, k := range near {
		d := k.level - l.level
		got, could = got+share*k.weight*d*(k.rest-l.mean), could+share*k.weight*d*d
	}
	l.slope = got / (could + 1/(levelSlope*levelSlope))
	got = 0
	const meanLog, varLog = -0.635, 1.23 // of the logarithm of a normal's absolute value
	for _, k := range near {
		d := k.level - l.level
		rest := math.Abs(k.rest - l.mean - l.slope*d)
		got += share * k.weight * d * (math.Log(max(rest, 0.01)) - meanLog)
	}
	l.scale = got / (could + varLog/(levelScale*levelScale))
	for i := range near {
		k := &near[i]
		d := k.level - l.level
		k.rest = l.mean + (k.rest-l.mean-l.slope*d)*math.Exp(-l.scale*d)
	}
	return l
}

// at puts a score back to a level.
func (l lean) at(score, level float64) float64 {
	d := level - l.level
	return l.mean + (score-l.mean)*math.Exp(l.scale*d) + l.slope*d
}

// Map for a forecast of a machine.
func (r *Recalibration) Map(machine string, a Ask) Map {
	near, sum, n := r.near(a)
	if len(near) == 0 {
		return Map{}
	}
	share := n / sum
	missed := shiftOff(near, sum, share)
	l := leanOf(near, sum, share)
	slices.SortFunc(near, func(x, y weighed) int { return cmp.Compare(x.rest, y.rest) })
	// The k-th of n is at level k/(n+1).
	chance, rest := make([]float64, len(near)), make([]float64, len(near))
	run := 0.0
	for i, k := range near {
		run += k.weight * share
		chance[i], rest[i] = run/(n+1), k.rest
	}
	var own []int
	for i, k := range r.kept {
		if k.Machine == machine && k.first {
			own = append(own, i)
		}
	}
	miss := r.miss(own, math.Inf(1), a.Level)
	level := a.Level + math.Log1p(miss)
	widen := math.Pow(1+miss, recordSpread)
	part := n / (n + trust)
	var m Map
	last := math.Inf(-1)
	for z := lowestScore; z <= -lowestScore; z += scoreStep {
		s := (1-part)*z + part*l.at(quantileAt(chance, rest, z), level)
		s = widen*s + a.Pull*miss + missed[a.Class]
		last = max(s, last+1e-6)
		m.scores = append(m.scores, last)
	}
	return m
}

// quantileAt is the value at the normal score z, by straight lines between values
// and a normal tail on either side.
func quantileAt(chance, value []float64, z float64) float64 {
	p := normal(z)
	i := sort.SearchFloat64s(chance, p)
	last := len(chance) - 1
	switch {
	case i == 0:
		return value[0] + min(z-probit(chance[0]), 0)
	case i > last:
		return value[last] + max(z-probit(chance[last]), 0)
	}
	return value[i-1] + (p-chance[i-1])/(chance[i]-chance[i-1])*(value[i]-value[i-1])
}

// Level of the law at which the chance p is kept; it rises with p.
func (m Map) Level(p float64) float64 {
	if len(m.scores) == 0 || !(p > 0 && p < 1) {
		return p
	}
	at := (probit(p) - lowestScore) / scoreStep
	i := min(max(int(math.Floor(at)), 0), len(m.scores)-2)
	part := at - float64(i)
	if part < 0 || part > 1 { // beyond the table scores move alike
		end := m.scores[0]
		from := lowestScore
		if part > 1 {
			end, from = m.scores[len(m.scores)-1], lowestScore+float64(len(m.scores)-1)*scoreStep
		}
		return normal(end + probit(p) - from)
	}
	return normal(m.scores[i] + part*(m.scores[i+1]-m.scores[i]))
}

// chance is the inverse of Level.
func (m Map) chance(level float64) float64 {
	if len(m.scores) == 0 || !(level > 0 && level < 1) {
		return level
	}
	s := probit(level)
	i := sort.SearchFloat64s(m.scores, s)
	last := len(m.scores) - 1
	switch {
	case i == 0:
		return normal(lowestScore + s - m.scores[0])
	case i > last:
		return normal(lowestScore + float64(last)*scoreStep + s - m.scores[last])
	}
	part := (s - m.scores[i-1]) / (m.scores[i] - m.scores[i-1])
	return normal(lowestScore + scoreStep*(float64(i-1)+part))
}

// Law gives the law whose levels are kept.
func (m Map) Law(l Law) Law {
	if len(m.scores) == 0 || len(l.cdf) == 0 {
		return l
	}
	l.atom = m.chance(l.atom)
	l.cdf = slices.Clone(l.cdf)
	for i, f := range l.cdf {
		l.cdf[i] = m.chance(f)
	}
	l.near = slices.Clone(l.near)
	for i, f := range l.near {
		l.near[i] = m.chance(f)
	}
	l.far = slices.Clone(l.far)
	for i, p := range l.far {
		l.far[i].cdf = m.chance(p.cdf)
	}
	l.mean = l.integrate()
	return l
}
