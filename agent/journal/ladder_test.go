package journal

import (
	"errors"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
)

// sweepFigures are what one disk size gave.
type sweepFigures struct {
	steps, records, coarse, refused int
	highest                         Rung
}

// throughFull runs two machines through a disk that fills while the server is
// away, is taken by others altogether, comes back, and two restarts.
func throughFull(t testing.TB, open func() (*Journal, error), size int64, others func(bool)) (f sweepFigures) {
	t.Helper()
	ks := []*knitter{{id: "m01"}, {id: "m02"}}
	const every = 40
	greedy := false
	j, err := open()
	if err != nil {
		t.Fatal(err)
	}
	channels := func() []*Channel { return []*Channel{mustChannel(t, j, "m01"), mustChannel(t, j, "m02")} }
	cs := channels()
	j.Boot([16]byte{1})
	j.tend()
	work := func(steps int) {
		for i := range steps {
			for m, k := range ks {
				if err := k.step(cs[m], every); err != nil && !errors.Is(err, ErrFull) {
					t.Fatalf("size %d: %v", size, err)
				}
			}
			if i%5 == 4 {
				if err := j.Sync(); err != nil {
					t.Fatalf("size %d: %v", size, err)
				}
				f.highest = max(f.highest, j.Rung())
				if greedy {
					others(true) // what was freed is taken at once
				}
			}
		}
		f.steps += steps * len(ks)
	}
	restart := func() {
		if err := j.Close(); err != nil {
			t.Fatalf("size %d: close: %v", size, err)
		}
		if j, err = open(); err != nil {
			t.Fatalf("size %d: open again: %v", size, err)
		}
		if d := j.Damaged(); d != nil {
			t.Errorf("size %d: damage after a mere restart: %v", size, d)
		}
		cs = channels()
		for m, k := range ks {
			k.resume(t, cs[m])
		}
		j.tend()
	}
	full := int(size / 280 / 2) // steps that fill the disk with fine records
	work(full + full/2)
	others(true)
	greedy = true
	work(60)
	restart()
	work(40)
	greedy = false
	others(false)
	j.tend()
	work(full / 2)
	restart()
	for m, k := range ks {
		mustSync(t, j)
		if n := cs[m].Unsynced(); n != 0 {
			t.Errorf("size %d: %d records of %s wait although there is room", size, n, k.id)
		}
		h := hear(t, cs[m], 1)
		k.agrees(t, h, fmt.Sprintf("size %d", size))
		f.records, f.coarse, f.refused = f.records+int(k.records), f.coarse+h.coarse, f.refused+k.refused
	}
	checkJournal(t, j)
	// The server is back and takes backups: the way down.
	for _, c := range cs {
		if err := c.Ack(c.Head(), c.Head(), [16]byte{9}); err != nil {
			t.Fatal(err)
		}
	}
	for range 20 {
		work(20)
		for _, c := range cs {
			if err := c.Ack(c.Head(), c.Head(), [16]byte{9}); err != nil {
				t.Fatal(err)
			}
		}
		j.prune(false)
		j.tend()
	}
	if j.Rung() != RungNone || j.Pressed() != "" || !j.ballast {
		t.Errorf("size %d: rung %v, ballast %v after there is room again", size, j.Rung(), j.ballast)
	}
	if f.highest < RungWaiting {
		t.Errorf("size %d: highest rung %v, the disk was not full", size, f.highest)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return f
}

// A disk of every size from 256 KiB to 4 MiB, in memory. The share of normal
// runs is small; TURNWISE_DISK_SWEEP=STEP_KIB takes every step.
func TestFault_11_AgentDiskFull(t *testing.T) {
	sizes := []int64{256, 260, 384, 1024}
	if testing.Short() {
		sizes = sizes[:2]
	}
	if s := os.Getenv("TURNWISE_DISK_SWEEP"); s != "" {
		step, err := strconv.ParseInt(s, 10, 64)
		if err != nil || step < 4 {
			t.Fatalf("TURNWISE_DISK_SWEEP=%q: found no number of KiB from 4 on", s)
		}
		sizes = nil
		for k := int64(256); k <= 4096; k += step {
			sizes = append(sizes, k)
		}
	}
	var all sweepFigures
	for _, kib := range sizes {
		d := newMemDisk(kib << 10)
		f := throughFull(t, func() (*Journal, error) {
			j, _, err := Open("memory", Options{Disk: d, Log: silent})
			return j, err
		}, kib<<10, func(on bool) {
			d.mu.Lock()
			defer d.mu.Unlock()
			if !on {
				d.taken = 0
				return
			}
			d.taken += max(d.bytes-d.used(), 0)
		})
		if f.refused > 0 {
			t.Errorf("%d KiB: %d times refused", kib, f.refused)
		}
		all.steps += f.steps
		all.records += f.records
		all.coarse += f.coarse
		all.highest = max(all.highest, f.highest)
	}
	t.Logf("disks %d, machine steps %d, records %d, coarse of those read %d, highest rung %q", len(sizes), all.steps, all.records, all.coarse, all.highest)
}

// Steps of the ladder one by one: what is acknowledged goes coarser first, what
// waits next, what is on its way never.
func TestLadderInOrder(t *testing.T) {
	d := newMemDisk(256 << 10)
	j, _ := mustOpen(t, "memory", Options{Disk: d, Log: silent})
	c := mustChannel(t, j, "m01")
	j.Boot([16]byte{1})
	j.tend()
	if !j.ballast {
		t.Fatal("no ballast on an empty disk")
	}
	k := &knitter{id: "m01"}
	until := func(r Rung, most int) {
		t.Helper()
		for range most {
			if err := k.step(c, 40); err != nil {
				t.Fatal(err)
			}
			mustSync(t, j)
			if j.Rung() >= r {
				return
			}
		}
		t.Fatalf("rung %v after %d steps, want %v", j.Rung(), most, r)
	}
	for range 300 {
		if err := k.step(c, 40); err != nil {
			t.Fatal(err)
		}
		mustSync(t, j)
	}
	if j.Rung() != RungNone {
		t.Fatalf("rung %v, the disk is not full yet", j.Rung())
	}
	if err := c.Ack(250, 0, [16]byte{1}); err != nil {
		t.Fatal(err)
	}
	c.Sent(280)
	until(RungAcked, 2000)
	if grade := gradeAfter(j, c, 280); grade != gradeFine {
		t.Errorf("waiting records are coarser while acknowledged ones are not yet")
	}
	until(RungWaiting, 20000)
	for i, s := range j.segments[:len(j.segments)-1] {
		if first, last := s.beforeSlot(0)+1, j.lastIn(i, c); first <= 280 && last > 250 && s.grade != gradeFine {
			t.Errorf("records %d to %d were made coarser while some are on their way", first, last)
		}
	}
	if !j.ballast {
		t.Error("ballast given up before the waiting records were coarser")
	}
	until(RungBallast, 200000)
	until(RungTail, 200000)
	h := hear(t, c, 1)
	if h.tombstones == 0 || h.coarse == h.tombstones {
		t.Errorf("%+v: nothing was merged", h)
	}
	if !strings.Contains(j.Pressed(), "free space") {
		t.Errorf("%q tells nobody what to do", j.Pressed())
	}
	checkJournal(t, j)
}

// gradeAfter is the highest grade of the segments that begin after seq.
func gradeAfter(j *Journal, c *Channel, seq uint64) (grade int) {
	for _, s := range j.segments {
		if s.beforeSlot(c.slot) >= seq {
			grade = max(grade, s.grade)
		}
	}
	return grade
}

// Merging changes neither counts nor time nor stops, whatever lies between.
func TestMergingKeepsWhatMatters(t *testing.T) {
	life := func(b byte) []byte { return slices.Repeat([]byte{b}, 16) }
	span := func(l byte, from, to uint64, t0, t1 int64) *wirepb.Record {
		return &wirepb.Record{Boot: 1, BoottimeNs: t1, Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{LifeId: life(l), From: from, To: to, FromBoottimeNs: t0}}}
	}
	other := func(f func(r *wirepb.Record)) *wirepb.Record { r := span(1, 10, 20, 10, 20); f(r); return r }
	stop := &wirepb.Record{Boot: 1, BoottimeNs: 10, Kind: &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: life(7)}}}
	tests := []struct {
		name string
		in   []*wirepb.Record
		want int
	}{
		{"end to end", []*wirepb.Record{span(1, 0, 10, 0, 10), span(1, 10, 20, 10, 20)}, 1},
		{"three", []*wirepb.Record{span(1, 0, 10, 0, 10), span(1, 10, 20, 10, 20), span(1, 20, 20, 20, 30)}, 1},
		{"another life", []*wirepb.Record{span(1, 0, 10, 0, 10), span(2, 10, 20, 10, 20)}, 2},
		{"a hole in the counts", []*wirepb.Record{span(1, 0, 10, 0, 10), span(1, 11, 20, 10, 20)}, 2},
		{"a hole in the time", []*wirepb.Record{span(1, 0, 10, 0, 10), span(1, 10, 20, 11, 20)}, 2},
		{"another boot", []*wirepb.Record{span(1, 0, 10, 0, 10), other(func(r *wirepb.Record) { r.Boot = 2 })}, 2},
		{"another register", []*wirepb.Record{span(1, 0, 10, 0, 10), other(func(r *wirepb.Record) { r.GetCountSpan().RawBits = 16 })}, 2},
		{"another wheel", []*wirepb.Record{span(1, 0, 10, 0, 10), other(func(r *wirepb.Record) { r.GetCountSpan().CountsPerRevolution = 4 })}, 2},
		{"time not known", []*wirepb.Record{span(1, 0, 10, 0, 10), other(func(r *wirepb.Record) {
			r.GetCountSpan().Quality = wirepb.CountQuality_COUNT_QUALITY_TIME_UNKNOWN
		})}, 2},
		{"a stop between", []*wirepb.Record{span(1, 0, 10, 0, 10), stop, span(1, 10, 20, 10, 20)}, 3},
	}
	for _, tt := range tests {
		out := mergeRecords(nil, tt.in)
		if len(out) != tt.want {
			t.Errorf("%s: %d records, want %d", tt.name, len(out), tt.want)
		}
		first, last := out[0].GetCountSpan(), out[len(out)-1].GetCountSpan()
		if first.GetFrom() != 0 || last.GetTo() != tt.in[len(tt.in)-1].GetCountSpan().GetTo() {
			t.Errorf("%s: %v: counts were lost", tt.name, out)
		}
		if tt.want == 1 && (first.GetFromBoottimeNs() != 0 || out[0].GetBoottimeNs() != tt.in[len(tt.in)-1].GetBoottimeNs()) {
			t.Errorf("%s: %v: time was lost", tt.name, out)
		}
	}
	if got := tests[0].in[1].GetCountSpan().GetFrom(); got != 10 {
		t.Errorf("a record of the caller was changed: begins at %d", got)
	}
}

// A server that is set back asks again for what it had: coarse records give
// the same counts and the same stops, from wherever it begins.
func TestRefillFromCoarseRecords(t *testing.T) {
	d := newMemDisk(0)
	j, _ := mustOpen(t, "memory", Options{Disk: d, Log: silent, SegmentBytes: 8 << 10})
	c := mustChannel(t, j, "m01")
	j.Boot([16]byte{1})
	k := &knitter{id: "m01"}
	for range 500 {
		if err := k.step(c, 20); err != nil {
			t.Fatal(err)
		}
		mustSync(t, j)
	}
	fine := readFrom(t, c, 1)
	if err := c.Ack(c.Head(), 0, [16]byte{1}); err != nil {
		t.Fatal(err)
	}
	j.syncing.Lock()
	j.mu.Lock()
	for j.coarsenNext(false, gradeCell) || j.coarsenNext(false, gradeRun) {
	}
	j.mu.Unlock()
	j.syncing.Unlock()
	whole := hear(t, c, 1)
	k.agrees(t, whole, "all of it again")
	if whole.coarse < whole.records/2 {
		t.Errorf("%+v: hardly anything was merged", whole)
	}
	// Fine up to any place, coarse from there on: as after a restore.
	for from := uint64(1); from <= c.Head(); from += 7 {
		h := hear(t, c, from)
		for _, s := range fine[:from-1] {
			r := new(wirepb.Record)
			if err := proto.Unmarshal(s.GetBody(), r); err != nil {
				t.Fatal(err)
			}
			if x := r.GetCountSpan(); x != nil {
				h.from, h.to = min(h.from, x.GetFrom()), max(h.to, x.GetTo())
			}
			if x := r.GetStopBegin(); x != nil {
				h.began[string(x.GetStopId())] = true
			}
			if x := r.GetStopEnd(); x != nil {
				h.ended[string(x.GetStopId())] = true
			}
		}
		h.runningTime = k.toldAt // overlaps are booked once by the server
		k.agrees(t, h, fmt.Sprintf("from record %d on", from))
	}
	// What was not merged is byte by byte what it was.
	for i, s := range readFrom(t, c, 1) {
		if !s.GetCoarse() && !slices.Equal(s.GetBody(), fine[i].GetBody()) {
			t.Errorf("record %d is another", i+1)
		}
	}
	want := c.Head()
	j.Close()
	j, rep := mustOpen(t, "memory", Options{Disk: d, Log: silent})
	c = mustChannel(t, j, "m01")
	if rep.Damage != nil || c.Head() != want {
		t.Errorf("opened again: head %d, want %d; %v", c.Head(), want, rep.Damage)
	}
	k.agrees(t, hear(t, c, 1), "opened again")
}

// Every call to the disk goes wrong once while the ladder works: each time all
// counts and stops are there afterwards.
func TestFault_14_EachCallWhileMakingRoom(t *testing.T) {
	step := 3
	if testing.Short() {
		step = 23
	}
	for n := 1; ; n += step {
		d := newMemDisk(96 << 10)
		d.fail = n
		k := &knitter{id: "m01"}
		j, _, err := Open("memory", Options{Disk: d, Log: silent})
		if err == nil {
			if c, err := j.Channel("m01"); err == nil {
				j.Boot([16]byte{1})
				j.tend()
				for i := range 260 {
					_ = k.step(c, 25) // what it refuses it tells later
					if i%10 == 0 {
						_ = j.Sync()
					}
				}
				_ = j.Sync() // this may be the one
				if err := j.Sync(); err != nil {
					t.Fatalf("call %d: a sync that went wrong once goes wrong again: %v", n, err)
				}
			}
			_ = j.Close()
		}
		done := d.calls < n // all of them had their turn
		d.fail = 0
		j, rep, err := Open("memory", Options{Disk: d, Log: silent})
		if err != nil {
			t.Fatalf("call %d: reopen: %v", n, err)
		}
		if rep.Damage != nil {
			t.Errorf("call %d: %v", n, rep.Damage)
		}
		c := mustChannel(t, j, "m01")
		if k.steps > 0 && c.Head() > 0 {
			k.agreesWithRow(t, j, c, fmt.Sprintf("call %d", n))
		}
		checkJournal(t, j)
		_ = j.Close()
		if done || t.Failed() {
			return
		}
	}
}

// An agent that ended while it joined segments leaves both: nothing is there
// twice.
func TestLeftoverOfJoinedSegments(t *testing.T) {
	d := newMemDisk(0)
	j, _ := mustOpen(t, "memory", Options{Disk: d, Log: silent, SegmentBytes: 8 << 10})
	c := mustChannel(t, j, "m01")
	j.Boot([16]byte{1})
	k := &knitter{id: "m01"}
	for range 200 {
		if err := k.step(c, 20); err != nil {
			t.Fatal(err)
		}
		mustSync(t, j)
	}
	before := d.clone()
	j.syncing.Lock()
	j.mu.Lock()
	for range 3 {
		j.coarsenNext(true, gradeCell)
	}
	j.mu.Unlock()
	j.syncing.Unlock()
	if j.segments[0].number == 1 {
		t.Fatal("nothing was joined")
	}
	j.Close()
	left := (&segment{number: j.segments[0].number - 1}).name()
	d.files[left] = before.files[left]
	j, rep := mustOpen(t, "memory", Options{Disk: d, Log: silent})
	if rep.Damage != nil {
		t.Errorf("%v", rep.Damage)
	}
	if d.files[left] != nil {
		t.Errorf("%s is still there", left)
	}
	k.agrees(t, hear(t, mustChannel(t, j, "m01"), 1), "after the leftover")
}

// Without a disk that tells its room the bound of the configuration does.
func TestBallastComesAndGoes(t *testing.T) {
	d := newMemDisk(1 << 20)
	j, _ := mustOpen(t, "memory", Options{Disk: d, Log: silent})
	j.tend()
	if d.files[ballastFile] == nil || d.files[ballastFile].blocks != 64<<10 {
		t.Fatalf("ballast %+v, want a sixteenth of the disk", d.files[ballastFile])
	}
	j.syncing.Lock()
	j.mu.Lock()
	for j.relieve(RungBallast) {
	}
	j.mu.Unlock()
	j.syncing.Unlock()
	if d.files[ballastFile] != nil || j.Rung() != RungBallast {
		t.Errorf("rung %v with ballast %v", j.Rung(), d.files[ballastFile] != nil)
	}
	j.tend()
	if d.files[ballastFile] == nil || j.Rung() != RungNone {
		t.Errorf("rung %v with ballast %v after there is room", j.Rung(), d.files[ballastFile] != nil)
	}
	none, _ := mustOpen(t, "memory", Options{Disk: newMemDisk(1 << 20), Ballast: -1, Log: silent, Now: func() time.Time { return time.Unix(1e9, 0) }})
	none.tend()
	if none.ballast {
		t.Error("a ballast although none is wanted")
	}
}

// The second copy of what the server has goes last: a full disk that passes
// costs none of it, so that a server may be set back afterwards.
func TestSecondCopyOutlivesFullDisk(t *testing.T) {
	d := newMemDisk(512 << 10)
	j, _ := mustOpen(t, "memory", Options{Disk: d, SegmentBytes: 8 << 10, Log: silent})
	c := mustChannel(t, j, "m01")
	j.Boot([16]byte{1})
	j.tend()
	k := &knitter{id: "m01"}
	work := func(steps int) {
		t.Helper()
		for range steps {
			if err := k.step(c, 7); err != nil {
				t.Fatal(err)
			}
			if err := j.Sync(); err != nil && !errors.Is(err, ErrFull) {
				t.Fatal(err)
			}
		}
	}
	work(400)
	if err := c.Ack(c.Head(), 0, [16]byte{1}); err != nil {
		t.Fatal(err)
	}
	take := func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		d.taken += max(d.bytes-d.used(), 0)
	}
	for i := 0; i < 1000 && j.Rung() < RungTail; i++ { // what is freed is taken at once
		take()
		work(1)
	}
	take()
	work(8)
	if j.Rung() != RungTail {
		t.Fatalf("rung %v, want %v: the disk was not full", j.Rung(), RungTail)
	}
	if first := j.segments[0].beforeSlot(c.slot) + 1; first != 1 {
		t.Errorf("records up to %d were given up while the tail row had room", first-1)
	}
	d.mu.Lock()
	d.taken = 0
	d.mu.Unlock()
	work(20)
	k.agrees(t, hear(t, c, 1), "after the disk was full")
	checkJournal(t, j)
}
