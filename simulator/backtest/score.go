package backtest

import "math"

func ln(x float64) float64 { return math.Log(x) }

// crps is the continuous ranked probability score of a CDF that begins at least and
// is as good as 1 at most: the integral of the squared distance to the step at the
// outcome, by the middle of cells on either side of it.
func crps(cdf func(float64) float64, least, most, outcome float64) float64 {
	const cells = 256
	sum := max(least-outcome, 0)
	below := func(from, to float64, step float64) {
		if !(to > from) {
			return
		}
		h := (to - from) / cells
		for i := range cells {
			d := cdf(from+(float64(i)+0.5)*h) - step
			sum += d * d * h
		}
	}
	below(least, min(outcome, most), 0)
	below(max(outcome, least), most, 1)
	sum += max(outcome-max(most, least), 0)
	return sum
}

// pinball is the loss of a quantile at level p.
func pinball(p, quantile, outcome float64) float64 {
	if outcome < quantile {
		return (1 - p) * (quantile - outcome)
	}
	return p * (outcome - quantile)
}

// chiSquare tells how far counts are from equal.
func chiSquare(counts []int) float64 {
	var n float64
	for _, c := range counts {
		n += float64(c)
	}
	if n == 0 {
		return 0
	}
	want, sum := n/float64(len(counts)), 0.0
	for _, c := range counts {
		d := float64(c) - want
		sum += d * d / want
	}
	return sum
}

// standardError of the mean of values that are independent.
func standardError(values []float64) float64 {
	n := float64(len(values))
	if n < 2 {
		return 0
	}
	var mean, square float64
	for _, v := range values {
		mean += v / n
	}
	for _, v := range values {
		square += (v - mean) * (v - mean)
	}
	return math.Sqrt(square / (n - 1) / n)
}
