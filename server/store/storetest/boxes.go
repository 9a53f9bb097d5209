package storetest

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// box is a reader of an invented machine with a journal of its own.
type box struct {
	*agent
	life    string
	ext     uint64
	raw     uint64
	seen    float64 // seconds of its newest reading
	unsent  []store.Batch
	offline bool
}

// yard is a machine, its true count, and every box that ever read it.
type yard struct {
	*rapid.T
	b       *bench
	machine string
	now     float64
	raw     uint64
	made    int64 // counts since the first reading
	boxes   []*box
	current *box
	lives   int
}

// bound is the most that the counter makes in some seconds, as agents judge:
// a quarter above 60 a minute, and 2.
func bound(seconds float64) uint64 { return uint64(math.Ceil(1.25*max(seconds, 0))) + 2 }

func (y *yard) newLife() string {
	y.lives++
	return fmt.Sprintf("life %d of %s", y.lives, y.machine)
}

func (x *box) send() {
	if len(x.records) > 0 {
		x.unsent = append(x.unsent, x.batch())
	}
}

// preset begins a life after a step that turning cannot explain.
func (y *yard) preset(x *box, prev store.ID, prevTo, lost uint64) {
	x.life = y.newLife()
	x.agent.life, x.ext, x.raw = mark(x.life), y.raw, y.raw
	x.add(y.now, &store.LifeLink{New: x.agent.life, Prev: prev, PrevTo: prevTo, Kind: "preset", LostMax: lost, PerRev: 1, Raw: y.raw, RawBits: 32, Ext: y.raw, MaxRPM: 60})
	x.seen = y.now
}

// look lets a box read the counter.
func (y *yard) look(x *box) {
	d, most := y.raw-x.raw, bound(y.now-x.seen)
	if d > most {
		y.preset(x, x.agent.life, x.ext, most)
		return
	}
	x.counts(x.seen, y.now, x.ext, x.ext+d, 32)
	x.ext, x.raw, x.seen = x.ext+d, y.raw, y.now
}

// turn lets the machine turn for a while; jump is a step of its counter in it.
func (y *yard) turn(seconds float64, counts int64, jump uint64) {
	y.now += seconds
	y.made += counts
	y.raw += uint64(counts) + jump
}

// replace puts another box in the place of the current one, which takes a
// while.
func (y *yard) replace(offline bool) {
	if y.current != nil {
		y.turn(10, rapid.Int64Range(0, 8).Draw(y.T, "meanwhile"), 0)
	}
	x := &box{agent: other(y.b.T, "a1", y.machine, fmt.Sprintf("box %d of %s", len(y.boxes), y.machine)), offline: offline}
	y.boxes, y.current = append(y.boxes, x), x
	if !offline {
		r := y.b.resume(x.agent, y.now)
		if r.Verdict == store.ResumeContinue {
			since := y.now - r.At.Sub(t0).Seconds()
			y.turn(1, 0, 0)
			x.gap(r.At.Sub(t0).Seconds(), y.now, false)
			d, most := y.raw-r.Raw, bound(since+6)
			if d > most {
				y.preset(x, r.Life, r.Ext, most)
				return
			}
			x.agent.life = r.Life
			x.ext, x.raw, x.seen = r.Ext+d, y.raw, y.now
			x.add(y.now, &store.CountSpan{Life: r.Life, From: r.Ext, To: x.ext, RawTo: y.raw, RawBits: 32, FromBoottime: ns(y.now), PerRev: 1, TimeUnknown: true})
			return
		}
	}
	y.turn(1, 0, 0)
	x.life = y.newLife()
	x.sight(y.now, x.life, y.raw, 32)
	x.ext, x.raw, x.seen = y.raw, y.raw, y.now
}

// deliver brings the oldest batch of a box to the server, or all it has told.
func (y *yard) deliver(x *box, again bool) {
	x.send()
	if len(x.unsent) == 0 {
		return
	}
	b := x.unsent[0]
	b.Clock.Boottime, b.Clock.Wall, b.Received = ns(y.now), at(y.now).UnixNano(), at(y.now) // as it is sent now
	o := y.b.commit(b)[0]
	if o.Verdict != store.OK && (o.Verdict != store.Frozen || x == y.current) {
		y.Fatalf("box %d: %+v", len(y.boxes), o)
	}
	if !again {
		x.unsent = x.unsent[1:]
	}
}

func (y *yard) check(end bool) {
	x := y.b.totals(y.machine)
	if x.Revolutions > y.made || x.Revolutions+x.LostMin > y.made {
		y.Fatalf("%d revolutions and %d to %d lost, more than the %d that were made", x.Revolutions, x.LostMin, x.LostMax, y.made)
	}
	if end && x.Revolutions+x.LostMax < y.made {
		y.Fatalf("%d revolutions and %d to %d lost, %d were made", x.Revolutions, x.LostMin, x.LostMax, y.made)
	}
}

// Boxes are replaced with and without the server, come back, and bring what
// they had in any order: the count is never above the truth, and in the end it
// is the truth, or bounds that hold it are declared.
func testBoxes(t *testing.T, b *bench) {
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		y := &yard{T: rt, b: b, machine: fmt.Sprintf("m%d", n), raw: 1_000_000}
		b.register("a1", y.machine)
		y.replace(true)
		y.deliver(y.current, false)
		for range rapid.IntRange(3, 12).Draw(rt, "steps") {
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			case 0, 1, 2, 3: // watched
				for range rapid.IntRange(1, 3).Draw(rt, "spans") {
					y.turn(10, rapid.Int64Range(0, 8).Draw(rt, "counts"), 0)
					y.look(y.current)
				}
			case 4: // the controller begins elsewhere
				y.turn(10, rapid.Int64Range(0, 8).Draw(rt, "counts"), 5_000_000)
				if rapid.Bool().Draw(rt, "watched") {
					y.look(y.current)
				}
			case 5: // nobody watches
				s := rapid.Int64Range(1, 600).Draw(rt, "seconds")
				y.turn(float64(s), rapid.Int64Range(0, s*3/4).Draw(rt, "counts"), 0)
			case 6:
				y.replace(rapid.Bool().Draw(rt, "offline"))
			case 7: // a box of before reads again
				if x := rapid.SampledFrom(y.boxes).Draw(rt, "back"); x != y.current {
					y.turn(10, rapid.Int64Range(0, 8).Draw(rt, "counts"), 0)
					y.look(x)
					y.deliver(x, false)
				}
			default:
				y.deliver(rapid.SampledFrom(y.boxes).Draw(rt, "from"), rapid.Bool().Draw(rt, "again"))
			}
			y.check(false)
		}
		// Two spans: one that began while another box still told of the counter
		// is left out, and the next one makes up for it.
		for range 2 {
			y.turn(10, 4, 0)
			y.look(y.current)
		}
		for range 3 {
			for _, x := range y.boxes {
				for x.send(); len(x.unsent) > 0; {
					y.deliver(x, false)
				}
			}
		}
		y.check(true)
	})
}
