package rehearsal

import (
	"hash/crc32"
	"strings"
	"time"

	"turnwise/agent/uplink/sender"
	"turnwise/proto/wire"
)

// weather is how bad the network is.
type weather struct {
	drop, double, late float64       // chances of one message
	delay              time.Duration // at the most, without being late
	lateBy             time.Duration // at the most
}

var calm = weather{delay: 20 * time.Millisecond}

// network carries messages between agents and the broker. It may lose, double,
// delay and shuffle them; what the broker itself does wrong is in it too.
type network struct {
	w     *world
	mill  *mill
	links []*link // open ones, in the order of their dialling
	air   weather

	up, down map[string]bool // agents that cannot be heard, or not be spoken to
	cutAll   bool            // no new connections
}

// link is one connection.
type link struct {
	net   *network
	p     *process
	agent string
	over  bool
	dead  bool // half-open: nothing comes through and nobody was told
	queue int  // messages on their way to the broker
}

// sendQueue is how many messages a connection takes without waiting.
const sendQueue = 16

func (n *network) dial(p *process) *link {
	s := n.mill.server
	if n.cutAll || !s.up || n.up[p.b.id] || n.down[p.b.id] {
		return nil
	}
	for _, l := range n.links { // one connection for one name
		if l.agent == p.b.id {
			n.w.note("takeover of " + l.agent)
			l.end()
			break
		}
	}
	l := &link{net: n, p: p, agent: p.b.id}
	n.links = append(n.links, l)
	n.w.note("connected " + l.agent)
	return l
}

// end breaks the connection; both sides are told.
func (l *link) end() {
	if l.over {
		return
	}
	l.over = true
	for i, x := range l.net.links {
		if x == l {
			l.net.links = append(l.net.links[:i], l.net.links[i+1:]...)
			break
		}
	}
	l.net.w.after(0, func() { l.p.lost(l) })
}

// blackhole lets the line die without a word; both ends find out by their
// keepalives.
func (l *link) blackhole() {
	if l.dead || l.over {
		return
	}
	l.dead = true
	l.net.w.fault("net: half-open connection")
	l.net.w.after(l.net.w.between(keepalive, 2*keepalive), l.end)
}

// carry decides what becomes of one message and delivers it.
func (n *network) carry(what string, lost bool, deliver func()) {
	if lost {
		n.w.fault("net: cut off " + what)
		return
	}
	times := 1
	switch {
	case n.w.chance(n.air.drop):
		n.w.fault("net: lost " + what)
		return
	case n.w.chance(n.air.double):
		n.w.fault("net: doubled " + what)
		times = 2
	}
	for range times {
		d := time.Duration(n.w.rnd.Int64N(int64(n.air.delay) + 1))
		if n.w.chance(n.air.late) {
			n.w.fault("net: late " + what) // later ones overtake it
			d += time.Duration(n.w.rnd.Int64N(int64(n.air.lateBy) + 1))
		}
		n.w.after(d, deliver)
	}
}

// up takes a message from an agent; false when it takes no more.
func (l *link) up(m sender.Message) bool {
	if l.over || l.queue >= sendQueue {
		return false
	}
	n := l.net
	n.w.note("up "+m.Topic, uint64(crc32.ChecksumIEEE(m.Payload)))
	if l.dead {
		l.queue++ // nobody reads it any more
		n.w.fault("net: into a half-open connection")
		return true
	}
	l.queue++
	n.w.after(time.Millisecond, func() {
		l.queue--
		if !l.over && l.queue == sendQueue-1 {
			l.p.room(l)
		}
	})
	s := n.mill.server
	life := s.life
	n.carry("batch", n.up[l.agent], func() {
		if s.life == life {
			if strings.HasPrefix(m.Topic, wire.Up(site, l.agent, "")) {
				n.mill.oracle.spoke[l.p.b.boot] = n.w.now
			}
			s.arrive(l.agent, m)
		}
	})
	return true
}

// speak brings a message of the server to an agent's newest connection.
func (n *network) speak(agent string, m sender.Message) {
	for _, l := range n.links {
		if l.agent != agent {
			continue
		}
		n.w.note("down "+m.Topic, uint64(crc32.ChecksumIEEE(m.Payload)))
		n.carry("answer", l.dead || n.down[agent], func() {
			if !l.over {
				l.p.receive(l, m)
			}
		})
		return
	}
}
