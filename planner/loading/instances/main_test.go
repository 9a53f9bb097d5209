package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnwise/planner/loading"
)

// shared is where larger sets lie beside a checkout. What may be copied is in testdata, see
// its README; the rest is read from here and skipped with a word when absent.
const shared = "../../../../shared/benchmarks"

func lines(t *testing.T, args ...string) []map[string]any {
	t.Helper()
	var out, errs bytes.Buffer
	if code := run(args, &out, &errs); code != 0 || errs.Len() > 0 {
		t.Fatalf("%v ended with %d: %s", args, code, &errs)
	}
	var all []map[string]any
	for line := range strings.Lines(out.String()) {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatalf("%q: %v", line, err)
		}
		all = append(all, m)
	}
	return all
}

func TestMill(t *testing.T) {
	raw, err := os.ReadFile("../testdata/mill_small.json")
	if err != nil {
		t.Fatal(err)
	}
	var cases []struct {
		Optimum float64 `json:"optimum"`
		Orders  []any   `json:"orders"`
	}
	if err := json.Unmarshal(raw, &cases); err != nil {
		t.Fatal(err)
	}
	got := lines(t, "-format", "mill", "-seconds", "0.05", "../testdata/mill_small.json")
	if len(got) != len(cases) || len(cases) != 12 {
		t.Fatalf("%d lines for %d cases", len(got), len(cases))
	}
	for i, c := range cases {
		if got[i]["instance"] != float64(i+1) || got[i]["cost"] != c.Optimum || got[i]["proven"] != true {
			t.Errorf("case %d: %v, optimum %v", i+1, got[i], c.Optimum)
		}
		n := 0
		for _, m := range got[i]["machines"].([]any) {
			n += len(m.([]any))
		}
		if n != len(c.Orders) {
			t.Errorf("case %d: %d orders planned of %d", i+1, n, len(c.Orders))
		}
	}
}

// TestPublished runs the sets beside the checkout against the values of their sources
// (OR-Library; Vallada and Ruiz; Tanaka and Araki for Cicirello's instances): for
// the fast ones equal, for all never below.
func TestPublished(t *testing.T) {
	if _, err := os.Stat(shared); err != nil {
		t.Skip("the published sets are not beside this checkout")
	}
	t.Run("weighted tardiness, 40 jobs", func(t *testing.T) {
		want := table(t, filepath.Join(shared, "wt/best.csv"), func(r []string) (string, string) { return r[0] + " " + r[1], r[2] })
		for i, l := range lines(t, "-format", "orlib", "-n", "40", "-seconds", "0.05", filepath.Join(shared, "wt/wt40_odd.txt")) {
			if w := want[fmt.Sprint("40 ", 2*i+1)]; fmt.Sprint(l["cost"]) != w {
				t.Errorf("instance %d of the odd ones costs %v, published %s", i+1, l["cost"], w)
			}
		}
	})
	t.Run("last end, few jobs", func(t *testing.T) {
		want := table(t, filepath.Join(shared, "upms_small/best.csv"), func(r []string) (string, string) { return r[0], r[1] })
		files, _ := filepath.Glob(filepath.Join(shared, "upms_small/I_*_1-9_1.txt"))
		if len(files) == 0 {
			t.Fatal("no files")
		}
		for _, f := range files {
			l := lines(t, "-format", "upms", "-seconds", "0.1", f)[0]
			if w := want[l["instance"].(string)]; fmt.Sprint(l["cost"]) != w {
				t.Errorf("%v costs %v, published %s", l["instance"], l["cost"], w)
			}
		}
	})
	t.Run("set-ups by sequence, never below", func(t *testing.T) {
		want := table(t, filepath.Join(shared, "wtsds/optimal.csv"), func(r []string) (string, string) { return "wt_sds_" + r[0], r[1] })
		for _, k := range []int{1, 41, 81, 114} {
			l := lines(t, "-format", "wtsds", "-seconds", "0.2", filepath.Join(shared, fmt.Sprintf("wtsds/wt_sds_%d.instance.gz", k)))[0]
			var w float64
			if _, err := fmt.Sscan(want[l["instance"].(string)], &w); err != nil || l["cost"].(float64) < w {
				t.Errorf("%v costs %v, optimum %v (%v)", l["instance"], l["cost"], w, err)
			}
		}
	})
}

func table(t *testing.T, path string, pick func([]string) (string, string)) map[string]string {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for line := range strings.Lines(string(raw)) {
		if r := strings.Split(strings.TrimSpace(line), ","); len(r) > 1 {
			k, v := pick(append(r, ""))
			out[k] = v
		}
	}
	return out
}

// TestPublishedSequence: the evaluator gives the stated value for the published
// optimal sequences of Cicirello's instances.
func TestPublishedSequence(t *testing.T) {
	if _, err := os.Stat(shared); err != nil {
		t.Skip("the published sets are not beside this checkout")
	}
	seen := 0
	for line := range strings.Lines(string(must(os.ReadFile(filepath.Join(shared, "wtsds/optimal.csv"))))) {
		r := strings.Split(strings.TrimSpace(line), ",")
		if len(r) < 3 || strings.Count(r[2], " ") < 50 {
			continue
		}
		raw, err := read(filepath.Join(shared, "wtsds/wt_sds_"+r[0]+".instance.gz"))
		if err != nil {
			t.Fatal(err)
		}
		all, err := wtsds(string(raw), options{})
		if err != nil {
			t.Fatal(err)
		}
		var seq []int
		for _, w := range strings.Fields(r[2]) {
			var j int
			fmt.Sscan(w, &j)
			seq = append(seq, j)
		}
		s, err := all[0].problem.Evaluate(loading.Plan{seq})
		if err != nil || fmt.Sprint(s.Cost) != r[1] {
			t.Errorf("instance %s: the stored sequence costs %d, stated %s, %v", r[0], s.Cost, r[1], err)
		}
		seen++
	}
	if seen < 10 {
		t.Errorf("%d sequences found, expected 10 and more", seen)
	}
}

func must(raw []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return raw
}

func TestSmallFiles(t *testing.T) {
	write := func(text string) string {
		path := filepath.Join(t.TempDir(), "few.txt")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	// Two jobs on two machines, worked by hand: apart they end at 3, together later.
	got := lines(t, "-format", "upms", write("2 2 1\n2\n\t0\t3\t1\t9\n\t0\t9\t1\t3\nSSD\nM0\n0 1\n1 0\nM1\n0 1\n1 0\n"))[0]
	if got["cost"] != 3.0 || got["instance"] != "few" || fmt.Sprint(got["machines"]) != "[[0] [1]]" {
		t.Errorf("two machines: %v", got)
	}
	// A slow second machine stays idle and is told as an empty list.
	got = lines(t, "-format", "upms", write("1 2 1\n2\n\t0\t3\t1\t9\nSSD\nM0\n0\nM1\n0\n"))[0]
	if fmt.Sprint(got["machines"]) != "[[0] []]" {
		t.Errorf("an idle machine: %v", got)
	}
	// Two jobs of 2 and 3, weights 1 and 5, due at 2 and 3: the heavy one first costs 3.
	got = lines(t, "-format", "orlib", "-n", "2", write("2 3\n1 5\n2 3\n"))[0]
	if got["cost"] != 3.0 || fmt.Sprint(got["sequence"]) != "[1 0]" || got["instance"] != 1.0 {
		t.Errorf("one machine: %v", got)
	}
}

func TestBadFiles(t *testing.T) {
	for name, c := range map[string]struct{ format, text, says string }{
		"format":     {"cards", "1", "is unknown"},
		"half block": {"orlib", "1 2 3 4", "not whole blocks"},
		"a word":     {"orlib", "1 2 x", `word 3 is "x"`},
		"no set-ups": {"upms", "2 2 1", "no line SSD"},
		"cut":        {"upms", "2 2 1\n2\n0 3 1 9 0", "ends before"},
		"machine 7":  {"upms", "1 1 1\n2\n7 3\nSSD\nM0\n0\n", "names machine 7"},
		"not JSON":   {"mill", "{", "JSON"},
		"few":        {"wtsds", "Process Times:\n3\n", "expected equal numbers"},
		"size":       {"upmstwt", "1 2 3", "fit no number of machines"},
		"empty":      {"mill", "[]", "no instance"},
	} {
		path := filepath.Join(t.TempDir(), "bad")
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		if name == "cut" {
			if err := os.WriteFile(path, []byte(c.text+"\nSSD\n"), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		var out, errs bytes.Buffer
		if code := run([]string{"-format", c.format, "-n", map[bool]string{true: "2", false: "1"}[name == "half block"], path}, &out, &errs); code != 1 || !strings.Contains(errs.String(), c.says) || out.Len() > 0 {
			t.Errorf("%s: ended with %d, said %q, printed %q", name, code, &errs, &out)
		}
	}
}
