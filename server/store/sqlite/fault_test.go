package sqlite

import (
	"database/sql"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// A server is killed while it brings an old schema up to date, at any point of
// what it writes: the next start finds the old schema or a later one, finishes,
// and the books are whole. Every start of the log is one way to be killed; the
// transactions before the cut are there, the one that it hits is not.
func TestFault_42_KilledDuringMigration(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	want := revolutions(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	firstSchema(t, file(dir))
	old, err := os.ReadFile(file(dir))
	if err != nil {
		t.Fatal(err)
	}
	// A reader of the old state keeps the log from being folded into the file.
	reader := sql.OpenDB(connector{dsn(file(dir), "")})
	defer reader.Close()
	look, err := reader.Begin()
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if err := look.QueryRow(`SELECT count(*) FROM goose_db_version`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	s = open(t, dir)
	log, err := os.ReadFile(file(dir) + "-wal")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(s.Close(), look.Rollback()); err != nil {
		t.Fatal(err)
	}
	if len(log) < 100<<10 {
		t.Fatalf("a log of %d bytes: the schema was not brought up to date in it", len(log))
	}
	cuts := []int{0, 31, 32, len(log) - 1, len(log)} // the head of a log has 32 bytes
	rng := rand.New(rand.NewPCG(42, 42))
	more := 12
	if testing.Short() {
		more = 5
	}
	for range more {
		cuts = append(cuts, rng.IntN(len(log)))
	}
	for _, cut := range cuts {
		image := t.TempDir()
		if err := os.MkdirAll(filepath.Dir(file(image)), 0o700); err != nil {
			t.Fatal(err)
		}
		for name, b := range map[string][]byte{file(image): old, file(image) + "-wal": log[:cut]} {
			if err := os.WriteFile(name, b, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		after := open(t, image)
		if n := revolutions(t, after); n != want {
			t.Errorf("killed after %d of %d bytes: %d revolutions, want %d", cut, len(log), n, want)
		}
		commit(t, after, spans(t, "k01", 65, 90))
		if err := after.Close(); err != nil {
			t.Error(err)
		}
		rep, err := Verify(t.Context(), file(image), VerifyOptions{})
		if err != nil || rep.Err() != nil || rep.Schema != newestSchema {
			t.Errorf("killed after %d of %d bytes: %+v, %v", cut, len(log), rep, err)
		}
	}
}
