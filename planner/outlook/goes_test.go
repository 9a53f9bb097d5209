package outlook

import (
	"math"
	"testing"
	"time"

	"turnwise/planner/forecast"
)

// The parts are all of the working time: their means add up to the mean of the law.
func TestPartsAreAllOfTheTime(t *testing.T) {
	s := story()
	s.Machines[0].State, s.Machines[0].Cause, s.Machines[0].Since = Stopped, "yarn", monday.Add(-5*time.Minute)
	s.Machines[0].SpeedRPM = 0.8 * s.Machines[0].Jobs[0].Card.SpeedRPM
	out := plan(t, s, monday)
	seen := map[string]bool{}
	for _, o := range out.Orders {
		if o.Finish.Refused != "" {
			continue
		}
		sum, share := 0.0, 0.0
		for _, p := range o.Finish.Parts {
			seen[p.Kind] = true
			sum, share = sum+p.Mean, share+p.Share
			if p.Mean <= 0 || p.P90 < 0 {
				t.Errorf("%s: part %+v", o.Order, p)
			}
		}
		if math.Abs(share-1) > 1e-9 {
			t.Errorf("%s: shares add up to %g", o.Order, share)
		}
		if len(o.Jobs) == 1 && math.Abs(sum-o.Law.Mean()) > 1e-6*sum {
			t.Errorf("%s: parts add up to %g min, the law's mean is %g", o.Order, sum, o.Law.Mean())
		}
		if o.Finish.History != forecast.OwnHistory {
			t.Errorf("%s rests on %q, its machines have run long enough", o.Order, o.Finish.History)
		}
		for i, l := range o.Finish.Levers {
			if !(l.Gain >= leastGain) || i > 0 && l.Gain > o.Finish.Levers[i-1].Gain {
				t.Errorf("%s: levers %+v", o.Order, o.Finish.Levers)
			}
		}
		if len(o.Finish.Levers) == 0 {
			t.Errorf("%s: nothing helps; parts %+v", o.Order, o.Finish.Parts)
		}
	}
	for _, kind := range []string{PartRunning, PartStop, PartSlow, PartProgress} {
		if !seen[kind] {
			t.Errorf("no part of kind %s", kind)
		}
	}
}

func TestLatenessCountsTheWall(t *testing.T) {
	s := story()
	s.Orders[0].Promise = monday.Add(time.Hour)
	for _, o := range plan(t, s, monday).Orders {
		if o.Order != s.Orders[0].ID {
			continue
		}
		late := o.Finish.Lateness
		if lo, hi := o.Finish.Beads[0].Sub(s.Orders[0].Promise), o.Finish.Beads[19].Sub(s.Orders[0].Promise); late < lo || late > hi {
			t.Errorf("mean lateness %v, want within %v and %v", late, lo, hi)
		}
		return
	}
	t.Error("the order is not in the outlook")
}

func TestHistoryIsSaid(t *testing.T) {
	s := story()
	for i := range s.Machines {
		s.Machines[i].History = forecast.History{}
	}
	for _, o := range plan(t, s, monday).Orders {
		if o.Finish.Refused == "" && o.Finish.History != forecast.NoHistory {
			t.Errorf("%s rests on %q without any history", o.Order, o.Finish.History)
		}
	}
}

// Waiting is a part and a lever of its own where it is known.
func TestWaitingIsAPart(t *testing.T) {
	s := story()
	for i := range s.Machines {
		h := &s.Machines[i].History
		for k := range h.Causes {
			c := &h.Causes[k]
			for _, d := range c.DurationsMin {
				c.Taken = append(c.Taken, forecast.Taken{Waited: 0.6 * d, Worked: 0.4 * d})
			}
		}
	}
	var part, lever bool
	for _, o := range plan(t, s, monday).Orders {
		for _, p := range o.Finish.Parts {
			part = part || p.Kind == PartWaiting && p.Mean > 0 && p.Words() == "waiting for a person"
		}
		for _, l := range o.Finish.Levers {
			lever = lever || l.Kind == PartWaiting && l.Words() == "if no stop waited for a person"
		}
	}
	if !part || !lever {
		t.Errorf("waiting is a part: %v, a lever: %v", part, lever)
	}
}
