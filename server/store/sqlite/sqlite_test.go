package sqlite

import (
	"path/filepath"
	"testing"
	"time"

	"turnwise/server/store"
	"turnwise/server/store/storetest"
)

// start of the invented days of the tests.
var start = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)

func TestStore(t *testing.T) {
	storetest.Run(t, func(t *testing.T, dir string) store.Store { return open(t, dir) })
}

func open(t testing.TB, dir string) *Store {
	t.Helper()
	s, err := Open(t.Context(), filepath.Join(dir, "books", "turnwise.db"), Options{
		Log: quiet, Now: func() time.Time { return start.AddDate(0, 0, 1) },
	})
	if err != nil {
		t.Fatal(err)
	}
	return s
}
