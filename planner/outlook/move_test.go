package outlook

import (
	"errors"
	"strings"
	"testing"
	"time"
)

// twoOrders is K01 with SO-1 running and SO-2 behind it, K02 with a card for both.
func twoOrders() Snapshot {
	s := story()
	card := s.Machines[0].Jobs[0].Card
	card.Article = "sj"
	s.Orders = []Order{{ID: "SO-1", Article: "sj", QuantityKg: 600, RollKg: 25}, {ID: "SO-2", Article: "sj", QuantityKg: 400, RollKg: 25}}
	s.Machines = []Machine{machine("k01", Job{Order: "SO-1", Card: card}, Job{Order: "SO-2", Card: card, QuantityKg: 400}), machine("k02")}
	for i := range s.Machines {
		s.Machines[i].Cards = []Card{card}
	}
	s.Machines[1].Waits = true
	return s
}

func TestMoveAndSplit(t *testing.T) {
	for phrase, want := range map[string]string{
		"move SO-2 K02":      "k01 SO-1:0 k02 SO-2:400",
		"split SO-2 K02 100": "k01 SO-1:0 SO-2:300 k02 SO-2:100",
		"split SO-2 K02":     "k01 SO-1:0 SO-2:200 k02 SO-2:200",
		"split SO-1 K02 150": "k01 SO-1:0 SO-2:400 k02 SO-1:150",
		"move SO-2 K01 SO-1": "k01 SO-1:0 SO-2:400 k02",
		// errors
		"move SO-1 K02":      "split SO-1 K02",
		"move SO-1 K01":      "runs on K01 already",
		"move SO-9 K02":      "not in the book",
		"move SO-2 K09":      "not in the book",
		"move SO-2 K02 SO-1": "not on K02",
		"split SO-2 K02 400": "below the 400 kg",
		"split SO-2 K01":     "a part of SO-2 already",
		"split SO-2 K02 x":   "no kilos",
	} {
		var got []string
		c, err := ParseChanges(phrase, time.UTC)
		if err == nil {
			if again := Phrase(c[0], time.UTC); again != phrase {
				t.Errorf("%s reads back as %s", phrase, again)
			}
			var s Snapshot
			if s, err = Suppose(twoOrders(), monday, c...); err == nil {
				for _, m := range s.Machines {
					got = append(got, m.ID)
					for _, j := range m.Jobs {
						got = append(got, j.Order+":"+kilos(j.QuantityKg))
					}
				}
			}
		}
		told := strings.Join(got, " ")
		if err != nil {
			if told = err.Error(); !errors.Is(err, ErrRequest) {
				t.Errorf("%s: %v is no ErrRequest", phrase, err)
			}
		}
		if !strings.Contains(told, want) {
			t.Errorf("%s: %s, want %s", phrase, told, want)
		}
	}
}
