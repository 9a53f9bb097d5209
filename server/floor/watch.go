package floor

import (
	"context"
	"crypto/rand"
	"iter"
	"math"
	"strconv"
	"strings"
	"time"
)

// Grouping is the least time between two changes sent to one watcher. The
// first change after a quiet time goes out at once. What machines do (running,
// stopped, why) is timed apart from mere figures: a stop does not wait because
// a counter has just been told.
const Grouping = 200 * time.Millisecond

// Change is a full picture or the machines that changed since the last one.
type Change struct {
	Full     bool
	Machines []MachineView
	Token    string // resumes after this change
}

// newEpoch names one life of a floor, since its change numbers die with it.
func newEpoch() string { return rand.Text()[:12] }

// Watch yields the full picture and then changes until ctx ends or the reader
// breaks off. With the token of a change it goes on after that change, if the
// server was not restarted since; else it begins with the full picture. A
// reader that is slow gets fewer and larger changes, never a queue.
func (f *Floor) Watch(ctx context.Context, token string) (iter.Seq2[Change, error], error) {
	seen, resumed := f.parseToken(token)
	return func(yield func(Change, error) bool) {
		full := !resumed
		var sent, turned time.Time // any change, one of what a machine does
		for {
			c, now, wake, turn := f.changesAfter(seen, full)
			last := sent
			if turn {
				last = turned
			}
			wait := Grouping - time.Since(last)
			if len(c.Machines) == 0 && !full {
				wait = forever
			}
			if wait > 0 {
				if !waitFor(ctx, wait, wake) {
					return
				}
				continue
			}
			if sent = time.Now(); turn {
				turned = sent
			}
			if !yield(c, nil) {
				return
			}
			seen, full = now, false
		}
	}, nil
}

// changesAfter collects what is newer than seen, the number of the newest
// change, the channel that closes at the next one, and whether a machine does
// something else than before.
func (f *Floor) changesAfter(seen uint64, full bool) (c Change, now uint64, wake <-chan struct{}, turn bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	c = Change{Full: full, Token: f.epoch + "-" + strconv.FormatUint(f.seq, 10)}
	for _, m := range f.order {
		if full || m.change > seen {
			c.Machines = append(c.Machines, m.view)
		}
		turn = turn || m.turn > seen
	}
	return c, f.seq, f.wake, turn
}

func (f *Floor) parseToken(token string) (seen uint64, ok bool) {
	epoch, n, _ := strings.Cut(token, "-")
	if epoch != f.epoch {
		return 0, false
	}
	seen, err := strconv.ParseUint(n, 10, 64)
	f.mu.Lock()
	defer f.mu.Unlock()
	return seen, err == nil && seen <= f.seq
}

const forever = time.Duration(math.MaxInt64)

// waitFor waits for a time or a wake, and tells whether ctx goes on.
func waitFor(ctx context.Context, d time.Duration, wake <-chan struct{}) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-wake:
	case <-t.C:
	}
	return true
}

// tell wakes watchers and subscribers. It needs f.mu.
func (f *Floor) tell() {
	close(f.wake)
	f.wake = make(chan struct{})
	for sub := range f.subs {
		select {
		case sub <- struct{}{}:
		default: // it has not taken the last one yet
		}
	}
}

// Subscribe returns a channel that gets a value after changes, many changes
// giving one value, and is closed when ctx ends.
func (f *Floor) Subscribe(ctx context.Context) <-chan struct{} {
	sub := make(chan struct{}, 1)
	f.mu.Lock()
	f.subs[sub] = struct{}{}
	f.mu.Unlock()
	context.AfterFunc(ctx, func() {
		f.mu.Lock()
		defer f.mu.Unlock()
		delete(f.subs, sub)
		close(sub)
	})
	return sub
}
