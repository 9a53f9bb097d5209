package host

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"turnwise/planner/calendar"
	"turnwise/proto/conf"
	"turnwise/proto/wire"
	"turnwise/server/calls"
	"turnwise/server/floor"
)

// faults gathers what is wrong with a configuration.
type faults struct {
	where func(key string) string // "server.yaml:3: " or ""
	errs  []error
}

func (f *faults) add(key, format string, args ...any) {
	f.errs = append(f.errs, fmt.Errorf("%w: %s%s: %s", conf.ErrConfig, f.where(key), key, fmt.Sprintf(format, args...)))
}

func (f *faults) oneOf(key, found string, allowed ...string) {
	if !slices.Contains(allowed, found) {
		f.add(key, "found %q, expected one of %s", found, strings.Join(allowed, ", "))
	}
}

func (f *faults) within(key string, found, low, high float64) {
	if !(found >= low && found <= high) {
		f.add(key, "found %g, expected %g to %g", found, low, high)
	}
}

func (f *faults) length(key string, found conf.Duration, low, high time.Duration) {
	if found.Std() < low || found.Std() > high {
		f.add(key, "found %s, expected %s to %s", found, conf.Duration(low), conf.Duration(high))
	}
}

// check joins all faults; where tells the place of a key.
func (c *Config) check(where func(string) string) error {
	f := &faults{where: where}
	if c.Version != 1 {
		f.add("version", "found %d, expected 1; this server reads version 1 of the file", c.Version)
	}
	c.checkSite(f)
	c.checkListen(f)
	switch {
	case c.Database.URLFile != "":
		f.add("database.url_file", "PostgreSQL is not in this version; remove the key and set database.file, the records are then kept in SQLite")
	case c.Database.File == "":
		f.add("database.file", "is empty, expected a file name in a folder that is there")
	}
	f.within("database.low_space_percent", c.Database.LowSpacePercent, 0, 90)
	if b := c.Database.Ballast; b < 0 || b > 1<<30 {
		f.add("database.ballast", "found %s, expected 0B to 1GiB", b)
	}
	if b := c.Database.Cache; b < 128<<10 || b > 4<<30 {
		f.add("database.cache", "found %s, expected 128KiB to 4GiB; each of five connections keeps so much", b)
	}
	if b := c.Database.LowSpace; b < 0 {
		f.add("database.low_space", "found %s, expected 0B or more", b)
	}
	c.checkBackup(f)
	c.checkCalendar(f)
	c.checkCauses(f)
	c.checkRest(f)
	return errors.Join(f.errs...)
}

func (c *Config) checkBackup(f *faults) {
	if c.Backup.Every != 0 {
		f.length("backup.every", conf.Duration(c.Backup.Every), minute, backupLate)
	}
	if c.Retain.Records != 0 {
		f.length("retain.records", conf.Duration(c.Retain.Records), LeastRetained, 3650*day)
	}
	if c.Retain.FineCells != 0 {
		f.length("retain.fine_cells", conf.Duration(c.Retain.FineCells), LeastRetained, 3650*day)
	}
	f.within("backup.keep", float64(c.Backup.Keep), 1, 1000)
}

var localeForm = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$`)

func (c *Config) checkSite(f *faults) {
	if !wire.ValidID(c.Site.ID) {
		f.add("site.id", "found %q, expected 1 to %d lower-case letters, digits, '-' and '_', as in the site of every agent.yaml", c.Site.ID, wire.MaxIDLen)
	}
	if utf8.RuneCountInString(c.Site.Name) > 80 {
		f.add("site.name", "has %d letters, expected at most 80", utf8.RuneCountInString(c.Site.Name))
	}
	if _, err := c.zone(); err != nil {
		f.add("site.zone", "found %q, expected a name of the IANA time zone database such as \"Europe/Istanbul\" or \"UTC\"", c.Site.Zone)
	}
	if !localeForm.MatchString(c.Site.Locale) {
		f.add("site.locale", "found %q, expected a language tag such as \"tr-TR\"", c.Site.Locale)
	}
	f.oneOf("site.digits", c.Site.Digits, "latn", "arab", "arabext", "beng", "deva", "gujr", "taml")
}

// zone is that of the mill. "Local" is refused: a server that moves would
// change the mill's shifts.
func (c *Config) zone() (*time.Location, error) {
	if c.Site.Zone == "" || c.Site.Zone == "Local" {
		return nil, errors.New("not a zone")
	}
	return time.LoadLocation(c.Site.Zone)
}

func (c *Config) checkListen(f *faults) {
	ports, tlsTold := make(map[string]string), false
	for _, l := range []struct{ key, addr string }{
		{"listen.grpc", c.Listen.GRPC}, {"listen.http", c.Listen.HTTP}, {"listen.mqtt", c.Listen.MQTT}, {"listen.metrics", c.Listen.Metrics},
	} {
		if l.addr == Off {
			continue
		}
		ap, err := listenAddr(l.addr)
		if err != nil {
			f.add(l.key, "found %q, expected IP:PORT such as 127.0.0.1:7443, or off: %v", l.addr, err)
			continue
		}
		if other, taken := ports[ap.String()]; taken && ap.Port() != 0 {
			f.add(l.key, "found %s, which %s has too; give each its own port", l.addr, other)
		}
		ports[ap.String()] = l.key
		if ap.Addr().IsLoopback() {
			continue
		}
		switch l.key {
		case "listen.grpc", "listen.mqtt":
			for _, t := range []struct{ key, file string }{
				{"tls.cert_file", c.TLS.CertFile}, {"tls.key_file", c.TLS.KeyFile}, {"tls.client_ca_file", c.TLS.ClientCAFile},
			} {
				if t.file == "" {
					tlsTold = true
					f.add(l.key, "found %s, which other hosts can reach, but %s is not set; set tls.cert_file, tls.key_file and tls.client_ca_file, or listen on 127.0.0.1", l.addr, t.key)
					break
				}
			}
		case "listen.http":
			f.add(l.key, "found %s, which other hosts can reach, but this version has no sign-in; listen on 127.0.0.1 and put a proxy with sign-in and TLS in front, or open the pages through an ssh tunnel", l.addr)
		case "listen.metrics":
			f.add(l.key, "found %s, which other hosts can reach, but metrics are for this host only; listen on 127.0.0.1", l.addr)
		}
	}
	if tls := c.TLS; !tlsTold && tls != (TLSConfig{}) && (tls.CertFile == "" || tls.KeyFile == "" || tls.ClientCAFile == "") {
		f.add("tls", "only some of cert_file, key_file and client_ca_file are set, expected all three or none")
	}
}

// listenAddr reads IP:PORT. An empty IP is every address of the host.
func listenAddr(s string) (netip.AddrPort, error) {
	host, port, err := net.SplitHostPort(s)
	if err != nil {
		return netip.AddrPort{}, errors.New("host and port are not separated by a colon")
	}
	n, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return netip.AddrPort{}, fmt.Errorf("port %q is not a number from 0 to 65535", port)
	}
	switch host {
	case "localhost":
		host = "127.0.0.1"
	case "":
		host = "0.0.0.0"
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return netip.AddrPort{}, fmt.Errorf("%q is not an IP address", host)
	}
	return netip.AddrPortFrom(ip.Unmap(), uint16(n)), nil
}

// beyondLoopback tells whether other hosts can reach a valid address.
func beyondLoopback(addr string) bool {
	ap, err := listenAddr(addr)
	return err == nil && !ap.Addr().IsLoopback()
}

func (c *Config) checkCalendar(f *faults) {
	if c.Calendar.DayStarts < 0 || c.Calendar.DayStarts >= 24*60 {
		f.add("calendar.day_starts", "found %s, expected 00:00 to 23:59", c.Calendar.DayStarts)
		return
	}
	names := make(map[string]bool)
	for i, s := range c.Calendar.Shifts {
		key := fmt.Sprintf("calendar.shifts[%d]", i)
		if s.Name == "" || len(s.Name) > 40 {
			f.add(key+".name", "found %q, expected a name of 1 to 40 letters", s.Name)
		}
		if names[s.Name] {
			f.add(key+".name", "found %q, which another shift has too; give each its own name", s.Name)
		}
		names[s.Name] = true
	}
	c.closed = nil
	if c.Calendar.ClosedFile != "" {
		zone, err := c.zone()
		if err != nil {
			return // already told
		}
		if c.closed, err = readClosed(c.Calendar.ClosedFile, zone); err != nil {
			f.add("calendar.closed_file", "%v", err)
			return
		}
	}
	cal := c.ShiftCalendar()
	told := make(map[string]bool) // shifts that overlap do so on many days
	for _, fault := range parts(cal.Validate()) {
		if text := strings.TrimPrefix(fault.Error(), calendar.ErrCalendar.Error()+": "); !told[text] {
			told[text] = true
			f.add("calendar.shifts", "%s", text)
		}
	}
}

// parts are the errors that one joins.
func parts(err error) []error {
	if err == nil {
		return nil
	}
	if j, ok := err.(interface{ Unwrap() []error }); ok {
		return j.Unwrap()
	}
	return []error{err}
}

// ShiftCalendar is the working time in the planner's terms; of a configuration that was validated.
func (c *Config) ShiftCalendar() calendar.Calendar {
	zone, err := c.zone()
	if err != nil {
		zone = time.UTC
	}
	cal := calendar.Calendar{Zone: zone, DayStarts: int(c.Calendar.DayStarts), Closed: c.closed}
	for _, s := range c.Calendar.Shifts {
		days := [7]bool(s.Days)
		if s.Days == (Days{}) {
			days = [7]bool{true, true, true, true, true, true, true}
		}
		cal.Shifts = append(cal.Shifts, calendar.Shift{Name: s.Name, From: int(s.From), To: int(s.To), Days: days})
	}
	return cal
}

var elementForm = regexp.MustCompile(`^[A-Z]{3,5}$`)

func (c *Config) checkCauses(f *faults) {
	if len(c.Causes) == 0 || len(c.Causes) > 64 {
		f.add("causes", "found %d, expected 1 to 64; remove the key to get the usual ones", len(c.Causes))
	}
	seen := make(map[string]bool)
	for i, cause := range c.Causes {
		key := fmt.Sprintf("causes[%d]", i)
		if !wire.ValidID(cause.ID) {
			f.add(key+".id", "found %q, expected lower-case letters, digits, '-' and '_', as in the stops of agent.yaml", cause.ID)
		}
		if seen[cause.ID] {
			f.add(key+".id", "found %q a second time; give each cause once", cause.ID)
		}
		seen[cause.ID] = true
		if utf8.RuneCountInString(cause.Letter) != 1 || cause.Letter == "." || cause.Letter == " " {
			f.add(key+".letter", "found %q, expected one letter other than '.', which is for short stops", cause.Letter)
		}
		if !elementForm.MatchString(cause.Element) {
			f.add(key+".element", "found %q, expected a time element of ISO 22400 such as ADET", cause.Element)
		}
		f.oneOf(key+".ask", cause.Ask, "", "tender", "fixer", "engineer", "supervisor")
		if g := cause.Group; g != (GroupConfig{}) {
			f.within(key+".group.machines", float64(g.Machines), 2, wire.MaxMachines)
			f.length(key+".group.within", g.Within, time.Second, 10*time.Minute)
		}
		if w := cause.Comes; w != (ComesConfig{}) {
			checkComes(f, key+".comes", w)
		}
	}
}

func checkComes(f *faults, key string, w ComesConfig) {
	ways := 0
	for _, set := range []bool{w.EveryTurns != 0, w.EveryRun != 0, w.WithCones} {
		if set {
			ways++
		}
	}
	if ways != 1 {
		f.add(key, "has %d of every_turns, every_run and with_cones, expected one of them; it says when the stop is due", ways)
	}
	if w.EveryTurns != 0 {
		f.within(key+".every_turns", float64(w.EveryTurns), 1000, 1e10)
	}
	if w.EveryRun != 0 {
		f.length(key+".every_run", w.EveryRun, time.Hour, 5*365*24*time.Hour)
	}
	if w.Takes != 0 {
		f.length(key+".takes", w.Takes, time.Second, 30*24*time.Hour)
	}
}

// causes in the terms of the floor.
func (c *Config) causes() []floor.Cause {
	known := make(map[string]string)
	for _, d := range defaultCauses() {
		known[d.ID] = d.Word
	}
	out := make([]floor.Cause, 0, len(c.Causes))
	for _, cause := range c.Causes {
		word := cause.Word
		if word == "" {
			word = known[cause.ID]
		}
		if word == "" {
			word = cause.ID
		}
		group := floor.Group{Machines: cause.Group.Machines, Within: cause.Group.Within.Std()}
		if cause.ID == floor.Power && group == (floor.Group{}) {
			group = floor.PowerCut
		}
		out = append(out, floor.Cause{ID: cause.ID, Letter: cause.Letter, Word: word, Element: cause.Element, Comes: floor.Comes{
			EveryTurns: cause.Comes.EveryTurns, EveryRun: time.Duration(cause.Comes.EveryRun), WithCones: cause.Comes.WithCones, Takes: time.Duration(cause.Comes.Takes),
		}, Group: group})
	}
	return out
}

// calls are the limits of alarms in the terms of the desk.
func (c *Config) calls(o Options) calls.Options {
	out := calls.Options{
		NotAttended: c.Alarms.NotAttended.Std(), Silent: c.Alarms.Silent.Std(), ShelveMax: c.Alarms.ShelveMax.Std(), Aim: float64(c.Alarms.PerPersonPer10min),
		Risk: c.Plan.Risk, WarnBefore: c.Creel.WarnBefore.Std(), RatioLow: c.Proof.RatioLow, RatioHigh: c.Proof.RatioHigh, MinRolls: c.Proof.MinRolls,
		Zone: c.ShiftCalendar().Zone, Now: o.Now, Log: o.Log,
	}
	for _, cause := range c.Causes {
		if cause.ID == floor.Power && cause.Group != (GroupConfig{}) {
			out.GroupMachines, out.GroupWithin = cause.Group.Machines, cause.Group.Within.Std()
		}
	}
	return out
}

// Ways in which a job of a plan begins.
const beginByWord, beginByClock = "word", "clock"

// prices are what plans of loading go by, in the terms of the floor: there zero
// means not told.
func (c *Config) prices() floor.Prices {
	none := func(v float64) float64 {
		if v == 0 {
			return -1
		}
		return v
	}
	l := c.Plan.Loading
	p := floor.Prices{Frozen: l.Frozen.Std(), Steady: l.Steady.Std(), Setup: none(l.SetupPrice), Change: none(l.ChangePrice), Undated: l.UndatedWeight}
	if p.Frozen == 0 {
		p.Frozen = -1
	}
	return p
}

func (c *Config) checkRest(f *faults) {
	f.oneOf("units.count", c.Units.Count, "ne", "nm", "tex", "dtex", "den")
	f.oneOf("units.mass", c.Units.Mass, "kg", "lb")
	f.oneOf("units.diameter", c.Units.Diameter, "inch", "cm", "mm")
	f.oneOf("units.width", c.Units.Width, "cm", "inch")
	f.within("creel.package_mass_cv", c.Creel.PackageMassCV, 0.001, 0.5)
	f.within("creel.run_out_chance", c.Creel.RunOutChance, 0.0001, 0.5)
	f.within("creel.run_out_cost", c.Creel.RunOutCost, 0, 1e6)
	f.within("creel.visit_cost", c.Creel.VisitCost, 0, 1e6)
	f.within("creel.yarn_value", c.Creel.YarnValue, 0.001, 1e6)
	f.length("creel.warn_before", c.Creel.WarnBefore, 0, 24*time.Hour)
	f.oneOf("creel.lot_rule", c.Creel.LotRule, "block", "warn")
	f.within("plan.risk", c.Plan.Risk, 0.01, 0.5)
	f.oneOf("plan.loading.begin", c.Plan.Loading.Begin, beginByWord, beginByClock)
	f.length("plan.loading.frozen", c.Plan.Loading.Frozen, 0, 60*24*time.Hour)
	f.length("plan.loading.steady", c.Plan.Loading.Steady, time.Minute, 366*24*time.Hour)
	f.within("plan.loading.setup_price", c.Plan.Loading.SetupPrice, 0, 10_000)
	f.within("plan.loading.change_price", c.Plan.Loading.ChangePrice, 0, 1e6)
	f.within("plan.loading.undated_weight", c.Plan.Loading.UndatedWeight, 0.001, 1000)
	f.length("plan.horizon", c.Plan.Horizon, 24*time.Hour, 366*24*time.Hour)
	f.length("plan.efficiency.learn_from", c.Plan.Efficiency.LearnFrom, 24*time.Hour, 366*24*time.Hour)
	f.within("plan.efficiency.prior", c.Plan.Efficiency.Prior, 0.05, 1)
	f.within("plan.efficiency.prior_weight", float64(c.Plan.Efficiency.PriorWeight), 0, 1000)
	f.within("proof.ratio_low", c.Proof.RatioLow, 0.5, 1)
	f.within("proof.ratio_high", c.Proof.RatioHigh, 1, 2)
	f.within("proof.min_rolls", float64(c.Proof.MinRolls), 1, 1000)
	f.length("alarms.not_attended", c.Alarms.NotAttended, time.Second, 24*time.Hour)
	f.length("alarms.silent", c.Alarms.Silent, time.Second, 24*time.Hour)
	f.length("alarms.shelve_max", c.Alarms.ShelveMax, time.Minute, 8*time.Hour)
	f.within("alarms.per_person_per_10min", float64(c.Alarms.PerPersonPer10min), 0, 1000)
	f.oneOf("people.individual_statistics", c.People.IndividualStatistics, "on", "off")
	f.oneOf("push.web_push", c.Push.WebPush, "on", "off")
	if t := c.Push.TowerLampTopic; t != "" && (len(t) > 200 || strings.ContainsAny(t, "+#$ \x00") || strings.HasPrefix(t, "kt/") || strings.HasPrefix(t, "/") || strings.HasSuffix(t, "/")) {
		f.add("push.tower_lamp_topic", "found %q, expected an MQTT topic name without '+', '#', '$', blanks and a '/' at its ends, and not below kt/, where the agents speak", t)
	}
}
