package turnwise

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// programs names the file and the type in which each program lists its commands.
var programs = map[string][2]string{
	"server": {"server/main.go", "commands"}, "agent": {"agent/main.go", "commands"},
	"simulator": {"simulator/main.go", "commands"}, "planner": {"planner/cli.go", "cli"},
}

// commandsOf reads the top commands of a program from the tags of its command line.
func commandsOf(t *testing.T, program string) (names []string) {
	t.Helper()
	where := programs[program]
	f, err := parser.ParseFile(token.NewFileSet(), where[0], nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(f, func(n ast.Node) bool {
		s, ok := n.(*ast.TypeSpec)
		if !ok || s.Name.Name != where[1] {
			return true
		}
		list, ok := s.Type.(*ast.StructType)
		if !ok {
			return false
		}
		for _, field := range list.Fields.List {
			if field.Tag == nil {
				continue
			}
			text, _ := strconv.Unquote(field.Tag.Value) // it compiles
			tag := reflect.StructTag(text)
			if _, ok := tag.Lookup("cmd"); !ok || len(field.Names) == 0 {
				continue
			}
			name := tag.Get("name")
			if name == "" {
				name = strings.ToLower(field.Names[0].Name)
			}
			names = append(names, name)
		}
		return false
	})
	if len(names) < 4 {
		t.Fatalf("%s: found the commands %v, expected a list of them in type %s", where[0], names, where[1])
	}
	return names
}

// README.md and DEVELOPERS.md name every command of the four programs, and no other;
// every file and folder that they name is there, and the map has every folder of code.
func TestDocumentsNameWhatIsThere(t *testing.T) {
	texts := map[string]string{}
	for _, name := range []string{"README.md", "DEVELOPERS.md"} {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		texts[name] = string(b)
	}
	both := texts["README.md"] + texts["DEVELOPERS.md"]
	for program := range programs {
		names := commandsOf(t, program)
		for _, c := range names {
			if !regexp.MustCompile(`\b` + program + ` ` + c + `\b`).MatchString(both) {
				t.Errorf("neither README.md nor DEVELOPERS.md names %s %s; say what it is for", program, c)
			}
		}
		for _, m := range regexp.MustCompile(`(?:bin/|\./|`+"`"+`)`+program+` ([a-z]+)`).FindAllStringSubmatch(both, -1) {
			if !slices.Contains(names, m[1]) {
				t.Errorf("found %s %s, which is no command of it; expected one of %v", program, m[1], names)
			}
		}
	}
	named := regexp.MustCompile(`\]\(([^)#:]+)\)|` + "`" + `((?:agent|server|planner|proto|simulator|testdata)/[\w/.-]+)` + "`")
	for name, text := range texts {
		for _, m := range named.FindAllStringSubmatch(text, -1) {
			if _, err := os.Stat(m[1] + m[2]); err != nil {
				t.Errorf("%s names %s%s: %v", name, m[1], m[2], err)
			}
		}
	}
	developers, looked := texts["DEVELOPERS.md"], map[string]bool{}
	err := fs.WalkDir(os.DirFS("."), ".", func(p string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && p != "." && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata" || d.Name() == "turnwisepb"):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(p, ".go") || path.Dir(p) == ".":
			return nil
		}
		dir := path.Dir(p)
		if !looked[dir] && !strings.Contains(developers, "`"+dir+"`") && !strings.Contains(developers, "`"+path.Base(dir)+"`") {
			t.Errorf("folder %s is not in the map of DEVELOPERS.md; add a row", dir)
		}
		looked[dir] = true
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
