package tally

import (
	"time"

	"turnwise/server/store"
)

const (
	// trustWall is how far an agent's clock may be from the server's to be
	// believed; beyond it the instant of receipt places the boot.
	trustWall = 2 * time.Second
	// horizon is how old a record can be. It bounds the number of cells that a
	// broken clock can make.
	horizon = 400 * 24 * time.Hour
	// ahead is how far a record may lie after its receipt: the agent's
	// oscillator may have run fast since its boot was placed.
	ahead = time.Hour
)

// Places puts the instants of one stream on the UTC scale.
type Places struct {
	// Offsets are ns to be added to CLOCK_BOOTTIME, by boot index.
	Offsets map[uint32]int64
	// Lo and Hi bound all instants, in ms; both 0 for no bounds.
	Lo, Hi int64
}

// Bound returns the bounds for records received at an instant.
func Bound(received time.Time) (lo, hi int64) {
	return received.Add(-horizon).UnixMilli(), received.Add(ahead).UnixMilli()
}

// At is an instant in Unix ms, rounded down.
func (p Places) At(boot uint32, boottime int64) int64 {
	return p.clamp(floorMS(boottime + p.Offsets[boot]))
}

// Or is At, or the wall clock for a boot that is not known.
func (p Places) Or(boot uint32, boottime, wall int64) int64 {
	if _, ok := p.Offsets[boot]; ok {
		return p.At(boot, boottime)
	}
	return p.clamp(floorMS(wall))
}

func (p Places) clamp(t int64) int64 {
	if p.Lo == 0 && p.Hi == 0 {
		return t
	}
	return min(max(t, p.Lo), p.Hi)
}

func floorMS(ns int64) int64 {
	ms := ns / 1e6
	if ns%1e6 < 0 {
		ms--
	}
	return ms
}

// Offset fixes the offset of a boot that is seen for the first time, in ns.
// The boot that sends is placed by the agent's wall clock where that agrees
// with the instant of receipt, else by the receipt. Another boot is placed by
// the wall clock of its first record; where that cannot be true, its first
// record is put at last, the newest instant known of the machine (Unix ms, 0 =
// none), because it cannot be older.
func Offset(b *store.Batch, boot uint32, last int64) int64 {
	received := b.Received.UnixNano()
	if boot == b.Clock.Boot {
		if d := time.Duration(b.Clock.Wall - received); d.Abs() <= trustWall {
			return b.Clock.Wall - b.Clock.Boottime
		}
		return received - b.Clock.Boottime
	}
	for i := range b.Records {
		r := &b.Records[i]
		if r.Boot != boot || r.Boottime == 0 && r.Wall == 0 {
			continue
		}
		if r.Wall > received-int64(horizon) && r.Wall <= received+int64(trustWall) {
			return r.Wall - r.Boottime
		}
		if last != 0 {
			return last*1e6 - r.Boottime
		}
		return received - r.Boottime
	}
	// Only a gap speaks of it.
	for i := range b.Records {
		if g, ok := b.Records[i].Kind.(*store.StateGap); ok && g.FromBoot == boot {
			return g.FromWall - g.FromBoottime
		}
	}
	return received - b.Clock.Boottime
}
