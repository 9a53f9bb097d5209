package outlook

import (
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"
)

var istanbul = time.FixedZone("+03", 3*3600)

func TestParseChanges(t *testing.T) {
	got, err := ParseChanges("slow K03 27.5,down k04 2d,  add K05 SO-1041, open 2026-11-28T06:00 2026-11-28T14:00:00Z, close 2026-11-30 2026-12-01", istanbul)
	if err != nil {
		t.Fatal(err)
	}
	day := func(d, h int) time.Time { return time.Date(2026, 11, d, h, 0, 0, 0, istanbul) }
	want := []Change{
		SlowMachine{"k03", 27.5}, StopMachine{"k04", 48 * time.Hour}, AddMachine{"SO-1041", "k05"},
		OpenTime{day(28, 6), day(28, 17)}, CloseTime{day(30, 0), day(31, 0)},
	}
	for i, w := range want {
		if i >= len(got) || Phrase(got[i], istanbul) != Phrase(w, istanbul) {
			t.Errorf("change %d is %v, want %v", i, got, w)
		}
	}
}

func TestParseChangesRefuses(t *testing.T) {
	for text, says := range map[string]string{
		"":                                  "words, expected three",
		"slow K03":                          "words, expected three",
		"slow K03 27,":                      "words, expected three",
		"slow K03 fast":                     `"fast" is no speed`,
		"down K03 6":                        `"6" is no time`,
		"down K03 -6h":                      `a time of -6h is not possible`,
		"down K03 999d":                     `"999d" is no time`,
		"fly K03 6h":                        `"fly" is no change`,
		"open today tomorrow":               `"today" is no time`,
		"close 2026-11-28 now":              `"now" is no time`,
		strings.Repeat("add K1 SO-1,", 101): "more than 100 changes",
	} {
		if _, err := ParseChanges(text, istanbul); !errors.Is(err, ErrRequest) || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v, want %q", text, err, says)
		}
	}
}

// What is written is read back as it was.
func TestPhraseReadsBack(t *testing.T) {
	for _, text := range []string{"slow K03 27.5", "down K04 6h", "down K04 1h30m", "down K04 48h", "add K05 SO-1041", "open 2026-11-28T06:00 2026-11-28T14:00", "close 2026-11-30T00:00 2026-12-01T00:00"} {
		first, err := ParseChanges(text, istanbul)
		if err != nil || Phrase(first[0], istanbul) != text {
			t.Errorf("%q is written %q, %v", text, Phrase(first[0], istanbul), err)
		}
	}
}

func FuzzParseChanges(f *testing.F) {
	f.Add("slow K03 27, down K04 6h")
	f.Add("open 2026-11-28 2026-11-29T06:00:00+03:00")
	f.Fuzz(func(t *testing.T, text string) {
		changes, err := ParseChanges(text, istanbul)
		if err != nil {
			if !errors.Is(err, ErrRequest) || changes != nil {
				t.Fatalf("%v with %v", changes, err)
			}
			return
		}
		for _, c := range changes {
			if _, ok := c.(SlowMachine); ok {
				continue // %g keeps all digits, but NaN is not equal to itself
			}
			again, err := ParseChanges(Phrase(c, istanbul), istanbul)
			if _, span := c.(StopMachine); err != nil || span && !reflect.DeepEqual(again[0], c) {
				t.Fatalf("%v is written %q and read as %v, %v", c, Phrase(c, istanbul), again, err)
			}
		}
	})
}

func TestSay(t *testing.T) {
	changes, err := ParseChanges("slow K03 27.5, down k04 6h, add K05 SO-1041, open 2026-11-28T06:00 2026-11-28T14:00, close 2026-11-30 2026-12-01", istanbul)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []string{
		"K03 turns at 27.5 rpm", "K04 stands for 6h of work", "K05 works on SO-1041 too",
		"Sat 28 Nov 06:00 to Sat 28 Nov 14:00 is worked", "Mon 30 Nov 00:00 to Tue 1 Dec 00:00 is not worked",
	} {
		if got := Say(changes[i], istanbul); got != want {
			t.Errorf("said %q, want %q", got, want)
		}
	}
}
