package sqlite

import (
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/pressly/goose/v3"

	"turnwise/server/store"
)

// sealAs makes a finished backup of a database, as each version of the program has
// done since there are backups.
func sealAs(t *testing.T, file string) {
	t.Helper()
	if err := alter(t.Context(), file, `PRAGMA journal_mode = DELETE`, `CREATE TABLE `+sealTable+` (taken_ms INTEGER NOT NULL, sum BLOB NOT NULL)`); err != nil {
		t.Fatal(err)
	}
	v, err := begin(t.Context(), file, VerifyOptions{Backup: true})
	if err != nil {
		t.Fatal(err)
	}
	h := sha256.New()
	err = digest(t.Context(), v.w.conn, h, func(h hash.Hash) error { return v.scan(t.Context(), h, map[int64]*chain{}) })
	v.end()
	if err != nil {
		t.Fatal(err)
	}
	if err := alter(t.Context(), file, fmt.Sprintf(`INSERT INTO %s VALUES (%d, x'%x')`, sealTable, time.Now().UnixMilli(), h.Sum(nil))); err != nil {
		t.Fatal(err)
	}
}

// reguard makes the guards anew that were taken away.
func reguard(t *testing.T, name string) {
	t.Helper()
	db := sql.OpenDB(connector{dsn(name, "")})
	defer db.Close()
	if err := guard(t.Context(), db); err != nil {
		t.Fatal(err)
	}
}

// upTo brings a database, or makes one, to the schema of an older version.
func upTo(t *testing.T, name string, schema int64) {
	t.Helper()
	steps, err := fs.Sub(migrations, "migrations")
	if err != nil {
		t.Fatal(err)
	}
	db := sql.OpenDB(connector{dsn(name, writePragmas)})
	p, err := goose.NewProvider(goose.DialectSQLite3, db, steps)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.UpTo(t.Context(), schema); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
}

// olderBackups makes a backup of one mill in every schema from the first to the one
// before today's, and tells how many turns are in each. All but the last lack what
// the first schema did not keep; the last is as a version of yesterday left it.
func olderBackups(t *testing.T) (files []string, turns int64) {
	t.Helper()
	dir, out := t.TempDir(), t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	turns = revolutionsOf(t, s, "k01") + revolutionsOf(t, s, "k02")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	today, err := os.ReadFile(file(dir))
	if err != nil {
		t.Fatal(err)
	}
	firstSchema(t, file(dir))
	first, err := os.ReadFile(file(dir))
	if err != nil {
		t.Fatal(err)
	}
	last := filepath.Join(out, fmt.Sprintf("b%02d.db", newestSchema-1))
	if err := os.WriteFile(last, today, 0o600); err != nil {
		t.Fatal(err)
	}
	spoil(t, last, fmt.Sprintf(`DROP TRIGGER guard_stream_insert; DROP TRIGGER guard_stream_update; DROP TRIGGER guard_stream_delete;
		ALTER TABLE stream DROP COLUMN back_ms; DELETE FROM goose_db_version WHERE version_id = %d`, newestSchema))
	reguard(t, last)
	sealAs(t, last)
	for n := int64(1); n < newestSchema-1; n++ {
		name := filepath.Join(out, fmt.Sprintf("b%02d.db", n))
		if err := os.WriteFile(name, first, 0o600); err != nil {
			t.Fatal(err)
		}
		upTo(t, name, n)
		sealAs(t, name)
		files = append(files, name)
	}
	return append(files, last), turns
}

// A backup of any older schema is checked whole; the file is only read, and nothing
// is left anywhere. It can be restored.
func TestVerifyOlderBackups(t *testing.T) {
	files, turns := olderBackups(t)
	t.Setenv("TMPDIR", t.TempDir())
	for i, name := range files {
		n := int64(i + 1)
		was, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		rep, err := Verify(t.Context(), name, VerifyOptions{Backup: true})
		recounted := 0
		if name == files[len(files)-1] {
			recounted = 2
		}
		if err != nil || rep.Err() != nil || rep.Schema != n || rep.CheckedAs != newestSchema || rep.File != name || rep.Revolutions != turns || rep.Machines != 2 || rep.Recounted != recounted || rep.InPart != 2-recounted || rep.Taken.IsZero() || len(rep.acked) != 2 {
			t.Errorf("schema %d: %+v, %v, %v", n, rep, rep.Err(), err)
		}
		if now, err := os.ReadFile(name); err != nil || !slices.Equal(now, was) {
			t.Errorf("schema %d: the file was changed, %v", n, err)
		}
	}
	dir := t.TempDir()
	for _, name := range []string{files[0], files[len(files)-1]} {
		r, err := Restore(t.Context(), file(dir), name, RestoreOptions{})
		if err != nil || r.Revolutions != turns {
			t.Fatalf("%+v, %v", r, err)
		}
		s := open(t, dir)
		if got := revolutionsOf(t, s, "k01") + revolutionsOf(t, s, "k02"); got != turns {
			t.Errorf("%d turns after a restore of %s, want %d", got, name, turns)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		if rep, err := Verify(t.Context(), file(dir), VerifyOptions{}); err != nil || rep.Err() != nil || rep.Schema != newestSchema {
			t.Errorf("restored from %s: %+v, %v", name, rep, err)
		}
	}
	if left := names(t, filepath.Dir(files[0])); len(left) != len(files) {
		t.Errorf("left %v beside the backups", left)
	}
	if left := names(t, os.Getenv("TMPDIR")); len(left) > 0 {
		t.Errorf("left %v", left)
	}
}

// Damage in an older backup is found: what the records show in the file itself, a
// wrong sum, though under a seal that agrees with it, in the copy.
func TestDamagedOlderBackup(t *testing.T) {
	files, _ := olderBackups(t)
	name := files[len(files)-1]
	good, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		statement, want string
		seal            bool
	}{
		{`UPDATE record SET body = x'00' WHERE stream_num = 1 AND seq = 60`, "record 60 of stream", false},
		{`UPDATE meta SET writes = writes + 1`, "seal", false},
		{`DELETE FROM backup_seal`, "the seal that a finished backup bears", false},
		{`UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 2`, "account of machine k02", true},
		{`DELETE FROM record WHERE stream_num = 1 AND seq = 64`, "records up to 63", true},
	} {
		if err := os.WriteFile(name, good, 0o600); err != nil {
			t.Fatal(err)
		}
		spoil(t, name, x.statement)
		if x.seal {
			spoil(t, name, `DROP TABLE backup_seal`)
			sealAs(t, name)
		}
		rep, err := Verify(t.Context(), name, VerifyOptions{Backup: true})
		if err != nil || rep.Err() == nil || !strings.Contains(fmt.Sprint(rep.Damages), x.want) || !strings.Contains(rep.Damages[0].Repair, "older one") {
			t.Errorf("%s: %+v, %v, want %q", x.statement, rep, err, x.want)
		}
		dir := t.TempDir()
		if _, err := Restore(t.Context(), file(dir), name, RestoreOptions{}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: restored with %v, want ErrDamaged", x.statement, err)
		}
	}
}
