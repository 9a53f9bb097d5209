// Package source says what the agent needs of a machine: one reading at a
// time of its revolution counter and its stop inputs. It only reads; nothing
// behind this interface may write to a machine.
package source

import "context"

// Instant is one reading of the agent's clocks.
type Instant struct {
	Boot     [16]byte // kernel boot id
	Boottime int64    // CLOCK_BOOTTIME, ns
	Wall     int64    // ns since 1970 UTC, as the agent believes it
	Quality  Quality
	// Served is the instant on the server's wall clock (Unix ns), rather too
	// early than too late by what its measurements are unsure; 0 = not measured.
	Served int64
}

// Quality mirrors wire ClockQuality.
type Quality uint8

// Clock qualities.
const (
	Unset Quality = iota
	Free
	NTPSynced
	ServerSynced
)

// Reading is one look at a machine.
type Reading struct {
	At Instant
	// Raw is the revolution counter as the machine shows it.
	Raw uint64
	// Active lists the stop inputs that are on, as indices into the machine's
	// configured stops, ascending.
	Active []int
	// SpeedRPM is the machine's own speed reading; negative when it has none.
	SpeedRPM float64
	// Err says why there is no reading; the other fields but At are then void.
	// A failed read is never a zero.
	Err error
	// Restarted says that At follows a time in which nobody watched because
	// the agent was down. Only replayed days set it.
	Restarted bool
	// Losses lists what the source knows to have missed since the reading
	// before. The reading itself stands.
	Losses []Loss
	// Note says what is odd although the reading stands, for people.
	Note string
}

// Loss is a number of events that a source was not given.
type Loss struct {
	Input    string // "revolution", "stops[0]"
	Events   uint64 // that were missed
	Counts   uint64 // of the revolution counter that may have been among them, at most
	Evidence string
}

// Tally is what a pulse counter has seen since it was opened, for people who
// set up a sensor. Pulses alone are counts; all others were refused.
type Tally struct {
	Pulses   uint64 `json:"pulses"`
	Bounces  uint64 `json:"bounces"`  // levels that did not last for the debounce time
	TooFast  uint64 `json:"too_fast"` // pulses that followed sooner than the machine can turn
	Backward uint64 `json:"backward"` // pulses by which the cylinder went back
	Missed   uint64 `json:"missed"`   // events that the kernel dropped
}

// Source reads one machine.
type Source interface {
	// Read takes one reading. It does not stamp At. It returns an error when
	// the machine did not answer in full; the next call tries again.
	Read(ctx context.Context) (Reading, error)
	// Counter tells the width of the raw counter in bits; 0 means that the
	// source counts pulses itself, see Pulses.
	Counter() (bits uint)
	// Close frees the line. It does not wait for a Read in progress.
	Close() error
}

// Pulses is a source that counts by itself, in a counter that never wraps and
// that ends with the process. Whoever keeps its count says where to go on.
type Pulses interface {
	Source
	// GoOn sets the counter; it is called before the first Read.
	GoOn(count uint64)
	// Tally tells what was counted and refused. It may be called at any time.
	Tally() Tally
}
