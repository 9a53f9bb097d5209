package edge

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/agent/count"
	"turnwise/agent/source/gpio"
	"turnwise/agent/source/modbus"
	"turnwise/proto/conf"
	"turnwise/proto/wire"
)

// ErrConfig is inside every error about a configuration.
var ErrConfig = errors.New("agent configuration")

// faults collects what is wrong, each with its key and where that is set.
type faults struct {
	errs []error
	from conf.Origins
}

func (f *faults) add(key, format string, args ...any) { f.addAt(key, key, format, args...) }

// addAt is add with the place of another key, which is set closer to the fault.
func (f *faults) addAt(at, key, format string, args ...any) {
	where, _ := f.where(at)
	f.errs = append(f.errs, fmt.Errorf("%w: %s%s: "+format, append([]any{ErrConfig, where, key}, args...)...))
}

// where says where a key, or the first one below it, is set.
func (f *faults) where(key string) (place string, known bool) {
	for _, o := range f.from {
		below, ok := strings.CutPrefix(o.Key, key)
		if !ok || below != "" && below[0] != '.' && below[0] != '[' {
			continue
		}
		known = true
		if o.From != "default" {
			return o.From + ": ", true
		}
	}
	return "", known
}

// Validate joins every fault of the configuration.
func (c Config) Validate() error {
	c = c.withDefaults()
	f := faults{from: c.origins}
	if c.Version != 1 {
		f.add("version", "found %d, 1 expected", c.Version)
	}
	f.id("site", c.Site)
	f.id("agent", c.Agent)
	if c.Area != "" {
		f.id("area", c.Area)
	}
	f.mqtt(c.MQTT)
	if c.Spool.Dir == "" {
		f.add("spool.dir", "is empty, a folder for the journal expected, for example ${STATE_DIRECTORY}")
	}
	if c.Spool.MaxSize < 16<<20 {
		f.add("spool.max_size", "found %s, at least 16MiB expected", c.Spool.MaxSize)
	}
	f.between("spool.sync", c.Spool.Sync.Std(), time.Millisecond, 10*time.Second)
	if l := c.Metrics.Listen; l != "" && !loopbackAddress(l) {
		f.add("metrics.listen", "found %q, an address on loopback expected, for example 127.0.0.1:9464: this page has no lock", l)
	}
	if n := len(c.Machines); n == 0 || n > wire.MaxMachines {
		f.add("machines", "%d machines, 1 to %d expected", n, wire.MaxMachines)
	}
	seen := map[string]bool{}
	for i, m := range c.Machines {
		key := fmt.Sprintf("machines[%d]", i)
		f.id(key+".id", m.ID)
		if seen[m.ID] {
			f.add(key+".id", "%q stands twice; every machine needs an id of its own", m.ID)
		}
		seen[m.ID] = true
		f.machine(key, m)
	}
	f.shared(c.Machines)
	return errors.Join(f.errs...)
}

func (f *faults) id(key, v string) {
	if !wire.ValidID(v) {
		f.add(key, "found %q, 1 to %d lower-case letters, digits, - and _ expected", v, wire.MaxIDLen)
	}
}

func (f *faults) between(key string, v, lo, hi time.Duration) {
	if v < lo || v > hi {
		f.add(key, "found %s, %s to %s expected", v, lo, hi)
	}
}

func (f *faults) mqtt(m MQTT) {
	u, err := url.Parse(m.URL)
	if err != nil || u.Host == "" || u.Port() == "" || u.User != nil || u.Path != "" {
		f.add("mqtt.url", "found %q, mqtts://HOST:PORT expected; user and password go into username and password_file", redact(m.URL))
		return
	}
	local := loopback(u.Hostname())
	switch u.Scheme {
	case "mqtts":
		if !local && (m.ClientCertFile == "" || m.ClientKeyFile == "") {
			f.add("mqtt", "client_cert_file and client_key_file are needed for %s: the server knows an agent by its certificate", u.Host)
		}
	case "mqtt":
		if !local {
			f.add("mqtt.url", "found %q; without encryption only addresses on this host are allowed, mqtts:// expected", m.URL)
		}
	default:
		f.add("mqtt.url", "found the scheme %q, mqtts expected", u.Scheme)
	}
	if (m.ClientCertFile == "") != (m.ClientKeyFile == "") {
		f.add("mqtt", "client_cert_file and client_key_file belong together, one of them is missing")
	}
	if (m.Username == "") != (m.PasswordFile == "") {
		f.add("mqtt", "username and password_file belong together, one of them is missing")
	}
	f.between("mqtt.keepalive", m.Keepalive.Std(), time.Second, time.Hour)
	if !(m.CatchUp > 0 && m.CatchUp <= 10_000) {
		f.add("mqtt.catch_up", "found %v, more than 0 and at most 10000 batches a second expected", m.CatchUp)
	}
}

func redact(raw string) string {
	if u, err := url.Parse(raw); err == nil {
		return u.Redacted()
	}
	return "a text that is no URL"
}

func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.IsLoopback()
}

func loopbackAddress(hostPort string) bool {
	host, _, err := net.SplitHostPort(hostPort)
	return err == nil && loopback(host)
}

func (f *faults) machine(key string, m Machine) {
	s := m.Source
	if !slices.Contains(sourceKinds, s.Kind) {
		f.add(key+".source.kind", "found %q, %s expected", s.Kind, strings.Join(sourceKinds, ", "))
		return
	}
	f.foreign(key+".source", s)
	if !*s.ReadOnly {
		f.add(key+".source.read_only", "found false; %w: remove the line", modbus.ErrWrites)
	}
	for _, d := range []string{s.Direction, s.Revolution.Direction} {
		if d != "" && d != "unknown" && d != "forward" && d != "backward" {
			f.add(key+".source.direction", "found %q, forward, backward or unknown expected", d)
		}
	}
	if s.direction() == "backward" && s.Kind != kindGPIO {
		f.add(key+".source.direction", "found backward, which only pulse inputs with line_b can see; forward or unknown expected")
	}
	f.between(key+".source.poll", s.Poll.Std(), 50*time.Millisecond, time.Minute)
	f.between(key+".source.timeout", s.Timeout.Std(), 10*time.Millisecond, 30*time.Second)
	if !(s.MaxSpeedRPM > 0 && s.MaxSpeedRPM <= 1000) {
		f.add(key+".source.max_speed_rpm", "found %v, more than 0 and at most 1000 expected", s.MaxSpeedRPM)
	} else if r := s.Revolution.MaxSpeedRPM; r != 0 && r != s.MaxSpeedRPM {
		f.add(key+".source.max_speed_rpm", "found %v, and %v under revolution; write it once", s.MaxSpeedRPM, r)
	}
	if !(m.Run.CrawlRPM > 0 && m.Run.CrawlRPM <= 100) {
		f.add(key+".run.crawl_rpm", "found %v, more than 0 and at most 100 expected", m.Run.CrawlRPM)
	}
	if _, err := s.perRevolution(); err == nil { // else its default is not known
		f.between(key+".run.stop_after", m.Run.StopAfter.Std(), time.Second, time.Hour)
	}
	f.counter(key+".source", s)
	for i, st := range s.Stops {
		f.stop(fmt.Sprintf("%s.source.stops[%d]", key, i), st)
	}
	if err := s.reader(); err != nil {
		for _, e := range unjoin(err) {
			f.addAt(f.deepest(key+".source", e), key+".source", "%w", e)
		}
	}
}

// deepest is the key that an error of the reader is about: its words name the
// keys below that of the source.
func (f *faults) deepest(key string, err error) string {
	_, text, _ := strings.Cut(err.Error(), ": ") // behind the reader's own sentinel
	for name := range strings.SplitSeq(text, ": ") {
		if _, known := f.where(key + "." + name); !known {
			break
		}
		key += "." + name
	}
	return key
}

// foreign refuses keys that the kind of the source has no use for: whoever
// wrote them meant something by them.
func (f *faults) foreign(key string, s Source) {
	for _, k := range s.keys() {
		if k.set && !slices.Contains(k.kinds, s.Kind) {
			f.add(key+"."+k.key, "belongs to %s, not to %s; remove it, or change kind", strings.Join(k.kinds, " and "), s.Kind)
		}
	}
}

// pulses checks the words of pulse inputs, and that the kernel can keep the
// edges of two polls.
func (f *faults) pulses(key string, s Source) {
	if e := s.Revolution.Edge; e != "" && e != "rising" && e != "falling" {
		f.add(key+".revolution.edge", "found %q, rising or falling expected", e)
	}
	for i, st := range s.Stops {
		if a := st.Active; a != "" && a != "high" && a != "low" {
			f.add(fmt.Sprintf("%s.stops[%d].active", key, i), "found %q, high or low expected", a)
		}
	}
	edges := 2 * 1.25 * s.MaxSpeedRPM / 60 * float64(s.Revolution.PulsesPerRevolution) * 2 * s.Poll.Std().Seconds()
	if s.Revolution.LineB != "" {
		edges *= 2
	}
	buffer := s.EventBuffer
	set(&buffer, gpio.MaxBuffer)
	if edges > float64(buffer) {
		f.add(key+".poll", "found %s; at %v rpm and %d pulses per revolution %.0f edges come in two polls, and the kernel keeps %d; poll faster",
			s.Poll, s.MaxSpeedRPM, s.Revolution.PulsesPerRevolution, edges, buffer)
	}
}

// shared checks what several machines hang on: serial lines and the lines of
// a chip.
func (f *faults) shared(machines []Machine) {
	lines := map[string]string{}
	type unit struct {
		address string
		unit    int
	}
	units := map[unit]string{}
	first := map[string]int{}
	for i, m := range machines {
		key, s := fmt.Sprintf("machines[%d]", i), m.Source
		switch s.Kind {
		case kindGPIO:
			all := []string{s.Revolution.Line, s.Revolution.LineB}
			for _, st := range s.Stops {
				all = append(all, st.Line)
			}
			for _, l := range all {
				if other := lines[l]; other != "" && other != key && l != "" {
					f.add(key+".source", "line %s is that of %s already", l, other)
				}
				lines[l] = key
			}
		case kindRTU:
			u := unit{s.Address, s.Unit}
			if other := units[u]; other != "" {
				f.add(key+".source.unit", "unit %d at %s is that of %s already", s.Unit, s.Address, other)
			}
			units[u] = key
			j, known := first[s.Address]
			if !known {
				first[s.Address] = i
			} else if o := machines[j].Source; o.Baud != s.Baud || o.Parity != s.Parity || o.StopBits != s.StopBits {
				f.add(key+".source", "machines[%d] is on %s too; all machines on one line need the same baud, parity and stop_bits", j, s.Address)
			}
		}
	}
}

// counter checks that the raw counter can be followed at all.
func (f *faults) counter(key string, s Source) {
	if s.Kind == kindGPIO {
		f.pulses(key, s)
		return
	}
	n, err := count.PerRevolution(s.Revolution.Scale)
	if err != nil {
		f.add(key+".revolution.scale", "%w", err)
		return
	}
	c, err := count.New(count.Options{Bits: counterBits(s), PerRevolution: n, MaxRPM: s.MaxSpeedRPM})
	if err != nil {
		return // type and speed are named by their own checks
	}
	if b := c.Bound(2 * s.Poll.Std()); b > c.Modulus()/16 {
		f.add(key+".poll", "found %s; at %v rpm and %d counts per revolution a counter of %d bits can move %d in two polls, too far to tell a wrap from a reset; poll faster",
			s.Poll, s.MaxSpeedRPM, n, counterBits(s), b)
	}
}

// counterBits is the width of the raw counter; 0 for pulses.
func counterBits(s Source) uint {
	if s.Kind == kindGPIO {
		return 0
	}
	if s.Revolution.Type == "u16" {
		return 16
	}
	return 32
}

func (f *faults) stop(key string, s Stop) {
	f.id(key+".cause", s.Cause)
	if s.Side != "" {
		f.id(key+".side", s.Side)
	}
	f.between(key+".hold", s.Hold.Std(), 0, time.Minute)
}

// unjoin gives the errors that were joined.
func unjoin(err error) []error {
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		return j.Unwrap()
	}
	return []error{err}
}

// modbusConfig is the part of a source that the Modbus reader needs.
func modbusConfig(s Source) modbus.Config {
	c := modbus.Config{
		Address: s.Address, Unit: s.Unit, Timeout: s.Timeout.Std(),
		Revolution: modbus.Register{Function: s.Revolution.Function, Register: s.Revolution.Register, Type: s.Revolution.Type},
	}
	if s.Kind == kindRTU {
		c.Serial = &modbus.Serial{Baud: s.Baud, Parity: s.Parity, StopBits: s.StopBits}
	}
	if s.SpeedRPM != nil {
		c.Speed = &modbus.Register{Function: s.SpeedRPM.Function, Register: s.SpeedRPM.Register, Type: s.SpeedRPM.Type, Scale: s.SpeedRPM.Scale}
	}
	for _, st := range s.Stops {
		c.Stops = append(c.Stops, modbus.Input{Function: st.Function, Input: st.Input})
	}
	return c
}
