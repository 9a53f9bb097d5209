package backtest

import "turnwise/planner/forecast"

// The simple methods that a forecast must beat. They know the same window of history
// and take what they see for the truth.

// plugIn is the law with a machine's own rates and durations; of a cause whose
// durations it never saw it takes the fleet's.
func plugIn(own, all plain, run float64) (forecast.Law, error) {
	return known(own, all, run)
}

// pooledLaw is the law of a machine like all others.
func pooledLaw(all plain, run float64) (forecast.Law, error) { return known(all, all, run) }

func known(own, all plain, run float64) (forecast.Law, error) {
	var stops []forecast.Stops
	for c := range causes {
		durations := own.durations[c]
		if len(durations) == 0 {
			durations = all.durations[c]
		}
		if own.counts[c] == 0 || len(durations) == 0 || own.minutes <= 0 {
			continue
		}
		stops = append(stops, forecast.Stops{Cause: causes[c].name, Rate: forecast.Rate{Mean: own.counts[c] / own.minutes}, Durations: forecast.NewSample(durations...)})
	}
	return forecast.Compound(run, stops, nil)
}

// habit is the mill's habit: kilos over kilos an hour times one efficiency for all.
func habit(all plain, run float64) float64 {
	if all.minutes <= 0 {
		return run
	}
	return run * (1 + all.stood/all.minutes)
}

// insider is the law of somebody who knows the machine's true rates and the
// durations' law: in the plain world nobody can do better. It is told to show how far
// the others could come; nothing else uses it.
func insider(m *machine, run float64) (forecast.Law, error) {
	var stops []forecast.Stops
	for i, c := range causes {
		stops = append(stops, forecast.Stops{Cause: c.name, Rate: forecast.Rate{Mean: m.rates[i]}, Durations: forecast.Lognormal{Mu: ln(c.median), Sigma: c.sigma}})
	}
	return forecast.Compound(run, stops, nil)
}
