package tally

import (
	"bytes"
	"cmp"
	"slices"

	"turnwise/server/store"
)

// twin finds the life that another reader began when the counter left the same
// life before, and where on its number line a first reading is: two readers saw
// the same fall of a register, and what each counts after it must not be added.
// Either may have missed falls before it.
//
// Both begin at what the register showed, so that their lines are the same, up to
// turns of the register; and a first reading lies among the counts of the other
// line, or as near to them as turning explains in the time that it lies outside of
// theirs. A life that the reader's own follows is one only where others
// have told of a later time already, and it has not left that itself, nor read one
// after it. Where the counter fell twice and that fits more than one life, it is the
// one that was counted then. Where it was counted at another time only, as far as
// the clocks tell, it may have been another fall: lost bounds what is counted too
// little then, and nothing is counted twice.
func (m *Machine) twin(stream int64, key, prev LifeKey, k *store.LifeLink, t int64) (twin LifeKey, at, lost uint64) {
	if k.RawBits == 0 || k.RawBits > maxBits || !saneRPM(k.MaxRPM) {
		return LifeKey{}, 0, 0
	}
	path, over, root := map[LifeKey]bool{}, map[LifeKey]bool{}, prev
	for own := false; len(path) < maxTwins; {
		path[root], over[root] = true, own
		before := m.Lives[root]
		if before == nil || before.Prev == (LifeKey{}) || path[before.Prev] {
			break
		}
		own, root = own || before.Read.Stream == stream, before.Prev
	}
	over[prev] = true
	// Where a life would begin before the other line does, its counts from 0 would
	// be refused: it stays apart.
	now := m.Lives[m.Current]
	late := now != nil && now.Read.Stream != stream && now.Read.At > t+placing
	aside, all := int64(0), []LifeKey{root}
	unbooked := m.Lives[prev] == nil
	if unbooked {
		all = append(all, m.roots()...)
	}
	for i := 0; i < len(all) && i < maxTwins*maxTwins; i++ {
		// In an order of their own: a recount must find the same one of two that
		// are as near as each other.
		for _, f := range slices.SortedFunc(slices.Values(m.followers()[all[i]]), LifeKey.compare) {
			all = append(all, f)
			l := m.Lives[f]
			if f == key || over[f] || path[f] && !(l.during(t) || late && l.near(t)) || f.PerRev != key.PerRev || !l.Counted || l.Read.Bits != k.RawBits || l.Read.Stream == stream {
				continue
			}
			apart := max(l.MinAt-t, t-l.MaxAt, 0)
			x, ok := l.holds(k, f.PerRev, apart)
			if !ok || unbooked && apart > aWhile || x < k.Ext || twin != (LifeKey{}) && apart >= aside {
				continue
			}
			twin, at, lost, aside = f, x, 0, apart
			if apart > placing {
				lost = l.Max - l.Min + most(apart, k.MaxRPM, f.PerRev)
			}
		}
	}
	return twin, at, lost
}

// roots are the lives that follow none.
func (m *Machine) roots() (list []LifeKey) {
	for key, l := range m.Lives {
		if l.Prev == (LifeKey{}) {
			list = append(list, key)
		}
	}
	slices.SortFunc(list, LifeKey.compare)
	return list
}

// compare is an order of lives, without a meaning.
func (k LifeKey) compare(o LifeKey) int {
	return cmp.Or(bytes.Compare(k.ID[:], o.ID[:]), cmp.Compare(k.PerRev, o.PerRev))
}

// told finds the life of another reader that was counted at t and holds a first
// reading: of a reader that was at the counter too, and of which the store hears
// when that has gone on to other lives.
func (m *Machine) told(stream int64, key LifeKey, k *store.LifeLink, t int64) (twin LifeKey, at uint64) {
	if k.RawBits == 0 || k.RawBits > maxBits || m.Vague[stream] != 0 || k.Kind == apart {
		return LifeKey{}, 0
	}
	for f, l := range m.Lives {
		if f == key || f.PerRev != key.PerRev || !l.Counted || l.Read.Bits != k.RawBits || l.Read.Stream == stream || !l.during(t) {
			continue
		}
		ahead := (k.Raw - l.Min) & (1<<k.RawBits - 1)
		switch {
		case ahead > l.Max-l.Min || l.Min+ahead < k.Ext:
		case twin != (LifeKey{}):
			return LifeKey{}, 0 // which of them cannot be told
		default:
			twin, at = f, l.Min+ahead
		}
	}
	return twin, at
}

// during tells that a life was counted at t beyond doubt.
func (l *Life) during(t int64) bool { return t >= l.MinAt-placing && t < l.MaxAt-placing }

// near tells that a life was counted at t, as far as clocks of two hosts tell.
func (l *Life) near(t int64) bool { return t >= l.MinAt-placing && t <= l.MaxAt+placing }

// maxTwins bounds how many lives, one after the other, are looked at: nobody
// misses so many falls of a register that another reader has seen.
const maxTwins = 16

// aWhile is how long, in ms, a counter can have turned between what two readers
// saw of one life: what lies between is counted, and clocks may be wrong.
const aWhile = 120_000

// holds tells where on the number line of a life a first reading is, when that is
// among its counts, or as near to them as that many ms of turning explain.
func (l *Life) holds(k *store.LifeLink, perRev uint32, ms int64) (at uint64, ok bool) {
	modulus := uint64(1) << k.RawBits
	near := most(min(ms, aWhile)+placing, k.MaxRPM, perRev)
	ahead := (k.Raw - l.Min) & (modulus - 1) // a line shows its register, modulo that
	back := modulus - ahead
	switch most := min(l.Max-l.Min+near, modulus/wrapShare); {
	case ahead <= most:
		return l.Min + ahead, true
	case back <= min(near, modulus/wrapShare, l.Min):
		return l.Min - back, true
	}
	return 0, false
}
