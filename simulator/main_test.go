package main

import (
	"bytes"
	"net"
	"strings"
	"testing"
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
