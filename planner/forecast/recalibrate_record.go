package forecast

import "math"

// What the orders of a machine tell of it beyond the window of its history: its record.
// Of an order that ended the standing is known against what was foreseen, in standard
// deviations (the score) or, by the pull, as a part of the standing foreseen. A record
// can mean two things, and which of them it is worth heeding, and how much, is told by
// how well it would have foretold later orders of the same machines:
//
//   - missed: the machine stands more than is foreseen, whatever is foreseen;
//   - levelled: it stands as long as it did then, whatever is foreseen now. Where the
//     window is short its forecasts wander, and the machine does not.

// record is one way to read records, with its chance to be the right one.
type record struct {
	levelled bool
	ratio    float64 // squared relative spread of the machines against that of one order
	weight   float64
}

// recordRatios are tried beside none at all, all thought equally likely.
var recordRatios = []float64{0.01, 0.03, 0.1, 0.3, 1}

const (
	// recordSpread is the power of the factor by which a record moves the standing
	// with which its spread grows.
	recordSpread = 0.5
	// A record moves the standing within these, and levels are compared within farLevel.
	leastMiss, mostMiss, farLevel = -0.75, 3.0, 3.0
)

// heard sums what the ended orders of a machine tell against a level.
type heard struct{ missed, levelled, could float64 }

func (r *Recalibration) hear(own []int, then, level float64) (h heard) {
	for _, i := range own {
		k := r.kept[i]
		if k.Ended > then {
			continue
		}
		p, s := k.Ask.Pull, k.score-r.offset
		by := math.Exp(min(max(k.Ask.Level-level, -farLevel), farLevel))
		h.missed += p * s
		h.levelled += p*p*(by-1) + p*by*s
		h.could += p * p
	}
	return h
}

// by is how much more than thought the machine stands if records are read in one way.
func (h heard) by(c record) float64 {
	if !(c.ratio > 0) {
		return 0
	}
	got := h.missed
	if c.levelled {
		got = h.levelled
	}
	return min(max(got/(h.could+1/c.ratio), leastMiss), mostMiss)
}

// miss is how much more a machine stands than it was thought to, as a part, by its
// record up to then.
func (r *Recalibration) miss(own []int, then, level float64) (miss float64) {
	h := r.hear(own, then, level)
	for _, c := range r.records {
		miss += c.weight * h.by(c)
	}
	return miss
}

// learnRecords weighs the ways to read records by the likelihood of the scores that
// each would have foretold, of unknown spread, and takes out of the scores what the
// record had told.
func (r *Recalibration) learnRecords() {
	byMachine := map[string][]int{}
	var n, sum float64
	for i, k := range r.kept {
		if k.first {
			byMachine[k.Machine] = append(byMachine[k.Machine], i)
			n, sum = n+1, sum+k.score
		}
	}
	if n == 0 {
		return
	}
	r.offset = sum / (n + trust)
	r.records = []record{{}}
	for _, ratio := range recordRatios {
		r.records = append(r.records, record{false, ratio, 0}, record{true, ratio, 0})
	}
	square, logs := make([]float64, len(r.records)), make([]float64, len(r.records))
	n = 0
	for i, k := range r.kept {
		if !k.first {
			continue
		}
		h := r.hear(byMachine[k.Machine], k.Made, k.Ask.Level)
		if h.could == 0 {
			continue
		}
		n++
		for c, way := range r.records {
			miss := h.by(way)
			spread := recordSpread * math.Log1p(miss)
			rest := (r.kept[i].score - r.offset - k.Ask.Pull*miss) * math.Exp(-spread)
			square[c], logs[c] = square[c]+rest*rest, logs[c]-spread
		}
	}
	best := math.Inf(-1)
	for c := range logs {
		logs[c] -= n / 2 * math.Log(max(square[c], 1e-9))
		best = max(best, logs[c])
	}
	sum = 0
	for c := range r.records {
		r.records[c].weight = math.Exp(logs[c] - best)
		sum += r.records[c].weight
	}
	for c := range r.records {
		r.records[c].weight /= sum
	}
	for i := range r.kept {
		k := &r.kept[i]
		miss := r.miss(byMachine[k.Machine], k.Made, k.Ask.Level)
		k.rest = (k.score - k.Ask.Pull*miss) * math.Pow(1+miss, -recordSpread)
		k.level += math.Log1p(miss)
	}
}
