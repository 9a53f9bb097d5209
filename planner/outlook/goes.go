package outlook

import (
	"cmp"
	"math"
	"slices"

	"turnwise/planner/forecast"
)

const (
	// A lever is looked for behind so many of the largest parts; what gains less
	// than this is none.
	leversTried = 4
	leastGain   = 1.0 // minutes
)

// stretch is the work of one machine up to the end of a job.
type stretch struct {
	q      *queue
	todo   forecast.Work
	weight float64 // of a job that shares its kilos, see [forecast.Part]
	lost   float64 // running minutes lost against the card's speed
	law    forecast.Law
	raw    forecast.Law // before past forecasts have put its chances right
}

// goes fills in where the time of a finish goes and what would help most. The
// stretches are those of all its machines; before is their law.
func (f *Finish) goes(stretches []stretch, before forecast.Law) {
	if f.Refused != "" {
		return
	}
	f.History = history(stretches)
	total := 0.0
	for _, s := range stretches {
		accounts, err := s.q.forecast.Account(s.todo)
		if err != nil {
			continue
		}
		for _, a := range accounts {
			total += a.Mean
			p := Part{Kind: a.Kind, Cause: a.Cause, Mean: a.Mean, P90: a.P90}
			if a.Kind == forecast.Running && s.lost > 0 {
				p.Mean, p.P90 = p.Mean-s.lost, p.P90-s.lost
				f.addPart(Part{Kind: PartSlow, Mean: s.lost, P90: s.lost})
			}
			f.addPart(p)
		}
	}
	slices.SortStableFunc(f.Parts, func(a, b Part) int {
		return cmp.Or(cmp.Compare(b.Mean, a.Mean), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Cause, b.Cause))
	})
	for i := range f.Parts {
		if total > 0 {
			f.Parts[i].Share = f.Parts[i].Mean / total
		}
	}
	f.levers(stretches, before)
}

// addPart adds the same part of several machines up. Machines stop independently,
// so what P90 lies above the mean adds up by squares.
func (f *Finish) addPart(p Part) {
	i := slices.IndexFunc(f.Parts, func(o Part) bool { return o.Kind == p.Kind && o.Cause == p.Cause })
	if i < 0 {
		f.Parts = append(f.Parts, p)
		return
	}
	o := &f.Parts[i]
	above := math.Hypot(o.P90-o.Mean, p.P90-p.Mean)
	o.Mean += p.Mean
	o.P90 = o.Mean + above
}

func (f *Finish) levers(stretches []stretch, before forecast.Law) {
	tried := 0
	for _, p := range f.Parts {
		if p.Kind == PartRunning || p.Mean < leastGain {
			continue
		}
		if tried++; tried > leversTried {
			break
		}
		supposed := slices.Clone(stretches)
		for i := range supposed {
			supposed[i].todo, _ = supposed[i].without(p)
		}
		law, _, err := told(supposed)
		if err != nil {
			return
		}
		if gain := before.Quantile(0.9) - law.Quantile(0.9); gain >= leastGain {
			f.Levers = append(f.Levers, Lever{p.Kind, p.Cause, gain})
		}
	}
	slices.SortStableFunc(f.Levers, func(a, b Lever) int { return cmp.Compare(b.Gain, a.Gain) })
}

// without is the work if a part of its time did not come.
func (s *stretch) without(p Part) (todo forecast.Work, changed bool) {
	todo = s.todo
	switch p.Kind {
	case PartStop:
		todo.Planned = append(slices.Clone(todo.Planned), forecast.Planned{Cause: p.Cause})
	case PartPlanned:
		todo.Planned = slices.Clone(todo.Planned)
		for i := range todo.Planned {
			if todo.Planned[i].Cause == p.Cause {
				todo.Planned[i].Count = 0
			}
		}
	case PartProgress:
		if todo.Stop == nil || todo.Stop.Cause != p.Cause {
			return todo, false
		}
		todo.Stop = nil
	case PartHeld:
		todo.FixedMinutes = 0
	case PartCare:
		todo.Pauses = nil
	case PartWaiting:
		todo.NoWaiting = true
	case PartSlow:
		if !(s.lost > 0) {
			return todo, false
		}
		kept := (todo.RunMinutes - s.lost) / todo.RunMinutes
		todo.RunMinutes, todo.RunSDMin = todo.RunMinutes*kept, todo.RunSDMin*kept
	default:
		return todo, false
	}
	return todo, true
}

// history is the least of what the machines' forecasts rest on.
func history(stretches []stretch) string {
	order := []string{forecast.OwnHistory, "group", forecast.FleetHistory, forecast.NoHistory}
	worst := 0
	for _, s := range stretches {
		worst = max(worst, slices.Index(order, s.q.forecast.History()))
	}
	return order[worst]
}
