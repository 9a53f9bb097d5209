package main

import (
	"os"
	"strings"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
)

func TestReadYAML(t *testing.T) {
	raw, err := os.ReadFile("testdata/book.yaml")
	if err != nil {
		t.Fatal(err)
	}
	b := new(pb.Book)
	places, err := readYAML("book.yaml", raw, b)
	if err != nil {
		t.Fatal(err)
	}
	m, feed := b.GetMachines()[0], b.GetCards()[0].GetFeeds()[0]
	if m.GetDiameterInch() != 30 || m.GetFeederCount() != 90 || m.GetStructures()[0] != "single jersey" || feed.GetCourseLengthM() != 7.26 {
		t.Errorf("machine %v, feed %v", m, feed)
	}
	if lot := b.GetLots()[0].GetId(); lot != "0417" || feed.GetLot() != "0417" {
		t.Errorf("lot %q lost its zero", lot)
	}
	want := time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC)
	if got := b.GetAssignments()[0].GetFromTime().AsTime(); !got.Equal(want) || b.GetOrders()[0].GetPromiseTime() == nil {
		t.Errorf("assigned from %v, want %v", got, want)
	}
	if line := places["cards[0].feeds[0].course_length_m"]; line != 18 {
		t.Errorf("course length stands in line %d, want 18", line)
	}
}

func TestReadYAMLFaults(t *testing.T) {
	for _, tt := range []struct{ name, yaml, want string }{
		{"unknown field", "machines:\n  - id: k01\n    gage: 28\n", "f.yaml:3: machines[0].gage: unknown field, expected one of id, display_name"},
		{"unknown entry", "machine: []\n", "f.yaml:1: machine: unknown field, expected one of machines, agents"},
		{"text for a number", "yarns:\n- id: y\n  cone_net_kg: heavy\n", `f.yaml:3: yarns[0].cone_net_kg: found "heavy", expected a number`},
		{"decimal comma", "yarns: [{id: y, cone_net_kg: \"1,89\"}]\n", `found "1,89", expected a number with a point`},
		{"not a number", "yarns: [{id: y, cone_net_kg: .nan}]\n", "f.yaml:1: yarns[0].cone_net_kg: found"},
		{"fraction for a count", "machines: [{id: k01, feeder_count: 9.5}]\n", "expected a whole number"},
		{"number too great", "machines: [{id: k01, feeder_count: 99999999999}]\n", "expected a whole number"},
		{"date without zone", "orders: [{id: o, promise_time: 2026-11-30}]\n", "expected a time with its zone"},
		{"list expected", "machines: {id: k01}\n", "f.yaml:1: machines: found a mapping, expected a list"},
		{"mapping expected", "machines: [k01]\n", `f.yaml:1: machines[0]: found "k01", expected a mapping with id`},
		{"yes for true", "orders: [{id: o, one_lot: yes}]\n", `found "yes", expected true or false`},
		{"anchor", "machines: [&a {id: k01}]\n", "an anchor or alias"},
		{"twice", "machines: []\nmachines: []\n", "f.yaml"},
		{"empty", "# nothing\n", "f.yaml is empty, expected at least one of machines"},
		{"second document", "machines: []\n---\nyarns: []\n", "a second document"},
		{"not YAML", "machines: [\n", "f.yaml is not YAML"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := readYAML("f.yaml", []byte(tt.yaml), new(pb.Book))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("error %v, want %q in it", err, tt.want)
			}
		})
	}
	_, err := readYAML("f.yaml", []byte("machines:\n"+strings.Repeat("- {x: 1}\n", 100)), new(pb.Book))
	if n := strings.Count(err.Error(), "\n"); n != maxFaults || !strings.Contains(err.Error(), "and 80 more") {
		t.Errorf("%d lines of faults", n)
	}
}

func TestBookFaultsHaveLines(t *testing.T) {
	book := "cards:\n- id: c\n  feeds:\n  - id: ground\n    course_length_m: 700\n"
	got := plannerAt(t, new(fake).serve(t), "book apply -", book)
	if got.code != exitRefused || !strings.Contains(got.err, "standard input:5: cards[0].feeds[0].course_length_m is 700, expected 0 to 100") || !strings.Contains(got.err, "nothing was written") {
		t.Errorf("exit %d, %q", got.code, got.err)
	}
	if got := plannerAt(t, new(fake).serve(t), "book apply -", "nonsense: 1"); got.code != exitUsage || !strings.Contains(got.err, "standard input:1: nonsense: unknown field") {
		t.Errorf("exit %d, %q", got.code, got.err)
	}
}

func FuzzReadYAML(f *testing.F) {
	f.Add("machines:\n- {id: k01}\n")
	f.Add("a: &x [*x]\n")
	f.Add("orders: [{promise_time: 2026-11-30T08:00:00Z}]")
	f.Fuzz(func(t *testing.T, text string) {
		b := new(pb.Book)
		if _, err := readYAML("f", []byte(text), b); err != nil && err.Error() == "" {
			t.Error("an error without words")
		}
	})
}
