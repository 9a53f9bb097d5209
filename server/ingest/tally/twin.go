package tally

import "turnwise/server/store"

// twin finds the life that another reader began when the counter left the same
// life before, and where on its number line a first reading is: two readers saw
// the same fall of a register, and what each counts after it must not be added.
//
// Both begin at what the register showed, so that their lines are the same, up to
// turns of the register; and both first readings are as near to each other as
// turning explains. Where the counter fell twice and that fits more than one
// life, it is the one that was counted then.
func (m *Machine) twin(stream int64, key, prev LifeKey, k *store.LifeLink, t int64) (twin LifeKey, at uint64) {
	if k.RawBits == 0 || k.RawBits > maxBits || !saneRPM(k.MaxRPM) {
		return LifeKey{}, 0
	}
	aside := int64(0)
	for line, depth := []LifeKey{prev}, 0; len(line) > 0 && depth < maxTwins; depth++ {
		var next []LifeKey
		for _, from := range line {
			for _, f := range m.followers()[from] {
				l := m.Lives[f]
				if f == key || f.PerRev != key.PerRev || !l.Counted || l.Read.Bits != k.RawBits || l.Read.Stream == stream {
					continue
				}
				next = append(next, f)
				apart := max(l.MinAt-t, t-l.MaxAt, 0)
				if x, ok := l.holds(k, f.PerRev, max(l.MaxAt-t, t-l.MinAt)); ok && (twin == (LifeKey{}) || apart < aside) {
					twin, at, aside = f, x, apart
				}
			}
		}
		line = next
	}
	return twin, at
}

// maxTwins bounds how many lives, one after the other, are looked at: nobody
// misses so many falls of a register that another reader has seen.
const maxTwins = 16

// holds tells where on the number line of a life a first reading is, when that is
// among its counts, or as near to them as that many ms of turning explain.
func (l *Life) holds(k *store.LifeLink, perRev uint32, ms int64) (at uint64, ok bool) {
	modulus := uint64(1) << k.RawBits
	near := most(ms+placing, k.MaxRPM, perRev)
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
