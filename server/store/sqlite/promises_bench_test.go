package sqlite

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"turnwise/server/store"
)

// BenchmarkKeptForecasts reads from a record of 10,000 forecasts: all of them, those that
// dates learn from, and those of one order.
func BenchmarkKeptForecasts(b *testing.B) {
	st := open(b, b.TempDir())
	var kept []store.Kept
	var settled []store.Settled
	for i := range 10_000 {
		k := store.Kept{
			Order: fmt.Sprintf("SO-%d", i/6), Occasion: fmt.Sprint(i % 6), Made: start.Add(time.Duration(i) * time.Minute), Article: "SJ", QuantityKg: 10, RemainingKg: 5, Machine: "k01",
			Raw: store.KeptRaw{At: make([]float64, 35)},
		}
		for n := range 100 {
			k.Minutes = append(k.Minutes, 1000+float64(n)*12.3456789)
		}
		kept = append(kept, k)
		settled = append(settled, store.Settled{Order: k.Order, Occasion: k.Occasion, Ended: k.Made.Add(time.Hour), Minutes: 1500})
	}
	if err := st.KeepForecasts(b.Context(), kept); err != nil {
		b.Fatal(err)
	}
	if err := st.SettleForecasts(b.Context(), settled); err != nil {
		b.Fatal(err)
	}
	for _, bb := range []struct {
		name string
		q    store.KeptQuery
		want int
	}{{"all", store.KeptQuery{}, 10_000}, {"to learn from", store.KeptQuery{Ended: true, Limit: 2400}, 2400}, {"one order", store.KeptQuery{Order: "SO-77"}, 6}} {
		b.Run(bb.name, func(b *testing.B) {
			for b.Loop() {
				if got, err := st.KeptForecasts(b.Context(), bb.q); err != nil || len(got) != bb.want {
					b.Fatalf("%d forecasts, %v; want %d", len(got), err, bb.want)
				}
			}
		})
	}
}

func TestNumbers(t *testing.T) {
	for list, want := range map[string][]float64{"[]": nil, "[1]": {1}, "[0,1.5,1e3,12345.6789]": {0, 1.5, 1000, 12345.6789}} {
		if got, err := numbers(list); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v, %v", list, got, err)
		}
	}
	for _, bad := range []string{"", "[", "]", "[1", "1]", "[1,]", "[,1]", "[a]", "[NaN]", "[Inf]", "[1 2]", "null", "[[1]]"} {
		if got, err := numbers(bad); err == nil {
			t.Errorf("%q is read as %v", bad, got)
		}
	}
}
