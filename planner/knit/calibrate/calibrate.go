// Package calibrate compares the kilos that a machine's counter tells with the kilos
// that the scale tells, roll by roll, and estimates for every machine and article
// how the two go together: weighed over counted, with an interval. Machines of few
// rolls lean on the others of the article. The one rule: a roll that does not fit is
// set aside and shown with its evidence, never dropped in silence, and never
// corrected. It does not change a knit card: what it finds is for people to measure.
package calibrate

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"turnwise/planner/knit/derive"
	"turnwise/planner/unit"
)

// ErrRoll is inside every error about a roll that cannot be used at all.
var ErrRoll = errors.New("roll is not usable")

// ErrOptions is inside every error about the options.
var ErrOptions = errors.New("options of the calibration are not usable")

// Roll is one doffed and weighed roll.
type Roll struct {
	ID      string
	Machine string
	Article string
	// Counted is the mass from turns and knit card, at the agreed regain.
	Counted unit.Kilograms
	// Weighed is the net mass on the scale.
	Weighed unit.Kilograms
	// Content is the measured water on the moist mass, 0 when not measured. Where
	// it is measured the mass is compared at the agreed regain.
	Content unit.Share
	// Agreed is the regain that the yarn's count is stated at; 0 when not known.
	Agreed unit.Share
	// CourseLength is the knit card's; 0 when not known, or when feeds differ.
	CourseLength unit.Metres
}

// Options tunes the estimate. The zero value works.
type Options struct {
	// Level is the chance that the interval holds the true ratio. 0 means 0.9.
	Level float64
	// Low and High are the limits outside of which a reason is looked for. 0 means
	// 0.98 and 1.02; common practice, no source.
	Low, High float64
}

const (
	defaultLevel = 0.9
	defaultLow   = 0.98
	defaultHigh  = 1.02
	maxRolls     = 200_000
	maxMass      = 100_000 // kg
)

// Result holds an estimate for every machine and article that was weighed, and one
// for every article.
type Result struct {
	Estimates []Estimate // by article, then machine
	Articles  []Article  // by name
}

// Estimate is the ratio of weighed to counted mass of one article on one machine.
type Estimate struct {
	Machine, Article string

	Rolls            int            // all that were given
	Used             int            // not set aside, and since the last change
	Counted, Weighed unit.Kilograms // of the used rolls
	Raw              float64        // Weighed over Counted

	// Ratio is the estimate, Low and High its interval at the level asked for.
	Ratio, Low, High float64
	// Own is how much of the estimate comes from the machine's own rolls, 0 to 1;
	// the rest comes from the article's other machines.
	Own float64

	Changed  *Change // the last change of the ratio, nil when there was none
	Outliers []Outlier
	Finding  Finding
	Derived  derive.Derivation
}

// Article is what the machines of an article have in common.
type Article struct {
	Name            string
	Machines, Rolls int
	// Ratio, Low and High hold for a machine of which no roll was weighed yet.
	Ratio, Low, High float64
	Spread           float64 // between machines, standard deviation of the logarithm
	RollSpread       float64 // between rolls of one machine, likewise
}

// Change is a lasting step of a machine's ratio.
type Change struct {
	Roll          string // the first roll after it
	Before, After float64
	Rolls         int // before it, back to the change before that
}

// Outlier is a roll that was set aside.
type Outlier struct {
	Roll    string
	Ratio   float64 // weighed over counted
	Times   float64 // distance from its neighbours over the usual one
	Finding Finding
}

// Calibrate estimates. Rolls of one machine and article stand in the order of their
// doffing; machines may be mixed.
func Calibrate(rolls []Roll, o Options) (Result, error) {
	o, err := o.defaults()
	if err != nil {
		return Result{}, err
	}
	if len(rolls) > maxRolls {
		return Result{}, fmt.Errorf("calibration: %w: %d rolls, expected at most %d; take a shorter time", ErrOptions, len(rolls), maxRolls)
	}
	for i, r := range rolls {
		if err := r.validate(i); err != nil {
			return Result{}, err
		}
	}
	var out Result
	for _, group := range byArticle(rolls) {
		article, estimates := group.estimate(o)
		out.Articles = append(out.Articles, article)
		out.Estimates = append(out.Estimates, estimates...)
	}
	return out, nil
}

func (o Options) defaults() (Options, error) {
	o.Level, o.Low, o.High = cmp.Or(o.Level, defaultLevel), cmp.Or(o.Low, defaultLow), cmp.Or(o.High, defaultHigh)
	if !(o.Level > 0 && o.Level < 1) {
		return o, fmt.Errorf("calibration: %w: level is %g, expected between 0 and 1; 0.9 is usual", ErrOptions, o.Level)
	}
	if !(o.Low > 0 && o.Low < 1 && o.High > 1) || math.IsInf(o.High, 1) {
		return o, fmt.Errorf("calibration: %w: limits are %g and %g, expected below and above 1; 0.98 and 1.02 are usual", ErrOptions, o.Low, o.High)
	}
	return o, nil
}

func (r Roll) validate(i int) error {
	bad := func(field string, found any, expected, repair string) error {
		return fmt.Errorf("roll %q, number %d: %w: %s is %v, expected %s; %s", r.ID, i+1, ErrRoll, field, found, expected, repair)
	}
	switch {
	case r.Machine == "" || r.Article == "":
		return bad("machine and article", fmt.Sprintf("%q and %q", r.Machine, r.Article), "both named", "say what knitted it")
	case !(r.Counted > 0 && r.Counted <= maxMass):
		return bad("counted mass", r.Counted, fmt.Sprintf("above 0 and up to %d kg", maxMass), "check the turns between the doffs")
	case !(r.Weighed > 0 && r.Weighed <= maxMass):
		return bad("weighed mass", r.Weighed, fmt.Sprintf("above 0 and up to %d kg", maxMass), "weigh again or leave the roll out")
	case !(r.Content >= 0 && r.Content < 0.7):
		return bad("moisture content", r.Content, "0 to 0.7 of the moist mass", "measure again or leave it at 0")
	case !(r.Agreed >= 0 && r.Agreed < 1):
		return bad("agreed regain", r.Agreed, "0 to 1 of the dry mass", "enter 0.085 for 8.5 %")
	case !(r.CourseLength >= 0 && r.CourseLength <= 200):
		return bad("course length", r.CourseLength, "0 to 200 m in a turn", "enter the knit card's")
	}
	return nil
}

// mass is the weighed mass at the agreed regain where the water was measured.
func (r Roll) mass() unit.Kilograms {
	if r.Content > 0 {
		return r.Weighed * unit.Kilograms((1-r.Content)*(1+r.Agreed))
	}
	return r.Weighed
}

func (r Roll) ratio() float64 { return float64(r.mass() / r.Counted) }

// article is the rolls of one article, by machine.
type article struct {
	name     string
	machines []*machine
}

// machine is the rolls of one article on one machine, in order of doffing.
type machine struct {
	name  string
	rolls []Roll
	y     []float64 // logarithm of the ratio
	away  []bool    // set aside
	usual float64   // spread of neighbouring rolls
	from  int       // first roll since the last change
	step  *Change

	outliers []Outlier
}

func byArticle(rolls []Roll) []*article {
	articles, machines := map[string]*article{}, map[[2]string]*machine{}
	for _, r := range rolls {
		a := articles[r.Article]
		if a == nil {
			a = &article{name: r.Article}
			articles[r.Article] = a
		}
		key := [2]string{r.Article, r.Machine}
		m := machines[key]
		if m == nil {
			m = &machine{name: r.Machine}
			machines[key], a.machines = m, append(a.machines, m)
		}
		m.rolls, m.y = append(m.rolls, r), append(m.y, math.Log(r.ratio()))
	}
	out := make([]*article, 0, len(articles))
	for _, a := range articles {
		slices.SortFunc(a.machines, func(x, y *machine) int { return cmp.Compare(x.name, y.name) })
		out = append(out, a)
	}
	slices.SortFunc(out, func(x, y *article) int { return cmp.Compare(x.name, y.name) })
	return out
}

// used gives the rolls that count, and the logarithms of their ratios.
func (m *machine) used() (rolls []Roll, y []float64) {
	for i := m.from; i < len(m.rolls); i++ {
		if !m.away[i] {
			rolls, y = append(rolls, m.rolls[i]), append(y, m.y[i])
		}
	}
	return rolls, y
}
