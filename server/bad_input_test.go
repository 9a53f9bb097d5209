package main

import (
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"turnwise/server/host"
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

// What is no file in the place of the records is named, and nothing is left beside it.
func TestRecordsThatAreNoFile(t *testing.T) {
	dir := t.TempDir()
	config, folder, device := filepath.Join(dir, "server.yaml"), filepath.Join(dir, "folder"), filepath.Join(dir, "device")
	if err := errors.Join(os.Mkdir(folder, 0o700), os.Symlink("/dev/zero", device)); err != nil {
		t.Fatal(err)
	}
	for _, db := range []string{folder, device} {
		if err := os.WriteFile(config, []byte("database: { file: "+db+" }\nlisten: { grpc: 127.0.0.1:0, http: 127.0.0.1:0, mqtt: 127.0.0.1:0, metrics: off }\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, command := range []string{"run", "verify", "backup --to " + filepath.Join(dir, "b.db"), "prune", "shrink"} {
			code, out, errOut := execute(t, append(strings.Fields(command), "-c", config)...)
			if code != 1 || out != "" || !strings.Contains(errOut, "is a folder or a device, a file is expected") || !strings.Contains(errOut, "database.file") {
				t.Errorf("server %s on %s: exit %d, %s%s", command, db, code, out, errOut)
			}
		}
	}
	left, err := filepath.Glob(filepath.Join(dir, "*"))
	zero, err2 := filepath.Glob("/dev/zero?*")
	if err := errors.Join(err, err2); err != nil || len(left) != 3 || len(zero) != 0 {
		t.Errorf("left %v and %v, %v, want what was there", left, zero, err)
	}
}

// A name of the records that is mistyped: the server does not begin without them, leaves
// nothing behind and says what to do; where the folder was made it begins.
func TestRecordsMistyped(t *testing.T) {
	dir := t.TempDir()
	config, gone := filepath.Join(dir, "server.yaml"), filepath.Join(dir, "turnwse")
	text := "listen: { grpc: 127.0.0.1:0, http: off, mqtt: off, metrics: off }\ndatabase: { file: " + filepath.Join(gone, "turnwise.db") + " }\n"
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errOut := execute(t, "run", "-c", config)
	if code != 1 || out != "" || !strings.Contains(errOut, "there are no records in "+filepath.Join(gone, "turnwise.db")) || !strings.Contains(errOut, "mkdir -p "+gone) {
		t.Errorf("exit %d, %q %q", code, out, errOut)
	}
	if left, err := filepath.Glob(filepath.Join(dir, "*")); err != nil || len(left) != 1 {
		t.Errorf("left %v, %v, want the configuration alone", left, err)
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
			if code != 1 || out != "" || !strings.Contains(errOut, x.want) || !strings.Contains(errOut, "name another file") || strings.ContainsAny(errOut, "\x7f\x1b\x07") || !utf8.ValidString(errOut) || strings.Count(errOut, "\n") != 1 {
				t.Errorf("server %s of %q: exit %d, %q %q, want 1 and %q in a line", command, x.content, code, out, errOut, x.want)
			}
		}
	}
}

// Arguments that cannot be meant end with 2 and files that are not what is meant with 1; each
// answer says what to do, and nothing is written.
func TestBadArguments(t *testing.T) {
	dir := t.TempDir()
	db, config, letter, folder := filepath.Join(dir, "mill.db"), filepath.Join(dir, "server.yaml"), filepath.Join(dir, "letter.bin"), filepath.Join(dir, "folder")
	if err := errors.Join(os.WriteFile(config, []byte("database: { file: "+db+" }\n"), 0o600), os.WriteFile(letter, []byte("\x7fELF\x00\x01"), 0o600), os.Mkdir(folder, 0o700)); err != nil {
		t.Fatal(err)
	}
	h, err := host.OpenRecords(t.Context(), db, slog.New(slog.DiscardHandler), time.Now)
	if err == nil {
		err = h.Close()
	}
	if err != nil {
		t.Fatal(err)
	}
	content := func() []string {
		names, _ := filepath.Glob(filepath.Join(dir, "*"))
		return slices.DeleteFunc(names, func(name string) bool { // SQLite's own come and go
			return strings.HasSuffix(name, "-shm") || strings.HasSuffix(name, "-wal")
		})
	}
	execute(t, "verify", "-c", config) // leaves the file by which programs know of each other
	before := content()
	for _, x := range []struct {
		args string
		code int
		want string
	}{
		{"run --log-level loud", 2, `must be one of "debug","info","warn","error"`},
		{"run --config", 2, "expected string value but got nothing"},
		{"prune --older-than=0s", 2, "--older-than is 0s, at least 35d"},
		{"prune --older-than=1d", 2, "--older-than is 1d, at least 35d"},
		{"prune --older-than=-5d", 2, `found "-5d", a time span is expected`},
		{"prune --older-than=1e99d", 2, "a time span is expected"},
		{"quarantine list --limit=-1", 2, "1 to 10000 is expected"},
		{"quarantine list --limit=x", 2, "--limit"},
		{"quarantine export 0 --to " + filepath.Join(dir, "x"), 2, "1 and more is expected"},
		{"quarantine export 7 --to " + filepath.Join(dir, "x"), 1, "list them with server quarantine list"},
		{"streams release zz", 2, "32 hexadecimal digits are expected"},
		{"verify --from=", 2, "--from: found nothing behind ="},
		{"backup --to=", 2, "--to: found nothing behind ="},
		{"backup --to /proc/x", 1, "name a folder that can be written"},
		{"backup --to " + letter, 1, "name another file"},
		{"restore --from " + filepath.Join(dir, "none"), 1, "no such file or directory; name a backup that is there"},
		{"restore --from " + folder, 1, "is a folder or a device, a file is expected; name a backup"},
		{"restore --from " + letter, 1, "take an older backup"},
		{"verify --from " + folder, 1, "is a folder or a device, a file is expected; name a backup"},
		{"verify --from /dev/zero", 1, "is a folder or a device, a file is expected; name a backup"},
		{"verify --from " + filepath.Join(dir, "none"), 1, "name a backup that is there"},
		{"verify --from " + letter, 1, "take an older one"},
	} {
		args := strings.Fields(x.args)
		if !slices.Contains(args, "--config") {
			args = append(args, "-c", config)
		}
		code, out, errOut := execute(t, args...)
		if said := out + errOut; code != x.code || !strings.Contains(said, x.want) || strings.Contains(said, "\x7f") {
			t.Errorf("server %s: exit %d, %s%s, want %d and %q", x.args, code, out, errOut, x.code, x.want)
		}
	}
	if left := content(); !slices.Equal(left, before) {
		t.Errorf("left %v, before it was %v", left, before)
	}
}
