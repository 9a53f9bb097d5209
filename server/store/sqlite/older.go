package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
)

// A backup that an older version took is checked twice: as what it is, by its
// seal, its structure and its records; and, in a private copy that is brought up
// to date as the server would do it, by all kept sums. The file itself is only read.

// olderBackup tells whether the file is a backup of a schema before today's.
func (v *verifier) olderBackup(ctx context.Context) bool {
	if !v.o.Backup || v.stop { // damaged so that nothing can be read
		return false
	}
	n, err := v.schema(ctx)
	return err == nil && n > 0 && n < newestSchema
}

// runOlder does all checks of an older backup.
func (v *verifier) runOlder(ctx context.Context) error {
	for _, check := range []func(context.Context) error{v.olderHead, v.structure, v.records} {
		if err := v.note("reading", check(ctx)); err != nil {
			return err
		}
		if v.stop {
			return nil
		}
	}
	dir, err := os.MkdirTemp("", "turnwise-verify-")
	if err != nil {
		return fmt.Errorf("make room for a private copy: %w; name a folder with room in TMPDIR", err)
	}
	defer os.RemoveAll(dir)
	n, err := v.upToDate(ctx, filepath.Join(dir, "copy.db"))
	switch {
	case IsFull(err):
		return fmt.Errorf("%w; free space in %s, some more than the backup takes, or name another folder in TMPDIR", err, filepath.Dir(dir))
	case err != nil:
		return err
	case n == nil:
		return nil
	}
	// What was read of the file itself stays: its own schema, its records.
	v.rep.Machines, v.rep.Revolutions, v.rep.Recounted, v.rep.InPart = n.Machines, n.Revolutions, n.Recounted, n.InPart
	v.rep.Settled, v.rep.Damages, v.rep.More, v.rep.CheckedAs = n.Settled, n.Damages, n.More, n.Schema
	return nil
}

// upToDate checks the sums of a copy that is brought up to date; nil where that
// was not possible because of damage, which is noted.
func (v *verifier) upToDate(ctx context.Context, name string) (*Report, error) {
	if err := copyOver(ctx, v.rep.File, name); err != nil {
		return nil, fmt.Errorf("private copy: %w", err)
	}
	err := alter(ctx, name, `DROP TABLE `+sealTable)
	if err == nil {
		var s *Store
		if s, err = Open(ctx, name, Options{Log: slog.New(slog.DiscardHandler)}); err == nil {
			err = s.Close()
		}
	}
	if err != nil {
		if IsFull(err) {
			return nil, err
		}
		return nil, v.note(fmt.Sprintf("bringing a copy from schema %d to %d", v.rep.Schema, newestSchema), err)
	}
	n, err := begin(ctx, name, VerifyOptions{Progress: v.o.Progress, Repair: v.o.Repair})
	if err != nil {
		return nil, err
	}
	defer n.end()
	return n.rep, n.run(ctx)
}

// olderHead is [verifier.head] for tables that may lack the newer columns.
func (v *verifier) olderHead(ctx context.Context) (err error) {
	if v.rep.Schema, err = v.schema(ctx); err != nil {
		return err
	}
	var b []byte
	if err := v.w.row(ctx, `SELECT incarnation FROM meta`).Scan(&b); err != nil {
		return err
	}
	v.rep.Incarnation = fmt.Sprintf("%x", b)
	if err := v.sealed(ctx); err != nil || v.stop {
		return err
	}
	return v.w.row(ctx, `SELECT coalesce(sum(records), 0) FROM stream`).Scan(&v.total)
}

// readOlderDropped is [readDropped] for a schema of before its newest columns.
func readOlderDropped(ctx context.Context, q querier) (map[int64]dropped, error) {
	all := map[int64]dropped{}
	var n int
	err := each(ctx, q, func(rows *sql.Rows) error { return rows.Scan(&n) }, `SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'dropped'`)
	if err != nil || n == 0 {
		return all, err
	}
	err = each(ctx, q, func(rows *sql.Rows) error {
		var num, last int64
		var d dropped
		err := rows.Scan(&num, &last, &d.records)
		d.last = uint64(last)
		all[num] = d
		return err
	}, `SELECT stream_num, last_seq, records FROM dropped`) // columns of the first schema that has it
	return all, err
}
