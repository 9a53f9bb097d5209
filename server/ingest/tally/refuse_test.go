package tally

import (
	"math"
	"testing"
	"time"

	"turnwise/server/store"
)

// What cannot be true is refused and changes nothing.
func TestRefused(t *testing.T) {
	const s = int64(1e9)
	life := store.ID{1}
	for _, c := range []struct {
		name string
		at   int64
		kind any
	}{
		{"counts backwards", 20 * s, &store.CountSpan{Life: life, From: 9, To: 8, FromBoottime: 10 * s}},
		{"time backwards", 5 * s, &store.CountSpan{Life: life, From: 4, To: 8, FromBoottime: 10 * s}},
		{"half the number line", 20 * s, &store.CountSpan{Life: life, From: 4, To: math.MaxUint64, FromBoottime: 10 * s}},
		{"a small span far above", 20 * s, &store.CountSpan{Life: life, From: 1 << 62, To: 1<<62 + 1, FromBoottime: 10 * s}},
		{"a small span far below", 20 * s, &store.CountSpan{Life: store.ID{2}, From: 0, To: 1, FromBoottime: 10 * s}},
		{"years of counts in an unwatched moment", 20 * s, &store.CountSpan{Life: life, From: 4, To: 1 << 40, FromBoottime: 20 * s, TimeUnknown: true}},
		{"no life", 20 * s, &store.CountSpan{From: 4, To: 8}},
		{"stop without id", 20 * s, &store.StopBegin{}},
		{"end without id", 20 * s, &store.StopEnd{}},
		{"gap backwards", 20 * s, &store.StateGap{FromBoottime: 30 * s}},
		{"link without life", 20 * s, &store.LifeLink{}},
		{"bounds crossed", 20 * s, &store.LifeLink{New: store.ID{4}, LostMin: 2, LostMax: 1}},
		{"cannot be read", 20 * s, &store.Unreadable{Reason: "noise"}},
	} {
		b := newBooks()
		b.m.Apply(1, &store.Record{Boottime: 10 * s, Kind: &store.CountSpan{Life: life, From: 0, To: 4}}, b.place, b.c)
		b.m.Apply(1, &store.Record{Boottime: 10 * s, Kind: &store.CountSpan{Life: store.ID{2}, From: 1 << 50, To: 1 << 50, FromBoottime: 10 * s}}, b.place, b.c)
		before := b.totals()
		if why := b.m.Apply(1, &store.Record{Boottime: c.at, Kind: c.kind}, b.place, b.c); why == "" {
			t.Errorf("%s was not refused", c.name)
		}
		if after := b.totals(); after != before {
			t.Errorf("%s: books %+v, before %+v", c.name, after, before)
		}
	}
}

// A boot is placed by the agent's clock where it can be true.
func TestOffset(t *testing.T) {
	received := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	ns := func(d time.Duration) int64 { return received.Add(d).UnixNano() }
	b := func(wall time.Duration) *store.Batch {
		return &store.Batch{
			Received: received, Clock: store.Clock{Boot: 1, Boottime: 500, Wall: ns(wall), Synced: true},
			Records: []store.Record{{Boot: 2, Boottime: 70, Wall: ns(-time.Hour)}, {Boot: 3, Boottime: 90, Wall: ns(time.Hour)}, {Boot: 4, Boottime: 10, Wall: 5}},
		}
	}
	last := received.Add(-time.Minute).UnixMilli()
	for _, c := range []struct {
		name string
		wall time.Duration
		boot uint32
		want int64
	}{
		{"own clock agrees", -1900 * time.Millisecond, 1, ns(-1900*time.Millisecond) - 500},
		{"own clock is slow", -2100 * time.Millisecond, 1, ns(0) - 500},
		{"own clock is years fast", 90_000 * time.Hour, 1, ns(0) - 500},
		{"another boot by its own wall", 0, 2, ns(-time.Hour) - 70},
		{"another boot from the future follows what is known", 0, 3, last*1e6 - 90},
		{"another boot from 1970 too", 0, 4, last*1e6 - 10},
	} {
		if got := Offset(b(c.wall), c.boot, 0, last, 0); got != c.want {
			t.Errorf("%s: %d, want %d", c.name, got, c.want)
		}
	}
}

// A boot whose clock says nothing was over when the boot that sends began, although
// another reader has told of a later time since. It does not come before what its
// own stream has told.
func TestOffsetBeforeTheBootThatSends(t *testing.T) {
	received := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	up := int64(7 * time.Minute) // of the boot that sends
	const first, last = int64(20 * time.Second), int64(90 * time.Second)
	b := &store.Batch{
		Received: received, Clock: store.Clock{Boot: 2, Boottime: up},
		Records: []store.Record{{Boot: 1, Boottime: first, Wall: 5}, {Boot: 1, Boottime: last, Wall: 6}, {Boot: 2, Boottime: up}},
	}
	before := func(d time.Duration) int64 { return received.Add(-d).UnixMilli() }
	began := received.UnixNano() - up
	for _, c := range []struct {
		name         string
		prev, newest int64
		want         int64
	}{
		{"another reader told of a later time", 0, before(30 * time.Second), began - last},
		{"another reader told of an earlier time", 0, before(time.Hour), before(time.Hour)*1e6 - first},
		{"nothing is known", 0, 0, received.UnixNano() - last},
		{"its own stream told of a later time", before(time.Minute), before(30 * time.Second), before(time.Minute)*1e6 - first},
	} {
		if got := Offset(b, 1, c.prev, c.newest, 0); got != c.want {
			t.Errorf("%s: placed %v after what is expected", c.name, time.Duration(got-c.want))
		}
	}
}

func TestCellStart(t *testing.T) {
	for _, c := range [][2]int64{{0, 0}, {Fine - 1, 0}, {Fine, Fine}, {-1, -Fine}, {-Fine, -Fine}, {-Fine - 1, -2 * Fine}} {
		if got := CellStart(c[0], Fine); got != c[1] {
			t.Errorf("CellStart(%d) = %d, want %d", c[0], got, c[1])
		}
	}
}

// TestReplacedReader: what a lost journal had counted is bounded, not left out.
func TestReplacedReader(t *testing.T) {
	place := Places{Offsets: map[uint32]int64{1: 0}, Hi: 1 << 60}
	rec := func(ms int64, kind any) *store.Record {
		return &store.Record{Boot: 1, Boottime: ms * 1e6, Kind: kind}
	}
	m, c := new(Machine), NewChanges(nil)
	m.Come(3, true, 0)
	for _, r := range []struct {
		stream int64
		rec    *store.Record
	}{
		{1, rec(1000, &store.LifeLink{New: store.ID{1}, PerRev: 4})},
		{1, rec(61_000, &store.CountSpan{Life: store.ID{1}, From: 0, To: 120, FromBoottime: 1000 * 1e6, PerRev: 4})},
		{2, rec(91_000, &store.LifeLink{New: store.ID{2}, PerRev: 4})},
		{2, rec(91_000, &store.LifeLink{New: store.ID{2}, PerRev: 4})},                                // told twice
		{3, rec(31_000, &store.LifeLink{New: store.ID{3}, PerRev: 4})},                                // late word: that time was watched
		{2, rec(92_000, &store.LifeLink{New: store.ID{4}, Prev: store.ID{2}, LostMax: 8, PerRev: 4})}, // an agent's own bounds hold
	} {
		if why := m.Apply(r.stream, r.rec, place, c); why != "" {
			t.Fatal(why)
		}
	}
	// By hand: half a minute at 1000 rpm and 2 counts for the edges, and 8 counts of 4 to the revolution.
	if m.Revolutions != 30 || m.LostMin != 0 || m.LostMax != 501+2 {
		t.Errorf("%d revolutions, %d to %d lost; want 30, 0 to 503", m.Revolutions, m.LostMin, m.LostMax)
	}
}

// TestReaderUnderWrongClock: a new journal whose clock shows a time before the
// newest reading is the newest reader all the same, what it missed is bounded,
// and the reader after it goes on from its readings, not from those before.
func TestReaderUnderWrongClock(t *testing.T) {
	place := Places{Offsets: map[uint32]int64{1: 0}, Hi: 1 << 60}
	rec := func(s int64, kind any) *store.Record {
		return &store.Record{Boot: 1, Boottime: s * 1e9, Kind: kind}
	}
	link := func(life byte, raw uint64) *store.LifeLink {
		return &store.LifeLink{New: store.ID{life}, PerRev: 1, Raw: raw, Ext: raw, RawBits: 32, MaxRPM: 60}
	}
	m, c := new(Machine), NewChanges(nil)
	for _, r := range []struct {
		stream int64
		rec    *store.Record
	}{
		{1, rec(7200, link(1, 1000))},
		{1, rec(7260, &store.CountSpan{Life: store.ID{1}, From: 1000, To: 1060, FromBoottime: 7200e9, RawTo: 1060, RawBits: 32, PerRev: 1})},
		{2, rec(3600, link(2, 1070))}, // an hour slow
		{2, rec(3630, &store.CountSpan{Life: store.ID{2}, From: 1070, To: 1100, FromBoottime: 3600e9, RawTo: 1100, RawBits: 32, PerRev: 1})},
		{3, rec(7300, link(3, 1100))}, // goes on where stream 2 ended
	} {
		if why := m.Apply(r.stream, r.rec, place, c); why != "" {
			t.Fatal(why)
		}
	}
	// By hand: 60 and 30 turns were counted, the 10 between are among a day at
	// 1.25 times 60 a minute and 2 for the edges. The third reader adds nothing.
	if most := int64(24*60*75 + 2); m.Revolutions != 90 || m.LostMin != 0 || m.LostMax != most {
		t.Errorf("%d revolutions, %d to %d lost; want 90, 0 to %d", m.Revolutions, m.LostMin, m.LostMax, most)
	}
}

// TestReadersAsideUnderAClockSetBack: the server's clock was set back while the
// first reader told of its life, so that all that is new seems to be from before
// the life. A second one that was at the counter at the same time is joined to it
// all the same.
func TestReadersAsideUnderAClockSetBack(t *testing.T) {
	place := Places{Offsets: map[uint32]int64{1: 0}, Hi: 1 << 60}
	rec := func(s int64, kind any) *store.Record {
		return &store.Record{Boot: 1, Boottime: s * 1e9, Kind: kind}
	}
	link := func(life byte, raw uint64) *store.LifeLink {
		return &store.LifeLink{New: store.ID{life}, PerRev: 1, Raw: raw, Ext: raw, RawBits: 32, MaxRPM: 60}
	}
	span := func(life byte, from, to uint64, begin int64) *store.CountSpan {
		return &store.CountSpan{Life: store.ID{life}, From: from, To: to, FromBoottime: begin * 1e9, RawTo: to, RawBits: 32, PerRev: 1}
	}
	m, c := new(Machine), NewChanges(nil)
	for _, r := range []struct {
		stream int64
		rec    *store.Record
	}{
		{1, rec(7200, link(1, 1000))},
		{1, rec(7260, span(1, 1000, 1060, 7200))},
		{1, rec(3760, span(1, 1060, 1160, 3660))}, // an hour was taken back
		{2, rec(3765, link(2, 1120))},
		{2, rec(3845, span(2, 1120, 1200, 3765))},
	} {
		if why := m.Apply(r.stream, r.rec, place, c); why != "" {
			t.Fatal(why)
		}
	}
	// By hand: the counter went from 1000 to 1200. Had it been set back instead, 40
	// turns and those of 10 s at 1.25 times 60 a minute and 2 for the edges were lost.
	if m.Revolutions != 200 || m.LostMin != 0 || m.LostMax != 40+15 {
		t.Errorf("%d revolutions, %d to %d lost; want 200, 0 to 55", m.Revolutions, m.LostMin, m.LostMax)
	}
}

// TestVagueReader: a new journal whose first boot spoke to nobody is placed
// where the newest reading is. What it missed may have taken until it was met;
// where it was met before that reading, the server's clock was set back, and a
// day is bounded.
func TestVagueReader(t *testing.T) {
	place := Places{Offsets: map[uint32]int64{1: 0}, Hi: 1 << 60}
	rec := func(s int64, kind any) *store.Record {
		return &store.Record{Boot: 1, Boottime: s * 1e9, Kind: kind}
	}
	link := func(life byte, raw uint64, bits uint32) *store.LifeLink {
		return &store.LifeLink{New: store.ID{life}, PerRev: 1, Raw: raw, Ext: raw, RawBits: bits, MaxRPM: 60}
	}
	for _, tt := range []struct {
		name       string
		bits       uint32
		met        int64 // s; 0 = the begin is not vague
		raw        uint64
		turns, max int64
	}{
		{"follows, as far as it may have gone until it was met", 32, 600, 1500, 60 + 440, 0},
		{"not vague, and farther than it turns in a second", 32, 0, 1500, 60, 10},
		{"fell", 32, 600, 5, 60, 682},
		{"met before the newest reading", 32, 30, 1500, 60, 108_002},
		{"may have gone around until it was met", 16, 90_000, 1500, 60, 112_432},
	} {
		m, c := new(Machine), NewChanges(nil)
		m.Come(2, false, tt.met*1000)
		for _, r := range []struct {
			stream int64
			rec    *store.Record
		}{
			{1, rec(1, link(1, 1000, tt.bits))},
			{1, rec(61, &store.CountSpan{Life: store.ID{1}, From: 1000, To: 1060, FromBoottime: 1e9, RawTo: 1060, RawBits: tt.bits, PerRev: 1})},
			{2, rec(62, link(2, tt.raw, tt.bits))},
		} {
			if why := m.Apply(r.stream, r.rec, place, c); why != "" {
				t.Fatal(why)
			}
		}
		// By hand: 1.25 turns a second and 2, over the time and 5 s for placing.
		if m.Revolutions != tt.turns || m.LostMin != 0 || m.LostMax != tt.max {
			t.Errorf("%s: %d revolutions, %d to %d lost; want %d, 0 to %d", tt.name, m.Revolutions, m.LostMin, m.LostMax, tt.turns, tt.max)
		}
	}
}

// TestLateLifeOnTheWay: a reader that came late by its clock, and whose counts
// are booked as a life of their own, is not passed over once more by the next
// reader, which goes on from the reading before it.
func TestLateLifeOnTheWay(t *testing.T) {
	place := Places{Offsets: map[uint32]int64{1: 0}, Hi: 1 << 60}
	rec := func(s int64, kind any) *store.Record {
		return &store.Record{Boot: 1, Boottime: s * 1e9, Kind: kind}
	}
	link := func(life byte, raw uint64) *store.LifeLink {
		return &store.LifeLink{New: store.ID{life}, PerRev: 1, Raw: raw, Ext: raw, RawBits: 32, MaxRPM: 60}
	}
	m, c := new(Machine), NewChanges(nil)
	m.Come(2, true, 0)
	for _, r := range []struct {
		stream int64
		rec    *store.Record
	}{
		{1, rec(7200, link(1, 1000))},
		{1, rec(7260, &store.CountSpan{Life: store.ID{1}, From: 1000, To: 1060, FromBoottime: 7200e9, RawTo: 1060, RawBits: 32, PerRev: 1})},
		{2, rec(3600, link(2, 1070))}, // an hour slow, so that it seems to come late
		{2, rec(3630, &store.CountSpan{Life: store.ID{2}, From: 1070, To: 1100, FromBoottime: 3600e9, RawTo: 1100, RawBits: 32, PerRev: 1})},
		{3, rec(7320, link(3, 1110))},
	} {
		if why := m.Apply(r.stream, r.rec, place, c); why != "" {
			t.Fatal(why)
		}
	}
	// By hand: 60 and 30 turns were told, 20 more are among a minute and 5 s at
	// 1.25 a second and 2.
	if m.Revolutions != 90 || m.LostMin != 0 || m.LostMax != 84 {
		t.Errorf("%d revolutions, %d to %d lost; want 90, 0 to 84", m.Revolutions, m.LostMin, m.LostMax)
	}
}

// TestBuriedPulses: of a pulse counter nothing but its first sight is known when
// all that its reader told next is lost, to the gap before the life that it tells
// of: what may have been counted is bounded by the time since that first sight.
func TestBuriedPulses(t *testing.T) {
	place := Places{Offsets: map[uint32]int64{1: 0}}
	place.Lo, place.Hi = Bound(time.Unix(630, 0))
	rec := func(s int64, kind any) *store.Record {
		return &store.Record{Boot: 1, Boottime: s * 1e9, Kind: kind}
	}
	m, c := new(Machine), NewChanges(nil)
	for _, r := range []struct {
		stream int64
		rec    *store.Record
	}{
		{1, rec(10, &store.LifeLink{New: store.ID{1}, PerRev: 6, MaxRPM: 60})},
		{2, rec(0, &store.Tombstone{From: 1, To: 25})},
		{2, rec(630, &store.StateGap{FromBoot: 1, FromBoottime: 600e9, Reason: "agent down"})},
		{2, rec(630, &store.LifeLink{New: store.ID{3}, Prev: store.ID{2}, PrevTo: 99, PerRev: 6, Ext: 99, LostMax: 12, MaxRPM: 60})},
	} {
		if why := m.Apply(r.stream, r.rec, place, c); why != "" {
			t.Fatal(why)
		}
	}
	// By hand: 620 s at 1.25 times 60 rpm and 14 counts, 6 to the turn: 4664 / 6.
	if want := int64(778); m.Revolutions != 0 || m.LostMin != 0 || m.LostMax != want {
		t.Errorf("%d revolutions, %d to %d lost; want 0, 0 to %d", m.Revolutions, m.LostMin, m.LostMax, want)
	}
}

// TestBuriedLink: a reader that has lost the link of a life, and the boot in which
// it tells of that, may stand at any instant until it was heard, where its clock
// does not tell.
func TestBuriedLink(t *testing.T) {
	for _, tt := range []struct {
		name   string
		synced bool
		want   int64 // by hand: 1.25 turns a second, and 2, rounded up
	}{
		{"no clock", false, 621},          // from 10 to 500 s, and 5 s for the placing
		{"a clock that was set", true, 9}, // it began as soon as the one before ended
	} {
		t.Run(tt.name, func(t *testing.T) {
			place := Places{Offsets: map[uint32]int64{1: 0, 2: 10e9}}
			place.Lo, place.Hi = Bound(time.Unix(500, 0))
			m, c := new(Machine), NewChanges(nil)
			for _, r := range []*store.Record{
				{Boot: 1, Boottime: 1e9, Kind: &store.LifeLink{New: store.ID{1}, PerRev: 1, MaxRPM: 60, Raw: 200, RawBits: 32, Ext: 200}},
				{Boot: 1, Boottime: 10e9, Kind: &store.CountSpan{Life: store.ID{1}, From: 200, To: 205, RawTo: 205, RawBits: 32, FromBoottime: 1e9, PerRev: 1}},
				{Kind: &store.Tombstone{From: 3, To: 90}},
				{Boot: 2, Boottime: 1e9, Synced: tt.synced, Kind: &store.CountSpan{Life: store.ID{2}, From: 99, To: 100, RawTo: 100, RawBits: 32, PerRev: 1}},
			} {
				if needs := m.ByReceipt(1, r); needs != (r.Boot == 2 && !tt.synced) {
					t.Errorf("boot %d: %v that it needs its receipt", r.Boot, needs)
				}
				if why := m.Apply(1, r, place, c); why != "" {
					t.Fatal(why)
				}
			}
			if m.Revolutions != 6 || m.LostMin != 0 || m.LostMax != tt.want {
				t.Errorf("%d revolutions, %d to %d lost; want 6, 0 to %d", m.Revolutions, m.LostMin, m.LostMax, tt.want)
			}
		})
	}
}

// TestLifeBeforeIsNotBooked: a reader was handed a life, and the server was set back
// to books that do not know it. What was counted in it, and before it, is bounded.
func TestLifeBeforeIsNotBooked(t *testing.T) {
	for _, tt := range []struct {
		name string
		prev byte
		want int64
	}{
		{"the books know the life before", 1, 5}, // as its reader tells
		{"they do not", 2, 384 + 5},              // by hand: 300 s and 5 s for the placing at 1.25 a second, rounded up, and 2
	} {
		m, c := new(Machine), NewChanges(nil)
		place := Places{Offsets: map[uint32]int64{1: 0}}
		for i, kind := range []any{
			&store.LifeLink{New: store.ID{1}, PerRev: 1, RawBits: 32, MaxRPM: 60},
			&store.CountSpan{Life: store.ID{1}, PerRev: 1, To: 100, RawTo: 100, RawBits: 32},
			&store.LifeLink{New: store.ID{3}, Prev: store.ID{tt.prev}, PrevTo: 100, PerRev: 1, Raw: 9000, Ext: 9000, RawBits: 32, MaxRPM: 60, LostMax: 5},
		} {
			at := []int64{0, 1000, 1300}[i] * 1e9
			if why := m.Apply(int64(i/2), &store.Record{Boot: 1, Boottime: at, Kind: kind}, place, c); why != "" {
				t.Fatal(why)
			}
		}
		if m.Revolutions != 100 || m.LostMin != 0 || m.LostMax != tt.want {
			t.Errorf("%s: %d revolutions, %d to %d lost; want 100, 0 to %d", tt.name, m.Revolutions, m.LostMin, m.LostMax, tt.want)
		}
	}
}
