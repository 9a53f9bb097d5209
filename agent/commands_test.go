package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/turnwisepb/wirepb"
)

func TestCount(t *testing.T) {
	file, _ := agentFile(t, startPLC(t))
	day := filepath.Join(t.TempDir(), "day.jsonl")
	code, out, errOut := agent(t, "count", "-c", file, "--for", "5pulses", "--record", day)
	if code != exitOK || !strings.Contains(out, "pulses       5") || !strings.Contains(out, "5.00 at 1 pulses each") || !strings.Contains(out, "divided by that number") {
		t.Errorf("count: %d\n%s%s", code, out, errOut)
	}
	for _, word := range []string{"isolate it before reaching in", "Guards stay closed", "hold-to-run by trained people", "3 pulses  3.00 turns"} {
		if !strings.Contains(errOut, word) {
			t.Errorf("count does not say %q:\n%s", word, errOut)
		}
	}
	if b, err := os.ReadFile(day); err != nil || strings.Count(string(b), `"raw":`) != 6 || !strings.Contains(string(b), `"active":[0]`) {
		t.Errorf("recorded %s, %v; want six readings", b, err)
	}
	code, out, _ = agent(t, "count", "-c", file, "--machine", "k01", "--for", "2rev", "--json")
	var got counted
	if err := json.Unmarshal([]byte(out), &got); err != nil || code != exitOK || got.Pulses != 2 || !got.Reached || got.Machine != "k01" {
		t.Errorf("count --json: %d, %v, %s", code, err, out)
	}
	tests := []struct {
		name string
		args []string
		code int
		want string
	}{
		{"goal", []string{"--for", "10turns"}, exitUsage, "10rev, 40pulses or 60s"},
		{"half a pulse", []string{"--for", "1.5pulses"}, exitUsage, "10rev, 40pulses or 60s"},
		{"machine", []string{"--machine", "k99"}, exitUsage, `one of ["k01"] expected`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			code, _, errOut := agent(t, append([]string{"count", "-c", file}, tt.args...)...)
			if code != tt.code || !strings.Contains(errOut, tt.want) {
				t.Errorf("%d, %s; want %d with %q", code, errOut, tt.code, tt.want)
			}
		})
	}
}

func TestCountOfALineThatIsNotThere(t *testing.T) {
	file := filepath.Join(t.TempDir(), "agent.yaml")
	text := `version: 1
site: demo
agent: u-01
mqtt: { url: "mqtt://127.0.0.1:1" }
spool: { dir: /var/lib/turnwise }
machines:
  - id: k13
    source:
      kind: gpio
      revolution: { line: gpiochip9999/17, pulses_per_revolution: 4, debounce: 8ms, max_speed_rpm: 40 }
      stops: [ { line: gpiochip9999/27, cause: unspecified } ]
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"count"}, {"learn", "lamp"}} {
		code, _, errOut := agent(t, append(args, "-c", file)...)
		if code != exitFailed || !strings.Contains(errOut, "gpiochip9999") {
			t.Errorf("%v: %d, %s", args, code, errOut)
		}
	}
}

// Files, folders and numbers that are not what a command needs: the answer names them and
// what to do, prints none of their bytes, and nothing is written.
func TestBadInputs(t *testing.T) {
	file, _ := agentFile(t, "127.0.0.1:1")
	dir := t.TempDir()
	binary, empty := filepath.Join(dir, "letter.bin"), filepath.Join(dir, "empty")
	if err := errors.Join(os.WriteFile(binary, []byte("\x7fELF\x00\x01"), 0o600), os.Mkdir(empty, 0o700)); err != nil {
		t.Fatal(err)
	}
	none := filepath.Join(dir, "none")
	for _, x := range []struct {
		args string
		code int
		want string
	}{
		{"run -c " + binary, exitFailed, "agent configuration: " + binary + ":1: found the control character U+007F"},
		{"check -c " + binary, exitFailed, "name another file"},
		{"config show -c " + binary, exitFailed, "name another file"},
		{"count -c " + binary, exitFailed, "name another file"},
		{"learn lamp -c " + binary, exitFailed, "name another file"},
		{"journal status -c " + binary, exitFailed, "name another file"},
		{"check -c " + dir, exitFailed, dir + " is a folder, a YAML file is expected; name the file in it"},
		{"check -c " + none, exitFailed, "no such file or directory; name an existing file with -c"},
		{"check -c=", exitUsage, "-c: found nothing behind ="},
		{"check -c", exitUsage, "expected string value but got nothing"},
		{"run --log-level loud -c " + file, exitUsage, `must be one of "debug","info","warn","error"`},
		{"journal status --dir " + none, exitFailed, "name the folder of a journal, which is spool.dir"},
		{"journal verify --dir " + binary, exitFailed, "name the folder of a journal, which is spool.dir"},
		{"journal export --dir " + empty, exitFailed, "no journal is here: no file *.twj in it; name the folder"},
		{"count --for 1s --record /proc/none/x -c " + file, exitFailed, "name a file in a folder that can be written"},
		{"count --for=-3rev -c " + file, exitUsage, `found "-3rev"; 10rev, 40pulses or 60s expected`},
		{"probe modbus://127.0.0.1:1 --timeout=-1s", exitUsage, "--timeout: found -1s"},
		{"probe modbus://127.0.0.1:1 --timeout=99h", exitUsage, "--timeout: found 99h0m0s"},
		{"probe modbus://127.0.0.1:1 --apart=-1s", exitUsage, "--apart: found -1s"},
		{"probe modbus://127.0.0.1:1 --apart=9999h", exitUsage, "--apart: found 9999h0m0s"},
		{"probe modbus://127.0.0.1:99999", exitUsage, "127.0.0.1:99999"},
		{"probe modbus://127.0.0.1:1?unit=999", exitUsage, "unit=0 to unit=255"},
		{"probe modbus://127.0.0.1:1", exitNotReachable, "is the machine on"},
	} {
		code, out, errOut := agent(t, strings.Fields(x.args)...)
		if code != x.code || out != "" || !strings.Contains(errOut, x.want) || strings.Contains(errOut, "\x7f") {
			t.Errorf("agent %s: exit %d, %q %q, want %d and %q", x.args, code, out, errOut, x.code, x.want)
		}
	}
	if left, _ := os.ReadDir(dir); len(left) != 2 {
		t.Errorf("%d things lie in the folder, want the two that were there", len(left))
	}
}

// script is a source that shows one reading after the other.
type script struct {
	readings []source.Reading
	tally    source.Tally
	bits     uint
	cancel   func()
}

func (s *script) Counter() uint       { return s.bits }
func (s *script) GoOn(uint64)         {}
func (s *script) Tally() source.Tally { return s.tally }
func (s *script) Close() error        { return nil }

func (s *script) Read(context.Context) (source.Reading, error) {
	if len(s.readings) == 0 {
		s.cancel()
		return source.Reading{}, nil
	}
	r := s.readings[0]
	s.readings = s.readings[1:]
	return r, r.Err
}

func shows(raw ...uint64) (out []source.Reading) {
	for _, r := range raw {
		out = append(out, source.Reading{Raw: r})
	}
	return out
}

func TestWatchCount(t *testing.T) {
	tests := []struct {
		name     string
		readings []source.Reading
		bits     uint
		until    goal
		pulses   uint64
		reached  bool
		seconds  float64
	}{
		{"turns", shows(100, 104, 110, 120, 140), 0, goal{turns: 5}, 20, true, 1.5},
		{"ended by hand", shows(100, 104), 0, goal{turns: 5}, 4, false, 0.5},
		{"over the end of the counter", shows(65530, 65535, 4), 16, goal{pulses: 10}, 10, true, 1},
		{"for a time", shows(7, 8, 9, 10, 11), 0, goal{time: time.Second}, 2, true, 1},
		{"a read goes wrong", []source.Reading{{Raw: 1}, {Err: errors.New("no answer")}, {Raw: 5}}, 32, goal{pulses: 4}, 4, true, 1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				ctx, cancel := context.WithCancel(t.Context())
				defer cancel()
				s := &script{readings: tt.readings, bits: tt.bits, cancel: cancel, tally: source.Tally{Bounces: 3}}
				got, err := watchCount(ctx, s, 500*time.Millisecond, tt.until, 4, func(source.Reading) error { return nil }, func(counted) {})
				if err != nil || got.Pulses != tt.pulses || got.Reached != tt.reached || got.Seconds != tt.seconds || got.Refused.Bounces != 3 {
					t.Errorf("got %+v, %v; want %d pulses, reached %v after %v s", got, err, tt.pulses, tt.reached, tt.seconds)
				}
			})
		})
	}
}

func TestLearnLamp(t *testing.T) {
	blink := func(begin, on, off time.Duration, times int) (out []lampEdge) {
		for i := range times {
			at := begin + time.Duration(i)*(on+off)
			out = append(out, lampEdge{0, at, true}, lampEdge{0, at + on, false})
		}
		return out
	}
	const s = time.Second
	tests := []struct {
		name      string
		edges     []lampEdge
		on, stops int
		hold      time.Duration
	}{
		{"never on", nil, 0, 0, 0},
		{"steady, twice", append(blink(1*s, 20*s, 0, 1), blink(60*s, 9*s, 0, 1)...), 2, 2, 0},
		{"blinks each second", blink(1*s, 500*time.Millisecond, 500*time.Millisecond, 10), 10, 1, 800 * time.Millisecond},
		{"blinks slowly, two stops", append(blink(1*s, s, s, 5), blink(60*s, s, s, 4)...), 9, 2, 1500 * time.Millisecond},
		{"another input", []lampEdge{{1, s, true}, {1, 2 * s, false}, {1, 3 * s, true}}, 0, 0, 0},
		{"told twice", []lampEdge{{0, s, true}, {0, s, true}, {0, 5 * s, false}, {0, 5 * s, false}}, 1, 1, 0},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if got := learnLamp(tt.edges, 0); got.On != tt.on || got.Stops != tt.stops || got.Hold != tt.hold {
				t.Errorf("learned %+v, want %d times on, %d stops, hold %s", got, tt.on, tt.stops, tt.hold)
			}
		})
	}
}

func TestLearnLampOverModbus(t *testing.T) {
	file, _ := agentFile(t, startPLC(t), "        - { function: 2, input: 3, cause: door }")
	code, out, errOut := agent(t, "learn", "lamp", "-c", file, "--for", "300ms")
	if code != exitOK || !strings.Contains(out, "stops[0] on") || !strings.Contains(out, "stops[0] yarn: 1 stops, does not blink") || !strings.Contains(out, "stops[1] door: never on") {
		t.Errorf("learn lamp: %d\n%s%s", code, out, errOut)
	}
	if !strings.Contains(errOut, "isolate it before reaching in") || !strings.Contains(out, "Times are those of readings") {
		t.Errorf("learn lamp does not warn, or claims exact times:\n%s%s", out, errOut)
	}
}

// TestJournalCommands: they look while another process holds the journal.
func TestJournalCommands(t *testing.T) {
	file, spool := agentFile(t, "127.0.0.1:502")
	j, _, err := journal.Open(spool, journal.Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	for _, m := range []string{"k01", "k02"} {
		ch, err := j.Channel(m)
		if err != nil {
			t.Fatal(err)
		}
		boot := j.Boot([16]byte{7})
		for n := range uint64(3) {
			r := &wirepb.Record{Boot: boot, BoottimeNs: int64(n), WallNs: time.Date(2026, 3, 2, 6, 0, int(n), 0, time.UTC).UnixNano(), Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{
				LifeId: []byte{1, 2}, From: n, To: n + 1, Quality: wirepb.CountQuality_COUNT_QUALITY_SURE}}}
			if err := ch.Append([]byte("state"), r); err != nil {
				t.Fatal(err)
			}
			if err := j.Sync(); err != nil {
				t.Fatal(err)
			}
		}
	}
	code, out, errOut := agent(t, "journal", "status", "-c", file)
	if code != exitOK || !strings.Contains(out, "2026-03-02T06:00:02Z") || !strings.Contains(out, "opened last by process") {
		t.Errorf("status: %d\n%s%s", code, out, errOut)
	}
	code, out, _ = agent(t, "journal", "status", "--dir", spool, "--json")
	var r journalReport
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != exitOK || len(r.Streams) != 2 || r.Streams[1].Held != 3 || r.Streams[1].Waiting != 3 {
		t.Errorf("status --json: %d, %v\n%s", code, err, out)
	}
	if code, out, _ = agent(t, "journal", "verify", "-c", file); code != exitOK || !strings.Contains(out, "6 records of 2 machines in 1 segments read, 0 places do not check") {
		t.Errorf("verify: %d\n%s", code, out)
	}
	code, out, _ = agent(t, "journal", "export", "-c", file, "--machine", "k02")
	lines := 0
	for sc := bufio.NewScanner(strings.NewReader(out)); sc.Scan(); lines++ {
		var l exportLine
		if err := json.Unmarshal(sc.Bytes(), &l); err != nil {
			t.Fatal(err)
		}
		span, _ := l.Record["count_span"].(map[string]any)
		if l.Machine != "k02" || l.Seq != uint64(lines+1) || !l.Sound || span["to"] != float64(lines+1) || span["life_id"] != "0102" || span["quality"] != "COUNT_QUALITY_SURE" || l.Boot[:2] != "07" {
			t.Errorf("line %d is %s", lines+1, sc.Text())
		}
	}
	if code != exitOK || lines != 3 {
		t.Errorf("export: %d with %d lines", code, lines)
	}

	name := filepath.Join(spool, "000000000001.twj")
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	b[len(b)-200] ^= 0x15 // one wrong bit would be put right
	other := t.TempDir()
	if err := os.WriteFile(filepath.Join(other, filepath.Base(name)), b, 0o600); err != nil {
		t.Fatal(err)
	}
	if code, out, errOut := agent(t, "journal", "verify", "--dir", other); code != exitFailed || !strings.Contains(errOut, "do not check") || !strings.Contains(out, "check sum") {
		t.Errorf("verify of damage: %d\n%s%s", code, out, errOut)
	}
	for _, tt := range []struct {
		args []string
		code int
		want string
	}{
		{[]string{"status"}, exitUsage, "-c FILE or --dir FOLDER"},
		{[]string{"export", "--dir", t.TempDir()}, exitFailed, "no journal is here"},
	} {
		if code, _, errOut := agent(t, append([]string{"journal"}, tt.args...)...); code != tt.code || !strings.Contains(errOut, tt.want) {
			t.Errorf("%v: %d, %s", tt.args, code, errOut)
		}
	}
}

// TestJournalCommandsOnWhatNoAgentOpens: they say so, and end with 1; a machine
// that is not there is wrong use.
func TestJournalCommandsOnWhatNoAgentOpens(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "000000000001.twj"), []byte("a letter"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, out, errOut := agent(t, "journal", "verify", "--dir", dir)
	if code != exitFailed || !strings.Contains(errOut, "no agent opens the journal") || strings.Contains(errOut, "declares their records") {
		t.Errorf("verify: %d\n%s%s", code, out, errOut)
	}
	code, out, _ = agent(t, "journal", "verify", "--dir", dir, "--json")
	var r journalReport
	if err := json.Unmarshal([]byte(out), &r); err != nil || code != exitFailed || r.Refused == "" || len(r.Damage) != 1 {
		t.Errorf("verify --json: %d, %v\n%s", code, err, out)
	}
	if code, out, _ = agent(t, "journal", "status", "--dir", dir); code != exitOK || !strings.Contains(out, "no agent opens it") {
		t.Errorf("status: %d\n%s", code, out)
	}
	if code, _, errOut = agent(t, "journal", "export", "--dir", dir, "--machine", "k09"); code != exitUsage || !strings.Contains(errOut, `has no machine "k09"`) {
		t.Errorf("export of a machine that is not there: %d\n%s", code, errOut)
	}
	code, _, errOut = agent(t, "journal", "verify", "--dir", t.TempDir())
	if code != exitFailed || !strings.Contains(errOut, "no journal is here") {
		t.Errorf("verify of an empty folder: %d\n%s", code, errOut)
	}
}
