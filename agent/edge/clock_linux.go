package edge

import (
	"encoding/hex"
	"fmt"
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"turnwise/agent/source"
	"turnwise/proto/wall"
)

// kernelClock reads the boot id once and gives the kernel's clocks from then
// on. maxOffset is the estimated error beyond which a disciplined clock is no
// longer called so.
func kernelClock(maxOffset time.Duration) (func() source.Instant, error) {
	const file = "/proc/sys/kernel/random/boot_id"
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("edge: read the boot id: %w", err)
	}
	var boot [16]byte
	if n, err := hex.Decode(boot[:], []byte(strings.ReplaceAll(strings.TrimSpace(string(text)), "-", ""))); err != nil || n != 16 {
		return nil, fmt.Errorf("edge: %s holds %q, a boot id of 32 hexadecimal digits expected", file, text)
	}
	return func() source.Instant {
		var ts unix.Timespec
		// The call cannot fail with a clock that Linux has had since 2.6.39.
		_ = unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts)
		set := wall.Now()
		return source.Instant{Boot: boot, Boottime: ts.Nano(), Wall: set.UnixNano(), Quality: wallQuality(set, maxOffset)}
	}, nil
}

func wallQuality(wall time.Time, maxOffset time.Duration) source.Quality {
	if wall.UTC().Year() < buildYear {
		return source.Unset
	}
	var tx unix.Timex // only asks
	state, err := unix.Adjtimex(&tx)
	off := time.Duration(tx.Maxerror) * time.Microsecond
	if err != nil || state == unix.TIME_ERROR || tx.Status&unix.STA_UNSYNC != 0 || off > maxOffset {
		return source.Free
	}
	return source.NTPSynced
}
