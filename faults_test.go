package turnwise

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
)

// faultRows is how many faults the product answers for.
const faultRows = 52

// faultRow is a fault and where it is shown what becomes of it.
type faultRow struct {
	Row    int      `yaml:"row"`
	Fault  string   `yaml:"fault"`
	Holds  string   `yaml:"holds"`
	Tests  []string `yaml:"tests"`
	Chaos  []string `yaml:"chaos"`
	Cannot string   `yaml:"cannot"`
}

var faultName = regexp.MustCompile(`^TestFault_([0-9]{2})_[A-Z][A-Za-z0-9]*$`)

var runnable = regexp.MustCompile(`^(Test|Benchmark|Fuzz)[A-Z]`)

// TestFaults: every fault is told with what must hold, and is shown by a test
// that exists or has the reason why it cannot be made here. With -v it prints
// the whole matrix.
func TestFaults(t *testing.T) {
	text, err := os.ReadFile("testdata/faults/matrix.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var matrix struct {
		Rows []faultRow `yaml:"rows"`
	}
	if err := yaml.UnmarshalWithOptions(text, &matrix, yaml.DisallowUnknownField()); err != nil {
		t.Fatalf("testdata/faults/matrix.yaml: %v", err)
	}
	exists, byRow := faultTests(t)
	kinds, err := os.ReadFile("simulator/chaos/kinds.go")
	if err != nil {
		t.Fatal(err)
	}
	if len(matrix.Rows) != faultRows {
		t.Errorf("%d rows, %d expected", len(matrix.Rows), faultRows)
	}
	for i, r := range matrix.Rows {
		if r.Row != i+1 {
			t.Fatalf("row %d stands in place %d", r.Row, i+1)
		}
		if r.Fault == "" || r.Holds == "" {
			t.Errorf("row %d: what goes wrong and what must hold are both to be told", r.Row)
		}
		for _, name := range r.Tests {
			if !exists[name] {
				t.Errorf("row %d names %s, which is in no file; name the test that shows it now", r.Row, name)
			}
		}
		for _, kind := range r.Chaos {
			if !strings.Contains(string(kinds), "{"+strconv.Quote(kind)+", ") {
				t.Errorf("row %d names the kind of fault %q, which simulator/chaos does not make", r.Row, kind)
			}
		}
		shown := byRow[r.Row]
		for _, name := range r.Tests {
			if !slices.Contains(shown, name) {
				shown = append(shown, name)
			}
		}
		switch {
		case len(shown) == 0 && r.Cannot == "":
			t.Errorf("row %d, %s: no test shows that %s; write one or say why it cannot be made", r.Row, r.Fault, r.Holds)
		case len(shown) > 0 && r.Cannot != "":
			t.Errorf("row %d cannot be made, and yet %v show it", r.Row, shown)
		}
		t.Logf("%2d  %s\n    -> %s\n    %s", r.Row, r.Fault, r.Holds, strings.Join(append(append(shown, r.Chaos...), r.Cannot), ", "))
	}
}

// faultTests finds all tests, benchmarks and fuzz targets by folder and name,
// and those that carry the number of a row.
func faultTests(t *testing.T) (exists map[string]bool, byRow map[int][]string) {
	t.Helper()
	exists, byRow = map[string]bool{}, map[int][]string{}
	for _, f := range goFiles(t) {
		if !f.test {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), f.name, f.text, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range parsed.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || fn.Recv != nil {
				continue
			}
			name := f.dir + "." + fn.Name.Name
			exists[name] = runnable.MatchString(fn.Name.Name)
			if !strings.HasPrefix(fn.Name.Name, "TestFault_") {
				continue
			}
			m := faultName.FindStringSubmatch(fn.Name.Name)
			if m == nil {
				t.Errorf("%s: TestFault_NN_Words expected", name)
				continue
			}
			n, _ := strconv.Atoi(m[1]) // two digits
			if n < 1 || n > faultRows {
				t.Errorf("%s: there are rows 1 to %d", name, faultRows)
			}
			byRow[n] = append(byRow[n], name)
		}
	}
	return exists, byRow
}
