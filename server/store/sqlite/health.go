package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"

	"github.com/mattn/go-sqlite3"

	"turnwise/proto/wire"
	"turnwise/server/store"
)

// Bounds of the look at a database before it is opened. A large file is not
// read whole at every start; the daily backup does that.
const (
	lookFor    = 10 * time.Second
	lookNewest = 1000 // records of each stream
)

// look checks a database that is to be opened: SQLite's own quick check, and
// the check sums of the newest records. Damage is [store.ErrDamaged]: nobody
// may read on as if nothing were.
func (s *Store) look(ctx context.Context) error {
	if _, err := os.Stat(s.file + readySuffix); err == nil {
		return fmt.Errorf("sqlite: open %s: a restore was not ended: %s lies beside it; repeat the restore, or start the server, which ends it", s.file, s.file+readySuffix)
	}
	if st, err := os.Stat(s.file); err != nil || st.Size() == 0 {
		return err
	}
	within, cancel := context.WithTimeout(ctx, lookFor)
	defer cancel()
	db := sql.OpenDB(connector{dsn(s.file, readPragmas)})
	defer db.Close()
	db.SetMaxOpenConns(1)
	err := quickCheck(within, db)
	if err == nil {
		err = newestRecords(within, db)
	}
	switch {
	case err == nil:
		return nil
	case ctx.Err() == nil && within.Err() != nil:
		s.log.Info("database is large, checked in part at the start", "file", s.file, "within", lookFor)
		return nil
	case errors.Is(err, store.ErrDamaged) || fromContent(err):
		return fmt.Errorf("sqlite: open %s: the database is %w: %w; %s", s.file, store.ErrDamaged, err, repairDamage)
	}
	return fmt.Errorf("sqlite: open %s: %w", s.file, err)
}

func quickCheck(ctx context.Context, db *sql.DB) error {
	return each(ctx, db, func(rows *sql.Rows) error {
		var text string
		if err := rows.Scan(&text); err != nil {
			return err
		}
		if text != "ok" {
			return fmt.Errorf("quick_check says: %s: %w", text, store.ErrDamaged)
		}
		return nil
	}, `PRAGMA quick_check(1)`)
}

func newestRecords(ctx context.Context, db *sql.DB) error {
	var streams []chain
	var tables int
	if err := db.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE name IN ('stream', 'record', 'dropped')`).Scan(&tables); err != nil || tables < 2 {
		return err // nothing in it yet
	}
	err := each(ctx, db, func(rows *sql.Rows) error {
		var c chain
		var b []byte
		var acked int64
		if err := rows.Scan(&c.num, &b, &acked); err != nil {
			return err
		}
		c.id, c.acked = id(b), uint64(acked)
		streams = append(streams, c)
		return nil
	}, `SELECT num, id, acked FROM stream`)
	if err != nil {
		return err
	}
	gone := map[int64]int64{} // newest dropped records
	if tables == 3 {
		err := each(ctx, db, func(rows *sql.Rows) error {
			var num, last int64
			err := rows.Scan(&num, &last)
			gone[num] = last
			return err
		}, `SELECT stream_num, last_seq FROM dropped`) // columns of the first schema that has it
		if err != nil {
			return err
		}
	}
	for _, c := range streams {
		newest := uint64(gone[c.num])
		err := each(ctx, db, func(rows *sql.Rows) error {
			var seq, kind, kept int64
			var body sql.RawBytes
			if err := rows.Scan(&seq, &kind, &kept, &body); err != nil {
				return err
			}
			crc := crcOf(kind, kept)
			newest = max(newest, uint64(seq))
			if got := wire.RecordCRC(c.id[:], uint64(seq), body); got != crc {
				return fmt.Errorf("record %d of stream %x: found bytes with check sum %08x, expected %08x: %w", seq, c.id, got, crc, store.ErrDamaged)
			}
			return nil
		}, `SELECT seq, kind, crc, body FROM record WHERE stream_num = ? ORDER BY seq DESC LIMIT ?`, c.num, lookNewest)
		if err != nil {
			return err
		}
		if newest < c.acked {
			return fmt.Errorf("stream %x: found records up to %d, expected up to %d, which was acknowledged: %w", c.id, newest, c.acked, store.ErrDamaged)
		}
	}
	return nil
}

// IsFull tells that an error of the store comes from a full disk, or from a
// size that the system does not allow. What was asked for has not happened.
func IsFull(err error) bool {
	if e, ok := errors.AsType[sqlite3.Error](err); ok {
		return e.Code == sqlite3.ErrFull || errors.Is(e.SystemErrno, syscall.ENOSPC) || errors.Is(e.SystemErrno, syscall.EDQUOT) || errors.Is(e.SystemErrno, syscall.EFBIG)
	}
	return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT)
}

// Shorten gives the room of the database's journal back to the disk.
func (s *Store) Shorten(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	w, err := s.writer(ctx)
	if err != nil {
		return err
	}
	var busy, frames, done int
	if err := w.conn.QueryRowContext(ctx, `PRAGMA wal_checkpoint(TRUNCATE)`).Scan(&busy, &frames, &done); err != nil {
		return fmt.Errorf("sqlite: shorten the journal of %s: %w", s.file, err)
	}
	return nil
}
