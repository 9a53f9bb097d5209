package broker

import (
	"testing"

	"turnwise/proto/wire"
)

// A lamp reads its one topic, and that is all it may do.
func TestLampRights(t *testing.T) {
	const base = "turnwise/v1/mill/lamp"
	b, h := start(t, Options{Lamps: base})
	for _, name := range []string{"k03", "k04"} {
		if err := b.Publish(base+"/"+name, []byte(name), true); err != nil {
			t.Fatal(err)
		}
	}
	rights := func(id string, filters map[string]byte) {
		t.Helper()
		r := join(t, b, id, "", nil)
		n := uint16(0)
		for filter, want := range filters {
			n++
			r.send(subscribe(n, filter)...)
			r.expect(0x90, 3, byte(n>>8), byte(n), want)
		}
		r.ping()
	}
	rights("lamp-k03", map[string]byte{
		base + "/k04": 0x80, base + "/#": 0x80, base + "/+": 0x80, base: 0x80, "#": 0x80, base + "/k03/#": 0x80,
		"kt/v1/mill/srv/state": 0x80, "kt/v1/mill/lamp-k03/down/#": 0x80, "kt/v1/mill/u-01/down/#": 0x80, "$SYS/#": 0x80,
	})
	rights("u-01", map[string]byte{base + "/k03": 0x80, base + "/#": 0x80, "kt/v1/mill/u-01/down/#": 1})
	rights("lamp", map[string]byte{base + "/k03": 0x80}) // an agent with an unlucky name

	for _, topic := range []string{base + "/k03", wire.Up(site, "lamp-k03", "k01"), wire.State(site, "lamp-k03"), wire.State(site, "u-01")} {
		r := join(t, b, "lamp-k03", "", nil)
		r.send(publish(topic, 1, 1, []byte("x"))...)
		r.closed()
	}
	r := dial(t, b)
	r.send(connect("lamp-k03", wire.State(site, "lamp-k03"), state(1, false))...)
	if got := r.closed(); string(got) != string([]byte{0x20, 2, 0, 5}) {
		t.Errorf("a lamp with a will: % x", got)
	}
	if len(h.states) != 0 || len(h.batches) != 0 {
		t.Errorf("a lamp was heard: %v, %v", h.states, h.batches)
	}

	// Without lamps the name means nothing.
	off, _ := start(t, Options{})
	r = join(t, off, "lamp-k03", "", nil)
	r.send(subscribe(1, "kt/v1/mill/lamp-k03/down/#")...)
	r.expect(0x90, 3, 0, 1, 1)
}
