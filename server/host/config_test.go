package host

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"turnwise/proto/conf"
)

// Every testdata/NAME.bad.yaml gives an error with the sentence of NAME.bad.txt.
func TestBadConfigs(t *testing.T) {
	files, err := filepath.Glob("testdata/*.bad.yaml")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			want, err := os.ReadFile(strings.TrimSuffix(file, ".yaml") + ".txt")
			if err != nil {
				t.Fatal(err)
			}
			_, _, err = LoadConfig(file, nil)
			if !errors.Is(err, conf.ErrConfig) {
				t.Fatalf("error %v, want one with ErrConfig", err)
			}
			if w := strings.TrimSpace(string(want)); !strings.Contains(err.Error(), w) {
				t.Errorf("got  %v\nwant %s", err, w)
			}
			if n := strings.Count(err.Error(), "\n"); n > 0 {
				t.Errorf("%d faults for one mistake:\n%v", n+1, err)
			}
		})
	}
}

func TestDocumentedConfigLoads(t *testing.T) {
	c, origins, err := LoadConfig("testdata/documented.yaml", []string{"TURNWISE_PLAN__RISK=0.2", "TURNWISE_LISTEN__GRPC=127.0.0.1:0", "HOME=/nowhere"})
	if err != nil {
		t.Fatal(err)
	}
	if c.Plan.Risk != 0.2 || c.Listen.GRPC != "127.0.0.1:0" || c.Listen.MQTT != Off || c.Plan.Efficiency.PriorWeight != 5 || c.Alarms.ShelveMax.Std() != 8*time.Hour {
		t.Errorf("values of file and environment are not there: %+v", c)
	}
	from := make(map[string]string)
	for _, o := range origins {
		from[o.Key] = o.From
	}
	for key, want := range map[string]string{"plan.risk": "environment TURNWISE_PLAN__RISK", "site.zone": "testdata/documented.yaml:2", "causes[9].group.within": "testdata/documented.yaml:24", "causes[0].word": "default"} {
		if from[key] != want {
			t.Errorf("origin of %s is %q, want %q", key, from[key], want)
		}
	}
	cal := c.ShiftCalendar()
	if n := len(cal.Shifts); n != 3 || cal.Shifts[2].From != 22*60 || cal.Shifts[2].To != 6*60 || cal.Shifts[0].Days != [7]bool{false, true, true, true, true, true, true} {
		t.Errorf("shifts %+v", cal.Shifts)
	}
	// 29 October 2026 is a Thursday without a shift, by the file of closed days.
	if _, working := cal.At(time.Date(2026, 10, 29, 9, 0, 0, 0, cal.Zone)); working {
		t.Error("a closed day is worked")
	}
	if s, working := cal.At(time.Date(2026, 10, 28, 23, 0, 0, 0, cal.Zone)); !working || s.Name != "night" {
		t.Errorf("28 October 23:00 is %+v, %v, want the night shift", s, working)
	}
	if len(c.closed) != 2 || c.closed[1].Name != "national day, closed" || c.closed[1].Length() != 24*time.Hour || c.closed[0].Length() != 27*time.Hour {
		t.Errorf("closed %+v", c.closed)
	}
	words := make(map[string]string)
	for _, cause := range c.causes() {
		words[cause.ID] = cause.Letter + " " + cause.Word
	}
	for id, want := range map[string]string{"yarn": "y yarn", "door": "f guard", "setup": "s set-up"} {
		if words[id] != want {
			t.Errorf("cause %s is %q, want %q", id, words[id], want)
		}
	}
}

func TestDefaultsAreGoodAndOnLoopback(t *testing.T) {
	c, _, err := LoadConfig("", nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range []string{c.Listen.GRPC, c.Listen.HTTP, c.Listen.MQTT, c.Listen.Metrics} {
		if beyondLoopback(a) || a == Off {
			t.Errorf("default address %s", a)
		}
	}
	if want := (ListenConfig{"127.0.0.1:7443", "127.0.0.1:7080", "127.0.0.1:7883", "127.0.0.1:7465"}); c.Listen != want {
		t.Errorf("listen %+v, want %+v", c.Listen, want)
	}
}

func TestEnvironmentIsChecked(t *testing.T) {
	for _, tt := range []struct{ env, want string }{
		{"TURNWISE_LISTEN__GRPC=0.0.0.0:7443", "environment TURNWISE_LISTEN__GRPC: listen.grpc: found 0.0.0.0:7443, which other hosts can reach"},
		{"TURNWISE_LISTN__GRPC=x", "TURNWISE_LISTN__GRPC"},
		{"TURNWISE_PLAN__HORIZON=soon", "TURNWISE_PLAN__HORIZON"},
		{"TURNWISE_CALENDAR__DAY_STARTS=6 o'clock", "TURNWISE_CALENDAR__DAY_STARTS"},
	} {
		if _, _, err := LoadConfig("", []string{tt.env}); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want %q in it", tt.env, err, tt.want)
		}
	}
}

func TestAllFaultsAreTold(t *testing.T) {
	c := Defaults()
	c.Site.ID, c.Plan.Risk, c.Listen.HTTP = "", 2, "0.0.0.0:80"
	err := c.Validate()
	for _, want := range []string{"site.id", "plan.risk", "listen.http"} {
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %s in it", err, want)
		}
	}
}

func TestShowMasksSecrets(t *testing.T) {
	rows := Show(conf.Origins{
		{Key: "mqtt.password", Value: "swordfish", From: "f:1"},
		{Key: "mqtt.password_file", Value: "/etc/p", From: "f:2"},
		{Key: "database.url", Value: "postgres://u:swordfish@h/d", From: "f:3"},
		{Key: "plan.horizon", Value: "21d", From: "default"},
	})
	for _, r := range rows {
		if strings.Contains(r.Value, "swordfish") {
			t.Errorf("%s shows its secret: %s", r.Key, r.Value)
		}
	}
	if rows[0].Value != mask || rows[1].Value != "/etc/p" || rows[3].Note == "" {
		t.Errorf("rows %+v", rows)
	}
}

func FuzzParseClosed(f *testing.F) {
	for _, file := range []string{"testdata/closed.ics", "testdata/repeats.ics"} {
		b, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(b))
	}
	f.Fuzz(func(t *testing.T, text string) {
		spans, err := parseClosed(text, time.UTC)
		if err == nil && len(spans) > maxClosed {
			t.Errorf("%d spans", len(spans))
		}
		for i, s := range spans {
			if !s.From.Before(s.To) || i > 0 && s.From.Before(spans[i-1].From) {
				t.Errorf("span %d is %+v", i, s)
			}
		}
	})
}

func FuzzText(f *testing.F) {
	f.Add("06:00")
	f.Add("mon-sat")
	f.Add("5 shifts")
	f.Fuzz(func(t *testing.T, text string) {
		var c, c2 Clock
		if c.UnmarshalText([]byte(text)) == nil && (c2.UnmarshalText([]byte(c.String())) != nil || c2 != c) {
			t.Errorf("clock %q is %v and not read again", text, c)
		}
		var d, d2 Days
		if d.UnmarshalText([]byte(text)) == nil && (d2.UnmarshalText([]byte(d.String())) != nil || d2 != d) {
			t.Errorf("days %q are %v and not read again", text, d)
		}
		var s, s2 ShiftCount
		if s.UnmarshalText([]byte(text)) == nil && (s2.UnmarshalText([]byte(s.String())) != nil || s2 != s) {
			t.Errorf("shifts %q are %v and not read again", text, s)
		}
	})
}
