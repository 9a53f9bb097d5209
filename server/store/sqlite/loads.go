package sqlite

import (
	"cmp"
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
			return fmt.Errorf("load on %w", store.Unknown("machine", l.Machine))
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
	res, err := w.exec(ctx, `INSERT INTO creel_load (machine_num, feed_group, cones, lot, cone_kg, at_ms, revolutions, request_id, work, positions, places, cone_cv, cone_turns)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		machine, l.Group, l.Cones, l.Lot, l.ConeKg, l.At.UnixMilli(), l.Revolutions, request, cmp.Or(l.Work, store.LoadChange), joined(l.Positions), l.Places, l.ConeCV, l.Turns)
	if err != nil {
		return 0, err
	}
	id, err := res.LastInsertId()
	if err != nil {
		return 0, err
	}
	return id, w.stand(ctx, creelKey{machine, l.Group})
}

// undoLoad takes a load back, and puts back what stood there before.
func (w *writer) undoLoad(ctx context.Context, id int64) error {
	var k creelKey
	if err := w.row(ctx, `UPDATE creel_load SET undone = 1 WHERE id = ? RETURNING machine_num, feed_group`, id).Scan(&k.machine, &k.group); err != nil {
		return err
	}
	return w.stand(ctx, k)
}

func checkLoad(l store.Load) error {
	switch {
	case l.Cones < 1 || l.Cones > 10_000:
		return fmt.Errorf("load on machine %s: %d cones: %w: 1 to 10000 are expected", l.Machine, l.Cones, store.ErrInvalid)
	case !(l.ConeKg >= 0 && l.ConeKg <= 100):
		return fmt.Errorf("load on machine %s: %g kg in a cone: %w: 0 to 100 are expected", l.Machine, l.ConeKg, store.ErrInvalid)
	case l.Group == "" || len(l.Group) > maxText || len(l.Lot) > maxText || len(l.RequestID) > maxText:
		return fmt.Errorf("load on machine %s: feed group %.40q, lot %.40q: %w: texts of at most %d bytes and a feed group are expected", l.Machine, l.Group, l.Lot, store.ErrInvalid, maxText)
	case l.Work != "" && !slices.Contains([]string{store.LoadChange, store.LoadOut, store.LoadTie, store.LoadBeside, store.LoadOff}, l.Work):
		return fmt.Errorf("load on machine %s: work %.40q: %w: change, out, tie, beside or off is expected", l.Machine, l.Work, store.ErrInvalid)
	case !(l.ConeCV >= 0 && l.ConeCV <= 0.5) || !(l.Turns >= 0 && l.Turns <= 1e9) || l.Places < 0 || l.Places > 10_000 || l.Places > 0 && l.Cones > l.Places:
		return fmt.Errorf("load on machine %s: %d cones on %d places, spread %g, %g turns a cone: %w: no more cones than places, a spread of 0 to 0.5 and turns up to 1e9 are expected", l.Machine, l.Cones, l.Places, l.ConeCV, l.Turns, store.ErrInvalid)
	case len(l.Positions) > 0 && badPositions(l):
		return fmt.Errorf("load on machine %s: positions %v: %w: one for each of %d cones, each once, of 1 to %d, are expected", l.Machine, l.Positions, store.ErrInvalid, l.Cones, l.Places)
	case l.At.IsZero():
		return fmt.Errorf("load on machine %s: %w: an instant is expected", l.Machine, store.ErrInvalid)
	}
	return nil
}

func badPositions(l store.Load) bool {
	sorted := slices.Clone(l.Positions)
	slices.Sort(sorted)
	n := len(sorted)
	return n != l.Cones || sorted[0] < 1 || l.Places > 0 && sorted[n-1] > l.Places || sorted[n-1] > 10_000 || len(slices.Compact(sorted)) != n
}

// UndoLoad takes a load back. It stays in the file, marked.
func (s *Store) UndoLoad(ctx context.Context, machine string, id int64) error {
	return s.transact(ctx, "undo of a load", func(ctx context.Context, w *writer) error {
		m := w.machines[machine]
		if m == nil {
			return fmt.Errorf("undo load %d of machine %q: %w", id, machine, store.ErrNotFound)
		}
		var there bool
		if err := w.row(ctx, `SELECT EXISTS (SELECT 1 FROM creel_load WHERE id = ? AND machine_num = ?)`, id, m.num).Scan(&there); err != nil {
			return err
		}
		if !there {
			return fmt.Errorf("undo load %d of machine %s: %w", id, machine, store.ErrNotFound)
		}
		return w.undoLoad(ctx, id)
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
		l, err := scanLoad(rows)
		if err != nil {
			return err
		}
		k := [2]string{l.Machine, l.Group}
		if n := filled[k]; n > 0 && n >= places[k] {
			return nil
		}
		filled[k] += l.Cones
		loads = append(loads, l)
		return nil
	}, `SELECT `+loadColumns+` FROM creel_load l JOIN machine m ON m.num = l.machine_num WHERE l.undone = 0 ORDER BY m.id, l.feed_group, l.revolutions DESC, l.id DESC`)
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
		if !a.Planned && a.From.UnixMilli() <= now {
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
