package host

import (
	"context"
	"log/slog"

	"turnwise/server/store/sqlite"
)

// Asides lists what agents sent and the server keeps without having booked it,
// newest first. It works beside a running server.
func Asides(ctx context.Context, c Config, limit int, log *slog.Logger) (list []sqlite.Aside, err error) {
	err = beside(ctx, c, log, func(st *sqlite.Store) (err error) {
		list, err = st.Asides(ctx, limit)
		return err
	})
	return list, err
}

// AsideMessage returns the kept bytes of a message that could not be read.
func AsideMessage(ctx context.Context, c Config, number int64, log *slog.Logger) (payload []byte, err error) {
	err = beside(ctx, c, log, func(st *sqlite.Store) (err error) {
		payload, err = st.AsideMessage(ctx, number)
		return err
	})
	return payload, err
}
