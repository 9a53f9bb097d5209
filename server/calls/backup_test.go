package calls

import (
	"strings"
	"testing"
	"time"
)

// Without a young verified backup the engineer is told, once; a new one ends it.
func TestBackupAlarm(t *testing.T) {
	h := newHall()
	taken, failed := h.now.Add(-47*time.Hour), false
	d := newDesk(t, h, Options{Backup: func() Backup { return Backup{Since: taken, Limit: 48 * time.Hour, Failed: failed} }})
	d.goOn(t, 59*time.Minute)
	d.expect(t, "within the limit")
	failed = true
	d.goOn(t, 2*time.Minute)
	d.expect(t, "beyond it", "backup UNACK")
	a := d.List(false)[0]
	if !strings.Contains(a.Sentence, "no verified backup of the records since Sat") || !strings.Contains(a.Sentence, "The newest attempt failed") || a.Asked[0] != "engineering" || !a.Begin.Equal(taken) || a.Machines != nil {
		t.Errorf("%+v", a)
	}
	d.goOn(t, 5*time.Minute)
	if n := d.told(t); n != 1 {
		t.Errorf("told %d times, want once", n)
	}
	taken = h.now
	d.goOn(t, 2*time.Second)
	d.expect(t, "after a new one", "backup RTN_UNACK")
	// Where nothing is known nobody is told.
	taken = time.Time{}
	d.goOn(t, time.Minute)
	d.expect(t, "not known", "backup RTN_UNACK")
}

// A folder of the backups that is not there is told at once, also while the newest
// backup is young, and besides that it becomes too old.
func TestBackupFolderAlarm(t *testing.T) {
	h := newHall()
	gone := h.now.Add(-time.Second)
	b := Backup{Since: h.now.Add(-47 * time.Hour), Limit: 48 * time.Hour, Gone: gone, GoneWords: "backup.dir: folder /mnt/x is not there; mount it"}
	d := newDesk(t, h, Options{Backup: func() Backup { return b }})
	d.goOn(t, 2*time.Second)
	d.expect(t, "gone", "backup-folder UNACK")
	a := d.List(false)[0]
	if !strings.Contains(a.Sentence, "backup.dir: folder /mnt/x is not there; mount it.") || a.Class != "backup" || a.Asked[0] != "engineering" || !a.Begin.Equal(gone) {
		t.Errorf("%+v", a)
	}
	d.goOn(t, 2*time.Hour)
	d.expect(t, "and too old", "backup UNACK", "backup-folder UNACK")
	b.Gone = time.Time{}
	d.goOn(t, 2*time.Second)
	d.expect(t, "there again", "backup UNACK", "backup-folder RTN_UNACK")
}
