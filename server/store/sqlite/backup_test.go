package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/server/store"
)

func take(t testing.TB, s *Store, target string) *Backup {
	t.Helper()
	b, err := TakeBackup(t.Context(), s.file, target, BackupOptions{})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, e := range entries {
		all = append(all, e.Name())
	}
	return all
}

// dump is all content of a database, row by row.
func dump(file string) (string, error) {
	db := sql.OpenDB(connector{dsn(file, readPragmas+"&immutable=1")})
	defer db.Close()
	var tables []string
	var out strings.Builder
	err := each(context.Background(), db, func(rows *sql.Rows) error {
		var typ, name, text string
		if err := rows.Scan(&typ, &name, &text); err != nil {
			return err
		}
		fmt.Fprintln(&out, typ, name, text)
		if typ == "table" {
			tables = append(tables, name)
		}
		return nil
	}, `SELECT type, name, coalesce(sql, '') FROM sqlite_schema ORDER BY type, name`)
	if err != nil {
		return "", err
	}
	for _, table := range tables {
		rows, err := db.Query(`SELECT * FROM "` + table + `" NOT INDEXED`)
		if err != nil {
			return "", err
		}
		columns, _ := rows.Columns()
		values, places := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			places[i] = &values[i]
		}
		for rows.Next() {
			if err := rows.Scan(places...); err != nil {
				rows.Close()
				return "", err
			}
			fmt.Fprintf(&out, "%s %#v\n", table, values)
		}
		rows.Close()
		if err := rows.Err(); err != nil {
			return "", err
		}
	}
	return out.String(), nil
}

// A backup is taken while batches come in; the database dies; the backup is
// restored; the agents send again what it lacks. Then all is there, once.
func TestBackupDuringWritesAndRefill(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	register(t, s, "k01", "k02")
	machines := []string{"k01", "k02"}
	const size, rounds = 25, 60
	var batches []store.Batch
	for i := range uint64(rounds) {
		for _, m := range machines {
			batches = append(batches, spans(t, m, size*i+1, size*i+size))
		}
	}
	first, written := make(chan bool), make(chan error, 1)
	go func() {
		for i, b := range batches {
			if _, err := s.Commit(context.Background(), []store.Batch{b}); err != nil {
				written <- err
				return
			}
			if i == 20 {
				close(first)
			}
		}
		written <- nil
	}()
	<-first
	target := filepath.Join(t.TempDir(), "b.db")
	b := take(t, s, target)
	if err := <-written; err != nil {
		t.Fatal(err)
	}
	if st, err := os.Stat(target); err != nil || st.Mode().Perm() != 0o600 || st.Size() != b.Bytes {
		t.Errorf("backup %v, %v, want mode 0600 and %d bytes", st, err, b.Bytes)
	}
	if got := names(t, filepath.Dir(target)); !slices.Equal(got, []string{"b.db"}) {
		t.Errorf("beside the backup: %v", got)
	}
	// Acknowledgements carry what is safe, at once.
	held := map[string]uint64{}
	for _, m := range machines {
		o := commit(t, s, spans(t, m, size*rounds, size*rounds))
		held[m] = o.Horizon
		if o.Horizon != b.Horizon(store.ID{1, m[2]}) || o.Horizon == 0 || o.Horizon > o.Acked {
			t.Errorf("%s: horizon %d in the acknowledgement, the backup holds up to %d, acked %d", m, o.Horizon, b.Horizon(store.ID{1, m[2]}), o.Acked)
		}
	}
	want, _, err := s.Totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	before, err := s.Incarnation(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := Restore(t.Context(), file(dir), target, RestoreOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Beyond != 0 || r.Records != b.Records || r.Aside == "" {
		t.Errorf("%+v", r)
	}
	undamaged(t, r.Aside) // kept as it was
	undamaged(t, file(dir))
	s = open(t, dir)
	defer s.Close()
	after, err := s.Incarnation(t.Context())
	if err != nil || after == before || fmt.Sprintf("%x", after[:]) != r.Incarnation {
		t.Errorf("incarnation %x, %v, before %x, told %s", after, err, before, r.Incarnation)
	}
	for _, m := range machines {
		// The agent hears another incarnation and goes back to what it holds:
		// everything after the horizon. First it asks from where.
		o := commit(t, s, spans(t, m, size*rounds+1, size*rounds+1))
		if o.Verdict != store.NeedFrom || o.Acked < held[m] {
			t.Fatalf("%s after the restore: %+v, the agent holds from %d on", m, o, held[m]+1)
		}
		if n := revolutionsOf(t, s, m); n != int64(4*o.Acked) {
			t.Errorf("%s: %d revolutions in the restored database, want %d for %d records", m, n, 4*o.Acked, o.Acked)
		}
		for from := held[m] + 1; from <= size*rounds; from += 40 {
			commit(t, s, spans(t, m, from, min(from+39, size*rounds)))
		}
	}
	got, _, err := s.Totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if fmt.Sprintf("%+v", got) != fmt.Sprintf("%+v", want) {
		t.Errorf("after the refill\n%+v, want\n%+v", got, want)
	}
	undamaged(t, s.file)
}

func revolutionsOf(t *testing.T, s *Store, machine string) int64 {
	t.Helper()
	totals, _, err := s.Totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range totals {
		if x.Machine == machine {
			return x.Revolutions
		}
	}
	t.Fatalf("no machine %s", machine)
	return 0
}

func TestBackupTarget(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := open(t, dir)
	defer s.Close()
	smallMill(t, s)
	foreign := open(t, t.TempDir())
	defer foreign.Close()
	target := filepath.Join(out, "b.db")
	first := take(t, s, target)
	if second := take(t, s, target); !second.Taken.After(first.Taken) {
		t.Errorf("taken %s, then %s", first.Taken, second.Taken)
	}
	good, err := os.ReadFile(target)
	if err != nil {
		t.Fatal(err)
	}
	letter := filepath.Join(out, "letter.txt")
	if err := os.WriteFile(letter, []byte("dear all"), 0o600); err != nil {
		t.Fatal(err)
	}
	unsealed := filepath.Join(out, "unsealed.db")
	if err := os.WriteFile(unsealed, good, 0o600); err != nil {
		t.Fatal(err)
	}
	spoil(t, unsealed, `DELETE FROM backup_seal`)
	for _, c := range []struct {
		name, target, want string
		s                  *Store
		now                time.Time
	}{
		{"something else", letter, "is not replaced", s, time.Now()},
		{"a backup without its seal", unsealed, "is not a finished backup", s, time.Now()},
		{"the database itself", s.file, "is not a finished backup", s, time.Now()},
		{"a backup of another mill", target, "is of incarnation", foreign, time.Now()},
		{"a newer backup", target, "it was taken at", s, time.Now().Add(-time.Hour)},
		{"a folder that is a file", filepath.Join(letter, "b.db"), "is a file, a folder is expected", s, time.Now()},
		{"a folder that is not there", filepath.Join(out, "mnt", "disk", "b.db"), "mkdir -p " + filepath.Join(out, "mnt", "disk"), s, time.Now()},
	} {
		before := names(t, out)
		content, _ := os.ReadFile(c.target)
		_, err := TakeBackup(t.Context(), c.s.file, c.target, BackupOptions{Now: func() time.Time { return c.now }})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", c.name, err, c.want)
		}
		if errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: error %v, as if the database were damaged", c.name, err)
		}
		if after, _ := os.ReadFile(c.target); string(after) != string(content) {
			t.Errorf("%s: the target was changed", c.name)
		}
		if after := names(t, out); !slices.Equal(before, after) {
			t.Errorf("%s: left %v, before %v", c.name, after, before)
		}
	}
	if taken, name, _, err := s.LastBackup(t.Context()); err != nil || name != target || taken.IsZero() {
		t.Errorf("newest backup %s %s, %v", taken, name, err)
	}
}

// A backup that is ended at any moment, or finds damage, leaves nothing and
// notes nothing.
func TestBackupInterrupted(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	for i := range 3 {
		ctx, cancel := context.WithCancel(t.Context())
		seen := 0
		_, err := TakeBackup(ctx, s.file, filepath.Join(out, "b.db"), BackupOptions{Progress: func(string, int64, int64) {
			if seen++; seen > i {
				cancel()
			}
		}})
		cancel()
		if i == 0 && !errors.Is(err, context.Canceled) {
			t.Errorf("error %v, want Canceled", err)
		}
		if err != nil && len(names(t, out)) != 0 {
			t.Errorf("left %v", names(t, out))
		}
		os.Remove(filepath.Join(out, "b.db"))
	}
	horizon := commit(t, s, spans(t, "k01", 60, 60)).Horizon
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	spoil(t, file(dir), `UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 2`)
	_, err := TakeBackup(t.Context(), file(dir), filepath.Join(out, "b.db"), BackupOptions{})
	if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), "account of machine k02") {
		t.Errorf("error %v, want ErrDamaged with the account", err)
	}
	if left := names(t, out); len(left) != 0 {
		t.Errorf("left %v", left)
	}
	s = open(t, dir)
	defer s.Close()
	if now := commit(t, s, spans(t, "k01", 60, 60)).Horizon; now != horizon {
		t.Errorf("horizon %d, before %d", now, horizon)
	}
	// What a killed process left is taken away, what a living one writes is not.
	for _, name := range []string{"dead.db", "alive.db"} {
		if err := os.WriteFile(filepath.Join(out, name+partialSuffix), []byte("half"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	_, release, err := partial(filepath.Join(out, "alive.db"))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := partial(filepath.Join(out, "alive.db")); !errors.Is(err, store.ErrInUse) {
		t.Errorf("error %v, want ErrInUse", err)
	}
	Sweep(out)
	if left := names(t, out); !slices.Equal(left, []string{"alive.db" + partialSuffix}) {
		t.Errorf("left %v", left)
	}
	release()
}

func TestRestoreRefuses(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := open(t, dir)
	smallMill(t, s)
	target := filepath.Join(out, "b.db")
	b := take(t, s, target)
	good, err := os.ReadFile(target)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	put := func(name string, content []byte) string {
		name = filepath.Join(out, name)
		if err := os.WriteFile(name, content, 0o600); err != nil {
			t.Fatal(err)
		}
		return name
	}
	spoilt := put("spoilt.db", good)
	spoil(t, spoilt, `UPDATE book SET body = replace(body, '100', '900') WHERE kind = 'order'`)
	unsealed := put("unsealed.db", good)
	spoil(t, unsealed, `DROP TABLE backup_seal`)
	before := b.Records
	for _, c := range []struct{ name, from, want string }{
		{"cut short", put("short.db", good[:len(good)-5000]), "the database is unchanged"},
		{"changed content", spoilt, "seal: found content with the sum"},
		{"without a seal", unsealed, "it has no seal"},
		{"not a database", put("letter", []byte(strings.Repeat("dear all, ", 900))), "not a database"},
		{"empty", put("empty", nil), "it has no seal"},
		{"the database itself", file(dir), "that is the database itself"},
	} {
		_, err := Restore(t.Context(), file(dir), c.from, RestoreOptions{})
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", c.name, err, c.want)
		}
		if c.from != file(dir) && !errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s: error %v, want ErrDamaged", c.name, err)
		}
	}
	unfinished := put("unfinished.db.partial", good)
	spoil(t, unfinished, `UPDATE backup_seal SET sum = x''`)
	for _, name := range []string{unsealed, unfinished, spoilt} {
		if rep, err := Verify(t.Context(), name, VerifyOptions{Backup: true}); err != nil || !errors.Is(rep.Err(), store.ErrDamaged) || !strings.Contains(rep.Err().Error(), "seal") {
			t.Errorf("verification of %s, which no restore takes: %+v, %v", name, rep, err)
		}
	}
	r, err := Restore(t.Context(), file(dir), target, RestoreOptions{DryRun: true})
	if err != nil || r.Records != before || r.Incarnation != "" {
		t.Errorf("dry run: %+v, %v", r, err)
	}
	l, err := Hold(file(dir))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(t.Context(), file(dir), target, RestoreOptions{}); !errors.Is(err, store.ErrInUse) || !strings.Contains(err.Error(), fmt.Sprint(os.Getpid())) {
		t.Errorf("beside a server: error %v, want ErrInUse with the process", err)
	}
	if err := l.Free(); err != nil {
		t.Fatal(err)
	}
	// The lock stays, and what SQLite needs to read; nothing half done does.
	for _, name := range names(t, filepath.Dir(file(dir))) {
		switch strings.TrimPrefix(name, filepath.Base(file(dir))) {
		case "", "-wal", "-shm", lockSuffix, useSuffix:
		default:
			t.Errorf("left %s", name)
		}
	}
	if rep := undamaged(t, file(dir)); rep.Records != before {
		t.Errorf("%d records, before %d", rep.Records, before)
	}
}

// An older backup than the newest is restored, but not without a word: agents
// may have forgotten what only the newer one has.
func TestRestoreOlderBackup(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := open(t, dir)
	register(t, s, "k01")
	commit(t, s, spans(t, "k01", 1, 10))
	take(t, s, filepath.Join(out, "old.db"))
	commit(t, s, spans(t, "k01", 11, 20))
	take(t, s, filepath.Join(out, "new.db"))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	r, err := Restore(t.Context(), file(dir), filepath.Join(out, "old.db"), RestoreOptions{})
	if err != nil || r.Beyond != 1 || r.Newer != filepath.Join(out, "new.db") {
		t.Errorf("%+v, %v", r, err)
	}
	if r, err = Restore(t.Context(), file(dir), filepath.Join(out, "new.db"), RestoreOptions{}); err != nil || r.Beyond != 0 {
		t.Errorf("%+v, %v", r, err)
	}
	// However fast restores follow each other, each keeps what was there.
	r, err = Restore(t.Context(), file(dir), filepath.Join(out, "old.db"), RestoreOptions{})
	if err != nil {
		t.Fatal(err)
	}
	kept, _ := filepath.Glob(file(dir) + asideMark + "*")
	var records []int64
	for _, name := range slices.Sorted(slices.Values(kept)) {
		if strings.HasSuffix(name, "-wal") || strings.HasSuffix(name, "-shm") {
			continue
		}
		records = append(records, undamaged(t, name).Records)
	}
	slices.Sort(records)
	if !slices.Equal(records, []int64{10, 20, 20}) || !slices.Contains(kept, r.Aside) {
		t.Errorf("kept %v with %v records, want those of before each of three restores", kept, records)
	}
	// On a new machine there is nothing yet, not even the folder.
	fresh := file(t.TempDir())
	if r, err = Restore(t.Context(), fresh, filepath.Join(out, "new.db"), RestoreOptions{}); err != nil || r.Aside != "" {
		t.Errorf("%+v, %v", r, err)
	}
	if rep := undamaged(t, fresh); rep.Records != 20 || rep.Revolutions != 80 {
		t.Errorf("%+v", rep)
	}
}

// A restore that is killed between its renames is ended by the next who holds
// the database; nobody ever opens half of it.
func TestRestoreKilled(t *testing.T) {
	for killed := range 4 {
		dir, out := t.TempDir(), t.TempDir()
		s := open(t, dir)
		smallMill(t, s)
		target := filepath.Join(out, "b.db")
		take(t, s, target)
		commit(t, s, spans(t, "k01", 65, 70))
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		db := file(dir)
		if err := os.WriteFile(db+"-wal", []byte("journal of the old file"), 0o600); err != nil {
			t.Fatal(err)
		}
		content, err := os.ReadFile(target)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(db+readySuffix, content, 0o600); err != nil {
			t.Fatal(err)
		}
		st, err := os.Stat(db + readySuffix)
		if err != nil {
			t.Fatal(err)
		}
		aside := db + asideMark + dated(st.ModTime())
		for i, part := range []string{"-wal", "-shm", ""} { // as swap does
			if i < killed {
				_ = os.Rename(db+part, aside+part)
			}
		}
		if _, err := Open(t.Context(), db, Options{Log: quiet}); err == nil || !strings.Contains(err.Error(), "a restore was not ended") {
			t.Errorf("killed after %d renames: opened with %v", killed, err)
		}
		l, err := Hold(db)
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Free(); err != nil {
			t.Fatal(err)
		}
		if now, err := os.ReadFile(db); err != nil || string(now) != string(content) {
			t.Errorf("killed after %d renames: the new file is not in place: %v", killed, err)
		}
		for _, part := range []string{"", "-wal"} {
			if _, err := os.Stat(aside + part); err != nil {
				t.Errorf("killed after %d renames: the old file was not kept: %v", killed, err)
			}
		}
		if _, err := os.Stat(db + "-wal"); err == nil {
			t.Errorf("killed after %d renames: the old journal lies beside the new file", killed)
		}
	}
}

var flips = flag.Int("flips", 80, "bits to flip in TestFlippedBits")

// A bit that flips anywhere in a backup is found, or its content is still the
// same. The content is compared by reading every row, apart from the seal.
func TestFlippedBits(t *testing.T) {
	dir, out := t.TempDir(), t.TempDir()
	s := open(t, dir)
	defer s.Close()
	smallMill(t, s)
	for n := uint64(65); n < 3000; n += 200 { // most of a real file is records
		commit(t, s, spans(t, "k01", n, n+199))
	}
	target := filepath.Join(out, "b.db")
	take(t, s, target)
	good, err := os.ReadFile(target)
	if err != nil {
		t.Fatal(err)
	}
	want, err := dump(target)
	if err != nil {
		t.Fatal(err)
	}
	seed := uint64(time.Now().UnixNano())
	rnd := rand.New(rand.NewPCG(seed, 1))
	t.Logf("seed %d, %d bytes", seed, len(good))
	found, harmless := 0, 0
	for range *flips {
		bad := slices.Clone(good)
		at := rnd.IntN(len(bad) * 8)
		bad[at/8] ^= 1 << (at % 8)
		if err := os.WriteFile(target, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		rep, err := Verify(t.Context(), target, VerifyOptions{Backup: true})
		if err != nil || rep.Err() != nil {
			found++
			continue
		}
		if got, err := dump(target); err != nil || got != want {
			t.Errorf("seed %d: bit %d of byte %d: not found, and the content is another (%v)", seed, at%8, at/8, err)
			continue
		}
		harmless++
	}
	t.Logf("%d flips: %d found, %d harmless", *flips, found, harmless)
	if found == 0 {
		t.Error("no flip was found")
	}
}

func TestFallBack(t *testing.T) {
	s := open(t, t.TempDir())
	defer s.Close()
	register(t, s, "k01", "k02")
	commit(t, s, spans(t, "k01", 1, 200))
	commit(t, s, spans(t, "k02", 1, 5))
	for _, c := range []struct {
		before  time.Duration
		moved   int
		horizon uint64
	}{
		{0, 0, 0},
		{1234 * time.Second, 2, 123}, // record n is of n*10 s
		{1230 * time.Second, 0, 123},
		{1000 * time.Second, 0, 123}, // never back
		{time.Hour, 1, 200},
	} {
		n, err := s.FallBack(t.Context(), start.Add(c.before))
		if err != nil || n != c.moved {
			t.Errorf("before %s: moved %d, %v, want %d", c.before, n, err, c.moved)
		}
		if o := commit(t, s, spans(t, "k01", 200, 200)); o.Horizon != c.horizon {
			t.Errorf("before %s: horizon %d, want %d", c.before, o.Horizon, c.horizon)
		}
	}
	undamaged(t, s.file)
}
