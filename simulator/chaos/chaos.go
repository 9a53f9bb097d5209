// Package chaos runs the real agent and server as processes, makes trouble
// for them from a seed, and compares the books with a ledger of its own. The
// one rule: a turn or a stop is in the ledger before anybody can read it, and
// nothing in the ledger comes from an agent or a server.
//
// It says how many cycles it ran, never that there is nothing to find; and it
// first lets lines that lose and that double pass through the same comparison,
// which must see them.
package chaos

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

// Options tunes a run. The zero value works.
type Options struct {
	Cycles int    // 0 means 20
	Seed   uint64 // 0 means 1
	// Within ends the cycles when it has passed; what was run is judged. 0
	// means no limit.
	Within time.Duration
	// ServerLives is how long before the end the last fault may end the server,
	// so that one gets old enough to show what grows. 0 means a third of the run.
	ServerLives time.Duration
	// Bin is a folder with the programs agent and server. Empty means that
	// they are built, for which Go and the sources must be there.
	Bin string
	// Only are the kinds of faults to draw from; empty means all. See [Kinds].
	Only []string
	// Settle is how long the books may take to come to rest. 0 means 100 s:
	// an agent that lost its line often waits up to 30 s before it tries.
	Settle time.Duration
	// Keep leaves the folder of a run that found something, and tells it.
	Keep bool
	// Told takes a line for people; nil means nowhere.
	Told func(string)
}

// Controls says whether the comparison saw what was wrong by intent: one turn
// and one stop that a line loses, or tells twice.
type Controls struct {
	Lossy    bool `json:"lossy"`
	Doubling bool `json:"doubling"`
}

// Result is what a run found.
type Result struct {
	Cycles int            `json:"cycles"`
	Faults map[string]int `json:"faults"` // injected, by kind
	// NotInjected has the reason for each kind that was left out.
	NotInjected map[string]string `json:"not_injected,omitempty"`
	// Lost and Doubled count revolutions and stops that differ from the ledger
	// by more than it says that nobody can know. A bound that is declared and
	// that the ledger does not excuse counts here too.
	Lost    int64 `json:"lost"`
	Doubled int64 `json:"doubled"`
	// DeclaredMin and DeclaredMax bound the revolutions of which the books say
	// that nobody knows them.
	DeclaredMin int64    `json:"declared_min"`
	DeclaredMax int64    `json:"declared_max"`
	Seconds     float64  `json:"seconds"`
	Caught      Controls `json:"negative_control_caught"`

	Wraps  int   `json:"wraps"`
	Turns  int64 `json:"revolutions_truth"`
	Stored int64 `json:"revolutions_stored"`
	// Hidden is the most that the ledger excuses of the turns not stored.
	Hidden       int64 `json:"revolutions_hidden_at_most"`
	StopsTruth   int64 `json:"stops_truth"`
	StopsStored  int64 `json:"stops_stored"`
	StopsLost    int64 `json:"stops_lost"`    // part of Lost
	StopsDoubled int64 `json:"stops_doubled"` // part of Doubled
	// StopsLeast and StopsMost bound what the looks in the ledger allow.
	StopsLeast int `json:"stops_least"`
	StopsMost  int `json:"stops_most"`
	// Frozen counts streams that the server stopped because their journal had
	// been copied; any other one is a mismatch.
	Frozen     int                 `json:"streams_frozen"`
	Seed       uint64              `json:"seed"`
	Resources  map[string][]Figure `json:"resources"`
	Mismatches []string            `json:"mismatches"`
}

// OK tells whether nothing was lost, doubled or contradicted, both controls
// were caught, and no program grew.
func (r Result) OK() bool {
	return r.Lost == 0 && r.Doubled == 0 && len(r.Mismatches) == 0 && r.Caught.Lossy && r.Caught.Doubling && !r.grows()
}

func (r Result) grows() bool {
	for _, figures := range r.Resources {
		if slices.ContainsFunc(figures, func(f Figure) bool { return f.Verdict == grows }) {
			return true
		}
	}
	return false
}

// Run runs the controls, then the cycles, in a folder that it removes.
func Run(ctx context.Context, o Options) (r Result, err error) {
	if o.Cycles == 0 {
		o.Cycles = 20
	}
	if o.Seed == 0 {
		o.Seed = 1
	}
	if o.Settle == 0 {
		o.Settle = 100 * time.Second
	}
	if o.Told == nil {
		o.Told = func(string) {}
	}
	for _, k := range o.Only {
		if !isKind(k) {
			return r, fmt.Errorf("chaos: no fault %q; simulator chaos --list shows all kinds", k)
		}
	}
	dir, err := os.MkdirTemp("", "turnwise-chaos-")
	if err != nil {
		return r, fmt.Errorf("chaos: folder: %w", err)
	}
	defer func() {
		if o.Keep && (err != nil || !r.OK()) {
			o.Told("journals, records and logs are in " + dir)
			return
		}
		err = errors.Join(err, os.RemoveAll(dir))
	}()
	r = newResult(o.Seed)
	if err = r.all(ctx, dir, o); ctx.Err() != nil {
		err = fmt.Errorf("chaos: interrupted after %d cycles, nothing was judged: %w", r.Cycles, ctx.Err())
	}
	return r, err
}

// all makes the programs, then runs the controls and the cycles.
func (r *Result) all(ctx context.Context, dir string, o Options) error {
	o.Told("working in " + dir)
	if o.Bin == "" {
		o.Told("agent and server are being built")
	}
	bin, err := build(ctx, o.Bin, dir)
	if err != nil {
		return err
	}
	o.Told("controls: a line that loses and one that doubles")
	begun := time.Now()
	if r.Caught, err = controls(ctx, bin, dir, o); err != nil {
		return err
	}
	err = r.run(ctx, bin, filepath.Join(dir, "mill"), o, begun)
	r.Seconds = time.Since(begun).Seconds()
	return err
}

// spares tells whether the part of a run has come in which no fault ends the
// server: after i cycles that took so long, in a run that began so long ago.
func (o Options) spares(i int, took, since time.Duration) bool {
	if o.ServerLives == 0 {
		return i >= o.Cycles*2/3 || o.Within > 0 && since >= o.Within*2/3
	}
	const guess, weight = 3 * time.Second, 20 // a cycle's length before many have been made
	left := (took + guess*weight) / time.Duration(i+weight) * time.Duration(o.Cycles-i)
	if o.Within > 0 {
		left = min(left, o.Within-since)
	}
	return left <= o.ServerLives
}

func newResult(seed uint64) Result {
	return Result{Faults: map[string]int{}, NotInjected: map[string]string{}, Seed: seed, Mismatches: []string{}, Resources: map[string][]Figure{}}
}

func (r *Result) run(ctx context.Context, bin, dir string, o Options, begun time.Time) error {
	v, err := r.one(ctx, bin, dir, o, nil, begun)
	if err != nil {
		return err
	}
	r.Turns, r.Stored, r.Hidden = v.turns, v.stored, v.hidden
	r.Lost, r.Doubled, r.StopsLost, r.StopsDoubled = v.lost+v.stopsLost, v.doubled+v.stopsDoubled, v.stopsLost, v.stopsDoubled
	r.DeclaredMin, r.DeclaredMax = v.declaredMin, v.declaredMax
	r.StopsTruth, r.StopsStored, r.StopsLeast, r.StopsMost = v.stopsTruth, v.stopsStored, v.stopsLeast, v.stopsMost
	r.Mismatches = append(r.Mismatches, v.mismatches...)
	return nil
}

// one runs a mill through its cycles and compares.
func (r *Result) one(ctx context.Context, bin, dir string, o Options, forge func() func([]byte) []byte, begun time.Time) (v verdict, err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return v, err
	}
	m, err := openMill(ctx, millOptions{bin: bin, dir: dir, seed: o.Seed, told: o.Told, forge: forge, disks: wantsDisks(o.Only)})
	if err != nil {
		return v, err
	}
	defer func() { err = errors.Join(err, m.close()) }()
	kinds := r.possible(ctx, m, o)
	sparing := slices.DeleteFunc(slices.Clone(kinds), func(f fault) bool { return f.hits == serverEnd })
	first := time.Now()
	for i := range o.Cycles {
		if o.Within > 0 && time.Since(begun) > o.Within {
			break
		}
		if len(sparing) > 0 && o.spares(i, time.Since(first), time.Since(begun)) {
			kinds, sparing = sparing, nil // for good
			o.Told(fmt.Sprintf("%5.1f s: from here on no fault ends the server", m.now().Seconds()))
		}
		if err := r.cycle(ctx, m, i, kinds); err != nil {
			return v, err
		}
		m.sample(ctx)
	}
	o.Told(fmt.Sprintf("%5.1f s: all repaired, machines stop", m.now().Seconds()))
	if v, err = m.compare(ctx, o.Settle, forge == nil); err != nil {
		return v, err
	}
	if ctx.Err() != nil {
		return v, ctx.Err()
	}
	r.Frozen, r.Resources = m.froze, m.figures()
	for _, c := range m.all {
		r.Wraps += len(c.wraps)
	}
	return v, nil
}

// compare lets the mill come to rest and compares the books with the ledger.
func (m *mill) compare(ctx context.Context, limit time.Duration, logs bool) (verdict, error) {
	last, slow := m.settle(ctx, limit)
	t, _, err := m.totals(ctx)
	if err != nil {
		return verdict{}, fmt.Errorf("chaos: ask the server for its totals: %w", err)
	}
	v, err := m.judge(ctx, t, last)
	if err != nil {
		return v, err
	}
	if slow != nil {
		v.no("%v", slow)
	}
	m.checkFrozen()
	if slow == nil && !m.broken && !m.drained(ctx, limit) {
		v.no("every journal is whole, and yet the server misses records that an agent told of")
	}
	v.mismatches = append(v.mismatches, m.notes...)
	if len(v.mismatches) > 0 && logs {
		m.tellLogs(t)
	}
	return v, nil
}

func wantsDisks(only []string) bool {
	return len(only) == 0 || slices.ContainsFunc(faults, func(f fault) bool { return f.needs&(room|power) != 0 && slices.Contains(only, f.kind) })
}

// possible leaves out what this host or these programs cannot suffer.
func (r *Result) possible(ctx context.Context, m *mill, o Options) (out []fault) {
	for _, f := range faults {
		if len(o.Only) > 0 && !slices.Contains(o.Only, f.kind) {
			continue
		}
		if err := m.lacks(ctx, f); err != nil {
			r.NotInjected[f.kind] = err.Error()
			continue
		}
		out = append(out, f)
	}
	return out
}

// cycle makes one or two troubles at once, lets them last, and repairs them.
func (r *Result) cycle(ctx context.Context, m *mill, i int, kinds []fault) error {
	if len(kinds) == 0 {
		return errors.New("chaos: no fault is left that could be made here")
	}
	between := func(lo, hi time.Duration) time.Duration { return lo + time.Duration(m.rng.Int64N(int64(hi-lo))) }
	var heals []func() error
	said := ""
	n := 1 + m.rng.IntN(2)
	for m.alone = n == 1; n > 0; n-- {
		f := kinds[m.rng.IntN(len(kinds))]
		s := m.strike(f.hits)
		heal, ok, err := f.inject(ctx, m, s)
		if err != nil {
			return fmt.Errorf("chaos: cycle %d: %s of %s: %w", i, f.kind, s.id, err)
		}
		heals = append(heals, heal)
		if ok {
			r.Faults[f.kind]++
			said += "; " + f.kind
			if f.hits < theServer {
				said += " (" + s.id + ")"
			}
		}
		if !pause(ctx.Done(), between(150*time.Millisecond, 800*time.Millisecond)) {
			return ctx.Err()
		}
	}
	at := m.now()
	for _, heal := range slices.Backward(heals) {
		if err := heal(); err != nil {
			return fmt.Errorf("chaos: repair after cycle %d%s: %w", i, said, err)
		}
	}
	m.told(fmt.Sprintf("%5.1f s: cycle %d%s", at.Seconds(), i+1, said))
	r.Cycles++
	if !pause(ctx.Done(), between(200*time.Millisecond, 900*time.Millisecond)) {
		return ctx.Err()
	}
	m.checkAlive()
	m.checkFrozen()
	for _, s := range m.stations {
		m.placed(ctx, s)
	}
	return nil
}

// strike draws the station that a fault strikes.
func (m *mill) strike(h hit) *station {
	n := len(m.stations)
	if h == anAgent {
		n-- // the last one is spared
	}
	return m.stations[m.rng.IntN(n)]
}

// checkAlive notes programs that have ended by themselves, and starts them.
func (m *mill) checkAlive() {
	if m.server != nil && m.server.over() {
		if !m.server.foundNoRoom(m.log("server"), m.roomAgain) {
			m.note("%s", m.server.ended(m.log("server")))
		}
		m.server = nil
		if err := m.startServer(); err != nil {
			m.note("%v", err)
		}
	}
	for _, s := range m.stations {
		if s.proc != nil && s.proc.over() {
			if !s.proc.foundNoRoom(m.log(s.id), s.roomAgain) {
				m.note("%s", s.proc.ended(m.log(s.id)))
			}
			if err := m.startAgent(s, false); err != nil {
				m.note("%v", err)
			}
		}
	}
}

// foundNoRoom tells that a program has ended because it was started on a full
// disk: it says so, and a service manager tries again.
func (p *process) foundNoRoom(log string, roomAgain time.Time) bool {
	return p.born.Before(roomAgain) && strings.Contains(tail(log, 1), "no space left on device")
}

// checkFrozen notes streams that froze though nobody copied their journal.
func (m *mill) checkFrozen() {
	agents, to := frozen(m.log("server"), m.logRead)
	m.logRead = to
	for _, a := range agents {
		m.froze++
		if !m.copied[a] {
			m.note("a stream of agent %s froze, and nobody copied its journal", a)
		}
	}
}

// tellLogs shows people what the programs said last and what was seen.
func (m *mill) tellLogs(t map[string]*pb.MachineTotals) {
	for _, c := range m.all {
		c.mu.Lock()
		m.told(fmt.Sprintf("%s: %d turns, books %v", c.id, c.turns, t[c.id]))
		for _, s := range c.shifts {
			m.told(fmt.Sprintf("%s: %s at %.2f s, seen until %.2f, again from %.2f", c.id, s.kind, s.at.Seconds(), s.seen.Seconds(), s.after.Seconds()))
		}
		c.mu.Unlock()
	}
	for _, name := range []string{"server", "u-01", "u-02", spared} {
		m.told("--- " + name + "\n" + tail(m.log(name), 40))
	}
}
