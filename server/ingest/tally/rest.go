package tally

import (
	"crypto/sha256"
	"encoding/binary"

	"turnwise/server/store"
)

// A reader that was handed a reading of before its register fell may count on over
// the fall, as what it shows then may pass for turning. Where another one has told of
// the fall, what the first tells from then on is what the other told too. The two
// go on with different lives, and those of the first up to the fall are right. So the
// rest of its line is a life of its own: it follows the line where it was told, and is
// joined to the life of the other one. No record tells of it.

// place gives the number line on which counts (from, to] of a life are counted, and
// what is to be added to them there. over says that they lie across the end from
// which on they are counted there: of where on it they began nobody knows.
func (m *Machine) place(key LifeKey, from, to uint64) (line LifeKey, offset uint64, over bool) {
	line, offset = m.joined(key)
	for range maxTwins {
		rest, end := m.rest(line, to+offset)
		if rest == (LifeKey{}) {
			break
		}
		over = over || from+offset <= end
		line, offset = m.Joins[rest].To, offset+m.Joins[rest].Offset
	}
	return line, offset, over
}

// GoesOn tells that a record goes on from the newest reading of the machine's
// counter: nobody has told of what it counts.
func (m *Machine) GoesOn(r *store.Record) bool {
	var key LifeKey
	var from, to uint64
	switch k := r.Kind.(type) {
	case *store.CountSpan:
		key, from, to = LifeKey{k.Life, perRev(k.PerRev)}, k.From, k.To
	case *store.LifeLink:
		key, from, to = LifeKey{k.Prev, perRev(k.PerRev)}, k.PrevTo, k.PrevTo
	}
	if key.ID == (store.ID{}) {
		return false
	}
	line, offset, _ := m.place(key, from, to)
	return line == m.Current && from+offset >= m.reached(line)
}

// isRest tells that a life which follows another one is the rest of its line: what is
// joined and has no counts of its own is one.
func (m *Machine) isRest(key LifeKey) bool {
	_, joined := m.Joins[key]
	return joined && !m.Lives[key].Counted
}

// rest finds the rest of a line that a value on it lies in, and where it begins.
func (m *Machine) rest(line LifeKey, to uint64) (rest LifeKey, end uint64) {
	for _, f := range m.followers()[line] {
		l := m.Lives[f]
		if m.isRest(f) && to > l.PrevTo && (rest == LifeKey{} || l.PrevTo > end) {
			rest, end = f, l.PrevTo
		}
	}
	return rest, end
}

// moveRest keeps the rest of a line where it is when that is counted on another one,
// so much farther on.
func (m *Machine) moveRest(key LifeKey, offset uint64, c *Changes) {
	if j, ok := m.Joins[key]; ok && m.isRest(key) {
		m.Joins[key] = Join{j.To, j.Offset - offset}
		c.Joins[key] = true
	}
}

// overFall begins a rest where counts of a line up to a value go farther than its
// register can have counted before it fell, as another reader tells, and the raw value
// there is one that a life after the fall shows at that time.
func (m *Machine) overFall(line LifeKey, to uint64, k *store.CountSpan, t int64, c *Changes) bool {
	l := m.Lives[line]
	if l == nil || !l.Counted || to <= max(l.Max, l.Read.Ext) || k.RawBits == 0 || k.RawBits > maxBits || !m.fell(line, to, t) {
		return false
	}
	on, at := m.shows(line, k, t)
	if on != (LifeKey{}) {
		m.beginRest(line, to, Join{on, at - to}, c)
	}
	return on != (LifeKey{})
}

// endsAfterFall begins a rest where a reader is told to have left a line farther on
// than its register can have counted before it fell, as another reader tells: of what
// is beyond nothing is counted.
func (m *Machine) endsAfterFall(line LifeKey, to uint64, t int64, c *Changes) bool {
	l := m.Lives[line]
	if l == nil || !l.Counted || to <= max(l.Max, l.Read.Ext) || !m.fell(line, to, t) {
		return false
	}
	m.beginRest(line, to, Join{line, max(l.Max, l.Read.Ext) - to}, c)
	return true
}

// beginRest lets the rest of a line begin before a value.
func (m *Machine) beginRest(line LifeKey, to uint64, j Join, c *Changes) {
	// A name that it has in every recount.
	sum := sha256.Sum256(binary.BigEndian.AppendUint64(line.ID[:], to))
	rest := LifeKey{PerRev: line.PerRev}
	copy(rest.ID[:], sum[:])
	m.life(rest)
	m.follow(rest, line, to-1)
	m.counted(rest, j, c)
	c.Lives[rest] = true
}

// fell tells that the register of a line fell before that came to a value, by what the
// reader of a life after it tells. One that came late bounds nothing.
func (m *Machine) fell(line LifeKey, to uint64, t int64) bool {
	before := m.Lives[line]
	for _, f := range m.followers()[line] {
		l := m.Lives[f]
		if !l.Counted || f.PerRev != line.PerRev || m.Late[l.Read.Stream] || to <= l.PrevTo || to-l.PrevTo <= l.LostMax && t < l.MinAt+placing {
			continue
		}
		if _, around := before.around(l.PrevTo, l.first(), l.Read.Bits, l.LostMax); !around {
			return true
		}
	}
	return false
}

// shows finds the life after a line that shows the raw value of a span at t, and
// where: the one that was counted then, or nearest to that.
func (m *Machine) shows(line LifeKey, k *store.CountSpan, t int64) (on LifeKey, at uint64) {
	seen, aside := map[LifeKey]bool{line: true}, int64(0)
	first := &store.LifeLink{Raw: k.RawTo, RawBits: k.RawBits, MaxRPM: m.MaxRPM}
	for all := []LifeKey{line}; len(all) > 0 && len(seen) < maxTwins*maxTwins; all = all[1:] {
		for _, f := range m.followers()[all[0]] {
			if seen[f] {
				continue
			}
			seen[f] = true
			all = append(all, f)
			l := m.Lives[f]
			if !l.Counted || f.PerRev != line.PerRev || l.Read.Bits != k.RawBits || t < l.MinAt-placing {
				continue
			}
			apart := max(t-l.MaxAt, 0)
			x, ok := l.holds(first, f.PerRev, apart)
			if apart > placing { // then it has turned on from where it was
				ok = ok && apart <= aWhile && x+most(placing, m.MaxRPM, f.PerRev) >= l.Max
			}
			if ok && (on == (LifeKey{}) || apart < aside || apart == aside && f.compare(on) < 0) {
				on, at, aside = f, x, apart
			}
		}
	}
	return on, at
}

// Know takes over what a recount cannot find out: which lives are counted on the
// lines of which others.
func (m *Machine) Know(account *Machine) {
	m.Joins, m.after = account.Joins, nil
	for key := range account.Joins {
		if l := account.Lives[key]; l != nil && !l.Counted && l.Prev != (LifeKey{}) {
			*m.life(key) = Life{Prev: l.Prev, PrevTo: l.PrevTo}
		}
	}
}
