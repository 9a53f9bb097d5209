package host

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"

	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// FrozenStreams lists the streams that take nothing more, in the database of a
// configuration. It works beside a running server.
func FrozenStreams(ctx context.Context, c Config, log *slog.Logger) ([]store.FrozenStream, error) {
	var list []store.FrozenStream
	err := beside(ctx, c, log, func(st *sqlite.Store) (err error) {
		list, err = st.Frozen(ctx)
		return err
	})
	return list, err
}

// ReleaseStream lets a frozen stream go on with the process that speaks next.
// name is the hexadecimal id that FrozenStreams shows. It works beside a
// running server. Errors hold [store.ErrNotFound] or [store.ErrInvalid].
func ReleaseStream(ctx context.Context, c Config, name string, log *slog.Logger) error {
	b, err := hex.DecodeString(name)
	if err != nil || len(b) != len(store.ID{}) {
		return fmt.Errorf("release stream %q: %w: %d hexadecimal digits are expected, as server streams list shows them", name, store.ErrInvalid, 2*len(store.ID{}))
	}
	return beside(ctx, c, log, func(st *sqlite.Store) error { return st.Release(ctx, store.ID(b)) })
}

// beside opens the records for one short task.
func beside(ctx context.Context, c Config, log *slog.Logger, do func(*sqlite.Store) error) error {
	st, err := sqlite.OpenBeside(ctx, c.Database.File, sqlite.Options{Log: log})
	if err != nil {
		return fmt.Errorf("host: open the records in %s (database.file): %w", c.Database.File, err)
	}
	return errors.Join(do(st), st.Close())
}
