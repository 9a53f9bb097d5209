//go:build !linux

package host

import (
	"errors"
	"os"
)

// deviceRoom is not known here; a full disk is then noticed by the writes.
func deviceRoom(string) (free, size int64, ok bool) { return 0, 0, false }

func reserveBlocks(*os.File, int64) error { return errors.ErrUnsupported }
