package sqlite

import (
	"os"
	"path/filepath"
	"testing"

	"turnwise/server/store"
)

// The journal of the database ends at any byte, as a power cut leaves it: what
// is opened is whole, and what was acknowledged before the cut part is there.
// The file is copied while the server holds it, which is also the image that a
// power cut leaves when everything synced is there (row 7).
func TestFault_08_JournalCutAnywhere(t *testing.T) {
	dir := inMemory(t)
	s := open(t, dir)
	defer s.Close()
	register(t, s, "k01")
	commit(t, s, spans(t, "k01", 1, 20))
	if err := s.Shorten(t.Context()); err != nil {
		t.Fatal(err)
	}
	ends := []int64{} // of the journal, by batch of 5 acknowledged
	for n := uint64(21); n <= 36; n += 5 {
		commit(t, s, spans(t, "k01", n, n+4))
		st, err := os.Stat(s.file + "-wal")
		if err != nil {
			t.Fatal(err)
		}
		ends = append(ends, st.Size())
	}
	base, err := os.ReadFile(s.file)
	if err != nil {
		t.Fatal(err)
	}
	wal, err := os.ReadFile(s.file + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	step := max(len(wal)/60, 1) | 1
	if os.Getenv("TURNWISE_EVERY_BYTE") != "" {
		step = 1
	}
	work := filepath.Join(inMemory(t), "cut.db")
	for cut := 0; cut <= len(wal); cut += step {
		for name, b := range map[string][]byte{work: base, work + "-wal": wal[:cut]} {
			if err := os.WriteFile(name, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		_ = os.Remove(work + "-shm")
		want := uint64(20)
		for _, end := range ends {
			if int64(cut) >= end {
				want += 5
			}
		}
		rep, err := Verify(t.Context(), work, VerifyOptions{})
		if err != nil || rep.Err() != nil {
			t.Fatalf("cut at %d: %v, %v", cut, err, rep.Err())
		}
		for _, acked := range rep.acked {
			if acked < want {
				t.Errorf("cut at %d: acknowledged up to %d, want %d", cut, acked, want)
			}
		}
	}
}

// A disk that has no page left: the commit gives an error that says so, what
// was acknowledged stays, reading goes on, and the next commit with room works.
func TestFault_12_NoPageLeft(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	register(t, s, "k01")
	commit(t, s, spans(t, "k01", 1, 50))
	limit := func(pragma string) {
		t.Helper()
		s.mu.Lock()
		defer s.mu.Unlock()
		w, err := s.writer(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.conn.ExecContext(t.Context(), pragma); err != nil {
			t.Fatal(err)
		}
	}
	limit(`PRAGMA max_page_count = 1`) // SQLite takes the size there is
	acked, full := uint64(50), false
	for n := uint64(51); n < 3000 && !full; n += 100 {
		out, err := s.Commit(t.Context(), batchesOf(t, n, n+99))
		switch {
		case err == nil:
			acked = out[0].Acked
		case IsFull(err):
			full = true
		default:
			t.Fatalf("%v, want an error of a full disk", err)
		}
	}
	if !full {
		t.Fatal("the database was never full")
	}
	if n := revolutions(t, s); n != int64(acked)*4 {
		t.Errorf("%d revolutions read while full, want %d", n, acked*4)
	}
	if out := commit(t, s, spans(t, "k01", acked+1, acked+100)); out.Acked != acked+100 { // a new connection has room
		t.Errorf("with room again acknowledged up to %d, want %d", out.Acked, acked+100)
	}
	undamaged(t, s.file)
}

func batchesOf(t *testing.T, first, last uint64) []store.Batch {
	t.Helper()
	return []store.Batch{spans(t, "k01", first, last)}
}
