package edge

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/agent/source"
	"turnwise/agent/source/gpio"
	"turnwise/agent/source/modbus"
	"turnwise/agent/source/replay"
	"turnwise/proto/conf"
	"turnwise/proto/turnwisepb/wirepb"
)

func oldHall(t *testing.T) Config {
	t.Helper()
	c, _, err := LoadConfig("testdata/old-hall.yaml", nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Validate(); err != nil {
		t.Fatal(err)
	}
	return c
}

func TestKindsOfSources(t *testing.T) {
	c := oldHall(t)
	k13, err := gpioConfig(c.Machines[0].Source)
	if err != nil {
		t.Fatal(err)
	}
	if k13.Revolution != (gpio.Line{Chip: "gpiochip0", Offset: 17}) || k13.MaxRPM != 40 || k13.PulsesPerRevolution != 4 || k13.Debounce != 8*time.Millisecond || k13.Second != nil {
		t.Errorf("k13 is read as %+v", k13)
	}
	k14, err := gpioConfig(c.Machines[1].Source)
	if err != nil {
		t.Fatal(err)
	}
	low := gpio.Line{Chip: "gpiochip0", Offset: 5, ActiveLow: true, Bias: "up"}
	if k14.Revolution != low || k14.Second == nil || k14.Second.Offset != 6 || !k14.Second.ActiveLow || !k14.Backward || k14.Buffer != 512 || !k14.Stops[0].ActiveLow {
		t.Errorf("k14 is read as %+v", k14)
	}
	k15 := modbusConfig(c.Machines[2].Source)
	if k15.Serial == nil || *k15.Serial != (modbus.Serial{Baud: 9600, Parity: "none"}) || k15.Unit != 5 || k15.Address != "/dev/ttyUSB0" {
		t.Errorf("k15 is read as %+v", k15)
	}
	// Four pulses at 4 rpm come each 3.75 s, but 3 s are written; 60 at 4 rpm
	// each 0.25 s, so 3 s hold.
	if a, b := c.Machines[0].Run.StopAfter.Std(), c.Machines[1].Run.StopAfter.Std(); a != 3*time.Second || b != 3*time.Second {
		t.Errorf("stop_after %s and %s", a, b)
	}
	if bits := counterBits(c.Machines[0].Source); bits != 0 {
		t.Errorf("pulses have a counter of %d bits", bits)
	}
}

func TestOldHallsThatAreRefused(t *testing.T) {
	tests := []struct{ name, from, to, want string }{
		{"kind", "kind: replay", "kind: opc", "machines[4].source.kind: found \"opc\", modbus-tcp, modbus-rtu, gpio, replay expected"},
		{"line", "line: gpiochip0/17", "line: GPIO17", "revolution: line: found \"GPIO17\", CHIP/LINE expected"},
		{"line twice", "gpiochip0/27", "gpiochip0/17", "stops[0]: line gpiochip0/17 is that of revolution already"},
		{"no teeth", "pulses_per_revolution: 4", "pulses_per_revolution: 0", "pulses_per_revolution: found 0"},
		{"debounce", "debounce: 8ms", "debounce: 200ms", "debounce: found 200ms; at 40 rpm and 4 pulses per revolution"},
		{"edge", "edge: rising", "edge: both", "revolution.edge: found \"both\", rising or falling expected"},
		{"active", "active: high", "active: on", "active: found \"on\", high or low expected"},
		{"address of a pulse input", "kind: gpio\n      poll", "kind: gpio\n      address: 192.0.2.1:502\n      poll", "machines[1].source.address: belongs to modbus-tcp and modbus-rtu, not to gpio"},
		{"register of a pulse input", "line: gpiochip0/17", "line: gpiochip0/17\n        register: 40", "revolution.register: belongs to modbus-tcp and modbus-rtu"},
		{"scale of a pulse input", "line: gpiochip0/17", "line: gpiochip0/17\n        scale: 0.25", "revolution.scale: belongs to"},
		{"second sensor on another chip", "line_b: gpiochip0/6", "line_b: gpiochip1/6", "must be on one chip"},
		{"direction of one sensor", "direction: unknown", "direction: backward", "one sensor cannot see a direction, add line_b"},
		{"direction", "direction: backward", "direction: left", "forward, backward or unknown expected"},
		{"too many edges", "event_buffer: 512", "event_buffer: 20", "64 edges come in two polls, and the kernel keeps 20"},
		{"bias", "bias: up, pulses", "bias: left, pulses", "bias: found \"left\""},
		{"unit", "unit: 5", "unit: 250", "unit: found 250, 1 to 247 expected on a serial line"},
		{"baud", "unit: 6\n      baud: 9600", "unit: 6\n      baud: 96", "baud: found 96"},
		{"two speeds on a line", "unit: 6\n      baud: 9600", "unit: 6\n      baud: 19200", "machines[3].source: machines[2] is on /dev/ttyUSB0 too; all machines on one line need the same baud, parity and stop_bits"},
		{"unit twice", "unit: 6", "unit: 5", "machines[3].source.unit: unit 5 at /dev/ttyUSB0 is that of machines[2] already"},
		{"line of two machines", "line: gpiochip0/5", "line: gpiochip0/17", "line gpiochip0/17 is that of machines[0] already"},
		{"baud of TCP", "kind: modbus-rtu\n      address: /dev/ttyUSB0\n      unit: 6", "kind: modbus-tcp\n      address: 192.0.2.1:502\n      unit: 6", "baud: belongs to modbus-rtu, not to modbus-tcp"},
		{"no recording", "file: testdata/k17.jsonl", "file: ''", "file: is empty"},
	}
	good, err := os.ReadFile("testdata/old-hall.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			text := strings.Replace(string(good), tt.from, tt.to, 1)
			if text == string(good) {
				t.Fatalf("%q does not stand in old-hall.yaml", tt.from)
			}
			file := filepath.Join(t.TempDir(), "agent.yaml")
			if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			c, _, err := LoadConfig(file, nil)
			if err != nil {
				t.Fatal(err)
			}
			if err := c.Validate(); !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("%v\ndoes not say %q", err, tt.want)
			}
		})
	}
}

// teeth is a pulse counter with two teeth a second; like the real one it
// begins at 0 with the process.
type teeth struct {
	begun time.Time
	told  func(uint64)
	base  uint64
}

func (p *teeth) Counter() uint       { return 0 }
func (p *teeth) GoOn(n uint64)       { p.base = n; p.told(n) }
func (p *teeth) Tally() source.Tally { return source.Tally{} }
func (p *teeth) Close() error        { return nil }

func (p *teeth) Read(context.Context) (source.Reading, error) {
	return source.Reading{Raw: p.base + uint64(2*time.Since(p.begun).Seconds()), SpeedRPM: -1}, nil
}

// TestPulseCountSurvivesARestart: the count goes on from the journal, and the
// time without an agent is bounded, not guessed.
func TestPulseCountSurvivesARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		c := Config{Version: 1, Site: "demo", Agent: "u-01", MQTT: MQTT{URL: "mqtt://127.0.0.1:1883"}, Spool: Spool{Dir: dir}}
		c.Machines = []Machine{{ID: "k13", Source: Source{Kind: kindGPIO,
			Revolution: Revolution{Line: "gpiochip0/17", PulsesPerRevolution: 4, MaxSpeedRPM: 40, Debounce: conf.Duration(8 * time.Millisecond)}}}}
		m := newMill()
		var bases []uint64
		run := func(d time.Duration) {
			begun := time.Now()
			o := Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: m.now, send: deaf{}}
			o.open = func(Source) (source.Source, error) {
				return &teeth{begun: begun, told: func(n uint64) { bases = append(bases, n) }}, nil
			}
			a, err := New(c, o)
			if err != nil {
				t.Fatal(err)
			}
			runFor(t, a, d)
		}
		run(30*time.Second + time.Millisecond)
		time.Sleep(60 * time.Second)
		run(20*time.Second + time.Millisecond)
		if len(bases) != 2 || bases[0] != 0 || bases[1] != 60 {
			t.Errorf("the counter went on from %v, want 0 and 60: two teeth a second for 30 s", bases)
		}
		recs := records(t, dir, "k13")
		if n := counted(t, recs); n != 100 {
			t.Errorf("%d counts told, want 60 and 40; %s", n, kinds(recs))
		}
		var links []*wirepb.LifeLink
		for _, r := range recs {
			if l := r.GetLifeLink(); l != nil {
				links = append(links, l)
			}
		}
		// 60 s at 40 rpm and 4 teeth, a quarter more, and 2: 202 (by hand).
		if len(links) != 2 || links[1].GetLostMin() != 0 || links[1].GetLostMax() < 195 || links[1].GetLostMax() > 210 || links[1].GetPrevTo() != 60 {
			t.Errorf("links %v; want one over the restart with up to about 202 lost", links)
		}
	})
}

// TestReplayedDay: a recording goes the way of live readings, and a second
// start tells nothing twice.
func TestReplayedDay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		file := filepath.Join(dir, "k17.jsonl")
		f, err := os.Create(file)
		if err != nil {
			t.Fatal(err)
		}
		six := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
		for s := range 600 { // ten minutes at 30 rpm, a yarn break in the sixth and the last
			r := source.Reading{Raw: uint64(65_500+min(s, 300)/2+min(max(s-360, 0), 180)/2) % 65_536, SpeedRPM: -1}
			if s > 300 && s <= 360 || s > 540 {
				r.Active = []int{0}
			}
			if err := replay.Append(f, six.Add(time.Duration(s)*time.Second), r); err != nil {
				t.Fatal(err)
			}
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		c := Config{Version: 1, Site: "demo", Agent: "u-01", MQTT: MQTT{URL: "mqtt://127.0.0.1:1883"}, Spool: Spool{Dir: filepath.Join(dir, "spool")}}
		c.Machines = []Machine{{ID: "k17", Source: Source{Kind: kindReplay, File: file, Poll: conf.Duration(time.Second), Revolution: Revolution{Type: "u16"}, Stops: []Stop{{Cause: "yarn"}}}}}
		m := newMill()
		for range 2 {
			a, err := New(c, Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: m.now, send: deaf{}})
			if err != nil {
				t.Fatal(err)
			}
			runFor(t, a, 5*time.Second)
			if l := a.live()[0]; l.GetReadable() || !strings.Contains(l.GetProblem(), "recording has ended") {
				t.Errorf("after the recording the machine is %v", l)
			}
		}
		recs := records(t, c.Spool.Dir, "k17")
		if n := counted(t, recs); n != 240 {
			t.Errorf("%d counts told, want 150 and 90; %s", n, kinds(recs))
		}
		if text := kinds(recs); strings.Count(text, "StopBegin") != 2 || strings.Count(text, "StopEnd") != 1 || strings.Count(text, "LifeLink") != 1 {
			t.Errorf("told %s; want one life and two stops, the second open, whatever wrapped", text)
		}
	})
}

// TestRecordingThatComesLate: it is not there when the agent begins, then it is
// and is taken whole; a pulse input and a serial line that are not there do not
// end the agent either.
func TestRecordingThatComesLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		c := oldHall(t)
		c.Spool.Dir = filepath.Join(dir, "spool")
		c.Machines = []Machine{c.Machines[0], c.Machines[4]}
		c.Machines[0].Source.Revolution.Line = "gpiochip9999/1"
		day := c.Machines[1].Source.File
		c.Machines[1].Source.File = filepath.Join(dir, "day.jsonl")
		m := newMill()
		a, err := New(c, Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: m.now, send: deaf{}})
		if err != nil {
			t.Fatal(err)
		}
		go func() {
			time.Sleep(time.Minute)
			for i, want := range []string{"gpiochip9999", "day.jsonl: no such file"} {
				if l := a.live()[i]; l.GetReadable() || !strings.Contains(l.GetProblem(), want) {
					t.Errorf("the live view does not tell %q: %v", want, l)
				}
			}
			text, err := os.ReadFile(day)
			if err == nil {
				err = os.WriteFile(c.Machines[1].Source.File, text, 0o600)
			}
			if err != nil {
				t.Error(err)
			}
		}()
		runFor(t, a, 2*time.Minute)
		if l := a.live()[1]; !strings.Contains(l.GetProblem(), "recording has ended") {
			t.Errorf("the recording that came late: %v", l)
		}
		if recs := records(t, c.Spool.Dir, "k17"); len(recs) == 0 || recs[0].GetConfigApplied() == nil {
			t.Errorf("told of the recording: %s", kinds(recs))
		}
	})
}

func TestCheckOfOtherKinds(t *testing.T) {
	c := oldHall(t)
	c.Machines[2].Source.Address, c.Machines[3].Source.Address = filepath.Join(t.TempDir(), "tty"), filepath.Join(t.TempDir(), "tty")
	c.Machines[0].Source.Revolution.Line = "gpiochip9999/1"
	rows := Check(t.Context(), c)
	by := map[string]CheckRow{}
	for _, r := range rows {
		by[r.Machine+" "+r.Input] = r
	}
	if r := by["k13 revolution"]; r.OK || !strings.Contains(r.Problem, "/dev/gpiochip9999") && !strings.Contains(r.Problem, "Linux") {
		t.Errorf("a chip that is not there: %+v", r)
	}
	if r := by["k15 stops[0] needle"]; r.OK || !strings.Contains(r.Problem, "is the adapter plugged in") {
		t.Errorf("a serial line that is not there: %+v", r)
	}
	if r := by["k17 source"]; !r.OK || r.Value != "3 readings" {
		t.Errorf("a recording: %+v", r)
	}
}
