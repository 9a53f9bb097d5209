package sender

import (
	"sync"
	"time"
)

// ServerOffset is what must be added to CLOCK_BOOTTIME to get the server's wall
// clock, and how far off that can be at the boottime now (ns). ok is false
// before the first acknowledgement. It may be called from any goroutine.
func (u *Sender) ServerOffset(now int64) (add, uncertainty time.Duration, ok bool) {
	return u.offset.get(now)
}

// offset is the best of the measurements by four time stamps. A process lives
// in one boot.
type offset struct {
	mu   sync.Mutex
	ok   bool
	add  int64 // ns
	half int64 // half of the round trip, ns
	at   int64 // boottime
}

// drift is what a free clock may go wrong, 100 parts in a million: common
// for crystals over the temperatures of a mill, from memory.
const drift = 1e-4

func (o *offset) measure(sent, received, answered, back int64) {
	trip := (back - sent) - (answered - received)
	if sent <= 0 || received <= 0 || answered < received || trip < 0 {
		return
	}
	add := (received - sent + answered - back) / 2
	o.mu.Lock()
	defer o.mu.Unlock()
	known := o.half + int64(drift*float64(back-o.at))
	// Two measurements that cannot both be true: the server's clock was set.
	set := max(add-o.add, o.add-add) > known+trip/2+int64(time.Millisecond)
	if o.ok && !set && trip/2 > known {
		return
	}
	o.ok, o.half, o.at, o.add = true, trip/2, back, add
}

func (o *offset) get(now int64) (add, uncertainty time.Duration, ok bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if !o.ok {
		return 0, 0, false
	}
	return time.Duration(o.add), time.Duration(o.half + int64(drift*float64(max(now-o.at, 0)))), true
}
