package conf

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

type sample struct {
	Version int `yaml:"version"`
	Listen  struct {
		GRPC string `yaml:"grpc"`
		HTTP string `yaml:"http"`
	} `yaml:"listen"`
	Spool struct {
		Dir    string   `yaml:"dir"`
		MaxAge Duration `yaml:"max_age"`
		Size   Bytes    `yaml:"max_size"`
	} `yaml:"spool"`
	Machines []struct {
		ID   string   `yaml:"id"`
		Poll Duration `yaml:"poll"`
	} `yaml:"machines"`
}

func write(t *testing.T, text string) string {
	t.Helper()
	f := filepath.Join(t.TempDir(), "a.yaml")
	if err := os.WriteFile(f, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return f
}

func TestLoadLayers(t *testing.T) {
	f := write(t, "version: 1\nlisten:\n  grpc: 127.0.0.1:1\nspool: { dir: \"${STATE}/x\", max_age: 30d, max_size: 512MiB }\nmachines:\n  - { id: k01, poll: 500ms }\n  - { id: k02 }\n")
	var c sample
	c.Listen.HTTP = "127.0.0.1:7080"
	o, err := Load(f, []string{"STATE=/var/s", "TURNWISE_LISTEN__GRPC=127.0.0.1:9", "TURNWISE_MACHINES__1__POLL=2s", "TURNWISE_SERVER=x", "OTHER=1"}, &c)
	if err != nil {
		t.Fatal(err)
	}
	if c.Spool.Dir != "/var/s/x" || c.Spool.MaxAge.Std() != 30*24*time.Hour || c.Spool.Size != 512<<20 || c.Listen.GRPC != "127.0.0.1:9" || c.Machines[0].Poll.Std() != 500*time.Millisecond || c.Machines[1].Poll.Std() != 2*time.Second {
		t.Fatalf("loaded %+v", c)
	}
	want := map[string]string{
		"version": f + ":1", "listen.grpc": "environment TURNWISE_LISTEN__GRPC", "listen.http": "default",
		"spool.max_age": f + ":4", "machines[0].poll": f + ":6", "machines[1].poll": "environment TURNWISE_MACHINES__1__POLL", "machines[1].id": f + ":7",
	}
	for _, e := range o {
		if w, ok := want[e.Key]; ok && w != e.From {
			t.Errorf("%s comes from %q, want %q", e.Key, e.From, w)
		}
		delete(want, e.Key)
	}
	if len(want) > 0 {
		t.Errorf("no origin for %v in %+v", want, o)
	}
}

func TestLoadNoFile(t *testing.T) {
	var c sample
	if _, err := Load("", nil, &c); err != nil {
		t.Fatal(err)
	}
}

func TestLoadBad(t *testing.T) {
	tests := []struct {
		name, text string
		env        []string
		want       []string
	}{
		{"unknown key", "version: 1\nlisten:\n  grcp: x\n", nil, []string{"a.yaml:3:3", `"grcp"`, "expected is one of grpc, http", "spelling"}},
		{"unknown key in a list", "machines:\n  - id: k01\n  - id: k02\n    pol: 1s\n", nil, []string{"a.yaml:4:5", "machines[1]", `"pol"`, "one of id, poll"}},
		{"unknown key at top", "vresion: 1\n", nil, []string{"a.yaml:1:1", `"vresion"`}},
		{"wrong kind", "version: many\n", nil, []string{"a.yaml:1:10", "version", `found "many"`, "a whole number is expected"}},
		{"a list for a mapping", "listen: [a]\n", nil, []string{"a.yaml:1", "listen", "found a list", "mapping with grpc, http"}},
		{"a mapping for a text", "listen: { grpc: { a: b } }\n", nil, []string{"a.yaml:1", "listen.grpc", "found a mapping", "a text is expected"}},
		{"a text for a list", "machines: none\n", nil, []string{"a.yaml:1", "machines", `found "none"`, "a list is expected"}},
		{"bad span in a list", "machines:\n  - id: k01\n    poll: soon\n", nil, []string{"a.yaml:3:11", "machines[0].poll", `"soon"`, "500ms"}},
		{"bad span", "spool: { max_age: soon }\n", nil, []string{"a.yaml:1", "spool.max_age", "soon", "7d"}},
		{"negative span", "spool: { max_age: -3s }\n", nil, []string{"-3s"}},
		{"bad size", "spool: { max_size: big }\n", nil, []string{"big", "512MiB"}},
		{"not YAML", "version: [1\n", nil, []string{"a.yaml"}},
		{"bytes that are no text", "version: 1\nlisten: { grpc: \xff\xfe }\n", nil, []string{"a.yaml:2: found bytes that are no UTF-8", "save it as UTF-8"}},
		{"a control character", "version: \x1b[31m1\n", nil, []string{"a.yaml:1: found the control character U+001B", "take it out"}},
		{"a control character of two bytes", "version: \u009b1\n", nil, []string{"a.yaml:1: found the control character U+009B"}},
		{"nothing but zeros", strings.Repeat("\x00", 600), nil, []string{"a.yaml:1: found the control character U+0000"}},
		{"too large", strings.Repeat("#\n", MaxFileBytes/2+1), nil, []string{"has more than 1048576 bytes", "name a configuration"}},
		{"two documents", "version: 1\n---\nversion: 2\n", nil, []string{"2 documents"}},
		{"reference not set", "spool: { dir: \"${NOPE}\" }\n", nil, []string{"a.yaml:1", "NOPE"}},
		{"environment unknown", "version: 1\n", []string{"TURNWISE_LISTEN__GRCP=1"}, []string{"TURNWISE_LISTEN__GRCP", "listen.grcp"}},
		{"environment wrong", "version: 1\n", []string{"TURNWISE_VERSION=x"}, []string{"TURNWISE_VERSION", `"x"`}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var c sample
			_, err := Load(write(t, tt.text), tt.env, &c)
			if !errors.Is(err, ErrConfig) {
				t.Fatalf("Load gave %v, want ErrConfig", err)
			}
			for _, w := range tt.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("error %q does not say %q", err, w)
				}
			}
		})
	}
	if _, err := Load(t.TempDir(), nil, new(sample)); !errors.Is(err, ErrConfig) || !strings.Contains(err.Error(), "is a folder") || !strings.Contains(err.Error(), "name the file in it") {
		t.Errorf("a folder gave %v", err)
	}
	if _, err := Load("/dev/zero", nil, new(sample)); !errors.Is(err, ErrConfig) { // a file without an end is not read to it
		t.Errorf("a device gave %v", err)
	}
	if _, err := Load(filepath.Join(t.TempDir(), "none.yaml"), nil, new(sample)); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file gave %v", err)
	}
}

// What a terminal would obey is printed with its escape in words, whatever brought it.
func TestOriginsArePrintable(t *testing.T) {
	origins, err := Load(write(t, "listen: { grpc: \"\\e[31mred\" }\n"), []string{"TURNWISE_LISTEN__HTTP=a\x9bb\nc"}, new(sample))
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{"listen.grpc": `"\x1b[31mred"`, "listen.http": `"a\x9bb\nc"`} {
		for _, o := range origins {
			if o.Key == key && o.Value != want {
				t.Errorf("%s is printed as %q, want %q", key, o.Value, want)
			}
		}
	}
}

func TestQuantitiesPrintAndParse(t *testing.T) {
	for _, s := range []string{"7d", "1h30m0s", "500ms", "0s"} {
		var d Duration
		if err := d.UnmarshalText([]byte(s)); err != nil || d.String() != s {
			t.Errorf("%q became %q, %v", s, d, err)
		}
	}
	for _, s := range []string{"512MiB", "64KiB", "3GiB", "1B", "0B", "1000B"} {
		var b Bytes
		if err := b.UnmarshalText([]byte(s)); err != nil || b.String() != s {
			t.Errorf("%q became %q, %v", s, b, err)
		}
	}
}

func FuzzDuration(f *testing.F) {
	for _, s := range []string{"7d", "1e300d", "-1d", "9223372036854775807ns", "d", "0.5d"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var d Duration
		if d.UnmarshalText([]byte(s)) == nil && d < 0 {
			t.Errorf("%q became the negative span %v", s, d)
		}
	})
}

func FuzzLoad(f *testing.F) {
	f.Add("version: 1\nmachines: [{id: a}]\n", "TURNWISE_VERSION=2")
	f.Add("a: &a [*a]\n", "")
	f.Add("{{{", "TURNWISE___=x")
	f.Fuzz(func(t *testing.T, text, env string) {
		file := filepath.Join(t.TempDir(), "f.yaml")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		var c sample
		if _, err := Load(file, []string{env}, &c); err != nil && !errors.Is(err, ErrConfig) {
			t.Errorf("error without ErrConfig: %v", err)
		}
	})
}
