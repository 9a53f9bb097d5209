package host

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

const (
	// backupLate is how long a mill may be without a new backup before it is
	// told, without end.
	backupLate = 7 * day
	// backupOld is how old the newest backup may be before people are told, where
	// one is taken every day.
	backupOld = 2 * day
	// keepAcked is how long agents then keep what the server has.
	keepAcked = 35 * day
	// backupGrace lets a server start in peace before it makes up for a backup.
	backupGrace = minute
	// backupAgain is how long after a failure the next one is tried.
	backupAgain = hour
	// backupLook bounds how long a backup that others took goes unnoticed.
	backupLook = hour
	// folderLook is how often it is looked whether the named folder is still there.
	folderLook = 5 * minute
)

// BackupDir is the folder of the backups.
func (c *Config) BackupDir() string {
	if c.Backup.Dir != "" {
		return c.Backup.Dir
	}
	return filepath.Join(filepath.Dir(c.Database.File), "backups")
}

// backupFolder makes sure of the folder of the backups. Only the one beside the
// database is made: another may be on a disk that is not mounted.
func (c *Config) backupFolder() error {
	if c.Backup.Dir == "" {
		if err := os.MkdirAll(c.BackupDir(), 0o700); err != nil {
			return fmt.Errorf("folder of the backups: %w; name another one in backup.dir", err)
		}
		return nil
	}
	if err := sqlite.Folder(c.Backup.Dir); err != nil {
		return fmt.Errorf("backup.dir: %w", err)
	}
	return nil
}

var backupForm = regexp.MustCompile(`-[0-9]{8}T[0-9]{6}Z\.db$`)

// backupName is the name of a backup by its instant.
func (c *Config) backupName(at time.Time) string {
	return c.Site.ID + "-" + at.UTC().Format("20060102T150405Z") + ".db"
}

// listBackups returns the dated backups of the site in a folder, oldest first.
func (c *Config) listBackups(dir string) []string {
	names, _ := filepath.Glob(filepath.Join(dir, c.Site.ID+"-*.db")) // a site id has nothing special in it
	return slices.DeleteFunc(names, func(name string) bool {
		loc := backupForm.FindStringIndex(filepath.Base(name))
		return loc == nil || loc[0] != len(c.Site.ID)
	})
}

// TakeBackup takes a verified backup of the database of a configuration. An
// empty target is the folder of the backups; a folder gets a dated file. Now
// may be nil, and so may progress, which hears what is being done.
func TakeBackup(ctx context.Context, c Config, target string, now func() time.Time, progress func(stage string, done, total int64)) (*sqlite.Backup, error) {
	if now == nil {
		now = time.Now
	}
	if target == "" {
		if err := c.backupFolder(); err != nil {
			return nil, fmt.Errorf("host: backup: %w", err)
		}
		target = c.BackupDir()
	} else if os.IsPathSeparator(target[len(target)-1]) { // a folder is meant
		if err := sqlite.Folder(filepath.Clean(target)); err != nil {
			return nil, fmt.Errorf("host: backup: %w", err)
		}
	}
	if st, err := os.Stat(target); err == nil && st.IsDir() {
		target = filepath.Join(target, c.backupName(now()))
	}
	abs, err := filepath.Abs(target)
	if err != nil {
		return nil, fmt.Errorf("host: backup: %w", err)
	}
	return sqlite.TakeBackup(ctx, c.Database.File, abs, sqlite.BackupOptions{Now: now, Progress: progress})
}

// Restore puts a verified backup in the place of the database.
func Restore(ctx context.Context, c Config, from string, dryRun bool, progress func(string, int64, int64)) (*sqlite.Restored, error) {
	return sqlite.Restore(ctx, c.Database.File, from, sqlite.RestoreOptions{DryRun: dryRun, Progress: progress})
}

// Verify checks the database of a configuration, or a backup where one is named.
func Verify(ctx context.Context, c Config, backup string, progress func(stage string, done, total int64)) (*sqlite.Report, error) {
	tell := func(done, total int64) { progress("checking records", done, total) }
	if backup != "" {
		return sqlite.Verify(ctx, backup, sqlite.VerifyOptions{Backup: true, Progress: tell})
	}
	o := sqlite.VerifyOptions{Progress: tell}
	if newest := c.newestBackup(); newest != "" {
		o.Repair = "stop the server and restore: server restore -c server.yaml --verify --from " + newest
	}
	return sqlite.Verify(ctx, c.Database.File, o)
}

// newestBackup is the newest one that the server took, or empty.
func (c *Config) newestBackup() string {
	if all := c.listBackups(c.BackupDir()); len(all) > 0 {
		return all[len(all)-1]
	}
	return ""
}

// damaged adds to an error about damage which backup there is.
func (c *Config) damaged(err error) error {
	if !errors.Is(err, store.ErrDamaged) {
		return err
	}
	if newest := c.newestBackup(); newest != "" {
		return fmt.Errorf("%w (the newest backup in %s is %s)", err, c.BackupDir(), newest)
	}
	return fmt.Errorf("%w (there is no backup in %s)", err, c.BackupDir())
}

// backups takes a verified backup from time to time, and tells when there is
// none. It is a component of the host.
type backups struct {
	c   *Config
	db  *sqlite.Store
	log *slog.Logger
	now func() time.Time
	// room tells whether so many bytes can be written; nil = always.
	room func(bytes int64) bool

	notBefore time.Time // the next one
	told      time.Time // that there is none
	recalled  bool      // what failed before the start

	newest atomic.Int64 // taken at, Unix ms; 0 = none
	late   atomic.Bool
	failed atomic.Int64
	young  atomic.Int64 // instant of the newest, or of the database; Unix ms, 0 = not known yet
	wrong  atomic.Pointer[failure]
	gone   atomic.Pointer[failure] // the named folder is not there
}

// failure is a backup that could not be taken.
type failure struct {
	at   time.Time
	text string
}

// limit is how old the newest backup may be before people are told.
func (c *BackupConfig) limit() time.Duration { return max(backupOld, time.Duration(c.Every)+day) }

// since is the instant of the newest backup, or of the database where there is
// none; zero where it is not known yet.
func (b *backups) since() time.Time {
	if at := b.young.Load(); at != 0 {
		return time.UnixMilli(at)
	}
	return time.Time{}
}

// failure is the newest attempt since the newest backup that failed.
func (b *backups) failure() (at time.Time, text string) {
	if f := b.wrong.Load(); f != nil {
		return f.at, f.text
	}
	return time.Time{}, ""
}

// missing is since when the named folder of the backups is not there, and what to do.
func (b *backups) missing() (since time.Time, text string) {
	if f := b.gone.Load(); f != nil {
		return f.at, f.text
	}
	return time.Time{}, ""
}

// fail notes that a backup could not be taken, in the database too: who starts the
// server again to repair it must not lose the reason.
func (b *backups) fail(ctx context.Context, text string) {
	f := &failure{b.now(), text}
	b.failed.Add(1)
	b.wrong.Store(f)
	if err := b.db.NoteBackupFailure(ctx, f.at, text); err != nil && ctx.Err() == nil {
		b.log.Error("reason of a failed backup not kept", "error", err)
	}
}

// recall reads, once, what failed before the start.
func (b *backups) recall(ctx context.Context) {
	if b.recalled {
		return
	}
	at, text, err := b.db.BackupFailure(ctx)
	if err != nil {
		b.log.Error("reason of the newest failed backup is not known", "error", err)
		return
	}
	b.recalled = true
	if !at.IsZero() {
		b.wrong.Store(&failure{at, text})
	}
}

// lookForFolder notes whether the named folder is there. A disk that comes back
// gets a backup at once where one is due.
func (b *backups) lookForFolder(now time.Time) {
	if b.c.Backup.Dir == "" || b.c.Backup.Every == 0 {
		return
	}
	err, was := b.c.backupFolder(), b.gone.Load()
	if err == nil {
		if was != nil {
			b.gone.Store(nil)
			b.notBefore = time.Time{}
			b.log.Info("folder of the backups is there again", "dir", b.c.Backup.Dir)
		}
		return
	}
	if was == nil {
		was = &failure{at: now}
		b.log.Error("folder of the backups is not there; no backup can be taken", "error", err)
	}
	b.gone.Store(&failure{was.at, err.Error()})
}

func newBackups(c *Config, db *sqlite.Store, log *slog.Logger, now func() time.Time) *backups {
	return &backups{c: c, db: db, log: log, now: now, notBefore: now().Add(backupGrace)}
}

// run looks until ctx ends. A backup that cannot be taken is no reason not to
// serve.
func (b *backups) run(ctx context.Context) error {
	for {
		wait := b.look(ctx)
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
			return nil
		}
	}
}

// look takes a backup where one is due, and returns when to look again.
func (b *backups) look(ctx context.Context) time.Duration {
	taken, _, created, err := b.db.LastBackup(ctx)
	if err != nil {
		if ctx.Err() == nil {
			b.log.Error("newest backup is not known", "error", err)
		}
		return backupAgain
	}
	now := b.now()
	b.recall(ctx)
	b.lookForFolder(now)
	since := created
	if !taken.IsZero() {
		since = taken
		b.newest.Store(taken.UnixMilli())
	}
	b.young.Store(since.UnixMilli())
	every := time.Duration(b.c.Backup.Every)
	if every > 0 && !now.Before(since.Add(every)) && !now.Before(b.notBefore) {
		if b.take(ctx) {
			since = now
			b.young.Store(b.newest.Load())
		}
	}
	if f := b.wrong.Load(); f != nil && since.After(f.at) {
		b.wrong.Store(nil) // one by hand since
	}
	b.lateness(ctx, now, since)
	if every == 0 {
		return backupLook
	}
	least := backupLook
	if b.c.Backup.Dir != "" {
		least = folderLook
	}
	due := since.Add(every)
	if due.Before(b.notBefore) {
		due = b.notBefore
	}
	return min(max(due.Sub(now), time.Second), least)
}

func (b *backups) take(ctx context.Context) bool {
	dir := b.c.BackupDir()
	sqlite.Sweep(dir)
	if st, err := os.Stat(b.c.Database.File); err == nil && b.room != nil && filepath.Dir(dir) == filepath.Dir(b.c.Database.File) && !b.room(st.Size()) {
		b.notBefore = b.now().Add(backupAgain)
		b.fail(ctx, fmt.Sprintf("%d bytes would fill the disk of %s", st.Size(), dir))
		b.log.Error("backup not taken: it would fill the disk", "dir", dir, "bytes", st.Size(), "again_in", backupAgain)
		return false
	}
	x, err := TakeBackup(ctx, *b.c, "", b.now, nil)
	if err != nil {
		b.notBefore = b.now().Add(backupAgain)
		if ctx.Err() == nil {
			b.fail(ctx, err.Error())
			b.log.Error("backup not taken", "dir", dir, "error", err, "again_in", backupAgain)
		}
		return false
	}
	b.newest.Store(x.Taken.UnixMilli())
	b.wrong.Store(nil)
	b.log.Info("verified backup taken", "file", x.File, "bytes", x.Bytes, "records", x.Records, "took", x.Took())
	all := b.c.listBackups(dir)
	for _, old := range all[:max(len(all)-b.c.Backup.Keep, 0)] {
		if err := os.Remove(old); err != nil {
			b.log.Warn("old backup not removed", "file", old, "error", err)
		}
	}
	return true
}

// lateness tells once a day that there is no new backup, and lets agents
// forget what is so old that their journals would grow for ever.
func (b *backups) lateness(ctx context.Context, now, since time.Time) {
	late := now.Sub(since) > backupLate
	b.late.Store(late)
	if !late || now.Sub(b.told) < day {
		return
	}
	b.told = now
	b.log.Warn("no verified backup for more than 7 days; a broken disk would lose what the agents no longer have",
		"since", since, "dir", b.c.BackupDir(), "every", b.c.Backup.Every.String(), "repair", "server backup -c server.yaml")
	if n, err := b.db.FallBack(ctx, now.Add(-keepAcked)); err != nil && ctx.Err() == nil {
		b.log.Error("backup horizon not moved", "error", err)
	} else if n > 0 {
		b.log.Warn("agents may forget records of more than 35 days that no backup holds", "streams", n)
	}
}

var (
	backupNewestDesc = prometheus.NewDesc("turnwise_backup_newest_timestamp_seconds", "When the newest verified backup was taken; 0: there is none.", nil, nil)
	backupLateDesc   = prometheus.NewDesc("turnwise_backup_late", "1: no verified backup for 7 days.", nil, nil)
	backupFailedDesc = prometheus.NewDesc("turnwise_backup_failures_total", "Backups that could not be taken or did not pass their check.", nil, nil)
)

// Describe and Collect make backups a collector of metrics.
func (b *backups) Describe(ch chan<- *prometheus.Desc) {
	ch <- backupNewestDesc
	ch <- backupLateDesc
	ch <- backupFailedDesc
}

// Collect tells the state of the backups.
func (b *backups) Collect(ch chan<- prometheus.Metric) {
	late := 0.0
	if b.late.Load() {
		late = 1
	}
	ch <- prometheus.MustNewConstMetric(backupNewestDesc, prometheus.GaugeValue, float64(b.newest.Load())/1000)
	ch <- prometheus.MustNewConstMetric(backupLateDesc, prometheus.GaugeValue, late)
	ch <- prometheus.MustNewConstMetric(backupFailedDesc, prometheus.CounterValue, float64(b.failed.Load()))
}
