package creel

import (
	"fmt"
	"math"

	"turnwise/planner/knit"
	"turnwise/planner/unit"
)

// Pack is one cone that stands in a creel: whose yarn it is and how much was on it.
type Pack struct {
	Lot string
	Net unit.Kilograms // when it was put on, without its core
	CV  float64        // spread of Net, a share of it
}

// Position is one place of a creel: the cone that an end draws from, and the one
// that may stand beside it.
type Position struct {
	Number  int    // from 1, once in a creel
	Group   string // feed group that draws here
	Running Pack
	At      unit.Revolutions // of the machine when the running cone began to be drawn
	Reserve *Pack            // nil when none stands there
	Tied    bool             // the reserve's head is tied to the tail of the running cone
}

// Bias is what was learnt of the turns a cone lasts: the natural logarithm of
// counted over calculated turns, a mean and its standard deviation.
type Bias struct{ Mean, SD float64 }

// Supply is how one feed group draws.
type Supply struct {
	Group knit.FeedGroup
	// Share is the part of all turns in which the group knits: below 1 for a yarn of a
	// stripe; 0 means 1.
	Share float64
	// Length is shared by all cones of the group (course length), Lots by those of one
	// lot (count, moisture). A lot without an entry has bias 0 and no spread.
	Length Bias
	Lots   map[string]Bias
}

// Creel is all that stands at one machine.
type Creel struct {
	Machine   string
	Turn      unit.Revolutions // of the machine, now
	Supplies  []Supply
	Positions []Position
}

// Law is when one cone runs out: At + Life exp(common) (1 + CV z), where z is
// standard normal and its own, and common is normal and shared.
type Law struct {
	At, Life     unit.Revolutions
	CV           float64
	Group, Lot   string
	Length, Kind Bias // the two shared parts: of the group, of the lot
}

// Need is the next work at one position.
type Need struct {
	Position int // Number
	// Tie is true when the end goes on by itself with a tied reserve: the work is then
	// to set up the next one, possible from Open on.
	Tie  bool
	Open unit.Revolutions // earliest turn at which the work is of use, expected
	Due  Law              // the end stops here without it
	// Lot of the cone to fetch: that of the cone it follows.
	Lot string
}

// Needs gives the next work of every position, in the order of Positions. A reserve
// that is not tied does not carry the end on: its need is due with the running cone.
func (c Creel) Needs() ([]Need, error) {
	if err := c.validate(); err != nil {
		return nil, err
	}
	supplies := c.supplies()
	needs := make([]Need, len(c.Positions))
	for i, p := range c.Positions {
		s := supplies[p.Group]
		running := s.law(p.Running, p.At)
		n := Need{Position: p.Number, Open: c.Turn, Due: running, Lot: p.Running.Lot}
		if p.Reserve != nil && p.Tied {
			n.Tie, n.Lot = true, p.Reserve.Lot
			n.Open = max(c.Turn, running.Mean())
			n.Due = chain(running, s.law(*p.Reserve, 0))
		}
		needs[i] = n
	}
	return needs, nil
}

// Left is the yarn expected to be left at a position, the reserve included.
func (c Creel) Left(p Position) (unit.Kilograms, error) {
	s, ok := c.supplies()[p.Group]
	if !ok {
		return 0, c.bad(p.Number, "feed group", p.Group, "one of the machine's card", "choose the group that draws here")
	}
	life := s.law(p.Running, p.At).Mean() - p.At
	left := float64(p.Running.Net)
	if life > 0 {
		left *= min(1, max(0, 1-float64((c.Turn-p.At)/life)))
	}
	if p.Reserve != nil {
		left += float64(p.Reserve.Net)
	}
	return unit.Kilograms(left), nil
}

func (c Creel) supplies() map[string]Supply {
	m := make(map[string]Supply, len(c.Supplies))
	for _, s := range c.Supplies {
		m[s.Group.ID] = s
	}
	return m
}

func (s Supply) law(p Pack, at unit.Revolutions) Law {
	life, err := s.Group.RevolutionsPerCone(p.Net)
	if err != nil { // validate has asked before
		return Law{}
	}
	if s.Share > 0 {
		life /= unit.Revolutions(s.Share)
	}
	return Law{At: at, Life: life, CV: p.CV, Group: s.Group.ID, Lot: p.Lot, Length: s.Length, Kind: s.Lots[p.Lot]}
}

// chain is the law of two cones drawn one after the other. Their own spreads are
// independent; where their lots differ the mean takes both biases by their share,
// and the shared spread is that of the larger part, which overstates it slightly.
func chain(first, then Law) Law {
	whole := first.Life + then.Life
	a, b := float64(first.Life/whole), float64(then.Life/whole)
	joined := first
	joined.Life = whole
	joined.CV = math.Hypot(a*first.CV, b*then.CV)
	if b > a {
		joined.Lot = then.Lot
	}
	joined.Kind = Bias{Mean: a*first.Kind.Mean + b*then.Kind.Mean, SD: max(first.Kind.SD, then.Kind.SD)}
	return joined
}

// Mean is the expected turn of the run-out (exact for the lognormal shared part).
func (l Law) Mean() unit.Revolutions {
	v := l.Length.SD*l.Length.SD + l.Kind.SD*l.Kind.SD
	return l.At + l.Life*unit.Revolutions(math.Exp(l.Length.Mean+l.Kind.Mean+v/2))
}

// Rate is the turns that one kilogram lasts.
func (l Law) Rate(net unit.Kilograms) unit.Revolutions {
	if net <= 0 {
		return 0
	}
	return (l.Mean() - l.At) / unit.Revolutions(net)
}

func (c Creel) bad(position int, field string, found any, expected, repair string) error {
	return fmt.Errorf("%w: machine %s, position %d: %s is %v, expected %s; %s", ErrLoad, c.Machine, position, field, found, expected, repair)
}

func (c Creel) validate() error {
	if !(c.Turn >= 0) || math.IsInf(float64(c.Turn), 1) {
		return c.bad(0, "turn", float64(c.Turn), "0 or more", "read the machine's counter")
	}
	supplies := make(map[string]Supply, len(c.Supplies))
	usable := func(b Bias) bool { return math.Abs(b.Mean) <= maxSpread && b.SD >= 0 && b.SD <= maxSpread }
	for _, s := range c.Supplies {
		if _, twice := supplies[s.Group.ID]; twice {
			return c.bad(0, "feed group", s.Group.ID, "each group once", "merge the two")
		}
		if !(s.Share >= 0 && s.Share <= 1) || !usable(s.Length) {
			return c.bad(0, "share or bias of group "+s.Group.ID, fmt.Sprint(s.Share, s.Length), fmt.Sprintf("a share of 0 to 1, a bias within %g", maxSpread), "correct the card or forget what was learnt")
		}
		for lot, b := range s.Lots {
			if !usable(b) {
				return c.bad(0, "bias of lot "+lot, b, fmt.Sprintf("within %g", maxSpread), "forget what was learnt of the lot")
			}
		}
		supplies[s.Group.ID] = s
	}
	seen := map[int]bool{}
	for _, p := range c.Positions {
		s, known := supplies[p.Group]
		switch {
		case p.Number < 1 || seen[p.Number]:
			return c.bad(p.Number, "number", p.Number, "1 or more, each once", "number the positions as on the creel")
		case !known:
			return c.bad(p.Number, "feed group", p.Group, "one of the machine's card", "choose the group that draws here")
		case !(p.At >= 0 && p.At <= c.Turn):
			return c.bad(p.Number, "turns at loading", float64(p.At), "not after now", "enter the machine's turns")
		case p.Tied && p.Reserve == nil:
			return c.bad(p.Number, "reserve", "tied", "a cone to be tied to", "enter the reserve cone")
		}
		seen[p.Number] = true
		packs := []Pack{p.Running}
		if p.Reserve != nil {
			packs = append(packs, *p.Reserve)
		}
		for _, k := range packs {
			if err := (Load{Cones: 1, Net: k.Net, CV: k.CV}).validate(); err != nil {
				return fmt.Errorf("machine %s, position %d: %w", c.Machine, p.Number, err)
			}
			if _, err := s.Group.RevolutionsPerCone(k.Net); err != nil {
				return fmt.Errorf("machine %s, position %d: %w", c.Machine, p.Number, err)
			}
		}
	}
	return nil
}
