package replay

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"turnwise/agent/source"
)

var six = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func file(t *testing.T, text string) string {
	t.Helper()
	f := filepath.Join(t.TempDir(), "day.jsonl")
	if err := os.WriteFile(f, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestWhatWasWrittenComesBack(t *testing.T) {
	day := []source.Reading{
		{Raw: 7, SpeedRPM: -1},
		{Raw: 8, SpeedRPM: 22.5, Active: []int{0, 2}},
		{Err: errors.New("no answer in time"), SpeedRPM: -1},
		{Raw: 9, SpeedRPM: 0, Restarted: true},
	}
	var b bytes.Buffer
	for i, r := range day {
		if err := Append(&b, six.Add(time.Duration(i)*500*time.Millisecond), r); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Open(Config{File: file(t, b.String()), Bits: 16})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrRecording) {
		t.Errorf("Read before the recording was taken: %v", err)
	}
	var got []source.Reading
	for r := range s.Past() {
		got = append(got, r)
	}
	if len(got) != len(day) || s.Counter() != 16 {
		t.Fatalf("%d readings of %d bits", len(got), s.Counter())
	}
	for i, r := range got {
		want := day[i]
		if r.Raw != want.Raw || r.SpeedRPM != want.SpeedRPM || !slices.Equal(r.Active, want.Active) || r.Restarted != want.Restarted || (r.Err == nil) != (want.Err == nil) {
			t.Errorf("reading %d is %+v, want %+v", i, r, want)
		}
		at := source.Instant{Boot: got[0].At.Boot, Boottime: int64(i)*5e8 + 1, Wall: six.UnixNano() + int64(i)*5e8, Quality: source.Free}
		if r.At != at {
			t.Errorf("reading %d is at %+v, want %+v", i, r.At, at)
		}
	}
	if got[0].At.Boot == [16]byte{} {
		t.Error("the recording has no boot of its own")
	}
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrEnded) || !strings.Contains(err.Error(), "06:00:01") {
		t.Errorf("after its end: %v, want ErrEnded with the time", err)
	}
}

func TestBadRecordings(t *testing.T) {
	good := `{"t":"2026-03-02T06:00:00Z","raw":1}` + "\n"
	tests := []struct{ name, line, words string }{
		{"no JSON", "raw 7", ":2: "},
		{"unknown field", `{"t":"2026-03-02T06:00:01Z","raw":1,"kg":3}`, "kg"},
		{"no counter", `{"t":"2026-03-02T06:00:01Z"}`, "neither raw nor err"},
		{"negative", `{"t":"2026-03-02T06:00:01Z","raw":-1}`, "raw"},
		{"not later", `{"t":"2026-03-02T06:00:00Z","raw":1}`, "a later time expected"},
		{"no time", `{"raw":1}`, "2000 to 2200"},
		{"inputs in disorder", `{"t":"2026-03-02T06:00:01Z","raw":1,"active":[2,0]}`, "ascending"},
		{"two on a line", `{"t":"2026-03-02T06:00:01Z","raw":1} {"t":"2026-03-02T06:00:02Z","raw":1}`, "more than one"},
		{"too long", strings.Repeat(" ", maxLine+1) + "{}", "at most 16384 bytes"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := Open(Config{File: file(t, good+tt.line+"\n"), Bits: 32})
			if err != nil {
				t.Fatal(err)
			}
			n := 0
			for range s.Past() {
				n++
			}
			_, err = s.Read(t.Context())
			if n != 1 || !errors.Is(err, ErrRecording) || !strings.Contains(err.Error(), tt.words) {
				t.Errorf("%d readings, then %v; want the first and an error with %q", n, err, tt.words)
			}
		})
	}
	if _, err := Open(Config{File: filepath.Join(t.TempDir(), "none")}); !errors.Is(err, ErrRecording) {
		t.Errorf("no file: %v", err)
	}
}
