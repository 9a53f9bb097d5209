package chaos

import (
	"context"
	"fmt"
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
// must be in the books; each one in the books must be one of the ledger, and
// no more often than readers began to look at it.
func (c *cylinder) match(books []told, gens map[int]*generation, within time.Duration) (lost, doubled int64, which []string) {
	say := func(format string, args ...any) { which = append(which, fmt.Sprintf(format, args...)) }
	within += c.hung
	times := make([]int64, len(c.stops))
	for _, b := range books {
		if at := c.nearest(b, within); at < 0 {
			doubled++
			say("the books have a stop (%s) from %.2f to %.2f s that the ledger does not know", b.cause, b.begin.Seconds(), b.end.Seconds())
		} else {
			times[at]++
		}
	}
	for i, s := range c.stops {
		looks, sure := c.lookedAt(s, gens)
		if n := times[i] - looks; n > 0 {
			doubled += n
			say("the books have the stop (%s) from %.2f to %.2f s %d times, readers began to look at it %d times", causes[s.input], s.begin.Seconds(), c.endOf(s).Seconds(), times[i], looks)
		}
		if sure && !c.among(s, books, within) {
			lost++
			say("the stop (%s) from %.2f to %.2f s is not in the books", causes[s.input], s.begin.Seconds(), c.endOf(s).Seconds())
		}
	}
	return lost, doubled, which
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

// nearest is the stop of the ledger that one of the books is; -1 = none.
func (c *cylinder) nearest(b told, within time.Duration) int {
	at, most := -1, -within
	for i, s := range c.stops {
		if common := min(b.end, c.endOf(s)) - max(b.begin, s.begin); b.cause == causes[s.input] && common > most {
			at, most = i, common
		}
	}
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
