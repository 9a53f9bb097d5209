package forecast

import (
	"fmt"
	"slices"
)

// Pause is standing known in advance, such as care of the machine: it stands for
// Minutes once so much working time has passed, unless the work is done by then.
type Pause struct {
	At      float64 // working minutes from now, pauses not counted
	Minutes float64
}

func checkPauses(list []Pause) error {
	for _, p := range list {
		if !(p.At >= 0 && p.At <= maxMinutes) || !(p.Minutes >= 0 && p.Minutes <= maxMinutes) {
			return fmt.Errorf("%w: a pause of %g min after %g min, expected 0 to %d for both", ErrInput, p.Minutes, p.At, maxMinutes)
		}
	}
	return nil
}

// pause puts pauses into the time of a law. A time at the very beginning of a pause is
// before it.
func (l *Law) pause(list []Pause) {
	if len(list) == 0 {
		return
	}
	l.pauses = append(slices.Clone(l.pauses), list...)
	slices.SortStableFunc(l.pauses, func(a, b Pause) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
}

// with adds to a time the pauses that come before it, without takes them off: a time
// within a pause is its beginning.
func (l Law) with(minutes float64) float64 {
	sum := minutes
	for _, p := range l.pauses {
		if p.At < minutes {
			sum += p.Minutes
		}
	}
	return sum
}

func (l Law) without(minutes float64) float64 {
	for _, p := range l.pauses {
		if !(minutes > p.At) {
			break
		}
		minutes = max(minutes-p.Minutes, p.At)
	}
	return minutes
}

// paused is the mean time that goes to the pauses.
func (l Law) paused() float64 {
	sum := 0.0
	for _, p := range l.pauses {
		sum += p.Minutes * (1 - l.cdfAt(p.At))
	}
	return sum
}

// Paused is the mean time that goes to the pauses of the work, and a time that they do
// not exceed with chance p.
func (l Law) Paused(p float64) (mean, upTo float64) {
	return l.paused(), l.Quantile(p) - l.quantile(p)
}

// weighPauses are the pauses of one of several machines that share kilos, in the time of
// all of them.
func weighPauses(list []Pause, weight float64) []Pause {
	out := slices.Clone(list)
	for i := range out {
		out[i].Minutes *= weight
	}
	return out
}
