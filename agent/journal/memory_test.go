package journal

import (
	"os"
	"path/filepath"
	"testing"
)

// A state that was never there and one that was lost are told apart, and the
// loss is known until a new state is written.
func TestMemoryTellsNewFromLost(t *testing.T) {
	dir := t.TempDir()
	j, _ := mustOpen(t, dir, Options{Log: silent})
	c := mustChannel(t, j, "a")
	if c.Memory() != MemoryNew {
		t.Errorf("a new stream: %v, want MemoryNew", c.Memory())
	}
	mustAppend(t, c, "one", span(1, 1))
	if c.Memory() != MemoryKept {
		t.Errorf("after the first state: %v, want MemoryKept", c.Memory())
	}
	mustSync(t, j)
	from := j.durable
	mustAppend(t, c, "two", span(1, 2))
	mustSync(t, j)
	to := j.durable
	j.Close()
	j, _ = mustOpen(t, dir, Options{Log: silent})
	if c = mustChannel(t, j, "a"); c.Memory() != MemoryKept || string(c.State()) != "two" {
		t.Errorf("opened again: %v with %q, want MemoryKept with two", c.Memory(), c.State())
	}
	j.Close()

	path := filepath.Join(dir, "000000000001"+segmentSuffix)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clear(b[from+20 : to-20])
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 { // also when nothing was written in between
		j, _ = mustOpen(t, dir, Options{Log: silent})
		if c = mustChannel(t, j, "a"); c.Memory() != MemoryLost || string(c.State()) != "one" {
			t.Errorf("after the damage: %v with %q, want MemoryLost with one", c.Memory(), c.State())
		}
		j.Close()
	}
	j, _ = mustOpen(t, dir, Options{Log: silent})
	mustAppend(t, mustChannel(t, j, "a"), "three", span(1, 3))
	j.Close()
	j, _ = mustOpen(t, dir, Options{Log: silent})
	if c = mustChannel(t, j, "a"); c.Memory() != MemoryKept {
		t.Errorf("after a new state: %v, want MemoryKept", c.Memory())
	}
}

// When the beginning of a stream itself is lost, a stream that begins under
// its name knows that it may not be the first.
func TestMemoryOfALostStream(t *testing.T) {
	dir := t.TempDir()
	j, _ := mustOpen(t, dir, Options{Log: silent})
	from := j.segments[0].size
	c := mustChannel(t, j, "a")
	to := j.segments[0].size
	mustAppend(t, c, "one", span(1, 1))
	j.Close()
	path := filepath.Join(dir, "000000000001"+segmentSuffix)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	clear(b[from:to])
	if err := os.WriteFile(path, b, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		j, _ = mustOpen(t, dir, Options{Log: silent})
		if c := mustChannel(t, j, "a"); c.Memory() != MemoryLost || c.State() != nil {
			t.Errorf("%v with %q, want MemoryLost without a state", c.Memory(), c.State())
		}
		j.Close()
	}
}
