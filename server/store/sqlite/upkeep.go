package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"turnwise/server/ingest/sealed"
	"turnwise/server/store"
)

// recentBackups is how far back backups are listed one by one.
const recentBackups = 14 * 24 * time.Hour

// NotePrune keeps how a prune ended, in the place of the one before.
func (s *Store) NotePrune(ctx context.Context, p store.Prune) error {
	held, err := json.Marshal(append([]store.Held{}, p.Held...))
	if err != nil {
		return fmt.Errorf("sqlite: note of a prune: %w", err)
	}
	before := sql.NullInt64{Int64: p.Before.UnixMilli(), Valid: !p.Before.IsZero()}
	return s.transact(ctx, "note of a prune", func(ctx context.Context, w *writer) error {
		_, err := w.exec(ctx, `INSERT OR REPLACE INTO prune_run (id, at_ms, before_ms, records, given, held, error) VALUES (1, ?, ?, ?, ?, ?, ?)`,
			p.At.UnixMilli(), before, p.Records, p.Given, string(held), p.Error)
		return err
	})
}

func readPrune(ctx context.Context, conn *sql.Conn) (*store.Prune, error) {
	p := new(store.Prune)
	var at int64
	var before sql.NullInt64
	var held []byte
	err := conn.QueryRowContext(ctx, `SELECT at_ms, before_ms, records, given, held, error FROM prune_run`).Scan(&at, &before, &p.Records, &p.Given, &held, &p.Error)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	if p.At = ms(at); before.Valid {
		p.Before = ms(before.Int64)
	}
	if err := json.Unmarshal(held, &p.Held); err != nil {
		return nil, fmt.Errorf("note of a prune: %w: %w", store.ErrDamaged, err)
	}
	return p, nil
}

// setBackQuery finds the newest stream that began after the server's clock was set back.
const setBackQuery = `SELECT s.back_ms, s.met_ms, m.id FROM stream s JOIN machine m ON m.num = s.machine_num
	WHERE s.back_ms > 0 AND s.met_ms IS NOT NULL ORDER BY s.met_ms DESC, s.num DESC LIMIT 1`

// SetBack is the newest time that a stream began behind what was read before it; nil = none did.
func (s *Store) SetBack(ctx context.Context) (*store.SetBack, error) {
	b, err := readSetBack(s.read.QueryRowContext(ctx, setBackQuery))
	if err != nil {
		return nil, fmt.Errorf("sqlite: was the clock set back: %w", err)
	}
	return b, nil
}

func readSetBack(row scanner) (*store.SetBack, error) {
	b := new(store.SetBack)
	var by, met int64
	err := row.Scan(&by, &met, &b.Machine)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	b.By, b.Seen = time.Duration(by)*time.Millisecond, ms(met)
	return b, nil
}

// Upkeep tells what the database knows of how it is kept, as of one moment, and
// about how many records of before an instant may be dropped; a zero instant asks
// for none. It reads some records of each stream, and holds nobody up.
func (s *Store) Upkeep(ctx context.Context, now, before time.Time) (u store.Upkeep, err error) {
	err = s.snapshot(ctx, func(v *verifier) error {
		w := v.w
		room, _, err := readRoom(ctx, w.conn)
		if err != nil {
			return err
		}
		u.FileBytes, u.FreeBytes, u.GivesBack = room.Bytes, room.Free, room.Gives
		if u.LastPrune, err = readPrune(ctx, w.conn); err != nil {
			return err
		}
		var made int64
		if err := w.row(ctx, `SELECT created_ms FROM meta`).Scan(&made); err != nil {
			return err
		}
		u.Created = ms(made)
		if u.SetBack, err = readSetBack(w.row(ctx, setBackQuery)); err != nil {
			return err
		}
		if u.Backups, err = readCopies(ctx, w.conn, now.Add(-recentBackups)); err != nil {
			return err
		}
		for _, st := range w.Streams {
			gone := w.dropped[st.Num]
			u.Records += st.Records - gone.records
			u.Dropped += gone.records
			oldest, err := w.oldest(ctx, st)
			if err != nil {
				return err
			}
			if !oldest.IsZero() && (u.Oldest.IsZero() || oldest.Before(u.Oldest)) {
				u.Oldest = oldest
			}
			if before.IsZero() || oldest.IsZero() || !oldest.Before(before) {
				continue
			}
			last, err := w.newestBefore(ctx, st, gone.last, min(st.Acked, st.Horizon), before.UnixMilli())
			if err != nil {
				return err
			}
			u.NextCount += min(int64(last-gone.last), st.Records-gone.records)
		}
		return nil
	})
	if err != nil {
		return u, fmt.Errorf("sqlite: how %s is kept: %w", s.file, err)
	}
	return u, nil
}

// oldest is the instant of the oldest record of a stream that is left; zero where
// none is, or it tells no time.
func (w *writer) oldest(ctx context.Context, st *stream) (time.Time, error) {
	r := store.Record{}
	var seq int64
	var body []byte
	err := w.row(ctx, `SELECT seq, body FROM record WHERE stream_num = ? ORDER BY seq LIMIT 1`, st.Num).Scan(&seq, &body)
	if errors.Is(err, sql.ErrNoRows) {
		return time.Time{}, nil
	}
	if err != nil {
		return time.Time{}, err
	}
	r.Seq = uint64(seq)
	if sealed.Decode(body, &r) != nil || r.Boottime == 0 && r.Wall == 0 {
		return time.Time{}, nil // it is kept, and nobody can read it
	}
	return ms(st.Places.Or(r.Boot, r.Boottime, r.Wall)), nil
}

// readCopies lists the newest backup and those since an instant, newest first.
func readCopies(ctx context.Context, q querier, since time.Time) (list []store.Copy, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var c store.Copy
		var at int64
		err := rows.Scan(&at, &c.File, &c.Bytes, &c.Records)
		c.Taken = ms(at)
		list = append(list, c)
		return err
	}, `SELECT taken_ms, file, bytes, records FROM backup WHERE taken_ms >= ? OR taken_ms = (SELECT max(taken_ms) FROM backup) ORDER BY taken_ms DESC`, since.UnixMilli())
	return list, err
}
