package watch

import (
	"fmt"
	"testing"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
)

// crawling is a machine with one count a turn and the usual crawl speed: a
// turn in 15 s.
var crawling = Config{Stops: twoInputs, StopAfter: 15 * time.Second, CrawlRPM: 4}

// poll takes readings twice a second from one second to another; counts says
// at which seconds the counter moved.
func (s *script) poll(from, to float64, raw *uint64, counts []float64, active ...int) {
	s.t.Helper()
	for at := from; at <= to; at += 0.5 {
		for len(counts) > 0 && counts[0] <= at {
			*raw++
			counts = counts[1:]
		}
		s.at(at, *raw, active...)
	}
}

// every gives the seconds of n counts, one in so many seconds.
func every(from, seconds float64, n int) (at []float64) {
	for i := range n {
		at = append(at, from+float64(i)*seconds)
	}
	return at
}

// Hand turns while a yarn is tied in are inched; the turn in which the machine
// runs out is not, nor what it makes after the stop.
func TestInchedInAStop(t *testing.T) {
	s := newScript(t, crawling)
	raw := uint64(100)
	s.poll(0, 9.5, &raw, every(2, 2, 4))
	s.poll(10, 60, &raw, []float64{10.5, 31, 34, 52}, 0) // runs out, then three turns by hand
	s.poll(60.5, 75, &raw, every(64, 2, 6))
	s.want("0 config", "0 first_sight", "10 span 01 (100,104] from 0", "10 stop yarn/top at 104",
		"10.5 span 01 (104,105] from 10",
		"31 span 01 (105,106] from 10.5 inched", "34 span 01 (106,107] from 31 inched", "52 span 01 (107,108] from 34 inched",
		"60.5 end at 108", "72 span 01 (108,113] from 60.5")
}

// Turning below crawl speed with no stop input on is a standstill with inched
// turns in it; the turn in which the machine starts belongs to the run.
func TestInchedBelowCrawlSpeed(t *testing.T) {
	s := newScript(t, crawling)
	raw := uint64(100)
	s.poll(0, 30, &raw, every(2, 2, 5))             // runs until second 10
	s.poll(30.5, 140, &raw, []float64{50, 80, 110}) // a turn in half a minute
	s.poll(140.5, 170, &raw, every(150, 2, 11))     // runs again from 150 on
	s.want("0 config", "0 first_sight", "10 span 01 (100,105] from 0", "10 standstill at 105",
		"50 span 01 (105,106] from 10 inched", "80 span 01 (106,107] from 50 inched", "110 span 01 (107,108] from 80 inched",
		"150 span 01 (108,109] from 110", "150 end at 109",
		"160 span 01 (109,114] from 150", "170 span 01 (114,119] from 160")
}

// A fine counter shows crawling at once: 1000 counts a turn, 2 rpm.
func TestCrawlingOfAFineCounter(t *testing.T) {
	c := crawling
	c.PerRevolution, c.StopAfter = 1000, 5*time.Second
	s := newScript(t, c)
	raw, turned := uint64(0), 0.0
	var run, inched uint64
	for i := range 240 { // two minutes: 30 rpm, from 40 s on 2 rpm, from 80 s on 30 rpm
		rpm := 30.0
		if i >= 80 && i < 160 {
			rpm = 2
		}
		turned += rpm / 120 * 1000
		raw = uint64(turned)
		s.at(float64(i)/2, raw)
	}
	for _, r := range s.recs {
		n := r.GetCountSpan().GetTo() - r.GetCountSpan().GetFrom()
		switch r.GetCountSpan().GetQuality() {
		case wirepb.CountQuality_COUNT_QUALITY_INCHED:
			inched += n
		case wirepb.CountQuality_COUNT_QUALITY_SURE:
			run += n
		}
	}
	// By hand: 40 s at 2 rpm are 1333 counts.
	if inched < 1300 || inched > 1350 {
		t.Errorf("%d counts inched and %d run, about 1333 were made at 2 rpm: %v", inched, run, s.told)
	}
}

// A run at any speed of a machine is no inching, whatever its gear and poll.
func TestRunningIsNotInching(t *testing.T) {
	for _, rpm := range []float64{5, 8, 15, 25, 40} {
		for _, per := range []uint32{1, 4, 1000} {
			t.Run(fmt.Sprintf("%g rpm, %d counts", rpm, per), func(t *testing.T) {
				c := crawling
				c.PerRevolution = per
				s := newScript(t, c)
				for i := range 1200 {
					s.at(float64(i)/2, uint64(float64(i)/120*rpm*float64(per)))
				}
				for _, r := range s.recs {
					if r.GetCountSpan().GetQuality() == wirepb.CountQuality_COUNT_QUALITY_INCHED || r.GetStopBegin() != nil {
						t.Fatalf("told %v", line(r))
					}
				}
			})
		}
	}
}
