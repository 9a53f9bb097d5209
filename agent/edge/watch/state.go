package watch

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"time"

	"turnwise/agent/count"
	"turnwise/agent/source"
)

// ErrState is inside the error about bytes that are no State.
var ErrState = errors.New("state of the watch is damaged")

// State is all that is known of one machine. The zero State knows nothing.
// Instants are CLOCK_BOOTTIME of the boot of Last.
type State struct {
	Known   bool
	Digest  [32]byte       // configuration that was told last
	Counter uint64         // name of the counter that is read
	Life    [16]byte       // counter life
	Unit    Unit           // of that life
	Inputs  uint64         // name of the stop inputs that are read; 0 = not known
	Count   count.State    // of the raw counter
	Axis    time.Duration  // time base of Count: never goes back
	More    time.Duration  // how much later than Axis it may be
	Last    source.Instant // last good reading
	Raw     uint64         // raw counter then, doubted or not
	Told    uint64         // extended counter up to which spans are told
	Served  int64          // newest reading of which that is known, on the server's clock, Unix ns, rather too early; 0 = none
	Covered int64          // instant up to which time is told
	Still   int64          // instant since which no count came
	stop    stop
	inputs  []input
	unsure  bool // counts not booked yet came while nobody watched

	// Not kept over a restart, which makes a hole in any case.
	idle    int64  // instant of the last count at running speed
	idleExt uint64 // extended counter then
	failed  int
	down    bool
	resumed bool
	dark    source.Instant // first look after a hole at a lamp that was off
	absence Absence        // how long ago Served was, where the server told
	looked  source.Instant // first look after a pause of which no clock tells, while that is asked
	vague   bool           // such a pause was told without an answer
}

// Unit is what the counts of a life are: another configuration may be in force
// when the last of them are told. Of the zero Unit that of the configuration is taken.
type Unit struct {
	PerRevolution uint32 // counts in one revolution
	Bits          uint   // width of the raw counter; 0 for pulses
}

// settle lets time begin anew at an instant, with the counter at ext.
func (s *State) settle(at int64, ext uint64) {
	s.Covered, s.Still = at, at
	s.idle, s.idleExt = at, ext
}

func (s State) clone() State {
	s.inputs = slices.Clone(s.inputs)
	return s
}

// Stopped tells the open stop: its id and the index of the input that began
// it, -1 for a standstill.
func (s State) Stopped() (id [16]byte, input int, open bool) {
	if !s.stop.input {
		return s.stop.id, -1, s.stop.open
	}
	return s.stop.id, s.stop.first, s.stop.open
}

// stateVersion 1 knew no More, 2 no Served; some of 2 know Unit and Inputs.
const stateVersion = 3

// AppendBinary appends the state in a compact form: it is written with every
// record.
func (s State) AppendBinary(b []byte) ([]byte, error) {
	named := s.Unit != Unit{} || s.Inputs != 0
	b = append(b, stateVersion, flags(s.Known, s.stop.open, s.stop.input, s.unsure, named), byte(s.Last.Quality))
	b = append(b, s.Digest[:]...)
	b = binary.BigEndian.AppendUint64(b, s.Counter)
	b = append(b, s.Life[:]...)
	b = append(b, s.Last.Boot[:]...)
	for _, v := range []int64{s.Last.Boottime, s.Last.Wall, int64(s.Axis), int64(s.More), s.Served, s.Last.Boottime - s.Covered, s.Last.Boottime - s.Still} {
		b = binary.AppendVarint(b, v)
	}
	b = binary.AppendUvarint(b, s.Raw)
	b = binary.AppendUvarint(b, s.Told)
	c, err := s.Count.MarshalBinary()
	if err != nil {
		return nil, err
	}
	b = binary.AppendUvarint(b, uint64(len(c)))
	b = append(b, c...)
	if s.stop.open {
		b = append(b, s.stop.id[:]...)
		b = append(b, byte(s.stop.first))
		b = binary.AppendUvarint(b, s.stop.held)
	}
	b = binary.AppendUvarint(b, uint64(len(s.inputs)))
	for _, in := range s.inputs {
		b = append(b, flags(in.on, in.pending))
		if in.pending {
			b = binary.AppendVarint(b, s.Last.Boottime-in.offAt)
			b = binary.AppendUvarint(b, in.offExt)
		}
	}
	if named {
		b = binary.AppendUvarint(b, uint64(s.Unit.PerRevolution))
		b = binary.AppendUvarint(b, uint64(s.Unit.Bits))
		b = binary.BigEndian.AppendUint64(b, s.Inputs)
	}
	return b, nil
}

func flags(on ...bool) (f byte) {
	for i, v := range on {
		if v {
			f |= 1 << i
		}
	}
	return f
}

// UnmarshalBinary reads what AppendBinary wrote, for a watch that begins
// anew: the next reading ends a hole. Its errors are [ErrState].
func (s *State) UnmarshalBinary(b []byte) error {
	r := reader{b: b}
	version, f, q := r.byte(), r.byte(), r.byte()
	if r.bad || version < 1 || version > stateVersion || q > byte(source.ServerSynced) {
		return fmt.Errorf("watch: %w: %d bytes that do not begin with version %d", ErrState, len(b), stateVersion)
	}
	out := State{Known: f&1 != 0, stop: stop{open: f&2 != 0, input: f&4 != 0}, unsure: f&8 != 0, resumed: true}
	copy(out.Digest[:], r.bytes(32))
	out.Counter = r.fixed()
	copy(out.Life[:], r.bytes(16))
	out.Last.Quality = source.Quality(q)
	copy(out.Last.Boot[:], r.bytes(16))
	out.Last.Boottime, out.Last.Wall = r.varint(), r.varint()
	out.Axis = time.Duration(r.varint())
	if version > 1 {
		out.More = time.Duration(r.varint())
	}
	if version > 2 {
		out.Served = r.varint()
	}
	out.Covered, out.Still = out.Last.Boottime-r.varint(), out.Last.Boottime-r.varint()
	out.Raw, out.Told = r.uvarint(), r.uvarint()
	if n := r.uvarint(); !r.bad {
		if err := out.Count.UnmarshalBinary(r.bytes(n)); err != nil {
			return fmt.Errorf("watch: %w: %w", ErrState, err)
		}
	}
	if out.stop.open {
		copy(out.stop.id[:], r.bytes(16))
		out.stop.first, out.stop.held = int(r.byte()), r.uvarint()
		out.stop.rested = true // a stop that goes on over a restart does not turn
	}
	n := r.uvarint()
	if n > MaxStops {
		return fmt.Errorf("watch: %w: %d stop inputs", ErrState, n)
	}
	for range n {
		f := r.byte()
		in := input{on: f&1 != 0, pending: f&2 != 0}
		if in.pending {
			in.offAt, in.offExt = out.Last.Boottime-r.varint(), r.uvarint()
		}
		out.inputs = append(out.inputs, in)
	}
	if f&16 != 0 {
		per, bits := r.uvarint(), r.uvarint()
		r.bad = r.bad || per > count.MaxPerRevolution || bits > 32
		out.Unit, out.Inputs = Unit{uint32(per), uint(bits)}, r.fixed()
	}
	if r.bad || len(r.b) > 0 {
		return fmt.Errorf("watch: %w: cut short, or too long by %d bytes", ErrState, len(r.b))
	}
	*s = out
	return nil
}

// reader takes values from bytes and remembers that they ran out.
type reader struct {
	b   []byte
	bad bool
}

func (r *reader) bytes(n uint64) []byte {
	if n > uint64(len(r.b)) {
		r.bad, r.b = true, nil
		return nil
	}
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}

func (r *reader) byte() byte {
	if b := r.bytes(1); b != nil {
		return b[0]
	}
	return 0
}

func (r *reader) fixed() uint64 {
	if b := r.bytes(8); b != nil {
		return binary.BigEndian.Uint64(b)
	}
	return 0
}

func (r *reader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}

func (r *reader) varint() int64 {
	v, n := binary.Varint(r.b)
	if n <= 0 {
		r.bad, r.b = true, nil
		return 0
	}
	r.b = r.b[n:]
	return v
}
