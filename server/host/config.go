package host

import (
	"path/filepath"
	"strings"

	"turnwise/planner/calendar"
	"turnwise/proto/conf"
	"turnwise/server/floor"
)

// Config is server.yaml. [Defaults] is what holds without a file.
type Config struct {
	Version  int            `yaml:"version"` // of the form of this file: 1
	Site     SiteConfig     `yaml:"site"`
	Listen   ListenConfig   `yaml:"listen"`
	TLS      TLSConfig      `yaml:"tls"`
	Database DatabaseConfig `yaml:"database"`
	Backup   BackupConfig   `yaml:"backup"`
	Retain   RetainConfig   `yaml:"retain"`
	Calendar CalendarConfig `yaml:"calendar"`
	Units    UnitsConfig    `yaml:"units"`
	Causes   []CauseConfig  `yaml:"causes"`
	Creel    CreelConfig    `yaml:"creel"`
	Plan     PlanConfig     `yaml:"plan"`
	Proof    ProofConfig    `yaml:"proof"`
	Alarms   AlarmsConfig   `yaml:"alarms"`
	People   PeopleConfig   `yaml:"people"`
	Push     PushConfig     `yaml:"push"`

	closed []calendar.Span // of Calendar.ClosedFile, read when validated
}

// SiteConfig names the mill.
type SiteConfig struct {
	ID     string `yaml:"id"`     // in every topic; the agents must have the same
	Name   string `yaml:"name"`   // for people; empty = the id
	Zone   string `yaml:"zone"`   // IANA, "Europe/Istanbul"
	Locale string `yaml:"locale"` // BCP 47
	Digits string `yaml:"digits"` // CLDR numbering system
}

// ListenConfig is where the server answers: "IP:PORT", port 0 = a free one,
// "off" = not at all. Beyond loopback grpc and mqtt speak TLS 1.3 and ask for
// client certificates; on loopback they are plain.
type ListenConfig struct {
	GRPC    string `yaml:"grpc"`
	HTTP    string `yaml:"http"`
	MQTT    string `yaml:"mqtt"`
	Metrics string `yaml:"metrics"`
}

// Off turns an address of [ListenConfig] off.
const Off = "off"

// TLSConfig names PEM files. The key must be readable by its owner only.
type TLSConfig struct {
	CertFile     string `yaml:"cert_file"`
	KeyFile      string `yaml:"key_file"`
	ClientCAFile string `yaml:"client_ca_file"`
}

// DatabaseConfig says where the records are.
type DatabaseConfig struct {
	File    string `yaml:"file"`     // SQLite; only the usual one's folder is made
	URLFile string `yaml:"url_file"` // PostgreSQL; not in this version
	// LowSpace and LowSpacePercent of the disk: with less room people are told.
	LowSpace        conf.Bytes `yaml:"low_space"`
	LowSpacePercent float64    `yaml:"low_space_percent"`
	// Ballast is a file beside the database that is given up when the disk is
	// full; at most a sixteenth of the disk.
	Ballast conf.Bytes `yaml:"ballast"`
	// Cache is the memory for pages of the file, of each of five connections.
	Cache conf.Bytes `yaml:"cache"`
}

// BackupConfig is about verified copies of the records. Another disk is a
// better place than the default, which only guards against damage of the file.
type BackupConfig struct {
	Dir   string `yaml:"dir"`   // empty = "backups" beside the database
	Every Every  `yaml:"every"` // "1d", or "off"
	Keep  int    `yaml:"keep"`  // so many of the newest
}

// RetainConfig says how long is kept what no sum needs any more. Totals, stops,
// unknown times and hours stay for ever.
type RetainConfig struct {
	// Records as the agents told them; "400d", or "off" = for ever. The default is
	// a year and a month to spare: no record of before is booked any more.
	Records Every `yaml:"records"`
	// FineCells are the sums of five minutes; of before only hours are kept. Off as
	// long as nobody says otherwise: they are small.
	FineCells Every `yaml:"fine_cells"`
}

// CalendarConfig is the working time of the mill. Without shifts it works
// round the clock.
type CalendarConfig struct {
	DayStarts  Clock         `yaml:"day_starts"`
	Shifts     []ShiftConfig `yaml:"shifts"`
	ClosedFile string        `yaml:"closed_file"` // iCalendar
}

// ShiftConfig is a shift in local wall time; to at or before from is on the
// next day.
type ShiftConfig struct {
	Name string `yaml:"name"`
	From Clock  `yaml:"from"`
	To   Clock  `yaml:"to"`
	Days Days   `yaml:"days"` // empty = every day
}

// UnitsConfig is for display only.
type UnitsConfig struct {
	Count    string `yaml:"count"`
	Mass     string `yaml:"mass"`
	Diameter string `yaml:"diameter"`
	Width    string `yaml:"width"`
}

// CauseConfig is one cause of stops.
type CauseConfig struct {
	ID      string      `yaml:"id"`
	Letter  string      `yaml:"letter"`
	Word    string      `yaml:"word"`    // empty = that of the known cause, else the id
	Element string      `yaml:"element"` // time element of ISO 22400
	Ask     string      `yaml:"ask"`     // who can tell it: tender, fixer, engineer, supervisor
	Group   GroupConfig `yaml:"group"`   // so many stops of it are one event and one alarm; that of "power" is for alarms of stops of every cause
	Comes   ComesConfig `yaml:"comes"`
}

// ComesConfig says when stops of a cause are due by the mill's plan: cleaning,
// needles changed, cones put on. Dates then count them ahead.
type ComesConfig struct {
	EveryTurns int64         `yaml:"every_turns"`
	EveryRun   conf.Duration `yaml:"every_run"`  // of running
	WithCones  bool          `yaml:"with_cones"` // whenever a feed group's cones run out
	Takes      conf.Duration `yaml:"takes"`      // as a rule; for a cause that no machine has had yet
}

// GroupConfig says how many machines stopping within how long are one event.
type GroupConfig struct {
	Machines int           `yaml:"machines"`
	Within   conf.Duration `yaml:"within"`
}

// CreelConfig is about cones. RunOutCost, VisitCost and YarnValue are in one currency,
// whichever; with a RunOutCost above 0 the chance follows from the costs.
type CreelConfig struct {
	RunOutChance  float64       `yaml:"run_out_chance"` // borne for each cone
	RunOutCost    float64       `yaml:"run_out_cost"`   // of one: stop, tie, the mark in the cloth
	VisitCost     float64       `yaml:"visit_cost"`     // of one walk to a creel
	YarnValue     float64       `yaml:"yarn_value"`     // of a kilogram left on a cone
	PackageMassCV float64       `yaml:"package_mass_cv"`
	WarnBefore    conf.Duration `yaml:"warn_before"`
	LotRule       string        `yaml:"lot_rule"`
}

// rule is what the floor knows of it.
func (c CreelConfig) rule() floor.CreelRule {
	return floor.CreelRule{
		Chance: c.RunOutChance, RunOutCost: c.RunOutCost, VisitCost: c.VisitCost, KgValue: c.YarnValue,
		ConeCV: c.PackageMassCV, WarnLots: c.LotRule == "warn",
	}
}

// PlanConfig is about dates.
type PlanConfig struct {
	Risk            float64          `yaml:"risk"` // accepted chance to be late
	KeepRunningJobs bool             `yaml:"keep_running_jobs"`
	Horizon         conf.Duration    `yaml:"horizon"`
	Efficiency      EfficiencyConfig `yaml:"efficiency"`
	Loading         LoadingConfig    `yaml:"loading"`
}

// LoadingConfig is what plans of loading go by. Prices are in minutes that an
// order of weight 1 is late.
type LoadingConfig struct {
	Begin         string        `yaml:"begin"`          // word = a job of a plan begins when somebody says so; clock = when it was expected to
	Frozen        conf.Duration `yaml:"frozen"`         // nothing that starts within is moved; 0s = only what runs stays
	Steady        conf.Duration `yaml:"steady"`         // moves of what starts within cost change_price, later ones a quarter
	SetupPrice    float64       `yaml:"setup_price"`    // of a minute of set-up
	ChangePrice   float64       `yaml:"change_price"`   // of one moved order
	UndatedWeight float64       `yaml:"undated_weight"` // of orders without a promised date; an order's own weight stands in the book
}

// EfficiencyConfig is what is believed before a machine has a history.
type EfficiencyConfig struct {
	LearnFrom   conf.Duration `yaml:"learn_from"`
	Prior       float64       `yaml:"prior"`
	PriorWeight ShiftCount    `yaml:"prior_weight"`
}

// ProofConfig bounds counted / weighed kilos.
type ProofConfig struct {
	RatioLow  float64 `yaml:"ratio_low"`
	RatioHigh float64 `yaml:"ratio_high"`
	MinRolls  int     `yaml:"min_rolls"`
}

// AlarmsConfig says when people are called. How many machines that stop within
// how long are one event is said with the cause "power"; plan.risk says when a
// promise is not sure enough.
type AlarmsConfig struct {
	NotAttended       conf.Duration `yaml:"not_attended"`         // a stop may wait so long
	Silent            conf.Duration `yaml:"silent"`               // a machine may be unheard so long
	ShelveMax         conf.Duration `yaml:"shelve_max"`           // at most 8 h
	PerPersonPer10min int           `yaml:"per_person_per_10min"` // aim of the report of calls
}

// PeopleConfig is about figures on persons.
type PeopleConfig struct {
	IndividualStatistics string `yaml:"individual_statistics"` // on | off
}

// PushConfig is about calls to phones and lamps.
type PushConfig struct {
	WebPush        string `yaml:"web_push"`         // on | off
	TowerLampTopic string `yaml:"tower_lamp_topic"` // the lamps' topics are below it; empty = none, see server/calls/LAMP.md
}

// usualFile is made with its folder, so that a mill can be tried at once. Of
// another name the folder must be there: it may be mistyped.
const usualFile = "turnwise-data/turnwise.db"

func (d DatabaseConfig) usual() bool { return filepath.Clean(d.File) == usualFile }

// Defaults is the configuration of a server without a file: a mill without
// name and shifts, on loopback, its records below the working folder.
func Defaults() Config {
	return Config{
		Version:  1,
		Site:     SiteConfig{ID: "demo", Zone: "UTC", Locale: "en-GB", Digits: "latn"},
		Listen:   ListenConfig{GRPC: "127.0.0.1:7443", HTTP: "127.0.0.1:7080", MQTT: "127.0.0.1:7883", Metrics: "127.0.0.1:7465"},
		Database: DatabaseConfig{File: usualFile, LowSpace: 500e6, LowSpacePercent: 15, Ballast: 16 << 20, Cache: 32 << 20},
		Backup:   BackupConfig{Every: Every(day), Keep: 7},
		Retain:   RetainConfig{Records: Every(400 * day)},
		Calendar: CalendarConfig{DayStarts: 6 * 60},
		Units:    UnitsConfig{Count: "ne", Mass: "kg", Diameter: "inch", Width: "cm"},
		Causes:   defaultCauses(),
		Creel:    CreelConfig{RunOutChance: 0.01, VisitCost: 2, YarnValue: 3, PackageMassCV: 0.02, WarnBefore: conf.Duration(15 * minute), LotRule: "block"},
		Plan: PlanConfig{Risk: 0.10, KeepRunningJobs: true, Horizon: conf.Duration(21 * day),
			Efficiency: EfficiencyConfig{LearnFrom: conf.Duration(28 * day), Prior: 0.85, PriorWeight: 5},
			Loading: LoadingConfig{Begin: beginByWord, Frozen: conf.Duration(floor.UsualPrices.Frozen), Steady: conf.Duration(floor.UsualPrices.Steady),
				SetupPrice: floor.UsualPrices.Setup, ChangePrice: floor.UsualPrices.Change, UndatedWeight: floor.UsualPrices.Undated}},
		Proof:  ProofConfig{RatioLow: 0.98, RatioHigh: 1.02, MinRolls: 5},
		Alarms: AlarmsConfig{NotAttended: conf.Duration(10 * minute), Silent: conf.Duration(2 * minute), ShelveMax: conf.Duration(8 * hour), PerPersonPer10min: 1},
		People: PeopleConfig{IndividualStatistics: "off"},
		Push:   PushConfig{WebPush: "off"},
	}
}

func defaultCauses() []CauseConfig {
	return []CauseConfig{
		{ID: "yarn", Letter: "y", Word: "yarn", Element: "ADET", Ask: "tender"},
		{ID: "needle", Letter: "n", Word: "needle", Element: "ADET", Ask: "fixer"},
		{ID: "fabric", Letter: "f", Word: "press-off", Element: "ADET", Ask: "tender"},
		{ID: "doff", Letter: "d", Word: "doff", Element: "ADET"},
		{ID: "door", Letter: "f", Word: "guard", Element: "ADET"},
		{ID: "unspecified", Letter: "?", Word: "not given", Element: "ADET", Ask: "tender"},
		{ID: "setup", Letter: "s", Word: "set-up", Element: "AUST"},
		{ID: "care", Letter: "m", Word: "maintenance", Element: "APMT"},
		{ID: "noorder", Letter: "o", Word: "no order", Element: "ADOT"},
		{ID: "power", Letter: "z", Word: "power", Element: "ADET", Group: GroupConfig{Machines: 5, Within: conf.Duration(3 * second)}},
	}
}

// notUsedYet are keys that are read and checked, and that nothing in this
// version acts upon. A key that ends with '.' stands for all below it.
var notUsedYet = []string{
	"site.locale", "site.digits", "units.", "plan.keep_running_jobs", "plan.horizon", "plan.efficiency.",
	"proof.", "people.", "push.web_push",
}

// LoadConfig reads file (empty = none) over the defaults, then the
// environment, and checks all of it. The origins tell where each value comes
// from; they are there with an error too, as far as it got.
func LoadConfig(file string, environ []string) (Config, conf.Origins, error) {
	c := Defaults()
	origins, err := conf.Load(file, environ, &c)
	if err != nil {
		return c, origins, err
	}
	return c, origins, c.check(func(key string) string {
		for _, o := range origins { // the value, or the first one below the key
			below, ok := strings.CutPrefix(o.Key, key)
			if ok && (below == "" || below[0] == '.' || below[0] == '[') && o.From != "default" {
				return o.From + ": "
			}
		}
		return ""
	})
}

// Validate joins all faults of a configuration and reads the closed days.
func (c *Config) Validate() error { return c.check(func(string) string { return "" }) }
