package host

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"turnwise/proto/conf"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

const (
	// LeastRetained is how long records stay at the least: agents keep what the
	// server has for so long, and may tell it again.
	LeastRetained = keepAcked
	// retainGrace lets a server start in peace before it drops anything.
	retainGrace = 10 * minute
	// retainEvery is how often old records are looked for.
	retainEvery = 6 * hour
	// retainRest is how long others can write between two transactions.
	retainRest = 50 * time.Millisecond
	// worthShrinking is the surplus for which a server may be stopped once.
	worthShrinking = 256 << 20
	// retainBusy is how long it waits while batches do.
	retainBusy = second
)

// PruneOptions tunes Prune. The zero value works.
type PruneOptions struct {
	// Age of records that are dropped; 0 means retain.records of the configuration.
	Age time.Duration
	// DryRun tells what would be dropped and changes nothing.
	DryRun bool
	// Now tells the time; nil means time.Now.
	Now func() time.Time
	// Progress hears of which machine how many records were dropped; nil hears nothing.
	Progress func(machine string, records int64)
	// Log hears what is wrong; nil means nobody does.
	Log *slog.Logger
}

// Pruned tells what was dropped, or would be.
type Pruned struct {
	*sqlite.Pruned
	// FineCells is nil where they are kept for ever.
	FineCells *sqlite.RolledUp `json:"fine_cells,omitempty"`
	// RoomBefore and Room are the file before and after.
	RoomBefore sqlite.FileRoom `json:"room_before"`
	Room       sqlite.FileRoom `json:"room"`
}

// Prune drops old records and fine cells of the database of a configuration, and
// gives the room back where the file can. It works beside a running server. With
// an error what was dropped so far is told too.
func Prune(ctx context.Context, c Config, o PruneOptions) (p Pruned, err error) {
	p.Pruned = &sqlite.Pruned{DryRun: o.DryRun, Machines: []sqlite.PrunedMachine{}}
	keep := c.Retain
	if o.Age != 0 {
		keep.Records = Every(o.Age)
	}
	if keep.Records == 0 && keep.FineCells == 0 {
		return p, fmt.Errorf("host: prune: everything is kept for ever (retain.records and retain.fine_cells are off); name an age with --older-than")
	}
	if o.Age != 0 && o.Age < LeastRetained {
		return p, fmt.Errorf("host: prune: the age is %s, at least %s is expected: for so long agents may tell records again", conf.Duration(o.Age), conf.Duration(LeastRetained))
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	rest := func(ctx context.Context) error { return wait(ctx, retainRest) }
	err = beside(ctx, c, o.Log, func(st *sqlite.Store) error {
		return keep.prune(ctx, st, o.Now(), &p, sqlite.PruneOptions{DryRun: o.DryRun, Progress: o.Progress, Rest: rest})
	})
	return p, err
}

// prune drops what is older than it says, and gives the room back.
func (c RetainConfig) prune(ctx context.Context, st *sqlite.Store, now time.Time, p *Pruned, o sqlite.PruneOptions) (err error) {
	if p.RoomBefore, err = st.Room(ctx); err != nil {
		return err
	}
	if err = c.drop(ctx, st, now, p, o); err == nil && !o.DryRun {
		_, err = st.GiveBack(ctx, o.Rest)
	}
	var rerr error
	if p.Room, rerr = st.Room(ctx); err == nil {
		err = rerr
	}
	if o.DryRun || ctx.Err() != nil {
		return err
	}
	return errors.Join(err, st.NotePrune(ctx, p.note(now, err)))
}

// note is what is kept of a prune for those who ask how it ended.
func (p *Pruned) note(at time.Time, err error) store.Prune {
	x := store.Prune{At: at, Before: p.Before, Records: p.Records, Given: max(p.RoomBefore.Bytes-p.Room.Bytes, 0)}
	for _, m := range p.Machines {
		if m.Kept != "" {
			x.Held = append(x.Held, store.Held{Machine: m.Machine, Reason: m.Kept})
		}
	}
	if err != nil {
		x.Error = err.Error()
	}
	return x
}

func (c RetainConfig) drop(ctx context.Context, st *sqlite.Store, now time.Time, p *Pruned, o sqlite.PruneOptions) error {
	if c.Records != 0 {
		o.Before = now.Add(-time.Duration(c.Records))
		x, err := st.Prune(ctx, o)
		p.Pruned = x
		if err != nil {
			return err
		}
	}
	if c.FineCells == 0 {
		return nil
	}
	var err error
	p.FineCells, err = st.RollUp(ctx, sqlite.RollUpOptions{Before: now.Add(-time.Duration(c.FineCells)), DryRun: o.DryRun, Rest: o.Rest})
	return err
}

// Shrink makes the database of a configuration anew without its free room, with
// the server stopped.
func Shrink(ctx context.Context, c Config, dryRun bool, progress func(stage string, done, total int64)) (*sqlite.Shrunk, error) {
	dir := filepath.Dir(c.Database.File)
	return sqlite.Shrink(ctx, c.Database.File, sqlite.ShrinkOptions{DryRun: dryRun, Progress: progress, Room: func(bytes int64) error {
		if free, size, ok := deviceRoom(dir); ok && free-bytes < rest(size) {
			return fmt.Errorf("%d bytes are free in %s, %d are needed beside the file; free space there", free, dir, bytes+rest(size))
		}
		return nil
	}})
}

// wait returns early with the context's error.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// retention drops what is older than the configuration says, a little at a
// time and never while batches wait. It is a component of the host.
type retention struct {
	c   RetainConfig
	db  *sqlite.Store
	log *slog.Logger
	now func() time.Time
	// busy tells that batches wait to be stored.
	busy func() bool

	told time.Time // that something stays

	nextAt  atomic.Int64 // the next look, Unix ms; 0 = none comes
	dropped atomic.Int64 // records
	kept    atomic.Int64 // machines of which older records stay
	failed  atomic.Int64
}

func newRetention(c RetainConfig, db *sqlite.Store, log *slog.Logger, now func() time.Time, busy func() bool) *retention {
	return &retention{c: c, db: db, log: log, now: now, busy: busy}
}

// run looks until ctx ends. What cannot be dropped is no reason not to serve.
func (r *retention) run(ctx context.Context) error {
	if r.c == (RetainConfig{}) {
		return nil
	}
	for next := retainGrace; ; next = retainEvery {
		r.nextAt.Store(r.now().Add(next).UnixMilli())
		if wait(ctx, next) != nil {
			return nil
		}
		r.look(ctx)
	}
}

// next is when old records are looked for; zero where they never are.
func (r *retention) next() time.Time {
	if at := r.nextAt.Load(); at != 0 {
		return time.UnixMilli(at)
	}
	return time.Time{}
}

// rest waits between two transactions, and until no batch does.
func (r *retention) rest(ctx context.Context) error {
	err := wait(ctx, retainRest)
	for err == nil && r.busy() {
		err = wait(ctx, retainBusy)
	}
	return err
}

// look drops what is old by now.
func (r *retention) look(ctx context.Context) {
	began := r.now()
	p := Pruned{Pruned: new(sqlite.Pruned)}
	err := r.c.prune(ctx, r.db, began, &p, sqlite.PruneOptions{Rest: r.rest})
	r.dropped.Add(p.Records)
	if err != nil && ctx.Err() == nil {
		r.failed.Add(1)
		r.log.Error("old records or cells not dropped", "before", p.Before, "dropped", p.Records, "error", err, "again_in", retainEvery)
	}
	if p.Records > 0 {
		r.log.Info("old records dropped, their sums stay", "before", p.Before, "records", p.Records, "bytes", p.Bytes, "machines", len(p.Machines), "took", r.now().Sub(began))
	}
	if x := p.FineCells; x != nil && x.Cells > 0 {
		r.log.Info("fine cells are kept by hours", "before", x.Before, "cells", x.Cells)
	}
	if given := p.RoomBefore.Bytes - p.Room.Bytes; given > 0 {
		r.log.Info("room of the database given back to the disk", "bytes", given, "file", p.Room.Bytes, "free_in_it", p.Room.Free)
	}
	kept := 0
	say := began.Sub(r.told) >= day
	if err == nil && say && !p.Room.Gives && p.Room.Surplus() >= worthShrinking {
		r.told = began
		r.log.Warn("the database has free room that it cannot give back", "file", p.Room.Bytes, "free_in_it", p.Room.Free, "repair", "stop the server once and run: server shrink -c server.yaml")
	}
	for _, m := range p.Machines {
		if m.Kept == "" {
			continue // what was settled the store has told
		}
		kept++
		if say {
			r.told = began
			r.log.Warn("old records stay", "machine", m.Machine, "reason", m.Kept)
		}
	}
	r.kept.Store(int64(kept))
}

var (
	retainDroppedDesc = prometheus.NewDesc("turnwise_retain_records_dropped_total", "Old records dropped since the start; their sums stay.", nil, nil)
	retainKeptDesc    = prometheus.NewDesc("turnwise_retain_machines_held_back", "Machines of which records older than retain.records stay; the log says why.", nil, nil)
	retainFailedDesc  = prometheus.NewDesc("turnwise_retain_failures_total", "Times that old records could not be dropped.", nil, nil)
)

// Describe and Collect make retention a collector of metrics.
func (r *retention) Describe(ch chan<- *prometheus.Desc) {
	ch <- retainDroppedDesc
	ch <- retainKeptDesc
	ch <- retainFailedDesc
}

// Collect tells what was dropped.
func (r *retention) Collect(ch chan<- prometheus.Metric) {
	ch <- prometheus.MustNewConstMetric(retainDroppedDesc, prometheus.CounterValue, float64(r.dropped.Load()))
	ch <- prometheus.MustNewConstMetric(retainKeptDesc, prometheus.GaugeValue, float64(r.kept.Load()))
	ch <- prometheus.MustNewConstMetric(retainFailedDesc, prometheus.CounterValue, float64(r.failed.Load()))
}
