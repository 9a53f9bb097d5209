package sqlite

import (
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"hash"
	"math"
	"strings"
	"time"

	"turnwise/server/ingest/sealed"
	"turnwise/server/store"
)

// A finished backup bears a seal: one row with the instant of its content and
// the SHA-256 of everything in it but the seal. So any change of the content
// is found, in the parts too that have no check sums of their own.
const sealTable = "backup_seal"

// stamp is what the seal says.
type stamp struct {
	taken time.Time
	sum   []byte // empty while the backup is being checked
}

// readSeal returns nil where there is none.
func readSeal(ctx context.Context, conn *sql.Conn) (*stamp, error) {
	var n int
	if err := conn.QueryRowContext(ctx, `SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = ?`, sealTable).Scan(&n); err != nil || n == 0 {
		return nil, err
	}
	s := new(stamp)
	var taken int64
	err := conn.QueryRowContext(ctx, `SELECT taken_ms, sum FROM `+sealTable).Scan(&taken, &s.sum)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	s.taken = ms(taken)
	return s, err
}

func appendInt(b []byte, n int64) []byte { return binary.BigEndian.AppendUint64(b, uint64(n)) }

// appendValue writes a value of a column so that no two values, nor two rows,
// look alike.
func appendValue(b []byte, v any) ([]byte, error) {
	switch x := v.(type) {
	case nil:
		return append(b, 'n'), nil
	case int64:
		return appendInt(append(b, 'i'), x), nil
	case float64:
		return appendInt(append(b, 'f'), int64(math.Float64bits(x))), nil
	case string:
		return append(appendInt(append(b, 's'), int64(len(x))), x...), nil
	case []byte:
		return append(appendInt(append(b, 'b'), int64(len(x))), x...), nil
	case bool:
		if x {
			return append(b, 't'), nil
		}
		return append(b, 'u'), nil
	case time.Time:
		return appendInt(append(b, 'z'), x.UnixNano()), nil
	}
	return nil, fmt.Errorf("a value of type %T", v)
}

// digest writes all content of a database but its seal to h: the definitions,
// then every table in the order of its key. records reads the table of the
// records, which is checked on the way.
func digest(ctx context.Context, conn *sql.Conn, h hash.Hash, records func(hash.Hash) error) error {
	var tables []string
	err := each(ctx, conn, func(rows *sql.Rows) error {
		var typ, name, table, text string
		if err := rows.Scan(&typ, &name, &table, &text); err != nil {
			return err
		}
		for _, s := range []string{typ, name, table, text} {
			h.Write(append(appendInt(nil, int64(len(s))), s...))
		}
		if typ == "table" {
			tables = append(tables, name)
		}
		return nil
	}, `SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema WHERE name <> ? ORDER BY type, name`, sealTable)
	if err != nil {
		return err
	}
	for _, t := range tables {
		h.Write(append(appendInt(nil, int64(len(t))), t...))
		if t == "record" {
			err = records(h)
		} else {
			err = digestTable(ctx, conn, h, t)
		}
		if err != nil {
			return fmt.Errorf("table %s: %w", t, err)
		}
	}
	return nil
}

func digestTable(ctx context.Context, conn *sql.Conn, h hash.Hash, table string) error {
	var key []string
	err := each(ctx, conn, func(rows *sql.Rows) error {
		var name string
		err := rows.Scan(&name)
		key = append(key, quote(name))
		return err
	}, `SELECT name FROM pragma_table_info(?) WHERE pk > 0 ORDER BY pk`, table)
	if err != nil {
		return err
	}
	if len(key) == 0 {
		key = []string{"rowid"}
	}
	rows, err := conn.QueryContext(ctx, `SELECT * FROM `+quote(table)+` ORDER BY `+strings.Join(key, ", "))
	if err != nil {
		return err
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		return err
	}
	values, places := make([]any, len(names)), make([]any, len(names))
	for i := range values {
		places[i] = &values[i]
	}
	var b []byte
	for rows.Next() {
		if err := rows.Scan(places...); err != nil {
			return err
		}
		b = b[:0]
		for _, x := range values {
			if b, err = appendValue(b, x); err != nil {
				return err
			}
		}
		h.Write(b)
	}
	return rows.Err()
}

func quote(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// bridged tells whether a record may follow a gap: it is a tombstone that
// stands for what is missing.
func bridged(seq, next uint64, body []byte) bool {
	r := store.Record{Seq: seq}
	if sealed.Decode(body, &r) != nil {
		return false
	}
	t, ok := r.Kind.(*store.Tombstone)
	return ok && t.From <= next && t.To >= seq-1
}
