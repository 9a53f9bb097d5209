package sqlite

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"database/sql/driver"
	"encoding/hex"
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

// BackupOptions tunes TakeBackup. The zero value works.
type BackupOptions struct {
	// Now tells the time. Nil means time.Now.
	Now func() time.Time
	// Progress hears what is being done and how far it is. Nil hears nothing.
	Progress func(stage string, done, total int64)
}

// Backup is a verified backup.
type Backup struct {
	File        string    `json:"file"`
	Bytes       int64     `json:"bytes"`
	SHA256      string    `json:"sha256"` // of the file
	Taken       time.Time `json:"taken"`  // instant of the content
	Incarnation string    `json:"incarnation"`
	Machines    int       `json:"machines"`
	Streams     int       `json:"streams"`
	Records     int64     `json:"records"`
	Revolutions int64     `json:"revolutions"`
	Seconds     float64   `json:"seconds"`
	acked       map[store.ID]uint64
	took        time.Duration
}

// Took is how long it took.
func (b *Backup) Took() time.Duration { return b.took }

// Horizon is the newest record of a stream that the backup holds.
func (b *Backup) Horizon(stream store.ID) uint64 { return b.acked[stream] }

// stepPages are copied between two looks at the context.
const stepPages = 512

// TakeBackup copies a database, beside the server that writes it, into the
// file target and makes sure that the copy can be restored: its structure,
// every record, every chain and every kept sum are checked in the copy. Only
// then it gets its name, and only then the database notes that agents need not
// keep what is in it. Where anything fails there is no file, and what was in
// the place of target is still there.
//
// A target that exists is replaced only if it is a finished backup of the same
// database and older.
func TakeBackup(ctx context.Context, file, target string, o BackupOptions) (*Backup, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Progress == nil {
		o.Progress = func(string, int64, int64) {}
	}
	fail := func(err error) (*Backup, error) {
		if e, ok := errors.AsType[sqlite3.Error](err); ok && (e.Code == sqlite3.ErrCorrupt || e.Code == sqlite3.ErrNotADB) && !errors.Is(err, errTarget) {
			err = fmt.Errorf("the database is %w: %w; %s", store.ErrDamaged, err, repairDamage)
		}
		if e, ok := errors.AsType[sqlite3.Error](err); ok && e.Code == sqlite3.ErrFull || errors.Is(err, syscall.ENOSPC) {
			err = fmt.Errorf("%w; free space in %s or name another folder", err, filepath.Dir(target))
		}
		return nil, fmt.Errorf("sqlite: backup of %s to %s: %w", file, target, asOwner(err))
	}
	began := o.Now()
	if err := present(file); err != nil {
		return fail(err)
	}
	used, err := share(file)
	if err != nil {
		return fail(err)
	}
	defer used.Close()
	if _, err := os.Lstat(target); err == nil {
		if _, err := sealOf(ctx, target); err != nil { // tell it before the work
			return fail(notReplaced(err))
		}
	}
	if err := Folder(filepath.Dir(target)); err != nil {
		return fail(err)
	}
	name, release, err := partial(target)
	if err != nil {
		return fail(fmt.Errorf("%w; name a folder that can be written", err))
	}
	defer release()
	rep, err := copyChecked(ctx, file, name, o)
	if err != nil {
		return fail(err)
	}
	if err := replaceable(ctx, target, rep); err != nil {
		return fail(err)
	}
	if err := syncFile(name); err != nil {
		return fail(err)
	}
	b := &Backup{
		File: target, Taken: rep.Taken, Incarnation: rep.Incarnation, Machines: rep.Machines, Streams: rep.Streams,
		Records: rep.Records, Revolutions: rep.Revolutions, acked: rep.acked,
	}
	if b.Bytes, b.SHA256, err = sumFile(name); err != nil {
		return fail(err)
	}
	if err := ctx.Err(); err != nil {
		return fail(err)
	}
	if err := os.Rename(name, target); err != nil {
		return fail(err)
	}
	if err := syncDir(target); err != nil {
		return fail(err)
	}
	if err := noteBackup(ctx, file, b); err != nil {
		return nil, fmt.Errorf("sqlite: the backup %s is complete, but the database did not note it, so that agents keep their records: %w; take another one", target, err)
	}
	b.took = o.Now().Sub(began)
	b.Seconds = b.took.Seconds()
	return b, nil
}

// Folder tells whether a folder for backups is there. None is ever made where one
// was named: in the place of a disk that is not mounted it would fill the disk
// that the backups are to outlive.
func Folder(dir string) error {
	st, err := os.Stat(dir)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("folder %s is not there; make it (mkdir -p %s) or mount the disk that it is on", dir, dir)
	case err != nil:
		return fmt.Errorf("folder %s: %w; mount the disk that it is on, or name another folder", dir, err)
	case !st.IsDir():
		return fmt.Errorf("%s is a file, a folder is expected; name another one", dir)
	}
	return nil
}

// copyChecked makes a sealed copy of a database and checks all of it.
func copyChecked(ctx context.Context, file, name string, o BackupOptions) (*Report, error) {
	taken, err := copyDatabase(ctx, file, name, o)
	if err != nil {
		return nil, err
	}
	err = alter(ctx, name, `PRAGMA journal_mode = DELETE`,
		`CREATE TABLE `+sealTable+` (taken_ms INTEGER NOT NULL, sum BLOB NOT NULL)`,
		fmt.Sprintf(`INSERT INTO %s VALUES (%d, x'')`, sealTable, taken.UnixMilli()))
	if err != nil {
		return nil, fmt.Errorf("prepare the copy: %w", err)
	}
	v, err := begin(ctx, name, VerifyOptions{
		Backup: true, Progress: func(done, total int64) { o.Progress("checking records", done, total) },
		Repair: "the database has this damage too: see server verify, and restore an older backup",
	})
	if err != nil {
		return nil, err
	}
	v.rep.File = "the copy of " + file
	sum, err := func() ([]byte, error) {
		defer v.end()
		if err := v.run(ctx); err != nil {
			return nil, err
		}
		return v.sum, v.rep.Err()
	}()
	if err != nil {
		return nil, err
	}
	if err := alter(ctx, name, fmt.Sprintf(`UPDATE %s SET sum = x'%x'`, sealTable, sum)); err != nil {
		return nil, fmt.Errorf("seal the copy: %w", err)
	}
	s, err := sealOf(ctx, name)
	if err != nil {
		return nil, err
	}
	if string(s.sum) != string(sum) {
		return nil, fmt.Errorf("%w: the seal reads %x, %x was written", store.ErrDamaged, s.sum, sum)
	}
	return v.rep, nil
}

// copyDatabase copies the pages of one snapshot in steps. The database can be
// written meanwhile. It returns the instant of the snapshot.
func copyDatabase(ctx context.Context, file, name string, o BackupOptions) (taken time.Time, err error) {
	src, err := raw(ctx, file, readPragmas)
	if err != nil {
		return taken, err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	// A transaction that reads holds the snapshot: without it every write of
	// the server would make the copy begin anew.
	if _, err := src.Exec(`BEGIN; SELECT writes FROM meta`, nil); err != nil {
		return taken, err
	}
	taken = o.Now().Truncate(time.Millisecond)
	dst, err := raw(ctx, name, "_journal=MEMORY&_synchronous=OFF")
	if err != nil {
		return taken, err
	}
	defer func() { err = errors.Join(err, dst.Close()) }()
	b, err := dst.Backup("main", src, "main")
	if err != nil {
		return taken, fmt.Errorf("begin the copy: %w", err)
	}
	defer func() {
		if ferr := b.Finish(); err == nil { // else it says the same again
			err = ferr
		}
	}()
	for idle := 0; ; {
		before := b.Remaining()
		done, err := b.Step(stepPages)
		if err != nil {
			return taken, fmt.Errorf("copy pages: %w", err)
		}
		total := int64(b.PageCount())
		o.Progress("copying pages", total-int64(b.Remaining()), total)
		if done {
			return taken, ctx.Err()
		}
		if idle++; b.Remaining() != before {
			idle = 0
		}
		if idle > 1000 { // 10 s
			return taken, fmt.Errorf("copy pages: %w: %d of %d pages are left and nothing moves", store.ErrInUse, b.Remaining(), total)
		}
		if err := rest(ctx, idle); err != nil {
			return taken, err
		}
	}
}

// rest waits while the other side holds the file, and looks at the context.
func rest(ctx context.Context, idle int) error {
	if idle == 0 {
		return ctx.Err()
	}
	t := time.NewTimer(10 * time.Millisecond)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
	return ctx.Err()
}

// raw opens a connection outside any pool.
func raw(ctx context.Context, file, pragmas string) (*sqlite3.SQLiteConn, error) {
	c, err := connector{dsn(file, pragmas)}.Connect(ctx)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", file, err)
	}
	return c.(*sqlite3.SQLiteConn), nil
}

var _ driver.Conn = (*sqlite3.SQLiteConn)(nil)

// alter executes statements on a database that nobody else has open.
func alter(ctx context.Context, file string, statements ...string) error {
	c, err := raw(ctx, file, "_synchronous=FULL&_foreign_keys=1")
	if err != nil {
		return err
	}
	for _, s := range statements {
		if _, err := c.ExecContext(ctx, s, nil); err != nil {
			return errors.Join(fmt.Errorf("%.40s: %w", s, err), c.Close())
		}
	}
	return c.Close()
}

// sealOf reads the seal of a backup: without it the backup is not complete.
func sealOf(ctx context.Context, file string) (*stamp, error) {
	db := sql.OpenDB(connector{dsn(file, readPragmas+"&immutable=1")})
	defer db.Close()
	conn, err := db.Conn(ctx)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", file, err)
	}
	defer conn.Close()
	s, err := readSeal(ctx, conn)
	switch {
	case err != nil:
		return nil, fmt.Errorf("read the seal of %s: %w", file, err)
	case s == nil || len(s.sum) != sha256.Size:
		return nil, fmt.Errorf("%s is not a finished backup: it has no seal", file)
	}
	return s, nil
}

// errTarget says that something else lies in the place of a backup. What is
// wrong with that tells nothing about the database.
var errTarget = errors.New("the target exists and is not replaced")

func notReplaced(err error) error {
	return fmt.Errorf("%w: %w; name another file, or remove this one yourself", errTarget, err)
}

// replaceable tells whether a new backup may take the place of target.
func replaceable(ctx context.Context, target string, fresh *Report) error {
	if _, err := os.Lstat(target); errors.Is(err, os.ErrNotExist) {
		return nil
	}
	s, err := sealOf(ctx, target)
	if err != nil {
		return notReplaced(err)
	}
	var old []byte
	db := sql.OpenDB(connector{dsn(target, readPragmas+"&immutable=1")})
	defer db.Close()
	if err := db.QueryRowContext(ctx, `SELECT incarnation FROM meta`).Scan(&old); err != nil {
		return notReplaced(err)
	}
	if hex.EncodeToString(old) != fresh.Incarnation {
		return notReplaced(fmt.Errorf("it is of incarnation %x, this database is %s", old, fresh.Incarnation))
	}
	if !s.taken.Before(fresh.Taken) {
		return notReplaced(fmt.Errorf("it was taken at %s, this backup at %s", s.taken.Format(time.RFC3339), fresh.Taken.Format(time.RFC3339)))
	}
	return nil
}

func sumFile(file string) (size int64, sum string, err error) {
	f, err := os.Open(file)
	if err != nil {
		return 0, "", err
	}
	defer f.Close()
	h := sha256.New()
	size, err = io.Copy(h, f)
	return size, hex.EncodeToString(h.Sum(nil)), err
}

// noteBackup tells the database what is safe. A server that has it open notices
// the write and reads its streams again.
func noteBackup(ctx context.Context, file string, b *Backup) error {
	db := sql.OpenDB(connector{dsn(file, writePragmas+"&mode=rw")})
	defer db.Close()
	db.SetMaxOpenConns(1)
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	var now []byte
	if err := tx.QueryRowContext(ctx, `SELECT incarnation FROM meta`).Scan(&now); err != nil {
		return err
	}
	if hex.EncodeToString(now) != b.Incarnation {
		return fmt.Errorf("the database was restored meanwhile: it is now of incarnation %x, the backup of %s", now, b.Incarnation)
	}
	for stream, acked := range b.acked {
		if _, err := tx.ExecContext(ctx, `UPDATE stream SET horizon = max(horizon, min(?, acked)) WHERE id = ?`, int64(acked), stream[:]); err != nil {
			return err
		}
	}
	if _, err := tx.ExecContext(ctx, `INSERT OR REPLACE INTO backup (taken_ms, file, bytes, records) VALUES (?, ?, ?, ?)`, b.Taken.UnixMilli(), b.File, b.Bytes, b.Records); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM backup_failure`); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM backup WHERE taken_ms NOT IN (SELECT taken_ms FROM backup ORDER BY taken_ms DESC LIMIT 100)`); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE meta SET writes = writes + 1`); err != nil {
		return err
	}
	return tx.Commit()
}

// LastBackup tells when the newest verified backup was taken and where it is;
// zero where there is none. created is when the database was.
func (s *Store) LastBackup(ctx context.Context) (taken time.Time, file string, created time.Time, err error) {
	var at, made sql.NullInt64
	var name sql.NullString
	err = s.read.QueryRowContext(ctx, `SELECT b.taken_ms, b.file, m.created_ms FROM meta m LEFT JOIN backup b ON b.taken_ms = (SELECT max(taken_ms) FROM backup)`).Scan(&at, &name, &made)
	if err != nil {
		return taken, "", created, fmt.Errorf("sqlite: read the newest backup: %w", err)
	}
	if at.Valid {
		taken = ms(at.Int64)
	}
	return taken, name.String, ms(made.Int64), nil
}

// NoteBackupFailure keeps why a backup could not be taken, until one is.
func (s *Store) NoteBackupFailure(ctx context.Context, at time.Time, text string) error {
	return s.transact(ctx, "note of a backup that failed", func(ctx context.Context, w *writer) error {
		_, err := w.exec(ctx, `INSERT OR REPLACE INTO backup_failure (id, at_ms, error) VALUES (1, ?, ?)`, at.UnixMilli(), text)
		return err
	})
}

// BackupFailure is the newest attempt since the newest backup that failed; zero
// where none did.
func (s *Store) BackupFailure(ctx context.Context) (at time.Time, text string, err error) {
	var n int64
	err = s.read.QueryRowContext(ctx, `SELECT at_ms, error FROM backup_failure`).Scan(&n, &text)
	if errors.Is(err, sql.ErrNoRows) {
		return at, "", nil
	}
	if err != nil {
		return at, "", fmt.Errorf("sqlite: read the newest backup that failed: %w", err)
	}
	return ms(n), text, nil
}
