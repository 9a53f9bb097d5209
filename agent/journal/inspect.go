package journal

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// ErrNone is inside the error about a folder without a journal.
var ErrNone = errors.New("no journal is here")

// Entry is one record as it lies in a journal.
type Entry struct {
	Segment string // file; "tail" for a record without a number that waits in a tail row
	Machine string
	Stream  [16]byte
	Boot    [16]byte             // of the record; zero when its number is not known
	Sealed  *wirepb.SealedRecord // nil in a tail row
	Record  *wirepb.Record       // empty but for Seq when the body cannot be read
	Sound   bool                 // the check sum of the record is right
}

// StreamSummary is what an inspection found of one machine.
type StreamSummary struct {
	Machine string
	Stream  [16]byte
	First   uint64 // oldest record held; 0 when there is none
	Head    uint64 // newest record
	Held    uint64
	Coarse  uint64 // of those held, merged from finer ones
	InRow   uint64 // waiting in the tail row, without a number yet
	Acked   uint64 // as last noted: it may be further by now
	Horizon uint64
	Oldest  time.Time // wall clock of the records, as the agent believed it
	Newest  time.Time
}

// Inspection is what a look at a journal found.
type Inspection struct {
	Dir string
	// Process is the number in the lock file: who opened the journal last.
	Process string
	// Rung is how far that process had gone to make room, and Ballast the size
	// of the file it can still give up.
	Rung     Rung
	Ballast  int64
	Segments int
	Bytes    int64
	Session  uint64
	Boots    int
	Streams  []StreamSummary // by machine
	// Tail is the end of the newest segment that does not check yet: an agent
	// may be writing it at this moment. It was never synced.
	Tail *Damage
	// Damage lists what does not check, or is missing, elsewhere.
	Damage []Damage
	// Refused says why no agent opens this journal; empty when one does.
	Refused string
}

// Inspect reads a journal from its oldest record on without its lock and
// without changing anything; an agent may go on writing to it. visit is called
// for every record and may end the inspection with an error.
func Inspect(dir string, visit func(Entry) error) (Inspection, error) {
	in := &inspector{Inspection: Inspection{Dir: dir}, slots: map[int]*StreamSummary{}, boots: map[uint64][16]byte{}, visit: visit}
	entries, err := os.ReadDir(dir)
	const repair = "name the folder of a journal, which is spool.dir in the agent's configuration"
	switch {
	case errors.Is(err, fs.ErrPermission):
		return in.Inspection, fmt.Errorf("journal: inspect: %w; run it as the user of the agent", err)
	case err != nil:
		return in.Inspection, fmt.Errorf("journal: inspect: %w; %s", err, repair)
	}
	var numbers []uint64
	for _, e := range entries {
		if n, ok := parseName(e.Name()); ok && e.Type().IsRegular() {
			numbers = append(numbers, n)
		}
	}
	if len(numbers) == 0 {
		return in.Inspection, fmt.Errorf("journal: inspect %s: %w: no file *%s in it; %s", dir, ErrNone, segmentSuffix, repair)
	}
	if b, err := os.ReadFile(filepath.Join(dir, "lock")); err == nil && len(b) < 64 {
		in.Process = process(b)
		if _, rung, ok := strings.Cut(string(b), "\nrung "); ok {
			n, _ := strconv.Atoi(strings.TrimSpace(rung))
			in.Rung = Rung(n)
		}
	}
	if st, err := os.Stat(filepath.Join(dir, ballastFile)); err == nil {
		in.Ballast = st.Size()
	}
	slices.Sort(numbers)
	firsts := in.joined(numbers)
	for i, n := range numbers {
		if i+1 < len(numbers) && firsts[i+1] <= n {
			continue // a later one holds all of it
		}
		if i > 0 && firsts[i] > numbers[i-1]+1 {
			in.damage(Damage{File: (&segment{number: n}).name(), Reason: fmt.Sprintf("segments %d to %d are missing", numbers[i-1]+1, firsts[i]-1)})
		}
		if err := in.segment(n, i == len(numbers)-1); err != nil {
			return in.Inspection, err
		}
	}
	if err := in.tail(); err != nil {
		return in.Inspection, err
	}
	for _, s := range in.slots {
		in.Streams = append(in.Streams, *s)
	}
	slices.SortFunc(in.Streams, func(a, b StreamSummary) int { return cmp.Compare(a.Machine, b.Machine) })
	in.Boots = len(in.boots)
	return in.Inspection, nil
}

// joined tells the lowest number that each segment stands for, and notes the
// boots that any of them names.
func (in *inspector) joined(numbers []uint64) []uint64 {
	out := slices.Clone(numbers)
	for i, n := range numbers {
		_, _, _ = opening(osDisk{in.Dir}, (&segment{number: n}).name(), n, func(f frame) {
			switch {
			case f.kind == kindJoined && f.number <= n:
				out[i] = f.number
			case f.kind == kindBoot: // a coarser segment leaves them to later ones
				in.boots[f.number] = f.id
			}
		})
	}
	return out
}

// tail visits the records that wait in tail rows. A row that does not check
// beside a good one is a write that was torn, or is going on at this moment.
func (in *inspector) tail() error {
	b, err := os.ReadFile(filepath.Join(in.Dir, tailFile))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("journal: inspect: %w", err)
	}
	for _, slot := range slices.Sorted(maps.Keys(in.slots)) {
		s, good, bad := in.slots[slot], 0, 0
		var newest tailRecord
		for side := range 2 {
			at := (slot*2 + side) * tailRow
			if at+tailRow > len(b) {
				break
			}
			row := b[at : at+tailRow]
			t, ok := parseTail(row, slot)
			if !ok && mendTail(row) {
				if t, ok = parseTail(row, slot); ok {
					in.damage(Damage{File: tailFile, Offset: int64(at), Bytes: 1, Reason: mendableReason})
				}
			}
			switch {
			case ok:
				good++
				if t.id == s.Stream && t.gen > newest.gen {
					newest = t
				}
			case slices.ContainsFunc(row, func(c byte) bool { return c != 0 }): // else it was never written
				bad++
			}
		}
		if bad > 0 && good == 0 {
			in.damage(Damage{File: tailFile, Offset: int64(slot * 2 * tailRow), Bytes: 2 * tailRow, Reason: fmt.Sprintf("no row of machine %s checks", s.Machine)})
		}
		if newest.head < s.Head {
			continue // its records went into the segments
		}
		s.InRow = uint64(len(newest.records))
		for _, x := range newest.boots {
			in.boots[x.number] = x.id
		}
		for _, r := range newest.records {
			if in.visit == nil {
				break
			}
			e := Entry{Segment: tailFile, Machine: s.Machine, Stream: s.Stream, Boot: in.boots[uint64(r.GetBoot())], Record: r, Sound: true}
			if err := in.visit(e); err != nil {
				return err
			}
		}
	}
	return nil
}

// inspector gathers what the segments hold.
type inspector struct {
	Inspection
	slots map[int]*StreamSummary
	boots map[uint64][16]byte
	visit func(Entry) error
	file  string
}

func (in *inspector) damage(d Damage) {
	const most = 1000
	if len(in.Damage) < most {
		in.Damage = append(in.Damage, d)
	}
}

// refuse notes why an agent would not open the journal.
func (in *inspector) refuse(err error) {
	if in.Refused == "" {
		in.Refused = err.Error()
	}
}

func (in *inspector) segment(number uint64, last bool) error {
	in.file = (&segment{number: number}).name()
	b, err := os.ReadFile(filepath.Join(in.Dir, in.file))
	if errors.Is(err, fs.ErrNotExist) {
		return nil // the server has all of it: the agent removed it meanwhile
	}
	if err != nil {
		return fmt.Errorf("journal: inspect: %w", err)
	}
	in.Segments++
	in.Bytes += int64(len(b))
	off := int64(headerBytes)
	if f, ok := mendBadHeader(b); ok {
		in.damage(Damage{File: in.file, Offset: f.off, Bytes: 1, Reason: mendableReason})
	}
	if h, err := parseHeader(b); err != nil || h.segment != number {
		in.damage(Damage{File: in.file, Bytes: min(int64(len(b)), headerBytes), Reason: "the header does not check"})
		off = min(off, int64(len(b)))
	}
	if last {
		if _, _, _, _, err := parseOpening(slices.Clone(b), number); err != nil {
			in.refuse(fmt.Errorf("newest segment %s: %w", in.file, err))
		}
	}
	end, w, err := walk(b, number, off, last, func(off, size int64, p []byte) error {
		f, err := decode(p)
		if err != nil {
			in.damage(Damage{File: in.file, Offset: off, Bytes: size, Reason: err.Error()})
			if last {
				in.refuse(fmt.Errorf("newest segment %s at offset %d: %w", in.file, off, err))
			}
			return nil
		}
		return in.take(f, off, size)
	})
	if err != nil {
		return err
	}
	for _, f := range w.mended {
		in.damage(Damage{File: in.file, Offset: f.off, Bytes: 1, Reason: mendableReason})
	}
	for _, st := range w.bad {
		in.damage(Damage{File: in.file, Offset: st.off, Bytes: st.bytes, Reason: "check sum"})
	}
	if rest := int64(len(b)) - end; rest > 0 {
		in.Tail = &Damage{File: in.file, Offset: end, Bytes: rest, Reason: "not synced yet, or a torn tail"}
	}
	return nil
}

// mendableReason is the reason of a Damage that an agent puts right when it
// opens the journal.
const mendableReason = "one bit has turned over; the agent puts it right"

func mendBadHeader(b []byte) (flip, bool) {
	if _, err := parseHeader(b); err == nil {
		return flip{}, false
	}
	return mendHeader(b)
}

// take notes what a frame says.
func (in *inspector) take(f frame, off, size int64) error {
	s := in.slots[f.slot]
	switch f.kind {
	case kindBoot:
		in.boots[f.number] = f.id
		return nil
	case kindSession:
		in.Session = max(in.Session, f.number)
		return nil
	case kindOpened, kindMark, kindTick, kindJoined:
		return nil
	case kindStream:
		if s == nil {
			in.slots[f.slot] = &StreamSummary{Machine: f.machine, Stream: f.id}
		} else if s.Stream != f.id {
			in.damage(Damage{File: in.file, Offset: off, Bytes: size, Reason: fmt.Sprintf("slot %d of machine %s begins a second stream", f.slot, s.Machine)})
		}
		return nil
	}
	if s == nil {
		in.damage(Damage{File: in.file, Offset: off, Bytes: size, Reason: fmt.Sprintf("slot %d has no stream", f.slot)})
		return nil
	}
	switch f.kind {
	case kindHead:
		if s.Held > 0 && f.head > s.Head {
			in.missing(s, f.head, off)
		}
		s.Head = max(s.Head, f.head)
		s.Acked, s.Horizon = f.acked, f.horizon
	case kindAck:
		s.Acked, s.Horizon = f.acked, f.horizon
	case kindData, kindCoarse:
		return in.data(f, s, off, size)
	}
	return nil
}

// missing notes that the records after the newest one up to last are not held.
func (in *inspector) missing(s *StreamSummary, last uint64, off int64) {
	in.damage(Damage{File: in.file, Offset: off, Reason: fmt.Sprintf("records %d to %d of machine %s are missing before this place", s.Head+1, last, s.Machine)})
}

func (in *inspector) data(f frame, s *StreamSummary, off, size int64) error {
	switch {
	case f.first <= s.Head:
		in.damage(Damage{File: in.file, Offset: off, Bytes: size, Reason: fmt.Sprintf("record %d of machine %s after %d", f.first, s.Machine, s.Head)})
	case f.first > s.Head+1:
		in.missing(s, f.first-1, off)
	}
	var stop error
	err := f.each(func(seq uint64, r sealed) bool {
		stop = in.record(s, seq, r, off, size)
		return stop == nil
	})
	if err != nil {
		in.damage(Damage{File: in.file, Offset: off, Bytes: size, Reason: err.Error()})
	}
	if stop == nil {
		s.Head = max(s.Head, f.first+f.covered-1)
	}
	return stop
}

func (in *inspector) record(s *StreamSummary, seq uint64, r sealed, off, size int64) error {
	e := Entry{Segment: in.file, Machine: s.Machine, Stream: s.Stream, Record: new(wirepb.Record),
		Sealed: &wirepb.SealedRecord{Body: r.body, Crc32C: r.crc, Coarse: r.coarse}, Sound: wire.RecordCRC(s.Stream[:], seq, r.body) == r.crc}
	if err := proto.Unmarshal(r.body, e.Record); err != nil {
		e.Sound, e.Record = false, &wirepb.Record{Seq: seq}
	}
	if !e.Sound {
		in.damage(Damage{File: in.file, Offset: off, Bytes: size, Reason: fmt.Sprintf("record %d of machine %s does not check", seq, s.Machine)})
	}
	e.Boot = in.boots[uint64(e.Record.GetBoot())]
	if s.Held == 0 {
		s.First = seq
	}
	s.Held++
	if r.coarse {
		s.Coarse++
	}
	s.Head = max(s.Head, seq)
	if at := e.Record.GetWallNs(); at != 0 {
		t := time.Unix(0, at).UTC()
		if s.Oldest.IsZero() || t.Before(s.Oldest) {
			s.Oldest = t
		}
		if t.After(s.Newest) {
			s.Newest = t
		}
	}
	if in.visit == nil {
		return nil
	}
	return in.visit(e)
}
