package machine

import "fmt"

// Register is how a machine shows its counter on a field bus.
type Register string

// Registers in use: one 16-bit word, or two with the high or the low word
// first.
const (
	U16   Register = "u16"
	U32BE Register = "u32be"
	U32LE Register = "u32le"
)

// Bits is the width of the counter.
func (r Register) Bits() uint {
	if r == U16 {
		return 16
	}
	return 32
}

// Raw is what a counter of that width shows after so many turns.
func (r Register) Raw(turns int64) uint64 { return uint64(turns) & (1<<r.Bits() - 1) }

// Words are the holding registers, first address first.
func (r Register) Words(turns int64) []uint16 {
	raw := r.Raw(turns)
	switch r {
	case U16:
		return []uint16{uint16(raw)}
	case U32BE:
		return []uint16{uint16(raw >> 16), uint16(raw)}
	case U32LE:
		return []uint16{uint16(raw), uint16(raw >> 16)}
	}
	panic(fmt.Sprintf("machine: register form %q is not one of u16, u32be, u32le", string(r)))
}
