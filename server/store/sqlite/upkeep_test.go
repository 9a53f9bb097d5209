package sqlite

import (
	"path/filepath"
	"reflect"
	"testing"
	"time"

	"turnwise/server/store"
)

// What is told of the records is what is there; what a prune would drop is what
// it drops.
func TestUpkeep(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir)
	defer func() { s.Close() }()
	tell := func(before time.Time) store.Upkeep {
		t.Helper()
		u, err := s.Upkeep(t.Context(), s.now(), before)
		if err != nil {
			t.Fatal(err)
		}
		return u
	}
	if u := tell(s.now()); u.Records != 0 || !u.Oldest.IsZero() || u.NextCount != 0 || u.LastPrune != nil || u.LastBackup() != nil || u.Created.IsZero() || u.FileBytes == 0 || !u.GivesBack {
		t.Errorf("of an empty database %+v", u)
	}
	smallMill(t, s)
	before := start.Add(300 * time.Second)
	if u := tell(before); u.Records != 128 || u.Dropped != 0 || !u.Oldest.Equal(start.Add(10*time.Second)) || u.NextCount != 0 {
		t.Errorf("without a backup %+v, want nothing that may be dropped", u)
	}
	b := take(t, s, filepath.Join(dir, "b.db"))
	u := tell(before)
	if u.NextCount != 58 || u.LastBackup() == nil || u.LastBackup().File != b.File || u.LastBackup().Records != 128 || u.LastBackup().Bytes != b.Bytes {
		t.Errorf("%+v, want records 1 to 29 of two machines to go", u)
	}
	if u := tell(time.Time{}); u.NextCount != 0 {
		t.Errorf("kept for ever: %+v", u)
	}
	if p := prune(t, s, 300*time.Second, 0); p.Records != u.NextCount {
		t.Errorf("dropped %d, told were %d", p.Records, u.NextCount)
	}
	for _, note := range []store.Prune{
		{At: start, Before: before, Records: 58, Given: 4096, Held: []store.Held{{Machine: "k01", Reason: "why"}}, Error: "disk full"},
		{At: start.Add(time.Hour), Held: []store.Held{}},
	} {
		if err := s.NotePrune(t.Context(), note); err != nil {
			t.Fatal(err)
		}
		s.Close()
		s = open(t, dir)
		u = tell(before)
		if u.LastPrune == nil || !reflect.DeepEqual(*u.LastPrune, note) {
			t.Errorf("note %+v, want %+v", u.LastPrune, note)
		}
	}
	if u.Records != 70 || u.Dropped != 58 || !u.Oldest.Equal(before) || u.NextCount != 0 {
		t.Errorf("after the prune %+v", u)
	}
	undamaged(t, s.file)
	created := u.Created
	for _, c := range []struct {
		now  time.Time
		none bool
		late bool
	}{
		{u.LastBackup().Taken.Add(48 * time.Hour), false, false}, {u.LastBackup().Taken.Add(48*time.Hour + 1), false, true},
		{created.Add(48 * time.Hour), true, false}, {created.Add(49 * time.Hour), true, true},
	} {
		x := u
		x.BackupLimit = 48 * time.Hour
		if c.none {
			x.Backups = nil
		}
		if x.BackupLate(c.now) != c.late {
			t.Errorf("at %s, none %v: late is %v", c.now, c.none, !c.late)
		}
	}
}
