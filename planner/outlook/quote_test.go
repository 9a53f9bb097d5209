package outlook

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"
)

// pique is a mill with two machines that have the card, one busy.
func pique() Snapshot {
	card := func(id string) Card {
		c := singleJersey
		c.ID, c.Article = "pq-"+id, "pq26"
		c.Feeds = []Feed{{Yarn: "ne26", Lot: "L-402"}}
		return c
	}
	busy := machine("k07", Job{Order: "SO-1", Card: card("k07"), QuantityKg: 500})
	free := machine("k08")
	free.Cards = []Card{card("k08")}
	other := machine("k09", Job{Order: "SO-2", Card: singleJersey, QuantityKg: 500})
	return Snapshot{
		Calendar: threeShifts(),
		Machines: []Machine{busy, free, other},
		Orders:   []Order{{ID: "SO-1", Article: "pq26", QuantityKg: 500, RollKg: 25, WasteRatio: 0.02}, {ID: "SO-2", Article: "sj30", QuantityKg: 500}},
		Lots:     []Lot{{ID: "L-402", Yarn: "ne26", StoreKg: 1900}},
	}
}

func quote(t *testing.T, s Snapshot, r QuoteRequest) QuoteResult {
	t.Helper()
	out, err := Quote(s, monday, r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestQuote(t *testing.T) {
	r := quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: 6000})
	if r.Finish.Refused != "" {
		t.Fatalf("refused: %s", r.Finish.Refused)
	}
	if len(r.Jobs) != 2 {
		t.Fatalf("jobs %+v, want both machines with a card", r.Jobs)
	}
	if got := r.Jobs[0].RemainingKg + r.Jobs[1].RemainingKg; math.Abs(got-6000) > 1e-6 {
		t.Errorf("parts sum to %g kg, want 6000", got)
	}
	if r.Promise.Before(r.Finish.P80) || r.Promise.Sub(r.Finish.P90).Abs() > time.Second {
		t.Errorf("promise %v, want the 90 %% date %v", r.Promise, r.Finish.P90)
	}
	said := strings.Join(r.Assumptions, "; ")
	for _, want := range []string{"Knit on K08, K07, behind the present jobs", "Change K08 to card pq-k08 first", "Get 4,730 kg more of lot L-402", "morning, evening, night"} {
		if !strings.Contains(said, want) {
			t.Errorf("assumptions %q do not say %q", said, want)
		}
	}
}

func TestQuoteKeepsToOneMachine(t *testing.T) {
	r := quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: 300})
	if len(r.Jobs) != 1 || r.Jobs[0].Machine != "k08" {
		t.Errorf("jobs %+v, want the free machine alone for a small order", r.Jobs)
	}
	r = quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: 300, Machines: []string{"k07"}})
	if len(r.Jobs) != 1 || r.Jobs[0].Machine != "k07" {
		t.Errorf("jobs %+v, want the machine asked for", r.Jobs)
	}
}

func TestQuoteRisesWithKilosAndCaution(t *testing.T) {
	var before time.Time
	for _, kg := range []float64{100, 1000, 4000, 20000} {
		r := quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: kg})
		if !r.Promise.After(before) {
			t.Errorf("%g kg by %v, less by %v", kg, r.Promise, before)
		}
		before = r.Promise
	}
	careful := quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: 1000, Risk: 0.01}).Promise
	bold := quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: 1000, Risk: 0.5}).Promise
	if !careful.After(bold) {
		t.Errorf("at risk 0.01 by %v, at 0.5 by %v", careful, bold)
	}
}

func TestQuoteRefusals(t *testing.T) {
	if f := quote(t, pique(), QuoteRequest{Article: "velvet", QuantityKg: 10}).Finish; !strings.Contains(f.Refused, "knit card for velvet") {
		t.Errorf("refused %q, want it to ask for a card", f.Refused)
	}
	if f := quote(t, pique(), QuoteRequest{Article: "pq26", QuantityKg: 10, Machines: []string{"k09"}}).Finish; !strings.Contains(f.Refused, "card for pq26 on K09") {
		t.Errorf("refused %q, want it to ask for a card on K09", f.Refused)
	}
	s := pique()
	s.Machines[0].Jobs[0].Card.Knit.Feeds = nil
	r := quote(t, s, QuoteRequest{Article: "pq26", QuantityKg: 6000})
	if len(r.Jobs) != 1 || !slices.ContainsFunc(r.Assumptions, func(a string) bool { return strings.HasPrefix(a, "Leave out K07") }) {
		t.Errorf("jobs %v, assumptions %q: want K07 left out, as its job has no forecast", len(r.Jobs), r.Assumptions)
	}
	for _, q := range []QuoteRequest{
		{Article: "pq26"}, {Article: "pq26", QuantityKg: -1}, {Article: "pq26", QuantityKg: math.NaN()}, {Article: "pq26", QuantityKg: 1e300},
		{Article: "pq26", QuantityKg: 10, Risk: 0.9}, {Article: "pq26", QuantityKg: 10, Risk: math.NaN()},
	} {
		if _, err := Quote(pique(), monday, q); !errors.Is(err, ErrRequest) {
			t.Errorf("%+v: %v, want ErrRequest", q, err)
		}
	}
}
