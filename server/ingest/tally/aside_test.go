package tally

import (
	"testing"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// aside is one counter with two readers, which were at it at a time or one after
// the other. Instants are in ms, the counter goes on all the time.
type aside struct {
	bits  uint32
	base  uint64 // register at 0
	rpm   int64
	ended int64 // the first one's newest reading
	began int64 // the second one's first reading
	last  int64
	fell  int64 // the register was set since the first one's newest reading; -1 = it was not
	to    uint64
	vague bool  // no clock of the second one's first boot could be believed
	wrong int64 // its clock is off by
}

func drawAside(t *rapid.T) aside {
	x := aside{bits: rapid.SampledFrom([]uint32{16, 32}).Draw(t, "bits"), rpm: rapid.Int64Range(1, 60).Draw(t, "rpm"), fell: -1}
	m := uint64(1) << x.bits
	x.base = rapid.OneOf(rapid.Uint64Range(0, m-1), rapid.Uint64Range(0, 2000), rapid.Uint64Range(m-2000, m-1)).Draw(t, "base")
	x.ended = rapid.Int64Range(0, 1_200_000).Draw(t, "ended")
	x.began = rapid.Int64Range(0, x.ended+300_000).Draw(t, "began")
	x.last = max(x.ended, x.began) + rapid.Int64Range(0, 600_000).Draw(t, "more")
	if x.began > x.ended && rapid.Bool().Draw(t, "set") {
		x.fell = rapid.Int64Range(x.ended, x.began).Draw(t, "when")
		x.to = rapid.OneOf(rapid.Just(uint64(0)), rapid.Uint64Range(0, m-1), rapid.Uint64Range(m+x.raw(x.ended)-200, m+x.raw(x.ended)+200)).Draw(t, "to") % m
	}
	x.vague = rapid.Bool().Draw(t, "vague")
	if !x.vague {
		x.wrong = rapid.SampledFrom([]int64{0, 0, -3000, 3000}).Draw(t, "wrong")
	}
	return x
}

// likeTurning tells that what the register was set to looks as if it had turned on
// from the newest reading: that nobody can tell. 1.25 turns a second and some.
func (x aside) likeTurning() bool {
	d := (x.raw(x.began) - x.raw(x.ended)) & (1<<x.bits - 1)
	return x.fell >= 0 && int64(d) <= (x.last-x.ended+10_000)*2/1000
}

func (x aside) turns(at int64) uint64 { return uint64(at * x.rpm / 60_000) }

func (x aside) raw(at int64) uint64 {
	from := x.base
	if x.fell >= 0 && at > x.fell {
		from = x.to - x.turns(x.fell)
	}
	return (from + x.turns(at)) & (1<<x.bits - 1)
}

// Two readers of one counter, the first of which the server has heard to the end
// when the second one speaks: whenever that began, no turn is counted twice, and
// what is counted too little is bounded. Where no more than what is told
// happened, the turns are exact.
func TestReadersAside(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawAside(t)
		if x.likeTurning() {
			t.Skip("it may have turned")
		}
		m, c := new(Machine), NewChanges(nil)
		place := Places{Offsets: map[uint32]int64{1: 0}, Hi: 1 << 60}
		tell := func(stream int64, at int64, kind any) {
			if why := m.Apply(stream, &store.Record{Boot: 1, Boottime: at * 1e6, Kind: kind}, place, c); why != "" {
				t.Fatalf("%T refused: %s", kind, why)
			}
		}
		// read tells of a reader's life from one instant to another, in two spans.
		read := func(stream, from, to, clock int64) {
			first, ext, at := x.raw(from), x.raw(from), from
			life := store.ID{byte(stream)}
			tell(stream, from+clock, &store.LifeLink{New: life, PerRev: 1, Raw: first, Ext: first, RawBits: x.bits, MaxRPM: 60})
			for _, end := range []int64{(from + to) / 2, to} {
				n := x.turns(end) - x.turns(at)
				tell(stream, end+clock, &store.CountSpan{Life: life, From: ext, To: ext + n, FromBoottime: (at + clock) * 1e6, RawTo: x.raw(end), RawBits: x.bits, PerRev: 1})
				ext, at = ext+n, end
			}
		}
		read(1, 0, x.ended, 0)
		clock := x.wrong
		if x.vague { // it is placed at the newest reading
			clock = x.ended - x.began
			m.Come(2, false, x.last+1000)
		}
		read(2, x.began, x.last, clock)

		truth := int64(x.turns(x.last))
		if m.Revolutions > truth || m.LostMin != 0 || m.Revolutions+m.LostMax < truth {
			t.Errorf("%d turns counted, at most %d lost, %d were made; %+v", m.Revolutions, m.LostMax, truth, x)
		}
		if sure := x.fell < 0 && x.raw(x.began) > 3000; sure && m.Revolutions != truth {
			t.Errorf("%d turns counted, %d were made, and the register was not set; %+v", m.Revolutions, truth, x)
		}
	})
}

// A counter is read after it was set, by a server's clock that was set back in
// between: what another reader then shows is not taken for the turning of all the
// time that this clock tells.
func TestTurningUnderAClockSetBack(t *testing.T) {
	for _, c := range []struct {
		name string
		read int64 // when the new life was read by the clock, in s
		want int64
	}{
		{"an hour back", 1000 - 3600, 100 + 10},
		{"not at all", 1010, 100 + 10 + 140},
	} {
		m, ch := new(Machine), NewChanges(nil)
		place := Places{Offsets: map[uint32]int64{1: 0}}
		tell := func(stream, at int64, kind any) {
			if why := m.Apply(stream, &store.Record{Boot: 1, Boottime: at * 1e9, Kind: kind}, place, ch); why != "" {
				t.Fatalf("%s: %s", c.name, why)
			}
		}
		tell(1, 0, &store.LifeLink{New: store.ID{1}, PerRev: 1, RawBits: 32, MaxRPM: 60})
		tell(1, 1000, &store.CountSpan{Life: store.ID{1}, PerRev: 1, To: 100, RawTo: 100, RawBits: 32})
		tell(1, c.read, &store.LifeLink{New: store.ID{2}, Prev: store.ID{1}, PrevTo: 100, PerRev: 1, Raw: 7000, Ext: 7000, RawBits: 32, MaxRPM: 60, LostMax: 5})
		tell(1, c.read, &store.CountSpan{Life: store.ID{2}, PerRev: 1, From: 7000, To: 7010, RawTo: 7010, RawBits: 32, FromBoottime: c.read * 1e9})
		// Turning explains 140 counts in two minutes, and any number in an hour.
		first := uint64(7150)
		if c.read < 1000 {
			first = 9000
		}
		tell(2, 1120, &store.LifeLink{New: store.ID{3}, PerRev: 1, Raw: first, Ext: first, RawBits: 32, MaxRPM: 60})
		if m.Revolutions != c.want {
			t.Errorf("%s: %d revolutions, at most %d lost; want %d", c.name, m.Revolutions, m.LostMax, c.want)
		}
	}
}
