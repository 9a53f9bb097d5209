package rehearsal

import (
	"slices"
	"time"

	"turnwise/agent/source"
)

// strike injects one fault of the larger kind.
func (m *mill) strike() {
	w := m.w
	b := m.boxes[w.rnd.IntN(len(m.boxes))] // a stray may be struck too
	p := m.plcs[w.rnd.IntN(len(m.plcs))]
	switch n := w.rnd.IntN(100); {
	case n < 10:
		b.disk.crashIn, b.disk.crashPast = 1+w.rnd.IntN(6), w.chance(0.5)
	case n < 18:
		if b.p != nil {
			b.p.sendIn, b.p.sendPast = 1+w.rnd.IntN(4), w.chance(0.5)
		}
	case n < 22:
		w.fault("agent: killed")
		b.kill()
	case n < 27:
		w.fault("agent: power cut")
		b.powerCut()
	case n < 33:
		m.cut(b)
	case n < 37:
		m.halfOpen()
	case n < 41:
		w.fault("net: connection broken")
		for _, l := range m.net.links {
			if l.agent == b.id {
				l.end()
				break
			}
		}
	case n < 57:
		if m.server.up {
			m.server.crash = []string{"before COMMIT", "outcome unknown", "before the acknowledgement", "amid the acknowledgements"}[w.rnd.IntN(4)]
		}
	case n < 60:
		w.fault("server: killed")
		m.server.stop()
	case n < 63:
		m.fullServer()
	case n < 67:
		m.fullDisk(b)
	case n < 71:
		b.disk.illSync = 1 + w.rnd.IntN(3)
	case n < 76:
		b.disk.illCall = 1 + w.rnd.IntN(12)
	case n < 80:
		m.stepClock(b)
	case n < 83:
		if m.badClock {
			w.fault("server: clock steps")
			m.server.set(w.between(-time.Hour, time.Hour))
		}
	case n < 88:
		p.upset(w.chance(0.4))
	case n < 92:
		m.server.st.backup()
		for _, b := range m.boxes {
			b.toldKept = b.told
		}
		w.fault("server: backup")
	case n < 94:
		m.restore()
	default:
		m.journalTrouble(b)
	}
}

// cut parts an agent from the server, one way or both, for a while.
func (m *mill) cut(b *box) {
	w := m.w
	n := m.net
	up, down := w.chance(0.7), w.chance(0.7)
	if !up && !down {
		up = true
	}
	switch {
	case up && down:
		w.fault("net: partition")
	case up:
		w.fault("net: partition, agent not heard")
	default:
		w.fault("net: partition, server not heard")
	}
	n.up[b.id], n.down[b.id] = n.up[b.id] || up, n.down[b.id] || down
	d := w.between(10*time.Millisecond, 20*time.Second)
	if w.chance(0.1) {
		d = w.between(time.Minute, 20*time.Minute)
	}
	w.after(d, func() { n.up[b.id], n.down[b.id] = false, false })
}

func (m *mill) halfOpen() {
	if n := len(m.net.links); n > 0 {
		m.net.links[m.w.rnd.IntN(n)].blackhole()
	}
}

func (m *mill) fullServer() {
	m.server.full = true
	m.w.after(m.w.between(time.Second, 20*time.Second), func() { m.server.full = false })
}

func (m *mill) fullDisk(b *box) {
	d := b.disk
	d.full = true
	m.w.after(m.w.between(time.Second, 30*time.Second), func() { d.full = false })
}

// stepClock steps the wall clock of a box. One that is held by a time server
// does not step.
func (m *mill) stepClock(b *box) {
	if b.quality == source.NTPSynced {
		return
	}
	w := m.w
	w.fault("agent: clock steps")
	switch w.rnd.IntN(4) {
	case 0:
		b.wallOff = -time.Duration(epoch) // 1970
	case 1:
		b.wallOff = 40 * 365 * 24 * time.Hour
	case 2:
		b.wallOff = w.between(-time.Hour, time.Hour)
	default:
		b.wallOff = 0
	}
}

func (m *mill) restore() {
	if !m.server.up || !m.server.st.restore() {
		return
	}
	m.w.fault("server: restored from a backup")
	m.restored = m.w.now
	for _, b := range m.boxes {
		b.told = min(b.told, b.toldKept)
		for _, p := range b.plcs {
			m.oracle.setBack(p, b.told)
		}
	}
	m.server.stop()
}

// journalTrouble is what happens to a journal by damage, or by people.
func (m *mill) journalTrouble(b *box) {
	w := m.w
	if m.o.Copies > 0 && w.chance(m.o.Copies) {
		m.cloneBox(b)
		return
	}
	switch w.rnd.IntN(9) {
	case 6:
		if w.chance(0.3) {
			m.cloneBox(b)
		}
	case 7, 8:
		m.comeBack()
	case 0, 1:
		b.tampered = true // the last frames may pass for a torn tail
		for _, p := range b.plcs {
			m.oracle.of(p).reasons["a journal was damaged"] = true
		}
		b.kill()
		for range 1 + w.rnd.IntN(3) {
			b.disk.flip()
		}
	case 2:
		if w.chance(0.3) {
			w.fault("agent: journal destroyed")
			m.replaceJournal(b)
		}
	case 3:
		b.image = b.disk.image()
		w.fault("agent: disk copied")
	case 4:
		if b.image != nil && w.chance(0.3) {
			w.fault("agent: journal set back")
			m.setBack(b)
		}
	default:
		if w.chance(0.3) {
			m.replaceBox(b)
		}
	}
}

// setBack restores an old image of a journal: what was written since is gone.
func (m *mill) setBack(b *box) {
	b.kill()
	b.later(10*time.Second, 25*time.Second)
	b.disk.load(b.image)
	b.powerUp()
	b.image, b.tampered = nil, true
	for _, p := range b.plcs {
		m.oracle.forgotten(p, b.told)
	}
}

// replaceBox puts another box in the place of one that broke: it has an empty
// journal and a name of its own. The old one may come back for a while.
func (m *mill) replaceBox(old *box) {
	if old.gone || old.stray || len(m.boxes) > 12 {
		return
	}
	w := m.w
	w.fault("agent: box replaced")
	old.kill()
	old.gone, old.eyes = true, m.oracle.part(old.plcs)
	for _, p := range old.plcs {
		m.oracle.forgotten(p, old.told)
	}
	id := old.id + "x"
	if w.chance(0.4) {
		id = old.id // a new box under the name of the old one
	}
	b := m.register(id, old.plcs)
	b.disk.lies = m.o.Break == "lying disk"
	b.later(time.Second, 20*time.Second)
}

// comeBack lets a box that was replaced read again, with the journal that it
// had, until people take it away.
func (m *mill) comeBack() {
	var away []*box
	for _, b := range m.boxes {
		if b.gone && !b.stray && len(b.disk.names) > 0 {
			away = append(away, b)
		}
	}
	if len(away) == 0 {
		return
	}
	b := away[m.w.rnd.IntN(len(away))]
	m.w.fault("agent: a replaced box comes back")
	b.disk.powerCut()
	b.powerUp()
	m.letIn(b)
}

// cloneBox runs a second box with a copy of a journal, under the same name,
// until people take it away.
func (m *mill) cloneBox(b *box) {
	if b.gone || b.stray || b.p == nil || len(m.boxes) > 14 {
		return
	}
	m.w.fault("agent: cloned")
	b.tampered = true // whoever speaks second is stopped
	for _, p := range b.plcs {
		m.oracle.cloned(p)
	}
	c := newBox(m, b.id, b.plcs)
	c.disk.load(b.disk.image())
	c.since, c.tampered, c.eyes = b.since, true, m.oracle.part(b.plcs)
	m.boxes = append(m.boxes, c)
	m.letIn(c)
}

// letIn starts a stray for a while.
func (m *mill) letIn(b *box) {
	b.gone, b.stray = false, true
	b.start()
	m.w.after(m.w.between(5*time.Second, 5*time.Minute), func() { m.takeAway(b) })
}

// takeAway ends a stray.
func (m *mill) takeAway(b *box) {
	if b.stray {
		b.kill()
		b.gone, b.stray = true, false
		for _, p := range b.plcs {
			m.oracle.strayed(p)
		}
		m.w.note("stray box of " + b.id + " taken away")
		for _, x := range m.boxes {
			x.tampered = x.tampered || x.id == b.id // by its late word
		}
	}
}

// rival tells that another box has the name of a box: the one may be believed
// or the other.
func (m *mill) rival(b *box) bool {
	return slices.ContainsFunc(m.boxes, func(x *box) bool { return x != b && x.id == b.id && x.stray })
}
