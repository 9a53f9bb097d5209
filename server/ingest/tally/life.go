package tally

import (
	"fmt"
	"math"

	"turnwise/server/store"
)

// LifeKey names the number line of one counter life. A life that changed its
// counts per revolution is two lines, so that neither order nor repetition of
// spans can change what they add up to.
type LifeKey struct {
	ID     store.ID
	PerRev uint32
}

// Life is what is known of one number line.
type Life struct {
	Counted      bool // Min and Max are set
	Min, Max     uint64
	MinAt, MaxAt int64 // when they were last moved
	// LostMin and LostMax bound the counts between PrevTo of Prev and this
	// life, as told. What Prev counts beyond PrevTo later is among them.
	LostMin, LostMax uint64
	Prev             LifeKey
	PrevTo           uint64
	Read             Reading
}

// revolutions of the life's hull; what is left over stays in the hull.
func (l *Life) revolutions(perRev uint32) int64 {
	return int64((l.Max - l.Min) / uint64(perRev))
}

// Reading is the newest raw reading of a life, and where it comes from.
type Reading struct {
	Raw, Ext uint64
	Bits     uint32 // width of the raw counter; 0 = it does not survive its reader
	At       int64  // Unix ms
	Stream   int64
	Boot     uint32 // boot index of the stream
	Boottime int64  // ns
}

// Join says that a life is a part of another one's number line: a reader that
// knew of no life before began it, and its first reading followed the newest
// one without doubt.
type Join struct {
	To     LifeKey
	Offset uint64 // to be added to the extended counter, modulo 2^64
}

// joined gives the number line on which a life is counted.
func (m *Machine) joined(key LifeKey) (LifeKey, uint64) {
	if j, ok := m.Joins[key]; ok {
		return j.To, j.Offset // To is itself not joined
	}
	return key, 0
}

// Knows tells whether anything was told of a life, at any counts per
// revolution.
func (m *Machine) Knows(life store.ID) bool {
	for key := range m.Joins {
		if key.ID == life {
			return true
		}
	}
	for key := range m.Lives {
		if key.ID == life {
			return true
		}
	}
	return false
}

// read notes a raw reading of a life. The machine's counter is in the life
// that its newest reader told last. Which reader is newer, the order tells in
// which the database met them, but for those that came late: clocks step, and a
// new journal that seems to be old would leave the next one to go on from a
// reading before it. Late word of an older reader changes the life only when
// its time is newer too.
func (m *Machine) read(key LifeKey, x Reading, c *Changes) {
	l := m.life(key)
	if l.Read == (Reading{}) || x.Ext > l.Read.Ext || x.Ext == l.Read.Ext && x.At >= l.Read.At {
		l.Read = x
		c.Lives[key] = true
	}
	if m.Current == key {
		return
	}
	now := m.Lives[m.Current]
	if now == nil || x.Stream >= now.Read.Stream && !m.Late[x.Stream] || x.At >= now.Read.At {
		m.Current = key
	}
}

// Newest returns the newest raw reading of the machine's counter and the life
// that it belongs to; ok is false when none is known that another reader could
// go on from.
func (m *Machine) Newest() (key LifeKey, r Reading, ok bool) {
	l := m.Lives[m.Current]
	if l == nil || l.Read.Bits == 0 || l.Read.Bits > maxBits {
		return LifeKey{}, Reading{}, false
	}
	return m.Current, l.Read, true
}

const (
	maxBits = 32
	// placing is how far two instants of different boots may be from where
	// they are placed, in ms.
	placing = 5000
	// wrongClock is how long at the least, in ms, nobody may have counted before
	// a reader whose clock shows a time before the newest instant known.
	wrongClock = 24 * 3600 * 1000
	// wrapShare: as agents judge, a backward step is a wrap only when the
	// counter can have moved a sixteenth of its width at the most.
	wrapShare = 16
)

// most is the highest number of counts that a counter makes in ms: a quarter
// above the highest speed, and 2 for the edges.
func most(ms int64, maxRPM float64, perRev uint32) uint64 {
	b := math.Ceil(1.25*min(maxRPM, plausibleRPM)*float64(perRev)/60_000*float64(max(ms, 0))) + 2
	return uint64(min(b, maxLost))
}

// knowSpeed notes a speed that the machine does not exceed.
func (m *Machine) knowSpeed(rpm float64) {
	if saneRPM(rpm) {
		m.MaxRPM = min(rpm, plausibleRPM)
	}
}

func saneRPM(rpm float64) bool { return rpm > 0 && rpm <= 10_000 }

// follows tells how far a counter went from a reading to the first one of
// another reader, at most ms later, and whether that is beyond doubt: less than
// a wrap is possible, and it did not fall.
func follows(from Reading, k *store.LifeLink, ms int64) (d uint64, sure bool) {
	if !alike(from, k) {
		return 0, false
	}
	modulus := uint64(1) << from.Bits
	bound := most(ms, k.MaxRPM, perRev(k.PerRev))
	d = (k.Raw + modulus - from.Raw%modulus) % modulus
	forward := k.Raw >= from.Raw
	switch {
	case ms < 0:
	case bound >= modulus:
		sure = forward && d <= bound && bound-d < modulus
	case forward:
		sure = d <= bound
	default:
		sure = d <= bound && bound <= modulus/wrapShare
	}
	return d, sure
}

// alike tells that a first reading can be compared with another reader's.
func alike(from Reading, k *store.LifeLink) bool {
	return from.Bits != 0 && from.Bits <= maxBits && from.Bits == k.RawBits && saneRPM(k.MaxRPM) && k.Raw>>k.RawBits == 0
}

// link books the bounds of what may be missing before a new life, or joins it
// to the life before.
func (m *Machine) link(stream int64, k *store.LifeLink, r *store.Record, t int64, c *Changes) string {
	switch {
	case k.New == store.ID{}:
		return "life link without a new life"
	case k.LostMin > k.LostMax:
		return fmt.Sprintf("life link has lost at least %d and at most %d counts", k.LostMin, k.LostMax)
	}
	if !m.Heard {
		m.watch(stream, t, t, byState, "", c)
	}
	if k.Kind != apart {
		m.knowSpeed(k.MaxRPM)
	}
	key := LifeKey{k.New, perRev(k.PerRev)}
	if _, told := m.Joins[key]; told {
		return ""
	}
	reading := Reading{Raw: k.Raw, Ext: k.Ext, Bits: k.RawBits, At: t, Stream: stream, Boot: r.Boot, Boottime: r.Boottime}
	lo, hi := k.LostMin, k.LostMax
	prev, prevTo := LifeKey{}, uint64(0)
	fresh := m.fresh(key)
	if k.Prev != (store.ID{}) {
		var offset uint64
		before := LifeKey{k.Prev, key.PerRev}
		prev, offset, _ = m.place(before, k.PrevTo, k.PrevTo)
		if m.endsAfterFall(prev, k.PrevTo+offset, t, c) {
			prev, offset, _ = m.place(before, k.PrevTo, k.PrevTo)
		}
		prevTo = k.PrevTo + offset
		m.reach(prev, prevTo, t, c)
		if m.Lives[prev] == nil && m.Lives[key] == nil {
			// Nothing of the life before is booked: it was lost with its records, or
			// with the books, when the server was set back after it was handed over.
			hi += m.unseen(stream, key, k, t)
		}
		twin, at, lost := m.twin(stream, key, prev, k, t)
		if x, most, ok := m.wentAround(key, prev, prevTo, k, t); ok && twin == (LifeKey{}) {
			twin, at, lost = prev, x, most
		}
		if fresh && twin != (LifeKey{}) {
			m.joinAt(key, Join{twin, at - k.Ext}, t, c)
			reading.Ext = at
			m.grow(twin, at, at, t, t, c)
			m.read(twin, reading, c)
			if lost > 0 {
				m.mayLack(key, lost, c)
			}
			return ""
		}
	} else if fresh {
		if from, lost, sure := m.join(stream, key, k, t, c); sure {
			line, offset := m.joined(key)
			reading.Ext += offset
			m.grow(line, reading.Ext, reading.Ext, from, t, c)
			m.read(line, reading, c)
			if lost > 0 {
				m.mayLack(key, lost, c)
			}
			return ""
		}
		if twin, at := m.told(stream, key, k, t); twin != (LifeKey{}) {
			m.joinAt(key, Join{twin, at - k.Ext}, t, c)
			return ""
		}
		hi = max(hi, m.unseen(stream, key, k, t))
		prev, prevTo = m.Current, m.reached(m.Current)
	}
	l := m.life(key)
	m.bookLost(key, l, -1)
	l.LostMin, l.LostMax = max(l.LostMin, lo), max(l.LostMax, hi)
	m.follow(key, prev, prevTo)
	m.bookLost(key, l, 1)
	c.Lives[key] = true
	if fresh && k.RawBits != 0 {
		m.grow(key, k.Ext, k.Ext, t, t, c) // where its hull begins
		m.read(key, reading, c)
	}
	return ""
}

// follow notes which life comes after which, and how far that one had counted.
// It may be one of which nobody has told yet.
func (m *Machine) follow(key, prev LifeKey, prevTo uint64) {
	l := m.Lives[key]
	if l.Prev != (LifeKey{}) || prev == (LifeKey{}) || prev == key {
		return
	}
	after := m.followers()[prev]
	l.Prev, l.PrevTo = prev, prevTo
	m.after[prev] = append(after, key)
}

// reach books that a life is known to have counted up to a value although no
// span tells it: the spans were lost. Where nothing was told of it yet, the
// first word of it does that, see [Machine.grow].
func (m *Machine) reach(key LifeKey, to uint64, t int64, c *Changes) {
	l := m.Lives[key]
	if l != nil && l.Counted && to > l.Max && m.implausible(key, l.Max, to, min(l.MaxAt, t), t, true) == "" {
		m.grow(key, l.Max, to, min(l.MaxAt, t), t, c)
	}
}

// reachEnd books that a life counted up to where one after it was told to follow. A
// rest begins where somebody only took it to be.
func (m *Machine) reachEnd(key, next LifeKey, t int64, c *Changes) {
	if !m.isRest(next) {
		m.reach(key, m.Lives[next].PrevTo, t, c)
	}
}

// unlinked tells that a span belongs to a life of which the link was not
// booked, and of which nothing else is known: told by a new reader, or by one
// that has lost records.
func (m *Machine) unlinked(stream int64, k *store.CountSpan) bool {
	key := LifeKey{k.Life, perRev(k.PerRev)}
	if _, joined := m.Joins[key]; joined || k.RawBits > maxBits || m.Current == key || !m.fresh(key) {
		return false
	}
	now := m.Lives[m.Current]
	return now != nil && (m.Buried[stream] || k.RawBits != 0 && now.Read.Bits != 0 && now.Read.Stream != stream)
}

// linkAt books the link of such a life from where its span begins.
//
// A reader knew its own newest reading, so that a life which it began did not
// follow from that.
func (m *Machine) linkAt(stream int64, k *store.CountSpan, r *store.Record, from int64, c *Changes) {
	modulus, rpm, kind := uint64(1)<<k.RawBits, m.MaxRPM, ""
	begin := *r
	begin.Boottime = k.FromBoottime
	if rpm == 0 || m.Lives[m.Current].Read.Stream == stream {
		kind = apart
	}
	if rpm == 0 {
		rpm = plausibleRPM
	}
	m.link(stream, &store.LifeLink{
		New: k.Life, PerRev: k.PerRev, Raw: (k.RawTo + modulus - (k.To-k.From)%modulus) % modulus, RawBits: k.RawBits, Ext: k.From, MaxRPM: rpm, Kind: kind,
	}, &begin, from, c)
}

// ByReceipt tells that what a record books depends on when it was received, see
// [Machine.unseen].
func (m *Machine) ByReceipt(stream int64, r *store.Record) bool {
	if !m.Buried[stream] || r.Synced {
		return false
	}
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		return m.unlinked(stream, k)
	case *store.LifeLink:
		return true
	}
	return false
}

// apart is the kind of a link of a life that did not follow from the newest
// reading. No agent tells it.
const apart = "apart"

// fresh tells that nothing was told of a life yet.
func (m *Machine) fresh(key LifeKey) bool {
	l := m.Lives[key]
	return l == nil || !l.Counted && l.Read == (Reading{}) && l.LostMax == 0
}

// join makes a life a part of the one that the machine's counter was in, when
// its first reading follows the newest one without doubt, or was made before it.
// since is when that was read; lost bounds the counts that nobody will tell of,
// should the counter have been set back instead.
func (m *Machine) join(stream int64, key LifeKey, k *store.LifeLink, t int64, c *Changes) (since int64, lost uint64, sure bool) {
	now := m.Lives[m.Current]
	if now == nil || m.Current == key || m.Current.PerRev != key.PerRev || k.Kind == apart {
		return 0, 0, false
	}
	read := now.Read
	if before := m.Lives[now.Prev]; before != nil && before.MaxAt <= t {
		// It was read after that: where it seems to be before, a clock was set in
		// between, and the way is believed over the time since then only.
		read.At = max(read.At, before.MaxAt)
	}
	d, sure := follows(read, k, m.took(read, stream, t))
	switch back := -d & (1<<k.RawBits - 1); {
	case sure:
		sure = !m.onTheWay(now.Read, d)
	case m.precedes(now, back, stream, k, t):
		d, sure = -back, true
		lost = m.setBack(now.Read, back, stream, k, t)
	}
	if at := now.Read.Ext + d; !sure || at < k.Ext {
		return 0, 0, false // or its counts from 0 would lie before the line
	}
	m.joinAt(key, Join{m.Current, now.Read.Ext + d - k.Ext}, t, c)
	return min(now.Read.At, t), lost, true
}

func (m *Machine) joinAt(key LifeKey, j Join, t int64, c *Changes) {
	m.counted(key, j, c)
	m.adopt(key, j, t, c)
}

// counted notes that a life is counted on the number line of another one, and with
// it what was counted on its own.
func (m *Machine) counted(key LifeKey, j Join, c *Changes) {
	if m.Joins == nil {
		m.Joins = map[LifeKey]Join{}
	}
	for k, on := range m.Joins {
		if on.To == key {
			m.Joins[k] = Join{j.To, on.Offset + j.Offset}
			c.Joins[k] = true
		}
	}
	m.Joins[key] = j
	c.Joins[key] = true
}

// precedes tells that the first reading of another reader, which shows back counts
// less than the newest one of a life, was made before that: two readers were at
// the counter at a time, as when a box that was replaced still ran, and the server
// heard first of the one that was to go, or was set back to before it knew the
// other. What the second tells up to the newest reading is told.
//
// It shows a value that the life is known to have gone over, near its end: a
// misreading does not come so near. And the counter cannot have come there again:
// had it fallen to 0 since, it would have had to count up to that, which mostly
// takes longer than it was. Where it does not, the way back must be one that it
// can have made while there were two. A counter that was set to such a value looks
// the same: what is counted too little then is bounded, and nothing counted twice.
func (m *Machine) precedes(l *Life, back uint64, stream int64, k *store.LifeLink, t int64) bool {
	if !alike(l.Read, k) || !l.Counted || l.Read.Ext < l.Min || back > min(l.Read.Ext-l.Min, 1<<k.RawBits/wrapShare) {
		return false
	}
	ms, two := m.took(l.Read, stream, t), int64(wrongClock) // where nobody knows when it began
	if m.Vague[stream] == 0 {
		// A newest reading from before the first one says that a clock was set back.
		if two = max(ms, l.Read.At+placing-t); t < min(l.MinAt, l.Read.At)-placing {
			return false // before the life
		}
	}
	return k.Raw > mostSince(ms, k) || back <= most(two, k.MaxRPM, perRev(k.PerRev))
}

// setBack bounds the counts that nobody will tell of where a first reading lies
// back counts before the newest one, should the counter have been set to it: none
// when the clocks say that it was made before, and it cannot have come from 0.
func (m *Machine) setBack(from Reading, back uint64, stream int64, k *store.LifeLink, t int64) uint64 {
	aside := from.At + placing - t // the longest time between the two
	if m.Vague[stream] == 0 && aside >= 0 && back <= most(aside, k.MaxRPM, perRev(k.PerRev)) && k.Raw > mostSince(m.took(from, stream, t), k) {
		return 0
	}
	return back + m.unseen(stream, LifeKey{k.New, perRev(k.PerRev)}, k, t)
}

// mostSince is the highest number of counts that a counter made in ms before the
// first reading of a reader; where the clock says that time went backwards, in a
// day at the least.
func mostSince(ms int64, k *store.LifeLink) uint64 {
	if ms < 0 {
		ms = max(-ms, wrongClock)
	}
	return most(ms, k.MaxRPM, perRev(k.PerRev))
}

// adopt moves what was told of the end of a life, before that was joined to
// another one, to the number line on which it is counted now.
func (m *Machine) adopt(key LifeKey, j Join, t int64, c *Changes) {
	for _, next := range m.followers()[key] {
		l := m.Lives[next]
		m.bookLost(next, l, -1)
		end := l.PrevTo + j.Offset
		l.Prev, l.PrevTo = LifeKey{}, 0
		m.follow(next, j.To, end)
		m.bookLost(next, l, 1)
		c.Lives[next] = true
		m.moveRest(next, j.Offset, c)
		m.reachEnd(l.Prev, next, t, c)
	}
	delete(m.after, key)
}

// took is how long, in ms, it can have been from a reading to the first one of
// another reader that is placed at t: until it was met, where its begin is vague.
// A reading that seems to be from after that says that the server's clock was
// set back since: how long it was is not known, and ms is less than 0.
func (m *Machine) took(from Reading, stream, t int64) (ms int64) {
	if met := m.Vague[stream]; met != 0 {
		return met - from.At + placing
	}
	return t - from.At + placing
}

// onTheWay tells that a life on another number line, whose reader was met after
// the one of a reading, was read within the d counts after it: its reader came
// late, as far as its clock showed. What it told must not be counted again as a
// part of that way.
func (m *Machine) onTheWay(from Reading, d uint64) bool {
	for key, l := range m.Lives {
		if key != m.Current && l.Counted && l.Read.Stream > from.Stream && l.Read.Bits == from.Bits && (l.Read.Raw-from.Raw)&(1<<from.Bits-1) <= d {
			return true
		}
	}
	return false
}

// reached is how far a life is known to have counted.
func (m *Machine) reached(key LifeKey) uint64 {
	l := m.Lives[key]
	switch {
	case l == nil:
		return 0
	case l.Counted:
		return max(l.Max, l.Read.Ext)
	}
	return l.Read.Ext
}

// unseen bounds the counts that nobody will tell of when a reader that knows
// of no life before begins one at t: the box was replaced, or its journal is
// gone, and with it what was counted since the newest instant known.
//
// Of a reader that has lost records and does not know what time it is, all that
// is sure is when the store heard of it: a boot that nobody could place stands at
// the earliest instant that it can have begun at.
func (m *Machine) unseen(stream int64, life LifeKey, k *store.LifeLink, t int64) uint64 {
	t = max(t, m.by)
	others := false
	for key := range m.Lives {
		others = others || key.ID != life.ID
	}
	if !others {
		return 0
	}
	ms, rpm := t-m.Last, plausibleRPM/1.25 // as far as nobody told of the machine's speed
	switch now := m.Lives[m.Current]; {
	case !saneRPM(k.MaxRPM):
	case now != nil:
		ms, rpm = m.took(now.Read, stream, t), k.MaxRPM
	case m.Buried[stream]:
		ms, rpm = t-m.First, k.MaxRPM // its gap has moved Last, and no count was told yet
	}
	switch {
	case ms < 0 && m.Late[stream]:
		return 0 // that time was watched, or is in the bounds of who came after
	case ms < 0:
		// A clock was wrong by that much at least: how long nobody counted is
		// not known.
		ms = max(-ms, wrongClock)
	}
	return most(ms, rpm, life.PerRev)
}

// mayLack raises the bound of what nobody will tell of before a life.
func (m *Machine) mayLack(key LifeKey, most uint64, c *Changes) {
	l := m.life(key)
	m.bookLost(key, l, -1)
	l.LostMax = min(max(l.LostMax, most), maxLost)
	m.bookLost(key, l, 1)
	c.Lives[key] = true
}

// Doubt books a span of a reader that counts pulses, of a time of which another
// one has told before this one was known: nobody can tell which of its counts
// were told. They are bounds.
func (m *Machine) Doubt(r *store.Record, c *Changes) {
	k, ok := r.Kind.(*store.CountSpan)
	if !ok || k.To <= k.From || k.Life == (store.ID{}) || k.To-k.From > maxLost {
		return
	}
	key := LifeKey{k.Life, perRev(k.PerRev)}
	l := m.life(key)
	m.bookLost(key, l, -1)
	l.LostMax = min(l.LostMax+k.To-k.From, maxLost)
	m.bookLost(key, l, 1)
	c.Lives[key] = true
}

// maxLost keeps the sum of many links inside an int64.
const maxLost = 1 << 50

// bookLost adds the bounds of a life's link to the machine's, or takes them
// away. What the life before has counted beyond its end is lost no more.
func (m *Machine) bookLost(key LifeKey, l *Life, sign int64) {
	lo, hi := l.LostMin, l.LostMax
	if prev := m.Lives[l.Prev]; prev != nil && prev.Counted && l.Prev.PerRev == key.PerRev && prev.Max > l.PrevTo {
		found := prev.Max - l.PrevTo
		lo, hi = lo-min(lo, found), hi-min(hi, found)
	}
	m.LostMin += sign * lostFloor(lo, key.PerRev)
	m.LostMax += sign * lostCeil(hi, key.PerRev)
}

// bookFollowers does that for the lives that follow another one.
func (m *Machine) bookFollowers(key LifeKey, sign int64) {
	for _, next := range m.followers()[key] {
		m.bookLost(next, m.Lives[next], sign)
	}
}

// followers are the lives after each life.
func (m *Machine) followers() map[LifeKey][]LifeKey {
	if m.after == nil {
		m.after = map[LifeKey][]LifeKey{}
		for key, l := range m.Lives {
			if l.Prev != (LifeKey{}) {
				m.after[l.Prev] = append(m.after[l.Prev], key)
			}
		}
	}
	return m.after
}

func lostFloor(n uint64, perRev uint32) int64 { return int64(min(n/uint64(perRev), maxLost)) }

func lostCeil(n uint64, perRev uint32) int64 {
	q := n / uint64(perRev)
	if n%uint64(perRev) != 0 {
		q++
	}
	return int64(min(q, maxLost))
}
