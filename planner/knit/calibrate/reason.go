package calibrate

import (
	"fmt"
	"math"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// Reason is why weighed and counted mass may differ.
type Reason uint8

// The reasons, in no order of likelihood.
const (
	NoReason     Reason = iota // within the limits
	Unknown                    // outside, and nothing points to one reason
	CourseLength               // one machine differs from its sisters by a constant share
	Moisture                   // all machines of the article differ alike, by as much as water can
	YarnCount                  // all differ alike, and it is not water
	Tare                       // a constant mass on every roll, large or small
	RollMixedUp                // two rolls have each other's weight
	DoffMissed                 // a roll has the weight of two, or two the weight of one
)

var reasonNames = [...]string{"-", "unknown", "course length", "moisture", "yarn count", "tare", "roll mixed up", "doff missed"}

func (r Reason) String() string {
	if int(r) < len(reasonNames) {
		return reasonNames[r]
	}
	return "unknown"
}

// Finding is a likely reason with what speaks for it.
type Finding struct {
	Reason   Reason
	Text     string // one sentence with the numbers; "" where nothing is to be said
	Evidence []derive.Input
}

// reasons fills in the findings of rolls and machines.
func (a *article) reasons(estimates []Estimate, o Options) {
	a.outlierReasons(estimates)
	for j, m := range a.machines {
		estimates[j].Finding = machineReason(m, estimates, j, o)
	}
}

// outlierReasons looks for exchanged weights among all outliers of the article, then
// for doubles and halves.
func (a *article) outlierReasons(estimates []Estimate) {
	type place struct{ machine, outlier, roll int }
	var away []place
	for j, m := range a.machines {
		n := 0
		for i := range m.rolls {
			if m.away[i] {
				away = append(away, place{j, n, i})
				n++
			}
		}
	}
	fits := func(weight, roll place) float64 { // logarithm of how far one's weight is from the other's count
		w, c := a.machines[weight.machine].rolls[weight.roll], a.machines[roll.machine].rolls[roll.roll]
		return math.Abs(math.Log(float64(w.mass()/c.Counted) / estimates[roll.machine].Ratio))
	}
	for x, p := range away {
		m := a.machines[p.machine]
		r, out := m.rolls[p.roll], &m.outliers[p.outlier]
		out.Finding = single(r, estimates[p.machine].Ratio, out.Times)
		best, limit := -1, 3*m.usual*math.Sqrt2
		for y, q := range away {
			if far := max(fits(p, q), fits(q, p)); y != x && far < limit {
				best, limit = y, far
			}
		}
		if best >= 0 {
			q := away[best]
			other := a.machines[q.machine].rolls[q.roll]
			out.Finding = Finding{RollMixedUp, fmt.Sprintf("weighed %.2f kg against %.2f counted, roll %s of %s weighed %.2f against %.2f: exchanged, both fit within %.1f %%; look at the labels of the two",
				r.mass(), r.Counted, other.ID, other.Machine, other.mass(), other.Counted, 100*limit),
				[]derive.Input{mass("weighed", r.mass(), derive.Weighed), mass("counted", r.Counted, derive.Counted), mass("weighed, other roll", other.mass(), derive.Weighed), mass("counted, other roll", other.Counted, derive.Counted)}}
		}
	}
}

func mass(name string, kg unit.Kilograms, from string) derive.Input {
	return derive.Input{Name: name, Value: float64(kg), Unit: "kg", From: from}
}

// single judges an outlier by itself.
func single(r Roll, expected, times float64) Finding {
	const near = 0.06
	ratio := r.ratio() / expected
	evidence := []derive.Input{mass("weighed", r.mass(), derive.Weighed), mass("counted", r.Counted, derive.Counted), {Name: "usual ratio", Value: expected, From: "the machine's other rolls"}}
	switch {
	case math.Abs(ratio/2-1) < near:
		return Finding{DoffMissed, fmt.Sprintf("weighed %.2f kg is twice the counted %.2f: two rolls on the scale, or turns of one of them missing", r.mass(), r.Counted), evidence}
	case math.Abs(ratio*2-1) < near:
		return Finding{DoffMissed, fmt.Sprintf("weighed %.2f kg is half the counted %.2f: the turns of two rolls are counted as one", r.mass(), r.Counted), evidence}
	}
	return Finding{Unknown, fmt.Sprintf("weighed %.2f kg, expected %.2f: %.0f times the usual distance; weigh again and look at its label", r.mass(), float64(r.Counted)*expected, times), evidence}
}

// machineReason looks for the reason of a machine's ratio outside the limits, or of
// a change that is still on.
func machineReason(m *machine, all []Estimate, j int, o Options) Finding {
	e := all[j]
	if e.Used == 0 || e.Ratio >= o.Low && e.Ratio <= o.High {
		return Finding{}
	}
	rolls, _ := m.used()
	if f, ok := tare(rolls); ok {
		return f
	}
	sisters, like := others(all, j)
	evidence := []derive.Input{
		{Name: "ratio", Value: e.Ratio, From: "weighed and counted rolls"}, {Name: "ratio of the other machines", Value: sisters, From: "the same article"},
	}
	switch {
	case like == 0:
		return noSisters(e, rolls, evidence[:1])
	case math.Abs(math.Log(e.Ratio/sisters)) < max(2*m.usual, 0.01): // all alike
		return allAlike(e, rolls, sisters, like, evidence)
	}
	text := fmt.Sprintf("%.3f here, %.3f on %s with the same article: the machine, not the yarn", e.Ratio, sisters, count(like, "other machine"))
	if m.step != nil {
		text += fmt.Sprintf("; since roll %s, %.3f before it", m.step.Roll, m.step.Before)
		evidence = append(evidence, derive.Input{Name: "ratio before the change", Value: m.step.Before, From: "weighed and counted rolls"})
	}
	f := Finding{CourseLength, text, evidence}
	f.courseLength(rolls, e.Ratio/sisters)
	return f
}

// others is the mean ratio of the article's other machines and their number.
func others(all []Estimate, j int) (ratio float64, n int) {
	sum := 0.0
	for k := range all {
		if k != j && all[k].Used >= 3 {
			sum, n = sum+math.Log(all[k].Raw), n+1
		}
	}
	if n == 0 {
		return 0, 0
	}
	return math.Exp(sum / float64(n)), n
}

// courseLength adds what the course length would have to be.
func (f *Finding) courseLength(rolls []Roll, ratio float64) {
	card := rolls[len(rolls)-1].CourseLength
	if card == 0 {
		f.Text += "; measure the course length"
		return
	}
	implied := float64(card) * ratio
	f.Text += fmt.Sprintf("; course length on the card %.3g m, measured %.3g?", float64(card), implied)
	f.Evidence = append(f.Evidence, derive.Input{Name: "course length", Value: float64(card), Unit: "m", From: derive.Card},
		derive.Input{Name: "course length that would explain it", Value: implied, Unit: "m", From: "course length × ratio"})
}

// water is the regain that would explain a ratio, and whether fibres can hold it:
// none below dry, and at most 4 points above the agreed one (common practice in a
// humid mill, no source). Only rolls whose water was not measured can be off by it.
func water(rolls []Roll, ratio float64) (regain float64, possible, known bool) {
	last := rolls[len(rolls)-1]
	if last.Agreed == 0 || last.Content > 0 {
		return 0, false, last.Content > 0
	}
	regain = ratio*(1+float64(last.Agreed)) - 1
	return regain, regain >= 0.2*float64(last.Agreed) && regain <= float64(last.Agreed)+0.04, true
}

func allAlike(e Estimate, rolls []Roll, sisters float64, like int, evidence []derive.Input) Finding {
	regain, possible, known := water(rolls, e.Ratio)
	text := fmt.Sprintf("%.3f here, %.3f on %s with the same article: the yarn, not the machine", e.Ratio, sisters, count(like, "other machine"))
	switch {
	case possible:
		agreed := float64(rolls[len(rolls)-1].Agreed)
		evidence = append(evidence, derive.Input{Name: "agreed regain", Value: agreed, From: derive.Card}, derive.Input{Name: "regain that would explain it", Value: regain, From: "ratio × (1 + agreed regain) − 1"})
		return Finding{Moisture, text + fmt.Sprintf("; a regain of %.1f %% instead of the agreed %.1f would explain it: measure the moisture of a roll, then the yarn count", 100*regain, 100*agreed), evidence}
	case known:
		return Finding{YarnCount, text + "; water cannot explain it: measure the yarn count of the lot", evidence}
	}
	return Finding{Unknown, text + "; agreed regain not known: measure moisture and yarn count", evidence}
}

// noSisters has no other machine to tell the yarn from the machine by.
func noSisters(e Estimate, rolls []Roll, evidence []derive.Input) Finding {
	regain, possible, known := water(rolls, e.Ratio)
	f := Finding{Unknown, fmt.Sprintf("%.3f, and no other machine with this article to compare", e.Ratio), evidence}
	switch {
	case possible:
		f.Text += fmt.Sprintf("; a regain of %.1f %% would explain it", 100*regain)
		f.Evidence = append(f.Evidence, derive.Input{Name: "regain that would explain it", Value: regain, From: "ratio × (1 + agreed regain) − 1"})
	case known:
		f.Reason = CourseLength
		f.Text += "; water cannot explain it"
	}
	f.courseLength(rolls, e.Ratio)
	return f
}

// tare looks for a mass that every roll has too much or too little, whatever its
// size: the line of difference over counted mass is flat and away from zero. It
// needs rolls of different size.
func tare(rolls []Roll) (Finding, bool) {
	n := float64(len(rolls))
	if n < 8 {
		return Finding{}, false
	}
	var mx, my float64
	for _, r := range rolls {
		mx, my = mx+float64(r.Counted)/n, my+float64(r.mass()-r.Counted)/n
	}
	var sxx, sxy, syy float64
	for _, r := range rolls {
		x, y := float64(r.Counted)-mx, float64(r.mass()-r.Counted)-my
		sxx, sxy, syy = sxx+x*x, sxy+x*y, syy+y*y
	}
	if math.Sqrt(sxx/n) < 0.1*mx {
		return Finding{}, false
	}
	slope := sxy / sxx
	at0 := my - slope*mx
	sd := math.Sqrt(max(syy-slope*sxy, 0) / (n - 2))
	seSlope, se0 := sd/math.Sqrt(sxx), sd*math.Sqrt(1/n+mx*mx/sxx)
	if math.Abs(slope) > max(2*seSlope, 1e-12) || math.Abs(at0) < 4*se0 {
		return Finding{}, false
	}
	return Finding{Tare, fmt.Sprintf("%+.2f kg on every roll, large or small (counted %.1f to %.1f kg): a core weighed with the roll, or taken off twice", my, smallest(rolls), largest(rolls)),
		[]derive.Input{{Name: "difference on every roll", Value: my, Unit: "kg", From: derive.Weighed}, {Name: "standard error", Value: sd / math.Sqrt(n), Unit: "kg", From: "spread of the differences"}}}, true
}

func smallest(rolls []Roll) float64 {
	v := math.Inf(1)
	for _, r := range rolls {
		v = min(v, float64(r.Counted))
	}
	return v
}

func largest(rolls []Roll) float64 {
	v := 0.0
	for _, r := range rolls {
		v = max(v, float64(r.Counted))
	}
	return v
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
