package host

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/store"
)

// What a command did beside is told over the API: the newest prune and how it
// ended, the newest backup, what comes next.
func TestUpkeepIsTold(t *testing.T) {
	c := config(t)
	begun := time.Now().Add(-401 * day)
	if err := twenty(t, c, begun).Close(); err != nil {
		t.Fatal(err)
	}
	if p, err := Prune(t.Context(), c, PruneOptions{}); err != nil || p.Records != 0 {
		t.Fatalf("%+v, %v", p, err)
	}
	h, end := serve(t, c, Options{})
	defer end()
	ask := func() *pb.Upkeep {
		t.Helper()
		h.upkeep.mu.Lock()
		h.upkeep.at = time.Time{} // as 20 seconds later
		h.upkeep.mu.Unlock()
		r, err := pb.NewUpkeepServiceClient(call(t, h)).GetUpkeep(t.Context(), &pb.GetUpkeepRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetUpkeep()
	}
	u := ask()
	if p := u.GetLastPrune(); p.GetRecordCount() != 0 || len(p.GetHeld()) != 1 || p.GetHeld()[0].GetMachine() != "machines/k01" || !strings.Contains(p.GetHeld()[0].GetReason(), "no verified backup") || p.GetError() != "" {
		t.Errorf("newest prune %v", p)
	}
	if u.GetRecordCount() != 2 || u.GetLastBackup() != nil || u.GetNextPruneCount() != 0 || u.GetRetainAge().AsDuration() != 400*day || u.GetBackupLimit().AsDuration() != 2*day || u.GetBackupLate() || u.GetDiskFreeBytes() <= 0 || !u.GetGivesBack() {
		t.Errorf("before a backup %v", u)
	}
	target := filepath.Join(filepath.Dir(c.Database.File), "b.db")
	if _, err := TakeBackup(t.Context(), c, target, nil, nil); err != nil {
		t.Fatal(err)
	}
	if u = ask(); u.GetLastBackup().GetFile() != target || u.GetLastBackup().GetRecordCount() != 2 || u.GetNextPruneCount() != 2 || len(u.GetRecentBackups()) != 1 {
		t.Errorf("with a backup %v, want 2 records to go", u)
	}
	if p, err := Prune(t.Context(), c, PruneOptions{}); err != nil || p.Records != 2 {
		t.Fatalf("%+v, %v", p, err)
	}
	if u = ask(); u.GetRecordCount() != 0 || u.GetDroppedCount() != 2 || u.GetOldestTime() != nil || u.GetLastPrune().GetRecordCount() != 2 || u.GetNextPruneCount() != 0 || len(u.GetLastPrune().GetHeld()) != 0 {
		t.Errorf("after the prune %v", u)
	}
	if u.GetSetBack() != nil {
		t.Errorf("clock set back %v, and nobody saw it", u.GetSetBack())
	}
	h.clock.back.Store(&store.SetBack{By: time.Hour, Seen: begun})
	if b := ask().GetSetBack(); b.GetBy().AsDuration() != time.Hour || !b.GetSeenTime().AsTime().Equal(begun) || b.GetMachine() != "" {
		t.Errorf("clock set back %v, want an hour, seen by the server", b)
	}
}

// A backup that fails is told until one is good; the desk hears how old the newest is.
func TestFailedBackupIsTold(t *testing.T) {
	c := config(t)
	now := time.Now()
	clock := func() time.Time { return now }
	db := twenty(t, c, now)
	c.Backup.Dir = filepath.Join(t.TempDir(), "a file")
	if err := os.WriteFile(c.Backup.Dir, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	b := newBackups(&c, db, slog.New(slog.DiscardHandler), clock)
	if b.since().IsZero() == false {
		t.Error("known before it looked")
	}
	now = now.Add(25 * time.Hour)
	b.look(t.Context())
	if at, text := b.failure(); !at.Equal(now) || !strings.Contains(text, "backup.dir") {
		t.Errorf("failed at %v: %q", at, text)
	}
	if age := now.Sub(b.since()); age < 24*time.Hour || age > 26*time.Hour {
		t.Errorf("the database is %v old", age)
	}
	// The reason outlives the server.
	failed := now
	b = newBackups(&c, db, slog.New(slog.DiscardHandler), clock)
	now = now.Add(time.Minute / 2)
	b.look(t.Context())
	if at, text := b.failure(); !at.Equal(failed.Truncate(time.Millisecond)) || !strings.Contains(text, "backup.dir") {
		t.Errorf("after a restart: failed at %v: %q, want at %v", at, text, failed)
	}
	if err := errors.Join(os.Remove(c.Backup.Dir), os.Mkdir(c.Backup.Dir, 0o700)); err != nil {
		t.Fatal(err)
	}
	now = now.Add(2 * time.Hour)
	b.look(t.Context())
	if at, text, err := db.BackupFailure(t.Context()); err != nil || !at.IsZero() {
		t.Errorf("kept after a good one: %v %q, %v", at, text, err)
	}
	if at, text := b.failure(); !at.IsZero() || now.Sub(b.since()) > time.Minute {
		t.Errorf("after a good one: failed at %v, %q, newest of %v", at, text, b.since())
	}
	for every, want := range map[Every]time.Duration{0: 2 * day, Every(day): 2 * day, Every(7 * day): 8 * day} {
		c.Backup.Every = every
		if got := c.Backup.limit(); got != want {
			t.Errorf("every %s: %v, want %v", every, got, want)
		}
	}
}
