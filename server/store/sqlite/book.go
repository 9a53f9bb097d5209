package sqlite

import (
	"context"
	"database/sql"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"time"

	"turnwise/proto/wire"
	"turnwise/server/store"
)

// RegisterAgent lets an agent in for machines, creating unknown machines.
func (s *Store) RegisterAgent(ctx context.Context, agent string, machines []string, at time.Time, dryRun bool) ([]string, error) {
	if !wire.ValidID(agent) {
		return nil, fmt.Errorf("register agent %q: %w id: lower-case letters, digits, '-' and '_' are expected, at most %d", agent, store.ErrInvalid, wire.MaxIDLen)
	}
	for _, m := range machines {
		if !wire.ValidID(m) {
			return nil, fmt.Errorf("register agent %s for machine %q: %w id: lower-case letters, digits, '-' and '_' are expected, at most %d", agent, m, store.ErrInvalid, wire.MaxIDLen)
		}
	}
	var created []string
	err := s.transact(ctx, "registration of agent "+agent, func(ctx context.Context, w *writer) error {
		created = nil
		if _, err := w.exec(ctx, `INSERT OR IGNORE INTO agent (id, registered_ms) VALUES (?, ?)`, agent, at.UnixMilli()); err != nil {
			return err
		}
		for _, m := range machines {
			_, fresh, err := w.machineNum(ctx, m)
			if err != nil {
				return err
			}
			if fresh {
				created = append(created, m)
				if err := w.putBook(ctx, kindMachine, m, store.Machine{ID: m}); err != nil {
					return err
				}
			}
			if err := w.bind(ctx, agent, m); err != nil {
				return err
			}
		}
		return w.forget(ctx, dryRun)
	})
	return created, err
}

// forget ends a change of the register: what the writer remembers of it is
// read again, after a rehearsal and after the real thing alike.
func (w *writer) forget(ctx context.Context, dryRun bool) error {
	if dryRun {
		return errRollback
	}
	writes := w.writes
	if err := w.load(ctx); err != nil {
		return err
	}
	w.writes = writes
	return nil
}

// machineNum finds the number of a machine or gives it one.
func (w *writer) machineNum(ctx context.Context, machine string) (num int64, fresh bool, err error) {
	res, err := w.exec(ctx, `INSERT OR IGNORE INTO machine (id) VALUES (?)`, machine)
	if err != nil {
		return 0, false, err
	}
	n, err := res.RowsAffected()
	if err != nil {
		return 0, false, err
	}
	err = w.row(ctx, `SELECT num FROM machine WHERE id = ?`, machine).Scan(&num)
	return num, n == 1, err
}

// bind registers a machine to an agent: from now on it is the agent's turn.
func (w *writer) bind(ctx context.Context, agent, machine string) error {
	_, err := w.exec(ctx, `INSERT INTO agent_machine (agent, machine_num, turn)
		SELECT ?1, m.num, (SELECT coalesce(max(turn), 0) + 1 FROM agent_machine WHERE machine_num = m.num) FROM machine m WHERE m.id = ?2
		ON CONFLICT DO UPDATE SET turn = excluded.turn
		WHERE EXISTS (SELECT 1 FROM agent_machine o WHERE o.machine_num = agent_machine.machine_num AND o.agent <> agent_machine.agent AND o.turn >= agent_machine.turn)`, agent, machine)
	return err
}

// Agents returns the agents as registered and last heard.
func (s *Store) Agents(ctx context.Context) ([]store.Agent, error) {
	var agents []store.Agent
	_, outstanding := s.heads.outstanding()
	err := each(ctx, s.read, func(rows *sql.Rows) error {
		var a, m string
		var registered int64
		if err := rows.Scan(&a, &registered, &m); err != nil {
			return err
		}
		if n := len(agents); n == 0 || agents[n-1].ID != a {
			agents = append(agents, store.Agent{ID: a, Registered: ms(registered), Outstanding: outstanding[a]})
		}
		if m != "" {
			x := &agents[len(agents)-1]
			x.Machines = append(x.Machines, m)
		}
		return nil
	}, `SELECT a.id, a.registered_ms, coalesce(m.id, '') FROM agent a
		LEFT JOIN agent_machine am ON am.agent = a.id LEFT JOIN machine m ON m.num = am.machine_num ORDER BY a.id, m.id`)
	if err != nil {
		return nil, fmt.Errorf("sqlite: list agents: %w", err)
	}
	return agents, nil
}

// Kinds of entries of the book.
const (
	kindMachine  = "machine"
	kindYarn     = "yarn"
	kindLot      = "lot"
	kindArticle  = "article"
	kindCard     = "card"
	kindOrder    = "order"
	kindSetup    = "setup"
	kindCare     = "care"
	kindCylinder = "cylinder"
)

func (w *writer) putBook(ctx context.Context, kind, id string, entry any) error {
	body, err := json.Marshal(entry)
	if err != nil {
		return fmt.Errorf("%s %s: %w", kind, id, err)
	}
	_, err = w.exec(ctx, `INSERT OR REPLACE INTO book (kind, id, body) VALUES (?, ?, ?)`, kind, id, string(body))
	return err
}

// Book returns the register.
func (s *Store) Book(ctx context.Context) (store.Book, error) {
	tx, err := s.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return store.Book{}, fmt.Errorf("sqlite: read the book: %w", err)
	}
	defer tx.Rollback()
	b, err := readBook(ctx, tx)
	if err != nil {
		return store.Book{}, fmt.Errorf("sqlite: read the book: %w", err)
	}
	return b, nil
}

func readBook(ctx context.Context, q querier) (b store.Book, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var kind, id, body string
		if err := rows.Scan(&kind, &id, &body); err != nil {
			return err
		}
		var err error
		switch kind {
		case kindMachine:
			b.Machines, err = decode(b.Machines, body)
		case kindYarn:
			b.Yarns, err = decode(b.Yarns, body)
		case kindLot:
			b.Lots, err = decode(b.Lots, body)
		case kindArticle:
			b.Articles, err = decode(b.Articles, body)
		case kindCard:
			b.Cards, err = decode(b.Cards, body)
		case kindOrder:
			b.Orders, err = decode(b.Orders, body)
		case kindSetup:
			b.Setups, err = decode(b.Setups, body)
		case kindCare:
			b.Care, err = decode(b.Care, body)
		case kindCylinder:
			b.Cylinders, err = decode(b.Cylinders, body)
		}
		if err != nil {
			return fmt.Errorf("%s %s: %w", kind, id, err)
		}
		return nil
	}, `SELECT kind, id, body FROM book ORDER BY kind, id`)
	if err != nil {
		return b, err
	}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var a, m string
		if err := rows.Scan(&a, &m); err != nil {
			return err
		}
		if n := len(b.Agents); n == 0 || b.Agents[n-1].ID != a {
			b.Agents = append(b.Agents, store.BookAgent{ID: a})
		}
		if m != "" {
			x := &b.Agents[len(b.Agents)-1]
			x.Machines = append(x.Machines, m)
		}
		return nil
	}, `SELECT a.id, coalesce(m.id, '') FROM agent a
		LEFT JOIN agent_machine am ON am.agent = a.id LEFT JOIN machine m ON m.num = am.machine_num ORDER BY a.id, m.id`)
	if err != nil {
		return b, err
	}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var a store.Assignment
		var from int64
		var planned sql.NullInt64
		if err := rows.Scan(&a.Machine, &from, &a.Order, &a.Card, &a.QuantityKg, &a.Planned, &planned); err != nil {
			return err
		}
		a.From = ms(from)
		if planned.Valid {
			a.PlannedFrom = ms(planned.Int64)
		}
		b.Assignments = append(b.Assignments, a)
		return nil
	}, `SELECT m.id, a.from_ms, a.order_id, a.card, a.quantity_kg, a.planned, a.planned_ms FROM assignment a JOIN machine m ON m.num = a.machine_num ORDER BY m.id, a.from_ms`)
	return b, err
}

func decode[T any](list []T, body string) ([]T, error) {
	var x T
	err := json.Unmarshal([]byte(body), &x)
	return append(list, x), err
}

// ApplyBook creates or updates entries by id, all or nothing.
func (s *Store) ApplyBook(ctx context.Context, b store.Book, dryRun bool) (store.BookChange, error) {
	var ch store.BookChange
	err := s.transact(ctx, "change of the book", func(ctx context.Context, w *writer) error {
		ch = store.BookChange{}
		old, err := readBook(ctx, w.conn)
		if err != nil {
			return err
		}
		b := begun(old, b)
		merged, faults := merge(old, b)
		if err := check(merged, faults); err != nil {
			return err
		}
		if err := w.applyBook(ctx, old, b, &ch, s.now()); err != nil {
			return err
		}
		if err := w.weighCards(ctx, merged); err != nil {
			return err
		}
		if err := w.recount(ctx, old, b); err != nil {
			return err
		}
		return w.forget(ctx, dryRun)
	})
	if err != nil {
		return store.BookChange{}, err
	}
	return ch, nil
}

// applyBook writes the entries that differ.
func (w *writer) applyBook(ctx context.Context, old, b store.Book, ch *store.BookChange, now time.Time) error {
	put := func(kind, id string) func(any) error {
		return func(x any) error { return w.putBook(ctx, kind, id, x) }
	}
	for _, x := range b.Machines {
		if _, _, err := w.machineNum(ctx, x.ID); err != nil {
			return err
		}
		if err := enter(ch, old.Machines, x, machineID, kindMachine, put(kindMachine, x.ID)); err != nil {
			return err
		}
	}
	for _, x := range b.Yarns {
		if err := enter(ch, old.Yarns, x, yarnID, kindYarn, put(kindYarn, x.ID)); err != nil {
			return err
		}
	}
	for _, x := range b.Lots {
		if err := enter(ch, old.Lots, x, lotID, kindLot, put(kindLot, x.ID)); err != nil {
			return err
		}
	}
	for _, x := range b.Articles {
		if err := enter(ch, old.Articles, x, articleID, kindArticle, put(kindArticle, x.ID)); err != nil {
			return err
		}
	}
	for _, x := range b.Cards {
		if err := enter(ch, old.Cards, x, cardID, kindCard, put(kindCard, x.ID)); err != nil {
			return err
		}
	}
	for _, x := range b.Orders {
		x.Promise, x.YarnFrom = x.Promise.UTC(), x.YarnFrom.UTC()
		if err := enter(ch, old.Orders, x, orderID, kindOrder, put(kindOrder, x.ID)); err != nil {
			return err
		}
	}
	for _, x := range b.Setups {
		if err := putOrRemove(ctx, w, ch, old.Setups, x, x.Remove, kindSetup, setupID); err != nil {
			return err
		}
	}
	for _, x := range b.Care {
		x.Done, x.From, x.To = x.Done.UTC(), x.From.UTC(), x.To.UTC()
		if err := putOrRemove(ctx, w, ch, old.Care, x, x.Remove, kindCare, careID); err != nil {
			return err
		}
	}
	for _, x := range b.Cylinders {
		x.Machines = slices.Sorted(slices.Values(x.Machines))
		if err := putOrRemove(ctx, w, ch, old.Cylinders, x, x.Remove, kindCylinder, cylinderID); err != nil {
			return err
		}
	}
	for _, x := range b.Agents {
		x.Machines = slices.Sorted(slices.Values(x.Machines))
		err := enter(ch, old.Agents, x, agentID, "agent", func(any) error { return w.putAgent(ctx, x, now) })
		if err != nil {
			return err
		}
	}
	for _, x := range b.Assignments {
		x.From = x.From.UTC().Truncate(time.Millisecond)
		err := enter(ch, old.Assignments, x, assignmentID, "assignment", func(any) error {
			return w.putJob(ctx, x)
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// begun is a book to be entered in which planned jobs that were said to have begun
// since stand as they run: who enters his file again must not stop them.
func begun(old, b store.Book) store.Book {
	b.Assignments = slices.Clone(b.Assignments)
	for i := range b.Assignments {
		x := &b.Assignments[i]
		x.From = x.From.UTC().Truncate(time.Millisecond)
		k := slices.IndexFunc(old.Assignments, func(o store.Assignment) bool {
			return o.Machine == x.Machine && o.Order == x.Order && o.PlannedFrom.Equal(x.From)
		})
		if x.Planned && k >= 0 {
			o := old.Assignments[k]
			x.From, x.Planned, x.PlannedFrom = o.From, false, o.PlannedFrom
		}
	}
	return b
}

// putJob writes an assignment in the place of one of its machine and instant.
func (w *writer) putJob(ctx context.Context, x store.Assignment) error {
	planned := sql.NullInt64{Int64: x.PlannedFrom.UnixMilli(), Valid: !x.PlannedFrom.IsZero()}
	_, err := w.exec(ctx, `INSERT OR REPLACE INTO assignment (machine_num, from_ms, order_id, card, quantity_kg, planned, planned_ms)
		SELECT num, ?, ?, ?, ?, ?, ? FROM machine WHERE id = ?`, x.From.UnixMilli(), x.Order, x.Card, x.QuantityKg, x.Planned, planned, x.Machine)
	return err
}

// putOrRemove writes an entry, or takes it out.
func putOrRemove[T any](ctx context.Context, w *writer, ch *store.BookChange, old []T, x T, remove bool, kind string, id func(T) string) error {
	if !remove {
		return enter(ch, old, x, id, kind, func(v any) error { return w.putBook(ctx, kind, id(x), v) })
	}
	if !slices.ContainsFunc(old, func(o T) bool { return id(o) == id(x) }) {
		ch.Same++
		return nil
	}
	ch.Updated++
	ch.Lines = append(ch.Lines, "remove "+kind+" "+id(x))
	_, err := w.exec(ctx, `DELETE FROM book WHERE kind = ? AND id = ?`, kind, id(x))
	return err
}

// putAgent makes an agent speak for exactly the machines of its entry.
func (w *writer) putAgent(ctx context.Context, a store.BookAgent, now time.Time) error {
	if _, err := w.exec(ctx, `INSERT OR IGNORE INTO agent (id, registered_ms) VALUES (?, ?)`, a.ID, now.UnixMilli()); err != nil {
		return err
	}
	if _, err := w.exec(ctx, `DELETE FROM agent_machine WHERE agent = ?`, a.ID); err != nil {
		return err
	}
	for _, m := range a.Machines {
		if err := w.bind(ctx, a.ID, m); err != nil {
			return err
		}
	}
	return nil
}

// enter writes an entry unless it is the same, and notes which.
func enter[T any](ch *store.BookChange, old []T, x T, id func(T) string, kind string, put func(any) error) error {
	i := slices.IndexFunc(old, func(o T) bool { return id(o) == id(x) })
	if i >= 0 && same(old[i], x) {
		ch.Same++
		return nil
	}
	word := "create"
	if i >= 0 {
		word = "update"
		ch.Updated++
	} else {
		ch.Created++
	}
	ch.Lines = append(ch.Lines, word+" "+kind+" "+id(x))
	if err := put(x); err != nil {
		return fmt.Errorf("%s %s %s: %w", word, kind, id(x), err)
	}
	return nil
}

// same compares entries as they would be kept: an empty list is no list.
func same[T any](a, b T) bool {
	x, errX := json.Marshal(a)
	y, errY := json.Marshal(b)
	if errX != nil || errY != nil {
		return reflect.DeepEqual(a, b)
	}
	var va, vb T
	if json.Unmarshal(x, &va) != nil || json.Unmarshal(y, &vb) != nil {
		return false
	}
	x, _ = json.Marshal(va)
	y, _ = json.Marshal(vb)
	return string(x) == string(y)
}

func machineID(x store.Machine) string   { return x.ID }
func yarnID(x store.Yarn) string         { return x.ID }
func lotID(x store.Lot) string           { return x.ID }
func articleID(x store.Article) string   { return x.ID }
func cardID(x store.Card) string         { return x.ID }
func orderID(x store.Order) string       { return x.ID }
func agentID(x store.BookAgent) string   { return x.ID }
func careID(x store.Care) string         { return x.ID }
func cylinderID(x store.Cylinder) string { return x.ID }
func setupID(x store.Setup) string {
	id := fmt.Sprintf("%s %q to %q", x.Kind, x.From, x.To)
	if x.Machine != "" {
		id += " on " + x.Machine
	}
	return id
}
func assignmentID(x store.Assignment) string {
	return x.Machine + " from " + x.From.UTC().Truncate(time.Millisecond).Format("2006-01-02T15:04:05.999Z")
}
