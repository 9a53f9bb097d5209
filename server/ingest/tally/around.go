package tally

import (
	"slices"

	"turnwise/server/store"
)

// around gives the first place on the number line of a life, from an end on that
// the life after it was told to follow, at which a register of so many bits shows
// raw: where it is if it did not fall, but went around. ok says that it can have
// come there: who told of the end could not know which it was, and not more than
// most counts lie between.
func (l *Life) around(end, raw uint64, bits uint32, most uint64) (at uint64, ok bool) {
	if !l.Counted || bits == 0 || bits > maxBits || l.Read.Bits != bits {
		return 0, false
	}
	way := (raw - l.Read.Raw - (end - l.Read.Ext)) & (1<<bits - 1)
	return end + way, way <= most && end+way >= end
}

// first is the raw value that a life begins with.
func (l *Life) first() uint64 { return l.Read.Raw - (l.Read.Ext - l.Min) }

// goesAround looks which lives after one are a part of it, when that is counted up
// to a value at t: its register did not fall, as another reader goes on over what
// they first showed. What they count is on its number line.
//
// Where more than a turn of the register is possible, a value says little, and nobody
// bounds the life of a reader that came late. So where the line has not come by it at
// the time at which the life after it began, as far as the clocks tell, what is
// counted too little, should it have been another value, is in bounds.
func (m *Machine) goesAround(key LifeKey, to uint64, t int64, c *Changes) {
	for {
		f, at, lost := m.next(key, to, t)
		if f == (LifeKey{}) {
			return
		}
		m.fold(f, Join{key, at - m.Lives[f].Min}, t, c) // those after it follow the line then
		if lost > 0 {
			m.mayLack(f, lost, c)
		}
	}
}

// next finds a life that [Machine.goesAround] moves to a line, and where on it that
// begins.
func (m *Machine) next(key LifeKey, to uint64, t int64) (f LifeKey, at, lost uint64) {
	l := m.Lives[key]
	for _, f := range slices.SortedFunc(slices.Values(m.followers()[key]), LifeKey.compare) {
		next := m.Lives[f]
		if !next.Counted || f.PerRev != key.PerRev {
			continue
		}
		most, late := next.LostMax, m.Late[next.Read.Stream]
		if late {
			most = max(most, 1<<min(next.Read.Bits, maxBits)-1)
		}
		at, ok := l.around(next.PrevTo, next.first(), next.Read.Bits, most)
		if !ok || at < l.Max || at > to || at < next.Min {
			continue // or its counts from 0 would lie before the line
		}
		turns := next.LostMax>>min(next.Read.Bits, maxBits) > 0
		switch {
		case next.MinAt >= l.MaxAt-placing && next.MinAt <= t+placing:
		case turns:
			lost = next.LostMax - (at - next.PrevTo)
		case late:
			lost = next.Max - next.Min
		}
		return f, at, lost
	}
	return LifeKey{}, 0, 0
}

// wentAround gives where on the line of the life before it a new one begins, when
// that line has been counted over what it first shows already: [Machine.goesAround]
// for a life of which the store hears after that. Where the line was not counted any
// more at that time, as far as the clocks tell, its register may have fallen since, and
// where more than a turn is possible it may be that: lost bounds what is counted too
// little then.
func (m *Machine) wentAround(key, prev LifeKey, prevTo uint64, k *store.LifeLink, t int64) (at, lost uint64, ok bool) {
	l := m.Lives[prev]
	if l == nil || prev.PerRev != key.PerRev || k.RawBits > maxBits {
		return 0, 0, false
	}
	at, ok = l.around(prevTo, k.Raw, k.RawBits, k.LostMax)
	if !ok || at < k.Ext || at > l.Max {
		return 0, 0, false
	}
	if t > l.MaxAt+placing || k.LostMax>>k.RawBits > 0 {
		lost = k.LostMax
	}
	return at, lost, true
}

// fold moves a life to the number line of the one before, whose counts end before
// it, with all that was booked of it and of the lives after it.
func (m *Machine) fold(key LifeKey, j Join, t int64, c *Changes) {
	l, line := *m.Lives[key], m.Lives[j.To]
	after := m.after[key]
	m.bookFollowers(key, -1)
	m.bookFollowers(j.To, -1)
	delete(m.after, key)
	m.after[j.To] = slices.DeleteFunc(m.after[j.To], func(f LifeKey) bool { return f == key })
	for _, f := range after {
		m.Lives[f].Prev, m.Lives[f].PrevTo = j.To, m.Lives[f].PrevTo+j.Offset
		m.after[j.To] = append(m.after[j.To], f)
		c.Lives[f] = true
		m.moveRest(f, j.Offset, c)
	}
	booked, from := line.revolutions(key.PerRev)+l.revolutions(key.PerRev), line.MaxAt
	line.Max, line.MaxAt, *m.Lives[key] = l.Max+j.Offset, l.MaxAt, Life{}
	m.bookFollowers(j.To, 1)
	if l.Read.Ext += j.Offset; l.Read.Ext > line.Read.Ext {
		line.Read = l.Read
	}
	if m.Current == key {
		m.Current = j.To
	}
	c.Lives[key], c.Lives[j.To] = true, true
	m.turned(line.revolutions(key.PerRev)-booked, min(from, t), t, c)
	m.counted(key, j, c)
	for _, f := range after {
		m.reachEnd(j.To, f, t, c)
	}
}
