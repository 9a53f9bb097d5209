//go:build !linux

package journal

import (
	"os"
	"runtime"
)

func syncData(f *os.File) error { return f.Sync() }

func syncDir(f *os.File) error {
	if runtime.GOOS == "windows" {
		return nil // names are part of the file system's own log there
	}
	return f.Sync()
}
