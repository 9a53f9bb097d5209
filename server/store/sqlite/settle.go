package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"turnwise/server/ingest/tally"
)

// usualSettleAfter is time to look into a difference, which is told all the while,
// and to put a backup aside.
const usualSettleAfter = 90 * 24 * time.Hour

// wordsOfSums is how many differences are kept in words.
const wordsOfSums = 12

// settled is up to where the sums of a machine were settled.
type settled struct {
	last   uint64
	buried bool // a tombstone was among them
}

// Settlement tells that the sums of a machine were settled as they stood.
type Settlement struct {
	Machine string    `json:"machine"`
	At      time.Time `json:"at"`
	Words   string    `json:"words"` // what the rules of then would have given instead
}

func (w *writer) loadSettled(ctx context.Context) error {
	w.settled = map[int64]settled{}
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var num, last int64
		var s settled
		err := rows.Scan(&num, &last, &s.buried)
		s.last = uint64(last)
		w.settled[num] = s
		return err
	}, `SELECT stream_num, last_seq, buried FROM settled`)
}

func readSettlements(ctx context.Context, q querier) ([]Settlement, error) {
	list := []Settlement{}
	err := each(ctx, q, func(rows *sql.Rows) error {
		var s Settlement
		var at int64
		err := rows.Scan(&s.Machine, &at, &s.Words)
		s.At = ms(at)
		list = append(list, s)
		return err
	}, `SELECT m.id, s.at_ms, s.words FROM settlement s JOIN machine m ON m.num = s.machine_num ORDER BY s.at_ms, m.id`)
	return list, err
}

// settle makes the sums of machines that their records alone can show, because
// older rules gave others than today's or because their order was not kept, the
// begin of all further counting, once some of them are of before an instant. The sums stay
// what they are; what today's rules would give is told and kept in words. After
// that the records may go like any other.
func (s *Store) settle(ctx context.Context, before time.Time) (map[string]string, error) {
	words := map[string]string{}
	err := s.snapshot(ctx, func(v *verifier) error {
		for _, name := range slices.Sorted(maps.Keys(v.w.machines)) {
			x, err := v.settles(ctx, v.w.machines[name], before)
			if err != nil {
				return fmt.Errorf("sqlite: prune of machine %s: %w", name, err)
			}
			if x != "" {
				words[name] = x
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, name := range slices.Sorted(maps.Keys(words)) {
		err := s.transact(ctx, "settling the sums of machine "+name, func(ctx context.Context, w *writer) error {
			return w.settle(ctx, w.machines[name], s.now(), words[name])
		})
		if err != nil {
			return nil, err
		}
		s.log.Warn("sums settled as they stood: older rules gave others than today's, or the order of the records was not kept", "machine", name, "difference", words[name])
	}
	return words, nil
}

// settles tells in words what differs where the sums of a machine are to be
// settled; empty where they are not.
func (v *verifier) settles(ctx context.Context, m *machine, before time.Time) (words string, err error) {
	all, known, err := v.w.stretches(ctx, m)
	if err != nil || known && today(all) {
		return "", err
	}
	for _, st := range v.w.Streams {
		if st.Machine == m.id && st.Unread > 0 {
			return "", nil // a newer version may book them in their place
		}
	}
	old := false
	if _, err := v.w.old(ctx, m, before.UnixMilli(), toSettle, func(*oldRecord) bool { old = true; return false }); err != nil || !old {
		return "", err
	}
	// Turns depend neither on rules nor on the order: where they are not what the
	// records give, that is damage and not settled.
	differences, err := v.apart(func() error { return v.inPart(ctx, m) })
	if err != nil || len(differences) > 0 {
		return "", err
	}
	if !known {
		return "the order of its records was not kept, so that only its turns could be counted again; they are right", nil
	}
	differences, err = v.apart(func() error { return v.recount(ctx, m) })
	if err != nil || len(differences) == 0 {
		return "", err
	}
	list := []string{}
	for _, d := range differences[:min(len(differences), wordsOfSums)] {
		list = append(list, fmt.Sprintf("%s: kept %s, today's rules give %s", strings.TrimSuffix(d.Place, " of machine "+m.id), d.Found, strings.TrimSuffix(d.Expected, countedAgain)))
	}
	if n := len(differences) - len(list); n > 0 {
		list = append(list, fmt.Sprintf("and %d more", n))
	}
	return strings.Join(list, "; "), nil
}

// apart gives what a check finds without noting it as damage.
func (v *verifier) apart(check func() error) ([]Damage, error) {
	found, more := v.rep.Damages, v.rep.More
	v.rep.Damages, v.rep.More = nil, 0
	err := check()
	apart := v.rep.Damages
	v.rep.Damages, v.rep.More = found, more
	return apart, err
}

// twins are the tables of kept sums and their columns: the base gets the rows of
// the account.
var twins = []struct{ table, columns string }{
	{"account", accountColumns}, {"life", lifeColumns}, {"life_join", "machine_num, id, per_rev, to_id, add_counts"},
	{"stop", "machine_num, " + stopColumns}, {"cause_count", "machine_num, cause, stops"}, {"gap", "machine_num, from_ms, to_ms, reason"},
	{"assignment_count", "machine_num, from_ms, revolutions"},
	{"rollup", "grain_ms, machine_num, start_ms, revolutions, run_ms, stop_ms, unknown_ms, stops, inched"},
}

// settle makes the account of a machine its base.
func (w *writer) settle(ctx context.Context, m *machine, now time.Time, words string) error {
	for _, t := range twins {
		if _, err := w.exec(ctx, `DELETE FROM base_`+t.table+` WHERE machine_num = ?`, m.num); err != nil {
			return err
		}
		query, args := `INSERT INTO base_`+t.table+` (`+t.columns+`) SELECT `+t.columns+` FROM `+t.table+` WHERE machine_num = ?1`, []any{m.num}
		if t.table == "rollup" { // hours of the base are only those without fine cells
			query, args = query+` AND (grain_ms = ?2 OR grain_ms = ?3 AND start_ms < ?4)`, append(args, tally.Fine, hourMS, w.fineFrom)
		}
		if _, err := w.exec(ctx, query, args...); err != nil {
			return err
		}
	}
	for _, st := range w.streamsOf(m) {
		if _, err := w.exec(ctx, `INSERT OR REPLACE INTO settled (stream_num, last_seq, buried) SELECT num, acked, buried FROM stream WHERE num = ?`, st.Num); err != nil {
			return err
		}
	}
	if _, err := w.exec(ctx, `INSERT OR REPLACE INTO settlement (machine_num, at_ms, words) VALUES (?, ?, ?)`, m.num, now.UnixMilli(), words); err != nil {
		return err
	}
	return w.loadSettled(ctx)
}
