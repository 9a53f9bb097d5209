package sqlite

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/mattn/go-sqlite3"

	"turnwise/server/store"
)

// ShrinkOptions tunes Shrink. The zero value works.
type ShrinkOptions struct {
	// DryRun tells how it is and changes nothing; a server may run then.
	DryRun bool
	// Room tells whether so many bytes may be written beside the database. Nil
	// means yes.
	Room func(bytes int64) error
	// Progress hears what is being done and how far it is. Nil hears nothing.
	Progress func(stage string, done, total int64)
}

// Shrunk tells what a shrink did, or would do.
type Shrunk struct {
	File        string   `json:"file"`
	Before      FileRoom `json:"before"`
	After       FileRoom `json:"after"` // of a dry run: about
	Machines    int      `json:"machines"`
	Streams     int      `json:"streams"`
	Records     int64    `json:"records"`
	Revolutions int64    `json:"revolutions"`
	DryRun      bool     `json:"dry_run"`
	Seconds     float64  `json:"seconds"`
}

// Shrink writes a database anew without its free pages, so that it can give room
// back by itself from then on. The new file is checked whole, and its content
// must have the sum of the old one's; then it takes the old one's name in one
// step. Killed before that step, or out of room, the database is as it was.
//
// No server may run on the database, and nobody else may have it open: the
// error is [store.ErrInUse] then.
func Shrink(ctx context.Context, file string, o ShrinkOptions) (*Shrunk, error) {
	if o.Progress == nil {
		o.Progress = func(string, int64, int64) {}
	}
	if o.Room == nil {
		o.Room = func(int64) error { return nil }
	}
	began := time.Now()
	file = linked(file)
	x, err := shrink(ctx, file, o)
	if err == nil {
		x.Seconds = time.Since(began).Seconds()
		return x, nil
	}
	if e, ok := errors.AsType[sqlite3.Error](err); ok && (e.Code == sqlite3.ErrCorrupt || e.Code == sqlite3.ErrNotADB) {
		err = fmt.Errorf("the database is %w: %w; %s", store.ErrDamaged, err, repairDamage)
	}
	if IsFull(err) {
		err = fmt.Errorf("%w; free space in %s", err, filepath.Dir(file))
	}
	return nil, fmt.Errorf("sqlite: shrink %s: %w; the database is unchanged", file, asOwner(err))
}

func shrink(ctx context.Context, file string, o ShrinkOptions) (*Shrunk, error) {
	if err := present(file); err != nil {
		return nil, err
	}
	st, err := os.Stat(file)
	if err != nil {
		return nil, err
	}
	x := &Shrunk{File: file, DryRun: o.DryRun}
	if o.DryRun {
		db := sql.OpenDB(connector{dsn(file, readPragmas)})
		defer db.Close()
		if x.Before, _, err = readRoom(ctx, db); err != nil {
			return nil, err
		}
		x.After = FileRoom{Bytes: x.Before.Bytes - x.Before.Free, Gives: true}
		return x, o.Room(roomFor(x.Before))
	}
	lock, err := Hold(file)
	if err != nil {
		return nil, err
	}
	defer lock.Free()
	used, err := lock.alone()
	if err != nil {
		return nil, err
	}
	defer used.Close()
	old, err := takeAlone(ctx, file)
	if err != nil {
		return nil, err
	}
	defer old.free()
	if x.Before, _, err = readRoom(ctx, old.conn); err != nil {
		return nil, err
	}
	if err := o.Room(roomFor(x.Before)); err != nil {
		return nil, err
	}
	name, release, err := partial(file)
	if err != nil {
		return nil, err
	}
	defer release()
	if err := old.copyKept(ctx, name, x.Before, o.Progress); err != nil {
		return nil, err
	}
	rep, err := sameContent(ctx, file, old.conn, name, o.Progress)
	if err != nil {
		return nil, err
	}
	x.Machines, x.Streams, x.Records, x.Revolutions = rep.Machines, rep.Streams, rep.Records, rep.Revolutions
	if err := alter(ctx, name, `PRAGMA journal_mode = WAL`); err != nil {
		return nil, err
	}
	if x.After, err = roomOf(ctx, name); err != nil {
		return nil, err
	}
	if err := likeness(name, st); err != nil {
		return nil, err
	}
	if err := errors.Join(syncFile(name), ctx.Err()); err != nil {
		return nil, err
	}
	if err := os.Rename(name, file); err != nil {
		return nil, err
	}
	old.replaced = true
	_ = syncDir(file) // both names are whole databases of the same content
	return x, nil
}

// roomFor is the room that a copy without free pages needs.
func roomFor(r FileRoom) int64 {
	used := r.Bytes - r.Free
	return used + used/64 + 64<<10 // the map of pages by which room is given back later
}

func roomOf(ctx context.Context, file string) (FileRoom, error) {
	db := sql.OpenDB(connector{dsn(file, readPragmas+"&immutable=1")})
	defer db.Close()
	r, _, err := readRoom(ctx, db)
	return r, err
}

// likeness gives a new file the owner and the mode of the one that it replaces:
// whoever shrinks may be another user than the server's.
func likeness(name string, old os.FileInfo) error {
	if err := os.Chmod(name, old.Mode().Perm()); err != nil {
		return err
	}
	s, ok := old.Sys().(*syscall.Stat_t)
	if !ok {
		return nil
	}
	if err := os.Chown(name, int(s.Uid), int(s.Gid)); err != nil {
		return err
	}
	return nil
}

// alone is a database that no other connection has open, in one file without a
// journal. Who opens it meanwhile waits, and finds it replaced when it writes:
// SQLite compares the file with the name before it makes a journal.
type alone struct {
	db       *sql.DB
	conn     *sql.Conn
	replaced bool
}

func takeAlone(ctx context.Context, file string) (_ *alone, err error) {
	a := &alone{db: sql.OpenDB(connector{dsn(file, "mode=rw&_busy_timeout=2000&_synchronous=FULL&_foreign_keys=1")})}
	a.db.SetMaxOpenConns(1)
	defer func() {
		if err != nil {
			a.free()
		}
	}()
	if a.conn, err = a.db.Conn(ctx); err != nil {
		return nil, err
	}
	inUse := func(err error) error {
		if e, ok := errors.AsType[sqlite3.Error](err); ok && (e.Code == sqlite3.ErrBusy || e.Code == sqlite3.ErrLocked) {
			return fmt.Errorf("%w: another program has it open: %w; end that one", store.ErrInUse, err)
		}
		return err
	}
	var mode string
	// The journal is folded in and goes, which only the last connection may do.
	if err := a.conn.QueryRowContext(ctx, `PRAGMA journal_mode = DELETE`).Scan(&mode); err != nil {
		return nil, inUse(err)
	}
	if err := a.conn.QueryRowContext(ctx, `PRAGMA locking_mode = EXCLUSIVE`).Scan(&mode); err != nil {
		return nil, inUse(err)
	}
	if _, err := a.conn.ExecContext(ctx, `BEGIN EXCLUSIVE; COMMIT`); err != nil {
		return nil, inUse(err)
	}
	if err := a.conn.QueryRowContext(ctx, `PRAGMA journal_mode`).Scan(&mode); err != nil {
		return nil, inUse(err)
	}
	if mode != "delete" {
		return nil, fmt.Errorf("%w: another program opened it just now; end that one", store.ErrInUse)
	}
	return a, nil
}

// free lets others in again. A database that was not replaced gets its journal back.
func (a *alone) free() {
	if a.conn != nil {
		if !a.replaced {
			// The server sets both anew when it opens the file.
			_, _ = a.conn.ExecContext(context.Background(), `PRAGMA locking_mode = NORMAL; PRAGMA journal_mode = WAL`)
		}
		_ = a.conn.Close()
	}
	_ = a.db.Close()
}

// copyKept writes all but the free pages into an empty file.
func (a *alone) copyKept(ctx context.Context, name string, r FileRoom, progress func(string, int64, int64)) error {
	const stage = "copying what is kept"
	total := r.Bytes - r.Free
	progress(stage, 0, total)
	if !r.Gives { // on a file that has it this would write
		if _, err := a.conn.ExecContext(ctx, fmt.Sprintf(`PRAGMA auto_vacuum = %d`, incremental)); err != nil {
			return err
		}
	}
	copied := make(chan error, 1)
	go func() {
		_, err := a.conn.ExecContext(ctx, `VACUUM INTO ?`, name)
		copied <- err
	}()
	t := time.NewTicker(200 * time.Millisecond)
	defer t.Stop()
	for {
		select {
		case err := <-copied:
			if err != nil {
				return fmt.Errorf("copy what is kept: %w", err)
			}
			return ctx.Err()
		case <-t.C:
			if st, err := os.Stat(name); err == nil {
				progress(stage, min(st.Size(), total), total)
			}
		}
	}
}

// sameContent checks both files, and that they have the same content.
func sameContent(ctx context.Context, file string, old *sql.Conn, name string, progress func(string, int64, int64)) (*Report, error) {
	v := &verifier{
		w:   &writer{conn: old, stmts: map[string]*sql.Stmt{}},
		rep: &Report{File: file, Damages: []Damage{}, acked: map[store.ID]uint64{}},
		o:   VerifyOptions{Repair: repairDamage, Progress: func(done, total int64) { progress("reading the old file", done, total) }},
	}
	if err := v.head(ctx); err != nil {
		return nil, err
	}
	if err := errors.Join(v.records(ctx), v.rep.Err()); err != nil {
		return nil, err
	}
	for _, st := range v.w.stmts {
		_ = st.Close()
	}
	n, err := begin(ctx, name, VerifyOptions{
		Repair: repairDamage, Progress: func(done, total int64) { progress("checking the new file", done, total) },
	})
	if err != nil {
		return nil, err
	}
	defer n.end()
	n.rep.File = "the copy of " + file
	if err := errors.Join(n.run(ctx), n.rep.Err()); err != nil {
		return nil, err
	}
	if !bytes.Equal(n.sum, v.sum) {
		return nil, fmt.Errorf("%w: the copy has content with the sum %x, the database %x; repeat it, and look at the disk and the memory of this computer", store.ErrDamaged, n.sum, v.sum)
	}
	return n.rep, nil
}
