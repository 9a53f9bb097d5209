//go:build !linux

package edge

import (
	"crypto/rand"
	"time"

	"turnwise/agent/source"
)

// kernelClock stands in where there is no CLOCK_BOOTTIME: every process is a
// boot of its own, so that no duration across two of them is believed.
func kernelClock(time.Duration) (func() source.Instant, error) {
	var boot [16]byte
	_, _ = rand.Read(boot[:]) // never fails
	begin := time.Now()
	return func() source.Instant {
		now := time.Now()
		q := source.Free
		if now.UTC().Year() < buildYear {
			q = source.Unset
		}
		return source.Instant{Boot: boot, Boottime: now.Sub(begin).Nanoseconds() + 1, Wall: now.UnixNano(), Quality: q}
	}, nil
}
