package turnwise

import (
	"go/parser"
	"go/token"
	"io/fs"
	"maps"
	"os/exec"
	"path"
	"slices"
	"strconv"
	"strings"
	"testing"

	"os"
)

// allowed says which of our folders a folder may import; the longest prefix
// of the importing folder holds. A trailing "/" means: and what is below it.
var allowed = map[string][]string{
	"proto":                  {"proto/"},                                                                                                                              // what is said between programs knows no program
	"planner":                {"planner/", "proto/"},                                                                                                                  // the command line speaks to the server only
	"planner/unit":           {},                                                                                                                                      // quantities stand on nothing
	"planner/knit":           {"planner/"},                                                                                                                            // the arithmetic is pure
	"planner/calendar":       {"planner/"},                                                                                                                            // so are the shifts
	"planner/forecast":       {"planner/"},                                                                                                                            // and the dates
	"planner/creel":          {"planner/"},                                                                                                                            // and the cones
	"planner/alarm":          {"planner/"},                                                                                                                            // and what needs an answer
	"planner/loading":        {"planner/"},                                                                                                                            // and which order runs where
	"planner/outlook":        {"planner/"},                                                                                                                            // and what puts them together
	"agent":                  {"agent/", "proto/"},                                                                                                                    // an agent fits on a small box and knows no server
	"server":                 {"server/", "planner/", "proto/"},                                                                                                       // a server knows no agent
	"server/store":           {"server/store/", "server/ingest/tally", "server/ingest/sealed", "server/ingest/readers", "proto/wire", "planner/knit", "planner/unit"}, // a store knows records, not networks
	"server/store/storetest": {"server/store", "server/ingest", "proto/"},                                                                                             // the suite tells a store what the ingest would
	"simulator/machine":      {"planner/unit"},                                                                                                                        // a wrong formula must not agree with itself
	"simulator/stops":        {"planner/unit"},                                                                                                                        // nor a wrong stop
	"simulator/truth":        {"simulator/machine", "simulator/stops", "planner/unit"},                                                                                // the ledger knows no mill tool
	"simulator/backtest":     {"planner/"},                                                                                                                            // it judges the planner by a truth of its own
	"simulator/weeks":        {"planner/"},                                                                                                                            // it plays plans against a truth of its own
	"simulator/cones":        {"planner/"},                                                                                                                            // it plays creels whose cones no planner sees
	"simulator/day":          {"simulator/", "server/", "proto/"},                                                                                                     // it plays records, picture and alarms by one clock
	"simulator/plc":          {"simulator/"},                                                                                                                          // a machine knows no mill tool
	"simulator/mill":         {"simulator/", "agent/", "server/host", "server/store", "proto/", "planner/calendar", "planner/unit"},
	"simulator/rehearsal":    {"agent/", "server/ingest/", "server/store", "proto/"}, // it plays both sides of the wire in one thread; its truth stands on nothing of theirs
	"simulator/chaos":        {"simulator/machine", "simulator/plc", "proto/"},       // it knows the programs as processes, not as packages
	"simulator":              {"simulator/", "agent/", "server/host", "proto/"},
}

// impure may not be imported by the planner's packages: they get the instant
// and the numbers, and answer.
var impure = []string{"os", "net", "net/http", "log", "log/slog", "sync", "context", "math/rand", "io/fs", "database/sql", "testing/fstest"}

// onlyHere names imports that one folder alone may have.
var onlyHere = map[string][]string{
	"turnwise/server/store/sqlite":    {"server/host", "server/store", "server/ingest", "server/floor", "server/api", "server/calls", "simulator/rehearsal"}, // outside host only in tests
	"github.com/mattn/go-sqlite3":     {"server/store/sqlite", "simulator"},                                                                                  // the simulator only to have it compiled early
	"turnwise/agent/edge":             {"agent", "agent/edge", "simulator", "simulator/mill"},
	"turnwise/server/host":            {"server", "server/host", "simulator", "simulator/mill"},
	"github.com/mochi-mqtt/server/v2": {"server/broker", "agent/uplink", "server/host"}, // outside broker only in tests
}

type file struct {
	dir, name string
	imports   []string
	test      bool
	text      string
}

func goFiles(t *testing.T) []file {
	t.Helper()
	var out []file
	err := fs.WalkDir(os.DirFS("."), ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && p != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata") {
			return fs.SkipDir
		}
		if d.IsDir() || !strings.HasSuffix(p, ".go") {
			return nil
		}
		src, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), p, src, parser.ImportsOnly)
		if err != nil {
			return err
		}
		f := file{dir: path.Dir(p), name: p, test: strings.HasSuffix(p, "_test.go"), text: string(src)}
		for _, i := range parsed.Imports {
			s, err := strconv.Unquote(i.Path.Value)
			if err != nil {
				return err
			}
			f.imports = append(f.imports, s)
		}
		out = append(out, f)
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// rule finds the entry of the longest prefix of dir.
func rule(dir string) (string, []string, bool) {
	for d := dir; ; d = path.Dir(d) {
		if r, ok := allowed[d]; ok {
			return d, r, true
		}
		if d == "." || d == "/" {
			return "", nil, false
		}
	}
}

func mayImport(allow []string, dir string) bool {
	return slices.ContainsFunc(allow, func(a string) bool {
		if below, ok := strings.CutSuffix(a, "/"); ok {
			return dir == below || strings.HasPrefix(dir, a)
		}
		return dir == a
	})
}

func TestImportLaw(t *testing.T) {
	mains := []string{"agent", "server", "planner", "simulator"}
	for _, f := range goFiles(t) {
		if f.dir == "." {
			continue
		}
		r, allow, ok := rule(f.dir)
		if !ok {
			t.Errorf("%s: the folder %s has no rule in law_test.go; add one with its reason", f.name, f.dir)
			continue
		}
		for _, imp := range f.imports {
			dir, ours := strings.CutPrefix(imp, "turnwise/")
			if !ours {
				continue
			}
			if slices.Contains(mains, dir) {
				t.Errorf("%s imports the program %s; nobody imports a main", f.name, dir)
			}
			if !f.test && dir != f.dir && !mayImport(allow, dir) {
				t.Errorf("%s imports %s; %s may import only %v", f.name, dir, r, allow)
			}
			if f.test && crosses(f.dir, dir) {
				t.Errorf("%s: a test of %s imports %s; agent and server never meet outside the simulator", f.name, f.dir, dir)
			}
		}
		for imp, dirs := range onlyHere {
			inTest := f.test && strings.HasPrefix(f.dir, "server/")
			if slices.Contains(f.imports, imp) && !slices.Contains(dirs, f.dir) && !inTest {
				t.Errorf("%s imports %s; only %v may", f.name, imp, dirs)
			}
			if !f.test && imp == "turnwise/server/store/sqlite" && f.dir != "server/host" && slices.Contains(f.imports, imp) {
				t.Errorf("%s names a database; outside tests only server/host may", f.name)
			}
		}
	}
}

func crosses(from, to string) bool {
	top := func(d string) string { a, _, _ := strings.Cut(d, "/"); return a }
	return top(from) == "agent" && top(to) == "server" || top(from) == "server" && top(to) == "agent"
}

func TestPlannerIsPure(t *testing.T) {
	for _, f := range goFiles(t) {
		if f.test || !strings.HasPrefix(f.dir, "planner/") || path.Base(f.dir) == "instances" {
			continue // instances are programs that read files of known cases
		}
		for _, imp := range f.imports {
			if slices.Contains(impure, imp) {
				t.Errorf("%s imports %s; the planner's packages are pure", f.name, imp)
			}
		}
		for _, call := range []string{"time.Now(", "time.Since(", "time.Sleep(", "rand.Int"} {
			if strings.Contains(f.text, call) {
				t.Errorf("%s calls %s…); the instant comes with the call", f.name, call)
			}
		}
	}
}

func TestNoSleepInTests(t *testing.T) {
	for _, f := range goFiles(t) {
		if f.test && f.dir != "." && strings.Contains(f.text, "time.Sleep(") && !strings.Contains(f.text, "synctest.Test(") {
			t.Errorf("%s sleeps; wait for a state, or use testing/synctest", f.name)
		}
	}
}

// TestAgentIsLean: the agent must build without cgo for small boards, and a
// database driver that compiles into a stub without cgo must not slip in.
func TestAgentIsLean(t *testing.T) {
	cmd := exec.Command("go", "list", "-deps", "./agent")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS=linux", "GOARCH=arm")
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Fatalf("go list: %v\n%s", err, out)
	}
	reasons := map[string]string{
		"runtime/cgo":                 "no cgo on the agent",
		"github.com/mattn/go-sqlite3": "the agent keeps a journal of its own",
		"database/sql":                "the agent keeps a journal of its own",
		"google.golang.org/grpc":      "the agent speaks MQTT only",
		"net/http/pprof":              "nothing that listens without need",
	}
	deps := strings.Fields(string(out))
	for _, bad := range slices.Sorted(maps.Keys(reasons)) {
		if slices.Contains(deps, bad) {
			t.Errorf("the agent depends on %s: %s", bad, reasons[bad])
		}
	}
}

func TestMainsAreShort(t *testing.T) {
	for _, dir := range []string{"agent", "server", "planner", "simulator"} {
		src, err := os.ReadFile(path.Join(dir, "main.go"))
		if err != nil {
			t.Error(err)
			continue
		}
		_, body, ok := strings.Cut(string(src), "\nfunc main() {\n")
		body, _, ok2 := strings.Cut(body, "\n}\n")
		if n := strings.Count(body, "\n") + 1; !ok || !ok2 || n > 15 {
			t.Errorf("%s/main.go: func main has %d lines, at most 15 are expected; wire in a run function", dir, n)
		}
	}
}
