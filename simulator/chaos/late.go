package chaos

import (
	"sync"
	"time"
)

// lateness notices how late a busy host lets programs run: what is given them
// as time to write down what they saw is that much longer.
type lateness struct {
	mu    sync.Mutex
	spell time.Time // when the present spell of looking began
	worst [2]time.Duration
}

const (
	lateLook  = 20 * time.Millisecond
	lateSpell = 4 * time.Second
)

// watch looks until done is closed.
func (l *lateness) watch(done <-chan struct{}) {
	for {
		before := time.Now()
		if !pause(done, lateLook) {
			return
		}
		l.note(time.Now(), time.Since(before)-lateLook)
	}
}

func (l *lateness) note(now time.Time, by time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if now.Sub(l.spell) > lateSpell {
		l.spell, l.worst = now, [2]time.Duration{0, l.worst[0]}
	}
	l.worst[0] = max(l.worst[0], by)
}

// of is how late programs ran in the last seconds, at the most.
func (l *lateness) of() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	return max(l.worst[0], l.worst[1])
}
