package scribe

import (
	"errors"
	"log/slog"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/edge/watch"
	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

// What a full journal refused has not been: the next reading that it takes
// tells the same counts, once.
func TestRefusedReadingHasNotBeen(t *testing.T) {
	j, _, err := journal.Open(t.TempDir(), journal.Options{MaxBytes: 3 << 10, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	ch, err := j.Channel("m01")
	if err != nil {
		t.Fatal(err)
	}
	ids := byte(0)
	w, err := watch.New(watch.Config{Bits: 32}, func() [16]byte { ids++; return [16]byte{ids} }, j.Boot)
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(ch, w)
	if err != nil {
		t.Fatal(err)
	}
	read := func(second int, raw uint64) error {
		at := time.Duration(second) * time.Second
		_, err := s.Take(source.Reading{At: source.Instant{Boot: [16]byte{1}, Boottime: int64(at), Wall: int64(at)}, Raw: raw}, false)
		if serr := j.Sync(); serr != nil {
			t.Fatal(serr)
		}
		return err
	}
	raw, second, told := uint64(1000), 1, 0
	for ; second < 10_000; second++ {
		before := s.State()
		if err := read(second, raw); err != nil {
			if !errors.Is(err, journal.ErrFull) || s.State().Last != before.Last || s.State().Told != before.Told {
				t.Fatalf("%v, state at %v told %d; want ErrFull and the state of before, %v told %d",
					err, s.State().Last, s.State().Told, before.Last, before.Told)
			}
			break
		}
		raw, told = raw+1, int(ch.Head())
	}
	// The server takes what is there, which makes room.
	if err := ch.Ack(ch.Head(), ch.Head(), [16]byte{9}); err != nil {
		t.Fatal(err)
	}
	if err := read(second+1, raw+1); err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.Finish(); err != nil {
		t.Fatal(err)
	}
	if err := j.Sync(); err != nil {
		t.Fatal(err)
	}
	recs, _, err := ch.Read(uint64(told), 100, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	last, spans := uint64(0), 0
	for _, sealed := range recs {
		r := new(wirepb.Record)
		if err := proto.Unmarshal(sealed.GetBody(), r); err != nil {
			t.Fatal(err)
		}
		if c := r.GetCountSpan(); c != nil {
			if spans++; spans > 1 && c.GetFrom() != last {
				t.Errorf("span (%d, %d] after one up to %d", c.GetFrom(), c.GetTo(), last)
			}
			last = c.GetTo()
		}
	}
	if last != raw+1 { // the number line of a first life is that of its raw counter
		t.Errorf("told up to %d, want %d", last, raw+1)
	}
}

func TestStateOfAnotherVersion(t *testing.T) {
	j, _, err := journal.Open(t.TempDir(), journal.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	ch, err := j.Channel("m01")
	if err != nil {
		t.Fatal(err)
	}
	if err := ch.Tick([]byte{200, 1, 2}); err != nil {
		t.Fatal(err)
	}
	w, err := watch.New(watch.Config{Bits: 32}, func() [16]byte { return [16]byte{1} }, j.Boot)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := New(ch, w); !errors.Is(err, watch.ErrState) {
		t.Errorf("New = %v, want ErrState", err)
	}
}
