package board

import "math"

// dice is a small generator of its own (splitmix64), so that a seed gives the same
// plan whatever the standard library does.
type dice uint64

func (d *dice) next() uint64 {
	*d += 0x9e3779b97f4a7c15
	z := uint64(*d)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// below is a whole number from 0 to n-1; n is above 0.
func (d *dice) below(n int) int { return int((d.next() >> 32) * uint64(n) >> 32) }

// unit is above 0 to 1.
func (d *dice) unit() float64 { return float64(d.next()>>11+1) / (1 << 53) }

// drop is exponential with mean 1.
func (d *dice) drop() float64 { return -math.Log(d.unit()) }
