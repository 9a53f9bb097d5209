package tally

import (
	"fmt"
	"maps"
	"testing"

	"pgregory.net/rapid"

	"turnwise/server/store"
)

// piece is one stretch of an invented machine's true day.
type piece struct {
	what   string // "run", "stop", "standstill", "gap", "reset"
	ms     int64
	counts uint64 // in a stop: by hand
	cause  string
}

// truth is what really happened, and what the books must say of it.
type truth struct {
	pieces []piece
	perRev uint32
	inched int64 // counts made by hand
	want   totals
}

// totals are the figures that may not depend on how a day was told.
type totals struct {
	Revolutions, Stops, LostMin, LostMax, RunMS, StopMS, UnknownMS int64
	Causes                                                         string
}

var causes = []string{"yarn", "needle", "fabric", Doff}

func drawTruth(t *rapid.T) truth {
	x := truth{perRev: rapid.SampledFrom([]uint32{1, 1, 3, 1000}).Draw(t, "perRev")}
	inLife, lives := uint64(0), int64(0)
	byCause := map[string]int64{}
	pieces := rapid.IntRange(1, 25).Draw(t, "pieces")
	for range pieces {
		p := piece{
			what: rapid.SampledFrom([]string{"run", "run", "run", "stop", "stop", "standstill", "gap", "reset"}).Draw(t, "what"),
			ms:   rapid.Int64Range(0, 1_500_000).Draw(t, "ms"),
		}
		switch p.what {
		case "run":
			p.counts = uint64(p.ms) * uint64(rapid.IntRange(0, 40).Draw(t, "rpm")) * uint64(x.perRev) / 60_000
			inLife += p.counts
			x.want.RunMS += p.ms
		case "stop":
			if rapid.Bool().Draw(t, "inched") {
				p.counts = uint64(rapid.IntRange(0, 5).Draw(t, "by hand"))
				inLife += p.counts
				x.inched += int64(p.counts)
			}
			p.cause = rapid.SampledFrom(causes).Draw(t, "cause")
			byCause[p.cause]++
			x.want.Stops++
			x.want.StopMS += p.ms
		case "standstill":
			x.want.StopMS += p.ms
		case "gap":
			p.counts = uint64(rapid.IntRange(0, 50).Draw(t, "unwatched"))
			inLife += p.counts
			x.want.UnknownMS += p.ms
		case "reset":
			p.ms, p.counts = 0, uint64(rapid.IntRange(0, 50).Draw(t, "lost"))
			lives += int64(inLife / uint64(x.perRev))
			inLife = 0
			x.want.LostMin += int64(p.counts / uint64(x.perRev))
			x.want.LostMax += int64((p.counts*2 + uint64(x.perRev) - 1) / uint64(x.perRev))
		}
		x.pieces = append(x.pieces, p)
	}
	x.want.Revolutions = lives + int64(inLife/uint64(x.perRev))
	x.want.Causes = fmt.Sprint(byCause)
	return x
}

// origin is the Unix ms at which the days begin: not a border of any cell.
const origin = 1_930_000_123_457

// tell makes the records of one stream, with the spans cut where it likes.
func (x truth) tell(t *rapid.T) []store.Record {
	var records []store.Record
	at, life, ext := int64(0), byte(1), uint64(100)
	add := func(atMS int64, kind any) { records = append(records, store.Record{Boottime: atMS * 1e6, Kind: kind}) }
	byHand := false
	span := func(from, to int64, counts uint64) {
		add(to, &store.CountSpan{Inched: byHand && counts > 0, Life: store.ID{life}, From: ext, To: ext + counts, FromBoottime: from * 1e6, PerRev: x.perRev})
		ext += counts
	}
	// cut tells a stretch in one to four spans.
	cut := func(ms int64, counts uint64) {
		from, end, left := at, at+ms, counts
		for range rapid.IntRange(0, 3).Draw(t, "cuts") {
			to := rapid.Int64Range(from, end).Draw(t, "cut")
			n := rapid.Uint64Range(0, left).Draw(t, "cutCounts")
			span(from, to, n)
			from, left = to, left-n
		}
		span(from, end, left)
	}
	for i, p := range x.pieces {
		end := at + p.ms
		stop := store.ID{9, byte(i)}
		switch p.what {
		case "run":
			cut(p.ms, p.counts)
		case "stop", "standstill":
			add(at, &store.StopBegin{Stop: stop, Input: p.what == "stop", Cause: p.cause})
			if p.counts > 0 || rapid.Bool().Draw(t, "watched") {
				byHand = true
				cut(p.ms, p.counts)
				byHand = false
			}
			add(end, &store.StopEnd{Stop: stop})
		case "gap":
			add(end, &store.StateGap{FromBoottime: at * 1e6, Reason: "agent down"})
			add(end, &store.CountSpan{Life: store.ID{life}, From: ext, To: ext + p.counts, FromBoottime: end * 1e6, PerRev: x.perRev})
			ext += p.counts
		case "reset":
			life++
			add(at, &store.LifeLink{New: store.ID{life}, Prev: store.ID{life - 1}, PrevTo: ext, LostMin: p.counts, LostMax: 2 * p.counts, PerRev: x.perRev})
			ext = 0
		}
		at = end
	}
	return records
}

// books are a machine with everything that a store would keep.
type books struct {
	m     Machine
	c     *Changes
	all   map[store.ID]*Stop
	place Places
	// untold: a life was told to follow one of which nothing was told yet.
	untold bool
}

func newBooks(jobs ...int64) *books {
	b := &books{all: map[store.ID]*Stop{}, place: Places{Offsets: map[uint32]int64{0: origin * 1e6}}}
	b.m.Jobs = jobs
	b.c = NewChanges(func(id store.ID) *Stop { return b.all[id] })
	return b
}

func (b *books) apply(t *rapid.T, stream int64, r store.Record) {
	if k, ok := r.Kind.(*store.LifeLink); ok && k.Prev != (store.ID{}) && !b.m.Knows(k.Prev) {
		b.untold = true
	}
	if why := b.m.Apply(stream, &r, b.place, b.c); why != "" {
		t.Fatalf("%T refused: %s", r.Kind, why)
	}
	if got := b.m.RunMS + b.m.StopMS + b.m.UnknownMS; got != b.m.Last-b.m.First {
		t.Fatalf("after %T: run + stop + unknown = %d ms, last - first = %d ms", r.Kind, got, b.m.Last-b.m.First)
	}
}

// commit forgets what a store would have written and read again.
func (b *books) commit() {
	maps.Copy(b.all, b.c.Stops)
	b.c.Stops = map[store.ID]*Stop{}
}

func (b *books) totals() totals {
	return totals{
		b.m.Revolutions, b.m.Stops, b.m.LostMin, b.m.LostMax, b.m.RunMS, b.m.StopMS, b.m.UnknownMS, fmt.Sprint(b.c.Causes),
	}
}

// sums checks that everything kept adds up to the totals.
func (b *books) sums(t *rapid.T) {
	var cells Cell
	for start, x := range b.c.Cells {
		if start%Fine != 0 || x.RunMS+x.StopMS+x.UnknownMS > Fine || x.Revolutions < 0 {
			t.Fatalf("cell at %d holds %+v", start, *x)
		}
		cells.Revolutions += x.Revolutions
		cells.RunMS += x.RunMS
		cells.StopMS += x.StopMS
		cells.UnknownMS += x.UnknownMS
		cells.Inched += x.Inched
		cells.Stops += x.Stops
	}
	if want := (Cell{b.m.Revolutions, b.m.Inched, b.m.RunMS, b.m.StopMS, b.m.UnknownMS, b.m.Stops}); cells != want {
		t.Fatalf("cells add up to %+v, want %+v", cells, want)
	}
	if b.m.Inched < 0 || b.m.Inched > b.m.Revolutions {
		t.Fatalf("%d of %d revolutions inched", b.m.Inched, b.m.Revolutions)
	}
	var counted, unknown int64
	for _, n := range b.c.Counts {
		counted += n
	}
	for _, g := range b.c.Gaps {
		unknown += g.To - g.From
	}
	if counted != b.m.Revolutions || unknown != b.m.UnknownMS {
		t.Fatalf("%d of %d revolutions under assignments, gaps of %d of %d ms", counted, b.m.Revolutions, unknown, b.m.UnknownMS)
	}
}

// However a day is cut into spans, the books are those of the day, cell by
// cell in time.
func TestAnySplit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawTruth(t)
		jobs := []int64{origin + 100_000, origin + 2_000_000}
		one, two := newBooks(jobs...), newBooks(jobs...)
		for _, b := range []*books{one, two} {
			for _, r := range x.tell(t) {
				b.apply(t, 1, r)
			}
			if got := b.totals(); got != x.want {
				t.Fatalf("books %+v, truth %+v", got, x.want)
			}
			b.sums(t)
			// Turns are run turns and inched turns. Of a counter with several
			// counts to the turn, parts of turns are made in stops.
			if x.perRev == 1 && b.m.Inched != x.inched {
				t.Fatalf("%d inched, %d were made by hand", b.m.Inched, x.inched)
			}
		}
		for start, c := range one.c.Cells {
			d := two.c.Cells[start]
			if d == nil {
				d = new(Cell)
			}
			if c.RunMS != d.RunMS || c.StopMS != d.StopMS || c.UnknownMS != d.UnknownMS || c.Stops != d.Stops {
				t.Fatalf("cell at %d: %+v in one telling, %+v in the other", start, *c, *d)
			}
		}
	})
}

// Telling anything again, at any later moment, changes nothing.
func TestAnyDuplication(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawTruth(t)
		records := x.tell(t)
		b := newBooks()
		for i, r := range records {
			b.apply(t, 1, r)
			for range rapid.IntRange(0, 2).Draw(t, "again") {
				b.apply(t, 1, records[rapid.IntRange(0, i).Draw(t, "which")])
			}
			if rapid.Bool().Draw(t, "commit") {
				b.commit()
			}
		}
		if got := b.totals(); got != x.want {
			t.Fatalf("books %+v, truth %+v", got, x.want)
		}
		b.sums(t)
	})
}

// Two agents watched the same machine, each for a part of the day, and their
// streams come in any order: counts, stops and bounds are those of what was
// told, and the times add up. Where a life is told before the one that it follows,
// bounds are of what was known then.
func TestAnyOrderOfStreams(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := drawTruth(t)
		one, two := x.tell(t), x.tell(t)
		one = one[:rapid.IntRange(0, len(one)).Draw(t, "oneEnds")]
		two = two[rapid.IntRange(0, len(two)).Draw(t, "twoBegins"):]
		straight := newBooks()
		for _, r := range one {
			straight.apply(t, 1, r)
		}
		for _, r := range two {
			straight.apply(t, 2, r)
		}
		mixed := newBooks()
		for len(one)+len(two) > 0 {
			stream, from := int64(1), &one
			if len(one) == 0 || len(two) > 0 && rapid.Bool().Draw(t, "two") {
				stream, from = 2, &two
			}
			mixed.apply(t, stream, (*from)[0])
			*from = (*from)[1:]
			if rapid.Bool().Draw(t, "commit") {
				mixed.commit()
			}
		}
		straight.sums(t)
		mixed.sums(t)
		a, b := straight.totals(), mixed.totals()
		a.RunMS, a.StopMS, a.UnknownMS, b.RunMS, b.StopMS, b.UnknownMS = 0, 0, 0, 0, 0, 0
		if straight.untold || mixed.untold {
			a.LostMax, b.LostMax = 0, 0
		}
		if a != b {
			t.Fatalf("one after the other %+v, mixed %+v", a, b)
		}
	})
}

// Counting again under other assignments keeps the sum.
func TestRecount(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		records := drawTruth(t).tell(t)
		late := []int64{origin + 500_000, origin + 3_000_000}
		live, again := newBooks(late...), newBooks(late...)
		for _, r := range records {
			live.apply(t, 1, r)
			again.m.Joins = live.m.Joins
			again.m.Recount(&r, again.place, again.c)
		}
		if !maps.Equal(live.c.Counts, again.c.Counts) {
			t.Fatalf("counted again %v, live %v", again.c.Counts, live.c.Counts)
		}
	})
}
