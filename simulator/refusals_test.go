package main

import (
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
)

// refusalBook is a mill of three machines. SO-1 runs on K01 and SO-2 is planned behind it;
// each SO-P… asks for something that no machine has, SO-PAST was due long ago.
const refusalBook = `
machines:
  - { id: k01, diameter_inch: 30, gauge_npi: 28, feeder_count: 90, structures: [single jersey] }
  - { id: k02, diameter_inch: 30, gauge_npi: 28, feeder_count: 90, structures: [single jersey] }
  - { id: k03, diameter_inch: 34, gauge_npi: 24, feeder_count: 96, dial_needle_count: 2560 }
yarns:
  - { id: ne30, count: Ne 30/1, cone_net_kg: 1.89 }
lots:
  - { id: L-1, yarn: ne30, store_kg: 9000 }
  - { id: L-2, yarn: ne30, store_kg: 900 }
articles:
  - { id: SJ, structure: single jersey, roll_kg: 25, diameter_inch: 30 }
  - { id: WIDE, diameter_inch: 38 }
  - { id: FINE, gauge_npi: 40 }
  - { id: MANY }
  - { id: RIB, structure: rib, diameter_inch: 30 }
  - { id: BEDS, bed_count: 2, diameter_inch: 30 }
  - { id: BARE }
cards:
  - { id: sj1, article: SJ, machine: k01, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, lot: L-1, feeder_count: 90, course_length_m: 7 }] }
  - { id: sj2, article: SJ, machine: k02, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, lot: L-2, feeder_count: 90, course_length_m: 7 }] }
  - { id: wide, article: WIDE, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, feeder_count: 90, course_length_m: 7 }] }
  - { id: fine, article: FINE, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, feeder_count: 90, course_length_m: 7 }] }
  - { id: many, article: MANY, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, feeder_count: 120, course_length_m: 7 }] }
  - { id: rib, article: RIB, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, feeder_count: 90, course_length_m: 7 }] }
  - { id: beds, article: BEDS, speed_rpm: 28, feeds: [{ id: ground, yarn: ne30, feeder_count: 90, course_length_m: 7 }] }
orders:
  - { id: SO-1, article: SJ, quantity_kg: 3000, promise_time: DUE }
  - { id: SO-2, article: SJ, quantity_kg: 800, promise_time: DUE }
  - { id: SO-PW, article: WIDE, quantity_kg: 100, promise_time: DUE }
  - { id: SO-PF, article: FINE, quantity_kg: 100, promise_time: DUE }
  - { id: SO-PM, article: MANY, quantity_kg: 100, promise_time: DUE }
  - { id: SO-PR, article: RIB, quantity_kg: 100, promise_time: DUE }
  - { id: SO-PB, article: BEDS, quantity_kg: 100, promise_time: DUE }
  - { id: SO-PC, article: BARE, quantity_kg: 100, promise_time: DUE }
  - { id: SO-PAST, article: SJ, quantity_kg: 100, promise_time: 2011-03-01T08:00:00Z }
care:
  - { id: oil-k03, machine: k03, kind: oil, minutes: 90, every_revolutions: 9000000, done_time: 2011-03-01T08:00:00Z }
assignments:
  - { machine: k01, from_time: BEFORE, order: SO-1, card: sj1, quantity_kg: 3000 }
  - { machine: k01, from_time: NOW, order: SO-2, card: sj1, quantity_kg: 800, planned: true }
`

// asked runs the planner and returns what it printed, with its exit code.
func (e *estate) asked(grpc string, args ...string) (said string, code int) {
	e.t.Helper()
	said, err := e.run("planner", append(args, "--server", grpc)...)
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
		return said, exit.ExitCode()
	}
	if err != nil {
		e.t.Fatal(err)
	}
	return said, 0
}

// TestRefusals asks for what cannot be, by the programs that people have: each answer is a
// sentence that says what fails, and jobs and orders stay as they were.
func TestRefusals(t *testing.T) {
	if testing.Short() {
		t.Skip("builds two programs and runs a server")
	}
	e := newEstate(t, "server", "planner")
	grpc := e.port()
	put := func(name, text string) string {
		t.Helper()
		if err := os.WriteFile(e.path(name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return e.path(name)
	}
	at := func(after time.Duration) string { return time.Now().Add(after).UTC().Format(time.RFC3339) }
	conf := put("server.yaml", "version: 1\nsite: { id: test, zone: UTC, name: Test }\nlisten: { grpc: "+grpc+", http: "+e.port()+", mqtt: "+e.port()+", metrics: "+e.port()+" }\ndatabase: { file: "+e.path("mill.db")+" }\n")
	book := put("book.yaml", strings.NewReplacer("DUE", at(20*24*time.Hour), "BEFORE", at(-48*time.Hour), "NOW", at(-time.Hour)).Replace(refusalBook))
	e.start("server", "run", "-c", conf)
	e.await("the book", func() bool { return e.try("planner", "--server", grpc, "book", "apply", book) == nil })
	jobs := func() string {
		t.Helper()
		said, code := e.asked(grpc, "orders", "-o", "csv")
		if code != 0 {
			t.Fatalf("orders: %s", said)
		}
		var lines []string
		for line := range strings.Lines(said) { // order, article and kilos: dates move with the clock
			lines = append(lines, strings.Join(strings.SplitN(line, ",", 6)[:5], ","))
		}
		rest := ""
		for _, list := range []string{"plan list", "care list --json", "rolls list --json", "yarn lots --json"} {
			said, code := e.asked(grpc, strings.Fields(list)...)
			if code != 0 {
				t.Fatalf("%s: %s", list, said)
			}
			rest += said
		}
		return strings.Join(lines, "\n") + rest
	}
	before := jobs()

	t.Run("properties", func(t *testing.T) { e.properties(t, grpc) })
	csv := put("dates.csv", "order,article,kg,promise,lot\nSO-9,SJ,100,2031-01-05,4-Dec\n")
	zero := put("zero.csv", "order,article,kg,promise\nSO-8,SJ,0,2031-01-05\nSO-7,SJ,1e12,2031-01-05\nSO-6,SJ,10,1931-01-05\n")
	ring := put("ring.yaml", "orders:\n  - { id: SO-1, article: SJ, quantity_kg: 3000, pin_machine: k01, pin_after: SO-2 }\n  - { id: SO-2, article: SJ, quantity_kg: 800, pin_machine: k01, pin_after: SO-1 }\n")
	for _, tt := range []struct {
		line string
		want []string
	}{
		{"orders import " + csv, []string{"row 2", "lot", "4-Dec", "a date that a spreadsheet made of it", "expected"}},
		{"orders import " + e.datedSheet() + " --dry-run", []string{"row 2", "lot", "the date 4 Dec 2026, which a spreadsheet made of it", "expected"}},
		{"orders import " + zero, []string{"row 2", "row 3", "row 4", "expected"}},
		{"book apply " + ring, []string{"pinned behind", "take one pin off"}},
		{"whatif slow K03 -1", []string{"a speed of -1 turns a minute is not possible"}},
		{"whatif slow K03 -- -1", []string{"a speed of -1 turns a minute is not possible"}},
		{"plan move split SO-2 K02 300", []string{"SO-2 would be knitted from lot L-1 of Ne 30/1 on K01 and from lot L-2 on K02"}},
		{"plan move add K02 SO-PB", []string{"SO-PB needs two needle beds, K02 has one"}},
		{"whatif add K02 SO-PB", []string{"SO-PB needs two needle beds, K02 has one"}},
		{"plan move add K01 SO-PR", []string{"SO-PR"}},
		{"plan start K02 SO-2", []string{`order "SO-2" is not planned on machine k02`}},
		{"plan start K01 --undo", []string{"cannot be taken back"}},
		{"plan start K01 --at 2011-01-01T06:00", []string{"more than 24 hours ago"}},
	} {
		said, code := e.asked(grpc, strings.Fields(tt.line)...)
		for _, w := range tt.want {
			if code == 0 || !strings.Contains(said, w) {
				t.Errorf("%s: exit %d, want a refusal with %q:\n%s", tt.line, code, w, said)
			}
		}
	}
	e.emptyTimes(t, grpc)
	if after := jobs(); after != before {
		t.Errorf("refusals changed the book:\n%s\nbefore:\n%s", after, before)
	}
	if said, code := e.asked(grpc, "plan", "start", "K01"); code != 0 || !strings.Contains(said, "begin SO-2 on K01") {
		t.Errorf("plan start: exit %d\n%s", code, said)
	}
	if said, code := e.asked(grpc, "plan", "start", "K01", "--undo"); code != 0 || !strings.Contains(said, "SO-2 waits on K01 again") {
		t.Errorf("plan start --undo: exit %d\n%s", code, said)
	}
}

// emptyTimes gives the flags of times nothing, as scripts do whose variable is not set, and
// names that nobody knows.
func (e *estate) emptyTimes(t *testing.T, grpc string) {
	const usage, unknown = 2, 3
	for _, tt := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"care", "done", "oil-k03", "--at="}, usage, "--at: found nothing behind ="},
		{[]string{"care", "done", "oil-k03", "--at", ""}, usage, "--at: found an empty word"},
		{[]string{"plan", "start", "K01", "--at="}, usage, "--at: found nothing behind ="},
		{[]string{"plan", "start", "K01", "--at", ""}, usage, "--at: found an empty word"},
		{[]string{"plan", "start", "K01", ""}, usage, "argument 4 is an empty word"},
		{[]string{"creel", "load", "k01", "--at="}, usage, "--at: found nothing behind ="},
		{[]string{"rolls", "weigh", "k01", "--kg", "25", "--at="}, usage, "--at: found nothing behind ="},
		{[]string{"rolls", "weigh", "k01", "--kg", "25", "--at", "0001-01-01T00:00:00Z"}, usage, "is not a time between 1970 and 2200"},
		{[]string{"stops", "--since="}, usage, "--since: found nothing behind ="},
		{[]string{"kept", "--since", ""}, usage, "--since: found an empty word"},
		{[]string{"yarn", "requisition", "--for="}, usage, "--for: found nothing behind ="},
		{[]string{"rolls", "list", "NOPE"}, unknown, `machine "nope"; those that are known are in ` + "`planner machines list`"},
		{[]string{"proof", "NOPE"}, unknown, `machine "nope"; those that are known are in`},
		{[]string{"stops", "NOPE"}, unknown, `machine "nope"; those that are known are in`},
		{[]string{"creel", "next", "--machines", "nope"}, unknown, `machine "nope"; those that are known are in`},
		{[]string{"forecast", "SO-9"}, unknown, "those that are known are in `planner orders list`"},
		{[]string{"plan", "show", "99"}, unknown, "those that are known are in `planner plan list`"},
	} {
		said, code := e.asked(grpc, tt.args...)
		if code != tt.code || !strings.Contains(said, tt.want) {
			t.Errorf("planner %q: exit %d, want %d with %q:\n%s", tt.args, code, tt.code, tt.want, said)
		}
	}
	if said, code := e.asked(grpc, "rolls", "weigh", "k01", "--kg=-1"); code != usage || strings.Count(said, "net_kg") != 1 {
		t.Errorf("rolls weigh --kg=-1: exit %d, want %d and one fault:\n%s", code, usage, said)
	}
}

// properties asks for a plan of orders that no machine can knit: of each the property that
// fails is named, machine by machine.
func (e *estate) properties(t *testing.T, grpc string) {
	said, code := e.asked(grpc, "plan", "solve", "--rounds", "50", "--dry-run", "--json")
	var plan struct {
		Refused []struct {
			Order, Sentence string
			Reasons         []string
		} `json:"not_loaded"`
	}
	if err := json.Unmarshal([]byte(said), &plan); err != nil || code != 0 {
		t.Fatalf("exit %d, %v in %s", code, err, said)
	}
	want := map[string]string{
		"SO-PW":   "the order needs 38 inches, the machine has",
		"SO-PF":   "the order needs gauge 40, the machine has",
		"SO-PM":   "the order needs 120 feeds, the machine has",
		"SO-PR":   "the order is rib, the machine's cams allow single jersey",
		"SO-PB":   "the order needs two needle beds, the machine has one needle bed",
		"SO-PC":   "no knit card",
		"SO-PAST": "Correct the due date of SO-PAST: 2011-03-01",
	}
	for _, r := range plan.Refused {
		all := r.Sentence + " " + strings.Join(r.Reasons, " ")
		if w, ok := want[r.Order]; !ok || !strings.Contains(all, w) {
			t.Errorf("%s is refused with %q, want %q", r.Order, all, w)
		}
		delete(want, r.Order)
	}
	for order := range want {
		t.Errorf("%s is not refused", order)
	}
}

// datedSheet is a spreadsheet that turned lot 4-12 into a date.
func (e *estate) datedSheet() string {
	e.t.Helper()
	f := excelize.NewFile()
	put := func(cell string, v any) {
		if err := f.SetCellValue("Sheet1", cell, v); err != nil {
			e.t.Fatal(err)
		}
	}
	for i, v := range []any{"order", "article", "kg", "promise", "lot"} {
		put(string(rune('A'+i))+"1", v)
	}
	for i, v := range []any{"SO-9", "SJ", 100, "2031-01-05", time.Date(2026, 12, 4, 0, 0, 0, 0, time.UTC)} {
		put(string(rune('A'+i))+"2", v)
	}
	if err := f.SaveAs(e.path("dates.xlsx")); err != nil {
		e.t.Fatal(err)
	}
	return e.path("dates.xlsx")
}
