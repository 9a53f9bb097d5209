package rehearsal

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"turnwise/server/store"
	"turnwise/server/store/sqlite"
	"turnwise/server/store/storetest"
)

// The database in memory keeps what the one of mills keeps.
func TestMemoryConforms(t *testing.T) {
	kept := map[string]*memory{}
	storetest.Counts(t, func(t *testing.T, dir string) store.Store {
		if kept[dir] == nil {
			kept[dir] = newMemory(newWorld(1, nil))
			kept[dir].refused = func(string, ...any) {} // poison is among what is sent
		}
		return kept[dir]
	})
}

// file is the database that mills use. Its process ends cleanly here: what it
// does when it is killed, or loses the power, is tested where it lives.
type file struct {
	store.Store // stands for the store that is open
	st          *sqlite.Store
	t           *testing.T
	w           *world
	path        string
	backups     int
	draw        *rand.Rand // its own, so that the play is that of the one in memory
	dropped     int64
}

func (f *file) now() time.Time { return time.Unix(0, epoch+int64(f.w.now)) }

func (f *file) open() {
	f.t.Helper()
	st, err := sqlite.Open(background, f.path, sqlite.Options{Log: quiet, Now: f.now})
	if err != nil {
		f.t.Fatal(err)
	}
	f.Store, f.st = st, st
}

// prune drops records and fine cells that a mill keeps for a year or longer.
func (f *file) prune() {
	ago := func() time.Time { return f.now().Add(-time.Duration(f.draw.Float64() * float64(40*time.Second))) }
	p, err := f.st.Prune(background, sqlite.PruneOptions{Before: ago(), Most: 1 + f.draw.IntN(500)})
	if err != nil {
		f.t.Fatal(err)
	}
	f.dropped += p.Records
	if _, err := f.st.RollUp(background, sqlite.RollUpOptions{Before: ago()}); err != nil {
		f.t.Fatal(err)
	}
}

func (f *file) reopen() {
	if err := f.Close(); err != nil {
		f.t.Fatal(err)
	}
	f.open()
}

func (f *file) register(agent string, machines ...string) {
	if _, err := f.RegisterAgent(background, agent, machines, f.now(), false); err != nil {
		f.t.Fatal(err)
	}
}

func (f *file) backupName() string { return fmt.Sprintf("%s.backup-%d", f.path, f.backups) }

func (f *file) backup() {
	f.backups++
	if _, err := sqlite.TakeBackup(background, f.path, f.backupName(), sqlite.BackupOptions{Now: f.now}); err != nil {
		f.t.Fatal(err)
	}
	if f.draw.IntN(2) == 0 {
		f.prune()
	}
}

func (f *file) restore() bool {
	if f.backups == 0 {
		return false
	}
	if err := f.Close(); err != nil {
		f.t.Fatal(err)
	}
	if _, err := sqlite.Restore(background, f.path, f.backupName(), sqlite.RestoreOptions{}); err != nil {
		f.t.Fatal(err)
	}
	f.open()
	return true
}

func (f *file) books() (list []record) {
	states, err := f.States(background)
	if err != nil {
		f.t.Fatal(err)
	}
	totals, _, err := f.Totals(background)
	if err != nil {
		f.t.Fatal(err)
	}
	for i, x := range totals {
		r := record{
			machine: x.Machine, revolutions: x.Revolutions, stops: x.Stops, lostMin: x.LostMin, lostMax: x.LostMax,
			run: x.RunMS, stop: x.StopMS, unknown: x.UnknownMS,
			lives: 1000, // not told; the comparison with the database in memory is exact
		}
		if s := states[i]; !s.First.IsZero() {
			r.first, r.last = s.First.UnixMilli(), s.Last.UnixMilli()
		}
		list = append(list, r)
	}
	return list
}

// The database of mills and the one in memory, under the same faults, have the
// same books, although the one of mills drops records and fine cells of seconds
// ago. In the end all its sums are counted again.
func TestRealDatabase(t *testing.T) {
	seeds := *realFlag
	if testing.Short() {
		seeds = 1
	}
	for seed := *firstFlag; seed < *firstFlag+seeds; seed++ {
		o := Options{Seed: seed, Faults: 800, Pauses: *pausesFlag}
		want := Run(o)
		var f *file
		o.open = func(w *world) database {
			f = &file{t: t, w: w, path: filepath.Join(t.TempDir(), "mill.db"), draw: rand.New(rand.NewPCG(seed, 99))}
			f.open()
			return f
		}
		got := Run(o)
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		rep, err := sqlite.Verify(background, f.path, sqlite.VerifyOptions{})
		if err != nil || rep.Err() != nil || rep.InPart > 0 {
			t.Errorf("seed %d: %+v, %v", seed, rep, err)
		}
		if len(got.Wrong) > 0 || len(want.Wrong) > 0 {
			t.Errorf("seed %d: SQLite %v, memory %v", seed, got.Wrong, want.Wrong)
		}
		for i := range want.Books {
			want.Books[i].lives, want.Books[i].buried, got.Books[i].lives = 0, 0, 0
		}
		if !reflect.DeepEqual(got.Books, want.Books) {
			t.Errorf("seed %d:\nSQLite %+v\nmemory %+v", seed, got.Books, want.Books)
		}
		t.Logf("seed %d: %d faults, %d backups, %d records dropped, %d left", seed, got.Faults, f.backups, f.dropped, rep.Records)
	}
}
