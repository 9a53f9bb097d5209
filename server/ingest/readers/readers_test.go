package readers

import (
	"testing"
	"time"

	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// Which of two streams of one agent takes over, by when each seemed to begin
// (seconds) and what is known of the clock that says so.
func TestWhoTakesOver(t *testing.T) {
	const s = 1000
	for _, c := range []struct {
		name         string
		first, later Reach // in the order in which the store met them
		want         bool  // the later one takes over
	}{
		{"a new journal", Reach{Begin: 10 * s, Met: 11 * s}, Reach{Begin: 100 * s, Met: 101 * s}, true},
		{"late word of a box that was replaced", Reach{Begin: 100 * s, Met: 101 * s}, Reach{Begin: 10 * s, Met: 200 * s}, false},
		{"both at once", Reach{Begin: 100 * s, Met: 101 * s}, Reach{Begin: 103 * s, Met: 104 * s}, false},
		{"a new journal under a clock that nobody had checked", Reach{Begin: 100 * s, Met: 101 * s}, Reach{Begin: 10 * s, Met: 200 * s, Vague: true}, true},
		{"the one before was under such a clock", Reach{Begin: 100 * s, Met: 101 * s, Vague: true}, Reach{Begin: 10 * s, Met: 200 * s}, true},
		{"the server's clock was set back between them", Reach{Begin: 3600 * s, Met: 3601 * s}, Reach{Begin: 10 * s, Met: 11 * s}, true},
		{"by an older version, which noted no meeting", Reach{Begin: 3600 * s}, Reach{Begin: 10 * s}, false},
	} {
		r := NewRow()
		r.Agents["a1"] = map[string]int64{"k01": 1}
		ch := NewChanges()
		a := r.Begin(store.ID{1}, "a1", "k01", Run{}, ch)
		b := r.Begin(store.ID{2}, "a1", "k01", Run{}, ch)
		a.Reach, b.Reach = c.first, c.later
		if got := r.after(b, a); got != c.want || r.after(a, b) == got {
			t.Errorf("%s: the later one takes over: %v, the first one: %v; want %v", c.name, got, r.after(a, b), c.want)
		}
	}
}

// A boot that one stream had placed before the server's clock was set is placed
// by the receipt in a stream that begins after that.
func TestBootOfBeforeTheClockWasSet(t *testing.T) {
	r, c := NewRow(), NewChanges()
	received := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	batch := func(stream byte, up time.Duration, at time.Time) *store.Batch {
		return &store.Batch{Agent: "a1", Stream: store.ID{stream}, Received: at, Boots: map[uint32]store.ID{1: {7}}, Clock: store.Clock{Boot: 1, Boottime: int64(up)}}
	}
	for _, x := range []struct {
		stream byte
		up     time.Duration
		at     time.Time
		want   time.Time // of the sending
	}{
		{1, time.Minute, received, received},
		{2, 3 * time.Minute, received.Add(2*time.Minute + 8*time.Second), received.Add(2 * time.Minute)}, // eight seconds on its way
		{3, 3 * time.Minute, received.Add(time.Hour), received.Add(time.Hour)},                           // the clock was set
	} {
		st := r.Begin(store.ID{x.stream}, "a1", "k01", Run{}, c)
		r.placeBoot(new(tally.Machine), st, batch(x.stream, x.up, x.at), 1, c)
		if got := time.UnixMilli(st.Places.At(1, int64(x.up))).UTC(); !got.Equal(x.want) {
			t.Errorf("stream %d was sent at %v, want %v", x.stream, got, x.want)
		}
	}
}

// A reader that was replaced is not believed until the clock of a server that
// was set back reaches the time of the hand-over again.
func TestReplacedReaderUnderAClockSetBack(t *testing.T) {
	fence := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name     string
		received time.Time
		at       time.Time // of the record
		want     int
	}{
		{"late word of before the hand-over", fence.Add(time.Minute), fence.Add(-time.Second), 1},
		{"word of after it", fence.Add(time.Minute), fence.Add(time.Second), 0},
		{"the clock was set back by an hour", fence.Add(-time.Hour), fence.Add(-time.Hour), 0},
		{"two clocks that do not quite agree", fence.Add(-2 * time.Second), fence.Add(-4 * time.Second), 1},
	} {
		r, ch := NewRow(), NewChanges()
		st := r.Begin(store.ID{1}, "a1", "k01", Run{}, ch)
		st.Begun, st.Begin, st.Records = true, fence.Add(-2*time.Hour).UnixMilli(), 1
		st.restrict(fence.UnixMilli(), true)
		st.Places.Offsets[1] = c.at.UnixNano() - int64(time.Minute)
		rec := store.Record{Seq: 2, Boot: 1, Boottime: int64(time.Minute), Kind: &store.CountSpan{}}
		b := &store.Batch{Agent: "a1", Machine: "k01", Stream: st.ID, Received: c.received, Boots: map[uint32]store.ID{1: {7}}, Clock: store.Clock{Boot: 1, Boottime: int64(time.Minute)}, Records: []store.Record{rec}}
		if n, why := r.Believed(new(tally.Machine), st, b, b.Records, ch); n != c.want {
			t.Errorf("%s: %d records believed, want %d (%s)", c.name, n, c.want, why)
		}
	}
}

// What a replaced reader tells of a boot that no clock places is not believed: it
// may be of after the hand-over. A clock that was set says that it was before.
func TestReplacedReaderOfABootWithoutAClock(t *testing.T) {
	fence := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		name   string
		wall   int64
		synced bool
		fenced bool
		want   int
	}{
		{"no clock", 5, false, true, 0},
		{"a clock of before the hand-over", fence.Add(-time.Minute).UnixNano(), true, true, 1},
		{"a clock that nobody set, of before it", fence.Add(-time.Minute).UnixNano(), false, true, 1},
		{"a clock that nobody set, of before what the reader told itself", fence.Add(-3 * time.Hour).UnixNano(), false, true, 0},
		{"such a clock, and nobody took over", fence.Add(-3 * time.Hour).UnixNano(), false, false, 1},
		{"a clock of after it", fence.Add(time.Minute).UnixNano(), true, true, 0},
		{"no clock, and nobody took over", 5, false, false, 1},
	} {
		r, ch := NewRow(), NewChanges()
		st := r.Begin(store.ID{1}, "a1", "k01", Run{}, ch)
		st.Begun, st.Begin, st.Records = true, fence.Add(-2*time.Hour).UnixMilli(), 1
		st.Places.Offsets[1], st.Booked[1] = fence.Add(-2*time.Hour).UnixNano(), int64(time.Minute)
		if c.fenced {
			st.restrict(fence.UnixMilli(), true)
		}
		rec := store.Record{Seq: 2, Boot: 2, Boottime: int64(time.Minute), Wall: c.wall, Synced: c.synced, Kind: &store.CountSpan{}}
		b := &store.Batch{
			Agent: "a1", Machine: "k01", Stream: st.ID, Received: fence.Add(time.Hour), Boots: map[uint32]store.ID{1: {7}, 2: {8}, 3: {9}},
			Clock: store.Clock{Boot: 3, Boottime: int64(time.Minute)}, Records: []store.Record{rec},
		}
		if n, why := r.Believed(new(tally.Machine), st, b, b.Records, ch); n != c.want {
			t.Errorf("%s: %d records believed, want %d (%s)", c.name, n, c.want, why)
		}
	}
}

// What a reader tells is not counted where the one that it replaced has told of
// that time, as far as instants can be compared: seconds of the server's clock,
// which may have been set back before the new reader was met.
func TestToldBeforeTheReaderWasKnown(t *testing.T) {
	const s = 1000
	for _, c := range []struct {
		name                   string
		read, met, received, x int64 // the other one's newest reading; the record
		told                   bool
	}{
		{"before the newest reading", 2000, 2100, 2100, 1900, true},
		{"after it", 2000, 2100, 2100, 2050, false},
		{"the clock was set back since the reading", 2000, 1000, 1000, 990, true},
		{"and the reader goes on", 2000, 1000, 1300, 1290, false},
		{"record and reading are of before the clock was set back", 2000, 1000, 1000, 1900, true},
		{"of before that too, but after the reading", 2000, 1000, 1000, 2050, false},
	} {
		r, ch := NewRow(), NewChanges()
		other := r.Begin(store.ID{1}, "a1", "k01", Run{}, ch)
		other.Reach = Reach{Begun: true, Begin: 10 * s, Fenced: true, Fence: 500 * s}
		st := r.Begin(store.ID{2}, "a2", "k01", Run{}, ch)
		st.Met, st.Places.Offsets[1] = c.met*s, 0
		key := tally.LifeKey{ID: store.ID{9}, PerRev: 1}
		m := &tally.Machine{Current: key, Lives: map[tally.LifeKey]*tally.Life{key: {Read: tally.Reading{At: c.read * s, Stream: other.Num}}}}
		why, how := r.Strange(m, st, &store.Record{Boot: 1, Boottime: c.x * 1e9, Kind: &store.StopBegin{Stop: store.ID{5}}}, time.UnixMilli(c.received*s))
		if told := why != ""; told != c.told || told && how != Told {
			t.Errorf("%s: %q, refusal %d; want it told %v", c.name, why, how, c.told)
		}
	}
}

// What goes on from the newest reading is of after it, however the clocks stand.
func TestWhatGoesOnWasNotTold(t *testing.T) {
	const s = 1000
	life, other := store.ID{9}, store.ID{8}
	for _, c := range []struct {
		name string
		kind any
		told bool
	}{
		{"counts from the newest reading", &store.CountSpan{Life: life, From: 500, To: 520, RawTo: 520, RawBits: 32}, false},
		{"counts from before it", &store.CountSpan{Life: life, From: 490, To: 520, RawTo: 520, RawBits: 32}, true},
		{"counts of another life", &store.CountSpan{Life: other, From: 500, To: 520, RawTo: 520, RawBits: 32}, true},
		{"a life after the newest reading", &store.LifeLink{New: other, Prev: life, PrevTo: 500, RawBits: 32}, false},
		{"a life that began before it", &store.LifeLink{New: other, Prev: life, PrevTo: 490, RawBits: 32}, true},
		{"a life after one that is not the newest", &store.LifeLink{New: life, Prev: other, PrevTo: 500, RawBits: 32}, true},
		{"a first sight", &store.LifeLink{New: other, RawBits: 32}, true},
	} {
		r, ch := NewRow(), NewChanges()
		first := r.Begin(store.ID{1}, "a1", "k01", Run{}, ch)
		first.Reach = Reach{Begun: true, Begin: 10 * s, Fenced: true, Fence: 500 * s}
		st := r.Begin(store.ID{2}, "a2", "k01", Run{}, ch)
		st.Met, st.Places.Offsets[1] = 4000*s, 0
		key := tally.LifeKey{ID: life, PerRev: 1}
		m := &tally.Machine{Current: key, Lives: map[tally.LifeKey]*tally.Life{
			key: {Counted: true, Min: 400, Max: 500, Read: tally.Reading{Raw: 500, Ext: 500, Bits: 32, At: 3000 * s, Stream: first.Num}},
		}}
		// The clock by which the new reader is placed was an hour slow.
		why, _ := r.Strange(m, st, &store.Record{Boot: 1, Boottime: 400e9, Kind: c.kind}, time.UnixMilli(4000*s))
		if (why != "") != c.told {
			t.Errorf("%s: %q; want it told %v", c.name, why, c.told)
		}
	}
}
