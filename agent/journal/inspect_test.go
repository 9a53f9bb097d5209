package journal

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// lookedAt inspects and lists what was visited.
func lookedAt(t *testing.T, dir string) (Inspection, []Entry) {
	t.Helper()
	var all []Entry
	in, err := Inspect(dir, func(e Entry) error { all = append(all, e); return nil })
	if err != nil {
		t.Fatal(err)
	}
	return in, all
}

func TestInspectWhileAnAgentWrites(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	j, _ := mustOpen(t, dir, Options{SegmentBytes: 4 << 10})
	a, b := mustChannel(t, j, "m01"), mustChannel(t, j, "m02")
	boot := j.Boot([16]byte{7})
	for n := range uint64(60) {
		mustAppend(t, a, strings.Repeat("s", 100), span(boot, n+1))
		if n%3 == 0 {
			mustAppend(t, b, "x", span(boot, n+1))
		}
		mustSync(t, j)
	}
	if err := a.Ack(40, 10, [16]byte{9}); err != nil {
		t.Fatal(err)
	}
	mustSync(t, j)
	before := files(t, dir)
	in, all := lookedAt(t, dir)
	if !slices.Equal(files(t, dir), before) {
		t.Error("the inspection changed the folder")
	}
	if len(in.Damage) != 0 || in.Tail != nil || in.Segments < 3 || in.Boots != 1 || in.Process == "" || len(all) != 80 {
		t.Errorf("inspection %+v with %d records, want 80 sound ones in several segments", in, len(all))
	}
	m01 := in.Streams[0]
	if m01.Machine != "m01" || m01.Stream != a.StreamID() || m01.First != 1 || m01.Head != 60 || m01.Held != 60 || m01.Acked != 40 || m01.Horizon != 10 {
		t.Errorf("m01 is %+v", m01)
	}
	if d := m01.Newest.Sub(m01.Oldest).Seconds(); d != 590 {
		t.Errorf("records of %v s, want 590", d)
	}
	next := map[string]uint64{}
	for _, e := range all {
		next[e.Machine]++
		if !e.Sound || e.Record.GetSeq() != next[e.Machine] || e.Boot != [16]byte{7} {
			t.Errorf("entry %+v, want number %d of boot 7", e, next[e.Machine])
		}
	}
	mustAppend(t, a, "on", span(boot, 61)) // the agent goes on
	mustSync(t, j)
	stop := errors.New("enough")
	if _, err := Inspect(dir, func(Entry) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("a visit that ends it: %v", err)
	}
}

func files(t *testing.T, dir string) (out []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e.Name()+string(b))
	}
	return out
}

// TestInspectFindsDamage: any byte that is turned over is either damage, or a
// tail that was never synced, and never a panic or a sound record.
func TestInspectFindsDamage(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	j, _ := mustOpen(t, dir, Options{})
	c := mustChannel(t, j, "m01")
	boot := j.Boot([16]byte{7})
	for n := range uint64(5) {
		mustAppend(t, c, "state", span(boot, n+1))
		mustSync(t, j)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, (&segment{number: 1}).name())
	good, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for at := range good {
		bad := slices.Clone(good)
		bad[at] ^= 0x10
		if err := os.WriteFile(name, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		in, all := lookedAt(t, dir)
		if len(in.Damage) == 0 && in.Tail == nil {
			t.Fatalf("byte %d turned over, and nobody sees it", at)
		}
		for _, e := range all {
			if !e.Sound || e.Record.GetCountSpan().GetTo() != e.Record.GetSeq()*5+5 {
				t.Fatalf("byte %d turned over gave the record %v", at, e.Record)
			}
		}
	}
	for n := range good {
		if err := os.WriteFile(name, good[:n], 0o600); err != nil {
			t.Fatal(err)
		}
		if in, all := lookedAt(t, dir); len(all) > 5 || n < headerBytes && len(in.Damage) == 0 {
			t.Fatalf("cut at %d: %d records, %+v", n, len(all), in)
		}
	}
}

func TestInspectMissingSegment(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	j, _ := mustOpen(t, dir, Options{SegmentBytes: 4 << 10})
	c := mustChannel(t, j, "m01")
	for n := range uint64(80) {
		mustAppend(t, c, strings.Repeat("s", 100), span(j.Boot([16]byte{7}), n+1))
		mustSync(t, j)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, (&segment{number: 2}).name())); err != nil {
		t.Fatal(err)
	}
	in, _ := lookedAt(t, dir)
	var text string
	for _, d := range in.Damage {
		text += d.String() + "\n"
	}
	if !strings.Contains(text, "segments 2 to 2 are missing") || !strings.Contains(text, "of machine m01 are missing") {
		t.Errorf("told %q", text)
	}
}

func TestInspectWithoutAJournal(t *testing.T) {
	dir := t.TempDir()
	if _, err := Inspect(dir, nil); !errors.Is(err, ErrNone) {
		t.Errorf("an empty folder: %v", err)
	}
	if _, err := Inspect(filepath.Join(dir, "none"), nil); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("no folder: %v", err)
	}
}

// TestInspectTellsWhatNoAgentOpens: what Open refuses, the inspection says, and
// nothing else.
func TestInspectTellsWhatNoAgentOpens(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	WriteFormatSample(t, dir)
	names, err := filepath.Glob(filepath.Join(dir, "*"+segmentSuffix))
	if err != nil || len(names) < 2 {
		t.Fatal(names, err)
	}
	for i, name := range names {
		good, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for at := 0; at < len(good); at += 7 {
			bad := slices.Clone(good)
			bad[at] ^= 0x15
			if err := os.WriteFile(name, bad, 0o600); err != nil {
				t.Fatal(err)
			}
			in, err := Inspect(dir, nil)
			if err != nil {
				t.Fatal(err)
			}
			work := filepath.Join(t.TempDir(), "w")
			if err := os.CopyFS(work, os.DirFS(dir)); err != nil {
				t.Fatal(err)
			}
			j, _, err := Open(work, Options{Log: silent, Ballast: -1, disk: (&flakyDisk{}).on})
			if (err != nil) != (in.Refused != "") {
				t.Errorf("segment %d, byte %d: opening gives %v, the inspection says %q", i, at, err, in.Refused)
			}
			if err == nil {
				j.Close()
			}
			_ = os.RemoveAll(work)
		}
		if err := os.WriteFile(name, good, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// TestInspectTailRows: one row may be torn, a bit can be put right, and where
// none of a machine checks people are told.
func TestInspectTailRows(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "j")
	WriteFormatSample(t, dir)
	name := filepath.Join(dir, tailFile)
	good, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		spoil  func(b []byte)
		damage string
		rows   uint64
	}{
		{"as written", func([]byte) {}, "", 1},
		{"the older one of two torn", func(b []byte) { clear(b[100:300]) }, "", 1},
		{"a bit", func(b []byte) { b[tailRow+40] ^= 4 }, mendableReason, 1},
		{"both", func(b []byte) { clear(b[100:300]); clear(b[tailRow+100 : tailRow+300]) }, "no row of machine m01 checks", 0},
		{"never written", func(b []byte) { clear(b[:2*tailRow]) }, "", 0},
	} {
		bad := slices.Clone(good)
		c.spoil(bad)
		if err := os.WriteFile(name, bad, 0o600); err != nil {
			t.Fatal(err)
		}
		in, _ := lookedAt(t, dir)
		var text string
		for _, d := range in.Damage {
			text += d.String()
		}
		if (c.damage == "") != (text == "") || !strings.Contains(text, c.damage) || in.Streams[0].InRow != c.rows || in.Streams[1].InRow != 1 {
			t.Errorf("%s: told %q, rows of %d and %d records; want %q and %d", c.name, text, in.Streams[0].InRow, in.Streams[1].InRow, c.damage, c.rows)
		}
	}
}
