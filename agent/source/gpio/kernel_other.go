//go:build !linux

package gpio

import (
	"errors"
	"fmt"
	"runtime"
)

// system has no GPIO character device: only Linux has.
type system struct{}

func (system) now() int64 { return 0 }

func (system) request(chip string, _ []request, _ int) (lines, error) {
	return nil, fmt.Errorf("gpio: %s: %w: %w on %s; pulse inputs need Linux", chip, ErrLine, errors.ErrUnsupported, runtime.GOOS)
}
