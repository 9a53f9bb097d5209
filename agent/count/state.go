package count

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"
)

// ErrState is inside the error about bytes that are no State.
var ErrState = errors.New("counter state is damaged")

// State is what is known of one counter. The zero State knows nothing. It
// holds no pointers: a copy is a snapshot.
type State struct {
	Known bool
	Raw   uint64        // last good raw reading
	Ext   uint64        // extended counter of the life at Raw
	At    time.Duration // instant of Raw
	More  time.Duration // how much later than At it may have been
	Moved time.Duration // instant at which Raw was seen to change
	held  held
}

// Holding tells whether a reading is doubted at present.
func (s State) Holding() bool { return s.held.on }

// Beginning tells that no life goes on at present: the counter is read, and of
// its first readings none is believed yet.
func (s State) Beginning() bool { return s.held.on && s.held.why == sight }

// Disagreeing tells that of those first readings one did not follow another.
func (s State) Disagreeing() bool { return s.Beginning() && s.held.strange > 0 }

// stateVersion 1 knew no More.
const stateVersion = 2

// AppendBinary appends the state in a compact form.
func (s State) AppendBinary(b []byte) ([]byte, error) {
	flags := byte(0)
	for i, on := range []bool{s.Known, s.held.on, s.held.either} {
		if on {
			flags |= 1 << i
		}
	}
	b = append(b, stateVersion, flags)
	b = binary.AppendUvarint(b, s.Raw)
	b = binary.AppendUvarint(b, s.Ext)
	b = binary.AppendVarint(b, int64(s.At))
	b = binary.AppendVarint(b, int64(s.Moved))
	b = binary.AppendVarint(b, int64(s.More))
	if !s.held.on {
		return b, nil
	}
	h := s.held
	b = append(b, byte(h.why))
	for _, v := range []uint64{h.first, h.raw, h.seen, h.strange} {
		b = binary.AppendUvarint(b, v)
	}
	for _, v := range []time.Duration{h.since, h.at, h.confirmed, h.lost, h.more} {
		b = binary.AppendVarint(b, int64(v))
	}
	return b, nil
}

// MarshalBinary is AppendBinary to nothing.
func (s State) MarshalBinary() ([]byte, error) { return s.AppendBinary(nil) }

// UnmarshalBinary reads what AppendBinary wrote. Its errors are [ErrState].
func (s *State) UnmarshalBinary(b []byte) error {
	if len(b) < 2 || b[0] < 1 || b[0] > stateVersion {
		return fmt.Errorf("count: %w: %d bytes that do not begin with version %d", ErrState, len(b), stateVersion)
	}
	old, flags := b[0] == 1, b[1]
	out := State{Known: flags&1 != 0, held: held{on: flags&2 != 0, either: flags&4 != 0}}
	b = b[2:]
	bad := false
	u := func(p *uint64) {
		v, n := binary.Uvarint(b)
		if n <= 0 {
			bad = true
			return
		}
		*p, b = v, b[n:]
	}
	d := func(p *time.Duration) {
		v, n := binary.Varint(b)
		if n <= 0 {
			bad = true
			return
		}
		*p, b = time.Duration(v), b[n:]
	}
	u(&out.Raw)
	u(&out.Ext)
	d(&out.At)
	d(&out.Moved)
	if !old {
		d(&out.More)
	}
	if h := &out.held; h.on && !bad {
		if len(b) == 0 || Link(b[0]) > sight {
			return fmt.Errorf("count: %w: no reason for the doubt", ErrState)
		}
		h.why, b = Link(b[0]), b[1:]
		for _, p := range []*uint64{&h.first, &h.raw, &h.seen, &h.strange} {
			u(p)
		}
		for _, p := range []*time.Duration{&h.since, &h.at, &h.confirmed, &h.lost} {
			d(p)
		}
		if !old {
			d(&h.more)
		}
	}
	if bad || len(b) > 0 {
		return fmt.Errorf("count: %w: cut short or too long by %d bytes", ErrState, len(b))
	}
	*s = out
	return nil
}
