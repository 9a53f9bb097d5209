package backtest

import (
	"fmt"
	"math"
	"strconv"

	"turnwise/planner/forecast"
)

// observed is what could be known of a machine: its last running minutes before a
// wall minute, cut by order and shift.
func (m *machine) observed(id int, at, minutes float64) forecast.History {
	h := forecast.History{Machine: name(id)}
	to := m.ran(at)
	from := max(to-minutes, 0)
	next := m.stopFrom(from)
	for run := from; run < to-1e-9; {
		wall := m.wall(run)
		shift := math.Floor(wall/shiftMinutes + 1e-9)
		order := m.orderAt(run + 1e-9)
		end := min(to, m.bounds[order], max(m.ran((shift+1)*shiftMinutes), run+1e-6))
		s := forecast.Stretch{Order: m.orderName(id, order), Shift: int(shift) + 1, Class: int(shift)%3 + 1}
		var stops []forecast.Stop
		for ; next < len(m.stops) && m.stops[next].run < end; next++ {
			t := m.stops[next]
			if m.isBlind(t.run) {
				continue
			}
			seen := forecast.Stop{Cause: causes[t.cause].name, AtRun: t.run, Minutes: t.minutes}
			if t.wall+t.minutes > at {
				seen.Minutes, seen.Open = at-t.wall, true
			}
			stops = append(stops, seen)
		}
		s.RunMinutes = end - run - m.blindIn(run, end)
		s.Causes = forecast.Gather(forecast.Episodes(stops))
		h.Stretches = append(h.Stretches, s)
		run = end
	}
	return h
}

// orderName is the same for both halves of an order.
func (m *machine) orderName(id, order int) string {
	if m.half(order) {
		id = min(id, m.twin)
	}
	return name(id) + "/" + strconv.Itoa(order)
}

func (m *machine) half(order int) bool { return order < len(m.halves) && m.halves[order] }

func name(id int) string { return fmt.Sprintf("k%02d", id+1) }

// stopFrom is the first stop at or after a running minute.
func (m *machine) stopFrom(run float64) int {
	lo, hi := 0, len(m.stops)
	for lo < hi {
		mid := (lo + hi) / 2
		if m.stops[mid].run < run {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	return lo
}

func (m *machine) isBlind(run float64) bool {
	for _, b := range m.blind {
		if run >= b.from && run < b.to {
			return true
		}
	}
	return false
}

func (m *machine) blindIn(from, to float64) float64 {
	sum := 0.0
	for _, b := range m.blind {
		sum += max(min(to, b.to)-max(from, b.from), 0)
	}
	return sum
}

// plain is what the simple methods know: counts and durations of the same window.
type plain struct {
	minutes, stood float64
	counts         []float64
	durations      [][]float64
}

func (m *machine) plain(at, minutes float64) plain {
	to := m.ran(at)
	from := max(to-minutes, 0)
	p := plain{counts: make([]float64, len(causes)), durations: make([][]float64, len(causes))}
	p.minutes = to - from - m.blindIn(from, to)
	for _, s := range m.stops[m.stopFrom(from):] {
		if s.run >= to || s.wall > at {
			break
		}
		if m.isBlind(s.run) {
			continue
		}
		p.counts[s.cause]++
		if s.wall+s.minutes <= at {
			p.durations[s.cause] = append(p.durations[s.cause], s.minutes)
			p.stood += s.minutes
		}
	}
	return p
}

// pooled adds up the machines.
func pooled(all []plain) plain {
	p := plain{counts: make([]float64, len(causes)), durations: make([][]float64, len(causes))}
	for _, o := range all {
		p.minutes, p.stood = p.minutes+o.minutes, p.stood+o.stood
		for c := range causes {
			p.counts[c] += o.counts[c]
			p.durations[c] = append(p.durations[c], o.durations[c]...)
		}
	}
	return p
}
