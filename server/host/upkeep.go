package host

import (
	"context"
	"fmt"
	"path/filepath"
	"sync"
	"time"

	"turnwise/server/calls"
	"turnwise/server/store"
)

// upkeepFor is how long an answer is good for everybody who asks: each one reads
// some records of every stream.
const upkeepFor = 20 * time.Second

// upkeep tells how the records are kept.
type upkeep struct {
	h *Host

	mu   sync.Mutex // held while it is read, so that many who ask read once
	at   time.Time
	told store.Upkeep
}

// tell is how the records are kept, at most 20 seconds ago.
func (k *upkeep) tell(ctx context.Context) (store.Upkeep, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	now := k.h.o.Now()
	if age := now.Sub(k.at); !k.at.IsZero() && age >= 0 && age < upkeepFor {
		return k.told, nil
	}
	u, err := k.read(ctx, now)
	if err != nil {
		return u, fmt.Errorf("host: %w", err)
	}
	k.at, k.told = now, u
	return u, nil
}

func (k *upkeep) read(ctx context.Context, now time.Time) (store.Upkeep, error) {
	h := k.h
	var before time.Time
	next := h.retention.next()
	if age := time.Duration(h.c.Retain.Records); age > 0 && !next.IsZero() {
		before = next.Add(-age)
	}
	u, err := h.backups.db.Upkeep(ctx, now, before)
	if err != nil {
		return u, err
	}
	u.Retain, u.NextPrune, u.DiskFree = time.Duration(h.c.Retain.Records), next, -1
	if free, _, ok := deviceRoom(filepath.Dir(h.c.Database.File)); ok {
		u.DiskFree = free
	}
	u.SetBack = h.clock.setBack(u.SetBack)
	u.BackupLimit = h.c.Backup.limit()
	u.BackupFailed, u.BackupFailure = h.backups.failure()
	if c := u.LastBackup(); c != nil && c.Taken.After(u.BackupFailed) { // one by hand since
		u.BackupFailed, u.BackupFailure = time.Time{}, ""
	}
	if at, text := h.backups.missing(); u.BackupFailure == "" && text != "" {
		u.BackupFailed, u.BackupFailure = at, text
	}
	return u, nil
}

// backupAge is what the desk is told.
func (h *Host) backupAge() calls.Backup {
	failed, _ := h.backups.failure()
	gone, words := h.backups.missing()
	return calls.Backup{Since: h.backups.since(), Limit: h.c.Backup.limit(), Failed: !failed.IsZero(), Gone: gone, GoneWords: words}
}
