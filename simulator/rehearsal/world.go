package rehearsal

import (
	"cmp"
	"container/heap"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"time"
)

// world is time, chance and the record of what happened.
type world struct {
	now   time.Duration // true time since the beginning
	queue events
	order uint64
	rnd   *rand.Rand
	ids   *rand.ChaCha8

	faults map[string]int
	total  int
	digest uint64
	log    func(string)
	failed []string
}

func newWorld(seed uint64, log func(string)) *world {
	var key [32]byte
	binary.LittleEndian.PutUint64(key[:], seed)
	h := fnv.New64a()
	return &world{rnd: rand.New(rand.NewPCG(seed, 0x7ea4)), ids: rand.NewChaCha8(key), faults: map[string]int{}, digest: h.Sum64(), log: log}
}

type event struct {
	at    time.Duration
	order uint64
	do    func()
}

type events []event

func (e events) Len() int { return len(e) }
func (e events) Less(i, j int) bool {
	return e[i].at < e[j].at || e[i].at == e[j].at && e[i].order < e[j].order
}
func (e events) Swap(i, j int) { e[i], e[j] = e[j], e[i] }
func (e *events) Push(x any)   { *e = append(*e, x.(event)) }
func (e *events) Pop() any {
	old := *e
	x := old[len(old)-1]
	old[len(old)-1] = event{}
	*e = old[:len(old)-1]
	return x
}

// after lets something happen later.
func (w *world) after(d time.Duration, do func()) {
	w.order++
	heap.Push(&w.queue, event{w.now + max(d, 0), w.order, do})
}

// run plays until an instant, or until something is wrong.
func (w *world) run(until time.Duration) {
	for len(w.queue) > 0 && w.queue[0].at <= until && len(w.failed) == 0 {
		e := heap.Pop(&w.queue).(event)
		w.now = e.at
		e.do()
	}
	w.now = max(w.now, until)
}

// fault counts an injected fault.
func (w *world) fault(kind string) {
	w.faults[kind]++
	w.total++
	w.note(kind)
}

// note folds a step into the digest, and tells it where somebody listens.
func (w *world) note(what string, values ...uint64) {
	d := w.digest
	for i := range len(what) {
		d = (d ^ uint64(what[i])) * 1099511628211
	}
	d = (d ^ uint64(w.now)) * 1099511628211
	for _, v := range values {
		d = (d ^ v) * 1099511628211
	}
	w.digest = d
	if w.log != nil {
		w.say(fmt.Sprintf("%s %v", what, values))
	}
}

// say tells whoever listens; it changes nothing.
func (w *world) say(what string) { w.log(fmt.Sprintf("%12.3f  %s", w.now.Seconds(), what)) }

// fail says that something is wrong; the play ends.
func (w *world) fail(format string, args ...any) {
	s := fmt.Sprintf("at %.3f s: ", w.now.Seconds()) + fmt.Sprintf(format, args...)
	w.failed = append(w.failed, s)
	w.note("WRONG: " + s)
}

func (w *world) chance(p float64) bool { return w.rnd.Float64() < p }

// between draws a time.
func (w *world) between(a, b time.Duration) time.Duration {
	return a + time.Duration(w.rnd.Int64N(int64(b-a)+1))
}

func (w *world) id() (id [16]byte) {
	_, _ = w.ids.Read(id[:]) // never fails
	return id
}

// Count is how often a kind of fault was injected.
type Count struct {
	Kind string
	N    int
}

func (w *world) counts() []Count {
	var list []Count
	for kind, n := range w.faults {
		list = append(list, Count{kind, n})
	}
	slices.SortFunc(list, func(a, b Count) int { return cmp.Compare(a.Kind, b.Kind) })
	return list
}
