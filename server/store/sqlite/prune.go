package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"turnwise/proto/wire"
	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/sealed"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// usualDrops is how many records a transaction drops at most: about a hundredth
// of a second, in which nobody else can write.
const usualDrops = 2000

// PruneOptions tunes Prune.
type PruneOptions struct {
	// Before is the instant: records from it on stay.
	Before time.Time
	// DryRun tells what would be dropped and changes nothing.
	DryRun bool
	// SettleAfter is how much older than what is dropped the records of a machine
	// must be before sums are settled that they alone can show; 0 means 90 days.
	SettleAfter time.Duration
	// Most is how many records a transaction drops; 0 means 2000.
	Most int
	// Rest is called before each transaction, when nothing is held. It may
	// wait; its error ends the pruning. Nil waits for nothing.
	Rest func(context.Context) error
	// Progress hears how many records of a machine were dropped so far. Nil
	// hears nothing.
	Progress func(machine string, records int64)
}

// Pruned tells what was dropped, or would be.
type Pruned struct {
	Before   time.Time       `json:"before"`
	DryRun   bool            `json:"dry_run"`
	Records  int64           `json:"records"`
	Bytes    int64           `json:"bytes"` // of their bodies
	Machines []PrunedMachine `json:"machines"`
}

// PrunedMachine is that of one machine.
type PrunedMachine struct {
	Machine string    `json:"machine"`
	Records int64     `json:"records"`
	Bytes   int64     `json:"bytes"`
	Until   time.Time `json:"until,omitzero"` // newest instant of what was dropped
	// Kept tells why records of before the instant stay; empty: none do.
	Kept string `json:"kept,omitempty"`
	// Settled tells that its sums were settled as they stood, and what today's
	// rules would have given instead; empty: they were not, now.
	Settled string `json:"settled,omitempty"`
}

// Prune drops the records of before an instant, machine by machine in the
// order in which they were applied. What they gave is kept as the base of the
// machine's sums, from which sums are counted again with the records that are
// left: nothing that anybody asks for changes.
//
// A record is dropped only when a backup holds it, its bytes check, and it is
// booked again as it was. Transactions are short, and each leaves a whole
// database behind. It works beside a server that runs. With an error what was
// dropped so far is told too.
func (s *Store) Prune(ctx context.Context, o PruneOptions) (*Pruned, error) {
	if o.Most <= 0 {
		o.Most = usualDrops
	}
	if o.SettleAfter <= 0 {
		o.SettleAfter = usualSettleAfter
	}
	if o.Rest == nil {
		o.Rest = func(context.Context) error { return nil }
	}
	if o.Progress == nil {
		o.Progress = func(string, int64) {}
	}
	out := &Pruned{Before: o.Before.UTC(), DryRun: o.DryRun, Machines: []PrunedMachine{}}
	add := func(x PrunedMachine) {
		if x.Records > 0 || x.Kept != "" || x.Settled != "" {
			out.Machines = append(out.Machines, x)
			out.Records += x.Records
			out.Bytes += x.Bytes
		}
	}
	if o.DryRun {
		return out, s.snapshot(ctx, func(v *verifier) error {
			for _, name := range slices.Sorted(maps.Keys(v.w.machines)) {
				x, err := s.wouldDrop(ctx, v, v.w.machines[name], o)
				if err != nil {
					return fmt.Errorf("sqlite: prune of machine %s: %w", name, err)
				}
				add(x)
			}
			return nil
		})
	}
	if err := s.renew(ctx, o.Before); err != nil {
		return out, err
	}
	words, err := s.settle(ctx, o.Before.Add(-o.SettleAfter))
	if err != nil {
		return out, err
	}
	list, err := s.machineIDs(ctx)
	if err != nil {
		return out, err
	}
	for _, machine := range list {
		x, err := s.pruneMachine(ctx, machine, o)
		x.Settled = words[machine]
		add(x)
		if err != nil {
			return out, err
		}
	}
	return out, nil
}

func (s *Store) machineIDs(ctx context.Context) (list []string, err error) {
	err = each(ctx, s.read, func(rows *sql.Rows) error {
		var name string
		err := rows.Scan(&name)
		list = append(list, name)
		return err
	}, `SELECT id FROM machine ORDER BY id`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list the machines: %w", err)
	}
	return list, nil
}

func (s *Store) pruneMachine(ctx context.Context, machine string, o PruneOptions) (PrunedMachine, error) {
	all := PrunedMachine{Machine: machine}
	for {
		if err := o.Rest(ctx); err != nil {
			return all, err
		}
		if err := ctx.Err(); err != nil {
			return all, err
		}
		var some PrunedMachine
		err := s.transact(ctx, "prune of machine "+machine, func(ctx context.Context, w *writer) (err error) {
			if some, err = w.drop(ctx, machine, o); err == nil && some.Records == 0 {
				err = errRollback
			}
			return err
		})
		if err != nil {
			return all, err
		}
		all.add(some)
		if some.Records < int64(o.Most) {
			return all, nil
		}
		o.Progress(machine, all.Records)
	}
}

func (p *PrunedMachine) add(x PrunedMachine) {
	p.Records += x.Records
	p.Bytes += x.Bytes
	p.Kept = x.Kept
	if x.Until.After(p.Until) {
		p.Until = x.Until
	}
}

// oldRecord is a record that may be dropped.
type oldRecord struct {
	st        *stream
	r         store.Record
	kind, crc int64
	body      []byte
	place     tally.Places
	refused   bool
	how       readers.Refusal
	at        int64 // Unix ms; 0 = it says nothing of time
	settled   bool  // it is in the base already
}

// view is how records are looked at that today's rules did not book.
type view int

const (
	asIs     view = iota // they stay
	renewed              // as if today's had booked them
	toSettle             // as if the sums of the machine were settled
)

// errEnough ends a walk over records.
var errEnough = errors.New("enough")

// old gives fn the oldest records of a machine, in the order in which they were
// applied, as long as they are of before an instant in Unix ms and may be
// dropped, and fn wants more. kept tells what stays although it is older. Of
// settled records, which come stream by stream, all that are old are given.
func (w *writer) old(ctx context.Context, m *machine, before int64, as view, fn func(*oldRecord) (more bool)) (kept string, err error) {
	all, known, err := w.stretches(ctx, m)
	if err != nil {
		return "", err
	}
	if as == toSettle {
		all = w.settledOf(w.streamsOf(m), func(st *stream) uint64 { return st.Acked })
	}
	young := false // settled ones are left
	for _, x := range all {
		if young && !x.settled {
			return "", nil
		}
		if !known && !x.settled {
			return "the order in which its records were applied was not kept: they alone can show its sums" + untilSettled, nil
		}
		wants := true
		free := x.st.Places.Free()
		err := each(ctx, w.conn, func(rows *sql.Rows) error {
			o := &oldRecord{st: x.st, place: free, settled: x.settled}
			var seq int64
			var received sql.NullInt64
			if err := rows.Scan(&seq, &o.kind, &o.crc, &o.body, &o.refused, &o.how, &received); err != nil {
				return err
			}
			o.r.Seq = uint64(seq)
			if err := sealed.Decode(o.body, &o.r); err != nil && o.kind&^coarseKind != 0 {
				return fmt.Errorf("stored record of stream %x: %w: %w", x.st.ID, store.ErrDamaged, err)
			}
			if received.Valid {
				o.place.Lo, o.place.Hi = tally.Bound(time.Unix(0, received.Int64))
			}
			// A boot of which nothing was booked in time is not placed: its records go
			// with those around them.
			if _, placed := x.st.Places.Offsets[o.r.Boot]; placed && (o.r.Boottime != 0 || o.r.Wall != 0) {
				if o.at = o.place.At(o.r.Boot, o.r.Boottime); o.at >= before {
					young = true
					return errEnough
				}
			}
			switch {
			case o.r.Seq > x.st.Horizon:
				kept = fmt.Sprintf("no verified backup holds record %d of stream %x; take one", seq, x.st.ID)
			case o.kind&^coarseKind == 0 && !o.refused:
				kept = fmt.Sprintf("record %d of stream %x is of a kind that this version does not know; a newer one may book it", seq, x.st.ID)
			case x.rules != bookingRules && !x.settled && as == asIs:
				kept = "its records were booked by the rules of an older version, which gave other sums than today's: they alone can show them" + untilSettled
			default:
				if wants = fn(o); wants {
					return nil
				}
			}
			return errEnough
		}, `SELECT record.seq, kind, crc, body, f.seq IS NOT NULL, coalesce(f.how, 0), b.received_ns FROM record
			LEFT JOIN refused f ON f.stream_num = record.stream_num AND f.seq = record.seq
			LEFT JOIN bounded b ON b.stream_num = record.stream_num AND b.seq = record.seq
			WHERE record.stream_num = ? AND record.seq BETWEEN ? AND ? ORDER BY record.seq`, x.st.Num, int64(x.first), int64(x.last))
		switch {
		case err != nil && !errors.Is(err, errEnough):
			return "", err
		case err != nil && (kept != "" || !wants || !x.settled):
			return kept, nil
		}
	}
	return "", nil
}

// untilSettled is told where only records can show sums.
var untilSettled = fmt.Sprintf("; its sums are settled as they stand when they are %d days older than what is dropped", int(usualSettleAfter.Hours()/24))

// renew takes records that older rules booked for ones of today's, machine by
// machine, where those give the same sums to the last digit. That reads all of
// its records, once after rules have changed, and beside the server that writes.
func (s *Store) renew(ctx context.Context, before time.Time) error {
	var equal []*machine
	err := s.snapshot(ctx, func(v *verifier) error {
		for _, name := range slices.Sorted(maps.Keys(v.w.machines)) {
			m := v.w.machines[name]
			whole, err := s.renewable(ctx, v, m, before.UnixMilli())
			if err != nil {
				return fmt.Errorf("sqlite: prune of machine %s: %w", name, err)
			}
			if whole {
				equal = append(equal, m)
			}
		}
		return nil
	})
	if err != nil || len(equal) == 0 {
		return err
	}
	return s.transact(ctx, "renewal of what older rules booked", func(ctx context.Context, w *writer) error {
		for _, m := range equal {
			if _, err := w.exec(ctx, `UPDATE applied SET rules = ? WHERE machine_num = ? AND rules <> ?`, bookingRules, m.num, bookingRules); err != nil {
				return err
			}
			s.log.Info("older rules gave the sums of today's", "machine", m.id)
		}
		return w.forget(ctx, false)
	})
}

// renewable tells whether something of a machine is old enough to go that older
// rules booked, and whether today's give the same sums.
func (s *Store) renewable(ctx context.Context, v *verifier, m *machine, before int64) (bool, error) {
	all, known, err := v.w.stretches(ctx, m)
	if err != nil || !known || today(all) || s.isUnequal(m.id) {
		return false, err
	}
	old := false
	if _, err := v.w.old(ctx, m, before, renewed, func(*oldRecord) bool { old = true; return false }); err != nil || !old {
		return false, err
	}
	whole, err := v.machine(ctx, m)
	if err == nil && !whole {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.unequal == nil {
			s.unequal = map[string]bool{}
		}
		s.unequal[m.id] = true
	}
	return whole, err
}

func (s *Store) isUnequal(machine string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.unequal[machine]
}

// snapshot looks at the database as it is at one moment, and holds nobody up.
func (s *Store) snapshot(ctx context.Context, do func(*verifier) error) error {
	v, err := begin(ctx, s.file, VerifyOptions{})
	if err != nil {
		return err
	}
	defer v.end()
	if err := v.w.load(ctx); err != nil {
		return fmt.Errorf("sqlite: read %s: %w", s.file, err)
	}
	return do(v)
}

// wouldDrop tells what a prune would drop of a machine.
func (s *Store) wouldDrop(ctx context.Context, v *verifier, m *machine, o PruneOptions) (p PrunedMachine, err error) {
	p.Machine = m.id
	before := o.Before.UnixMilli()
	as := asIs
	if like, err := s.renewable(ctx, v, m, before); err != nil {
		return p, err
	} else if like {
		as = renewed
	} else if p.Settled, err = v.settles(ctx, m, o.Before.Add(-o.SettleAfter)); err != nil {
		return p, err
	} else if p.Settled != "" {
		as = toSettle
	}
	var until int64
	p.Kept, err = v.w.old(ctx, m, before, as, func(x *oldRecord) bool {
		p.Records++
		p.Bytes += int64(len(x.body))
		until = max(until, x.at)
		if p.Records%100_000 == 0 {
			o.Progress(m.id, p.Records)
		}
		return ctx.Err() == nil
	})
	if until > 0 {
		p.Until = ms(until)
	}
	return p, errors.Join(err, ctx.Err())
}

// drop moves the oldest records of a machine into its base.
func (w *writer) drop(ctx context.Context, name string, o PruneOptions) (p PrunedMachine, err error) {
	p.Machine = name
	m := w.machines[name]
	if m == nil {
		return p, nil
	}
	var list []*oldRecord
	p.Kept, err = w.old(ctx, m, o.Before.UnixMilli(), asIs, func(x *oldRecord) bool {
		list = append(list, x)
		return len(list) < o.Most
	})
	if err != nil || len(list) == 0 {
		return p, err
	}
	if err := w.intoBase(ctx, m, list); err != nil {
		return p, err
	}
	gone, err := w.chain(list)
	if err != nil {
		return p, fmt.Errorf("%w; %s", err, repairDamage)
	}
	for _, num := range slices.Sorted(maps.Keys(gone)) {
		if err := w.forgetRecords(ctx, num, gone[num]); err != nil {
			return p, fmt.Errorf("drop records: %w", err)
		}
	}
	until := int64(0)
	for _, x := range list {
		p.Bytes += int64(len(x.body))
		until = max(until, x.at)
	}
	p.Records = int64(len(list))
	if until > 0 {
		p.Until = ms(until)
	}
	return p, nil
}

// intoBase books what is not settled of records that are to be dropped on the
// base of their machine.
func (w *writer) intoBase(ctx context.Context, m *machine, list []*oldRecord) error {
	list = slices.DeleteFunc(slices.Clone(list), func(x *oldRecord) bool { return x.settled })
	if len(list) == 0 {
		return nil
	}
	b, err := w.base(ctx, m)
	if err != nil {
		return err
	}
	c, err := w.bookBase(ctx, m, b, list)
	if err != nil {
		return fmt.Errorf("%w; %s", err, repairDamage)
	}
	if !within(b, &m.Machine) {
		return fmt.Errorf("the records to be dropped give more than the account of machine %s has: %w; %s", m.id, store.ErrDamaged, repairDamage)
	}
	if err := w.save(ctx, base, &machine{num: m.num, id: m.id, Machine: *b}, c); err != nil {
		return fmt.Errorf("store the base: %w", err)
	}
	return nil
}

// bookBase books records on the base of a machine, each as it was booked when
// it came.
func (w *writer) bookBase(ctx context.Context, m *machine, b *tally.Machine, list []*oldRecord) (*tally.Changes, error) {
	var failed error
	c := tally.NewChanges(func(stop store.ID) *tally.Stop {
		s, err := w.findStop(ctx, base, m.num, stop)
		failed = errors.Join(failed, err)
		return s
	})
	for _, x := range list {
		switch {
		case x.how == readers.Doubted:
			b.Doubt(&x.r, c)
		case x.refused || x.kind&^coarseKind == 0:
		default:
			if why := b.Apply(x.st.Num, &x.r, x.place, c); why != "" {
				return nil, fmt.Errorf("record %d of stream %x was booked and is refused now, %s: %w", x.r.Seq, x.st.ID, why, store.ErrDamaged)
			}
		}
		if failed != nil {
			return nil, failed
		}
	}
	return c, nil
}

// chain checks the bytes of records and that none is missing, and adds them to
// what was dropped of their streams.
func (w *writer) chain(list []*oldRecord) (map[int64]dropped, error) {
	gone := map[int64]dropped{}
	for _, x := range list {
		d, ok := gone[x.st.Num]
		if !ok {
			if d, ok = w.dropped[x.st.Num]; !ok {
				d.sum = x.st.ID[:]
			}
		}
		if got, want := wire.RecordCRC(x.st.ID[:], x.r.Seq, x.body), crcOf(x.kind, x.crc); got != want {
			return nil, fmt.Errorf("record %d of stream %x: found bytes with check sum %08x, expected %08x: %w", x.r.Seq, x.st.ID, got, want, store.ErrDamaged)
		}
		if x.r.Seq != d.last+1 && !bridged(x.r.Seq, d.last+1, x.body) {
			return nil, fmt.Errorf("stream %x: found record %d, expected %d: %w", x.st.ID, x.r.Seq, d.last+1, store.ErrDamaged)
		}
		d.sum = droppedSum(d.sum, x.r.Seq, x.body)
		d.last, d.records = x.r.Seq, d.records+1
		d.crc = sql.NullInt64{Int64: x.crc, Valid: x.kind < coarseKind}
		if _, ok := x.r.Kind.(*store.Tombstone); ok && !x.refused {
			d.buried = true
		}
		if x.at != 0 {
			d.until = max(d.until, x.st.Places.Free().At(x.r.Boot, x.r.Boottime))
		}
		gone[x.st.Num] = d
	}
	return gone, nil
}

// droppedSum is the sum over the records of a stream up to one: SHA-256 of the
// sum before it, its number and the length of its body as eight bytes each, and
// its body. The sum before the first one is the id of the stream. Who has the
// records in an old backup can show with it that they are the ones.
func droppedSum(sum []byte, seq uint64, body []byte) []byte {
	b := make([]byte, 0, len(sum)+16+len(body))
	b = append(appendInt(appendInt(append(b, sum...), int64(seq)), int64(len(body))), body...)
	s := sha256.Sum256(b)
	return s[:]
}

// forgetRecords deletes the records of a stream that are in the base.
func (w *writer) forgetRecords(ctx context.Context, num int64, d dropped) error {
	if _, err := w.exec(ctx, `INSERT OR REPLACE INTO dropped (stream_num, last_seq, records, sum, buried, until_ms, crc) VALUES (?, ?, ?, ?, ?, ?, ?)`,
		num, int64(d.last), d.records, d.sum, d.buried, d.until, d.crc); err != nil {
		return err
	}
	for _, q := range []string{`DELETE FROM record WHERE stream_num = ? AND seq <= ?`, `DELETE FROM bounded WHERE stream_num = ? AND seq <= ?`} {
		if _, err := w.exec(ctx, q, num, int64(d.last)); err != nil {
			return err
		}
	}
	w.dropped[num] = d
	return nil
}
