package forecast

import (
	"fmt"
	"math"
)

// scaled is the law of a duration By times as long.
type scaled struct {
	Of Durations
	By float64
}

// Mean gives the mean.
func (s scaled) Mean() float64 { return s.By * s.Of.Mean() }

// Square gives the mean square.
func (s scaled) Square() float64 { return s.By * s.By * s.Of.Square() }

// Tail gives the chance to last longer.
func (s scaled) Tail(x float64) float64 { return s.Of.Tail(x / s.By) }

// Limited gives the mean cut off at x.
func (s scaled) Limited(x float64) float64 { return s.By * s.Of.Limited(x/s.By) }

// binned is a law with its masses in narrow bins, for transforms on many lattices.
type binned struct {
	Durations
	at, share []float64
}

// bin cuts a law into bins of a fiftieth of their minutes; each mass lies at its mean.
func bin(d Durations) binned {
	const first, growth, nothing = 1.0 / 32, 1.02, 1e-9
	b := binned{Durations: d}
	for from, to, tail, limited := 0.0, first, 1.0, 0.0; tail > nothing && from < maxDurationMin; from, to = to, to*growth {
		t, l := d.Tail(to), d.Limited(to)
		if mass := tail - t; mass > 0 {
			b.at = append(b.at, from+min(max((l-limited-(to-from)*t)/mass, 0), to-from))
			b.share = append(b.share, mass)
		}
		tail, limited = t, l
	}
	return b
}

// scale gives the law of times as long.
func (b binned) scale(by float64) binned {
	out := binned{scaled{b.Durations, by}, make([]float64, len(b.at)), b.share}
	for i, x := range b.at {
		out.at[i] = x * by
	}
	return out
}

func (b binned) each(f func(minutes, share float64)) {
	for i, x := range b.at {
		f(x, b.share[i])
	}
}

const (
	// Variance between machines of the logarithm of a cause's minutes, and how far
	// off that may be: an assumption, no source.
	usualPace, usualPaceError = 0.005, 0.02
	// paceStep is the step of the logarithm to which a machine's pace is rounded, so
	// that machines share transforms.
	paceStep = 0.1
)

// pace is what machines differ by in the durations of a cause: normal on the logarithm.
type pace struct{ mean, within, between float64 }

func logMean(s Sample) (n, mean, square float64) {
	for _, x := range s.sorted {
		l := math.Log(max(x, finestStep))
		mean, square = mean+l, square+l*l
	}
	n = float64(s.Len())
	if n > 0 {
		mean, square = mean/n, square/n
	}
	return n, mean, square
}

// fitPace splits the spread of the logarithms into that within and that between
// machines.
func (f *Fleet) fitPace(cause string) pace {
	var n, sum, square, weight, machines float64
	type own struct{ n, mean float64 }
	var owns []own
	within, free := 0.0, 0.0
	for _, h := range f.histories {
		k, mean, sq := logMean(h.durations(cause))
		if k == 0 {
			continue
		}
		owns = append(owns, own{k, mean})
		n, sum, square, weight, machines = n+k, sum+k*mean, square+k*sq, weight+k*k, machines+1
		within, free = within+k*(sq-mean*mean), free+k-1
	}
	const spread = 0.8 // of the logarithm where little is known
	p := pace{within: (within + 4*spread*spread) / (free + 4), between: usualPace}
	if n == 0 {
		return p
	}
	p.mean = sum / n
	if could := n - weight/n; machines > 1 && could > 0 {
		got := 0.0
		for _, o := range owns {
			got += o.n * (o.mean - p.mean) * (o.mean - p.mean)
		}
		v := (got - (machines-1)*p.within) / could
		err := 2 * (machines - 1) * p.within * p.within / (could * could)
		v, _ = between(v, err, usualPace, usualPaceError*usualPaceError)
		p.between = min(max(v, 0), 1)
	}
	return p
}

// durations of a cause on a machine: the fleet's, at the machine's pace. Doubt is the
// squared relative error of the law's mean.
func (f *Fleet) durations(h seen, c fleetCause) (law Durations, doubt float64) {
	law = c.durations
	n, mean, _ := logMean(h.durations(c.cause))
	w := 0.0
	if c.pace.between > 0 {
		w = n / (n + c.pace.within/c.pace.between)
	}
	if steps := math.Round(w * (mean - c.pace.mean) / paceStep); n > 0 && steps != 0 {
		law = kept{c.bins.scale(math.Exp(steps * paceStep)), fmt.Sprintf("cause %s %+g", c.cause, steps)}
	}
	if m := law.Mean(); m > 0 {
		variation := max(law.Square()/(m*m)-1, 0.25)
		doubt = variation/(float64(c.choice.Ended)+1) + (1-w)*c.pace.between
	}
	return law, doubt
}
