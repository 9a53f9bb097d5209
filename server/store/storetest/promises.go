package storetest

import (
	"math"
	"reflect"
	"slices"
	"testing"
	"time"

	"turnwise/server/store"
)

// RunPromises runs the suite of [store.PromiseRecord]. open opens the record in
// dir: a new, empty one the first time, the same one again after a Close.
func RunPromises(t *testing.T, open func(t *testing.T, dir string) interface {
	store.PromiseRecord
	Close() error
}) {
	dir := t.TempDir()
	r := open(t, dir)
	defer func() {
		if err := r.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	}()
	ctx := t.Context()
	kept := func(order, occasion string, made time.Time) store.Kept {
		return store.Kept{
			Order: order, Occasion: occasion, Made: made, Article: "sj", Structure: "single jersey", QuantityKg: 1200, RemainingKg: 300.25,
			Promise: at(86400), MissChance: 0.125, Minutes: []float64{10.5, 20, 20, 31}, Machine: "k01",
			Raw: store.KeptRaw{Least: 1, Atom: 0.25, At: []float64{2, 3}, Stops: 12.5, Level: -0.25, Pull: 2, Begun: true, Class: 3},
		}
	}
	all := func(q store.KeptQuery) []store.Kept {
		t.Helper()
		got, err := r.KeptForecasts(ctx, q)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	first, second := kept("SO-1", "half", at(10)), kept("SO-1", "promise", at(20))
	other := kept("SO-2", "half", at(30))
	other.Promise = time.Time{}
	if err := r.KeepForecasts(ctx, []store.Kept{first, second, other}); err != nil {
		t.Fatal(err)
	}
	again := first
	again.MissChance, again.Made = 0.9, at(40)
	if err := r.KeepForecasts(ctx, []store.Kept{again}); err != nil {
		t.Fatal(err)
	}
	for name, k := range map[string]store.Kept{
		"no order": kept("", "half", at(1)), "no occasion": kept("SO-3", "", at(1)), "no instant": kept("SO-3", "half", time.Time{}),
		"no law": with(kept("SO-3", "half", at(1)), func(k *store.Kept) { k.Minutes = nil }),
		"falls":  with(kept("SO-3", "half", at(1)), func(k *store.Kept) { k.Minutes = []float64{2, 1} }),
		"NaN":    with(kept("SO-3", "half", at(1)), func(k *store.Kept) { k.Minutes = []float64{math.NaN()} }),
		"chance": with(kept("SO-3", "half", at(1)), func(k *store.Kept) { k.MissChance = 1.5 }),
		"raw":    with(kept("SO-3", "half", at(1)), func(k *store.Kept) { k.Raw.Pull = math.NaN() }),
		"kilos":  with(kept("SO-3", "half", at(1)), func(k *store.Kept) { k.RemainingKg = math.Inf(1) }),
	} {
		wantInvalid(t, name, func() error { return r.KeepForecasts(ctx, []store.Kept{kept("SO-3", "whole", at(1)), k}) })
	}
	if got := all(store.KeptQuery{Order: "SO-3"}); len(got) != 0 {
		t.Errorf("half of a refused call was kept: %+v", got)
	}

	wantNotFound(t, "never kept", func() error {
		return r.SettleForecasts(ctx, []store.Settled{{Order: "SO-1", Occasion: "half", Ended: at(99), Minutes: 1}, {Order: "SO-9", Occasion: "half", Ended: at(99)}})
	})
	wantInvalid(t, "still open", func() error { return r.SettleForecasts(ctx, []store.Settled{{Order: "SO-1", Occasion: "half"}}) })
	wantInvalid(t, "both", func() error {
		return r.SettleForecasts(ctx, []store.Settled{{Order: "SO-1", Occasion: "half", Ended: at(1), Void: "changed"}})
	})
	if got := all(store.KeptQuery{Open: true}); len(got) != 3 {
		t.Errorf("%d open, want 3: a refused settlement changed something", len(got))
	}
	ended := store.Settled{Order: "SO-1", Occasion: "half", Ended: at(1900), Minutes: 31.5}
	void := store.Settled{Order: "SO-2", Occasion: "half", Void: "the order was changed"}
	if err := r.SettleForecasts(ctx, []store.Settled{ended, void}); err != nil {
		t.Fatal(err)
	}
	if err := r.SettleForecasts(ctx, []store.Settled{{Order: "SO-1", Occasion: "half", Ended: at(5000), Minutes: 83}}); err != nil {
		t.Fatal(err)
	}

	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	r = open(t, dir)
	first.Settled, other.Settled = ended, void
	second.Settled = store.Settled{Order: "SO-1", Occasion: "promise"}
	for _, c := range []struct {
		name string
		q    store.KeptQuery
		want []store.Kept
	}{
		{"all, newest first", store.KeptQuery{}, []store.Kept{other, second, first}},
		{"of an order", store.KeptQuery{Order: "SO-1"}, []store.Kept{second, first}},
		{"open", store.KeptQuery{Open: true}, []store.Kept{second}},
		{"ended", store.KeptQuery{Ended: true}, []store.Kept{first}},
		{"since", store.KeptQuery{Since: at(20)}, []store.Kept{other, second}},
		{"one", store.KeptQuery{Limit: 1}, []store.Kept{other}},
	} {
		if got := all(c.q); !slices.EqualFunc(got, c.want, sameKept) {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

func with(k store.Kept, change func(*store.Kept)) store.Kept {
	change(&k)
	return k
}

func sameKept(a, b store.Kept) bool {
	if !a.Made.Equal(b.Made) || !a.Promise.Equal(b.Promise) || !a.Settled.Ended.Equal(b.Settled.Ended) || !slices.Equal(a.Minutes, b.Minutes) {
		return false
	}
	return a.Order == b.Order && a.Occasion == b.Occasion && a.Article == b.Article && a.Structure == b.Structure && a.QuantityKg == b.QuantityKg &&
		a.RemainingKg == b.RemainingKg && a.MissChance == b.MissChance && a.Machine == b.Machine && reflect.DeepEqual(a.Raw, b.Raw) &&
		a.Settled.Order == b.Settled.Order && a.Settled.Occasion == b.Settled.Occasion && a.Settled.Minutes == b.Settled.Minutes && a.Settled.Void == b.Settled.Void
}
