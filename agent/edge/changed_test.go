package edge

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"turnwise/agent/source"
	"turnwise/proto/conf"
	"turnwise/proto/turnwisepb/wirepb"
)

// A box is switched off in the middle of a turn and begins again with another
// configuration of its machine, which turns on at 30 rpm meanwhile. What the records
// tell must hold what it turned: exactly, or within the bounds that they declare.

// sensor is one way to see a cylinder that turns at 30 rpm since begin.
type sensor struct {
	begin time.Time
	per   float64 // counts in a turn
	from  uint64  // of a register at begin
	mod   uint64  // of a register
	pulse bool
	base  uint64
	open  float64 // turns when a pulse counter was opened
}

func (s *sensor) turns() float64      { return time.Since(s.begin).Minutes() * 30 }
func (s *sensor) Counter() uint       { return 32 }
func (s *sensor) Close() error        { return nil }
func (s *sensor) Tally() source.Tally { return source.Tally{} }
func (s *sensor) GoOn(n uint64)       { s.base, s.open = n, s.turns() }

func (s *sensor) Read(context.Context) (source.Reading, error) {
	if s.pulse {
		return source.Reading{Raw: s.base + uint64(s.turns()*s.per) - uint64(s.open*s.per), SpeedRPM: -1}, nil
	}
	return source.Reading{Raw: (s.from + uint64(s.turns()*s.per)) % s.mod, SpeedRPM: -1}, nil
}

// register is a source that is no [source.Pulses].
type register struct{ s *sensor }

func (r register) Counter() uint                                    { return 32 }
func (r register) Close() error                                     { return nil }
func (r register) Read(ctx context.Context) (source.Reading, error) { return r.s.Read(ctx) }

// heldCopy is the journal as a power cut leaves it: what is on the disk at a moment.
func heldCopy(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

// booked is what records tell of a machine, in turns: counted, and the most and
// the least that they say to be missing.
func booked(t *testing.T, recs []*wirepb.Record) (turns, least, most float64, lives int) {
	t.Helper()
	to, per := map[string]uint64{}, map[string]uint32{}
	for i, r := range recs {
		if r.GetSeq() != uint64(i+1) {
			t.Errorf("record %d has sequence number %d", i+1, r.GetSeq())
		}
		if l := r.GetLifeLink(); l != nil {
			lives++
			id, before := string(l.GetNewLife()), string(l.GetPrevLife())
			if before != "" && to[before] != l.GetPrevTo() {
				t.Errorf("a life is left at %d, and was told to %d", l.GetPrevTo(), to[before])
			}
			to[id], per[id] = l.GetExtended(), l.GetCountsPerRevolution()
			least += float64(l.GetLostMin()) / float64(per[id])
			most += float64(l.GetLostMax()) / float64(per[id])
		}
		if c := r.GetCountSpan(); c != nil {
			id := string(c.GetLifeId())
			if from, known := to[id]; !known || from != c.GetFrom() || per[id] != c.GetCountsPerRevolution() {
				t.Errorf("a span from %d by %d a turn in a life that was told to %d, by %d (known: %v)", c.GetFrom(), c.GetCountsPerRevolution(), from, per[id], known)
			}
			to[id] = c.GetTo()
			turns += float64(c.GetTo()-c.GetFrom()) / float64(c.GetCountsPerRevolution())
		}
	}
	return turns, least, most, lives
}

func TestChangedAfterAPowerCut(t *testing.T) {
	type way struct {
		name   string
		source Source
		sensor sensor
	}
	reg := func(name, typ string, n int, scale float64, from uint64) way {
		mod := uint64(1) << 32
		if typ == "u16" {
			mod = 1 << 16
		}
		return way{name, Source{Kind: kindTCP, Address: "127.0.0.1:1000", Unit: 1, MaxSpeedRPM: 40, Revolution: Revolution{Function: 3, Register: n, Type: typ, Scale: scale}},
			sensor{per: math.Round(1 / scale), from: from, mod: mod}}
	}
	gpio := func(name, line string, teeth int) way {
		return way{name, Source{Kind: kindGPIO, Revolution: Revolution{Line: line, PulsesPerRevolution: teeth, MaxSpeedRPM: 40, Debounce: conf.Duration(5 * time.Millisecond)}},
			sensor{per: float64(teeth), pulse: true}}
	}
	ways := []way{
		reg("register", "u32be", 40, 1, 4_000_000_000), reg("other register", "u32be", 50, 1, 70), reg("narrow register", "u16", 40, 1, 65_500),
		reg("quarter turns", "u32be", 40, 0.25, 1_000_000), gpio("four teeth", "gpiochip0/17", 4), gpio("other line", "gpiochip0/18", 4), gpio("sixty teeth", "gpiochip0/17", 60),
	}
	for _, before := range ways {
		for _, after := range ways {
			if before.name == after.name {
				continue
			}
			t.Run(before.name+" to "+after.name, func(t *testing.T) {
				for _, cut := range []time.Duration{700 * time.Millisecond, 3 * time.Second, 17*time.Second + 300*time.Millisecond, 18 * time.Second, 24*time.Second + 600*time.Millisecond} {
					synctest.Test(t, func(t *testing.T) {
						dir := t.TempDir()
						m := newMill()
						run := func(w way, spool string, d time.Duration, then func()) {
							s := w.sensor
							s.begin = m.begin
							c := Config{Version: 1, Site: "demo", Agent: "u-01", MQTT: MQTT{URL: "mqtt://127.0.0.1:1883"}, Spool: Spool{Dir: spool}}
							c.Machines = []Machine{{ID: "k01", Source: w.source}}
							o := Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: m.now, send: deaf{}}
							o.open = func(Source) (source.Source, error) {
								if s.pulse {
									return &s, nil
								}
								return register{&s}, nil
							}
							a, err := New(c, o)
							if err != nil {
								t.Fatal(err)
							}
							ctx, cancel := context.WithTimeout(t.Context(), d)
							defer cancel()
							if then != nil {
								go func() { time.Sleep(cut); then() }()
							}
							if err := a.Run(ctx); err != nil {
								t.Fatal(err)
							}
						}
						held := filepath.Join(dir, "held")
						run(before, filepath.Join(dir, "spool"), 30*time.Second, func() { heldCopy(t, filepath.Join(dir, "spool"), held) })
						m.boot = 2
						run(after, held, 25*time.Second, nil)
						turned := time.Since(m.begin).Minutes() * 30
						got, least, most, lives := booked(t, records(t, held, "k01"))
						// The first reading of the first life is not a turn, and the last may be a poll old.
						if why := fmt.Sprintf("cut after %s: %.2f turns told, %.2f to %.2f missing, %.2f turned", cut, got, least, most, turned); got+least > turned+.5 || got+most < turned-1 {
							t.Error(why)
						}
						if lives > 2 {
							t.Errorf("cut after %s: %d lives", cut, lives)
						}
					})
				}
			})
		}
	}
}
