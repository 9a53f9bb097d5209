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
