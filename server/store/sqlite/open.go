// Package sqlite keeps a mill's books in one SQLite file.
//
// The one rule: what Commit returns as acknowledged is on the disk, because
// the file is written at full synchronisation through one connection, and
// nothing is believed about a transaction whose COMMIT gave an error. Sums are
// kept beside the records, so that no question has to read the records again.
//
// It is not for several servers: one process writes the file ([Hold]), others
// may read the views of VIEWS.md. BACKUP.md tells what a backup, a restore and
// a verification promise. It takes no backup by itself; package host does.
package sqlite

import (
	"cmp"
	"context"
	"database/sql"
	"database/sql/driver"
	"embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/mattn/go-sqlite3"
	"github.com/pressly/goose/v3"

	"turnwise/server/store"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Options tunes a Store. The zero value works.
type Options struct {
	// Log hears of refused records and frozen streams. Nil means slog.Default.
	Log *slog.Logger
	// Now tells the time. Nil means time.Now.
	Now func() time.Time
	// Cache is how many bytes of pages each connection keeps; 0 means 32 MiB.
	// There are five connections.
	Cache int64
}

// Store is a [store.Store] in one SQLite file. Its methods may be called from
// any goroutine; writers wait for each other, readers for nobody.
type Store struct {
	file string
	used io.Closer // says that the file is open
	keep string    // setting of the page cache, for [dsn]
	log  *slog.Logger
	now  func() time.Time
	read *sql.DB

	mu      sync.Mutex // held by writers; guards what follows
	write   *sql.DB
	w       *writer         // nil after a fault, until the next writer opens it again
	unequal map[string]bool // machines to which older rules gave other sums than today's

	heads heads
}

var _ store.Store = (*Store)(nil)

const (
	writePragmas = "_journal=WAL&_synchronous=FULL&_txlock=immediate&_busy_timeout=10000&_foreign_keys=1"
	readPragmas  = "mode=ro&_query_only=1&_busy_timeout=10000&_foreign_keys=1"
	maxReaders   = 4

	usualCache = 32 << 20
)

// Open opens the database file, creating it and its folder where they are
// missing, and brings its schema up to date. A file that a newer version has
// written gives [store.ErrNewerSchema] and stays as it is.
func Open(ctx context.Context, file string, o Options) (*Store, error) {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	abs, err := filepath.Abs(file)
	if err != nil {
		return nil, fmt.Errorf("sqlite: open %s: %w", file, err)
	}
	if err := writable(abs); err != nil {
		return nil, err
	}
	used, err := share(abs)
	if err != nil {
		return nil, err
	}
	s := &Store{file: abs, used: used, keep: pageCache(cmp.Or(o.Cache, usualCache)), log: o.Log, now: o.Now}
	if err := s.open(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// present makes sure that there are records in a file, for those who do not make it.
func present(file string) error {
	const repair = "correct database.file in the configuration (-c), or start the server once, which makes the records"
	st, err := os.Stat(file)
	switch {
	case err != nil:
		return fmt.Errorf("%w; %s", err, repair)
	case !st.Mode().IsRegular():
		return fmt.Errorf("%s is a folder or a device, a file is expected; %s", file, repair)
	case st.Size() == 0:
		return fmt.Errorf("%s is empty, records are expected; %s", file, repair)
	}
	return nil
}

// readableBackup makes sure that a backup can be read at all; what is in it is for others to say.
func readableBackup(file string) error {
	f, err := os.Open(file)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return asOwner(err)
	case err != nil:
		return fmt.Errorf("%w; name a backup that is there", err)
	}
	defer f.Close()
	if st, err := f.Stat(); err != nil || !st.Mode().IsRegular() {
		return fmt.Errorf("%s is a folder or a device, a file is expected; name a backup", file)
	}
	return nil
}

// asOwner says what to do about files that this user may not use.
func asOwner(err error) error {
	e, ok := errors.AsType[sqlite3.Error](err)
	if errors.Is(err, fs.ErrPermission) || ok && (e.Code == sqlite3.ErrCantOpen || e.Code == sqlite3.ErrPerm || e.Code == sqlite3.ErrReadonly) {
		return fmt.Errorf("%w; run it as the user of the server, or give this one the right to read and write there", err)
	}
	return err
}

// OpenBeside opens a database for one short task, beside a server that may run on
// it. A schema that is older than this program's is brought up to date only where
// none does, else the error is [store.ErrInUse]: that server does not know the newer one.
func OpenBeside(ctx context.Context, file string, o Options) (*Store, error) {
	if err := present(file); err != nil {
		return nil, fmt.Errorf("sqlite: %w", err)
	}
	used, err := share(file) // before it is read: SQLite would wait for its own lock
	if err != nil {
		return nil, err
	}
	defer used.Close()
	if olderSchema(ctx, file) {
		lock, err := Hold(file)
		if err != nil {
			return nil, fmt.Errorf("sqlite: the schema of %s is older than this program's, which brings it up to date where no server runs: %w", file, err)
		}
		defer lock.Free()
	}
	return Open(ctx, file, o)
}

// olderSchema tells whether a database has to be brought up to date.
// What cannot be read is told by who opens it.
func olderSchema(ctx context.Context, file string) bool {
	db := sql.OpenDB(connector{dsn(file, readPragmas)})
	defer db.Close()
	var n int64
	err := db.QueryRowContext(ctx, `SELECT max(version_id) FROM goose_db_version WHERE is_applied`).Scan(&n)
	return err == nil && n < newestSchema
}

func (s *Store) open(ctx context.Context) error {
	if err := s.look(ctx); err != nil {
		return err
	}
	if err := s.migrate(ctx); err != nil {
		return err
	}
	s.write = sql.OpenDB(connector{dsn(s.file, s.keep+writePragmas)})
	s.write.SetMaxOpenConns(1)
	s.read = sql.OpenDB(connector{dsn(s.file, s.keep+readPragmas)})
	s.read.SetMaxOpenConns(maxReaders)
	s.read.SetMaxIdleConns(maxReaders)
	if err := s.connect(ctx); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	w, err := s.writer(ctx)
	if err != nil {
		return err
	}
	if err := s.learn(ctx, w); err != nil {
		return err
	}
	if err := s.standFirst(ctx, w); err != nil {
		return err
	}
	return s.heads.load(ctx, w.conn)
}

// connect opens all readers: where descriptors are short the start says it, not
// some busy hour, and what the store holds does not rise later.
func (s *Store) connect(ctx context.Context) error {
	for range maxReaders {
		c, err := s.read.Conn(ctx)
		if err != nil {
			return fmt.Errorf("sqlite: open %s: %w", s.file, err)
		}
		defer c.Close() // only back to the others: they stay open
	}
	return nil
}

// writable makes sure of the folder and of the right to write in it. SQLite
// itself would only say "unable to open database file".
func writable(file string) error {
	dir := filepath.Dir(file)
	const repair = "give the server's user write permission there, or name another file in database.file"
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("sqlite: open %s: make its folder %s: %w; %s", file, dir, err, repair)
	}
	if st, err := os.Stat(file); err == nil && st.IsDir() {
		return fmt.Errorf("sqlite: open %s: it is a folder, a file is expected; name a file in database.file", file)
	}
	// The journal of the database is a file beside it, so that the folder must
	// be writable too.
	probe, err := os.CreateTemp(dir, ".write-probe-*")
	if err != nil {
		return fmt.Errorf("sqlite: open %s: folder %s cannot be written: %w; %s", file, dir, err, repair)
	}
	_ = probe.Close()
	if err := os.Remove(probe.Name()); err != nil {
		return fmt.Errorf("sqlite: open %s: folder %s cannot be written: %w; %s", file, dir, err, repair)
	}
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("sqlite: open %s: %w; %s", file, err, repair)
	}
	// A new name is durable only when its folder is synced.
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync() // some file systems refuse it for folders
		_ = d.Close()
	}
	return f.Close()
}

// dsn names a connection. Of a setting that is given twice the first one holds.
func dsn(file, pragmas string) string {
	return "file:" + (&url.URL{Path: file}).EscapedPath() + "?" + strings.TrimSuffix(pragmas+"&"+pageCache(usualCache), "&")
}

// pageCache is the setting of a connection that keeps so many bytes of pages.
func pageCache(bytes int64) string { return fmt.Sprintf("_cache_size=-%d&", max(bytes>>10, 1)) }

// connector opens connections with the settings that no DSN has.
type connector struct{ dsn string }

func (c connector) Driver() driver.Driver { return &sqlite3.SQLiteDriver{ConnectHook: onConnect} }

func (c connector) Connect(context.Context) (driver.Conn, error) { return c.Driver().Open(c.dsn) }

func onConnect(c *sqlite3.SQLiteConn) error {
	// cell_size_check finds some damage at once that would otherwise spread.
	if err := registerGuard(c); err != nil {
		return err
	}
	_, err := c.Exec(`PRAGMA cell_size_check = ON; PRAGMA journal_size_limit = 67108864;`, nil)
	return err
}

// migrate brings the schema up to date. Each step is a transaction: killed
// midway the file is the old one.
func (s *Store) migrate(ctx context.Context) error {
	pragmas := writePragmas
	if st, err := os.Stat(s.file); err == nil && st.Size() == 0 {
		pragmas += fmt.Sprintf("&_auto_vacuum=%d", incremental)
	}
	db := sql.OpenDB(connector{dsn(s.file, pragmas)})
	defer db.Close()
	if err := s.foreign(ctx); err != nil {
		return fmt.Errorf("sqlite: open %s: %w; it is left as it was, name another file in database.file", s.file, err)
	}
	steps, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return fmt.Errorf("sqlite: migrations: %w", err)
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db, steps)
	if err != nil {
		return fmt.Errorf("sqlite: migrations: %w", err)
	}
	have, want, err := p.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("sqlite: read the schema version of %s: %w; if the file is damaged, keep it and restore a backup under another name", s.file, err)
	}
	if have > want {
		return fmt.Errorf("sqlite: open %s: %w: its schema is version %d, this server knows up to %d; start the newer server again, or restore a backup made before the upgrade",
			s.file, store.ErrNewerSchema, have, want)
	}
	if have < want {
		if _, err := p.Up(ctx); err != nil {
			return fmt.Errorf("sqlite: bring %s from schema %d to %d: %w", s.file, have, want, err)
		}
	}
	if err := guard(ctx, db); err != nil {
		return fmt.Errorf("sqlite: guard the tables of %s: %w", s.file, err)
	}
	return nil
}

// foreign finds a database that another program made. A file that cannot be
// read is the business of what comes next.
func (s *Store) foreign(ctx context.Context) error {
	db := sql.OpenDB(connector{dsn(s.file, "_busy_timeout=10000")}) // our settings would change the file
	defer db.Close()
	var table string
	err := db.QueryRowContext(ctx, `SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!'
		AND NOT EXISTS (SELECT 1 FROM sqlite_schema WHERE name = 'goose_db_version') LIMIT 1`).Scan(&table)
	if err != nil {
		return nil // no such table, or damaged
	}
	return fmt.Errorf("it has a table %q, but no schema version: another program's database", table)
}

// Close frees the file. Transactions in progress end first.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	var errs []error
	// The last connection folds the journal into the file; a reader could not.
	if s.read != nil {
		errs = append(errs, s.read.Close())
	}
	if s.w != nil {
		s.w.close()
		s.w = nil
	}
	if s.write != nil {
		errs = append(errs, s.write.Close())
		s.write = nil
	}
	if s.used != nil {
		errs = append(errs, s.used.Close())
		s.used = nil
	}
	return errors.Join(errs...)
}

// Incarnation was stamped when the database was created or restored.
func (s *Store) Incarnation(ctx context.Context) (store.ID, error) {
	var b []byte
	if err := s.read.QueryRowContext(ctx, `SELECT incarnation FROM meta`).Scan(&b); err != nil {
		return store.ID{}, fmt.Errorf("sqlite: read the incarnation: %w", err)
	}
	return id(b), nil
}

// id copies the bytes of an identity.
func id(b []byte) (i store.ID) {
	copy(i[:], b)
	return i
}
