// Package sqlite keeps a mill's books in one SQLite file.
package sqlite

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"turnwise/server/store"
)

// Options tunes a Store. The zero value works.
type Options struct {
	// Log hears about refused records and frozen streams. Nil means slog.Default.
	Log *slog.Logger
	// Now tells the time. Nil means time.Now.
	Now func() time.Time
}

// Store is a [store.Store] in one SQLite file.
type Store struct{ store.Store }

var _ store.Store = (*Store)(nil)

// Open opens or creates the database file.
func Open(ctx context.Context, file string, o Options) (*Store, error) {
	return nil, errors.New("sqlite: being built")
}
