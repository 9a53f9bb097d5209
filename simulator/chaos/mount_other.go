//go:build !linux

package chaos

import "errors"

func mountSmall(string, int64) (func() error, error) {
	return nil, errors.New("a small file system is mounted on Linux only")
}
