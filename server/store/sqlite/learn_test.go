package sqlite

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"turnwise/server/store"
)

// hour is some time of a machine with every kind that is booked, and a record
// of each that is refused.
func hour(say func(seconds int64, kind any)) {
	old, fresh := store.ID{9}, store.ID{10}
	say(10, &store.CountSpan{Life: old, To: 40, PerRev: 1})
	say(20, &store.StopBegin{Stop: store.ID{1}, Input: true, Cause: "yarn"})
	say(50, &store.StopEnd{Stop: store.ID{1}})
	say(110, &store.CountSpan{Life: old, From: 40, To: 60, FromBoottime: 50e9, PerRev: 1})
	say(300, &store.StateGap{FromBoot: 1, FromBoottime: 110e9, Reason: "agent down"})
	say(310, &store.LifeLink{New: fresh, Prev: old, PrevTo: 60, Kind: "replaced", PerRev: 1})
	say(400, &store.CountSpan{Life: fresh, To: 55, FromBoottime: 310e9, PerRev: 1})
	say(410, &store.StopBegin{Stop: store.ID{2}, Input: true, Cause: "needle"})
	say(420, &store.CountSpan{Life: fresh, From: 55, To: 50_000_000, FromBoottime: 410e9, PerRev: 1}) // no machine is so fast
	say(430, &store.ClockStep{Delta: 5})
}

// books are the rows that records make, without the instants of judgement.
func books(t *testing.T, s *Store) (rows []string) {
	t.Helper()
	for table, columns := range map[string]string{
		"account": "*", "life": "*", "life_join": "*", "stop": "*", "gap": "*", "cause_count": "*", "rollup": "*", "assignment_count": "*",
		"refused": "stream_num, seq, reason", "record": "*", "stream": "records, unread, acked", "boot": "*", "meta": "kinds",
	} {
		list, err := s.read.Query(`SELECT ` + columns + ` FROM ` + table)
		if err != nil {
			t.Fatal(err)
		}
		names, err := list.Columns()
		if err != nil {
			t.Fatal(err)
		}
		for list.Next() {
			values, into := make([]any, len(names)), make([]any, len(names))
			for i := range values {
				into[i] = &values[i]
			}
			if err := list.Scan(into...); err != nil {
				t.Fatal(err)
			}
			rows = append(rows, fmt.Sprintf("%s %v", table, values))
		}
		if err := list.Err(); err != nil {
			t.Fatal(err)
		}
		list.Close()
	}
	slices.Sort(rows)
	return rows
}

// setKinds makes a file that of a server that knows kinds up to n.
func setKinds(t *testing.T, s *Store, n int64) {
	t.Helper()
	err := s.transact(t.Context(), "kinds", func(ctx context.Context, w *writer) error {
		_, err := w.exec(ctx, `UPDATE meta SET kinds = ?`, n)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}

// A server that knows a kind which the one before stored unread has the same
// books as if it had been known from the beginning, whichever kind it was.
func TestLearnedKinds(t *testing.T) {
	tell := func(t *testing.T, s *Store, unknown int64) {
		register(t, s, "k01", "k02")
		next := uint64(0)
		hour(func(seconds int64, kind any) {
			next++
			at := seconds * 1e9
			b := seal(t, "a1", "k01", store.Batch{
				Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: next, HeadSeq: next, Boots: map[uint32]store.ID{1: {3}},
				Clock:   store.Clock{Boot: 1, Boottime: at, Wall: start.UnixNano() + at},
				Records: []store.Record{{Boot: 1, Boottime: at, Wall: start.UnixNano() + at, Kind: kind}},
			})
			if kindOf(&b.Records[0]) == unknown {
				b.Records[0].Kind = nil
			}
			if o := commit(t, s, b); o.Verdict != store.OK {
				t.Fatalf("verdict %d: %s", o.Verdict, o.Reason)
			}
		})
		commit(t, s, spans(t, "k02", 1, 3))
	}
	known := open(t, t.TempDir())
	defer known.Close()
	tell(t, known, 0)
	want := books(t, known)
	for kind := int64(10); kind <= 14; kind++ {
		t.Run(fmt.Sprint(kind), func(t *testing.T) {
			dir := t.TempDir()
			s := open(t, dir)
			tell(t, s, kind)
			if slices.Equal(books(t, s), want) {
				t.Fatal("the books do not depend on the kind, so that this test shows nothing")
			}
			setKinds(t, s, kind-1)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir)
			defer func() { s.Close() }()
			if got := books(t, s); !slices.Equal(got, want) {
				t.Errorf("books\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
			}
			undamaged(t, s.file)
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir)
			if got := books(t, s); !slices.Equal(got, want) {
				t.Error("the second start changed the books")
			}
		})
	}
}

// What a newer server has booked, an older one does not touch.
func TestKindsOfANewerServer(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	setKinds(t, s, newestKind+1)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if s, err := Open(t.Context(), file(dir), Options{Log: quiet}); !errors.Is(err, store.ErrNewerSchema) {
		t.Errorf("opened: %v", err)
		if err == nil {
			s.Close()
		}
	}
	if _, err := Verify(t.Context(), file(dir), VerifyOptions{}); !errors.Is(err, store.ErrNewerSchema) {
		t.Errorf("verified: %v", err)
	}
}
