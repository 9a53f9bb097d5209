package edge

import (
	"turnwise/proto/conf"
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
	Dir     string        `yaml:"dir"`
	MaxAge  conf.Duration `yaml:"max_age"`
	MaxSize conf.Bytes    `yaml:"max_size"`
	Sync    conf.Duration `yaml:"sync"`
}

// Clock says when the wall clock is doubted.
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
	Kind     string        `yaml:"kind"`
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
	Direction   string  `yaml:"direction"`
}

// Register is one value of the machine.
type Register struct {
	Function int     `yaml:"function"`
	Register int     `yaml:"register"`
	Type     string  `yaml:"type"`
	Scale    float64 `yaml:"scale"`
}

// Revolution is the turn counter. The keys from Line on belong to pulse
// inputs, which this version does not read.
type Revolution struct {
	Function    int     `yaml:"function"`
	Register    int     `yaml:"register"`
	Type        string  `yaml:"type"`
	Scale       float64 `yaml:"scale"`
	MaxSpeedRPM float64 `yaml:"max_speed_rpm"`
	Direction   string  `yaml:"direction"`

	Line                string        `yaml:"line"`
	Edge                string        `yaml:"edge"`
	PulsesPerRevolution int           `yaml:"pulses_per_revolution"`
	Debounce            conf.Duration `yaml:"debounce"`
}

// Stop is one stop input. Line and Active belong to pulse inputs, which this
// version does not read.
type Stop struct {
	Function int    `yaml:"function"`
	Input    int    `yaml:"input"`
	Cause    string `yaml:"cause"`
	Side     string `yaml:"side"`
	// Hold keeps the stop for this long after the input went off: a blinking
	// lamp is one stop.
	Hold conf.Duration `yaml:"hold"`

	Line   string `yaml:"line"`
	Active string `yaml:"active"`
}

// Run says when the cylinder counts as running.
type Run struct {
	// CrawlRPM: below it the cylinder is not running. 0 means 4.
	CrawlRPM float64 `yaml:"crawl_rpm"`
	// StopAfter without a count begins a standstill. 0 means the longer of
	// 3 s and one count at CrawlRPM.
	StopAfter conf.Duration `yaml:"stop_after"`
}
