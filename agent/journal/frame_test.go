package journal

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"testing"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// A frame checks only where it was written.
func TestFrameKnowsItsPlace(t *testing.T) {
	b := append(beginFrame(nil, kindTick), 3, 'x')
	endFrame(b, 0, 7, 100, 60)
	tests := []struct {
		name    string
		b       []byte
		segment uint64
		off     int64
		ok      bool
	}{
		{"in its place", b, 7, 100, true},
		{"with more behind it", append(bytes.Clone(b), 1, 2, 3), 7, 100, true},
		{"another segment", b, 8, 100, false},
		{"another offset", b, 7, 101, false},
		{"short", b[:len(b)-1], 7, 100, false},
		{"head only", b[:frameHead], 7, 100, false},
		{"nothing", nil, 7, 100, false},
		{"zeros", make([]byte, 64), 7, 100, false},
	}
	for _, tt := range tests {
		p, durable, err := parseFrame(tt.b, tt.segment, tt.off)
		if (err == nil) != tt.ok {
			t.Errorf("%s: %v, want ok %v", tt.name, err, tt.ok)
		}
		if tt.ok && (durable != 60 || !bytes.Equal(p, []byte{byte(kindTick), 3, 'x'})) {
			t.Errorf("%s: payload %x, durable %d", tt.name, p, durable)
		}
	}
}

// The check sum is CRC-32C as RFC 3720, appendix B.4 has it: 32 bytes of zero
// give aa 36 91 8a, in that byte order.
func TestCheckSumIsCastagnoli(t *testing.T) {
	h := appendHeader(nil, header{segment: 1})
	if len(h) != headerBytes {
		t.Errorf("header of %d bytes, FORMAT.md says %d", len(h), headerBytes)
	}
	// 24 bytes of place and 8 of payload.
	want := binary.LittleEndian.Uint32([]byte{0xaa, 0x36, 0x91, 0x8a})
	if got := frameCRC(make([]byte, frameHead+8), 0, 0); got != want {
		t.Errorf("check sum of 32 zeros = %08x, want %08x", got, want)
	}
}

// The example of FORMAT.md, byte by byte.
func TestFormatExample(t *testing.T) {
	b := append(beginFrame(nil, kindTick), 2, 'o', 'k')
	endFrame(b, 0, 1, 44, 0)
	doc, err := os.ReadFile("FORMAT.md")
	if err != nil {
		t.Fatal(err)
	}
	if line := fmt.Sprintf("% x", b); !bytes.Contains(doc, []byte(line)) {
		t.Errorf("FORMAT.md does not show the tick frame as %s", line)
	}
}

// What is no frame, header or payload gives an error and nothing else.
func FuzzFrame(f *testing.F) {
	tick := append(beginFrame(nil, kindTick), 2, 'o', 'k')
	endFrame(tick, 0, 1, 44, 0)
	f.Add(tick)
	data := append(beginFrame(nil, kindData), 0, 1, 1, 1, 's', 1, 2, 3, 4, 2, 'a', 'b')
	endFrame(data, 0, 1, 44, 0)
	f.Add(data)
	for k := range kindMark {
		f.Add(append([]byte{byte(k + 1)}, make([]byte, 40)...))
	}
	f.Add(appendHeader(nil, header{segment: 1}))
	f.Fuzz(func(t *testing.T, b []byte) {
		if h, err := parseHeader(b); err == nil && !bytes.Equal(appendHeader(nil, h), b[:headerBytes]) {
			t.Errorf("header %+v reads from bytes that it does not write", h)
		}
		for _, last := range []bool{false, true} {
			seg := bytes.Clone(b) // walk puts bits right in what it is given
			end, w, _ := walk(seg, 1, headerBytes, last, func(off, size int64, p []byte) error {
				if off < headerBytes || off+size > int64(len(b)) {
					t.Errorf("frame of %d bytes at %d in %d bytes", size, off, len(b))
				}
				return nil
			})
			if !last && end < headerBytes && len(b) > headerBytes || end > int64(max(len(b), headerBytes)) || len(w.bad) > len(b) {
				t.Errorf("walk ends at %d of %d with %d bad stretches", end, len(b), len(w.bad))
			}
		}
		if len(b) > 0 && len(b) <= maxFrame { // as a payload it comes back whole, also when a bit of it turns
			seg := append(beginFrame(make([]byte, headerBytes), kind(b[0])), b[1:]...)
			endFrame(seg, headerBytes, 1, headerBytes, headerBytes)
			seg[headerBytes+frameHead+len(b)/2] ^= b[len(b)-1] & 1 << 3
			n := 0
			end, w, err := walk(seg, 1, headerBytes, true, func(_, _ int64, p []byte) error {
				if n++; !bytes.Equal(p, b) {
					t.Errorf("payload % x read as % x", b, p)
				}
				return nil
			})
			if err != nil || n != 1 || end != int64(len(seg)) || len(w.bad) > 0 || len(w.mended) != int(b[len(b)-1]&1) {
				t.Errorf("% x as a payload: %d frames to %d of %d, %+v, %v", b, n, end, len(seg), w, err)
			}
		}
		fr, err := decode(b) // as if the check sum had fitted
		if err != nil {
			return
		}
		n, next := 0, fr.first
		err = fr.each(func(seq uint64, r sealed) bool {
			// A coarse frame leaves numbers out, but never goes back or beyond what it covers.
			skips := fr.kind == kindCoarse && seq > next
			if seq != next && !skips || seq-fr.first >= fr.covered || len(r.body) > len(b) {
				t.Errorf("record %d of %d bytes as number %d of a frame of %d from %d", seq, len(r.body), n, fr.covered, fr.first)
			}
			next = seq + 1
			n++
			return true
		})
		if err == nil && fr.kind == kindData && n != fr.records {
			t.Errorf("%d records read, %d announced", n, fr.records)
		}
	})
}

func BenchmarkAppend(b *testing.B) {
	for _, n := range []int{1, 10} {
		b.Run(fmt.Sprintf("records=%d", n), func(b *testing.B) {
			j, _ := mustOpen(b, b.TempDir(), Options{Log: silent})
			c := mustChannel(b, j, "m01")
			state := make([]byte, 100)
			recs := make([]*wirepb.Record, n)
			boot := j.Boot([16]byte{1})
			for i := range recs {
				recs[i] = span(boot, uint64(i))
			}
			b.ReportAllocs()
			for b.Loop() {
				if err := c.Append(state, recs...); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N*n)/b.Elapsed().Seconds(), "records/s")
		})
	}
}

// backlog writes records of 50 machines in turn.
func backlog(tb testing.TB, records int, o Options) *Journal {
	j, _ := mustOpen(tb, tb.TempDir(), o)
	state, boot := make([]byte, 100), j.Boot([16]byte{1})
	for i := range records {
		c := mustChannel(tb, j, fmt.Sprintf("m%02d", i%50))
		mustAppend(tb, c, string(state), span(boot, uint64(i)))
		if i%500 == 499 {
			mustSync(tb, j)
		}
	}
	mustSync(tb, j)
	return j
}

func BenchmarkReadBacklog(b *testing.B) {
	j := backlog(b, 200_000, Options{Log: silent})
	channels := j.Channels()
	next := make([]uint64, len(channels))
	records := 0
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ { // one op is a batch
		k := i % len(channels)
		recs, _, err := channels[k].Read(next[k]+1, wire.MaxRecords, wire.MaxBatchBytes)
		if err != nil {
			b.Fatal(err)
		}
		next[k] += uint64(len(recs))
		if records += len(recs); len(recs) < wire.MaxRecords {
			next[k] = 0
		}
	}
	b.ReportMetric(float64(records)/b.Elapsed().Seconds(), "records/s")
}

// Many segments of 50 machines wait; what the journal holds in memory for
// them does not grow with their number.
func TestBacklogNeedsLittleMemory(t *testing.T) {
	heap := func() int64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return int64(m.HeapAlloc)
	}
	before := heap()
	j := backlog(t, 50_000, Options{Log: silent, SegmentBytes: 128 << 10, disk: (&flakyDisk{}).on})
	for range 200 {
		c := j.Channels()[rand.IntN(50)]
		if _, _, err := c.Read(1+rand.Uint64N(900), wire.MaxRecords, wire.MaxBatchBytes); err != nil {
			t.Fatal(err)
		}
	}
	cached := 0
	for _, s := range j.segments[:len(j.segments)-1] {
		if s.places != nil {
			cached++
		}
	}
	if cached > maxPlaces || len(j.segments) < 3*maxPlaces {
		t.Errorf("places of %d of %d segments in memory, want at most %d", cached, len(j.segments), maxPlaces)
	}
	if grown := heap() - before; grown > 4<<20 {
		t.Errorf("%d bytes of memory for %d bytes of journal, want 4 MiB at most", grown, j.Bytes())
	}
}
