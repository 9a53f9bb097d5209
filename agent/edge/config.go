package edge

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/agent/count"
	"turnwise/proto/conf"
)

// Defaults of agent.yaml.
const (
	defaultPoll      = 500 * time.Millisecond
	defaultTimeout   = time.Second
	defaultCrawlRPM  = 4
	defaultKeepalive = 15 * time.Second
	defaultSync      = 200 * time.Millisecond
	defaultMaxAge    = 35 * 24 * time.Hour
	defaultMaxSize   = 512 << 20
	defaultBallast   = 16 << 20
	defaultMaxOffset = 2 * time.Second
	defaultCatchUp   = 20
)

// Config is the form of agent.yaml.
type Config struct {
	Version  int       `yaml:"version"`
	Site     string    `yaml:"site"`
	Area     string    `yaml:"area"`
	Agent    string    `yaml:"agent"`
	MQTT     MQTT      `yaml:"mqtt"`
	Spool    Spool     `yaml:"spool"`
	Clock    Clock     `yaml:"clock"`
	Metrics  Metrics   `yaml:"metrics"`
	Machines []Machine `yaml:"machines"`

	origins conf.Origins // as loaded, so that faults can name their line
}

// MQTT says where the records go.
type MQTT struct {
	// URL is mqtts://HOST:PORT; mqtt:// is allowed to loopback addresses only.
	URL            string `yaml:"url"`
	ClientCertFile string `yaml:"client_cert_file"`
	ClientKeyFile  string `yaml:"client_key_file"`
	// CAFile holds the authorities that may sign the broker's certificate;
	// empty means those of the system.
	CAFile       string `yaml:"ca_file"`
	Username     string `yaml:"username"`
	PasswordFile string `yaml:"password_file"`
	// SessionExpiry is accepted for brokers of MQTT 5; this agent keeps
	// nothing in a broker, so it has no effect.
	SessionExpiry conf.Duration `yaml:"session_expiry"`
	Keepalive     conf.Duration `yaml:"keepalive"`
	// CatchUp is the rate of backlog batches a second; 0 means 20.
	CatchUp float64 `yaml:"catch_up"`
}

// Spool is the journal on disk.
type Spool struct {
	Dir string `yaml:"dir"`
	// MaxAge is how long records are kept that the server has, but not yet in
	// a backup. What it does not have is never dropped.
	MaxAge  conf.Duration `yaml:"max_age"`
	MaxSize conf.Bytes    `yaml:"max_size"`
	// Ballast is a file that is given up when the disk is full, so that the
	// agent can make room again; it is smaller on a small disk.
	Ballast conf.Bytes `yaml:"ballast"`
	// Sync is the most that a power cut can take; the counts of that time are
	// read from the machine's counter afterwards.
	Sync conf.Duration `yaml:"sync"`
}

// Clock says when the wall clock is doubted: when the kernel's own estimate
// of its error is larger.
type Clock struct {
	MaxOffset conf.Duration `yaml:"max_offset"`
}

// Metrics is the Prometheus text page; it listens on loopback only.
type Metrics struct {
	Listen string `yaml:"listen"` // empty = none
}

// Machine is one machine that the agent watches.
type Machine struct {
	ID     string `yaml:"id"`
	Source Source `yaml:"source"`
	Run    Run    `yaml:"run"`
}

// Source says how a machine is read.
type Source struct {
	// Kind is modbus-tcp, modbus-rtu, gpio or replay.
	Kind string `yaml:"kind"`
	// Address is HOST:PORT, or the device of a serial line.
	Address  string        `yaml:"address"`
	Unit     int           `yaml:"unit"`
	Poll     conf.Duration `yaml:"poll"`
	ReadOnly *bool         `yaml:"read_only"`
	// Timeout of one request.
	Timeout    conf.Duration `yaml:"timeout"`
	Revolution Revolution    `yaml:"revolution"`
	SpeedRPM   *Register     `yaml:"speed_rpm"`
	Stops      []Stop        `yaml:"stops"`
	// MaxSpeedRPM bounds what the machine can do: more is never counted.
	MaxSpeedRPM float64 `yaml:"max_speed_rpm"`
	// Direction is forward, backward (two sensors only) or unknown.
	Direction string `yaml:"direction"`

	// Serial lines: 19200 baud, even parity and one stop bit unless set.
	Baud     int    `yaml:"baud"`
	Parity   string `yaml:"parity"`
	StopBits int    `yaml:"stop_bits"`
	// EventBuffer is how many edges the kernel keeps between two polls of
	// pulse inputs. 0 means 1024, the most.
	EventBuffer int `yaml:"event_buffer"`
	// File is a recorded day to replay.
	File string `yaml:"file"`
}

// Register is one value of the machine.
type Register struct {
	Function int     `yaml:"function"`
	Register int     `yaml:"register"`
	Type     string  `yaml:"type"`
	Scale    float64 `yaml:"scale"`
}

// Revolution is the turn counter. The keys from Line on belong to pulse
// inputs.
type Revolution struct {
	Function    int     `yaml:"function"`
	Register    int     `yaml:"register"`
	Type        string  `yaml:"type"`
	Scale       float64 `yaml:"scale"`
	MaxSpeedRPM float64 `yaml:"max_speed_rpm"`
	Direction   string  `yaml:"direction"`

	Line string `yaml:"line"` // CHIP/LINE, for example gpiochip0/17
	// LineB is a second sensor a quarter of a tooth behind the first: with it
	// trembling counts nothing and the direction is known.
	LineB               string        `yaml:"line_b"`
	Edge                string        `yaml:"edge"` // rising or falling
	Bias                string        `yaml:"bias"` // pull resistor: up, down or off
	PulsesPerRevolution int           `yaml:"pulses_per_revolution"`
	Debounce            conf.Duration `yaml:"debounce"`
}

// Stop is one stop input. Line, Active and Bias belong to pulse inputs. A
// recording has no more than the causes, in the order of its inputs.
type Stop struct {
	Function int    `yaml:"function"`
	Input    int    `yaml:"input"`
	Cause    string `yaml:"cause"`
	Side     string `yaml:"side"`
	// Hold keeps the stop for this long after the input went off: a blinking
	// lamp is one stop.
	Hold conf.Duration `yaml:"hold"`

	Line   string `yaml:"line"`
	Active string `yaml:"active"` // high or low
	Bias   string `yaml:"bias"`
}

// Run says when the cylinder counts as running.
type Run struct {
	// CrawlRPM: below it the cylinder is not running, and what it turns is
	// filed as inched. 0 means 4.
	CrawlRPM float64 `yaml:"crawl_rpm"`
	// StopAfter without a count begins a standstill. 0 means the longer of
	// 3 s and one count at CrawlRPM.
	StopAfter conf.Duration `yaml:"stop_after"`
}

// LoadConfig reads agent.yaml over the defaults; an empty file name means no
// file. It does not validate.
func LoadConfig(file string, environ []string) (Config, conf.Origins, error) {
	c := Config{}.withDefaults()
	origins, err := conf.Load(file, environ, &c)
	if err != nil {
		return c, nil, fmt.Errorf("agent %w", err) // it says configuration itself
	}
	c = c.withDefaults()
	c.origins = c.explain(origins)
	return c, c.origins, nil
}

// withDefaults fills what is not set. Doing it twice changes nothing.
func (c Config) withDefaults() Config {
	set(&c.MQTT.Keepalive, conf.Duration(defaultKeepalive))
	set(&c.MQTT.CatchUp, defaultCatchUp)
	set(&c.Spool.MaxAge, conf.Duration(defaultMaxAge))
	set(&c.Spool.MaxSize, defaultMaxSize)
	set(&c.Spool.Ballast, defaultBallast)
	set(&c.Spool.Sync, conf.Duration(defaultSync))
	set(&c.Clock.MaxOffset, conf.Duration(defaultMaxOffset))
	machines := make([]Machine, len(c.Machines))
	for i, m := range c.Machines {
		s := &m.Source
		set(&s.Poll, conf.Duration(defaultPoll))
		set(&s.Timeout, conf.Duration(defaultTimeout))
		set(&s.Revolution.Scale, 1)
		set(&s.MaxSpeedRPM, s.Revolution.MaxSpeedRPM)
		set(&s.MaxSpeedRPM, count.DefaultMaxRPM)
		if s.ReadOnly == nil {
			yes := true
			s.ReadOnly = &yes
		}
		if s.SpeedRPM != nil {
			speed := *s.SpeedRPM
			set(&speed.Scale, 1)
			s.SpeedRPM = &speed
		}
		set(&m.Run.CrawlRPM, defaultCrawlRPM)
		if n, err := s.perRevolution(); err == nil && m.Run.CrawlRPM > 0 {
			one := time.Duration(float64(time.Minute) / (m.Run.CrawlRPM * float64(n)))
			set(&m.Run.StopAfter, conf.Duration(max(3*time.Second, one)))
		}
		machines[i] = m
	}
	c.Machines = machines
	return c
}

func set[T comparable](p *T, v T) {
	var zero T
	if *p == zero {
		*p = v
	}
}

// explain gives the origins the values that the defaults of list items have,
// and leaves out the keys of other kinds of sources.
func (c Config) explain(origins conf.Origins) conf.Origins {
	now := map[string]string{}
	for i, m := range c.Machines {
		put := func(key string, v any) { now[fmt.Sprintf("machines[%d].%s", i, key)] = fmt.Sprint(v) }
		put("source.poll", m.Source.Poll)
		put("source.timeout", m.Source.Timeout)
		put("source.revolution.scale", m.Source.Revolution.Scale)
		put("source.max_speed_rpm", m.Source.MaxSpeedRPM)
		put("source.read_only", *m.Source.ReadOnly)
		if m.Source.SpeedRPM != nil {
			put("source.speed_rpm.scale", m.Source.SpeedRPM.Scale)
		}
		put("run.crawl_rpm", m.Run.CrawlRPM)
		put("run.stop_after", m.Run.StopAfter)
	}
	foreign := map[string]bool{}
	for i, m := range c.Machines {
		for _, k := range m.Source.keys() {
			foreign[fmt.Sprintf("machines[%d].source.%s", i, k.key)] = !k.set && !slices.Contains(k.kinds, m.Source.Kind)
		}
	}
	var out conf.Origins
	for _, o := range origins {
		double := strings.HasSuffix(o.Key, ".revolution.max_speed_rpm") || strings.HasSuffix(o.Key, ".revolution.direction")
		if o.From == "default" && (foreign[o.Key] || double) {
			continue
		}
		if v, ok := now[o.Key]; ok && o.From == "default" {
			o.Value = v
		}
		if o.Key == "mqtt.url" {
			o.Value = redact(o.Value)
		}
		out = append(out, o)
	}
	return out
}
