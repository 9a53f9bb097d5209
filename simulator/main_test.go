package main

import (
	"bytes"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"turnwise/simulator/chaos"
)

func TestTakenPortIsNamed(t *testing.T) {
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	const free = "127.0.0.1:0"
	for _, flag := range []string{"--http", "--grpc", "--mqtt", "--metrics"} {
		args := []string{"run", "--data", t.TempDir(), "--http", free, "--grpc", free, "--mqtt", free, "--metrics", free, flag, ln.Addr().String()}
		var out, errOut bytes.Buffer
		if code := run(t.Context(), args, &out, &errOut); code != 1 {
			t.Errorf("%s taken: exit %d, want 1", flag, code)
		}
		if text := errOut.String(); !strings.Contains(text, ln.Addr().String()) || !strings.Contains(text, "choose another port with --http") {
			t.Errorf("%s taken: %q does not name the address and the way out", flag, text)
		}
	}
}

func TestUsage(t *testing.T) {
	var out, errOut bytes.Buffer
	if code := run(t.Context(), []string{"--help"}, &out, &errOut); code != 0 || !strings.Contains(out.String(), "compare") {
		t.Errorf("--help: exit %d, %q", code, out.String())
	}
	if code := run(t.Context(), []string{"dance"}, &out, &errOut); code == 0 || errOut.Len() == 0 {
		t.Errorf("unknown command: exit %d, %q", code, errOut.String())
	}
	errOut.Reset()
	if code := run(t.Context(), []string{"compare", "--truth", "no-such-file"}, &out, &errOut); code != 1 || !strings.Contains(errOut.String(), "no-such-file") {
		t.Errorf("missing truth: exit %d, %q", code, errOut.String())
	}
}

// Numbers that nothing can be played with are refused as wrong use before any work, 0 too
// where it would stand for a default; files and folders that are not what is meant name
// themselves, and nothing is written into them.
func TestBadArguments(t *testing.T) {
	dir := t.TempDir()
	binary := filepath.Join(dir, "letter.bin")
	if err := os.WriteFile(binary, []byte("\x7fELF\x00\x01"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		args string
		code int
		want string
	}{
		{"check --duration=-5s", usage, "--duration is -5s"},
		{"check --duration 0s", usage, "--duration is 0s"},
		{"check --duration soon", usage, "--duration"},
		{"check --seed=-1", usage, "--seed"},
		{"calls --hours=-1", usage, "--hours is -1"},
		{"calls --hours 0", usage, "above 0 and at most 96"},
		{"calls --hours NaN", usage, "--hours is NaN"},
		{"weeks --weeks 0", usage, "--weeks is 0, 1 to 52"},
		{"weeks --rounds 0", usage, "--rounds is 0"},
		{"weeks --load 0", usage, "--load is 0"},
		{"weeks --load=-Inf", usage, "--load is -Inf"},
		{"cones --seeds 0", usage, "--seeds is 0"},
		{"cones --seeds=-3", usage, "--seeds is -3"},
		{"cones --chance 0.9", usage, "expected"},
		{"cones --bias 99", usage, "expected"},
		{"cones --lives 0", usage, "--lives is 0"},
		{"backtest --fleets 0", usage, "--fleets is 0"},
		{"backtest --worlds nowhere", usage, `no world "nowhere"; Worlds: `},
		{"chaos --cycles 0", usage, "--cycles 0"},
		{"compare --truth x --wait=-1s", usage, "--wait is -1s"},
		{"compare --truth", usage, "--truth: expected file value but got nothing"},
		{"compare --truth=", usage, "--truth: found nothing behind ="},
		{"compare --truth " + dir, 1, "is a directory; name the file truth.json"},
		{"compare --truth " + binary, 1, "is not a truth file"},
		{"compare --truth " + filepath.Join(dir, "none"), 1, "no such file or directory; name the file truth.json"},
		{"run --data " + binary, 1, "name a folder that can be written with --data"},
		{"run --data " + dir, 1, "found letter.bin in it and no mill.json"},
		{"run --seed many", usage, "--seed"},
		{"run --zone=", usage, "--zone: found nothing behind ="},
	} {
		var out, errOut bytes.Buffer
		code := run(t.Context(), strings.Fields(x.args), &out, &errOut)
		if code != x.code || out.Len() > 0 || !strings.Contains(errOut.String(), x.want) || strings.Contains(errOut.String(), "\x7f") {
			t.Errorf("simulator %s: exit %d, %q %q, want %d and %q", x.args, code, out.String(), errOut.String(), x.code, x.want)
		}
	}
	if left, _ := os.ReadDir(dir); len(left) != 1 {
		t.Errorf("%d things lie in the folder, want the one that was there", len(left))
	}
}

// What no machine can do is refused as wrong use, by the names of the flags, before
// anything is written.
func TestStopsTooDenseForMachines(t *testing.T) {
	for _, x := range []struct{ args, want []string }{
		{[]string{"--lively-every", "20s"}, []string{"--lively-every is 20s", "--lively-for 20s", "at least 31s"}},
		{[]string{"--lively-every", "25s", "--lively-for", "15s"}, []string{"--lively-every", "--lively-for", "at least 26s"}},
		{[]string{"--lively-every=-1s"}, []string{"--lively-every is -1s"}},
		{[]string{"--stand=-4s"}, []string{"--stand is -4s"}},
	} {
		data := filepath.Join(t.TempDir(), "data")
		var out, errOut bytes.Buffer
		if code := run(t.Context(), append([]string{"plc", "--data", data}, x.args...), &out, &errOut); code != usage {
			t.Errorf("%v: exit %d, want %d", x.args, code, usage)
		}
		for _, text := range x.want {
			if !strings.Contains(errOut.String(), text) {
				t.Errorf("%v: %q, want %q in it", x.args, errOut.String(), text)
			}
		}
		if _, err := os.Stat(data); err == nil {
			t.Errorf("%v: the folder was made", x.args)
		}
	}
}

// What could not be injected is told in the same order each time.
func TestNotInjectedIsSorted(t *testing.T) {
	r := chaos.Result{NotInjected: map[string]string{"e": "5", "a": "1", "d": "4", "c": "3", "b": "2"}}
	for range 20 {
		var out bytes.Buffer
		tell(&out, r)
		if want := "not injected: a: 1\nnot injected: b: 2\nnot injected: c: 3\nnot injected: d: 4\nnot injected: e: 5\n"; !strings.Contains(out.String(), want) {
			t.Fatalf("%q, want %q in it", out.String(), want)
		}
	}
}
