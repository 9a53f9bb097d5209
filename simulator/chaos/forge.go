package chaos

import (
	"context"
	"crypto/sha256"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// The negative controls are lines that tell the least that can be wrong: one
// turn and one stop of each machine go missing, or come twice, in records that
// are sealed as an agent seals them. A comparison that does not see them is
// worth nothing. Every repetition is forged alike, so that no check sum and no
// contradiction gives them away.

// forger rewrites what is published on up topics of one line.
type forger struct {
	twice bool // else away

	mu    sync.Mutex
	cuts  map[string]uint64 // by counter life: from here on the number line is one off
	stops map[string]string // the stop that is forged, by stream
	cause map[string]string // of stops at inputs
	seals map[place]uint32  // of forged records, which the next batch names
}

// place is where a record stands.
type place struct {
	stream string
	seq    uint64
}

func newForger(twice bool) *forger {
	return &forger{twice: twice, cuts: map[string]uint64{}, stops: map[string]string{}, cause: map[string]string{}, seals: map[place]uint32{}}
}

// packet takes the body of a PUBLISH at QoS 1: topic, packet id, payload. What
// is no batch goes as it is.
func (f *forger) packet(body []byte) []byte {
	b, head, ok := batchOf(body)
	if !ok {
		return body
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	stream := string(b.GetStreamId())
	if seal, forged := f.seals[place{stream, b.GetFirstSeq() - 1}]; forged && b.BeforeCrc32C != nil {
		b.BeforeCrc32C = &seal
	}
	for i, sealed := range b.GetRecords() {
		r := new(wirepb.Record)
		if proto.Unmarshal(sealed.GetBody(), r) != nil {
			return body
		}
		f.record(stream, r)
		again, err := wire.Seal(b.GetStreamId(), r)
		if err != nil {
			return body
		}
		sealed.Body, sealed.Crc32C = again.GetBody(), again.GetCrc32C()
		f.seals[place{stream, b.GetFirstSeq() + uint64(i)}] = sealed.GetCrc32C()
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		return body
	}
	return append(append([]byte(nil), body[:head]...), payload...)
}

func (f *forger) record(stream string, r *wirepb.Record) {
	switch k := r.GetKind().(type) {
	case *wirepb.Record_CountSpan:
		f.span(k.CountSpan)
	case *wirepb.Record_StopBegin:
		if k.StopBegin.GetSource() != wirepb.StopSource_STOP_SOURCE_INPUT {
			return
		}
		id := string(k.StopBegin.GetStopId())
		f.cause[id] = k.StopBegin.GetCause()
		if f.stops[stream] == "" {
			f.stops[stream] = id
		}
		if !f.twice && f.stops[stream] == id {
			r.Kind = nobodysRecord
		}
	case *wirepb.Record_StopEnd:
		id := string(k.StopEnd.GetStopId())
		if f.stops[stream] != id {
			return
		}
		r.Kind = nobodysRecord
		if f.twice { // what ended begins once more, until the next one
			again := sha256.Sum256([]byte(id))
			r.Kind = &wirepb.Record_StopBegin{StopBegin: &wirepb.StopBegin{StopId: again[:wire.IDLen], Cause: f.cause[id],
				Source: wirepb.StopSource_STOP_SOURCE_INPUT, At: k.StopEnd.GetAt()}}
		}
	}
}

// nobodysRecord stands in place of one that goes missing: it books nothing.
var nobodysRecord = &wirepb.Record_ClockStep{ClockStep: &wirepb.ClockStep{DeltaNs: int64(time.Second)}}

// span moves the number line of a life by one turn, from the first span on
// that is long enough to lose one.
func (f *forger) span(s *wirepb.CountSpan) {
	life := string(s.GetLifeId())
	cut, ok := f.cuts[life]
	if !ok {
		if s.GetTo() < s.GetFrom()+2 {
			return
		}
		cut = s.GetTo()
		f.cuts[life] = cut
	}
	for _, n := range []*uint64{&s.From, &s.To} {
		if *n >= cut && f.twice {
			*n++
		} else if *n >= cut {
			*n--
		}
	}
}

// batchOf finds the batch in the body of a PUBLISH, and where it begins.
func batchOf(body []byte) (b *wirepb.Batch, head int, ok bool) {
	if len(body) < 4 {
		return nil, 0, false
	}
	head = 2 + int(body[0])<<8 + int(body[1]) + 2
	if head > len(body) {
		return nil, 0, false
	}
	topic, err := wire.ParseTopic(string(body[2 : head-2]))
	if err != nil || topic.Kind != "up" {
		return nil, 0, false
	}
	b, err = wire.DecodeBatch(body[head:])
	return b, head, err == nil
}

// controls runs a few cycles over lines that lose and that double, at once.
func controls(ctx context.Context, bin, dir string, o Options) (c Controls, err error) {
	few := o
	// Nothing that would make a stop or a turn doubtful.
	few.Cycles, few.Within, few.ServerLives, few.Told = 3, 0, 0, func(string) {}
	few.Only = []string{"kill server", "line delayed", "machine exception"}
	var away, twice verdict
	g, ctx := errgroup.WithContext(ctx)
	for name, v := range map[string]*verdict{"lossy": &away, "doubling": &twice} {
		g.Go(func() (err error) {
			r := newResult(o.Seed)
			forge := func() func([]byte) []byte { return newForger(name == "doubling").packet }
			if *v, err = r.one(ctx, bin, filepath.Join(dir, name), few, forge, time.Now()); err != nil {
				return fmt.Errorf("chaos: control %s: %w", name, err)
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		return c, err
	}
	c.Lossy = away.lost > 0 && away.stopsLost > 0 && away.doubled == 0 && away.stopsDoubled == 0
	c.Doubling = twice.doubled > 0 && twice.stopsDoubled > 0 && twice.lost == 0 && twice.stopsLost == 0
	o.Told(fmt.Sprintf("control that loses: %d of %d turns and %d of %d stops found missing, caught: %t", away.lost, away.turns, away.stopsLost, away.stopsTruth, c.Lossy))
	o.Told(fmt.Sprintf("control that doubles: %d of %d turns and %d of %d stops found twice, caught: %t", twice.doubled, twice.turns, twice.stopsDoubled, twice.stopsTruth, c.Doubling))
	return c, nil
}
