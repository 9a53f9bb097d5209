package sqlite

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// First tells whether a server that starts on a file has to begin its records
// there, and gives an error where that looks like a mistake: with a mistyped
// name a mill would seem to have lost everything. Records begin only in a
// folder that is there, unless makeFolder, that holds no others, and where
// nobody knows of a backup of them; empty means none.
func First(file string, makeFolder bool, backup string) (bool, error) {
	abs, err := filepath.Abs(linked(file))
	if err != nil {
		return false, fmt.Errorf("sqlite: %s: %w", file, err)
	}
	switch st, err := os.Stat(abs); {
	case err == nil && st.Size() > 0, err != nil && !errors.Is(err, fs.ErrNotExist):
		return false, nil // whoever opens it says what is wrong
	}
	if _, err := os.Stat(abs + readySuffix); err == nil {
		return false, nil // a restore that was killed is ended by the next lock
	}
	dir := filepath.Dir(abs)
	const none = "sqlite: there are no records in %s, "
	switch other := recordsIn(dir, abs); {
	case other != "":
		return false, fmt.Errorf(none+"but in %s beside it; correct database.file, or bring a backup back with `server restore`, or, where another mill begins, give it a folder of its own", abs, other)
	case backup != "":
		return false, fmt.Errorf(none+"but a backup in %s; correct database.file, or mount its disk, or bring the backup back with `server restore --from %[2]s`, or, where the mill is to begin anew, move its backups away", abs, backup)
	case makeFolder:
		return true, nil
	}
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		return false, fmt.Errorf(none+"and its folder is missing; correct database.file, or mount its disk, or, where a mill begins, make the folder: mkdir -p %s", abs, dir)
	}
	return true, nil
}

// recordsIn names a file of a folder that is a database, as backups are too, and
// not the one that is meant.
func recordsIn(dir, but string) string {
	list, err := os.ReadDir(dir)
	if err != nil {
		return "" // it is not there, or nobody may look
	}
	for _, e := range list {
		name := filepath.Join(dir, e.Name())
		if name != but && e.Type().IsRegular() && !strings.HasSuffix(name, partialSuffix) && isDatabase(name) {
			return name
		}
	}
	return ""
}

// isDatabase tells by how a file begins (SQLite, file format, 1.3).
func isDatabase(name string) bool {
	const magic = "SQLite format 3\x00"
	f, err := os.Open(name)
	if err != nil {
		return false
	}
	defer f.Close()
	var head [len(magic)]byte
	_, err = io.ReadFull(f, head[:])
	return err == nil && string(head[:]) == magic
}
