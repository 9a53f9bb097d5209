package creel

import "slices"

// reach is how many cones more or fewer are tried at a visit.
const reach = 8

// improve looks for a better plan near one: at one visit after the other the turn up
// to which cones are taken along is set anew, and the visits after it aim at the
// turns that they had, until the creel hangs as it did before. Work is counted
// in looks at a cone.
func (s *roller) improve(end *creelAt, work int) *creelAt {
	plan := s.path(end)
	for again := true; again && work > 0; {
		again = false
		for k := 0; k+1 < len(plan) && work > 0; k++ {
			var better []*creelAt
			var near []step
			was := 0
			s.steps(plan[k], func(x step, _ float64) {
				if x.until <= plan[k+1].until {
					was = len(near)
				}
				near = append(near, x)
			})
			for _, x := range near[max(was-reach, 0):min(was+reach+1, len(near))] {
				if work <= 0 || x.until == plan[k+1].until || x.cost >= plan[len(plan)-1].cost {
					continue
				}
				if tail := s.follow(s.build(x), plan, k+1, &work); tail != nil {
					better = append(plan[:k+1:k+1], tail...)
					plan = better
				}
			}
			again = again || better != nil
		}
	}
	return plan[len(plan)-1]
}

// follow goes on from c, aiming at the visits of the plan from the given one on.
// It gives the way when it costs less than the plan.
func (s *roller) follow(c *creelAt, plan []*creelAt, at int, work *int) []*creelAt {
	known := plan[len(plan)-1].cost
	way := []*creelAt{c}
	for c.now < s.h.Until {
		if *work -= s.n; c.cost+s.h.Visit >= known {
			s.spare(way)
			return nil
		}
		for at < len(plan) && plan[at].now < c.now {
			at++
		}
		// The old way again: what follows costs what it cost.
		if at < len(plan) && plan[at].now == c.now && slices.Equal(plan[at].due, c.due) {
			if c.cost >= plan[at].cost {
				s.spare(way)
				return nil
			}
			for _, old := range plan[at+1:] {
				c = s.build(step{from: c, until: old.until, cost: c.cost + old.cost - old.from.cost})
				way = append(way, c)
			}
			return way
		}
		target := s.h.Until
		for j := at; j < len(plan); j++ {
			if plan[j].now > c.now {
				target = plan[j].now
				break
			}
		}
		x := step{from: c, until: c.now, cost: c.cost + s.h.Visit}
		for _, d := range c.due {
			if d < target {
				x.until = max(x.until, d)
				x.cost += s.h.Change + s.h.Value*(d-c.now)
			}
		}
		c = s.build(x)
		way = append(way, c)
	}
	if c.cost >= known {
		s.spare(way)
		return nil
	}
	return way
}

// path is the way to a creel from the start, both included.
func (s *roller) path(c *creelAt) []*creelAt {
	var out []*creelAt
	for ; c != nil; c = c.from {
		out = append(out, c)
	}
	slices.Reverse(out)
	return out
}
