package journal_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"flag"
	"fmt"
	"hash/crc32"
	"io"
	"log/slog"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// What follows reads a journal from what FORMAT.md says alone: it shares no
// line with the package, so that the document and the code cannot drift apart.

var crcTable = crc32.MakeTable(crc32.Castagnoli)

// payload takes fields from the front.
type payload struct{ b []byte }

var errShort = errors.New("a field is short")

func (p *payload) take(n uint64) []byte {
	if n > uint64(len(p.b)) {
		panic(errShort)
	}
	out := p.b[:n]
	p.b = p.b[n:]
	return out
}

func (p *payload) u32() uint32 { return binary.LittleEndian.Uint32(p.take(4)) }
func (p *payload) id() string  { return string(p.take(16)) }
func (p *payload) rest() []byte {
	return p.take(uint64(len(p.b)))
}

// uv is 7 bits a byte, least first.
func (p *payload) uv() (n uint64) {
	for shift := 0; ; shift += 7 {
		c := p.take(1)[0]
		n |= uint64(c&0x7f) << shift
		if c < 0x80 {
			return n
		}
	}
}

type readRecord struct {
	body   []byte
	coarse bool
}

// readStream is what a journal tells of one slot.
type readStream struct {
	id, machine    string
	records        map[uint64]readRecord
	head           uint64
	acked, horizon uint64
	incarnation    string
	state          []byte
	lost           bool
	row            []*wirepb.Record // without numbers
}

type readJournal struct {
	id      string
	kinds   map[byte]int
	boots   map[uint64]string
	session uint64
	streams map[uint64]*readStream
	torn    int64 // bytes at the end that do not check and were never synced
}

// frame reads the frame at off; nil when it does not check.
func frame(b []byte, number uint64, off int64) (body []byte, durable uint32) {
	if off+12 > int64(len(b)) {
		return nil, 0
	}
	n := binary.LittleEndian.Uint32(b[off:])
	if n < 1 || n > 262144 || off+12+int64(n) > int64(len(b)) {
		return nil, 0
	}
	sum := binary.LittleEndian.AppendUint64(nil, number)
	sum = binary.LittleEndian.AppendUint64(sum, uint64(off))
	sum = append(sum, b[off:off+4]...)
	sum = append(sum, b[off+8:off+12]...)
	sum = append(sum, b[off+12:off+12+int64(n)]...)
	if crc32.Checksum(sum, crcTable) != binary.LittleEndian.Uint32(b[off+4:]) {
		return nil, 0
	}
	return b[off+12 : off+12+int64(n)], binary.LittleEndian.Uint32(b[off+8:])
}

// segmentFrames checks header and frames of a segment. Only the last one may
// end with bytes that do not check, and only with what was never synced.
func segmentFrames(b []byte, number uint64, last bool) (id string, payloads [][]byte, torn int64, err error) {
	if len(b) < 44 || !bytes.Equal(b[:8], []byte{0x54, 0x57, 0x4a, 0x52, 0x4e, 0x4c, 0, 1}) {
		return "", nil, 0, fmt.Errorf("segment %d has no header", number)
	}
	if got := binary.LittleEndian.Uint64(b[8:]); got != number {
		return "", nil, 0, fmt.Errorf("the header names segment %d, the file %d", got, number)
	}
	if crc32.Checksum(b[:40], crcTable) != binary.LittleEndian.Uint32(b[40:]) {
		return "", nil, 0, fmt.Errorf("the header of segment %d does not check", number)
	}
	for off := int64(44); off < int64(len(b)); {
		p, _ := frame(b, number, off)
		if p == nil {
			for later := off + 1; later < int64(len(b)); later++ {
				if p, durable := frame(b, number, later); !last || p != nil && int64(durable) > off {
					return "", nil, 0, fmt.Errorf("segment %d is damaged at offset %d", number, off)
				}
			}
			return string(b[16:32]), payloads, int64(len(b)) - off, nil
		}
		payloads = append(payloads, p)
		off += 12 + int64(len(p))
	}
	return string(b[16:32]), payloads, 0, nil
}

// readFolder reads a journal.
func readFolder(dir string) (j *readJournal, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("%v", r)
		}
	}()
	names, err := filepath.Glob(filepath.Join(dir, "*.twj"))
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	j = &readJournal{kinds: map[byte]int{}, boots: map[uint64]string{}, streams: map[uint64]*readStream{}}
	type part struct {
		first, number uint64
		payloads      [][]byte
	}
	var parts []part
	for i, name := range names {
		var number uint64
		if _, err := fmt.Sscanf(filepath.Base(name), "%012d.twj", &number); err != nil {
			return nil, err
		}
		b, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		id, payloads, torn, err := segmentFrames(b, number, i == len(names)-1)
		if err != nil {
			return nil, err
		}
		if j.id == "" {
			j.id = id
		} else if id != j.id {
			return nil, fmt.Errorf("segment %d is of another journal", number)
		}
		j.torn = torn
		p := part{number, number, payloads}
		if payloads[0][0] == 10 {
			q := payload{payloads[0][1:]}
			p.first = q.uv()
		}
		parts = append(parts, p)
	}
	for i, p := range parts {
		if i+1 < len(parts) && parts[i+1].first <= p.number {
			continue // joined into a later one
		}
		opened := false
		for n, b := range p.payloads {
			if b[0] == 10 && n > 0 {
				return nil, fmt.Errorf("segment %d: joined is no first frame", p.number)
			}
			if opened && (b[0] == 4 || b[0] == 5) {
				return nil, fmt.Errorf("segment %d: kind %d behind the opening", p.number, b[0])
			}
			opened = opened || b[0] == 5
			if err := j.apply(b); err != nil {
				return nil, fmt.Errorf("segment %d, frame %d, kind %d: %w", p.number, n, b[0], err)
			}
		}
		if !opened {
			return nil, fmt.Errorf("segment %d has no opening", p.number)
		}
	}
	return j, j.rows(dir)
}

// apply takes over one payload, field by field.
func (j *readJournal) apply(b []byte) error {
	p := payload{b[1:]}
	j.kinds[b[0]]++
	stream := func() *readStream {
		slot := p.uv()
		if slot > 255 || j.streams[slot] == nil {
			panic(fmt.Errorf("slot %d has no stream", slot))
		}
		return j.streams[slot]
	}
	switch b[0] {
	case 1:
		index, id := p.uv(), p.id()
		if was, known := j.boots[index]; index == 0 || known && was != id {
			return fmt.Errorf("boot %d is told twice, otherwise", index)
		}
		j.boots[index] = id
	case 2:
		j.session = max(j.session, p.uv())
	case 3:
		slot, id, machine := p.uv(), p.id(), string(p.rest())
		if s := j.streams[slot]; s == nil {
			j.streams[slot] = &readStream{id: id, machine: machine, records: map[uint64]readRecord{}}
		} else if s.id != id || s.machine != machine {
			return fmt.Errorf("slot %d is of another stream", slot)
		}
	case 4:
		s := stream()
		head := p.uv()
		s.acked, s.horizon, s.incarnation = p.uv(), p.uv(), p.id()
		flags := p.uv()
		if flags&1 != 0 {
			s.state = p.rest()
		}
		s.lost = flags&2 != 0
		if len(s.records) > 0 && head != s.head {
			return fmt.Errorf("the opening tells %d as the newest, %d was read", head, s.head)
		}
		s.head = head
	case 5, 9:
	case 6:
		s := stream()
		seq, n := p.uv(), p.uv()
		s.state, s.lost = p.take(p.uv()), false
		for ; n > 0; n-- {
			if err := s.record(seq, p.u32(), p.take(p.uv()), false); err != nil {
				return err
			}
			seq++
		}
		s.head = seq - 1
	case 7:
		s := stream()
		s.state, s.lost = p.rest(), false
	case 8:
		s := stream()
		s.acked, s.horizon, s.incarnation = p.uv(), p.uv(), p.id()
	case 10:
		_, _ = p.uv(), p.uv()
	case 11:
		s := stream()
		seq, covered, n := p.uv(), p.uv(), p.uv()
		end := seq + covered
		for ; n > 0; n-- {
			seq += p.uv()
			flags := p.take(1)[0]
			if err := s.record(seq, p.u32(), p.take(p.uv()), flags&1 != 0); err != nil {
				return err
			}
			seq++
		}
		if seq != end {
			return fmt.Errorf("numbers up to %d are told, %d are read", end-1, seq-1)
		}
		s.head = seq - 1
	default:
		return errors.New("unknown kind")
	}
	if len(p.b) > 0 {
		return fmt.Errorf("%d bytes are left over", len(p.b))
	}
	return nil
}

func (s *readStream) record(seq uint64, crc uint32, body []byte, coarse bool) error {
	if _, there := s.records[seq]; there || seq <= s.head {
		return fmt.Errorf("record %d after %d", seq, s.head)
	}
	// As proto/wire seals: stream, number (8 bytes, big endian), body.
	sum := binary.BigEndian.AppendUint64([]byte(s.id), seq)
	if crc32.Checksum(append(sum, body...), crcTable) != crc {
		return fmt.Errorf("record %d does not check", seq)
	}
	s.records[seq] = readRecord{body, coarse}
	return nil
}

// rows reads the tail rows.
func (j *readJournal) rows(dir string) error {
	b, err := os.ReadFile(filepath.Join(dir, "tail"))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	for slot, s := range j.streams {
		newest := uint64(0)
		for side := range uint64(2) {
			row := b[8192*slot+4096*side:][:4096]
			n := binary.LittleEndian.Uint32(row[4:])
			if n == 0 || n > 4096-16 || crc32.Checksum(row[4:16+n], crcTable) != binary.LittleEndian.Uint32(row) {
				continue
			}
			gen := binary.LittleEndian.Uint64(row[8:])
			p := payload{row[16 : 16+n]}
			if p.uv() != slot || p.id() != s.id || gen <= newest {
				continue
			}
			newest = gen
			if p.uv() != s.head {
				s.row = nil // done with
				continue
			}
			s.state, s.row = p.take(p.uv()), nil
			for n := p.uv(); n > 0; n-- {
				r := new(wirepb.Record)
				if err := proto.Unmarshal(p.take(p.uv()), r); err != nil {
					return err
				}
				s.row = append(s.row, r)
			}
			if len(p.b) > 0 {
				for n := p.uv(); n > 0; n-- {
					j.boots[p.uv()] = p.id()
				}
			}
			if len(p.b) > 0 {
				return fmt.Errorf("row of slot %d: %d bytes are left over", slot, len(p.b))
			}
		}
	}
	return nil
}

var writeFormat = flag.Bool("format.write", false, "write the journal of testdata/format-1 where there is none")

// TestFormat: who has nothing but FORMAT.md reads a journal that this version
// writes, and the one that is kept for good; and this version reads what is
// kept.
func TestFormat(t *testing.T) {
	fresh := filepath.Join(t.TempDir(), "j")
	truth := journal.WriteFormatSample(t, fresh)
	kept := filepath.Join("testdata", "format-1")
	if _, err := os.Stat(kept); *writeFormat && os.IsNotExist(err) {
		if err := os.CopyFS(kept, os.DirFS(fresh)); err != nil {
			t.Fatal(err)
		}
		if err := os.Remove(filepath.Join(kept, "lock")); err != nil {
			t.Fatal(err)
		}
	}
	for name, dir := range map[string]string{"of this version": fresh, "kept": kept} {
		t.Run(name, func(t *testing.T) {
			j, err := readFolder(dir)
			if err != nil {
				t.Fatal(err)
			}
			for k := range byte(11) {
				if j.kinds[k+1] == 0 {
					t.Errorf("no frame of kind %d", k+1)
				}
			}
			if want := map[uint64]string{1: "\x01" + strings.Repeat("\x00", 15), 2: "\x02" + strings.Repeat("\x00", 15)}; !maps.Equal(j.boots, want) || j.session != 2 || len(j.streams) != len(truth) || j.torn != 0 {
				t.Errorf("boots %x, session %d, %d streams, %d torn bytes", j.boots, j.session, len(j.streams), j.torn)
			}
			for _, s := range j.streams {
				agreesWithTruth(t, s, truth[s.machine])
			}
			readsTheSame(t, dir, j)
		})
	}
}

// agreesWithTruth compares counts, time, stops and state.
func agreesWithTruth(t *testing.T, s *readStream, truth journal.SampleTruth) {
	t.Helper()
	var all []*wirepb.Record
	coarse := 0
	for _, seq := range slices.Sorted(maps.Keys(s.records)) {
		r := new(wirepb.Record)
		if err := proto.Unmarshal(s.records[seq].body, r); err != nil || r.GetSeq() != seq {
			t.Fatalf("machine %s: record %d names itself %d, %v", s.machine, seq, r.GetSeq(), err)
		}
		if s.records[seq].coarse {
			coarse++
		}
		all = append(all, r)
	}
	if len(s.row) != 1 || coarse == 0 || s.head <= uint64(len(s.records)) {
		t.Errorf("machine %s: %d records in the row, want 1 that was merged; %d coarse ones, %d of %d numbers", s.machine, len(s.row), coarse, len(s.records), s.head)
	}
	var counts uint64
	var at int64
	var stops []string
	for _, r := range append(all, s.row...) {
		if x := r.GetCountSpan(); x != nil {
			if x.GetFrom() != counts || x.GetFromBoottimeNs() != at {
				t.Errorf("machine %s: a span from %d at %d ns after %d at %d ns", s.machine, x.GetFrom(), x.GetFromBoottimeNs(), counts, at)
			}
			counts, at = x.GetTo(), r.GetBoottimeNs()
		}
		if x := r.GetStopBegin(); x != nil {
			stops = append(stops, string(x.GetStopId()))
		}
	}
	if counts != truth.Counts || at != truth.Time || !slices.Equal(stops, truth.Stops) || string(s.state) != truth.State || s.lost {
		t.Errorf("machine %s: %d counts in %d ns, stops %q, state %x, lost %v; want %+v", s.machine, counts, at, stops, s.state, s.lost, truth)
	}
	if s.machine == "m01" && (s.acked != 6 || s.horizon != 2) || s.machine == "m02" && (s.acked != 3 || s.horizon != 3) || s.incarnation[0] != 9 {
		t.Errorf("machine %s: acknowledged %d, backed up %d, incarnation %x", s.machine, s.acked, s.horizon, s.incarnation)
	}
}

// readsTheSame: an inspection and an agent read what was read from the
// document.
func readsTheSame(t *testing.T, dir string, want *readJournal) {
	t.Helper()
	by := map[string]*readStream{}
	for _, s := range want.streams {
		by[s.machine] = s
	}
	seen := map[string]int{}
	in, err := journal.Inspect(dir, func(e journal.Entry) error {
		s := by[e.Machine]
		if e.Segment == "tail" {
			if len(s.row) != 1 || !proto.Equal(s.row[0], e.Record) || string(e.Boot[:]) != want.boots[uint64(e.Record.GetBoot())] {
				t.Errorf("inspection of machine %s: the row holds %+v", e.Machine, e)
			}
			s.row = nil
			return nil
		}
		r, ok := s.records[e.Record.GetSeq()]
		if !ok || !bytes.Equal(r.body, e.Sealed.GetBody()) || r.coarse != e.Sealed.GetCoarse() || !e.Sound || string(e.Stream[:]) != s.id || string(e.Boot[:]) != want.boots[uint64(e.Record.GetBoot())] {
			t.Errorf("inspection of machine %s: record %d reads %+v", e.Machine, e.Record.GetSeq(), e)
		}
		seen[e.Machine]++
		return nil
	})
	if err != nil || len(in.Damage) > 0 {
		t.Errorf("inspection: %+v, %v", in, err)
	}
	work := filepath.Join(t.TempDir(), "work")
	if err := os.CopyFS(work, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	j, rep, err := journal.Open(work, journal.Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Ballast: -1})
	if err != nil || len(rep.Damage) > 0 {
		t.Fatalf("open: %+v, %v", rep, err)
	}
	defer j.Close()
	for machine, s := range by {
		if len(s.row) > 0 {
			t.Errorf("machine %s: the inspection does not see the row", machine)
		}
		if seen[machine] != len(s.records) {
			t.Errorf("machine %s: %d records inspected, %d read", machine, seen[machine], len(s.records))
		}
		c, err := j.Channel(machine)
		if err != nil {
			t.Fatal(err)
		}
		if id := c.StreamID(); string(id[:]) != s.id || string(c.State()) != string(s.state) || c.Head() < s.head || c.Acked() != s.acked {
			t.Errorf("machine %s opens with stream %x, head %d, acknowledged %d", machine, id, c.Head(), c.Acked())
		}
		for next := uint64(1); next <= s.head; {
			recs, _, err := c.Read(next, wire.MaxRecords, wire.MaxBatchBytes)
			if err != nil || len(recs) == 0 {
				t.Fatalf("machine %s: %d records from %d, %v", machine, len(recs), next, err)
			}
			for _, r := range recs {
				if w, ok := s.records[next]; ok && !bytes.Equal(w.body, r.GetBody()) {
					t.Errorf("machine %s: record %d reads otherwise", machine, next)
				}
				next++
			}
		}
	}
}
