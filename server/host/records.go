package host

import (
	"context"
	"log/slog"
	"time"

	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// Records is all that a server keeps.
type Records interface {
	store.Store
	store.PromiseRecord
	store.PlanRecord
	store.CreelRecord
	store.AlarmRecord
}

// OpenRecords opens the records of a server that somebody plays without one.
func OpenRecords(ctx context.Context, file string, log *slog.Logger, now func() time.Time) (Records, error) {
	return sqlite.Open(ctx, file, sqlite.Options{Log: log, Now: now})
}
