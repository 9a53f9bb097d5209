package host

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/wire"
	"turnwise/server/ingest"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// The whole way: acknowledgements carry what a backup beside the running
// server holds; a second server and a restore are refused beside it; after the
// restore the agents hear of another incarnation and send again what is missing.
func TestBackupAndRestore(t *testing.T) {
	c := config(t)
	h, end := serve(t, c, Options{})
	if _, err := pb.NewAgentServiceClient(call(t, h)).RegisterAgent(t.Context(), &pb.RegisterAgentRequest{Agent: "u-01", Machines: []string{"k01"}}); err != nil {
		t.Fatal(err)
	}
	empty, err := TakeBackup(t.Context(), c, filepath.Join(t.TempDir(), "empty.db"), nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	a := join(t, h, "u-01")
	payload := batch(t, 20, time.Now())
	send := func() { a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload)) }
	send()
	before := a.ack()
	if before.GetAckedSeq() != 2 || before.GetBackupHorizon() != 0 {
		t.Fatalf("before a backup: %v", before)
	}
	full, err := TakeBackup(t.Context(), c, "", nil, nil)
	if err != nil || full.Records != 2 || filepath.Dir(full.File) != c.BackupDir() {
		t.Fatalf("%+v, %v", full, err)
	}
	send()
	if ack := a.ack(); ack.GetBackupHorizon() != 2 || !bytes.Equal(ack.GetDbIncarnation(), before.GetDbIncarnation()) {
		t.Errorf("after a backup: %v, want backup_horizon 2", ack)
	}
	if _, err := New(t.Context(), c, Options{}); !errors.Is(err, store.ErrInUse) {
		t.Errorf("a second server: error %v, want ErrInUse", err)
	}
	if _, err := Restore(t.Context(), c, full.File, false, nil); !errors.Is(err, store.ErrInUse) {
		t.Errorf("restore beside a server: error %v, want ErrInUse", err)
	}
	end()
	r, err := Restore(t.Context(), c, empty.File, false, nil)
	if err != nil || r.Beyond != 1 || r.Newer != full.File {
		t.Fatalf("%+v, %v, want a word about the newer backup", r, err)
	}
	h, end = serve(t, c, Options{})
	a = join(t, h, "u-01")
	select {
	case st := <-a.state:
		if bytes.Equal(st.GetDbIncarnation(), before.GetDbIncarnation()) {
			t.Error("the restored database has the old incarnation")
		}
	case <-time.After(patience):
		t.Fatal("no server state")
	}
	send()
	if ack := a.ack(); ack.GetAckedSeq() != 2 || bytes.Equal(ack.GetDbIncarnation(), before.GetDbIncarnation()) {
		t.Errorf("after the restore: %v", ack)
	}
	if v, err := h.floor.Machine("k01"); err != nil || v.Revolutions != 20 {
		t.Errorf("%d turns after the refill, %v, want 20", v.Revolutions, err)
	}
	end()
	if rep, err := Verify(t.Context(), c, "", func(string, int64, int64) {}); err != nil || rep.Err() != nil || rep.Records != 2 {
		t.Errorf("%+v, %v", rep, err)
	}
}

// keeper is the component with a clock of the test.
func keeper(t *testing.T, c *Config, log *bytes.Buffer, now *time.Time) *backups {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(c.Database.File), 0o700); err != nil {
		t.Fatal(err)
	}
	db, err := sqlite.Open(t.Context(), c.Database.File, sqlite.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return newBackups(c, db, slog.New(slog.NewTextHandler(log, nil)), func() time.Time { return *now })
}

func TestDailyBackup(t *testing.T) {
	c := config(t)
	c.Backup.Keep = 3
	var log bytes.Buffer
	begun := time.Now()
	now := begun
	b := keeper(t, &c, &log, &now)
	list := func() []string { return c.listBackups(c.BackupDir()) }
	if wait := b.look(t.Context()); len(list()) != 0 || wait > backupLook {
		t.Errorf("a new database: %v, next look in %s", list(), wait)
	}
	var all []string
	for i := range 5 {
		now = begun.Add(time.Duration(i+1)*25*time.Hour + minute)
		if wait := b.look(t.Context()); wait > backupLook || wait <= 0 {
			t.Errorf("day %d: next look in %s", i+1, wait)
		}
		all = append(all, filepath.Join(c.BackupDir(), c.backupName(now)))
		b.look(t.Context()) // not again
		if want := all[max(len(all)-3, 0):]; !slices.Equal(list(), want) {
			t.Errorf("day %d: %v, want %v", i+1, list(), want)
		}
	}
	if b.late.Load() || b.newest.Load() != now.UnixMilli() || b.failed.Load() != 0 {
		t.Errorf("late %v, newest %d, failed %d; log %s", b.late.Load(), b.newest.Load(), b.failed.Load(), &log)
	}
	// A folder that cannot be used is told, and tried again later.
	c.Backup.Dir = filepath.Join(c.Database.File, "x")
	now = now.Add(25 * time.Hour)
	if wait := b.look(t.Context()); wait != folderLook || b.failed.Load() != 1 || !strings.Contains(log.String(), "backup not taken") {
		t.Errorf("next look in %s, failed %d, log %s", wait, b.failed.Load(), &log)
	}
	b.look(t.Context())
	if b.failed.Load() != 1 {
		t.Error("tried again at once")
	}
	if files := c.listBackups(t.TempDir()); len(files) != 0 {
		t.Errorf("backups in an empty folder: %v", files)
	}
}

// twenty opens a database in which 20 records of one machine are.
func twenty(t *testing.T, c Config, begun time.Time) *sqlite.Store {
	t.Helper()
	db, err := sqlite.Open(t.Context(), c.Database.File, sqlite.Options{Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	if _, err := db.RegisterAgent(t.Context(), "u-01", []string{"k01"}, begun, false); err != nil {
		t.Fatal(err)
	}
	clerk, err := ingest.NewClerk(t.Context(), db, ingest.Options{Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return begun }})
	if err != nil {
		t.Fatal(err)
	}
	m := ingest.Read("u-01", "k01", wire.Up("demo", "u-01", "k01"), batch(t, 20, begun), begun)
	if _, err := clerk.Commit(t.Context(), []ingest.Message{m}, func(int) uint32 { return 1 }); err != nil {
		t.Fatal(err)
	}
	return db
}

// The component by itself, for five days of a clock that runs on its own: a
// backup a day, each one whole and readable by its owner only, the newest of
// them kept. Records come in all the time.
func TestBackupsOfFiveDays(t *testing.T) {
	c := config(t)
	c.Backup.Keep = 3
	begun := time.Now() // the database is stamped by this clock, not by the bubble's
	db := twenty(t, c, begun)
	synctest.Test(t, func(t *testing.T) {
		zero := time.Now()
		now := func() time.Time { return begun.Add(time.Since(zero)) }
		b := newBackups(&c, db, slog.New(slog.DiscardHandler), now)
		ctx, cancel := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() { ended <- b.run(ctx) }()
		seen := map[string]bool{}
		for day := 1; day <= 5; day++ {
			time.Sleep(24*time.Hour + 2*time.Second)
			synctest.Wait()
			list := c.listBackups(c.BackupDir())
			if len(list) != min(day, 3) {
				t.Fatalf("day %d: %v, want %d files", day, list, min(day, 3))
			}
			newest := list[len(list)-1]
			if seen[newest] {
				t.Errorf("day %d: no new backup, the newest is %s", day, newest)
			}
			for _, file := range list {
				seen[file] = true
			}
			st, err := os.Stat(newest)
			if err != nil || st.Mode().Perm() != 0o600 {
				t.Errorf("day %d: mode %v, %v, want 0600", day, st.Mode(), err)
			}
			rep, err := Verify(context.Background(), c, newest, func(string, int64, int64) {})
			if err != nil || rep.Err() != nil || rep.Records != 2 || rep.Revolutions != 20 {
				t.Errorf("day %d: %+v, %v, want 20 turns in 2 records, checked", day, rep, err)
			}
		}
		if len(seen) != 5 || b.failed.Load() != 0 || b.late.Load() {
			t.Errorf("%d backups in five days, %d failed, late %v", len(seen), b.failed.Load(), b.late.Load())
		}
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

func TestNoBackupIsTold(t *testing.T) {
	c := config(t)
	c.Backup.Every = 0
	var log bytes.Buffer
	begun := time.Now()
	now := begun
	b := keeper(t, &c, &log, &now)
	for _, x := range []struct {
		after time.Duration
		told  int
		late  bool
	}{{6 * day, 0, false}, {8 * day, 1, true}, {8*day + hour, 1, true}, {9*day + hour, 2, true}} {
		now = begun.Add(x.after)
		b.look(t.Context())
		if n := strings.Count(log.String(), "no verified backup for more than 7 days"); n != x.told || b.late.Load() != x.late {
			t.Errorf("after %s: told %d times, late %v; want %d, %v", x.after, n, b.late.Load(), x.told, x.late)
		}
	}
	if len(c.listBackups(c.BackupDir())) != 0 {
		t.Error("a backup was taken although they are off")
	}
	if _, err := TakeBackup(t.Context(), c, "", b.now, nil); err != nil {
		t.Fatal(err)
	}
	b.look(t.Context())
	if b.late.Load() {
		t.Error("late after a backup")
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := b.run(ctx); err != nil {
		t.Error(err)
	}
}

// The disk of the backups is not mounted: no folder is made in its place, people are
// told at once, and when it is there again what is due is taken.
func TestBackupFolderGone(t *testing.T) {
	c := config(t)
	c.Backup.Dir = filepath.Join(t.TempDir(), "disk", "backups")
	var log bytes.Buffer
	now := time.Now()
	b := keeper(t, &c, &log, &now)
	h := &Host{c: c, backups: b}
	begun := now
	if wait := b.look(t.Context()); wait > folderLook || wait <= 0 {
		t.Errorf("looks again in %s, want within %s", wait, folderLook)
	}
	if x := h.backupAge(); !x.Gone.Equal(begun) || !strings.Contains(x.GoneWords, "backup.dir") || !strings.Contains(x.GoneWords, "mkdir -p "+c.Backup.Dir) || x.Failed {
		t.Errorf("at the start %+v, want since when the folder is gone and what to do", x)
	}
	for _, to := range []string{"", filepath.Join(c.Backup.Dir, "x.db"), filepath.Dir(c.Backup.Dir) + "/"} {
		if _, err := TakeBackup(t.Context(), c, to, b.now, nil); err == nil || !strings.Contains(err.Error(), "mkdir -p") {
			t.Errorf("backup to %q: error %v, want the folder and what to do", to, err)
		}
	}
	now = now.Add(25 * time.Hour)
	b.look(t.Context())
	now = now.Add(folderLook)
	b.look(t.Context())
	if n := strings.Count(log.String(), "folder of the backups is not there"); n != 1 || b.failed.Load() != 1 {
		t.Errorf("told %d times, %d attempts failed; want once and 1", n, b.failed.Load())
	}
	if _, err := os.Stat(filepath.Dir(c.Backup.Dir)); !os.IsNotExist(err) {
		t.Errorf("a folder was made in the place of the disk: %v", err)
	}
	if x := h.backupAge(); !x.Gone.Equal(begun) || !x.Failed {
		t.Errorf("a day later %+v, want gone since the start", x)
	}
	if err := os.MkdirAll(c.Backup.Dir, 0o700); err != nil {
		t.Fatal(err)
	}
	now = now.Add(folderLook)
	b.look(t.Context())
	if x := h.backupAge(); !x.Gone.IsZero() || x.Failed || len(c.listBackups(c.Backup.Dir)) != 1 {
		t.Errorf("there again: %+v, backups %v", x, c.listBackups(c.Backup.Dir))
	}
}

// A database that is damaged is not opened, and the error names the backup.
func TestDamagedDatabaseIsRefused(t *testing.T) {
	c := config(t)
	_, end := serve(t, c, Options{})
	b, err := TakeBackup(t.Context(), c, "", nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	end()
	damaged := bytes.Repeat([]byte("torn page "), 2000)
	if err := os.WriteFile(c.Database.File, damaged, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err = New(t.Context(), c, Options{})
	if !errors.Is(err, store.ErrDamaged) || !strings.Contains(err.Error(), b.File) || !strings.Contains(err.Error(), "server restore") {
		t.Fatalf("error %v, want ErrDamaged with the backup and the command", err)
	}
	r, err := Restore(t.Context(), c, b.File, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	if old, err := os.ReadFile(r.Aside); err != nil || !bytes.Equal(old, damaged) {
		t.Errorf("the damaged file was not kept: %v", err)
	}
	_, end = serve(t, c, Options{})
	end()
}

func TestBackupConfig(t *testing.T) {
	for _, x := range []struct {
		env, want string
		every     time.Duration
	}{
		{"TURNWISE_BACKUP__EVERY=off", "", 0},
		{"TURNWISE_BACKUP__EVERY=12h", "", 12 * hour},
		{"TURNWISE_BACKUP__KEEP=2", "", day},
		{"TURNWISE_BACKUP__EVERY=0s", "or off", 0},
		{"TURNWISE_BACKUP__EVERY=soon", "or off", 0},
		{"TURNWISE_BACKUP__EVERY=30d", "backup.every", 0},
		{"TURNWISE_BACKUP__KEEP=0", "backup.keep", 0},
	} {
		c, _, err := LoadConfig("", []string{x.env})
		if x.want == "" && (err != nil || time.Duration(c.Backup.Every) != x.every) {
			t.Errorf("%s: every %s, %v", x.env, c.Backup.Every, err)
		}
		if x.want != "" && (err == nil || !strings.Contains(err.Error(), x.want)) {
			t.Errorf("%s: error %v, want %q", x.env, err, x.want)
		}
	}
}
