package count

import (
	"testing"
	"time"
)

// The two registers of a counter are configured in the wrong order: every turn
// is then a jump of 65,536. None of the jumps is booked; what is booked never
// exceeds what was made, and what is missing is told as new lives.
func TestFault_32_WordsInTheWrongOrder(t *testing.T) {
	swapped := func(n uint64) uint64 { return n>>16 | n<<16&0xFFFF0000 }
	for _, begin := range []uint64{3, 70_000, 65_530, 1 << 20} {
		c, err := New(Options{Bits: 32})
		if err != nil {
			t.Fatal(err)
		}
		var st State
		booked, made, lives := uint64(0), uint64(0), 0
		for at := time.Duration(0); at < 20*time.Minute; at += half {
			made = uint64(at / (2500 * time.Millisecond)) // 24 a minute
			var v Verdict
			st, v = c.Step(st, Sample{Raw: swapped(begin + made), At: at})
			if v.To < v.From {
				t.Fatalf("booked from %d to %d", v.From, v.To)
			}
			booked += v.To - v.From
			if v.Kind == NewLife {
				lives++
			}
		}
		if booked > made {
			t.Errorf("from %d: %d counts booked, %d made", begin, booked, made)
		}
		if lives < 10 {
			t.Errorf("from %d: %d lives began in 20 minutes: a wrong order is not told loudly enough", begin, lives)
		}
	}
}
