package chaos

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

// told is one stop of the books, in the time of the ledger.
type told struct {
	begin, end time.Duration
	cause      string
}

// matchWithin is how far a stop of the books may be from the ledger's.
const matchWithin = 700 * time.Millisecond

// match compares stops one by one. A stop of the ledger that was kept for sure
// must be in the books; those in the books must be stops of the ledger, each no
// more often than readers began to look at it. Where a clock was wrong, within is
// wide and a stop of the books may be one of several: it is too many only where
// no way to tell them apart leaves it a place.
func (c *cylinder) match(books []told, gens map[int]*generation, within time.Duration) (lost, doubled int64, which []string) {
	say := func(format string, args ...any) { which = append(which, fmt.Sprintf(format, args...)) }
	within += c.hung
	room := make([]int64, len(c.stops))
	sure := make([]bool, len(c.stops))
	for i, s := range c.stops {
		room[i], sure[i] = c.lookedAt(s, gens)
	}
	may := make([][]int, len(books))
	for i, b := range books {
		may[i] = c.near(b, within)
	}
	for _, i := range unplaced(may, room) {
		doubled++
		b := books[i]
		switch at := may[i]; len(at) {
		case 0:
			say("the books have a stop (%s) from %.2f to %.2f s that the ledger does not know", b.cause, b.begin.Seconds(), b.end.Seconds())
		default:
			s := c.stops[at[0]]
			say("the books have a stop (%s) from %.2f to %.2f s too many: readers began to look %d times at the one from %.2f to %.2f s, and %d others near it leave no place",
				b.cause, b.begin.Seconds(), b.end.Seconds(), room[at[0]], s.begin.Seconds(), c.endOf(s).Seconds(), len(at)-1)
		}
	}
	for i, s := range c.stops {
		if sure[i] && !c.among(s, books, within) {
			lost++
			say("the stop (%s) from %.2f to %.2f s is not in the books", causes[s.input], s.begin.Seconds(), c.endOf(s).Seconds())
		}
	}
	return lost, doubled, which
}

// unplaced gives each of a number of things one of the places it may have, of
// which each holds so many, and returns those that are left over by the best way:
// paths are followed along which things already placed can move on (a greatest
// matching of a bipartite graph by augmenting paths).
func unplaced(may [][]int, room []int64) (left []int) {
	in := make([][]int, len(room)) // things in each place
	var place func(i int, tried map[int]bool) bool
	place = func(i int, tried map[int]bool) bool {
		for _, at := range may[i] {
			if int64(len(in[at])) < room[at] {
				in[at] = append(in[at], i)
				return true
			}
		}
		for _, at := range may[i] {
			if tried[at] {
				continue
			}
			tried[at] = true
			for k, other := range in[at] {
				if place(other, tried) {
					in[at][k] = i
					return true
				}
			}
		}
		return false
	}
	for i := range may {
		if !place(i, map[int]bool{}) {
			left = append(left, i)
		}
	}
	return left
}

// lookedAt counts the times that readers began to look at a stop, and tells
// whether one of them kept it for sure.
func (c *cylinder) lookedAt(s stop, gens map[int]*generation) (looks int64, sure bool) {
	for _, v := range c.sights {
		if v.input != s.input || v.from > c.endOf(s) || v.to < s.begin {
			continue
		}
		looks++
		g := gens[v.gen]
		sure = sure || g == nil && v.calls >= 3 || g != nil && g.surely(v)
	}
	for _, v := range c.others {
		if v.input == s.input && v.from <= c.endOf(s) && v.to >= s.begin {
			looks++
		}
	}
	return looks, sure
}

func (c *cylinder) endOf(s stop) time.Duration {
	if s.end == 0 {
		return c.now()
	}
	return s.end
}

// among tells whether a stop is covered by one of the books.
func (c *cylinder) among(s stop, books []told, within time.Duration) bool {
	for _, b := range books {
		if b.cause == causes[s.input] && min(b.end, c.endOf(s))-max(b.begin, s.begin) > -within {
			return true
		}
	}
	return false
}

// near are the stops of the ledger that one of the books may be, the one with
// the most time in common first.
func (c *cylinder) near(b told, within time.Duration) (at []int) {
	common := func(i int) time.Duration {
		return min(b.end, c.endOf(c.stops[i])) - max(b.begin, c.stops[i].begin)
	}
	for i, s := range c.stops {
		if b.cause == causes[s.input] && common(i) > -within {
			at = append(at, i)
		}
	}
	slices.SortStableFunc(at, func(i, k int) int { return cmp.Compare(common(k), common(i)) })
	return at
}

// stopsOf reads the stops of a machine that began at its inputs.
func (m *mill) stopsOf(ctx context.Context, c *cylinder) (out []told, err error) {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	end := timestamppb.New(time.Now().Add(time.Hour))
	for token := ""; ; {
		r, err := pb.NewMachineServiceClient(m.conn).ListStops(ctx, &pb.ListStopsRequest{Machine: "machines/" + c.id, EndTime: end, PageSize: 200, PageToken: token})
		if err != nil {
			return nil, err
		}
		for _, s := range r.GetStops() {
			if s.GetOrigin() != pb.StopOrigin_STOP_ORIGIN_INPUT {
				continue
			}
			t := told{begin: s.GetStartTime().AsTime().Sub(c.begun), end: c.now(), cause: s.GetCause()}
			if s.GetEndTime() != nil {
				t.end = s.GetEndTime().AsTime().Sub(c.begun)
			}
			out = append(out, t)
		}
		if token = r.GetNextPageToken(); token == "" {
			return out, nil
		}
	}
}
