package count

import (
	"testing"
	"time"
)

// A counter that stood near 0 or near its end, went far while nobody looked and
// fell before a second reading confirmed the way: what it turned is in the
// bounds, and it is not taken to have stood still.
func TestFellWhileDoubted(t *testing.T) {
	for _, x := range []struct {
		name        string
		from, after uint64
	}{
		{"off 0", 0, 2000},
		{"over its end", 1<<32 - 3, 1997},
	} {
		t.Run(x.name, func(t *testing.T) {
			c, err := New(Options{Bits: 32, PerRevolution: 100, MaxRPM: 60})
			if err != nil {
				t.Fatal(err)
			}
			st, at := standing(c, x.from)
			st, _ = c.Step(st, Sample{Raw: x.from, At: at})
			var got Verdict
			look := func(raw uint64, d time.Duration) {
				at += d
				var v Verdict
				st, v = c.Step(st, Sample{Raw: raw, At: at})
				if v.Kind == Counted && v.To != v.From {
					t.Fatalf("reading %d counted %d", raw, v.To-v.From)
				}
				if v.Kind == NewLife {
					got = v
				}
			}
			look(x.after, 20*time.Second)
			for range 6 {
				look(0, 1100*time.Millisecond)
			}
			if got.Link != Ambiguous || got.LostMax < 2000 {
				t.Errorf("verdict %+v, want an ambiguous life that may miss 2000 counts", got)
			}
		})
	}
}
