package sqlite

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"hash"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// flipCount is how many bits a test turns over: few in normal runs.
func flipCount(t *testing.T, short, usual int) int {
	n := usual
	if testing.Short() {
		n = short
	}
	if s := os.Getenv("TURNWISE_FLIPS"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil || n < 1 {
			t.Fatalf("TURNWISE_FLIPS=%q: found no number of bits", s)
		}
	}
	return n
}

// inMemory is a folder that needs no disk, where there is one.
func inMemory(t *testing.T) string {
	if dir, err := os.MkdirTemp("/dev/shm", "turnwise-flips-"); err == nil {
		t.Cleanup(func() { _ = os.RemoveAll(dir) })
		return dir
	}
	return t.TempDir()
}

// contents is the sum of all rows of all tables.
func contents(t *testing.T, file string) ([]byte, error) {
	t.Helper()
	db := sql.OpenDB(connector{dsn(file, readPragmas)})
	defer db.Close()
	conn, err := db.Conn(t.Context())
	if err != nil {
		return nil, err
	}
	defer conn.Close()
	h := sha256.New()
	err = digest(t.Context(), conn, h, func(h hash.Hash) error { return digestTable(t.Context(), conn, h, "record") })
	return h.Sum(nil), err
}

// Any one bit of the database is wrong: verification finds it, or it stands in
// a place that holds nothing. TURNWISE_FLIPS=N turns over N bits, each in its
// own copy of the file.
func TestFault_10_FlippedBitInDatabase(t *testing.T) {
	t.Run("all records", func(t *testing.T) { flipBits(t, 10, func(*Store) {}) })
	t.Run("old ones dropped", func(t *testing.T) { flipBits(t, 11, func(s *Store) { prune(t, s, 710*time.Second, 0) }) })
}

func flipBits(t *testing.T, seed uint64, change func(*Store)) {
	dir := inMemory(t)
	s := open(t, dir)
	smallMill(t, s)
	change(s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	name := file(dir)
	whole, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	want, err := contents(t, name)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if s := os.Getenv("TURNWISE_FLIP_SEED"); s != "" {
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatalf("TURNWISE_FLIP_SEED=%q: found no number", s)
		}
	}
	r := rand.New(rand.NewPCG(seed, 0))
	n := flipCount(t, 60, 350)
	var detected, harmless, silent int
	for range n {
		at, mask := r.IntN(len(whole)), byte(1)<<r.IntN(8)
		if _, err := f.WriteAt([]byte{whole[at] ^ mask}, int64(at)); err != nil {
			t.Fatal(err)
		}
		rep, err := Verify(t.Context(), name, VerifyOptions{})
		switch {
		case err != nil || rep.Err() != nil:
			detected++
		default:
			got, err := contents(t, name)
			if err != nil || !bytes.Equal(got, want) {
				silent++
				t.Errorf("bit %d of byte %d (page %d) changed the contents and nobody saw it: %s", mask, at, at/4096+1, whatChanged(t, name, whole))
			} else {
				harmless++
			}
		}
		if _, err := f.WriteAt(whole[at:at+1], int64(at)); err != nil {
			t.Fatal(err)
		}
		for _, suffix := range []string{"-wal", "-shm"} {
			_ = os.Remove(name + suffix)
		}
		if silent > 40 {
			break
		}
	}
	t.Logf("database of %d bytes, seed %d: bits %d, detected %d, harmless %d, silent %d", len(whole), seed, n, detected, harmless, silent)
}

// whatChanged names the table with other contents.
func whatChanged(t *testing.T, name string, whole []byte) string {
	good := filepath.Join(t.TempDir(), "good.db")
	if err := os.WriteFile(good, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	sums := func(file string) map[string]string {
		out := map[string]string{}
		db := sql.OpenDB(connector{dsn(file, readPragmas)})
		defer db.Close()
		conn, err := db.Conn(context.Background())
		if err != nil {
			return out
		}
		defer conn.Close()
		_ = each(t.Context(), conn, func(rows *sql.Rows) error {
			var table string
			if err := rows.Scan(&table); err != nil {
				return err
			}
			h := sha256.New()
			err := digestTable(t.Context(), conn, h, table)
			out[table] = fmt.Sprintf("%x %v", h.Sum(nil), err)
			return nil
		}, `SELECT name FROM sqlite_schema WHERE type = 'table'`)
		return out
	}
	a, b := sums(good), sums(name)
	for table := range a {
		if a[table] != b[table] {
			return "table " + table
		}
	}
	return "the definitions"
}
