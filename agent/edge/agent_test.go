package edge

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"turnwise/agent/journal"
	"turnwise/agent/source"
	"turnwise/proto/conf"
	"turnwise/proto/turnwisepb/wirepb"
)

// mill holds the machines of a test; each answers by the time since begin.
type mill struct {
	begin   time.Time
	boot    byte
	quality source.Quality

	mu    sync.Mutex
	shows map[string]func(time.Duration) (raw uint64, active []int, err error)
	hangs map[string]bool
	reads map[string][]time.Duration
}

func newMill() *mill {
	return &mill{begin: time.Now(), boot: 1, quality: source.NTPSynced, shows: map[string]func(time.Duration) (uint64, []int, error){},
		hangs: map[string]bool{}, reads: map[string][]time.Duration{}}
}

func (m *mill) now() source.Instant {
	t := time.Now()
	return source.Instant{Boot: [16]byte{m.boot}, Boottime: t.Sub(m.begin).Nanoseconds() + 1e9, Wall: t.UnixNano(), Quality: m.quality}
}

// line is one machine as a source; its address is its name.
type line struct {
	m    *mill
	name string
}

func (l line) Counter() uint { return 32 }
func (l line) Close() error  { return nil }

func (l line) Read(ctx context.Context) (source.Reading, error) {
	since := time.Since(l.m.begin)
	l.m.mu.Lock()
	l.m.reads[l.name] = append(l.m.reads[l.name], since)
	show, hangs := l.m.shows[l.name], l.m.hangs[l.name]
	l.m.mu.Unlock()
	if hangs {
		<-ctx.Done()
		return source.Reading{}, ctx.Err()
	}
	raw, active, err := show(since)
	return source.Reading{Raw: raw, Active: active, SpeedRPM: -1}, err
}

// deaf is an uplink that sends nothing.
type deaf struct{}

func (deaf) Run(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }

func testConfig(dir string, names ...string) Config {
	c := Config{Version: 1, Site: "demo", Agent: "u-01", MQTT: MQTT{URL: "mqtt://127.0.0.1:1883"}, Spool: Spool{Dir: dir}}
	for i, n := range names {
		c.Machines = append(c.Machines, Machine{ID: n, Source: Source{
			Kind: "modbus-tcp", Address: fmt.Sprintf("127.0.0.1:%d", 1000+i), Unit: 1,
			Revolution: Revolution{Function: 3, Type: "u32be"},
			Stops:      []Stop{{Function: 2, Input: 0, Cause: "yarn"}},
		}, Run: Run{StopAfter: conf.Duration(5 * time.Second)}})
	}
	return c
}

func (m *mill) agent(t *testing.T, c Config, o Options) *Agent {
	t.Helper()
	names := map[string]string{}
	for _, mc := range c.Machines {
		names[mc.Source.Address] = mc.ID
	}
	o.Now, o.send, o.Log = m.now, deaf{}, slog.New(slog.NewTextHandler(io.Discard, nil))
	o.open = func(s Source) (source.Source, error) { return line{m, names[s.Address]}, nil }
	a, err := New(c, o)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// runFor runs an agent for a while of fake time.
func runFor(t *testing.T, a *Agent, d time.Duration) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	if err := a.Run(ctx); err != nil {
		t.Fatalf("Run: %v", err)
	}
}

// records reads what the journal holds of a machine.
func records(t *testing.T, dir, name string) []*wirepb.Record {
	t.Helper()
	j, _, err := journal.Open(dir, journal.Options{Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	ch, err := j.Channel(name)
	if err != nil {
		t.Fatal(err)
	}
	var out []*wirepb.Record
	for next := uint64(1); next <= ch.Head(); {
		sealed, _, err := ch.Read(next, 100, 1<<20)
		if err != nil || len(sealed) == 0 {
			t.Fatalf("read from %d of %d: %d records, %v", next, ch.Head(), len(sealed), err)
		}
		for _, s := range sealed {
			r := new(wirepb.Record)
			if err := proto.Unmarshal(s.GetBody(), r); err != nil {
				t.Fatal(err)
			}
			out = append(out, r)
		}
		next += uint64(len(sealed))
	}
	return out
}

func kinds(recs []*wirepb.Record) string {
	var out []string
	for _, r := range recs {
		name := fmt.Sprintf("%T", r.GetKind())
		out = append(out, strings.TrimPrefix(name, "*wirepb.Record_"))
	}
	return strings.Join(out, " ")
}

// counted adds up the spans and checks that they follow each other.
func counted(t *testing.T, recs []*wirepb.Record) (n uint64) {
	t.Helper()
	var to uint64
	for i, r := range recs {
		if r.GetSeq() != uint64(i+1) {
			t.Errorf("record %d has sequence number %d", i+1, r.GetSeq())
		}
		if c := r.GetCountSpan(); c != nil {
			if to != 0 && c.GetFrom() != to {
				t.Errorf("span from %d follows one to %d", c.GetFrom(), to)
			}
			to = c.GetTo()
			n += c.GetTo() - c.GetFrom()
		}
	}
	return n
}

func turning(rpm float64) func(time.Duration) (uint64, []int, error) {
	return func(d time.Duration) (uint64, []int, error) { return 1000 + uint64(d.Minutes()*rpm), nil, nil }
}

// TestSourceThatCannotBeOpened: one machine of three whose source is not there
// is told as such and tried again, ever more rarely; the others are read all the
// while, and it is read too once its source is there.
func TestSourceThatCannotBeOpened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill()
		m.shows["k01"], m.shows["k02"], m.shows["k03"] = turning(30), turning(30), turning(30)
		dir := t.TempDir()
		a := m.agent(t, testConfig(dir, "k01", "k02", "k03"), Options{})
		whole, there := a.o.open, 5*time.Minute+100*time.Millisecond
		var tries []time.Duration // of k02
		a.o.open = func(s Source) (source.Source, error) {
			since := time.Since(m.begin)
			if s.Address == "127.0.0.1:1001" {
				tries = append(tries, since)
				if since < there {
					return nil, errors.New("no such device; plug it in")
				}
			}
			return whole(s)
		}
		go func() {
			<-a.Ready()
			if since := time.Since(m.begin); since > time.Second {
				t.Errorf("ready after %s: a source that cannot be opened was tried at once", since)
			}
			time.Sleep(there - time.Minute)
			select {
			case <-a.PastDone():
				t.Error("the past of a machine that was never read is called taken")
			default:
			}
			if l := a.live()[1]; l.GetReadable() || l.GetTurning() || l.GetProblem() != "no such device; plug it in" {
				t.Errorf("the live view of a machine whose source is not there: %v", l)
			}
			if text := string(a.metrics()); !strings.Contains(text, `turnwise_agent_readable{machine="k02"} 0`) || strings.Contains(text, `turnwise_agent_failures_total{machine="k02"} 0`) {
				t.Errorf("metrics call it readable or without failures:\n%s", text)
			}
			if !a.Alive() {
				t.Error("the service manager would start the agent anew for it")
			}
		}()
		runFor(t, a, 10*time.Minute)
		if n := len(tries); n < 20 || n > 30 {
			t.Errorf("tried %d times in five minutes, about every 15 s expected: %v", n, tries)
		}
		for i, name := range []string{"k01", "k02", "k03"} {
			want := uint64(300) // 30 rpm for ten minutes
			if i == 1 {
				want = 145 // from at most 15 s after it was there
			}
			if n := counted(t, records(t, dir, name)); n+7 < want || n > want+5 {
				t.Errorf("%s: %d counts told, about %d turned while it could be read", name, n, want)
			}
		}
	})
}

// TestSourceIsGivenUpAtTheEnd: an agent that ends does not wait for a source
// that is not there.
func TestSourceIsGivenUpAtTheEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill()
		a := m.agent(t, testConfig(t.TempDir(), "k01"), Options{})
		a.o.open = func(Source) (source.Source, error) { return nil, errors.New("no such device") }
		runFor(t, a, time.Hour)
		if since := time.Since(m.begin); since != time.Hour {
			t.Errorf("ended after %s, one hour expected", since)
		}
		select {
		case <-a.PastDone():
			t.Error("the past of a machine that was never read is called taken")
		default:
		}
	})
}

func TestAgentJournalsWhatItReads(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		m := newMill()
		m.shows["k01"] = func(d time.Duration) (uint64, []int, error) {
			if d > 30*time.Second && d < 40*time.Second {
				return 1015, []int{0}, nil // 15 counts at 30 rpm, then a yarn break
			}
			if d >= 40*time.Second {
				d -= 10 * time.Second
			}
			return turning(30)(d)
		}
		a := m.agent(t, testConfig(dir, "k01"), Options{Version: "1.0"})
		go func() {
			time.Sleep(35*time.Second + 100*time.Millisecond)
			l := a.live()[0]
			if l.GetMachine() != "k01" || l.GetCause() != "yarn" || l.GetTurning() || !l.GetReadable() || len(l.GetStreamId()) != 16 {
				t.Errorf("in the stop the live view is %v", l)
			}
			time.Sleep(30 * time.Second)
			l = a.live()[0]
			if l.GetSpeedRpm() < 29 || l.GetSpeedRpm() > 31 || !l.GetTurning() || len(l.GetStopId()) != 0 || l.GetHeadSeq() == 0 {
				t.Errorf("while turning the live view is %v", l)
			}
			if text := string(a.metrics()); !strings.Contains(text, `turnwise_agent_readings_total{machine="k01"} 131`) {
				t.Errorf("metrics do not show 131 readings in 65 s:\n%s", text)
			}
			if text := string(a.metrics()); !strings.Contains(text, "\nturnwise_agent_goroutines ") || !strings.Contains(text, "\nturnwise_agent_heap_bytes ") {
				t.Errorf("metrics do not show goroutines and heap:\n%s", text)
			}
			if n := a.journal.Syncs(); n < 3 || n > 5*66 || !strings.Contains(string(a.metrics()), fmt.Sprintf("\nturnwise_agent_journal_syncs_total %d\n", n)) {
				t.Errorf("%d syncs in 65 s, 3 or more and at most five a second expected, and so in the metrics:\n%s", n, a.metrics())
			}
		}()
		runFor(t, a, 69*time.Second+700*time.Millisecond)
		recs := records(t, dir, "k01")
		want := "ConfigApplied LifeLink CountSpan CountSpan CountSpan StopBegin StopEnd CountSpan CountSpan CountSpan" // the last at the end
		if got := kinds(recs); got != want {
			t.Errorf("journal holds %s, want %s", got, want)
		}
		if n := counted(t, recs); n < 15+14 || n > 15+15 {
			t.Errorf("%d counts told, 15 before the stop and 15 after it expected", n)
		}
	})
}

func TestRestartLosesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		m := newMill()
		m.shows["k01"] = turning(30)
		runFor(t, m.agent(t, testConfig(dir, "k01"), Options{}), 33*time.Second)
		time.Sleep(time.Hour) // the agent is off, the machine is not
		m.boot = 2
		runFor(t, m.agent(t, testConfig(dir, "k01"), Options{}), 33*time.Second)
		recs := records(t, dir, "k01")
		n := counted(t, recs)
		if want := uint64((time.Hour + 66*time.Second).Minutes() * 30); n > want || n+6 < want {
			t.Errorf("%d counts told, about %d turned", n, want)
		}
		var gap *wirepb.Record
		for _, r := range recs {
			if r.GetStateGap() != nil {
				gap = r
			}
		}
		if gap == nil {
			t.Fatalf("no gap among %s", kinds(recs))
		}
		g := gap.GetStateGap()
		if hole := gap.GetWallNs() - g.GetFromWallNs(); g.GetReason() != wirepb.GapReason_GAP_REASON_AGENT_DOWN ||
			hole < int64(time.Hour) || hole > int64(time.Hour+2*time.Second) || g.GetFromBoot() == gap.GetBoot() {
			t.Errorf("gap %v of %s", g, time.Duration(hole))
		}
	})
}

// TestHangingMachine: one machine of fifty that never answers costs the others
// nothing.
func TestHangingMachine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill()
		var names []string
		for i := range 50 {
			n := fmt.Sprintf("k%02d", i)
			names = append(names, n)
			m.shows[n] = turning(20)
		}
		m.hangs["k03"] = true
		a := m.agent(t, testConfig(t.TempDir(), names...), Options{})
		runFor(t, a, time.Minute)
		for n, at := range m.reads {
			if n == "k03" {
				continue
			}
			if len(at) < 119 {
				t.Errorf("%s was read %d times in a minute, want 119 or 120", n, len(at))
			}
			for i := 1; i < len(at); i++ {
				if d := at[i] - at[i-1]; d > 600*time.Millisecond {
					t.Errorf("%s was not read for %s", n, d)
				}
			}
		}
	})
}

func TestUnreadableMachineSaysWhy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		m := newMill()
		m.shows["k01"] = func(d time.Duration) (uint64, []int, error) {
			if d > 20*time.Second && d < 30*time.Second {
				return 0, nil, errors.New("no answer in 1s")
			}
			return turning(30)(d)
		}
		a := m.agent(t, testConfig(dir, "k01"), Options{})
		go func() {
			time.Sleep(25 * time.Second)
			if l := a.live()[0]; l.GetReadable() || l.GetProblem() != "no answer in 1s" || l.GetTurning() {
				t.Errorf("live view of an unreadable machine: %v", l)
			}
			time.Sleep(10 * time.Second)
			if l := a.live()[0]; !l.GetReadable() || l.GetProblem() != "" {
				t.Errorf("live view of a machine that is well again: %v", l)
			}
		}()
		runFor(t, a, 45*time.Second)
		recs := records(t, dir, "k01")
		i := slices.IndexFunc(recs, func(r *wirepb.Record) bool { return r.GetStateGap() != nil })
		if i < 0 || recs[i].GetStateGap().GetReason() != wirepb.GapReason_GAP_REASON_SOURCE_UNREADABLE {
			t.Fatalf("no gap for an unreadable source among %s", kinds(recs))
		}
		if n := counted(t, recs); n < 17 {
			t.Errorf("%d counts told: those of the hole are missing", n)
		}
	})
}

func TestPastComesFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		m := newMill()
		m.begin = m.begin.Add(-24 * time.Hour) // of this boot, as the simulated day is
		m.shows["k01"] = turning(30)
		var given atomic.Int64
		past := func(string) iter.Seq[source.Reading] {
			return func(yield func(source.Reading) bool) {
				for d := time.Duration(0); d < 24*time.Hour; d += 10 * time.Second {
					at := m.now()
					at.Boottime, at.Wall = d.Nanoseconds()+1e9, m.begin.Add(d).UnixNano()
					raw, _, _ := turning(30)(d)
					given.Add(1)
					if !yield(source.Reading{At: at, Raw: raw, SpeedRPM: -1}) {
						return
					}
				}
			}
		}
		a := m.agent(t, testConfig(dir, "k01"), Options{Past: past})
		go func() {
			<-a.PastDone()
			if n := given.Load(); n != 8640 {
				t.Errorf("PastDone after %d of 8640 past readings", n)
			}
		}()
		runFor(t, a, time.Minute)
		recs := records(t, dir, "k01")
		if n, want := counted(t, recs), uint64(24*60*30); n < want || n > want+30 {
			t.Errorf("%d counts told, %d to %d expected", n, want, want+30)
		}
		for _, r := range recs {
			if r.GetStateGap() != nil {
				t.Errorf("a gap between past and live readings: %v", r)
			}
		}
		if len(recs) < 1440 || len(recs) > 1460 {
			t.Errorf("%d records for a day, one a minute expected", len(recs))
		}

		// Another start finds the journal and tells nothing twice.
		runFor(t, m.agent(t, testConfig(dir, "k01"), Options{Past: past}), 20*time.Second)
		if more := records(t, dir, "k01"); len(more) > len(recs)+5 {
			t.Errorf("%d records after a second start, %d before", len(more), len(recs))
		} else {
			counted(t, more)
		}
	})
}

func TestRunEndsSoon(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m := newMill()
		m.shows["k01"] = turning(30)
		m.shows["k02"] = turning(30)
		m.hangs["k02"] = true
		a := m.agent(t, testConfig(t.TempDir(), "k01", "k02"), Options{})
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- a.Run(ctx) }()
		time.Sleep(10 * time.Second)
		begun := time.Now()
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
		if d := time.Since(begun); d > time.Second {
			t.Errorf("Run took %s to end", d)
		}
	})
}

func TestPhases(t *testing.T) {
	c := testConfig("", "k01", "k02", "k03", "k04")
	c.Machines[1].Source.Address = c.Machines[3].Source.Address
	c = c.withDefaults()
	want := []time.Duration{0, 0, 0, 250 * time.Millisecond}
	if got := phases(c.Machines); !slices.Equal(got, want) {
		t.Errorf("machines begin at %v, want %v: two stand behind one address", got, want)
	}
}

func TestKernelClock(t *testing.T) {
	now, err := kernelClock(time.Second)
	if err != nil {
		t.Fatal(err)
	}
	a, b := now(), now()
	if a.Boot == [16]byte{} || a.Boot != b.Boot {
		t.Errorf("boot ids %x and %x", a.Boot, b.Boot)
	}
	if a.Boottime <= 0 || b.Boottime < a.Boottime {
		t.Errorf("time since boot went from %d to %d", a.Boottime, b.Boottime)
	}
	if d := time.Since(time.Unix(0, a.Wall)); d < 0 || d > time.Minute {
		t.Errorf("wall clock is off by %s", d)
	}
}
