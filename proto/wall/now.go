//go:build !rehearsal

package wall

import "time"

// Now is the wall clock, with the monotonic reading of [time.Now].
func Now() time.Time { return time.Now() }
