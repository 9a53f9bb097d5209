// Package replay reads a recorded day of a machine, for tests and for whoever
// must see again what an agent saw. A recording is JSON lines, one reading
// each, in order of time:
//
//	{"t":"2026-03-02T06:00:00.5Z","raw":1234,"active":[0]}
//	{"t":"2026-03-02T06:00:01Z","err":"no answer in time"}
//
// t is when (RFC 3339), raw the counter, active the stop inputs that are on as
// indices, rpm the machine's own speed where it has one, err why there was no
// reading, restarted that nobody watched before. The one rule: a line that is
// not understood ends the recording; nothing is guessed from it. The package
// does not wait: a day passes as fast as it is taken.
package replay

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"slices"
	"sync"
	"time"

	"turnwise/agent/source"
)

// Sentinels inside the errors of this package.
var (
	ErrRecording = errors.New("recording cannot be read")
	ErrEnded     = errors.New("recording has ended")
)

// maxLine and maxActive bound what one reading may be.
const (
	maxLine   = 16 << 10
	maxActive = 64
)

// Config says what to replay.
type Config struct {
	File string
	// Bits is the width of the raw counter, 1 to 32.
	Bits uint
}

// Source is one recording. Its readings come from Past, with their instants;
// Read only tells how it ended.
type Source struct {
	conf Config

	mu   sync.Mutex
	why  error
	last time.Time
}

var _ source.Source = (*Source)(nil)

// Open looks whether the recording is there and may be read.
func Open(c Config) (*Source, error) {
	const repair = "correct source.file, or give this user the right to read it"
	f, err := os.Open(c.File)
	if err != nil {
		return nil, fmt.Errorf("replay: %w: %w; %s", ErrRecording, err, repair)
	}
	defer f.Close()
	if st, err := f.Stat(); err == nil && st.IsDir() {
		return nil, fmt.Errorf("replay: %w: %s is a folder, a file is expected; %s", ErrRecording, c.File, repair)
	}
	return &Source{conf: c}, nil
}

// Counter is the width of the recorded counter.
func (s *Source) Counter() uint { return s.conf.Bits }

// Read never gives a reading: a recorded one has an instant of its own.
func (s *Source) Read(ctx context.Context) (source.Reading, error) {
	if err := ctx.Err(); err != nil {
		return source.Reading{}, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.why == nil {
		return source.Reading{}, fmt.Errorf("replay: %s: %w: it was not taken yet", s.conf.File, ErrRecording)
	}
	return source.Reading{}, s.why
}

// Close has nothing to free.
func (s *Source) Close() error { return nil }

// Past gives the recorded readings, with the instants of a boot of their own.
func (s *Source) Past() iter.Seq[source.Reading] {
	return func(yield func(source.Reading) bool) {
		err := s.each(yield)
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.why = err; err == nil {
			s.why = fmt.Errorf("replay: %s: %w at %s", s.conf.File, ErrEnded, s.last.Format(time.RFC3339))
		}
	}
}

func (s *Source) each(yield func(source.Reading) bool) error {
	f, err := os.Open(s.conf.File)
	if err != nil {
		return fmt.Errorf("replay: %w: %w", ErrRecording, err)
	}
	defer f.Close()
	lines := bufio.NewScanner(f)
	lines.Buffer(make([]byte, 0, 4096), maxLine)
	var boot [16]byte
	var first time.Time
	for n := 1; lines.Scan(); n++ {
		if len(bytes.TrimSpace(lines.Bytes())) == 0 {
			continue
		}
		r, at, err := parse(lines.Bytes())
		if err == nil && !at.After(s.last) && !first.IsZero() {
			err = fmt.Errorf("t: found %s after %s, a later time expected", at.Format(time.RFC3339Nano), s.last.Format(time.RFC3339Nano))
		}
		if err != nil {
			return fmt.Errorf("replay: %s:%d: %w: %w", s.conf.File, n, ErrRecording, err)
		}
		if first.IsZero() {
			// The same recording is the same boot, whoever replays it.
			sum := sha256.Sum256(lines.Bytes())
			first = at
			copy(boot[:], sum[:])
		}
		s.last = at
		r.At = source.Instant{Boot: boot, Boottime: int64(at.Sub(first)) + 1, Wall: at.UnixNano(), Quality: source.Free}
		if !yield(r) {
			return nil
		}
	}
	if err := lines.Err(); err != nil {
		return fmt.Errorf("replay: %s: %w: %w; a line has at most %d bytes", s.conf.File, ErrRecording, err, maxLine)
	}
	return nil
}

// line is one reading as it stands in the file.
type line struct {
	T         time.Time `json:"t"`
	Raw       *uint64   `json:"raw,omitempty"`
	Active    []int     `json:"active,omitempty"`
	RPM       *float64  `json:"rpm,omitempty"`
	Err       string    `json:"err,omitempty"`
	Restarted bool      `json:"restarted,omitempty"`
}

func parse(b []byte) (source.Reading, time.Time, error) {
	var l line
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(&l); err != nil {
		return source.Reading{}, l.T, err
	}
	if d.More() {
		return source.Reading{}, l.T, errors.New("more than one reading stands on the line")
	}
	// Outside these years the nanoseconds of a wall clock do not fit.
	if y := l.T.Year(); y < 2000 || y > 2200 {
		return source.Reading{}, l.T, fmt.Errorf("t: found %s, a time from 2000 to 2200 expected", l.T.Format(time.RFC3339))
	}
	r := source.Reading{Active: l.Active, SpeedRPM: -1, Restarted: l.Restarted}
	switch {
	case l.Err != "":
		r.Err = errors.New(l.Err)
		return r, l.T, nil
	case l.Raw == nil:
		return r, l.T, errors.New("neither raw nor err is there")
	case len(l.Active) > maxActive || !slices.IsSorted(l.Active) || len(l.Active) > 0 && l.Active[0] < 0:
		return r, l.T, fmt.Errorf("active: found %v, at most %d ascending indices from 0 expected", l.Active, maxActive)
	}
	r.Raw = *l.Raw
	if l.RPM != nil {
		r.SpeedRPM = *l.RPM
	}
	return r, l.T, nil
}

// Append writes one reading at a wall time as a line of a recording.
func Append(w io.Writer, at time.Time, r source.Reading) error {
	l := line{T: at.UTC(), Restarted: r.Restarted}
	if r.Err != nil {
		l.Err = r.Err.Error()
	} else {
		l.Raw, l.Active = &r.Raw, r.Active
		if r.SpeedRPM >= 0 {
			l.RPM = &r.SpeedRPM
		}
	}
	b, err := json.Marshal(l)
	if err == nil {
		_, err = w.Write(append(b, '\n'))
	}
	if err != nil {
		return fmt.Errorf("replay: write a reading: %w", err)
	}
	return nil
}
