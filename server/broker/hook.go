package broker

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/packets"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
)

// claimWait is how long a CONNECT waits for an older connection of its id.
const claimWait = 5 * time.Second

// A client id that changes hands more often than this is used by two agents.
const (
	cloneTakeovers = 3
	cloneWindow    = time.Minute
)

// lampPrefix begins the client id of a tower lamp.
const lampPrefix = "lamp-"

// maxKnown bounds what is remembered by client id.
const maxKnown = 8192

// hook is where the packet library asks what is allowed.
type hook struct {
	mqtt.HookBase
	b *Broker

	mu     sync.Mutex
	newest map[string]uint64      // agent -> newest session seen
	taken  map[string][]time.Time // agent -> its takeovers within the window
}

func (h *hook) ID() string { return "turnwise" }

func (h *hook) Provides(b byte) bool {
	switch b {
	case mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPacketRead, mqtt.OnPublish, mqtt.OnWill:
		return true
	}
	return false
}

// OnConnectAuthenticate decides about a CONNECT.
func (h *hook) OnConnectAuthenticate(cl *mqtt.Client, pk packets.Packet) bool {
	c, ok := cl.Net.Conn.(*conn)
	if !ok {
		return false
	}
	if err := h.connect(c, cl, pk); err != nil {
		c.refused = true
		h.b.refused.Add(1)
		h.b.log.Warn("agent refused", "remote", c.RemoteAddr().String(), "client_id", clip(pk.Connect.ClientIdentifier), "error", err)
		return false
	}
	return true
}

func (h *hook) connect(c *conn, cl *mqtt.Client, pk packets.Packet) error {
	id := pk.Connect.ClientIdentifier
	if !wire.ValidID(id) {
		return fmt.Errorf("client id %q: an agent id is expected", clip(id))
	}
	if id == mqtt.InlineClientId {
		// The library would end the client that the server publishes with.
		return fmt.Errorf("client id %q: taken by the server, give the agent another id", id)
	}
	if h.b.o.TLS != nil && id != c.certName {
		return fmt.Errorf("client id %q: the certificate is that of %q", id, c.certName)
	}
	if h.lampTopic(id) != "" && pk.Connect.WillFlag {
		return fmt.Errorf("will of %q: a lamp says nothing", id)
	}
	if pk.Connect.WillFlag {
		// The library publishes a will without asking what is allowed.
		if own := wire.State(h.b.o.Site, id); pk.Connect.WillTopic != own {
			return fmt.Errorf("will on %q: only %q is allowed", clip(pk.Connect.WillTopic), own)
		}
	}
	if err := h.b.o.Admit(id, string(pk.Connect.Username), string(pk.Connect.Password), c.certName); err != nil {
		return fmt.Errorf("not admitted: %w", err)
	}
	ctx, cancel := context.WithTimeout(h.b.ctx, claimWait)
	defer cancel()
	took, err := h.b.l.claim(ctx, id, c)
	if took {
		h.takeover(id)
	}
	if err != nil {
		return fmt.Errorf("client id %q: %w", id, err)
	}
	// No session outlives its connection: the journal of the agent is what
	// remembers.
	cl.Properties.Clean = true
	if pk.Connect.WillFlag {
		h.begin(id, pk.Connect.WillPayload)
	}
	return nil
}

// begin notes the session that a CONNECT announces in its will. An agent with
// a new journal counts its sessions from one again; since the older
// connection has ended, with its will, the newer one is right.
func (h *hook) begin(agent string, will []byte) {
	st, err := decodeState(will)
	if err != nil {
		return // the will itself is judged when it is sent
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.remember(agent, st.GetSessionNo())
}

// remember needs h.mu.
func (h *hook) remember(agent string, session uint64) {
	if _, known := h.newest[agent]; !known && len(h.newest) >= maxKnown {
		for other := range h.newest { // any: it can only be an agent that nobody registered
			delete(h.newest, other)
			break
		}
	}
	h.newest[agent] = session
}

// takeover counts that an id changed hands.
func (h *hook) takeover(agent string) {
	h.b.takeovers.Add(1)
	now := time.Now()
	h.mu.Lock()
	if h.taken == nil || len(h.taken) >= maxKnown {
		h.taken = make(map[string][]time.Time)
	}
	recent := h.taken[agent][:0]
	for _, t := range h.taken[agent] {
		if now.Sub(t) < cloneWindow {
			recent = append(recent, t)
		}
	}
	recent = append(recent, now)
	h.taken[agent] = recent
	n := len(recent)
	if n > cloneTakeovers {
		delete(h.taken, agent) // say it again after as many more
	}
	h.mu.Unlock()
	if n > cloneTakeovers {
		h.b.o.Log.Error("cloned agent", "agent", agent, "takeovers", n, "within", cloneWindow,
			"repair", "two agents use this id: stop one, give it an id and a journal of its own")
	}
}

// OnACLCheck allows an agent to write below its own up topics and its state,
// and to read what is meant for it. It is asked for topics and for filters.
func (h *hook) OnACLCheck(cl *mqtt.Client, topic string, write bool) bool {
	ok := h.mayRead(cl.ID, topic)
	if write {
		ok = h.mayWrite(cl.ID, topic)
	}
	if ok {
		return true
	}
	h.b.denied.Add(1)
	h.b.log.Warn("topic denied", "agent", cl.ID, "topic", clip(topic), "write", write)
	if write {
		// At quality 0 the library would only ignore it.
		cl.Stop(packets.ErrNotAuthorized)
	}
	return false
}

func (h *hook) mayRead(agent, topic string) bool {
	if lamp := h.lampTopic(agent); lamp != "" {
		return topic == lamp
	}
	// Filters stand for themselves: down/# is granted as that string, and a
	// message below it as a topic.
	if topic == wire.Down(h.b.o.Site, agent) || topic == wire.ServerState(h.b.o.Site) {
		return true
	}
	below, ok := strings.CutPrefix(topic, strings.TrimSuffix(wire.Down(h.b.o.Site, agent), "#"))
	return ok && !strings.ContainsAny(below, "+#")
}

// mayWrite allows everything below the agent's own id except what only the
// server may say. A topic there that nobody can read, or of another major, is
// kept aside rather than refused: the agent's data are in it.
func (h *hook) mayWrite(agent, topic string) bool {
	if h.lampTopic(agent) != "" {
		return false
	}
	p := strings.SplitN(topic, "/", 6)
	return len(p) >= 5 && p[0] == "kt" && majorForm(p[1]) && p[2] == h.b.o.Site && p[3] == agent && p[4] != "down"
}

// lampTopic is the one topic of a tower lamp; "" for everybody else.
func (h *hook) lampTopic(id string) string {
	name, ok := strings.CutPrefix(id, lampPrefix)
	if h.b.o.Lamps == "" || !ok || name == "" {
		return ""
	}
	return h.b.o.Lamps + "/" + name
}

func majorForm(s string) bool {
	if len(s) < 2 || len(s) > 4 || s[0] != 'v' {
		return false
	}
	return strings.Trim(s[1:], "0123456789") == ""
}

// OnPacketRead ends a connection that speaks what only quality 2 or another
// protocol version needs.
func (h *hook) OnPacketRead(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	switch pk.FixedHeader.Type {
	case packets.Connect, packets.Publish, packets.Puback, packets.Subscribe, packets.Unsubscribe, packets.Pingreq, packets.Disconnect:
		return pk, nil
	}
	h.b.denied.Add(1)
	h.b.log.Warn("packet denied", "agent", cl.ID, "type", pk.FixedHeader.Type)
	return pk, packets.ErrRejectPacket // the only error that the library heeds here
}

// OnPublish takes a message in. ErrRejectPacket keeps the PUBACK back;
// CodeSuccessIgnore gives it without handing the message on.
func (h *hook) OnPublish(cl *mqtt.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline {
		return pk, nil
	}
	t, err := wire.ParseTopic(pk.TopicName)
	if err != nil {
		h.malformed(cl.ID, pk, err)
		return pk, packets.CodeSuccessIgnore
	}
	if t.Site != h.b.o.Site || t.Agent != cl.ID {
		return pk, packets.ErrRejectPacket // OnACLCheck has let it pass: it must not
	}
	switch t.Kind {
	case "up":
		ctx, cancel := context.WithTimeout(h.b.ctx, h.b.o.BatchWait)
		defer cancel()
		if err := h.b.o.Batch(ctx, t.Agent, t.Machine, pk.TopicName, pk.Payload); err != nil {
			h.b.rejected.Add(1)
			h.b.log.Warn("batch not taken", "agent", t.Agent, "machine", t.Machine, "error", err)
			return pk, packets.ErrRejectPacket
		}
		return pk, packets.CodeSuccessIgnore
	case "state":
		st, err := decodeState(pk.Payload)
		if err != nil {
			h.malformed(cl.ID, pk, err)
			return pk, packets.CodeSuccessIgnore
		}
		if !h.current(t.Agent, st.GetSessionNo()) {
			return pk, packets.CodeSuccessIgnore
		}
		h.b.o.State(t.Agent, st)
		return pk, nil
	}
	return pk, packets.ErrRejectPacket
}

func (h *hook) malformed(agent string, pk packets.Packet, err error) {
	h.b.malformed.Add(1)
	h.b.log.Warn("message nobody can read", "agent", agent, "topic", clip(pk.TopicName), "bytes", len(pk.Payload), "error", err)
	h.b.o.Malformed(agent, pk.TopicName, pk.Payload, err)
}

// current tells whether a state or will is of the newest session seen, and
// notes the session.
func (h *hook) current(agent string, session uint64) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if session < h.newest[agent] {
		return false
	}
	h.remember(agent, session)
	return true
}

// nowhere is a topic that nobody can read; a will sent there is lost.
const nowhere = "kt/will-not-sent"

// OnWill checks a will once more before the library sends it.
func (h *hook) OnWill(cl *mqtt.Client, will mqtt.Will) (mqtt.Will, error) {
	void := mqtt.Will{TopicName: nowhere, Flag: will.Flag}
	if h.b.ctx.Err() != nil || will.TopicName != wire.State(h.b.o.Site, cl.ID) {
		return void, nil // the broker ends, not the agent
	}
	st, err := decodeState(will.Payload)
	if err != nil {
		h.malformed(cl.ID, packets.Packet{TopicName: will.TopicName, Payload: bytes.Clone(will.Payload)}, err)
		return void, nil
	}
	if !h.current(cl.ID, st.GetSessionNo()) {
		return void, nil
	}
	h.b.o.State(cl.ID, st)
	return will, nil
}

// decodeState reads and checks the payload of a state topic. Errors are
// [wire.ErrMalformed].
func decodeState(payload []byte) (*wirepb.AgentState, error) {
	fail := func(format string, args ...any) (*wirepb.AgentState, error) {
		return nil, fmt.Errorf("broker: agent state: "+format+": %w", append(args, wire.ErrMalformed)...)
	}
	if len(payload) == 0 || len(payload) > maxStateBytes {
		return fail("%d bytes, 1 to %d expected", len(payload), maxStateBytes)
	}
	st := new(wirepb.AgentState)
	if err := proto.Unmarshal(payload, st); err != nil {
		return fail("not an AgentState message: %v", err)
	}
	if n := len(st.GetMachines()); n > wire.MaxMachines {
		return fail("%d machines, at most %d expected", n, wire.MaxMachines)
	}
	if n := len(st.GetResumes()); n > wire.MaxMachines {
		return fail("%d questions for counters, at most %d expected", n, wire.MaxMachines)
	}
	if n := len(st.GetAbsences()); n > wire.MaxMachines {
		return fail("%d questions for absences, at most %d expected", n, wire.MaxMachines)
	}
	if !idLen(st.GetRunId()) || !idLen(st.GetBootId()) {
		return fail("run_id and boot_id have %d and %d bytes, %d expected", len(st.GetRunId()), len(st.GetBootId()), wire.IDLen)
	}
	for _, m := range st.GetMachines() {
		if !wire.ValidID(m.GetMachine()) {
			return fail("%q is not a machine id", clip(m.GetMachine()))
		}
		if !idLen(m.GetStreamId()) || !idLen(m.GetLifeId()) || !idLen(m.GetStopId()) {
			return fail("an id of machine %s has not %d bytes", m.GetMachine(), wire.IDLen)
		}
		if v := m.GetSpeedRpm(); math.IsNaN(v) || v < 0 || v > 1e4 {
			return fail("speed of machine %s is %g per minute", m.GetMachine(), v)
		}
	}
	return st, nil
}

// idLen accepts an id that is not told.
func idLen(b []byte) bool { return len(b) == 0 || len(b) == wire.IDLen }

// clip makes a stranger's text fit for a log line.
func clip(s string) string {
	if len(s) > 128 {
		return s[:128] + "..."
	}
	return s
}
