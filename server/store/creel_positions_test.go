package store

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// told writes a creel as "number:load@turn", with "+load" a tied and "|load" a loose reserve.
func told(ps []Position) string {
	out := ""
	for _, p := range ps {
		out += fmt.Sprintf("%d:%d@%d", p.Number, p.Running.Load, p.At)
		switch {
		case p.Reserve != nil && p.Tied:
			out += fmt.Sprintf("+%d", p.Reserve.Load)
		case p.Reserve != nil:
			out += fmt.Sprintf("|%d", p.Reserve.Load)
		}
		out += " "
	}
	return out
}

// By hand, three places, a cone lasting 100 turns.
func TestStand(t *testing.T) {
	load := func(id, at int64, work string, cones int, positions ...int) Load {
		return Load{ID: id, Machine: "k01", Group: "g", Cones: cones, Lot: "L", Revolutions: at, Work: work, Positions: positions, Places: 3, Turns: 100}
	}
	for name, tt := range map[string]struct {
		loads []Load
		want  string
		ended []Ended
	}{
		"empty":                      {nil, "", nil},
		"part of the places":         {[]Load{load(1, 10, "", 2)}, "1:1@10 2:1@10 ", nil},
		"empty places first":         {[]Load{load(1, 10, "", 2), load(2, 20, "", 1)}, "1:1@10 2:1@10 3:2@20 ", nil},
		"then those due first":       {[]Load{load(1, 10, "", 2), load(2, 20, "", 1), load(3, 60, "", 1)}, "1:3@60 2:1@10 3:2@20 ", []Ended{{3, "L", 1, 50, 100, false}}},
		"named":                      {[]Load{load(1, 0, "", 3), load(2, 90, LoadOut, 2, 3, 2)}, "1:1@0 2:2@90 3:2@90 ", []Ended{{2, "L", 2, 90, 100, true}}},
		"tied":                       {[]Load{load(1, 0, "", 3), load(2, 50, LoadTie, 3)}, "1:1@0+2 2:1@0+2 3:1@0+2 ", nil},
		"the next is tied":           {[]Load{load(1, 0, "", 3), load(2, 50, LoadTie, 3), load(3, 130, LoadTie, 3)}, "1:2@100+3 2:2@100+3 3:2@100+3 ", nil},
		"tied before it took over":   {[]Load{load(1, 0, "", 3), load(2, 50, LoadTie, 3), load(3, 80, LoadTie, 1, 1)}, "1:2@80+3 2:1@0+2 3:1@0+2 ", nil},
		"a tied end counts twice":    {[]Load{load(1, 0, "", 3), load(2, 50, LoadTie, 3), load(3, 210, LoadOut, 1, 2)}, "1:1@0+2 2:3@210 3:1@0+2 ", []Ended{{3, "L", 1, 210, 200, true}}},
		"beside":                     {[]Load{load(1, 0, "", 3), load(2, 50, LoadBeside, 1)}, "1:1@0|2 2:1@0 3:1@0 ", nil},
		"a tie on an empty place":    {[]Load{load(1, 0, LoadTie, 1)}, "1:1@0 ", nil},
		"a late tap finds its place": {[]Load{load(2, 90, "", 3), load(1, 0, "", 3)}, "1:2@90 2:2@90 3:2@90 ", []Ended{{2, "L", 3, 90, 100, false}}},
		"a card with fewer feeds":    {[]Load{load(1, 0, "", 3), {ID: 2, Machine: "k01", Group: "g", Cones: 1, Revolutions: 50, Places: 2}}, "1:2@50 2:1@0 ", []Ended{{2, "L", 1, 50, 100, false}}},
		"taken off":                  {[]Load{load(1, 0, "", 3), load(2, 40, LoadOff, 3)}, "", []Ended{{2, "L", 3, 40, 100, false}}},
		"off, those due first":       {[]Load{load(1, 0, "", 2), load(2, 20, "", 1), load(3, 60, LoadOff, 1)}, "2:1@0 3:2@20 ", []Ended{{3, "L", 1, 60, 100, false}}},
		"off and on again":           {[]Load{load(1, 0, "", 3), load(2, 40, LoadOff, 2, 1, 3), load(3, 50, "", 1)}, "1:3@50 2:1@0 ", []Ended{{2, "L", 2, 40, 100, false}}},
		"off with a tied reserve":    {[]Load{load(1, 0, "", 3), load(2, 50, LoadTie, 3), load(3, 70, LoadOff, 3)}, "", []Ended{{3, "L", 3, 70, 200, false}}},
		"nothing to take off":        {[]Load{load(1, 0, "", 1), load(2, 40, LoadOff, 2, 2, 3)}, "1:1@0 ", nil},
		"places not told":            {[]Load{{ID: 1, Cones: 4}, {ID: 2, Cones: 2, Revolutions: 9}}, "1:2@9 2:2@9 3:1@0 4:1@0 ", nil},
	} {
		got, ended := Stand(tt.loads)
		if told(got) != tt.want || !slices.Equal(ended, tt.ended) {
			t.Errorf("%s: %s%v, want %s%v", name, told(got), ended, tt.want, tt.ended)
		}
	}
}

// Whatever was loaded: the order of telling does not matter, no place holds two, and no
// cone ends twice or is lost.
func TestStandProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const places = 12
		var loads []Load
		for i := range rapid.IntRange(0, 20).Draw(t, "loads") {
			loads = append(loads, Load{
				ID: int64(i + 1), Cones: rapid.IntRange(1, places).Draw(t, "cones"), Revolutions: rapid.Int64Range(1, 500).Draw(t, "at"), Lot: "L",
				Work: rapid.SampledFrom([]string{"", LoadOut}).Draw(t, "work"), Places: places, Turns: 100,
			})
		}
		got, ended := Stand(loads)
		seed := rapid.Uint64().Draw(t, "seed")
		mixed := slices.Clone(loads)
		rand.New(rand.NewPCG(seed, 1)).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		again, _ := Stand(mixed)
		if told(got) != told(again) {
			t.Fatalf("told in another order: %s, then %s", told(got), told(again))
		}
		in, out := 0, 0
		for _, l := range loads {
			in += l.Cones
		}
		for _, e := range ended {
			out += e.Cones
		}
		seen := map[int]bool{}
		for _, p := range got {
			if seen[p.Number] || p.Number < 1 || p.Number > places {
				t.Fatalf("place %d twice or not there: %s", p.Number, told(got))
			}
			seen[p.Number] = true
		}
		// A cone changed at the turn at which it was put on was drawn for none, and tells nothing.
		same := 0
		for i, l := range loads {
			for _, o := range loads[:i] {
				if l.Revolutions == o.Revolutions {
					same += min(l.Cones, o.Cones)
				}
			}
		}
		if lost := in - out - len(got); lost < 0 || lost > same {
			t.Fatalf("%d cones came, %d ended, %d stand", in, out, len(got))
		}
	})
}
