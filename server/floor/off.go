package floor

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"turnwise/planner/creel"
	"turnwise/server/store"
)

// completeOff checks cones that are taken off, and fills in what stands there: the feed group if it is
// the only one, the lot, and unless they were weighed the kilos left on each. The card may have
// changed already. Errors: [store.ErrNotFound], [store.ErrInvalid].
func (f *Floor) completeOff(ctx context.Context, l store.Load) (store.Load, error) {
	f.mu.Lock()
	b, m := f.book, f.machines[l.Machine]
	f.mu.Unlock()
	bad := func(format string, args ...any) (store.Load, error) {
		return l, fmt.Errorf("cones off %s: %w: %s", b.name(l.Machine), store.ErrInvalid, fmt.Sprintf(format, args...))
	}
	if m == nil {
		return l, store.Unknown("machine", l.Machine)
	}
	var groups []string
	var standing []store.Position
	for _, p := range b.positions[l.Machine] {
		if !slices.Contains(groups, p.Group) {
			groups = append(groups, p.Group)
		}
		if (p.Group == l.Group || l.Group == "") && (len(l.Positions) == 0 || slices.Contains(l.Positions, p.Number)) {
			standing = append(standing, p)
		}
	}
	switch {
	case len(groups) == 0:
		return bad("nothing that was told stands in its creel; there is nothing to take off")
	case l.Group == "" && len(groups) > 1:
		return bad("several feed groups stand there; name one of %s", strings.Join(groups, ", "))
	case len(standing) == 0:
		return bad("nothing stands on those places of feed group %q; look with creel show, it has %s", l.Group, strings.Join(groups, ", "))
	case len(l.Positions) > 0 && len(standing) != len(l.Positions):
		return bad("on %d of the %d places stands nothing; name those that have cones", len(l.Positions)-len(standing), len(l.Positions))
	case l.Cones != 0 && l.Cones != len(standing):
		return bad("%d cones, and %d stand there; name the places of those that are taken off", l.Cones, len(standing))
	}
	told := l.Lot
	l.Group, l.Cones, l.Places, l.Turns = standing[0].Group, len(standing), 0, 0
	for _, p := range standing {
		for _, c := range []*store.Cone{&p.Running, p.Reserve} {
			switch {
			case c == nil || c.Lot == l.Lot:
			case told != "":
				return bad("lot %s is told, and %s stands on place %d; read the label again", told, named(c.Lot), p.Number)
			case l.Lot != "" || p.Number != standing[0].Number:
				return bad("cones of several lots, %s and %s; name the places of one lot", named(standing[0].Running.Lot), named(c.Lot))
			default:
				l.Lot = c.Lot
			}
		}
	}
	var err error
	if l.Revolutions == 0 {
		if l.Revolutions, err = f.st.RevolutionsAt(ctx, l.Machine, l.At); err != nil {
			return l, err
		}
	}
	left, whole := 0.0, 0.0
	for _, p := range standing {
		x, y := b.leftOn(&p, l.Revolutions, f.c.Rule)
		left, whole = left+x/float64(len(standing)), whole+y/float64(len(standing))
	}
	switch {
	case l.ConeKg == 0:
		l.ConeKg = math.Round(left*1000) / 1000
	case l.ConeKg > whole*mostOverNet:
		return bad("%g kg left on each, and %.2f were put on; take core and wrapping off the scale's figure", l.ConeKg, whole)
	}
	return l, nil
}

func named(lot string) string {
	if lot == "" {
		return "one that was not told"
	}
	return lot
}

// leftOn is what is left on a place at a turn, and what was put there, in kilos. Turns that are not known
// leave all.
func (b *book) leftOn(p *store.Position, turn int64, rule CreelRule) (left, whole float64) {
	cones := []store.Cone{p.Running}
	if p.Reserve != nil {
		cones = append(cones, *p.Reserve)
	}
	drawn := float64(max(0, turn-p.At))
	bias := b.biases.of(p.Machine, p.Group, p.Running.Lot)
	if bias != (creel.Bias{}) {
		drawn /= math.Exp(bias.Mean)
	}
	for _, c := range cones {
		net, _ := b.cone(c, "", rule)
		used := 0.0
		if c.Turns > 0 {
			used = min(drawn, c.Turns)
			drawn -= used
			left += net * (1 - used/c.Turns)
		} else {
			left += net
		}
		whole += net
	}
	return left, whole
}
