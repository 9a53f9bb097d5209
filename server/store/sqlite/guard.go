package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"

	"github.com/mattn/go-sqlite3"
)

// SQLite keeps no check sums of its own, and only records bring theirs. So each
// other table has one in the table guard: the rows' sums, joined by exclusive
// or, kept by triggers that this file makes for every table there is. They
// call a function that only this package's connections have, so that another
// program cannot write without the server noticing.
const (
	guardFunc   = "turnwise_guard"
	guardPrefix = "guard_"
	guardSchema = "sqlite_schema" // the definitions, triggers included
)

// guardMix is sum joined with the sum of one row of a table.
func guardMix(sum int64, table string, values ...any) (int64, error) {
	h := fnv.New64a()
	b := append(make([]byte, 0, 256), table...)
	var err error
	for _, v := range values {
		if b, err = appendValue(b, v); err != nil {
			return 0, err
		}
	}
	_, _ = h.Write(b)
	return sum ^ int64(h.Sum64()), nil
}

func registerGuard(c *sqlite3.SQLiteConn) error {
	if err := c.RegisterFunc(guardFunc, guardMix, true); err != nil {
		return err
	}
	_, err := c.Exec(`PRAGMA recursive_triggers = ON`, nil) // REPLACE is told of too
	return err
}

// guarded lists the tables that have a sum, with their columns.
func guarded(ctx context.Context, q querier) (tables []string, columns map[string][]string, err error) {
	columns = map[string][]string{}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var table, column string
		if err := rows.Scan(&table, &column); err != nil {
			return err
		}
		if len(columns[table]) == 0 {
			tables = append(tables, table)
		}
		columns[table] = append(columns[table], column)
		return nil
	}, `SELECT t.name, c.name FROM sqlite_schema t JOIN pragma_table_info(t.name) c
		WHERE t.type = 'table' AND t.name NOT LIKE 'sqlite!_%' ESCAPE '!' AND t.name NOT IN ('record', 'guard', ?)
		ORDER BY t.name, c.cid`, sealTable)
	return tables, columns, err
}

// call is the SQL that joins sum with a row.
func call(sum, table, row string, columns []string) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s(%s, '%s'", guardFunc, sum, table)
	for _, c := range columns {
		fmt.Fprintf(&b, ", %s%s", row, quote(c))
	}
	return b.String() + ")"
}

// guardTriggers are the definitions by name that keep the sum of a table.
func guardTriggers(table string, columns []string) map[string]string {
	out := map[string]string{}
	add := func(what, when, sum string) {
		name := guardPrefix + table + "_" + what
		out[name] = fmt.Sprintf("CREATE TRIGGER %s AFTER %s ON %s BEGIN UPDATE guard SET sum = %s WHERE name = '%s'; END", name, when, quote(table), sum, table)
	}
	add("insert", "INSERT", call("sum", table, "NEW.", columns))
	add("delete", "DELETE", call("sum", table, "OLD.", columns))
	add("update", "UPDATE", call(call("sum", table, "OLD.", columns), table, "NEW.", columns))
	return out
}

// tableSum reads a table whole.
func tableSum(ctx context.Context, q querier, table string, columns []string) (sum int64, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var x int64
		if err := rows.Scan(&x); err != nil {
			return err
		}
		sum ^= x
		return nil
	}, `SELECT `+call("0", table, "", columns)+` FROM `+quote(table))
	return sum, err
}

// schemaSum is that of all definitions but the seal's.
func schemaSum(ctx context.Context, q querier) (sum int64, err error) {
	err = each(ctx, q, func(rows *sql.Rows) error {
		var typ, name, table, text any // bytes in the place of a text are a change too
		if err := rows.Scan(&typ, &name, &table, &text); err != nil {
			return err
		}
		sum, err = guardMix(sum, guardSchema, typ, name, table, text)
		return err
	}, `SELECT type, name, tbl_name, sql FROM sqlite_schema WHERE tbl_name <> ?`, sealTable)
	return sum, err
}

// guard makes the triggers that are missing or are those of older columns, and
// counts the sums of their tables anew. It runs after the migrations.
func guard(ctx context.Context, db *sql.DB) error {
	tables, columns, err := guarded(ctx, db)
	if err != nil {
		return err
	}
	have := map[string]string{}
	err = each(ctx, db, func(rows *sql.Rows) error {
		var name, text string
		err := rows.Scan(&name, &text)
		have[name] = text
		return err
	}, `SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'`)
	if err != nil {
		return err
	}
	var stale []string
	for _, t := range tables {
		for name, text := range guardTriggers(t, columns[t]) {
			if have[name] != text && !slices.Contains(stale, t) {
				stale = append(stale, t)
			}
		}
	}
	if len(stale) == 0 {
		return nil
	}
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer tx.Rollback()
	exec := func(query string, args ...any) {
		if err == nil {
			_, err = tx.ExecContext(ctx, query, args...)
		}
	}
	for _, t := range stale {
		for name, text := range guardTriggers(t, columns[t]) {
			exec(`DROP TRIGGER IF EXISTS ` + name)
			exec(text)
		}
		if err != nil {
			return err
		}
		sum, serr := tableSum(ctx, tx, t, columns[t])
		if serr != nil {
			return serr
		}
		exec(`INSERT OR REPLACE INTO guard (name, sum) VALUES (?, ?)`, t, sum)
	}
	if err != nil {
		return err
	}
	sum, err := schemaSum(ctx, tx)
	if err != nil {
		return err
	}
	exec(`INSERT OR REPLACE INTO guard (name, sum) VALUES (?, ?)`, guardSchema, sum)
	if err != nil {
		return err
	}
	return tx.Commit()
}

// guards compares all sums with the rows.
func (v *verifier) guards(ctx context.Context) error {
	kept := map[string]int64{}
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var name string
		var sum int64
		err := rows.Scan(&name, &sum)
		kept[name] = sum
		return err
	}, `SELECT name, sum FROM guard`)
	if err != nil {
		return err
	}
	tables, columns, err := guarded(ctx, v.w.conn)
	if err != nil {
		return err
	}
	check := func(name string, sum int64) {
		if k, ok := kept[name]; !ok || k != sum {
			v.damage("table "+name, fmt.Sprintf("rows with the sum %016x", uint64(sum)), fmt.Sprintf("%016x, as kept when they were written", uint64(k)))
		}
		delete(kept, name)
	}
	sum, err := schemaSum(ctx, v.w.conn)
	if err != nil {
		return err
	}
	check(guardSchema, sum)
	for _, t := range tables {
		if sum, err = tableSum(ctx, v.w.conn, t, columns[t]); err != nil {
			return err
		}
		check(t, sum)
	}
	for name := range kept {
		v.damage("table guard", fmt.Sprintf("a sum of table %q", name), "sums of tables that are there")
	}
	return v.sequences(ctx)
}

// sequences looks at the one table that SQLite keeps for itself: no row of
// ours is removed but old ones, so the newest number is that of a row.
func (v *verifier) sequences(ctx context.Context) error {
	told := map[string]int64{}
	err := each(ctx, v.w.conn, func(rows *sql.Rows) error {
		var name string
		var seq int64
		err := rows.Scan(&name, &seq)
		told[name] = seq
		return err
	}, `SELECT name, seq FROM sqlite_sequence`)
	if err != nil {
		return err
	}
	for _, table := range []string{"goose_db_version", "creel_load", "quarantine", "loading_plan", "task_tap", "lot_move", "lot_release", "alarm_act", "creel_reading"} {
		var newest int64
		if err := v.w.row(ctx, `SELECT coalesce(max(id), 0) FROM `+table).Scan(&newest); err != nil {
			return err
		}
		if newest != told[table] {
			v.damage("table sqlite_sequence", fmt.Sprintf("%d for %s", told[table], table), fmt.Sprintf("%d, its newest row", newest))
		}
		delete(told, table)
	}
	for name := range told {
		v.damage("table sqlite_sequence", fmt.Sprintf("a number for %q", name), "tables that are there")
	}
	return nil
}
