package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Files that are not what a command reads: the answer names the file, what was
// found and what to do, prints no bytes of it, and the exit code says which kind it is.
func TestFilesThatAreNotRead(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	latin, control := write("latin.yaml", "a: 1\nb: caf\xe9\n"), write("control.yaml", "a: \x01\n")
	open, large := write("open.yaml", "a: 1\nb: [c\n"), write("large", strings.Repeat(" ", maxOrderFile+1))
	missing := filepath.Join(dir, "none")
	commands := map[string][]string{
		"book":   {"book", "apply"},
		"card":   {"calc", "card", "-f"},
		"orders": {"orders", "import"},
	}
	for _, c := range []struct {
		file, in string
		code     int
		want     []string
	}{
		{missing, "book card orders", exitNotFound, []string{missing + ": no such file", "name an existing file"}},
		{dir, "book card orders", exitUsage, []string{dir + " is a folder", "expected a file", "name the file in it"}},
		{large, "book card orders", exitUsage, []string{large + " is larger than", "bytes; "}},
		{latin, "book card", exitUsage, []string{latin + ":2: found bytes that are no UTF-8", "expected text", "save it as UTF-8"}},
		{control, "book card", exitUsage, []string{control + ":1: found the control character U+0001", "take it out"}},
		{open, "book card", exitUsage, []string{open + ":2:4: ", "bracket or quote that is not closed"}},
	} {
		for _, name := range strings.Fields(c.in) {
			var out, errs strings.Builder
			args := append([]string{"--server", "127.0.0.1:1"}, append(commands[name], c.file)...)
			code := run(t.Context(), args, world{in: strings.NewReader(""), out: &out, err: &errs})
			if code != c.code || out.Len() > 0 {
				t.Errorf("%s of %s: exit %d with %q, want %d and no result", name, filepath.Base(c.file), code, out.String(), c.code)
			}
			for _, want := range c.want {
				if !strings.Contains(errs.String(), want) {
					t.Errorf("%s of %s: %q, want %q", name, filepath.Base(c.file), errs.String(), want)
				}
			}
			if strings.Contains(errs.String(), "\x01") || strings.Contains(errs.String(), "\xe9") || len(errs.String()) > 600 {
				t.Errorf("%s of %s prints the file: %q", name, filepath.Base(c.file), errs.String())
			}
		}
	}
}

// A name that nobody knows comes with the command that lists the known ones, which is told
// by what the server says that it is, not by its words.
func TestNamesThatNobodyKnows(t *testing.T) {
	unknown := func(kind, message string) error {
		st, err := status.New(codes.NotFound, message).WithDetails(&errdetails.ResourceInfo{ResourceType: kind, ResourceName: "x"})
		if err != nil {
			t.Fatal(err)
		}
		return st.Err()
	}
	for _, tt := range []struct {
		fail error
		want string
	}{
		{unknown("machine", `machine "k99": not found`), "not found: machine \"k99\"; those that are known are in `planner machines list`\n"},
		{unknown("order", "what the server calls it: not found"), "not found: what the server calls it; those that are known are in `planner orders list`\n"},
		{unknown("lot", `lot "L-9": not found: apply it with the book first`), "not found: lot \"L-9\": apply it with the book first; those that are known are in `planner yarn lots`\n"},
		{unknown("plan", `plan "9": not found`), "not found: plan \"9\"; those that are known are in `planner plan list`\n"},
		{unknown("task", `task "x": not found: it is over`), "not found: task \"x\": it is over\n"},
		{status.Error(codes.NotFound, `machine "k99": not found`), "not found: machine \"k99\"\n"},
	} {
		f := &fake{fail: tt.fail}
		if got := f.planner(t, "rolls list k99"); got.code != exitNotFound || got.err != tt.want || got.out != "" {
			t.Errorf("%v: exit %d, %q, want %q", tt.fail, got.code, got.err, tt.want)
		}
	}
}

func TestTimeoutThatIsNone(t *testing.T) {
	for _, flag := range []string{"--timeout=0s", "--timeout=-1s"} {
		var errs strings.Builder
		if code := run(t.Context(), []string{"machines", "list", flag}, world{in: strings.NewReader(""), out: &errs, err: &errs}); code != exitUsage || !strings.Contains(errs.String(), "expected above 0") {
			t.Errorf("%s: exit %d, %q", flag, code, errs.String())
		}
	}
}

// Where a number that is absent stands for all or for what is known, 0 is refused before
// the server is asked: it would write that.
func TestZeroThatWouldMeanAll(t *testing.T) {
	for _, line := range []string{
		"creel load k05 --cones 0", "creel load k05 --cone-kg=0", "creel load k05 --cone-cv 0.0", "creel done k05-creel-x --cones 0", "creel read k05 --kg 3 --turns 0", "creel read k05 --kg 3 --turns 9 --sd 0",
		"rolls weigh k03 --kg 24 --count 0", "rolls weigh k03 --kg 24 --roll 0", "rolls weigh k03 --kg 24 --turns=0", "rolls weigh k03 --kg 24 --sd 0", "yarn requisition --hours 0",
	} {
		f := new(fake)
		got := f.planner(t, line)
		f.mu.Lock()
		asked := len(f.asked)
		f.mu.Unlock()
		if got.code != exitUsage || asked != 0 || !strings.Contains(got.err, " 0: expected above 0") {
			t.Errorf("planner %s: exit %d after %d questions, %q", line, got.code, asked, got.err)
		}
	}
}
