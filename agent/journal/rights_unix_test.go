//go:build unix

package journal

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"turnwise/proto/rightstest"
)

// The folder of the journal may not be written, or cannot be made.
func TestFault_51_ReadOnlyFolder(t *testing.T) {
	if rightstest.Without(t) {
		return
	}
	dir := t.TempDir()
	closed, open := filepath.Join(dir, "closed"), filepath.Join(dir, "open")
	file := filepath.Join(dir, "file")
	if err := errors.Join(os.Mkdir(closed, 0o500), os.WriteFile(file, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	// A journal that was written, in a folder that may be read only since.
	j, _ := mustOpen(t, open, Options{Log: silent})
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(open, 0o500); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = errors.Join(os.Chmod(open, 0o700), os.Chmod(closed, 0o700)) })
	for name, c := range map[string]struct {
		dir string
		why error
	}{
		"a folder that may be read only":    {closed, fs.ErrPermission},
		"a folder to be made in such a one": {filepath.Join(closed, "j"), fs.ErrPermission},
		"a journal that may be read only":   {open, fs.ErrPermission},
		"a folder to be made in a file":     {filepath.Join(file, "j"), syscall.ENOTDIR},
		"a file in the place of the folder": {file, syscall.ENOTDIR},
	} {
		if j, _, err := Open(c.dir, Options{Log: silent}); !errors.Is(err, c.why) || !strings.Contains(err.Error(), "write permission") || !strings.Contains(err.Error(), "folder "+c.dir) {
			t.Errorf("%s: %v, %v, want %v, the folder and what to do", name, j, err, c.why)
		}
	}
	if left, err := os.ReadDir(closed); err != nil || len(left) != 0 {
		t.Errorf("left %v in the folder, %v", left, err)
	}
	if err := os.Chmod(open, 0o700); err != nil {
		t.Fatal(err)
	}
	mustOpen(t, open, Options{Log: silent})
}
