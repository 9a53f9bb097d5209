package store

import "time"

// Upkeep is how the records of a server are kept.
type Upkeep struct {
	Records, Dropped int64     // kept as they were told; of which only the sums are kept
	Oldest           time.Time // of the records that are kept; zero = there are none
	FileBytes        int64     // without the journal
	FreeBytes        int64     // of them
	GivesBack        bool      // free room goes back to the disk by itself
	DiskFree         int64     // bytes; -1 = not known

	Retain    time.Duration // age at which records are dropped; 0 = never
	NextPrune time.Time     // zero = none comes
	NextCount int64         // that it drops at the most, about
	LastPrune *Prune        // nil = there was none

	Created       time.Time // of the database
	Backups       []Copy    // verified ones of the last 14 days, and the newest one; newest first
	BackupLimit   time.Duration
	BackupFailed  time.Time // newest attempt since the newest backup that failed; zero = none
	BackupFailure string

	SetBack *SetBack // newest one that is known; nil = none
}

// SetBack is a step of the server's wall clock to an earlier time.
type SetBack struct {
	By   time.Duration // above 0
	Seen time.Time     // by that clock
	// Machine is the one whose new stream it was seen by; empty = the server saw it while it ran.
	Machine string
}

// LastBackup is the newest verified backup; nil where there is none.
func (u *Upkeep) LastBackup() *Copy {
	if len(u.Backups) == 0 {
		return nil
	}
	return &u.Backups[0]
}

// BackupLate tells whether no verified backup is young enough at an instant.
func (u *Upkeep) BackupLate(now time.Time) bool {
	since := u.Created
	if c := u.LastBackup(); c != nil {
		since = c.Taken
	}
	return now.Sub(since) > u.BackupLimit
}

// Prune is how dropping old records ended.
type Prune struct {
	At      time.Time
	Before  time.Time // records of before were dropped; zero = none by their age
	Records int64
	Given   int64  // bytes given back to the disk
	Held    []Held // machines of which older records stay
	Error   string // why it ended early; empty = it did all there was to do
}

// Held is a machine of which older records stay.
type Held struct{ Machine, Reason string }

// Copy is a verified backup.
type Copy struct {
	Taken   time.Time // instant of its content
	File    string
	Bytes   int64
	Records int64
}
