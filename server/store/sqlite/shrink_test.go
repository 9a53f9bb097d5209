package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"turnwise/server/store"
)

func noRest(context.Context) error { return nil }

// olden makes the file one of before files could give room back.
func olden(t *testing.T, file string) {
	t.Helper()
	db := sql.OpenDB(connector{dsn(file, "")})
	defer db.Close()
	db.SetMaxOpenConns(1)
	for _, q := range []string{`PRAGMA journal_mode = DELETE`, `PRAGMA auto_vacuum = 0`, `VACUUM`, `PRAGMA journal_mode = WAL`} {
		if _, err := db.ExecContext(t.Context(), q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
}

// bigMill is a mill with so many records of k01, a multiple of 200, of which all but the newest 100 were dropped.
func bigMill(t *testing.T, dir string, records uint64, old bool) *Store {
	t.Helper()
	s := open(t, dir)
	if old {
		s.Close()
		olden(t, file(dir))
		s = open(t, dir)
	}
	register(t, s, "k01", "k02")
	for n := uint64(1); n <= records; n += 200 {
		commit(t, s, spans(t, "k01", n, n+199))
	}
	commit(t, s, spans(t, "k02", 1, 50))
	prune(t, s, time.Duration(records-100)*10*time.Second, 0)
	return s
}

func size(t *testing.T, file string) int64 {
	t.Helper()
	st, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	return st.Size()
}

// After a prune the file becomes smaller beside what goes on, up to the room
// that is soon written again, and nothing that is kept changes. A file of before
// cannot, until it was made anew.
func TestGiveBack(t *testing.T) {
	for _, old := range []bool{false, true} {
		dir := t.TempDir()
		s := bigMill(t, dir, 120_000, old)
		want := books(t, s)
		before, err := s.Room(t.Context())
		if err != nil || before.Gives == old || before.Free < 6<<20 {
			t.Fatalf("old %v: %+v, %v, want at least 6 MiB free", old, before, err)
		}
		rests, next := 0, uint64(120_001)
		given, err := s.GiveBack(t.Context(), func(context.Context) error {
			if rests++; !old { // what comes in between is taken
				commit(t, s, spans(t, "k01", next, next+9))
				next += 10
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		after, err := s.Room(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if old {
			if given != 0 || after != before {
				t.Errorf("a file of before gave %d bytes back: %+v, before %+v", given, after, before)
			}
		} else {
			want = books(t, s)
			if after.Surplus() >= 4096 || given < before.Surplus()-1<<20 || rests < 3 || size(t, s.file) != after.Bytes {
				t.Errorf("gave %d back in %d steps: %+v, before %+v, the file has %d bytes", given, rests, after, before, size(t, s.file))
			}
			if more, err := s.GiveBack(t.Context(), noRest); more != 0 || err != nil {
				t.Errorf("again: %d, %v", more, err)
			}
		}
		if got := books(t, s); !slices.Equal(got, want) {
			t.Errorf("old %v: other books than before", old)
		}
		undamaged(t, s.file)
		enough := errors.New("enough")
		if _, err := s.GiveBack(t.Context(), func(context.Context) error { return enough }); !errors.Is(err, enough) {
			t.Errorf("%v, want the error of rest", err)
		}
		s.Close()
		if !old {
			continue
		}
		x, err := Shrink(t.Context(), file(dir), ShrinkOptions{})
		if err != nil || x.Before != before || !x.After.Gives || x.After.Free != 0 || x.After.Bytes != size(t, file(dir)) || x.After.Bytes > before.Bytes-before.Free+64<<10 || x.Records != 101 {
			t.Errorf("%+v, %v", x, err)
		}
		s = open(t, dir)
		if got := books(t, s); !slices.Equal(got, want) {
			t.Error("other books after the shrink")
		}
		if now, err := s.Room(t.Context()); err != nil || !now.Gives {
			t.Errorf("%+v, %v, want a file that gives back", now, err)
		}
		commit(t, s, spans(t, "k01", 119_990, 120_040))
		undamaged(t, s.file)
		// A backup and its restore keep that.
		take(t, s, filepath.Join(dir, "b.db"))
		s.Close()
		if _, err := Restore(t.Context(), file(dir), filepath.Join(dir, "b.db"), RestoreOptions{}); err != nil {
			t.Fatal(err)
		}
		s = open(t, dir)
		if now, err := s.Room(t.Context()); err != nil || !now.Gives {
			t.Errorf("restored: %+v, %v, want a file that gives back", now, err)
		}
		s.Close()
	}
}

// besideOf lists a database and what lies beside it, without what locks and readers need.
func besideOf(t *testing.T, dir string) []string {
	t.Helper()
	return slices.DeleteFunc(names(t, filepath.Dir(file(dir))), func(name string) bool {
		return strings.HasSuffix(name, lockSuffix) || strings.HasSuffix(name, useSuffix) || strings.HasSuffix(name, "-shm") || strings.HasSuffix(name, "-wal") // of readers
	})
}

// What is refused, or ended at any stage, leaves the database, and nothing beside it.
func TestShrinkRefused(t *testing.T) {
	dir := t.TempDir()
	s := bigMill(t, dir, 6000, true)
	want := books(t, s)
	s.Close()
	whole := func(what string) {
		t.Helper()
		if left := besideOf(t, dir); len(left) != 1 {
			t.Errorf("%s: left %v", what, left)
		}
		s := open(t, dir)
		defer s.Close()
		if got := books(t, s); !slices.Equal(got, want) {
			t.Errorf("%s: other books than before", what)
		}
		if r, err := s.Room(t.Context()); err != nil || r.Gives {
			t.Errorf("%s: %+v, %v: it was replaced", what, r, err)
		}
	}
	refused := func(what string, is error, text string, o ShrinkOptions) {
		t.Helper()
		_, err := Shrink(t.Context(), file(dir), o)
		if err == nil || is != nil && !errors.Is(err, is) || !strings.Contains(err.Error(), text) || !strings.Contains(err.Error(), "the database is unchanged") {
			t.Errorf("%s: %v, want %v and %q", what, err, is, text)
		}
	}
	noRoom := errors.New("no room for it")
	need := int64(0)
	refused("no room", noRoom, "", ShrinkOptions{Room: func(n int64) error { need = n; return noRoom }})
	if need < 50<<10 || need > size(t, file(dir)) {
		t.Errorf("room of %d bytes asked for", need)
	}
	whole("no room")

	l, err := Hold(file(dir))
	if err != nil {
		t.Fatal(err)
	}
	refused("a server", store.ErrInUse, fmt.Sprint(os.Getpid()), ShrinkOptions{})
	x, err := Shrink(t.Context(), file(dir), ShrinkOptions{DryRun: true})
	if err != nil || !x.DryRun || x.Before.Gives || x.After.Bytes != x.Before.Bytes-x.Before.Free {
		t.Errorf("dry run beside a server: %+v, %v", x, err)
	}
	if err := l.Free(); err != nil {
		t.Fatal(err)
	}
	whole("a server")

	other := open(t, dir) // has no lock of the server, as commands beside it
	refused("another command", store.ErrInUse, "another command has it open", ShrinkOptions{})
	if got := books(t, other); !slices.Equal(got, want) {
		t.Error("another command: other books than before")
	}
	other.Close()
	whole("another command")
	foreign, err := raw(t.Context(), file(dir), readPragmas) // of somebody who reads with SQL
	if err != nil {
		t.Fatal(err)
	}
	if _, err := foreign.Exec(`BEGIN; SELECT * FROM meta`, nil); err != nil {
		t.Fatal(err)
	}
	refused("another program", store.ErrInUse, "another program has it open", ShrinkOptions{})
	if err := foreign.Close(); err != nil {
		t.Fatal(err)
	}
	whole("another program")

	for stages := 1; stages <= 3; stages++ {
		ctx, cancel := context.WithCancel(t.Context())
		seen := map[string]bool{}
		_, err := Shrink(ctx, file(dir), ShrinkOptions{Progress: func(stage string, _, _ int64) {
			if seen[stage] = true; len(seen) == stages {
				cancel()
			}
		}})
		cancel()
		if !errors.Is(err, context.Canceled) && !strings.Contains(fmt.Sprint(err), "interrupt") {
			t.Errorf("ended in stage %d of %v: %v", stages, seen, err)
		}
		whole(fmt.Sprintf("ended in stage %d", stages))
	}

	spoil(t, file(dir), `UPDATE account SET revolutions = revolutions + 1 WHERE machine_num = 2`)
	want = nil
	refused("damage", store.ErrDamaged, "account of machine k02", ShrinkOptions{})
	spoil(t, file(dir), `UPDATE account SET revolutions = revolutions - 1 WHERE machine_num = 2; UPDATE record SET body = x'00' WHERE seq = 5990`)
	refused("a damaged record", store.ErrDamaged, "record 5990", ShrinkOptions{})
	if left := besideOf(t, dir); len(left) != 1 {
		t.Errorf("left %v", left)
	}
	if _, err := Shrink(t.Context(), filepath.Join(dir, "none.db"), ShrinkOptions{}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no database: %v", err)
	}
}

// A disk without room for the copy, whatever the room: no file of this process
// may grow beyond a size, as where the disk ends there. The database is as it was.
// A process of its own is for it, since what tests write has no such bound.
func TestShrinkOnFullDisk(t *testing.T) {
	const own = "SHRINK_ON_FULL_DISK"
	if os.Getenv(own) == "" {
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestShrinkOnFullDisk$", "-test.v")
		cmd.Env = append(os.Environ(), own+"=1")
		if out, err := cmd.CombinedOutput(); err != nil || !bytes.Contains(out, []byte("--- PASS: TestShrinkOnFullDisk")) {
			t.Errorf("%v\n%s", err, out)
		}
		return
	}
	dir := t.TempDir()
	s := bigMill(t, dir, 6000, true)
	want := books(t, s)
	s.Close()
	var was syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &was); err != nil {
		t.Fatal(err)
	}
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	x, err := Shrink(t.Context(), file(dir), ShrinkOptions{DryRun: true})
	if err != nil {
		t.Fatal(err)
	}
	full := 0
	for kib := int64(0); kib<<10 < x.After.Bytes-8<<10; kib += max(x.After.Bytes>>10/12, 1) {
		tight := was
		tight.Cur = uint64(kib << 10)
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &tight); err != nil {
			t.Fatal(err)
		}
		_, err := Shrink(t.Context(), file(dir), ShrinkOptions{})
		if rerr := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &was); rerr != nil {
			t.Fatal(rerr)
		}
		if err == nil {
			t.Fatalf("%d KiB were enough, %d bytes are kept", kib, x.After.Bytes)
		}
		if IsFull(err) && strings.Contains(err.Error(), "free space in") {
			full++
		} else {
			t.Errorf("%d KiB: %v, want an error of a full disk", kib, err)
		}
		if left := besideOf(t, dir); len(left) != 1 {
			t.Errorf("%d KiB: left %v", kib, left)
		}
		undamaged(t, file(dir))
	}
	if full < 5 {
		t.Errorf("the disk was full %d times", full)
	}
	s = open(t, dir)
	defer s.Close()
	if got := books(t, s); !slices.Equal(got, want) {
		t.Error("other books than before")
	}
}

// Who waits for the file while it is replaced, and writes afterwards, is told so:
// nothing is written where nobody looks any more.
func TestShrinkAndLateWriter(t *testing.T) {
	if _, err := os.Stat("/proc/self/fd"); err != nil {
		t.Skip("looks for open files in /proc")
	}
	dir := t.TempDir()
	bigMill(t, dir, 2000, true).Close()
	db := file(dir)
	old, err := takeAlone(t.Context(), db)
	if err != nil {
		t.Fatal(err)
	}
	for _, pragmas := range []string{writePragmas, "_busy_timeout=10000"} {
		written := make(chan error, 1)
		go func() {
			late := sql.OpenDB(connector{dsn(db, pragmas)})
			defer late.Close()
			_, err := late.ExecContext(context.Background(), `UPDATE meta SET writes = writes + 1`)
			written <- err
		}()
		for held := 0; held < 2; { // until it has opened the old file
			held = 0
			fds, _ := filepath.Glob("/proc/self/fd/*")
			for _, fd := range fds {
				if name, _ := os.Readlink(fd); name == db {
					held++
				}
			}
		}
		select {
		case err := <-written:
			t.Fatalf("written while the file is held: %v", err)
		default:
		}
		name := db + partialSuffix
		if err := old.copyKept(t.Context(), name, FileRoom{}, func(string, int64, int64) {}); err != nil {
			t.Fatal(err)
		}
		if err := alter(t.Context(), name, `PRAGMA journal_mode = WAL`); err != nil {
			t.Fatal(err)
		}
		if err := os.Rename(name, db); err != nil {
			t.Fatal(err)
		}
		old.replaced = true
		old.free()
		if err := <-written; err == nil {
			t.Error("written into a file that is no more")
		} else {
			t.Log(err)
		}
		undamaged(t, db)
		if old, err = takeAlone(t.Context(), db); err != nil {
			t.Fatal(err)
		}
	}
	old.free()
}
