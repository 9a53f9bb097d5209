package main

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"
)

// millRow is a machine of the demo mill as printed in its table. All are invented
// and calculated with the textbook formula; cones of cotton 1.89 kg net, of
// polyester 3.0 kg, of elastane 0.5 kg; rolls of 25 kg.
type millRow struct {
	id                                           string
	gramsPerRevolution, kilosPerHour, kilosADay  string
	revolutionsPerRoll, coneHours, changesAnHour string
}

// The table printed 14.5 kg/h for K09. That is its 347 kg/24 h divided back and
// rounded again; 11.8041 g x 24 x 60 x 0.85 is 14.448 kg/h, so 14.4 it is.
var mill = []millRow{
	{"k01", "12.862", "19.0", "456", "1944", "8.9", "10.1"},
	{"k02", "12.862", "19.0", "456", "1944", "8.9", "10.1"},
	{"k03", "14.988", "23.5", "563", "1668", "7.2", "12.4"},
	{"k04", "16.432", "21.7", "521", "1521", "8.9", "11.5"},
	{"k05", "11.822", "16.1", "386", "2115", "11.9 / 59", "8.1 + 1.6"},
	{"k06", "11.822", "16.1", "386", "2115", "11.9 / 59", "8.1 + 1.6"},
	{"k07", "12.221", "16.4", "393", "2046", "10.4", "8.7"},
	{"k08", "12.221", "16.4", "393", "2046", "10.4", "8.7"},
	{"k09", "11.804", "14.4", "347", "2118", "7.8", "7.6"},
	{"k10", "14.855", "14.6", "351", "1683", "9.2 / 29.5", "7.1 + 2.2"},
	{"k11", "8.673", "11.6", "279", "2883", "13.6", "6.2"},
	{"k12", "5.030", "6.5", "156", "4971", "38.8", "2.2"},
	{"k13", "11.621", "12.7", "306", "2151", "9.6 / 55 / 10.9", "3.1 + 0.5 + 2.7"},
	{"k14", "11.621", "12.7", "306", "2151", "9.6 / 55 / 10.9", "3.1 + 0.5 + 2.7"},
}

// cardOutput is what a script reads of `planner calc card --json`.
type cardOutput struct {
	GramsPerRevolution float64 `json:"grams_per_revolution"`
	KilosPerHour       float64 `json:"kilos_per_hour"`
	KilosPerDay        float64 `json:"kilos_per_24_hours"`
	RevolutionsPerRoll float64 `json:"revolutions_per_roll"`
	ConeChangesPerHour float64 `json:"cone_changes_per_hour"`
	Groups             []struct {
		Group          string  `json:"group"`
		SharePercent   float64 `json:"share_percent"`
		HoursPerCone   float64 `json:"hours_per_cone"`
		ChangesPerHour float64 `json:"cone_changes_per_hour"`
	} `json:"groups"`
	Warnings []string `json:"warnings"`
}

// TestMillCards reproduces every column of the demo mill's table from the cards.
func TestMillCards(t *testing.T) {
	var kilos, day, changes float64
	for _, row := range mill {
		t.Run(row.id, func(t *testing.T) {
			got := calc(t, "card -f testdata/calc/"+row.id+".yaml --json")
			if got.code != exitOK {
				t.Fatalf("exit %d: %s", got.code, got.err)
			}
			var o cardOutput
			if err := json.Unmarshal([]byte(got.out), &o); err != nil {
				t.Fatal(err)
			}
			hours, each := make([]float64, len(o.Groups)), make([]float64, len(o.Groups))
			share := 0.0
			for i, g := range o.Groups {
				hours[i], each[i] = g.HoursPerCone, g.ChangesPerHour
				share += g.SharePercent
			}
			rounds(t, "g/rev", row.gramsPerRevolution, o.GramsPerRevolution)
			rounds(t, "kg/h", row.kilosPerHour, o.KilosPerHour)
			rounds(t, "kg/24 h", row.kilosADay, o.KilosPerDay)
			rounds(t, "revolutions per roll", row.revolutionsPerRoll, o.RevolutionsPerRoll)
			rounds(t, "hours per cone", row.coneHours, hours...)
			rounds(t, "cone changes per hour", row.changesAnHour, each...)
			if math.Abs(share-100) > 1e-6 {
				t.Errorf("shares of the yarns add up to %g %%", share)
			}
			if len(o.Warnings) > 0 {
				t.Logf("warnings: %s", strings.Join(o.Warnings, "; "))
			}
			kilos, day, changes = kilos+o.KilosPerHour, day+o.KilosPerDay, changes+o.ConeChangesPerHour
		})
	}
	rounds(t, "kg/h of the mill", "221", kilos)
	rounds(t, "cone changes per hour of the mill", "119", changes)
	if math.Abs(day-5300) > 50 { // printed to the hundred
		t.Errorf("the mill knits %.1f kg in 24 h, printed 5,300", day)
	}
}

// rounds compares values with printed ones, "9.2 / 29.5", each within half a unit
// of its last printed place.
func rounds(t *testing.T, what, printed string, values ...float64) {
	t.Helper()
	words := strings.FieldsFunc(printed, func(r rune) bool { return strings.ContainsRune(" /+", r) })
	if len(words) != len(values) {
		t.Errorf("%s: %d values %v, printed %q", what, len(values), values, printed)
		return
	}
	for i, w := range words {
		_, decimals, _ := strings.Cut(w, ".")
		want, err := strconv.ParseFloat(w, 64)
		if err != nil {
			t.Fatal(err)
		}
		half := 0.5 * math.Pow10(-len(decimals))
		if !(math.Abs(values[i]-want) <= half*(1+1e-9)) {
			t.Errorf("%s: %s, printed %s", what, fmt.Sprintf("%.6g", values[i]), w)
		}
	}
}

// calc runs `planner calc` with a server that does not exist: none is asked.
func calc(t *testing.T, line string) ended {
	t.Helper()
	return plannerAt(t, "127.0.0.1:1", "calc "+line, "")
}
