package journal

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

var silent = slog.New(slog.NewTextHandler(io.Discard, nil))

// crash ends a journal as a power cut does: nothing is synced any more.
func (j *Journal) crash() {
	j.syncing.Lock()
	defer j.syncing.Unlock()
	j.mu.Lock()
	defer j.mu.Unlock()
	j.closed = true
	j.active.Close()
	j.lock.Close()
}

// written is one frame of a test: what must be there when its last byte is.
type written struct {
	end     int64
	machine string
	seq     uint64
	state   string
}

// sample writes a journal of two machines in one segment and tells where its
// frames end.
func sample(t *testing.T, dir string) (frames []written, bodies map[string][][]byte) {
	t.Helper()
	j, _ := mustOpen(t, dir, Options{Log: silent})
	bodies = map[string][][]byte{}
	for i := range 8 {
		machine := []string{"a", "b"}[i%2]
		c := mustChannel(t, j, machine)
		w := written{machine: machine, state: fmt.Sprint("state ", i)}
		boot := j.Boot([16]byte{byte(i / 3)})
		if i == 5 {
			if err := c.Tick([]byte(w.state)); err != nil {
				t.Fatal(err)
			}
		} else {
			mustAppend(t, c, w.state, span(boot, uint64(i)), span(boot, uint64(i+100)))
		}
		mustSync(t, j)
		w.seq, w.end = c.Head(), j.segments[0].size
		frames = append(frames, w)
	}
	for _, c := range j.Channels() {
		for _, r := range readFrom(t, c, 1) {
			bodies[c.Machine()] = append(bodies[c.Machine()], r.GetBody())
		}
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return frames, bodies
}

func TestCutAtEveryByte(t *testing.T) {
	dir := t.TempDir()
	frames, bodies := sample(t, dir)
	name := "000000000001" + segmentSuffix
	whole, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	_, _, opened, _, err := parseOpening(whole, 1)
	if err != nil {
		t.Fatal(err)
	}
	base := t.TempDir()
	for cut := int64(0); cut <= int64(len(whole)); cut++ {
		dir := filepath.Join(base, fmt.Sprint(cut))
		if err := os.Mkdir(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), whole[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		j, rep, err := Open(dir, Options{Log: silent, disk: (&flakyDisk{}).on})
		if cut < opened {
			// It gets its name only when it is synced: this is no torn tail.
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("cut at %d, inside the opening: %v, want ErrDamaged", cut, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		want := map[string]written{}
		for _, w := range frames {
			if w.end <= cut {
				want[w.machine] = w
			}
		}
		if rep.Cut != nil && rep.Cut.Offset+rep.Cut.Bytes != cut || len(rep.Damage) > 0 {
			t.Errorf("cut at %d: report %+v", cut, rep)
		}
		for _, machine := range []string{"a", "b"} {
			c := mustChannel(t, j, machine)
			w := want[machine]
			if c.Head() != w.seq || string(c.State()) != w.state {
				t.Fatalf("cut at %d: machine %s has head %d state %q, want %d %q", cut, machine, c.Head(), c.State(), w.seq, w.state)
			}
			mustAppend(t, c, "after", span(1, 77))
			mustSync(t, j)
			recs := readFrom(t, c, 1)
			if len(recs) != int(w.seq)+1 {
				t.Fatalf("cut at %d: %d records, want %d", cut, len(recs), w.seq+1)
			}
			for i, r := range recs[:w.seq] {
				if !bytes.Equal(r.GetBody(), bodies[machine][i]) {
					t.Fatalf("cut at %d: record %d of %s changed", cut, i+1, machine)
				}
			}
		}
		j.Close()
	}
}

// Any one byte of a closed journal is wrong, in more than one bit: no record
// reads otherwise than it was written, what is lost is declared, and no number
// is used twice.
func TestFlipEveryByte(t *testing.T) {
	for _, sealed := range []bool{false, true} {
		t.Run(fmt.Sprintf("sealed %v", sealed), func(t *testing.T) { flipEveryByte(t, sealed) })
	}
}

func flipEveryByte(t *testing.T, sealed bool) {
	dir := t.TempDir()
	frames, bodies := sample(t, dir)
	end := frames[len(frames)-1].end // then the mark of Close
	if sealed {
		j, _ := mustOpen(t, dir, Options{Log: silent})
		j.mu.Lock()
		err := j.roll()
		j.mu.Unlock()
		if err != nil {
			t.Fatal(err)
		}
		end = j.segments[0].size
		j.Close()
	}
	name := "000000000001" + segmentSuffix
	whole, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		t.Fatal(err)
	}
	refused, base := 0, t.TempDir()
	step := 1
	if sealed {
		step = 5 // the check sum is the same; the way past it is what differs
	}
	for at := 0; at < len(whole); at += step {
		broken := slices.Clone(whole)
		broken[at] ^= 0x15 << (at % 4)
		work := filepath.Join(base, fmt.Sprint(at))
		if err := os.CopyFS(work, os.DirFS(dir)); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(work, name), broken, 0o600); err != nil {
			t.Fatal(err)
		}
		j, rep, err := Open(work, Options{Log: silent, disk: (&flakyDisk{}).on})
		if err != nil {
			if !errors.Is(err, ErrDamaged) || sealed {
				t.Fatalf("byte %d: %v", at, err)
			}
			refused++
			continue
		}
		lost := 0
		for _, c := range j.Channels() {
			mustAppend(t, c, "after", span(1, 77))
			mustSync(t, j)
			recs := readFrom(t, c, 1)
			was := bodies[c.Machine()]
			if len(recs) <= len(was) {
				t.Fatalf("byte %d: machine %s has %d records after one more, had %d: a number is used twice", at, c.Machine(), len(recs), len(was))
			}
			for i, r := range recs[:len(was)] {
				switch {
				case r.GetCoarse():
					lost++
				case !bytes.Equal(r.GetBody(), was[i]):
					t.Fatalf("byte %d: record %d of %s reads otherwise than it was written", at, i+1, c.Machine())
				}
			}
			if recs[len(recs)-1].GetCoarse() {
				t.Fatalf("byte %d: the new record of %s is a tombstone", at, c.Machine())
			}
		}
		if int64(at) < end && len(j.Damaged()) == 0 {
			t.Errorf("byte %d: nothing was declared; report %+v", at, rep)
		}
		if lost > 2 {
			t.Errorf("byte %d: %d records lost, a frame holds 2", at, lost)
		}
		j.Close()
	}
	if !sealed && refused == 0 {
		t.Error("an opening that does not check was never refused")
	}
}

// Pages of an unsynced tail reach the disk in any order: a hole before frames
// that do check is still a torn tail.
func TestTornTailWithAHole(t *testing.T) {
	dir := t.TempDir()
	j, _ := mustOpen(t, dir, Options{Log: silent})
	c := mustChannel(t, j, "a")
	mustAppend(t, c, "one", span(1, 1))
	mustSync(t, j)
	durable := j.durable
	for i := range 10 {
		mustAppend(t, c, "more", span(1, uint64(i)))
	}
	j.crash()
	path := filepath.Join(dir, "000000000001"+segmentSuffix)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clear(b[durable+10 : durable+60])
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	j, rep := mustOpen(t, dir, Options{Log: silent})
	if rep.Cut == nil || rep.Cut.Offset != durable || rep.Damage != nil {
		t.Fatalf("report %+v, want a cut at %d", rep, durable)
	}
	c = mustChannel(t, j, "a")
	if c.Head() != 1 || string(c.State()) != "one" {
		t.Errorf("head %d state %q", c.Head(), c.State())
	}
}

func TestMissingSegmentIsDeclared(t *testing.T) {
	dir := t.TempDir()
	o := Options{Log: silent, SegmentBytes: 1024}
	j, _ := mustOpen(t, dir, o)
	c := mustChannel(t, j, "a")
	for i := range 60 {
		mustAppend(t, c, "s", span(1, uint64(i)))
		mustSync(t, j)
	}
	if len(j.segments) < 4 {
		t.Fatalf("%d segments, the test wants more", len(j.segments))
	}
	from, to := j.segments[1].beforeSlot(0)+1, j.segments[2].beforeSlot(0)
	j.Close()
	if err := os.Remove(filepath.Join(dir, "000000000002"+segmentSuffix)); err != nil {
		t.Fatal(err)
	}
	j, rep := mustOpen(t, dir, o)
	if len(rep.Damage) != 1 {
		t.Fatalf("report %+v, want one damage", rep)
	}
	recs := readFrom(t, mustChannel(t, j, "a"), 1)
	if len(recs) != 60 {
		t.Fatalf("%d records, want 60", len(recs))
	}
	for i, r := range recs {
		seq := uint64(i + 1)
		if gone := seq >= from && seq <= to; r.GetCoarse() != gone {
			t.Errorf("record %d: tombstone %v, want %v", seq, r.GetCoarse(), gone)
		}
	}
}

// model is what a journal must do, in maps.
type model struct {
	dir         string
	o           Options
	j           *Journal
	bodies      map[string][][]byte // everything ever written, by machine; I3
	state       map[string]string
	durable     map[string]int
	acked       map[string]uint64
	horizon     map[string]uint64
	syncedState map[string]string // state as of the last sync
	session     uint64
	frames      []written // since the last sync
	ids         map[string][16]byte
}

// Random work with power cuts at any byte of what is not synced.
func TestModel(t *testing.T) {
	base := t.TempDir()
	run := 0
	rapid.Check(t, func(t *rapid.T) {
		run++
		m := &model{dir: filepath.Join(base, fmt.Sprint(run)), bodies: map[string][][]byte{}, state: map[string]string{}, durable: map[string]int{},
			acked: map[string]uint64{}, horizon: map[string]uint64{}, ids: map[string][16]byte{}, syncedState: map[string]string{}}
		m.o = Options{Log: silent, SegmentBytes: int64(rapid.IntRange(200, 4000).Draw(t, "segment")), disk: (&flakyDisk{}).on}
		m.open(t)
		defer func() { m.j.crash() }()
		machine := rapid.SampledFrom([]string{"a", "b", "c"})
		t.Repeat(map[string]func(*rapid.T){
			"append": func(t *rapid.T) {
				m.append(t, machine.Draw(t, "machine"), rapid.IntRange(1, 5).Draw(t, "records"), rapid.StringN(0, 30, 60).Draw(t, "state"))
			},
			"tick": func(t *rapid.T) {
				m.append(t, machine.Draw(t, "machine"), 0, rapid.StringN(0, 30, 60).Draw(t, "state"))
			},
			"sync": func(t *rapid.T) { m.sync(t) },
			"ack": func(t *rapid.T) {
				k := machine.Draw(t, "machine")
				a := uint64(rapid.IntRange(0, m.durable[k]).Draw(t, "acked"))
				h := uint64(rapid.IntRange(0, int(a)).Draw(t, "horizon"))
				if err := m.channel(t, k).Ack(a, h, [16]byte{1}); err != nil {
					t.Fatal(err)
				}
				m.acked[k], m.horizon[k] = max(m.acked[k], a), max(m.horizon[k], h)
			},
			"prune": func(t *rapid.T) { m.j.prune(false) },
			"session": func(t *rapid.T) {
				n, err := m.j.NextSession()
				if err != nil || n <= m.session {
					t.Fatalf("NextSession = %d, %v after %d", n, err, m.session)
				}
				m.session = n
				m.synced()
			},
			"close": func(t *rapid.T) {
				if err := m.j.Close(); err != nil {
					t.Fatal(err)
				}
				m.synced()
				m.open(t)
			},
			"power cut": func(t *rapid.T) { m.cut(t) },
			"":          func(t *rapid.T) { m.check(t) },
		})
	})
}

func (m *model) open(t *rapid.T) {
	j, rep, err := Open(m.dir, m.o)
	if err != nil {
		t.Fatalf("Open: %v", err)
	}
	if len(rep.Damage) > 0 {
		t.Fatalf("damage after a mere power cut: %+v", rep)
	}
	m.j = j
	for _, c := range j.Channels() {
		m.durable[c.Machine()] = int(c.Head())
	}
	m.frames = nil
}

func (m *model) channel(t *rapid.T, machine string) *Channel {
	c, err := m.j.Channel(machine)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (m *model) append(t *rapid.T, machine string, n int, state string) {
	c := m.channel(t, machine)
	id := c.StreamID()
	var recs []*wirepb.Record
	for range n {
		recs = append(recs, span(m.j.Boot([16]byte{byte(len(m.bodies[machine]) / 10)}), uint64(len(m.bodies[machine])+len(recs))))
	}
	if err := c.Append([]byte(state), recs...); err != nil {
		t.Fatal(err)
	}
	for i, r := range recs {
		s, err := wire.Seal(id[:], r)
		if err != nil || r.GetSeq() != uint64(len(m.bodies[machine])+1) {
			t.Fatalf("record %d of %d got number %d, %v", i, n, r.GetSeq(), err)
		}
		m.bodies[machine] = append(m.bodies[machine], s.GetBody())
	}
	m.state[machine] = state
	last := m.j.segments[len(m.j.segments)-1]
	m.frames = append(m.frames, written{last.size, machine, uint64(len(m.bodies[machine])), state})
}

func (m *model) sync(t *rapid.T) {
	if err := m.j.Sync(); err != nil {
		t.Fatal(err)
	}
	m.synced()
}

func (m *model) synced() {
	for k, b := range m.bodies {
		m.durable[k] = len(b)
	}
	m.syncedState, m.frames = maps.Clone(m.state), nil
}

// cut takes the power away: any part of the unsynced bytes is there.
func (m *model) cut(t *rapid.T) {
	last := m.j.segments[len(m.j.segments)-1]
	at := m.j.durable + rapid.Int64Range(0, last.size-m.j.durable).Draw(t, "cut")
	before := map[string]written{}
	for _, k := range []string{"a", "b", "c"} {
		before[k] = written{seq: uint64(m.durable[k]), state: m.syncedState[k]}
	}
	for _, w := range m.frames {
		if w.end <= at {
			before[w.machine] = w
		}
	}
	m.j.crash()
	if err := os.Truncate(filepath.Join(m.dir, last.name()), at); err != nil {
		t.Fatal(err)
	}
	m.open(t)
	for k, w := range before {
		m.bodies[k] = m.bodies[k][:w.seq]
		c := m.channel(t, k)
		if c.Head() != w.seq {
			t.Fatalf("machine %s has head %d after the cut, want %d", k, c.Head(), w.seq)
		}
		// The state is that of the newest frame that is there, never another.
		if string(c.State()) != w.state {
			t.Fatalf("machine %s has state %q after the cut, want %q", k, c.State(), w.state)
		}
		m.state[k] = w.state
	}
	m.syncedState = maps.Clone(m.state)
}

func (m *model) check(t *rapid.T) {
	for _, c := range m.j.Channels() {
		k := c.Machine()
		if id, known := m.ids[k]; known && len(m.bodies[k]) > 0 && id != c.StreamID() {
			t.Fatalf("stream of machine %s changed its id with records in it", k)
		}
		m.ids[k] = c.StreamID()
		if int(c.Head()) != m.durable[k] {
			t.Fatalf("machine %s has head %d, want %d", k, c.Head(), m.durable[k])
		}
		if got := string(c.State()); got != m.state[k] {
			t.Fatalf("machine %s has state %q, want %q", k, got, m.state[k])
		}
		// I2: what is gone was acknowledged and in a backup.
		base := m.j.segments[0].beforeSlot(c.slot) + 1
		if base-1 > min(m.acked[k], m.horizon[k]) {
			t.Fatalf("machine %s is held from %d, acknowledged %d, horizon %d", k, base, m.acked[k], m.horizon[k])
		}
		for next := base; next <= c.Head(); {
			recs, _, err := c.Read(next, 7, 1000)
			if err != nil || len(recs) == 0 {
				t.Fatalf("Read(%d) of machine %s = %d records, %v", next, k, len(recs), err)
			}
			for _, r := range recs { // I2 gapless, I3 the same bytes
				if r.GetCoarse() || !bytes.Equal(r.GetBody(), m.bodies[k][next-1]) {
					t.Fatalf("record %d of machine %s is another", next, k)
				}
				rec := new(wirepb.Record)
				if err := proto.Unmarshal(r.GetBody(), rec); err != nil || rec.GetSeq() != next {
					t.Fatalf("record %d of machine %s says it is %d, %v", next, k, rec.GetSeq(), err)
				}
				next++
			}
		}
	}
}

// The process is killed at any call while a segment begins, and the power goes
// some records later: what was synced by the next process is there.
func TestKilledWhileASegmentBegins(t *testing.T) {
	for n := 1; ; n++ {
		d := newMemDisk(0)
		o := Options{Log: silent, Disk: d}
		j, _ := mustOpen(t, "box", o)
		c := mustChannel(t, j, "a")
		mustAppend(t, c, "one", span(j.Boot([16]byte{1}), 1))
		mustSync(t, j)
		before := d.calls
		d.last = before + n
		j.mu.Lock()
		err := j.roll()
		j.mu.Unlock()
		done := err == nil && d.calls <= d.last
		j.closed, d.last = true, 0
		j, _ = mustOpen(t, "box", o)
		c = mustChannel(t, j, "a")
		mustAppend(t, c, "two", span(j.Boot([16]byte{1}), 2), span(j.Boot([16]byte{1}), 3))
		mustSync(t, j)
		head, stream := c.Head(), c.StreamID()
		j.closed = true
		j, _ = mustOpen(t, "box", Options{Log: silent, Disk: d.crash()})
		c = mustChannel(t, j, "a")
		if c.Head() != head || c.StreamID() != stream || string(c.State()) != "two" {
			t.Errorf("killed after %d calls: stream %x up to %d with state %q, it was %x up to %d with \"two\"", n, c.StreamID(), c.Head(), c.State(), stream, head)
		}
		if done {
			return
		}
	}
}
