package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"math"
	"slices"
	"time"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/sealed"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// bookingRules numbers what package tally makes of records. Whoever changes
// there what a record books raises it: otherwise sums of before, which were
// right, would be taken for damage. 2: lost counts of a replaced reader are
// bounded. 3: its life is joined to the one before where that is sure, counts
// found later are lost no more, and lost records leave unknown time. 4: inched
// turns are filed apart. 5: a life of which the link was not booked is linked
// where its first span begins. 6: a stop goes on when the reader that took over
// found the machine held in it. 7: the newest reader is the one that the store
// met last, whatever its clock shows; where the clock of a new one shows a time
// before the newest instant known, the bounds of what it missed are wide.
// 8: a life of which the link was lost with other records is bounded, and the
// life before reaches what its successor tells of it; what came late is no newest
// reading; pulses that another reader may have told are bounds. 9: a reader whose
// begin is vague may have begun as late as it was met. 10: what a link tells of the
// life before holds also where that one is heard of later. 11: a life that begins
// before the newest reading, because two readers were at the counter at a time, is
// joined too. 12: what a pulse counter may have made before the first count that is
// not lost is bounded by all the time since it was met. 13: two readers that saw
// the same fall of a register are counted on one line. 14: a life that seems to begin
// before the one that it is joined to is joined too, where the clock was set back. 15: a
// reader that is heard of late is found on the lives that others have told of since. 16: a first reading
// belongs to a fall that others saw only as far as turning explains in the time between;
// a life whose register went around, as another reader goes on over it, is counted on the
// line of the one before; none is joined where its counts from 0 lie before the line; what a
// reader lost that does not know the time is bounded by when it was heard. 17: what a life
// counted of which nothing is booked is in bounds; no twin of a life is one that its reader
// has read or left; turning is not believed over a time by which a clock was set back.
// 18: a life of which the store hears after another reader has counted on over what it
// first shows is counted on the line of the one before; so is one of a reader that came
// late, when another one goes on over it, and one that may have begun turns later.
// 19: none of them is moved where its counts from 0 would lie before the line. 20: what
// a reader counts on over a fall of its register, of which another one tells, is counted
// where that tells of it; several lives after a line are moved to it at once; a fall is
// found again also where nothing of the life before is booked.
const bookingRules = 20

// noteOrder writes down that records of another stream of the machine, or by
// other rules, are applied from here on. That is rare: a machine changes its
// stream when its agent is replaced.
func (k *work) noteOrder(m *machine, st *stream, first uint64) error {
	if m.fed == st.Num && m.rules == bookingRules {
		return nil
	}
	if _, err := k.w.exec(k.ctx, `INSERT INTO applied (machine_num, n, stream_num, first_seq, rules) VALUES (?, ?, ?, ?, ?)`,
		m.num, m.turns+1, st.Num, int64(first), bookingRules); err != nil {
		return fmt.Errorf("store the order of the streams of machine %s: %w", m.id, err)
	}
	m.fed, m.turns, m.rules = st.Num, m.turns+1, bookingRules
	return nil
}

// noteBounds writes down when a record was received whose instants that moved, or
// may move in a later version that knows its kind, or that bounds what was lost.
func (k *work) noteBounds(m *machine, st *stream, r *store.Record, received time.Time) error {
	if r.Kind != nil && !moved(st.Places, r) && !m.ByReceipt(st.Num, r) {
		return nil
	}
	if _, err := k.w.exec(k.ctx, `INSERT INTO bounded (stream_num, seq, received_ns) VALUES (?, ?, ?)`, st.Num, int64(r.Seq), received.UnixNano()); err != nil {
		return fmt.Errorf("store the bounds of record %d of stream %x: %w", r.Seq, st.ID, err)
	}
	return nil
}

// moved tells whether the bounds of places move any instant of a record.
func moved(p tally.Places, r *store.Record) bool {
	free := p.Free()
	at := func(boottime int64) bool { return p.At(r.Boot, boottime) != free.At(r.Boot, boottime) }
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		return at(r.Boottime) || at(k.FromBoottime)
	case *store.StopEnd:
		return at(r.Boottime) || k.Earliest != 0 && at(k.Earliest)
	case *store.StateGap:
		return at(r.Boottime) || p.Or(k.FromBoot, k.FromBoottime, k.FromWall) != free.Or(k.FromBoot, k.FromBoottime, k.FromWall)
	case *store.StopBegin, *store.LifeLink:
		return at(r.Boottime)
	}
	return false
}

// loadOrder reads which stream each machine was fed from last.
func (w *writer) loadOrder(ctx context.Context) error {
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var num, n, stream, rules int64
		if err := rows.Scan(&num, &n, &stream, &rules); err != nil {
			return err
		}
		m, err := w.numbered(num, "order of streams")
		if err != nil {
			return err
		}
		m.turns, m.fed, m.rules = n, stream, rules
		return nil
	}, `SELECT machine_num, max(n), stream_num, rules FROM applied GROUP BY machine_num`)
}

// numbered returns a machine that a row names.
func (w *writer) numbered(num int64, what string) (*machine, error) {
	if m := w.byNum[num]; m != nil {
		return m, nil
	}
	return nil, fmt.Errorf("%s of machine number %d, which is not in the register: %w", what, num, store.ErrDamaged)
}

// stretch is records of one stream that were applied one after the other.
type stretch struct {
	st          *stream
	first, last uint64
	rules       int64 // by which they were booked
	settled     bool  // they are in the base, though they are still here
}

// stretches returns the records of a machine in the order in which they were
// applied. known is false where nobody knows it: then they come stream by stream,
// as settled ones do, which come first.
func (w *writer) stretches(ctx context.Context, m *machine) (all []stretch, known bool, err error) {
	streams := w.streamsOf(m)
	byNum := map[int64]*stream{}
	for _, st := range streams {
		byNum[st.Num] = st
	}
	newest := map[*stream]int{} // place in all
	err = each(ctx, w.conn, func(rows *sql.Rows) error {
		var num, first, by int64
		if err := rows.Scan(&num, &first, &by); err != nil {
			return err
		}
		st := byNum[num]
		if st == nil {
			return fmt.Errorf("order of streams of machine %s: stream number %d has no records of it: %w", m.id, num, store.ErrDamaged)
		}
		if i, ok := newest[st]; ok {
			all[i].last = uint64(first) - 1
		}
		newest[st] = len(all)
		all = append(all, stretch{st: st, first: uint64(first), last: math.MaxInt64, rules: by})
		return nil
	}, `SELECT stream_num, first_seq, rules FROM applied WHERE machine_num = ? ORDER BY n`, m.num)
	if err != nil {
		return nil, false, err
	}
	first := w.settledOf(streams, func(st *stream) uint64 { return w.settled[st.Num].last })
	oldest := map[*stream]uint64{}
	for _, x := range all {
		if _, ok := oldest[x.st]; !ok {
			oldest[x.st] = x.first
		}
	}
	for _, st := range streams {
		done := w.settled[st.Num].last
		if w.dropped[st.Num].records > 0 && w.dropped[st.Num].last > done || done > 0 && done >= st.Acked {
			continue // the order was known, or nothing would have been dropped; or it is not needed
		}
		var next int64
		if err := w.row(ctx, `SELECT coalesce(min(seq), 1) FROM record WHERE stream_num = ? AND seq > ?`, st.Num, int64(done)).Scan(&next); err != nil {
			return nil, false, err
		}
		if o, ok := oldest[st]; !ok || o > uint64(next) {
			all = first
			for _, st := range streams {
				all = append(all, stretch{st: st, first: w.settled[st.Num].last + 1, last: math.MaxInt64})
			}
			return all, false, nil
		}
	}
	all = slices.DeleteFunc(all, func(x stretch) bool { return min(x.last, x.st.Acked) <= w.settled[x.st.Num].last })
	for i, x := range all {
		all[i].first = max(x.first, w.settled[x.st.Num].last+1)
	}
	all, err = w.remaining(all)
	return append(first, all...), true, err
}

// streamsOf are the streams of a machine that have told something.
func (w *writer) streamsOf(m *machine) (streams []*stream) {
	for _, st := range w.Streams {
		if st.Machine == m.id && st.Records > 0 {
			streams = append(streams, st)
		}
	}
	slices.SortFunc(streams, func(a, b *stream) int { return int(a.Num - b.Num) })
	return streams
}

// settledOf are the settled records of streams that are still there, settled up
// to what last says.
func (w *writer) settledOf(streams []*stream, last func(*stream) uint64) (all []stretch) {
	for _, st := range streams {
		if gone, s := w.dropped[st.Num].last, last(st); s > gone {
			all = append(all, stretch{st: st, first: gone + 1, last: s, rules: bookingRules, settled: true})
		}
	}
	return all
}

// today tells that all stretches but settled ones were booked by the rules of today.
func today(all []stretch) bool {
	return !slices.ContainsFunc(all, func(x stretch) bool { return !x.settled && x.rules != bookingRules })
}

// remaining leaves out stretches of which all records were dropped. What was
// dropped is the begin of the order.
func (w *writer) remaining(all []stretch) ([]stretch, error) {
	var left []stretch
	for _, x := range all {
		d := w.dropped[x.st.Num]
		if min(x.last, x.st.Acked) <= d.last {
			if len(left) > 0 {
				return nil, fmt.Errorf("stream %x: %w", x.st.ID, errOrder)
			}
			continue
		}
		if x.first <= d.last && len(left) > 0 {
			return nil, fmt.Errorf("stream %x: %w", x.st.ID, errOrder)
		}
		left = append(left, x)
	}
	return left, nil
}

// replay gives fn the records that were booked for a machine and are not in its
// base, in the order in
// which they were applied, each with the places that held for it, and the ones
// that were doubted; with countsOnly only booked spans and life links. exact is
// false where the order is not known, or where other rules booked them.
func (w *writer) replay(ctx context.Context, m *machine, countsOnly bool, fn replayed) (exact bool, err error) {
	// Kind 0 was not known to the server that stored it, and not booked.
	if countsOnly {
		return w.replayThose(ctx, m, `AND kind & 255 IN (10, 14) AND f.how IS NULL`, fn)
	}
	return w.replayThose(ctx, m, `AND kind & 255 > 0 AND (f.how IS NULL OR f.how = 2)`, fn)
}

// replayed hears a record. how is that of its refusal, Untrue where it was booked.
type replayed func(st *stream, r *store.Record, place tally.Places, how readers.Refusal)

// replayAll gives fn every record of a kind that is known now, also those that
// were refused or stored unread.
func (w *writer) replayAll(ctx context.Context, m *machine, fn replayed) (exact bool, err error) {
	return w.replayThose(ctx, m, `AND (kind & 255 > 0 OR f.how IS NULL)`, fn)
}

func (w *writer) replayThose(ctx context.Context, m *machine, which string, fn replayed) (exact bool, err error) {
	all, known, err := w.stretches(ctx, m)
	exact = known && today(all)
	if err != nil {
		return exact, err
	}
	for _, x := range all {
		if x.settled {
			continue
		}
		if err := w.replayStretch(ctx, x, which, fn); err != nil {
			return exact, err
		}
	}
	return exact, nil
}

func (w *writer) replayStretch(ctx context.Context, x stretch, which string, fn replayed) error {
	bounded := map[uint64]int64{}
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		var seq, received int64
		err := rows.Scan(&seq, &received)
		bounded[uint64(seq)] = received
		return err
	}, `SELECT seq, received_ns FROM bounded WHERE stream_num = ? AND seq BETWEEN ? AND ?`, x.st.Num, int64(x.first), int64(x.last))
	if err != nil {
		return err
	}
	free := x.st.Places.Free()
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var seq, kind int64
		var how readers.Refusal
		var body sql.RawBytes
		if err := rows.Scan(&seq, &kind, &body, &how); err != nil {
			return err
		}
		r := store.Record{Seq: uint64(seq)}
		if err := sealed.Decode(body, &r); err != nil && kind&^coarseKind == 0 {
			return nil // it is no record, and was never booked
		} else if err != nil {
			return fmt.Errorf("stored record of stream %x: %w: %w", x.st.ID, store.ErrDamaged, err)
		}
		place := free
		if received, ok := bounded[r.Seq]; ok {
			place.Lo, place.Hi = tally.Bound(time.Unix(0, received))
		}
		fn(x.st, &r, place, how)
		return nil
	}, `SELECT record.seq, kind, body, coalesce(f.how, 0) FROM record LEFT JOIN refused f ON f.stream_num = record.stream_num AND f.seq = record.seq
		WHERE record.stream_num = ? AND record.seq BETWEEN ? AND ? `+which+` ORDER BY record.seq`,
		x.st.Num, int64(x.first), int64(x.last))
}
