package web

import (
	"context"
	"errors"
	"fmt"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"turnwise/server/store"
)

// upkeepOf is how the records of a mill are kept: an empty one has none and no
// backup yet, one of fifty machines has a late backup, machines held back and a
// file that cannot give room back.
func upkeepOf(f *fakeFloor) func(context.Context) (store.Upkeep, error) {
	return func(context.Context) (store.Upkeep, error) {
		now, day := f.now, 24*time.Hour
		u := store.Upkeep{Records: 4_102_331, Dropped: 912_004, Oldest: now.Add(-401 * day), FileBytes: 612_400_000, FreeBytes: 31_200_000, GivesBack: true, DiskFree: 84_000_000_000,
			Retain: 400 * day, NextPrune: now.Add(4 * time.Hour), NextCount: 10_260, Created: now.Add(-520 * day), BackupLimit: 2 * day,
			LastPrune: &store.Prune{At: now.Add(-2 * time.Hour), Before: now.Add(-400 * day), Records: 2562, Given: 1_048_576}}
		for i := range 14 {
			if i != 6 {
				u.Backups = append(u.Backups, store.Copy{Taken: now.Add(-14*time.Hour - time.Duration(i)*day), File: fmt.Sprintf("/safe/backups/mill-%02d.db", i), Bytes: 581_000_000 - int64(i)*1_400_000, Records: 4_100_000 - int64(i)*10_000})
			}
		}
		switch n := len(f.machines); {
		case n == 0:
			return store.Upkeep{FileBytes: 380_000, GivesBack: true, DiskFree: -1, Retain: 400 * day, Created: now.Add(-time.Hour), BackupLimit: 2 * day, NextPrune: now.Add(5 * time.Minute)}, nil
		case n >= 50:
			u.Backups, u.GivesBack, u.FreeBytes = u.Backups[4:], false, 290_000_000
			u.BackupFailed, u.BackupFailure = now.Add(-20*time.Minute), "disk of /safe/backups is full: 580000000 bytes are needed"
			u.LastPrune.Error = "disk I/O error"
			u.SetBack = &store.SetBack{By: 62 * time.Minute, Seen: now.Add(-30 * time.Hour), Machine: f.machines[2].ID}
			for _, m := range f.machines {
				u.LastPrune.Held = append(u.LastPrune.Held, store.Held{Machine: m.ID, Reason: "no verified backup holds record 210442 of its stream; take one"})
			}
		}
		return u, nil
	}
}

// The page answers in words what its pictures show: young, late, none, not known.
func TestRecordsPage(t *testing.T) {
	for _, c := range []struct {
		name  string
		f     *fakeFloor
		edit  func(*Options)
		words []string
		not   string
	}{
		{"young", mill(), nil, []string{"14h", "2 days are allowed", "13 backups were checked in full", "612.4 MB, 31.2 MB of it free; 84.0 GB are free on its disk.", "after 400 days", "10,260", "2,562 records, well", "4,102,331", "never seen set back"}, "No verified backup is younger"},
		{"late", bigMill(50), nil, []string{"4days", "No verified backup is younger than 2 days", "failed: disk of /safe/backups is full", "server shrink", "then it ended early: disk I/O error", "30 more are left out", "set back by 62 min", "was last seen set back Sun 04:40 at M3. Turns near then may be told with bounds."}, "never seen set back"},
		{"none", emptyMill(), nil, []string{"No verified backup was taken yet", "No record is kept.", "none was taken"}, "No verified backup is younger"},
		{"not known", mill(), func(o *Options) { o.Upkeep = nil }, []string{"does not tell how its records are kept"}, "The file"},
		{"kept for ever", mill(), func(o *Options) {
			tell := o.Upkeep
			o.Upkeep = func(ctx context.Context) (store.Upkeep, error) {
				u, err := tell(ctx)
				u.Retain, u.NextPrune, u.LastPrune = 0, time.Time{}, nil
				return u, err
			}
		}, []string{"never"}, "next prune"},
		{"set back while it ran", mill(), func(o *Options) {
			tell := o.Upkeep
			o.Upkeep = func(ctx context.Context) (store.Upkeep, error) {
				u, err := tell(ctx)
				u.SetBack = &store.SetBack{By: 50 * time.Hour, Seen: mill().now}
				return u, err
			}
		}, []string{"set back by 2.1 days", "last seen set back 10:40. Turns near then"}, " at K"},
		{"broken", mill(), func(o *Options) {
			o.Upkeep = func(context.Context) (store.Upkeep, error) { return store.Upkeep{}, errors.New("secret") }
		}, []string{"cannot be drawn now"}, "secret"},
	} {
		o := millOptions(c.f)
		if c.edit != nil {
			c.edit(&o)
		}
		w := httptest.NewRecorder()
		handler(t, c.f, o).ServeHTTP(w, httptest.NewRequest("GET", "/records", nil))
		n, err := html.Parse(w.Body)
		if err != nil {
			t.Fatal(err)
		}
		said := text(n)
		for _, words := range c.words {
			if !strings.Contains(said, words) {
				t.Errorf("%s: no %q in %s", c.name, words, said)
			}
		}
		if c.not != "" && strings.Contains(said, c.not) {
			t.Errorf("%s: %q is said", c.name, c.not)
		}
	}
}
