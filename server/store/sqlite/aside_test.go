package sqlite

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"turnwise/server/store"
)

// What could not be read or applied is listed with its reason, newest first,
// and the bytes of a message come back as they were sent.
func TestAsides(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	if list, err := s.Asides(t.Context(), 10); err != nil || len(list) != 0 {
		t.Fatalf("an empty store keeps %+v aside, %v", list, err)
	}
	if _, err := s.RegisterAgent(t.Context(), "a1", []string{"k01"}, start, false); err != nil {
		t.Fatal(err)
	}
	at := int64(10e9)
	bad := seal(t, "a1", "k01", store.Batch{
		Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: 1, HeadSeq: 1, Boots: map[uint32]store.ID{1: {3}},
		Clock:   store.Clock{Boot: 1, Boottime: at, Wall: start.UnixNano() + at},
		Records: []store.Record{{Boot: 1, Boottime: at, Wall: start.UnixNano() + at, Kind: &store.CountSpan{Life: store.ID{9}, From: 9, To: 5, PerRev: 1}}},
	})
	if o := commit(t, s, bad); o.Verdict != store.OK || o.Acked != 1 {
		t.Fatalf("%+v: a record that cannot be applied must not stop its stream", o)
	}
	noise := []byte{0xff, 0, 7}
	if err := s.Quarantine(t.Context(), store.Quarantined{Agent: "a1", Topic: "kt/v1/mill/a1/up/k01", Reason: "noise", Received: bad.Received.Add(time.Hour), Payload: noise}); err != nil {
		t.Fatal(err)
	}
	list, err := s.Asides(t.Context(), 10)
	if err != nil || len(list) != 2 {
		t.Fatalf("%+v, %v; want the message and the record", list, err)
	}
	if m := list[0]; m.Message != 1 || m.Agent != "a1" || m.Topic != "kt/v1/mill/a1/up/k01" || m.Reason != "noise" || m.Bytes != 3 {
		t.Errorf("message %+v", m)
	}
	if r := list[1]; r.Message != 0 || r.Machine != "k01" || r.Stream != (store.ID{1}) || r.Seq != 1 || !strings.Contains(r.Reason, "backwards") || r.Bytes != int64(len(bad.Records[0].Body)) {
		t.Errorf("record %+v", r)
	}
	if list, err := s.Asides(t.Context(), 1); err != nil || len(list) != 1 {
		t.Errorf("limit 1: %+v, %v", list, err)
	}
	if b, err := s.AsideMessage(t.Context(), 1); err != nil || !bytes.Equal(b, noise) {
		t.Errorf("message 1 is %x, %v", b, err)
	}
	if _, err := s.AsideMessage(t.Context(), 2); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("message 2: %v", err)
	}
}
