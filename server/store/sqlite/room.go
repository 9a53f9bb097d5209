package sqlite

import (
	"context"
	"database/sql"
	"fmt"
)

// FileRoom is how big a database is and how much of it is free.
type FileRoom struct {
	Bytes int64 `json:"file_bytes"` // without its journal
	Free  int64 `json:"free_bytes"` // of them; written again before the file grows
	// Gives tells that [Store.GiveBack] can make the file smaller. Files that were
	// made before it could are made anew once, by [Shrink].
	Gives bool `json:"gives_back"`
}

// incremental is the setting of a file that can give pages back. It holds where
// it is set before the first table is made.
const incremental = 2

// Bounds of giving back.
const (
	// slackShare of the file stays free, and leastSlack at the least: what is
	// taken in before the next prune needs it again.
	slackShare = 20
	leastSlack = 4 << 20
	// givePages are given back in a transaction: a megabyte.
	givePages = 256
)

// Surplus is how many free bytes are more than what is soon written again.
func (r FileRoom) Surplus() int64 { return max(r.Free-max(r.Bytes/slackShare, leastSlack), 0) }

func readRoom(ctx context.Context, q interface {
	QueryRowContext(context.Context, string, ...any) *sql.Row
}) (r FileRoom, page int64, err error) {
	var pages, free, vacuum int64
	err = q.QueryRowContext(ctx, `SELECT page_count, freelist_count, page_size, auto_vacuum FROM pragma_page_count, pragma_freelist_count, pragma_page_size, pragma_auto_vacuum`).
		Scan(&pages, &free, &page, &vacuum)
	return FileRoom{Bytes: pages * page, Free: free * page, Gives: vacuum == incremental}, page, err
}

// Room tells how big the file is.
func (s *Store) Room(ctx context.Context) (FileRoom, error) {
	r, _, err := readRoom(ctx, s.read)
	if err != nil {
		return r, fmt.Errorf("sqlite: read the size of %s: %w", s.file, err)
	}
	return r, nil
}

// GiveBack gives surplus room of the file back to the disk, a megabyte in a
// transaction. rest is called before each one, when nothing is held; its error
// ends the work. It returns how many bytes were given back; 0 where the file
// cannot, or has no surplus.
func (s *Store) GiveBack(ctx context.Context, rest func(context.Context) error) (given int64, err error) {
	for {
		if err := rest(ctx); err != nil {
			return given, err
		}
		if err := ctx.Err(); err != nil {
			return given, err
		}
		var some int64
		err := s.transact(ctx, "giving room back", func(ctx context.Context, w *writer) error {
			before, page, err := readRoom(ctx, w.conn)
			if err != nil {
				return err
			}
			n := min(before.Surplus()/page, givePages)
			if !before.Gives || n == 0 {
				return errRollback
			}
			// It gives a page with every row that is read.
			if err := each(ctx, w.conn, func(*sql.Rows) error { return nil }, fmt.Sprintf(`PRAGMA incremental_vacuum(%d)`, n)); err != nil {
				return err
			}
			after, _, err := readRoom(ctx, w.conn)
			some = before.Bytes - after.Bytes
			return err
		})
		if err != nil {
			return given, err
		}
		if some <= 0 {
			return given, s.fold(ctx, given > 0)
		}
		given += some
	}
}

// fold writes the journal into the file, as far as no reader needs it, by which
// the file becomes shorter.
func (s *Store) fold(ctx context.Context, need bool) error {
	if !need {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	w, err := s.writer(ctx)
	if err != nil {
		return err
	}
	var busy, frames, done int
	if err := w.conn.QueryRowContext(ctx, `PRAGMA wal_checkpoint(PASSIVE)`).Scan(&busy, &frames, &done); err != nil {
		return fmt.Errorf("sqlite: fold the journal of %s: %w", s.file, err)
	}
	return nil
}
