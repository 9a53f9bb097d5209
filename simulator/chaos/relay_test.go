package chaos

import (
	"bufio"
	"io"
	"net"
	"slices"
	"testing"
	"time"
)

// TestWeather: what bad lines do to messages. A PUBLISH here has the topic
// "t", a packet id and one byte.
func TestWeather(t *testing.T) {
	publish := func(id byte, more ...byte) []byte { return frame(0x32, append([]byte{0, 1, 't', 0, id}, more...)) }
	dup := func(b []byte) []byte { b = slices.Clone(b); b[0] |= 0x08; return b }
	ping := []byte{0xc0, 0}
	for _, tt := range []struct {
		name       string
		w          weather
		sent, want [][]byte // to the server
		back       [][]byte // to the agent
	}{
		{"fair", fair, [][]byte{publish(1), ping, publish(2)}, [][]byte{publish(1), ping, publish(2)}, nil},
		{"overtaking", shuffled, [][]byte{publish(1), publish(2), publish(3), publish(4)}, [][]byte{publish(2), publish(1), publish(4), publish(3)}, nil},
		{"the last one is not overtaken", shuffled, [][]byte{publish(1)}, [][]byte{publish(1)}, nil},
		{"repeated", repeated, [][]byte{publish(1), ping}, [][]byte{publish(1), dup(publish(1)), ping}, nil},
		{"dropped", swallowed, [][]byte{publish(1), ping, publish(2)}, [][]byte{ping}, [][]byte{{0x40, 2, 0, 1}, {0x40, 2, 0, 2}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			agent, server := line(t, tt.w, nil)
			for _, b := range tt.sent {
				if _, err := agent.Write(b); err != nil {
					t.Fatal(err)
				}
			}
			expect(t, server, tt.want)
			expect(t, agent, tt.back)
		})
	}
	t.Run("forged", func(t *testing.T) {
		agent, server := line(t, fair, func(body []byte) []byte { return append(slices.Clone(body), 'x') })
		if _, err := agent.Write(publish(1)); err != nil {
			t.Fatal(err)
		}
		expect(t, server, [][]byte{publish(1, 'x')})
	})
}

// line gives both ends of a relayed connection.
func line(t *testing.T, w weather, forge func([]byte) []byte) (agent, server net.Conn) {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	r, err := newRelay(ln.Addr().String(), forge)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.close)
	r.set(w)
	if agent, err = net.Dial("tcp", r.ln.Addr().String()); err != nil {
		t.Fatal(err)
	}
	if server, err = ln.Accept(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []net.Conn{agent, server} {
		if err := c.SetDeadline(time.Now().Add(30 * time.Second)); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
	}
	return agent, server
}

func expect(t *testing.T, from io.Reader, want [][]byte) {
	t.Helper()
	next := packets(bufio.NewReader(from))
	for i, w := range want {
		got, err := next()
		if err != nil || !slices.Equal(got, w) {
			t.Fatalf("packet %d is % x (%v), want % x", i, got, err, w)
		}
	}
}

// TestFrame: remaining lengths of one, two and three bytes [MQTT-2.2.3].
func TestFrame(t *testing.T) {
	for n, head := range map[int][]byte{0: {0x30, 0}, 127: {0x30, 0x7f}, 128: {0x30, 0x80, 1}, 16_383: {0x30, 0xff, 0x7f}, 16_384: {0x30, 0x80, 0x80, 1}} {
		if got := frame(0x30, make([]byte, n)); len(got) != len(head)+n || !slices.Equal(got[:len(head)], head) {
			t.Errorf("%d bytes begin with % x, want % x", n, got[:len(head)], head)
		}
	}
}

// TestKinds: every kind of fault has a name of its own and a meaning.
func TestKinds(t *testing.T) {
	seen := map[string]bool{}
	for _, k := range Kinds() {
		if k.Name == "" || k.Meaning == "" || seen[k.Name] {
			t.Errorf("kind %q means %q; a name of its own and a meaning expected", k.Name, k.Meaning)
		}
		seen[k.Name] = true
	}
}
