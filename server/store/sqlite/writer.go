package sqlite

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"slices"

	"turnwise/server/ingest/readers"
	"turnwise/server/ingest/tally"
	"turnwise/server/store"
)

// writer is the connection that writes, its prepared statements, and what is
// remembered of the database between transactions. It is thrown away after any
// fault: then nothing remembered can be wrong.
type writer struct {
	conn   *sql.Conn
	stmts  map[string]*sql.Stmt
	writes int64

	readers.Row
	machines map[string]*machine
	byNum    map[int64]*machine
	dropped  map[int64]dropped // by stream
	settled  map[int64]settled // by stream
	fineFrom int64             // fine cells of before are kept by hours only
}

// machine is the account of a machine, its number and its assignments.
type machine struct {
	num int64
	id  string
	tally.Machine
	fed   int64 // stream whose records were applied last, 0 = none
	turns int64 // how often that, or the rules, changed
	rules int64 // by which they were booked
}

type stream = readers.Stream

// errOther says that the file changed under the server.
var errOther = errors.New("the database was changed by another process")

// writer returns the writer, opening it where it is missing. s.mu is held.
func (s *Store) writer(ctx context.Context) (*writer, error) {
	if s.write == nil {
		return nil, errors.New("sqlite: the store is closed")
	}
	if s.w != nil {
		return s.w, nil
	}
	conn, err := s.write.Conn(ctx)
	if err != nil {
		return nil, fmt.Errorf("sqlite: open %s: %w", s.file, err)
	}
	w := &writer{conn: conn, stmts: map[string]*sql.Stmt{}}
	if err := w.load(ctx); err != nil {
		w.close()
		return nil, fmt.Errorf("sqlite: read %s: %w", s.file, err)
	}
	if err := reserveIndex(s.file); err != nil {
		w.close()
		return nil, fmt.Errorf("sqlite: open %s: %w", s.file, err)
	}
	s.w = w
	return w, nil
}

// close throws the connection away, whatever state it is in.
func (w *writer) close() {
	for _, st := range w.stmts {
		_ = st.Close()
	}
	// The pool drops a connection that is told to be bad; an open transaction
	// is rolled back with it.
	_ = w.conn.Raw(func(any) error { return driver.ErrBadConn })
	_ = w.conn.Close()
}

// transact runs fn between BEGIN IMMEDIATE and COMMIT. After an error the
// writer is gone: a COMMIT that failed may have happened, so that everything
// is read again.
func (s *Store) transact(ctx context.Context, what string, fn func(ctx context.Context, w *writer) error) error {
	// A transaction is short; a caller who goes away must not leave it half done.
	ctx = context.WithoutCancel(ctx)
	s.mu.Lock()
	defer s.mu.Unlock()
	w, err := s.writer(ctx)
	if err != nil {
		return err
	}
	err = w.transact(ctx, fn)
	if errors.Is(err, errOther) {
		// Nothing was done yet: look again and do it on the new state.
		w.close()
		s.w = nil
		if w, err = s.writer(ctx); err != nil {
			return err
		}
		err = w.transact(ctx, fn)
	}
	if err == nil || errors.Is(err, errRollback) {
		return nil
	}
	w.close()
	s.w = nil
	if errors.Is(err, store.ErrInvalid) || errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrTask) {
		return err
	}
	return fmt.Errorf("sqlite: %s: %w", what, err)
}

// errRollback ends a transaction that was only a rehearsal.
var errRollback = errors.New("rehearsal")

func (w *writer) transact(ctx context.Context, fn func(ctx context.Context, w *writer) error) error {
	if _, err := w.exec(ctx, `BEGIN IMMEDIATE`); err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	err := w.checkWrites(ctx)
	if err == nil {
		err = fn(ctx, w)
	}
	if err != nil {
		if _, rerr := w.exec(ctx, `ROLLBACK`); rerr != nil && errors.Is(err, errRollback) {
			return fmt.Errorf("roll back: %w", rerr)
		}
		return err
	}
	if _, err := w.exec(ctx, `UPDATE meta SET writes = writes + 1`); err != nil {
		return err
	}
	if _, err := w.exec(ctx, `COMMIT`); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	w.writes++
	return nil
}

// checkWrites makes sure that what is remembered is what is in the file.
func (w *writer) checkWrites(ctx context.Context) error {
	var n int64
	if err := w.row(ctx, `SELECT writes FROM meta`).Scan(&n); err != nil {
		return err
	}
	if n != w.writes {
		return errOther
	}
	return nil
}

// stmt prepares a statement once.
func (w *writer) stmt(ctx context.Context, query string) (*sql.Stmt, error) {
	if st := w.stmts[query]; st != nil {
		return st, nil
	}
	st, err := w.conn.PrepareContext(ctx, query)
	if err != nil {
		return nil, err
	}
	w.stmts[query] = st
	return st, nil
}

func (w *writer) exec(ctx context.Context, query string, args ...any) (sql.Result, error) {
	st, err := w.stmt(ctx, query)
	if err != nil {
		return nil, err
	}
	return st.ExecContext(ctx, args...)
}

// scanner is a row of which the error comes with Scan.
type scanner interface{ Scan(...any) error }

type failed struct{ err error }

func (f failed) Scan(...any) error { return f.err }

func (w *writer) row(ctx context.Context, query string, args ...any) scanner {
	st, err := w.stmt(ctx, query)
	if err != nil {
		return failed{err}
	}
	return st.QueryRowContext(ctx, args...)
}

// querier is a connection, a pool or a transaction.
type querier interface {
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// each calls fn for every row of a query.
func each(ctx context.Context, q querier, fn func(*sql.Rows) error, query string, args ...any) error {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := fn(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// load reads everything that is remembered.
func (w *writer) load(ctx context.Context) error {
	w.Row, w.machines, w.byNum = readers.NewRow(), map[string]*machine{}, map[int64]*machine{}
	var sync int
	if err := w.conn.QueryRowContext(ctx, `PRAGMA synchronous`).Scan(&sync); err != nil {
		return err
	}
	if sync != 2 && sync != 3 {
		return fmt.Errorf("synchronous is %d, 2 (FULL) or 3 (EXTRA) is needed to keep what was acknowledged through a power cut", sync)
	}
	if err := w.conn.QueryRowContext(ctx, `SELECT writes, fine_from_ms FROM meta`).Scan(&w.writes, &w.fineFrom); err != nil {
		return err
	}
	for _, load := range []func(context.Context) error{w.loadMachines, w.loadOrder, w.loadLives, w.loadAgents, w.loadStreams, w.loadDropped, w.loadSettled} {
		if err := load(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (w *writer) loadMachines(ctx context.Context) error {
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		m := new(machine)
		if err := rows.Scan(&m.num, &m.id); err != nil {
			return err
		}
		w.machines[m.id], w.byNum[m.num] = m, m
		return nil
	}, `SELECT num, id FROM machine`)
	if err != nil {
		return err
	}
	if err := w.loadAccounts(ctx, current, ``, func(num int64) (*tally.Machine, error) { return w.account(num, "account") }); err != nil {
		return err
	}
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var num, from int64
		if err := rows.Scan(&num, &from); err != nil {
			return err
		}
		m, err := w.numbered(num, "assignment")
		if err != nil {
			return err
		}
		m.Jobs = append(m.Jobs, from)
		return nil
	}, `SELECT machine_num, from_ms FROM assignment WHERE NOT planned ORDER BY machine_num, from_ms`)
}

func (w *writer) loadLives(ctx context.Context) error {
	return w.loadNumberLines(ctx, current, ``, func(num int64) (*tally.Machine, error) { return w.account(num, "counter life") })
}

// account returns the account of a machine that a row names.
func (w *writer) account(num int64, what string) (*tally.Machine, error) {
	m, err := w.numbered(num, what)
	if err != nil {
		return nil, err
	}
	return &m.Machine, nil
}

func (w *writer) loadAgents(ctx context.Context) error {
	return each(ctx, w.conn, func(rows *sql.Rows) error {
		var agent, machine string
		var turn int64
		if err := rows.Scan(&agent, &machine, &turn); err != nil {
			return err
		}
		if w.Agents[agent] == nil {
			w.Agents[agent] = map[string]int64{}
		}
		w.Agents[agent][machine] = turn
		return nil
	}, `SELECT a.agent, m.id, a.turn FROM agent_machine a JOIN machine m ON m.num = a.machine_num`)
}

func (w *writer) loadStreams(ctx context.Context) error {
	byNum := map[int64]*stream{}
	err := each(ctx, w.conn, func(rows *sql.Rows) error {
		st := readers.NewStream()
		var sid, rid, rboot, past []byte
		var acked, horizon int64
		var begin, fence, met sql.NullInt64
		var buried bool
		if err := rows.Scan(&st.Num, &sid, &st.Agent, &st.Machine, &acked, &horizon, &st.Records, &rid, &rboot, &st.Run.Boottime, &past, &st.Frozen,
			&begin, &st.Covers, &fence, &st.Closed, &st.Unread, &met, &st.Vague, &st.Late, &buried, &st.Back); err != nil {
			return err
		}
		st.Met = met.Int64
		m := w.machines[st.Machine]
		m.Come(st.Num, st.Late, st.Latest())
		if buried {
			m.Bury(st.Num)
		}
		st.Begun, st.Begin, st.Fenced, st.Fence = begin.Valid, begin.Int64, fence.Valid, fence.Int64
		st.ID, st.Run.ID, st.Run.Boot = id(sid), id(rid), id(rboot)
		st.Acked, st.Horizon = uint64(acked), uint64(horizon)
		for p := range slices.Chunk(past, len(store.ID{})) {
			st.Past = append(st.Past, id(p))
		}
		w.Streams[st.ID], byNum[st.Num] = st, st
		return nil
	}, `SELECT s.num, s.id, s.agent, m.id, s.acked, s.horizon, s.records, s.run, s.run_boot, s.run_boottime, s.past_runs, s.frozen,
	           s.begin_ms, s.covers, s.fence_ms, s.closed, s.unread, s.met_ms, s.vague, s.late, s.buried, s.back_ms
	    FROM stream s JOIN machine m ON m.num = s.machine_num`)
	if err != nil {
		return err
	}
	err = each(ctx, w.conn, func(rows *sql.Rows) error {
		var k readers.BootKey
		var b []byte
		var offset int64
		if err := rows.Scan(&k.Agent, &b, &offset); err != nil {
			return err
		}
		k.ID = id(b)
		w.Boots[k] = offset
		return nil
	}, `SELECT agent, id, offset_ns FROM boot`)
	if err != nil {
		return err
	}
	return w.loadClocks(ctx, byNum)
}
