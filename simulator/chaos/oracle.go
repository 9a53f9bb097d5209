package chaos

import (
	"slices"
	"time"
)

// window is a time in which what was read may not have been kept.
type window struct{ from, to time.Duration }

// generation is one process of an agent: what it began with, and when what
// it read may have been lost with it.
type generation struct {
	of    string // agent
	fresh bool   // with an empty journal
	vague bool   // with a damaged one: what it knew may be gone
	doubt []window
}

// surely tells whether what was seen first at that time was kept.
func (g *generation) surely(s sight) bool {
	const settle = 120 * time.Millisecond // a reading and its write
	return s.calls >= 3 && !slices.ContainsFunc(g.doubt, func(w window) bool { return s.from+settle >= w.from && s.from <= w.to })
}

// known is what a counting reader can believe at one point of the ledger.
type known struct {
	open   bool
	input  int
	raw    int64
	unsure bool // raw moved while the stop was open
}

// span is how many stops have been counted by then.
type span struct{ least, most int }

// countable says how many stops the looks in the ledger allow to be counted:
// an independent, slower reading of the rules by which stops are told, that
// follows every possibility where it cannot be known what a process kept
// before it was ended. A stop that began and ended while nobody looked is in
// no sight and so may be missed; one across a hole goes on where the counter
// did not move; a new journal knows of no stop but what the server tells.
func countable(sights []sight, gens map[int]*generation) span {
	at := map[known]span{{input: none}: {}}
	last := -1
	for _, s := range sights {
		g := gens[s.gen]
		if g == nil {
			g = &generation{}
		}
		begins := s.gen != last
		last = s.gen
		next := map[known]span{}
		for k, n := range at {
			if !g.surely(s) || begins && s.calls < 3 {
				merge(next, k, n)
			}
			if begins && g.vague {
				follow(next, known{input: none}, n, s)
			}
			switch {
			case begins && g.fresh: // it knows of no stop, or what the server told it
				follow(next, known{input: none}, n, s)
				resume(next, k, n, s)
			case begins:
				resume(next, k, n, s)
			default:
				follow(next, k, n, s)
				if s.gap { // whether a few failures are a hole is the reader's to say
					resume(next, k, n, s)
				}
			}
		}
		at = next
	}
	out := span{least: 1 << 30}
	for _, n := range at {
		out.least, out.most = min(out.least, n.least), max(out.most, n.most)
	}
	return out
}

func merge(m map[known]span, k known, n span) {
	if have, ok := m[k]; ok {
		n = span{min(n.least, have.least), max(n.most, have.most)}
	}
	m[k] = n
}

func begun(n span) span { return span{n.least + 1, n.most + 1} }

// opened is a stop that is seen at s.
func opened(s sight) known {
	return known{open: true, input: s.input, raw: s.first, unsure: s.first != s.last}
}

// follow takes a sight of the process that went before.
func follow(next map[known]span, k known, n span, s sight) {
	switch {
	case s.input == none:
		merge(next, known{input: none}, n)
	case k.open && k.input == s.input:
		k.unsure = k.unsure || k.raw != s.first || s.first != s.last
		merge(next, k, n)
	default:
		merge(next, opened(s), begun(n))
	}
}

// resume takes the first sight of a process that knows what the one before
// kept.
func resume(next map[known]span, k known, n span, s sight) {
	moved := k.raw != s.first
	switch {
	case s.input == none:
		merge(next, known{input: none}, n)
	case !k.open:
		merge(next, opened(s), begun(n))
	default:
		if !moved || k.unsure || s.first != s.last {
			on := opened(s)
			on.unsure = on.unsure || k.unsure
			merge(next, on, n)
		}
		if moved || k.unsure || s.first != s.last {
			merge(next, opened(s), begun(n))
		}
	}
}
