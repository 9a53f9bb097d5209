package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnwise/server/store"
)

const loadColumns = `l.id, m.id, l.feed_group, l.cones, l.lot, l.cone_kg, l.at_ms, l.revolutions, coalesce(l.request_id, ''),
	l.work, l.positions, l.places, l.cone_cv, l.cone_turns`

func scanLoad(rows *sql.Rows) (l store.Load, err error) {
	var at int64
	var positions string
	err = rows.Scan(&l.ID, &l.Machine, &l.Group, &l.Cones, &l.Lot, &l.ConeKg, &at, &l.Revolutions, &l.RequestID,
		&l.Work, &positions, &l.Places, &l.ConeCV, &l.Turns)
	l.At = ms(at)
	if err == nil && positions != "" {
		for n := range strings.SplitSeq(positions, ",") {
			i, err := strconv.Atoi(n)
			if err != nil {
				return l, fmt.Errorf("load %d: positions %.40q: numbers with commas are expected: %w", l.ID, positions, store.ErrDamaged)
			}
			l.Positions = append(l.Positions, i)
		}
	}
	return l, err
}

func joined(numbers []int) string {
	var b strings.Builder
	for i, n := range numbers {
		if i > 0 {
			b.WriteByte(',')
		}
		b.WriteString(strconv.Itoa(n))
	}
	return b.String()
}

// creelKey is a feed group of a machine.
type creelKey struct {
	machine int64
	group   string
}

// stand reads the loads of a feed group and keeps what stands there.
func (w *writer) stand(ctx context.Context, k creelKey) error {
	loads, err := loadsOf(ctx, w.conn, k)
	if err != nil {
		return err
	}
	if _, err := w.exec(ctx, `DELETE FROM creel_position WHERE machine_num = ? AND feed_group = ?`, k.machine, k.group); err != nil {
		return err
	}
	positions, _ := store.Stand(loads)
	for _, p := range positions {
		var reserve sql.NullInt64
		if p.Reserve != nil {
			reserve = sql.NullInt64{Int64: p.Reserve.Load, Valid: true}
		}
		if _, err := w.exec(ctx, `INSERT INTO creel_position (machine_num, feed_group, number, load_id, at, reserve_id, tied) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			k.machine, k.group, p.Number, p.Running.Load, p.At, reserve, p.Tied); err != nil {
			return err
		}
	}
	return nil
}

func loadsOf(ctx context.Context, q querier, k creelKey) ([]store.Load, error) {
	var loads []store.Load
	err := each(ctx, q, func(rows *sql.Rows) error {
		l, err := scanLoad(rows)
		loads = append(loads, l)
		return err
	}, `SELECT `+loadColumns+` FROM creel_load l JOIN machine m ON m.num = l.machine_num
		WHERE l.machine_num = ? AND l.feed_group = ? AND l.undone = 0 ORDER BY l.id`, k.machine, k.group)
	return loads, err
}

func creelKeys(ctx context.Context, q querier) ([]creelKey, error) {
	var keys []creelKey
	err := each(ctx, q, func(rows *sql.Rows) error {
		var k creelKey
		err := rows.Scan(&k.machine, &k.group)
		keys = append(keys, k)
		return err
	}, `SELECT DISTINCT machine_num, feed_group FROM creel_load ORDER BY machine_num, feed_group`)
	return keys, err
}

// standFirst keeps what stands in the creels of a database of an older version.
func (s *Store) standFirst(ctx context.Context, w *writer) error {
	var need bool
	if err := w.row(ctx, `SELECT NOT EXISTS (SELECT 1 FROM creel_position) AND EXISTS (SELECT 1 FROM creel_load WHERE undone = 0)`).Scan(&need); err != nil || !need {
		return err
	}
	return w.transact(ctx, func(ctx context.Context, w *writer) error {
		keys, err := creelKeys(ctx, w.conn)
		for _, k := range keys {
			err = errors.Join(err, w.stand(ctx, k))
		}
		return err
	})
}

const positionQuery = `SELECT m.id, p.feed_group, p.number, p.at, p.tied,
		l.id, l.lot, l.cone_kg, l.cone_cv, l.cone_turns,
		coalesce(r.id, 0), coalesce(r.lot, ''), coalesce(r.cone_kg, 0), coalesce(r.cone_cv, 0), coalesce(r.cone_turns, 0)
	FROM creel_position p JOIN machine m ON m.num = p.machine_num JOIN creel_load l ON l.id = p.load_id LEFT JOIN creel_load r ON r.id = p.reserve_id
	WHERE p.machine_num = ?1 OR ?1 = 0 ORDER BY m.id, p.feed_group, p.number`

func readPositions(ctx context.Context, q querier, machine int64) ([]store.Position, error) {
	var out []store.Position
	err := each(ctx, q, func(rows *sql.Rows) error {
		var p store.Position
		var r store.Cone
		if err := rows.Scan(&p.Machine, &p.Group, &p.Number, &p.At, &p.Tied,
			&p.Running.Load, &p.Running.Lot, &p.Running.Kg, &p.Running.CV, &p.Running.Turns, &r.Load, &r.Lot, &r.Kg, &r.CV, &r.Turns); err != nil {
			return err
		}
		if r.Load != 0 {
			p.Reserve = &r
		}
		out = append(out, p)
		return nil
	}, positionQuery, machine)
	return out, err
}

// Positions returns what stands in all creels.
func (s *Store) Positions(ctx context.Context) ([]store.Position, error) {
	out, err := readPositions(ctx, s.read, 0)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read the positions of creels: %w", err)
	}
	return out, nil
}

// CreelLog returns the loads since an instant that were not taken back.
func (s *Store) CreelLog(ctx context.Context, since time.Time) ([]store.Load, error) {
	var loads []store.Load
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		l, err := scanLoad(rows)
		loads = append(loads, l)
		return err
	}, `SELECT `+loadColumns+` FROM creel_load l JOIN machine m ON m.num = l.machine_num WHERE l.undone = 0 AND l.at_ms >= ? ORDER BY l.id`, since.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("sqlite: read loads: %w", err)
	}
	return loads, nil
}

// positions compares what stands with the loads.
func (v *verifier) positions(ctx context.Context) error {
	keys, err := creelKeys(ctx, v.w.conn)
	if err != nil {
		return err
	}
	kept, err := readPositions(ctx, v.w.conn, 0)
	if err != nil {
		return err
	}
	var want []store.Position
	for _, k := range keys {
		loads, err := loadsOf(ctx, v.w.conn, k)
		if err != nil {
			return err
		}
		p, _ := store.Stand(loads)
		want = append(want, p...)
	}
	order := func(a, b store.Position) int {
		if c := slices.Compare([]string{a.Machine, a.Group}, []string{b.Machine, b.Group}); c != 0 {
			return c
		}
		return a.Number - b.Number
	}
	slices.SortFunc(want, order)
	slices.SortFunc(kept, order)
	if len(kept) != len(want) {
		v.damage("table creel_position", fmt.Sprintf("%d positions", len(kept)), fmt.Sprintf("%d, as the loads give", len(want)))
		return nil
	}
	for i := range kept {
		if !reflect.DeepEqual(kept[i], want[i]) {
			v.damage("table creel_position", fmt.Sprintf("position %d of group %s of machine %s with load %d", kept[i].Number, kept[i].Group, kept[i].Machine, kept[i].Running.Load),
				fmt.Sprintf("load %d at turn %d, as the loads give", want[i].Running.Load, want[i].At))
			return nil
		}
	}
	return nil
}

// KeepLearnt keeps what was learnt in the place of what was kept before.
func (s *Store) KeepLearnt(ctx context.Context, all []store.Learnt) error {
	for _, l := range all {
		if x := l.Mean + l.SD + l.Noise + l.Walk + l.Weight; math.IsNaN(x) || math.IsInf(x, 0) || l.Group == "" || max(len(l.Group), len(l.Lot)) > maxText {
			return fmt.Errorf("what was learnt of %s, group %.40q, lot %.40q: %w: numbers and a feed group are expected", l.Machine, l.Group, l.Lot, store.ErrInvalid)
		}
	}
	return s.transact(ctx, "what was learnt of creels", func(ctx context.Context, w *writer) error {
		for _, l := range all {
			m := w.machines[l.Machine]
			if m == nil {
				return fmt.Errorf("what was learnt of machine %q: %w", l.Machine, store.ErrNotFound)
			}
			apart, err := json.Marshal(l.Apart)
			if err != nil {
				return err
			}
			if _, err := w.exec(ctx, `INSERT INTO creel_learnt (machine_num, feed_group, lot, mean, sd, noise, walk, weight, seen, events, newest, apart, outs, late) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
				ON CONFLICT DO UPDATE SET mean = excluded.mean, sd = excluded.sd, noise = excluded.noise, walk = excluded.walk, weight = excluded.weight,
				seen = excluded.seen, events = excluded.events, newest = excluded.newest, apart = excluded.apart, outs = excluded.outs, late = excluded.late`,
				m.num, l.Group, l.Lot, l.Mean, l.SD, l.Noise, l.Walk, l.Weight, l.Seen, l.Events, l.Newest, string(apart), l.Outs, l.Late); err != nil {
				return err
			}
		}
		return nil
	})
}

// Learnt returns what was learnt, by machine, feed group and lot.
func (s *Store) Learnt(ctx context.Context) ([]store.Learnt, error) {
	var out []store.Learnt
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var l store.Learnt
		var apart string
		if err := rows.Scan(&l.Machine, &l.Group, &l.Lot, &l.Mean, &l.SD, &l.Noise, &l.Walk, &l.Weight, &l.Seen, &l.Events, &l.Newest, &apart, &l.Outs, &l.Late); err != nil {
			return err
		}
		out = append(out, l)
		return json.Unmarshal([]byte(apart), &out[len(out)-1].Apart)
	}, `SELECT m.id, l.feed_group, l.lot, l.mean, l.sd, l.noise, l.walk, l.weight, l.seen, l.events, l.newest, l.apart, l.outs, l.late
		FROM creel_learnt l JOIN machine m ON m.num = l.machine_num ORDER BY m.id, l.feed_group, l.lot`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read what was learnt: %w", err)
	}
	return out, nil
}
