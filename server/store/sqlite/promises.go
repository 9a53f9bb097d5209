package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"turnwise/server/store"
)

var _ store.PromiseRecord = (*Store)(nil)

// Limits of the promise record.
const (
	mostKept    = 10_000 // of one call
	mostMinutes = 1000   // points of a law
)

// KeepForecasts adds forecasts as they were told.
func (s *Store) KeepForecasts(ctx context.Context, kept []store.Kept) error {
	if len(kept) > mostKept {
		return fmt.Errorf("keep %d forecasts: %w: at most %d at once are expected", len(kept), store.ErrInvalid, mostKept)
	}
	for i := range kept {
		if err := checkKept(&kept[i]); err != nil {
			return fmt.Errorf("keep a forecast of order %.40q: %w: %w", kept[i].Order, store.ErrInvalid, err)
		}
	}
	return s.transact(ctx, "keep forecasts", func(ctx context.Context, w *writer) error {
		for _, k := range kept {
			minutes, err := json.Marshal(k.Minutes)
			if err != nil {
				return err
			}
			raw, err := json.Marshal(k.Raw)
			if err != nil {
				return err
			}
			promise := sql.NullInt64{Int64: k.Promise.UnixMilli(), Valid: !k.Promise.IsZero()}
			if _, err := w.exec(ctx, `INSERT INTO kept_forecast (order_id, occasion, made_ms, article, structure, quantity_kg, remaining_kg, promise_ms, miss_chance, minutes, machine, raw)
				VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
				k.Order, k.Occasion, k.Made.UnixMilli(), k.Article, k.Structure, k.QuantityKg, k.RemainingKg, promise, k.MissChance, string(minutes), k.Machine, string(raw)); err != nil {
				return err
			}
		}
		return nil
	})
}

func checkKept(k *store.Kept) error {
	number := func(x float64) bool { return x >= 0 && !math.IsInf(x, 0) }
	switch {
	case k.Order == "" || k.Occasion == "":
		return errors.New("an order and an occasion are expected")
	case max(len(k.Order), len(k.Occasion), len(k.Article), len(k.Structure), len(k.Machine)) > maxText:
		return fmt.Errorf("texts of at most %d bytes are expected", maxText)
	case k.Made.IsZero():
		return errors.New("an instant is expected")
	case len(k.Minutes) == 0 || len(k.Minutes) > mostMinutes:
		return fmt.Errorf("%d minutes of the law, 1 to %d are expected", len(k.Minutes), mostMinutes)
	case !slices.IsSorted(k.Minutes) || slices.ContainsFunc(k.Minutes, func(m float64) bool { return !number(m) }):
		return errors.New("the minutes of the law are expected to be numbers from 0 on that rise")
	case !number(k.QuantityKg) || !number(k.RemainingKg):
		return fmt.Errorf("%g kg, %g kg left: numbers from 0 on are expected", k.QuantityKg, k.RemainingKg)
	case len(k.Raw.At) > mostMinutes || slices.ContainsFunc(append([]float64{k.Raw.Least, k.Raw.Atom, k.Raw.Stops, k.Raw.Level, k.Raw.Pull}, k.Raw.At...), func(x float64) bool { return math.IsNaN(x) || math.IsInf(x, 0) }):
		return fmt.Errorf("the raw law is expected to have numbers, at most %d points of them", mostMinutes)
	case !(k.MissChance >= 0 && k.MissChance <= 1):
		return fmt.Errorf("the chance to miss is %g, 0 to 1 is expected", k.MissChance)
	}
	return nil
}

// SettleForecasts notes what became of kept forecasts.
func (s *Store) SettleForecasts(ctx context.Context, settled []store.Settled) error {
	if len(settled) > mostKept {
		return fmt.Errorf("settle %d forecasts: %w: at most %d at once are expected", len(settled), store.ErrInvalid, mostKept)
	}
	for _, k := range settled {
		if k.Open() || len(k.Void) > maxText || k.Void != "" && !k.Ended.IsZero() || !(k.Minutes >= 0 && k.Minutes <= math.MaxFloat64) {
			return fmt.Errorf("settle forecast %.40q of order %.40q: %w: an end with minutes from 0 on, or a reason of at most %d bytes why there is none, is expected", k.Occasion, k.Order, store.ErrInvalid, maxText)
		}
	}
	return s.transact(ctx, "settle forecasts", func(ctx context.Context, w *writer) error {
		for _, k := range settled {
			var open bool
			err := w.row(ctx, `SELECT ended_ms IS NULL AND void = '' FROM kept_forecast WHERE order_id = ? AND occasion = ?`, k.Order, k.Occasion).Scan(&open)
			if errors.Is(err, sql.ErrNoRows) {
				return fmt.Errorf("settle forecast %q of order %q: %w", k.Occasion, k.Order, store.ErrNotFound)
			}
			if err != nil {
				return err
			}
			if !open {
				continue
			}
			ended := sql.NullInt64{Int64: k.Ended.UnixMilli(), Valid: !k.Ended.IsZero()}
			if _, err := w.exec(ctx, `UPDATE kept_forecast SET ended_ms = ?, ended_minutes = ?, void = ? WHERE order_id = ? AND occasion = ?`,
				ended, k.Minutes, k.Void, k.Order, k.Occasion); err != nil {
				return err
			}
		}
		return nil
	})
}

// KeptForecasts returns kept forecasts, the newest first.
func (s *Store) KeptForecasts(ctx context.Context, q store.KeptQuery) ([]store.Kept, error) {
	limit := q.Limit
	if limit <= 0 || limit > mostKept {
		limit = mostKept
	}
	since := int64(math.MinInt64)
	if !q.Since.IsZero() {
		since = q.Since.UnixMilli()
	}
	// An order is found by the key; OR would have every row read.
	of, args := "", []any{since, q.Open, q.Ended}
	if q.Order != "" {
		of, args = "order_id = ? AND", append([]any{q.Order}, args...)
	}
	var out []store.Kept
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var k store.Kept
		var made int64
		var promise, ended sql.NullInt64
		var endedMinutes sql.NullFloat64
		var minutes, raw string
		if err := rows.Scan(&k.Order, &k.Occasion, &made, &k.Article, &k.Structure, &k.QuantityKg, &k.RemainingKg, &promise, &k.MissChance, &minutes, &k.Machine, &raw,
			&ended, &endedMinutes, &k.Settled.Void); err != nil {
			return err
		}
		var err error
		if k.Minutes, err = numbers(minutes); err != nil {
			return fmt.Errorf("forecast %q of order %q: %w: its minutes are no list of numbers: %w", k.Occasion, k.Order, store.ErrDamaged, err)
		}
		if err := json.Unmarshal([]byte(raw), &k.Raw); err != nil {
			return fmt.Errorf("forecast %q of order %q: %w: its raw law cannot be read: %w", k.Occasion, k.Order, store.ErrDamaged, err)
		}
		k.Made = ms(made)
		if promise.Valid {
			k.Promise = ms(promise.Int64)
		}
		k.Settled.Order, k.Settled.Occasion = k.Order, k.Occasion
		if ended.Valid {
			k.Settled.Ended, k.Settled.Minutes = ms(ended.Int64), endedMinutes.Float64
		}
		out = append(out, k)
		return nil
	}, `SELECT order_id, occasion, made_ms, article, structure, quantity_kg, remaining_kg, promise_ms, miss_chance, minutes, machine, raw, ended_ms, ended_minutes, void
		FROM kept_forecast WHERE `+of+` made_ms >= ? AND (NOT ? OR ended_ms IS NULL AND void = '') AND (NOT ? OR ended_ms IS NOT NULL)
		ORDER BY made_ms DESC, order_id, occasion LIMIT ?`, append(args, limit)...)
	if err != nil {
		return nil, fmt.Errorf("sqlite: read kept forecasts: %w", err)
	}
	return out, nil
}

// numbers reads a JSON list of numbers. There are a hundred in a forecast and thousands
// of forecasts in a report, and a reader for any JSON takes ten times as long.
func numbers(list string) ([]float64, error) {
	inside, begins := strings.CutPrefix(list, "[")
	inside, ends := strings.CutSuffix(inside, "]")
	if !begins || !ends {
		return nil, errors.New("no list")
	}
	if inside == "" {
		return nil, nil
	}
	out := make([]float64, 0, strings.Count(inside, ",")+1)
	for text := range strings.SplitSeq(inside, ",") {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("%.40q is no number", text)
		}
		out = append(out, x)
	}
	return out, nil
}
