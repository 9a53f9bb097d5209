package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"

	"turnwise/server/store"
)

// AddLoad records cones put on a feed group.
func (s *Store) AddLoad(ctx context.Context, l store.Load) (int64, error) {
	if err := checkLoad(l); err != nil {
		return 0, err
	}
	var id int64
	err := s.transact(ctx, "load on machine "+l.Machine, func(ctx context.Context, w *writer) error {
		m := w.machines[l.Machine]
		if m == nil {
			return fmt.Errorf("load on machine %q: %w", l.Machine, store.ErrNotFound)
		}
		request := sql.NullString{String: l.RequestID, Valid: l.RequestID != ""}
		if request.Valid {
			err := w.row(ctx, `SELECT id FROM creel_load WHERE request_id = ?`, request).Scan(&id)
			if !errors.Is(err, sql.ErrNoRows) {
				return err
			}
		}
		var err error
		id, err = w.addLoad(ctx, m.num, l, request)
		return err
	})
	return id, err
}

func (w *writer) addLoad(ctx context.Context, machine int64, l store.Load, request sql.NullString) (int64, error) {
	res, err := w.exec(ctx, `INSERT INTO creel_load (machine_num, feed_group, cones, lot, cone_kg, at_ms, revolutions, request_id) VALUES (?, ?, ?, ?, ?, ?, ?, ?)`,
		machine, l.Group, l.Cones, l.Lot, l.ConeKg, l.At.UnixMilli(), l.Revolutions, request)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

func checkLoad(l store.Load) error {
	switch {
	case l.Cones < 1 || l.Cones > 10_000:
		return fmt.Errorf("load on machine %s: %d cones: %w: 1 to 10000 are expected", l.Machine, l.Cones, store.ErrInvalid)
	case !(l.ConeKg >= 0 && l.ConeKg <= 100):
		return fmt.Errorf("load on machine %s: %g kg in a cone: %w: 0 to 100 are expected", l.Machine, l.ConeKg, store.ErrInvalid)
	case l.Group == "" || len(l.Group) > maxText || len(l.Lot) > maxText || len(l.RequestID) > maxText:
		return fmt.Errorf("load on machine %s: feed group %.40q, lot %.40q: %w: texts of at most %d bytes and a feed group are expected", l.Machine, l.Group, l.Lot, store.ErrInvalid, maxText)
	case l.At.IsZero():
		return fmt.Errorf("load on machine %s: %w: an instant is expected", l.Machine, store.ErrInvalid)
	}
	return nil
}

// UndoLoad takes a load back. It stays in the file, marked.
func (s *Store) UndoLoad(ctx context.Context, machine string, id int64) error {
	return s.transact(ctx, "undo of a load", func(ctx context.Context, w *writer) error {
		m := w.machines[machine]
		if m == nil {
			return fmt.Errorf("undo load %d of machine %q: %w", id, machine, store.ErrNotFound)
		}
		res, err := w.exec(ctx, `UPDATE creel_load SET undone = 1 WHERE id = ? AND machine_num = ?`, id, m.num)
		if err != nil {
			return err
		}
		if n, err := res.RowsAffected(); err != nil || n == 0 {
			return errors.Join(err, fmt.Errorf("undo load %d of machine %s: %w", id, machine, store.ErrNotFound))
		}
		return nil
	})
}

// Loads returns the loads that may still have cones running: of each feed
// group the newest ones that together fill its feeds, as the card that the
// machine knits now has them. Without a card that is the newest load.
func (s *Store) Loads(ctx context.Context) ([]store.Load, error) {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("sqlite: list loads: %w", err)
	}
	defer tx.Rollback()
	b, err := readBook(ctx, tx)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list loads: %w", err)
	}
	places := placesOfCones(b, s.now().UnixMilli())
	var loads []store.Load
	filled := map[[2]string]int{}
	err = each(ctx, tx, func(rows *sql.Rows) error {
		var l store.Load
		var at int64
		if err := rows.Scan(&l.ID, &l.Machine, &l.Group, &l.Cones, &l.Lot, &l.ConeKg, &at, &l.Revolutions, &l.RequestID); err != nil {
			return err
		}
		k := [2]string{l.Machine, l.Group}
		if n := filled[k]; n > 0 && n >= places[k] {
			return nil
		}
		filled[k] += l.Cones
		l.At = ms(at)
		loads = append(loads, l)
		return nil
	}, `SELECT l.id, m.id, l.feed_group, l.cones, l.lot, l.cone_kg, l.at_ms, l.revolutions, coalesce(l.request_id, '')
		FROM creel_load l JOIN machine m ON m.num = l.machine_num WHERE l.undone = 0 ORDER BY m.id, l.feed_group, l.revolutions DESC, l.id DESC`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list loads: %w", err)
	}
	slices.Reverse(loads)
	slices.SortStableFunc(loads, func(a, b store.Load) int {
		return slices.Compare([]string{a.Machine, a.Group}, []string{b.Machine, b.Group})
	})
	return loads, nil
}

// placesOfCones tells how many cones run at once on each feed group.
func placesOfCones(b store.Book, now int64) map[[2]string]int {
	cards := index(b.Cards, cardID)
	card := map[string]string{}
	for _, a := range b.Assignments { // by machine and time
		if a.From.UnixMilli() <= now {
			card[a.Machine] = a.Card
		}
	}
	places := map[[2]string]int{}
	for machine, c := range card {
		for _, g := range cards[c].Feeds {
			places[[2]string{machine, g.ID}] = g.Feeders * max(g.Ends, 1)
		}
	}
	return places
}
