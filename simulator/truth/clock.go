// Package truth is the ledger of the simulated mill: what every machine did
// up to any instant, computed from the cylinders and stops alone and never
// from what an agent or a server says. Its clock stands while the mill is
// closed or the simulator is not running, so a counter never goes back.
package truth

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"sync"
	"time"
)

const (
	// lease is how far ahead the machines may run without a word on disk: what
	// a reader can have seen when the simulator is killed lies before its end.
	lease = 10 * time.Second
	renew = 2 * time.Second
)

// Closed tells the end of the closed time that t lies in, or the begin of the
// next one after t. The zone and the weekday are the caller's.
type Closed func(t time.Time) (closed bool, until time.Time)

// interval is one time in which the simulator ran.
type interval struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
}

// stored is the clock on disk.
type stored struct {
	Note      string          `json:"note,omitempty"`
	Ran       []interval      `json:"ran"`
	Renewed   time.Time       `json:"renewed"`
	Freeze    *time.Time      `json:"freeze,omitempty"`
	Scenario  json.RawMessage `json:"scenario"`
	Completed bool            `json:"past_loaded"`
}

// stretch is a time in which the machines' clock goes.
type stretch struct {
	from, to time.Time
	at       time.Duration // machines' clock at from
}

// Clock is the machines' clock: the time that the simulator ran and the mill
// was open, since the first instant.
type Clock struct {
	file   string
	closed Closed
	now    func() time.Time

	writing sync.Mutex // taken before mu by whoever changes the file

	mu        sync.Mutex
	st        stored
	stretches []stretch
	latest    time.Time // newest wall time given out
}

// ClockOptions tunes a Clock. The zero value works.
type ClockOptions struct {
	Closed Closed           // nil: never closed
	Now    func() time.Time // nil means time.Now
	Note   string           // for people who open the file
}

// OpenClock reads the clock of a data folder, or begins one at origin with
// the scenario. It returns the scenario as stored at the first start, and
// whether it was there.
func OpenClock(file string, origin time.Time, scenario []byte, o ClockOptions) (*Clock, []byte, bool, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Closed == nil {
		o.Closed = func(t time.Time) (bool, time.Time) { return false, t.AddDate(1, 0, 0) }
	}
	c := &Clock{file: file, closed: o.Closed, now: o.Now}
	now := o.Now().Round(0)
	text, err := os.ReadFile(file)
	switch {
	case errors.Is(err, os.ErrNotExist):
		c.st = stored{Note: o.Note, Scenario: scenario, Ran: []interval{{origin, now}}}
	case err != nil:
		return nil, nil, false, fmt.Errorf("truth: read clock: %w", err)
	default:
		if err := json.Unmarshal(text, &c.st); err != nil || len(c.st.Ran) == 0 {
			return nil, nil, false, fmt.Errorf("truth: clock %s is damaged (%v); move the data folder away to begin a new mill", file, err)
		}
	}
	found := err == nil
	c.mu.Lock()
	defer c.mu.Unlock()
	c.latest = now
	last := &c.st.Ran[len(c.st.Ran)-1]
	if c.st.Freeze == nil && found && (now.After(last.To) || now.Before(c.st.Renewed)) {
		// The simulator was off, or somebody set the wall clock back.
		c.st.Ran = append(c.st.Ran, interval{now, now})
	}
	c.st.extend(now)
	return c, c.st.Scenario, found, c.save()
}

// extend moves the end of the lease.
func (st *stored) extend(now time.Time) {
	if st.Freeze != nil {
		return
	}
	last := &st.Ran[len(st.Ran)-1]
	last.To = now.Add(lease)
	st.Renewed = now
}

// save writes the file in one piece and lets it hold; c.mu is held, so that
// nobody reads a time that the file does not know.
func (c *Clock) save() error {
	c.lay()
	return c.st.write(c.file)
}

// lay lays the stretches out anew; c.mu is held.
func (c *Clock) lay() {
	c.stretches = c.stretches[:0]
	var at time.Duration
	for _, r := range c.st.Ran {
		for t := r.From; t.Before(r.To); {
			closed, until := c.closed(t)
			if until.After(r.To) {
				until = r.To
			}
			if !closed {
				c.stretches = append(c.stretches, stretch{t, until, at})
				at += until.Sub(t)
			}
			t = until
		}
	}
}

func (st *stored) write(file string) error {
	text, err := json.MarshalIndent(st, "", "  ")
	if err != nil {
		return fmt.Errorf("truth: write clock: %w", err)
	}
	return WriteFile(file, text)
}

// WriteFile replaces a file in one step, so that a reader or a crash never
// meets half of it.
func WriteFile(file string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(file), ".new-*")
	if err != nil {
		return fmt.Errorf("truth: write %s: %w", file, err)
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		os.Remove(f.Name())
		return fmt.Errorf("truth: write %s: %w", file, err)
	}
	return nil
}

// Now is the wall clock, never going back within a process.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.tick()
}

func (c *Clock) tick() time.Time {
	if t := c.now().Round(0); t.After(c.latest) {
		c.latest = t
	}
	return c.latest
}

// At is the machines' clock at a wall time. Beyond the lease it stands.
func (c *Clock) At(t time.Time) time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at(t)
}

func (c *Clock) at(t time.Time) time.Duration {
	// Backwards: where the wall clock was set back, the newer stretch holds.
	for _, s := range slices.Backward(c.stretches) {
		if s.from.After(t) {
			continue
		}
		if t.After(s.to) {
			t = s.to
		}
		return s.at + t.Sub(s.from)
	}
	return 0
}

// Wall is the first wall time at which the machines' clock shows at.
func (c *Clock) Wall(at time.Duration) time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := sort.Search(len(c.stretches), func(i int) bool { return c.stretches[i].at >= at })
	s := c.stretches[max(i-1, 0)]
	return s.from.Add(at - s.at)
}

// Origin is the wall time of the first instant.
func (c *Clock) Origin() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.st.Ran[0].From
}

// Freeze stops all machines for good at the present instant and tells where
// their clock stands. Freezing twice changes nothing.
func (c *Clock) Freeze() (time.Duration, error) {
	c.writing.Lock()
	defer c.writing.Unlock()
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.st.Freeze == nil {
		t := c.tick()
		last := &c.st.Ran[len(c.st.Ran)-1]
		if t.Before(last.To) {
			last.To = t
		}
		c.st.Freeze = &t
		if err := c.save(); err != nil {
			return 0, err
		}
	}
	return c.at(*c.st.Freeze), nil
}

// Frozen tells whether the machines were stopped for good, and when.
func (c *Clock) Frozen() (frozen bool, since time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.st.Freeze == nil {
		return false, time.Time{}
	}
	return true, *c.st.Freeze
}

// PastLoaded tells whether SetPastLoaded was called in this data folder.
func (c *Clock) PastLoaded() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.st.Completed
}

// SetPastLoaded notes that the days before the first start need not be
// brought in again.
func (c *Clock) SetPastLoaded() error {
	c.writing.Lock()
	defer c.writing.Unlock()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.st.Completed = true
	return c.save()
}

// Run keeps the machines turning until ctx ends; then they stand, exactly
// where they are, until the next start.
func (c *Clock) Run(ctx context.Context) error {
	t := time.NewTicker(renew)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return c.stop()
		case <-t.C:
		}
		if err := c.renew(); err != nil {
			return err
		}
	}
}

// renew extends the lease on disk first and lets it hold then, so that
// readers do not wait for the disk.
func (c *Clock) renew() error {
	c.writing.Lock()
	defer c.writing.Unlock()
	c.mu.Lock()
	now := c.tick()
	next := c.st
	next.Ran = slices.Clone(next.Ran)
	if next.Freeze == nil && now.After(next.Ran[len(next.Ran)-1].To) {
		next.Ran = append(next.Ran, interval{now, now}) // the computer slept
	}
	c.mu.Unlock()
	next.extend(now)
	if err := next.write(c.file); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.st = next
	c.lay()
	return nil
}

func (c *Clock) stop() error {
	c.writing.Lock()
	defer c.writing.Unlock()
	c.mu.Lock()
	defer c.mu.Unlock()
	now := c.tick()
	if last := &c.st.Ran[len(c.st.Ran)-1]; c.st.Freeze == nil && now.Before(last.To) {
		last.To = now
	}
	return c.save()
}
