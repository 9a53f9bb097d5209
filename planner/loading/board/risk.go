package board

import (
	"math"
	"strconv"
	"time"

	"turnwise/planner/forecast"
	"turnwise/planner/unit"
)

func hoursOf(h float64) unit.Hours { return unit.Hours(h) }

// law of the working minutes until machine i has done its running job and the tasks, which
// stand first in its sequence. Its orders share one rate of stops, so the queue is asked for as
// one piece of work. It is false for a machine without a forecast.
func (d *desk) law(i int, l *layout, tasks []int32) (forecast.Law, bool) {
	m := &d.p.Machines[i]
	if m.Stops == nil {
		return forecast.Law{}, false
	}
	share := m.Share
	if share == 0 {
		share = 1
	}
	knit, end, orders := d.s.free[i]-d.held(i), d.s.free[i], 0
	if m.Running != nil {
		orders++
	}
	for k, t := range tasks {
		end = l.time[i][k+1]
		if d.tasks[t].order >= 0 {
			knit += d.s.dur[i*d.s.n+int(t)]
			orders++
		}
	}
	// What is not knitting is set-up, care and waiting for yarn: known, as far as anything is.
	w := forecast.Work{RunMinutes: float64(knit) / 60 * share, FixedMinutes: float64(end-knit) / 60, Orders: max(orders, 1)}
	law, err := m.Stops.Finish(w)
	return law, err == nil
}

func (d *desk) missChance(i int, l *layout, tasks []int32, due time.Time) float64 {
	law, ok := d.law(i, l, tasks)
	if !ok {
		return -1
	}
	return min(max(1-law.CDF(float64(d.working(i, due))/60), 0), 1)
}

// risk is the mean weighted tardiness with the machines' stops in mind; a machine without a
// forecast counts as certain. Of an order in parts the worst part counts.
func (d *desk) risk(l *layout, known map[string]float64) float64 {
	s := d.s
	worst := map[int32]float64{}
	sum := d.runningCost()
	for i := range s.m {
		key := []byte(strconv.Itoa(i))
		for k, t := range l.seq[i] {
			key = append(key, ' ')
			key = strconv.AppendInt(key, int64(t), 10)
			if len(s.split) > 0 {
				key = append(key, ':')
				key = strconv.AppendInt(key, s.dur[i*s.n+int(t)], 10)
			}
			weight := float64(s.weight[t]) / 1000
			if o := s.kin[t]; o >= 0 {
				weight = float64(weigh(d.p.Orders[o].Weight)) / 1000
			}
			late, ok := known[string(key)]
			if !ok {
				due := float64(s.due[i*s.n+int(t)]) / 60
				late = max(float64(l.time[i][k+1])/60-due, 0)
				if law, has := d.law(i, l, l.seq[i][:k+1]); has && s.kin[t] >= 0 {
					late = law.Excess(due)
				}
				known[string(key)] = late
			}
			if o := s.kin[t]; o >= 0 {
				worst[o] = max(worst[o], late*weight)
			} else {
				sum += late * weight
			}
		}
	}
	for o := range d.p.Orders {
		sum += worst[int32(o)]
	}
	return sum
}

// rerank lays the kept layout that has the least risk, set-ups and changes.
func (d *desk) rerank(x *search) float64 {
	known := map[string]float64{}
	best, at, risk := math.Inf(1), -1, 0.0
	for k := range x.kept {
		x.lay(x.kept[k])
		plan := d.tellCost(x.l)
		r := d.risk(x.l, known)
		if v := r + plan.Setup + plan.Change; v < best {
			best, at, risk = v, k, r
		}
	}
	if at >= 0 {
		x.lay(x.kept[at])
	}
	return risk
}
