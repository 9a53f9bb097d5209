package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"

	"turnwise/proto/wire"
)

func TestBatchIsAcknowledgedOnlyWhenTaken(t *testing.T) {
	b, h := start(t, Options{})
	r := join(t, b, "u-01", "", nil)
	r.send(publish(wire.Up(site, "u-01", "k01"), 1, 7, []byte("batch"))...)
	r.expect(0x40, 2, 0, 7)
	if want := []string{"kt/v1/mill/u-01/up/k01"}; !slices.Equal(h.batches, want) {
		t.Errorf("batches %q, want %q", h.batches, want)
	}
	h.note(func() { h.refuse = errors.New("full") })
	r.send(publish(wire.Up(site, "u-01", "k01"), 1, 8, []byte("batch"))...)
	r.ping() // the answer to the ping comes first: there was no PUBACK
	if got := b.Stats().Rejected; got != 1 {
		t.Errorf("%d batches rejected, want 1", got)
	}
	h.note(func() { h.refuse = nil })
	r.send(publish(wire.Up(site, "u-01", "k01"), 1, 8, []byte("batch"))...)
	r.expect(0x40, 2, 0, 8)
}

func TestBatchWaitEnds(t *testing.T) {
	b, _ := start(t, Options{
		BatchWait: 50 * time.Millisecond,
		Batch:     func(ctx context.Context, _, _, _ string, _ []byte) error { <-ctx.Done(); return ctx.Err() },
	})
	r := join(t, b, "u-01", "", nil)
	r.send(publish(wire.Up(site, "u-01", "k01"), 1, 1, nil)...)
	r.ping()
	if got := b.Stats().Rejected; got != 1 {
		t.Errorf("%d batches rejected, want 1", got)
	}
}

func TestForeignTopicsEndTheConnection(t *testing.T) {
	for _, topic := range []string{
		"kt/v1/mill/u-02/up/k01",        // another agent
		"kt/v1/mill/u-02/state",         //
		"kt/v1/other/u-01/up/k01",       // another site
		"kt/v1/mill/u-01/down/ack",      // only the server acknowledges
		"kt/v1/mill/srv/state",          // only the server tells its state
		"kt/vx/mill/u-01/up/k01",        // not a version
		"kt/v1/mill/u-01",               //
		"turnwise/v1/mill/u-01/up/k01",  //
		"kt/v1/mill/u-01x/up/k01",       //
		"/kt/v1/mill/u-01/up/k01",       //
		"kt/v1/mill/u-01\x01/up/k01",    //
		"kt/v1/mill//up/k01",            //
		"kt/v00001/mill/u-01/up/k01",    //
		strings.Repeat("a/", 1000) + "", //
	} {
		for _, qos := range []byte{0, 1} {
			t.Run(fmt.Sprintf("%.30s qos %d", topic, qos), func(t *testing.T) {
				b, h := start(t, Options{})
				r := join(t, b, "u-01", "", nil)
				r.send(publish(topic, qos, 1, []byte("x"))...)
				if got := r.closed(); slices.Contains(got, 0x40) {
					t.Errorf("read % x, want no PUBACK", got)
				}
				if len(h.batches)+len(h.states)+len(h.malformed) != 0 || b.Stats().Denied != 1 {
					t.Errorf("heard %v %v %v, denied %d; want nothing and 1", h.batches, h.states, h.malformed, b.Stats().Denied)
				}
			})
		}
	}
}

func TestWhatNobodyCanReadIsKeptAsideAndAcknowledged(t *testing.T) {
	b, h := start(t, Options{})
	r := join(t, b, "u-01", "", nil)
	for i, m := range []struct {
		topic   string
		payload []byte
	}{
		{"kt/v2/mill/u-01/up/k01", []byte("a batch of tomorrow")},
		{"kt/v1/mill/u-01/up/K01", []byte("no machine id")},
		{"kt/v1/mill/u-01/sideways", []byte("?")},
		{"kt/v1/mill/u-01/state", []byte("not protobuf")},
		{"kt/v1/mill/u-01/state", nil},
		{"kt/v1/mill/u-01/state", []byte{0x1a, 1, 7}}, // run_id of one byte
	} {
		r.send(publish(m.topic, 1, uint16(i+1), m.payload)...)
		r.expect(0x40, 2, 0, byte(i+1))
		if h.mu.Lock(); len(h.malformed) != i+1 || h.malformed[i] != m.topic {
			t.Errorf("malformed %q, want %q as number %d", h.malformed, m.topic, i+1)
		}
		h.mu.Unlock()
	}
	if len(h.batches)+len(h.states) != 0 {
		t.Errorf("batches %q, states %v; want none", h.batches, h.states)
	}
}

func TestSubscriptions(t *testing.T) {
	b, _ := start(t, Options{})
	r := join(t, b, "u-01", "", nil)
	id := uint16(0)
	for filter, want := range map[string]byte{
		"kt/v1/mill/u-01/down/#":           1,
		"kt/v1/mill/srv/state":             1,
		"kt/v1/mill/u-01/down/ack":         1,
		"#":                                0x80,
		"+/+/+/+/+/+":                      0x80,
		"+/#":                              0x80,
		"kt/#":                             0x80,
		"kt/v1/mill/#":                     0x80,
		"kt/v1/mill/+/down/#":              0x80,
		"kt/v1/mill/u-01/#":                0x80,
		"kt/v1/mill/u-01/down/+":           0x80,
		"kt/v1/mill/u-02/down/#":           0x80,
		"kt/v1/mill/u-02/state":            0x80,
		"$SYS/#":                           0x80,
		"$SYS/broker/version":              0x80,
		"$share/g/kt/v1/mill/u-01/down/#":  0x80,
		"$SHARE/g/#":                       0x80,
		"kt/will-not-sent":                 0x80,
		"kt/v1/mill/u-01/down/ack/../../#": 0x80,
	} {
		id++
		r.send(subscribe(id, filter)...)
		r.expect(0x90, 3, byte(id>>8), byte(id), want)
	}
	for _, topic := range []string{wire.Ack(site, "u-02"), "$SYS/broker/x", nowhere} {
		if err := b.Publish(topic, []byte("secret"), true); err != nil {
			t.Fatal(err)
		}
	}
	r.ping()
}

func TestConnectRefused(t *testing.T) {
	own := wire.State(site, "u-01")
	long := connect(strings.Repeat("a", 64), "", nil)
	level5 := append([]byte(nil), connect("u-01", "", nil)...)
	level5[8] = 5
	level3 := append([]byte(nil), connect("u-01", "", nil)...)
	level3[8] = 3
	tests := []struct {
		name  string
		bytes []byte
		want  []byte // answer before the end
	}{
		{"will of another agent", connect("u-01", wire.State(site, "u-02"), state(1, false)), []byte{0x20, 2, 0, 5}},
		{"will on an up topic", connect("u-01", wire.Up(site, "u-01", "k01"), state(1, false)), []byte{0x20, 2, 0, 5}},
		{"will on an ack topic", connect("u-01", wire.Ack(site, "u-01"), state(1, false)), []byte{0x20, 2, 0, 5}},
		{"will with a wildcard", connect("u-01", own+"/#", state(1, false)), []byte{0x20, 2, 0, 5}},
		{"will without a word", connect("u-01", own, nil), nil},
		{"empty client id", connect("", "", nil), []byte{0x20, 2, 0, 5}},
		{"client id of the server", connect("srv", "", nil), []byte{0x20, 2, 0, 5}},
		{"client id with a slash", connect("u-01/up", "", nil), []byte{0x20, 2, 0, 5}},
		{"client id too long", long, []byte{0x20, 2, 0, 5}},
		{"client id of the inner client", connect("inline", "", nil), []byte{0x20, 2, 0, 5}},
		{"MQTT 5", level5, []byte{0x20, 2, 0, 1}},
		{"MQTT 3.1", level3, []byte{0x20, 2, 0, 1}},
		{"not MQTT", packet(0x10, str("HTTP"), []byte{4, 2, 0, 30}, str("u-01")), nil},
		{"PUBLISH first", publish(own, 1, 1, nil), nil},
		{"reserved flags", append([]byte{0x11}, connect("u-01", "", nil)[1:]...), nil},
		{"announces 256 MB", []byte{0x10, 0xff, 0xff, 0xff, 0x7f}, nil},
		{"length without an end", []byte{0x10, 0xff, 0xff, 0xff, 0xff, 0xff}, nil},
		{"length of nothing", []byte{0x10, 0}, nil},
		{"body of zeros", packet(0x10, make([]byte, 40)), nil},
		{"HTTP request", []byte("GET / HTTP/1.1\r\nHost: x\r\n\r\n"), nil},
		{"TLS hello", []byte{0x16, 3, 1, 2, 0, 1, 0, 1, 0xfc, 3, 3}, nil},
	}
	b, h := start(t, Options{})
	for i, tt := range tests {
		r := dial(t, b)
		r.send(tt.bytes...)
		if got := r.closed(); tt.want != nil && string(got) != string(tt.want) {
			t.Errorf("%s: read % x, want % x", tt.name, got, tt.want)
		} else if slices.Equal(got, []byte{0x20, 2, 0, 0}) {
			t.Errorf("%s: let in", tt.name)
		}
		if got := b.Stats().Refused; got < int64(i) { // the newest may be counted a moment later
			t.Errorf("%s: %d refusals counted, want at least %d", tt.name, got, i)
		}
	}
	if len(h.states) != 0 {
		t.Errorf("states %v of agents that were not let in", h.states)
	}
	join(t, b, "u-01", own, state(1, false)).ping()
}

func TestAdmitDecides(t *testing.T) {
	b, _ := start(t, Options{Admit: func(id, _, _, _ string) error {
		if id == "u-09" {
			return errors.New("revoked")
		}
		return nil
	}})
	join(t, b, "u-01", "", nil).ping()
	r := dial(t, b)
	r.send(connect("u-09", "", nil)...)
	if got := r.closed(); string(got) != "\x20\x02\x00\x05" {
		t.Errorf("read % x, want CONNACK with code 5, not authorised", got)
	}
}

func TestSlowConnect(t *testing.T) {
	b, _ := start(t, Options{ConnectWait: 150 * time.Millisecond})
	whole := connect("u-01", "", nil)
	t.Run("half", func(t *testing.T) {
		r := dial(t, b)
		r.send(whole[:len(whole)/2]...)
		r.closed()
	})
	t.Run("nothing", func(t *testing.T) { dial(t, b).closed() })
	t.Run("byte by byte", func(t *testing.T) {
		r := dial(t, b)
		drip := time.NewTicker(20 * time.Millisecond)
		defer drip.Stop()
		began := time.Now()
		for i := 0; ; i = (i + 1) % (len(whole) - 1) {
			<-drip.C
			if _, err := r.Write(whole[i : i+1]); err != nil {
				break
			}
			if time.Since(began) > patience {
				t.Fatal("still open")
			}
		}
	})
	join(t, b, "u-01", "", nil).ping()
}

// A stranger who announces a big packet costs nothing but the announcement.
func TestAnnouncedLengthIsNotAllocated(t *testing.T) {
	b, _ := start(t, Options{})
	const n = 50
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	for range n {
		r := dial(t, b)
		r.send(0x10, 0xff, 0xff, 0xff, 0x7f)
		r.closed()
	}
	runtime.ReadMemStats(&after)
	each := (after.TotalAlloc - before.TotalAlloc) / n
	t.Logf("%d bytes allocated for one connection, both sides", each)
	if each > 64<<10 {
		t.Errorf("%d bytes allocated for one connection, want at most 64 KiB", each)
	}
	// Of an agent that was let in, the same.
	r := join(t, b, "u-01", "", nil)
	r.send(0x32, 0xff, 0xff, 0xff, 0x7f)
	r.closed()
}

func TestMalformedPacketsEndOneConnectionOnly(t *testing.T) {
	b, _ := start(t, Options{})
	other := join(t, b, "u-02", "", nil)
	for _, p := range [][]byte{
		{0x00, 0x00},                              // reserved type
		{0xf0, 0x00},                              // AUTH is of MQTT 5
		{0x36, 0x03, 0, 1, 'a'},                   // quality 3
		{0x32, 0x05, 0xff, 0xff, 'a', 0, 1},       // topic longer than the packet
		{0x30, 0x04, 0, 2, 0xff, 0xfe},            // topic is not UTF-8
		{0x82, 0x02, 0, 1},                        // SUBSCRIBE without filter
		{0x80, 0x06, 0, 1, 0, 1, 'a', 0},          // SUBSCRIBE with wrong flags
		{0xa2, 0x02, 0, 1},                        // UNSUBSCRIBE without filter
		{0x62, 0x02, 0, 1},                        // PUBREL
		{0x50, 0x02, 0, 1},                        // PUBREC
		{0x70, 0x02, 0, 1},                        // PUBCOMP
		connect("u-01", "", nil),                  // a second CONNECT
		{0x20, 0x02, 0, 0},                        // CONNACK of a client
		publish("kt/v1/+/u-01/up/k01", 1, 1, nil), // a wildcard is no topic
		publish("$SYS/broker/version", 1, 1, nil),
	} {
		r := join(t, b, "u-01", "", nil)
		r.send(p...)
		if bytes.Contains(p, []byte("$SYS")) { // ignored, not answered
			r.ping()
			_ = r.Close()
			continue
		}
		r.closed()
		other.ping()
	}
}

func TestSessionsOfWillAndState(t *testing.T) {
	b, h := start(t, Options{})
	topic := wire.State(site, "u-01")
	sessions := func(want ...uint64) func() bool {
		return func() bool {
			var got []uint64
			for _, st := range h.states {
				got = append(got, st.GetSessionNo())
			}
			return slices.Equal(got, want)
		}
	}
	r := join(t, b, "u-01", topic, state(5, false))
	r.send(publish(topic, 1, 1, state(5, true))...)
	r.expect(0x40, 2, 0, 1)
	r.send(publish(topic, 1, 2, state(4, true))...) // of an older session
	r.expect(0x40, 2, 0, 2)
	h.until(t, "state of session 5 only", sessions(5))
	_ = r.Close()
	h.until(t, "the will", sessions(5, 5))
	if st := h.states[1]; st.GetOnline() {
		t.Error("the will says online")
	}

	// The old connection hangs; its will comes before the new session begins.
	r = join(t, b, "u-01", topic, state(6, false))
	r2 := join(t, b, "u-01", topic, state(7, false))
	r2.send(publish(topic, 1, 1, state(7, true))...)
	r2.expect(0x40, 2, 0, 1)
	h.until(t, "will of 6, then state of 7", sessions(5, 5, 6, 7))
	r.closed()
	if got := b.Stats().Takeovers; got != 1 {
		t.Errorf("%d takeovers, want 1", got)
	}

	// A good bye is no will.
	r2.send(0xe0, 0)
	r2.closed()
	// A new journal counts from one.
	r = join(t, b, "u-01", topic, state(1, false))
	r.send(publish(topic, 1, 1, state(1, true))...)
	r.expect(0x40, 2, 0, 1)
	h.until(t, "a new count of sessions", sessions(5, 5, 6, 7, 1))
}

func TestWillThatNobodyCanRead(t *testing.T) {
	b, h := start(t, Options{})
	r := join(t, b, "u-01", wire.State(site, "u-01"), []byte("junk"))
	_ = r.Close()
	h.until(t, "the will kept aside", func() bool { return len(h.malformed) == 1 })
	if len(h.states) != 0 {
		t.Errorf("states %v, want none", h.states)
	}
}

func TestCloneAlarm(t *testing.T) {
	var log logged
	b, _ := start(t, Options{Log: log.log()})
	for range 1 + cloneTakeovers {
		join(t, b, "u-01", "", nil)
	}
	if log.has("cloned agent") {
		t.Errorf("alarm after %d takeovers, want it after more", cloneTakeovers)
	}
	r := join(t, b, "u-01", "", nil)
	if !log.has("cloned agent") {
		t.Errorf("no alarm after %d takeovers in a minute", cloneTakeovers+1)
	}
	r.ping() // the newest connection works
}

func TestConnectionsFromOneAddress(t *testing.T) {
	b, _ := start(t, Options{PerAddress: 3})
	first := join(t, b, "u-01", "", nil)
	dial(t, b)
	third := dial(t, b)
	third.send(0x10)
	join3 := dial(t, b)
	join3.closed()
	first.ping()
	_ = third.Close()
	// Its place is free once the broker has seen it go.
	deadline := time.Now().Add(patience)
	for {
		r := dial(t, b)
		_, _ = r.Write(connect("u-02", "", nil))
		_ = r.SetReadDeadline(time.Now().Add(patience))
		p := make([]byte, 4)
		if n, _ := r.Read(p); n == 4 && p[3] == 0 {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("a place that was left stays taken")
		}
	}
}

// One agent that does not read must not hold the acknowledgements of others.
func TestPublishDoesNotWaitForASlowReader(t *testing.T) {
	b, _ := start(t, Options{})
	slow := join(t, b, "u-01", "", nil)
	slow.send(packet(0x82, []byte{0, 1}, str(wire.Down(site, "u-01")), []byte{0})...) // quality 0: no bound by inflight
	slow.expect(0x90, 3, 0, 1, 0)
	quick := join(t, b, "u-02", "", nil)
	quick.send(subscribe(1, wire.Down(site, "u-02"))...)
	quick.expect(0x90, 3, 0, 1, 1)

	big := make([]byte, 200<<10)
	began := time.Now()
	for range 100 { // 20 MB into a connection that nobody reads
		if err := b.Publish(wire.Ack(site, "u-01"), big, false); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Publish(wire.Ack(site, "u-02"), []byte("ack"), false); err != nil {
		t.Fatal(err)
	}
	want := publish(wire.Ack(site, "u-02"), 1, 1, []byte("ack"))
	quick.expect(want...)
	took := time.Since(began)
	t.Logf("%s", took)
	if took > writeTimeout/2 { // a write that waits does so for all of writeTimeout
		t.Errorf("others waited %s for an agent that does not read", took)
	}
}

func TestUnconfirmedMessagesAreCounted(t *testing.T) {
	b, _ := start(t, Options{})
	r := join(t, b, "u-01", "", nil)
	r.send(subscribe(1, wire.Down(site, "u-01"))...)
	r.expect(0x90, 3, 0, 1, 1)
	for range maxInflight + 10 {
		if err := b.Publish(wire.Ack(site, "u-01"), []byte("ack"), false); err != nil {
			t.Fatal(err)
		}
	}
	if s := b.Stats(); s.InflightDropped+s.MessagesDropped < 10 {
		t.Errorf("dropped %d and %d, want 10 together", s.InflightDropped, s.MessagesDropped)
	}
}

func TestShutdownIsQuick(t *testing.T) {
	h := &heard{}
	b, err := New(Options{Listen: "127.0.0.1:0", Site: site, ConnectWait: time.Hour,
		Batch: func(ctx context.Context, _, _, _ string, _ []byte) error { <-ctx.Done(); return ctx.Err() }, BatchWait: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- b.Run(ctx) }()
	half := dial(t, b)
	half.send(connect("u-01", "", nil)[:9]...)
	dial(t, b) // says nothing
	idle := join(t, b, "u-02", wire.State(site, "u-02"), state(1, false))
	busy := join(t, b, "u-03", "", nil)
	busy.send(publish(wire.Up(site, "u-03", "k01"), 1, 1, nil)...)

	began := time.Now()
	cancel()
	select {
	case err := <-ended:
		if err != nil {
			t.Errorf("Run: %v", err)
		}
	case <-time.After(patience):
		t.Fatalf("not ended after %s", patience)
	}
	t.Logf("ended within %s", time.Since(began))
	for _, r := range []raw{half, idle, busy} {
		r.closed()
	}
	if len(h.states) != 0 {
		t.Errorf("wills %v were told at shutdown", h.states)
	}
	if err := b.Close(); err != nil {
		t.Errorf("second Close: %v", err)
	}
	if err := b.Publish("kt/v1/mill/srv/state", nil, true); err == nil {
		t.Error("Publish on an ended broker gives no error")
	}
}

func TestCloseWithoutRun(t *testing.T) {
	b, err := New(Options{Listen: "127.0.0.1:0", Site: site})
	if err != nil {
		t.Fatal(err)
	}
	dial(t, b)
	if err := b.Close(); err != nil {
		t.Error(err)
	}
}

func TestNewRefuses(t *testing.T) {
	b, err := New(Options{Listen: "127.0.0.1:0", Site: site})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, o := range []Options{
		{Listen: b.Addr(), Site: site},
		{Listen: "127.0.0.1:0", Site: "Mill One"},
		{Listen: "not an address", Site: site},
	} {
		if b, err := New(o); err == nil {
			t.Errorf("New(%+v) = %v, want an error", o, b)
		}
	}
}

// The client library of the agents, for the whole way.
func TestWithPaho(t *testing.T) {
	b, h := start(t, Options{})
	if err := b.Publish(wire.ServerState(site), []byte("online"), true); err != nil {
		t.Fatal(err)
	}
	got := make(chan string, 8)
	c := paho.NewClient(paho.NewClientOptions().AddBroker("tcp://"+b.Addr()).SetClientID("u-01").SetProtocolVersion(4).
		SetBinaryWill(wire.State(site, "u-01"), state(1, false), 1, true).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) { got <- m.Topic() + " " + string(m.Payload()) }))
	defer c.Disconnect(0)
	wait := func(what string, tok paho.Token) {
		t.Helper()
		if !tok.WaitTimeout(patience) || tok.Error() != nil {
			t.Fatalf("%s: %v", what, tok.Error())
		}
	}
	next := func(want string) {
		t.Helper()
		select {
		case m := <-got:
			if m != want {
				t.Errorf("heard %q, want %q", m, want)
			}
		case <-time.After(patience):
			t.Fatalf("nothing heard, want %q", want)
		}
	}
	wait("connect", c.Connect())
	wait("subscribe", c.SubscribeMultiple(map[string]byte{wire.Down(site, "u-01"): 1}, nil))
	wait("subscribe", c.Subscribe(wire.ServerState(site), 1, nil))
	next("kt/v1/mill/srv/state online")
	wait("publish", c.Publish(wire.Up(site, "u-01", "k01"), 1, false, []byte("batch")))
	if len(h.batches) != 1 {
		t.Fatalf("batches %q", h.batches)
	}
	if err := b.Publish(wire.Ack(site, "u-01"), []byte("1"), false); err != nil {
		t.Fatal(err)
	}
	next("kt/v1/mill/u-01/down/ack 1")
	if err := b.Publish(wire.Ack(site, "u-02"), []byte("of another"), false); err != nil {
		t.Fatal(err)
	}
	if err := b.Publish(wire.Ack(site, "u-01"), []byte("2"), false); err != nil {
		t.Fatal(err)
	}
	next("kt/v1/mill/u-01/down/ack 2")
}
