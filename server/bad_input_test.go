package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// No command that works on records makes them where there are none, or dies of what
// lies in their place: each one names the file, what is expected and what to do.
func TestNoRecords(t *testing.T) {
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty.db")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ db, want string }{
		{filepath.Join(dir, "none.db"), "no such file"},
		{empty, "is empty, records are expected"},
		{dir, "a file is expected"},
	} {
		config := filepath.Join(dir, "server.yaml")
		if err := os.WriteFile(config, []byte("database: { file: "+x.db+" }\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, command := range []string{"verify", "backup --to " + filepath.Join(dir, "b.db"), "prune", "shrink", "shrink --dry-run", "streams list", "quarantine list"} {
			args := append(strings.Fields(command), "-c", config)
			code, out, errOut := execute(t, args...)
			if code != 1 || out != "" || !strings.Contains(errOut, x.want) || !strings.Contains(errOut, x.db) || !strings.Contains(errOut, "correct database.file") {
				t.Errorf("server %s on %s: exit %d, %s%s\nwant 1, the file, %q and what to do", command, x.db, code, out, errOut, x.want)
			}
		}
	}
	if st, err := os.Stat(empty); err != nil || st.Size() != 0 {
		t.Errorf("the empty file was written: %v, %v", st, err)
	}
	if left, _ := filepath.Glob(filepath.Join(dir, "*")); len(left) != 2 {
		t.Errorf("left %v, want the empty file and the configuration", left)
	}
}

// A configuration that is none: every command names the file and what to do, and prints none
// of its bytes.
func TestConfigurationThatIsNoText(t *testing.T) {
	dir := t.TempDir()
	config := filepath.Join(dir, "server.yaml")
	for _, x := range []struct{ content, want string }{
		{"\x7fELF\x02\x01\x01\x00\x00", "control character U+007F"},
		{"version: 1\nsite: { name: caf\xe9 }\n", "server.yaml:2: found bytes that are no UTF-8"},
		{"site: { name: \x1b]0;title\x07 }\n", "control character U+001B"},
	} {
		if err := os.WriteFile(config, []byte(x.content), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, command := range []string{"config check", "config show", "run", "verify", "backup", "restore --from b.db", "prune", "shrink", "streams list", "streams release 00", "quarantine list", "quarantine export 1 --to x"} {
			code, out, errOut := execute(t, append(strings.Fields(command), "-c", config)...)
			if code != 1 || out != "" || !strings.Contains(errOut, x.want) || !strings.Contains(errOut, "name another file") || strings.ContainsAny(errOut, "\x7f\x1b\x07\xe9") || strings.Count(errOut, "\n") != 1 {
				t.Errorf("server %s of %q: exit %d, %q %q, want 1 and %q in a line", command, x.content, code, out, errOut, x.want)
			}
		}
	}
}
