package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

func TestLines(t *testing.T) {
	var out, errs bytes.Buffer
	if code := run([]string{"../testdata/cones_small.json"}, &out, &errs); code != 0 || errs.Len() > 0 {
		t.Fatalf("ended with %d: %s", code, &errs)
	}
	raw, err := os.ReadFile("../testdata/cones_small.json")
	if err != nil {
		t.Fatal(err)
	}
	var optima map[string][]struct {
		Name    string  `json:"name"`
		Optimum float64 `json:"optimum_times_1000"`
	}
	if err := json.Unmarshal(raw, &optima); err != nil {
		t.Fatal(err)
	}
	want := slices.Concat(optima["single_round"], optima["rolling"])
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	if len(lines) != len(want) {
		t.Fatalf("%d lines for %d cases", len(lines), len(want))
	}
	for i, line := range lines {
		d := json.NewDecoder(strings.NewReader(line))
		d.DisallowUnknownFields()
		var a answer
		if err := d.Decode(&a); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		if a.Name != want[i].Name || a.Cost != want[i].Optimum || len(a.Visits) == 0 {
			t.Errorf("%s costs %g in %d visits, expected %s at %g", a.Name, a.Cost, len(a.Visits), want[i].Name, want[i].Optimum)
		}
	}
}

func TestBadFiles(t *testing.T) {
	for name, c := range map[string]struct{ text, says string }{
		"not JSON":     {"cones", "not JSON"},
		"empty":        {"{}", "no case found"},
		"lists differ": {`{"rolling":[{"name":"x","residual_revs":[1],"life_revs":[]}]}`, `rolling "x": lists of different lengths`},
		"no life":      {`{"rolling":[{"name":"x","horizon_revs":9,"residual_revs":[1],"life_revs":[0]}]}`, "expected more than 0 turns"},
		"late visit":   {`{"single_round":[{"name":"y","runout_mean_revs":[1],"latest_visit_revs":[2],"yarn_value_per_1000_revs_left":[1]}]}`, `single_round "y"`},
	} {
		path := filepath.Join(t.TempDir(), "cases.json")
		if err := os.WriteFile(path, []byte(c.text), 0o600); err != nil {
			t.Fatal(err)
		}
		var out, errs bytes.Buffer
		if code := run([]string{path}, &out, &errs); code != 1 || !strings.Contains(errs.String(), c.says) || out.Len() > 0 {
			t.Errorf("%s: ended with %d, said %q, printed %q, expected 1 and %q", name, code, &errs, &out, c.says)
		}
	}
	var out, errs bytes.Buffer
	if code := run([]string{"no such file"}, &out, &errs); code != 1 || errs.Len() == 0 {
		t.Errorf("a missing file ended with %d", code)
	}
	if code := run(nil, &out, &errs); code != 2 {
		t.Errorf("no file ended with %d", code)
	}
}
