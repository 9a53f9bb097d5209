package sqlite

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestFirst: records begin where a mill begins, and not where a name is mistyped.
func TestFirst(t *testing.T) {
	dir := t.TempDir()
	db, other, empty := filepath.Join(dir, "mill", "turnwise.db"), filepath.Join(dir, "other"), filepath.Join(dir, "empty.db")
	text := []byte("SQLite format 3\x00 and more")
	if err := errors.Join(os.Mkdir(filepath.Dir(db), 0o700), os.WriteFile(db, text, 0o600), os.Mkdir(other, 0o700),
		os.WriteFile(filepath.Join(other, "notes.txt"), []byte("SQLite is a database"), 0o600),
		os.WriteFile(filepath.Join(other, "mill.db.partial"), text, 0o600), os.WriteFile(empty, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	killed := filepath.Join(dir, "killed", "turnwise.db")
	if err := errors.Join(os.Mkdir(filepath.Dir(killed), 0o700), os.WriteFile(killed+readySuffix, text, 0o600)); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		name, file string
		make       bool
		backup     string
		want       bool
		wrong      string
	}{
		{"records that are there", db, false, "", false, ""},
		{"and of which there is a backup", db, false, "/mnt/b/mill.db", false, ""},
		{"a restore that was killed", killed, false, "/mnt/b/mill.db", false, ""},
		{"a folder that was made", filepath.Join(other, "turnwise.db"), false, "", true, ""},
		{"a first start that was killed", empty, false, "", true, ""},
		{"the usual folder", filepath.Join(dir, "none", "turnwise.db"), true, "", true, ""},
		{"a folder mistyped", filepath.Join(dir, "mil", "turnwise.db"), false, "", false, "its folder is missing; correct database.file, or mount its disk, or, where a mill begins, make the folder: mkdir -p " + filepath.Join(dir, "mil")},
		{"a file mistyped", filepath.Join(dir, "mill", "turnwise.bd"), false, "", false, "but in " + db + " beside it; correct database.file"},
		{"a file mistyped in the usual folder", filepath.Join(dir, "mill", "turnwise.bd"), true, "", false, "but in " + db + " beside it"},
		{"a disk that is not mounted", filepath.Join(other, "turnwise.db"), false, "/mnt/b/mill.db", false, "but a backup in /mnt/b/mill.db; correct database.file, or mount its disk, or bring the backup back with `server restore --from /mnt/b/mill.db`"},
		{"records that are gone", filepath.Join(other, "turnwise.db"), true, "/mnt/b/mill.db", false, "move its backups away"},
	} {
		got, err := First(x.file, x.make, x.backup)
		if got != x.want || (err == nil) != (x.wrong == "") {
			t.Errorf("%s: %v, %v, want %v %q", x.name, got, err, x.want, x.wrong)
		}
		if err != nil && (!strings.Contains(err.Error(), x.wrong) || !strings.Contains(err.Error(), x.file)) {
			t.Errorf("%s: %v\ndoes not say %q and the file", x.name, err, x.wrong)
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "mil")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a look made the folder: %v", err)
	}
}
