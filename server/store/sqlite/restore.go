package sqlite

import (
	"context"
	"crypto/rand"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/mattn/go-sqlite3"

	"turnwise/server/store"
)

// RestoreOptions tunes Restore. The zero value works.
type RestoreOptions struct {
	// DryRun checks everything and changes nothing.
	DryRun bool
	// Progress hears what is being done and how far it is. Nil hears nothing.
	Progress func(stage string, done, total int64)
}

// Restored tells what a restore did.
type Restored struct {
	File        string    `json:"file"`
	From        string    `json:"from"`
	Aside       string    `json:"kept_aside,omitempty"` // the database that was there
	Taken       time.Time `json:"taken"`                // instant of the content
	Incarnation string    `json:"incarnation"`          // new
	Machines    int       `json:"machines"`
	Streams     int       `json:"streams"`
	Records     int64     `json:"records"`
	Revolutions int64     `json:"revolutions"`
	DryRun      bool      `json:"dry_run"`
	// Beyond tells of how many streams the database that was there let its
	// agents forget records that this backup lacks: a newer backup has them.
	Beyond int    `json:"streams_beyond"`
	Newer  string `json:"newer_backup,omitempty"` // that the database knew of
}

// Restore puts the content of a verified backup in the place of a database.
// The backup is checked fully first, in the very bytes that are put in place;
// where anything is wrong with it the error is [store.ErrDamaged] and the
// database stays as it is. The database that was there is kept beside under a
// dated name. The restored one gets a new incarnation, by which the agents
// know that they must send what it lacks.
//
// No server may run on the database, and no other command have it open: the error
// is [store.ErrInUse] then.
func Restore(ctx context.Context, file, from string, o RestoreOptions) (*Restored, error) {
	if o.Progress == nil {
		o.Progress = func(string, int64, int64) {}
	}
	fail := func(err error) (*Restored, error) {
		if e, ok := errors.AsType[sqlite3.Error](err); ok && e.Code == sqlite3.ErrFull || errors.Is(err, syscall.ENOSPC) {
			err = fmt.Errorf("%w; free space in %s, as much as the backup takes", err, filepath.Dir(file))
		}
		return nil, fmt.Errorf("sqlite: restore %s from %s: %w; the database is unchanged", file, from, asOwner(err))
	}
	file = linked(file)
	if err := readableBackup(from); err != nil {
		return nil, fmt.Errorf("sqlite: restore %s from %s: %w; the database is unchanged", file, from, err)
	}
	if st, err := os.Stat(from); err != nil {
		return fail(err)
	} else if now, err := os.Stat(file); err == nil && os.SameFile(st, now) {
		return fail(errors.New("that is the database itself; name a backup"))
	}
	// Before anything is touched: what is no backup needs no lock.
	if _, err := sealOf(ctx, from); err != nil {
		return fail(fmt.Errorf("%w: %w; take an older backup", store.ErrDamaged, err))
	}
	lock, err := Hold(file)
	if err != nil {
		return fail(err)
	}
	defer lock.Free()
	used, err := lock.alone()
	if err != nil {
		return fail(err)
	}
	defer used.Close()
	name, release, err := partial(file)
	if err != nil {
		return fail(err)
	}
	defer release()
	rep, err := copyBackup(ctx, from, name, o)
	if err != nil {
		return fail(err)
	}
	r := &Restored{
		File: file, From: from, Taken: rep.Taken, Machines: rep.Machines, Streams: rep.Streams, Records: rep.Records,
		Revolutions: rep.Revolutions, DryRun: o.DryRun,
	}
	r.Beyond, r.Newer = lookAtOld(ctx, file, rep)
	if o.DryRun {
		return r, nil
	}
	incarnation := make([]byte, len(store.ID{}))
	_, _ = rand.Read(incarnation) // never fails
	r.Incarnation = fmt.Sprintf("%x", incarnation)
	changes := []string{`DROP TABLE ` + sealTable, fmt.Sprintf(`UPDATE meta SET incarnation = x'%x', writes = writes + 1`, incarnation)}
	if rep.Schema == newestSchema { // else there is no such table yet; the server brings the file up to date
		changes = append(changes, `DELETE FROM backup_failure`) // the backup was taken after it
	}
	if err := alter(ctx, name, append(changes, `PRAGMA journal_mode = WAL`)...); err != nil {
		return fail(err)
	}
	if err := syncFile(name); err != nil {
		return fail(err)
	}
	if err := ctx.Err(); err != nil {
		return fail(err)
	}
	// From here on a restore that is killed is ended by whoever holds the lock next.
	if err := os.Rename(name, file+readySuffix); err != nil {
		return fail(err)
	}
	if err := syncDir(file); err != nil {
		return fail(err)
	}
	if r.Aside, err = swap(file); err != nil {
		return nil, err
	}
	return r, nil
}

// copyBackup copies a backup and checks the copy.
func copyBackup(ctx context.Context, from, name string, o RestoreOptions) (*Report, error) {
	o.Progress("copying the backup", 0, 0)
	if err := copyOver(ctx, from, name); err != nil {
		return nil, err
	}
	rep, err := Verify(ctx, name, VerifyOptions{Backup: true, Progress: func(done, total int64) { o.Progress("checking records", done, total) }})
	if err != nil {
		return nil, err
	}
	rep.File = from
	return rep, rep.Err()
}

// copyOver copies a file whole into another one, up to the disk.
func copyOver(ctx context.Context, from, to string) error {
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer src.Close()
	dst, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE, 0o600)
	if err != nil {
		return err
	}
	if _, err = io.Copy(dst, &untilDone{ctx, src}); err == nil {
		err = dst.Sync()
	}
	return errors.Join(err, dst.Close())
}

// untilDone reads until the context ends.
type untilDone struct {
	ctx context.Context
	r   io.Reader
}

func (u *untilDone) Read(p []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(p)
}

// lookAtOld compares what agents may have forgotten with what a backup holds,
// as far as the old database can still be read.
func lookAtOld(ctx context.Context, file string, rep *Report) (beyond int, newer string) {
	if _, err := os.Stat(file); err != nil {
		return 0, ""
	}
	db := sql.OpenDB(connector{dsn(file, readPragmas)})
	defer db.Close()
	_ = each(ctx, db, func(rows *sql.Rows) error {
		var b []byte
		var horizon int64
		if err := rows.Scan(&b, &horizon); err != nil {
			return err
		}
		if uint64(horizon) > rep.acked[id(b)] {
			beyond++
		}
		return nil
	}, `SELECT id, horizon FROM stream`)
	if beyond > 0 {
		_ = db.QueryRowContext(ctx, `SELECT file FROM backup WHERE taken_ms > ? ORDER BY taken_ms DESC LIMIT 1`, rep.Taken.UnixMilli()).Scan(&newer)
	}
	return beyond, newer
}
