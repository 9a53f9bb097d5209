package host

import (
	"context"
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	paho "github.com/eclipse/paho.mqtt.golang"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"turnwise/proto/rightstest"
	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/proto/wire"
	"turnwise/server/auth"
	"turnwise/server/auth/authtest"
	"turnwise/server/store/sqlite"
)

// patience is how long a test waits for what must happen at once.
const patience = 10 * time.Second

// config listens on free ports and keeps its records in a folder of the test.
func config(t testing.TB) Config {
	c := Defaults()
	c.Listen = ListenConfig{GRPC: "127.0.0.1:0", HTTP: "127.0.0.1:0", MQTT: "127.0.0.1:0", Metrics: "127.0.0.1:0"}
	c.Database.File = filepath.Join(t.TempDir(), "data", "turnwise.db")
	if err := os.Mkdir(filepath.Dir(c.Database.File), 0o700); err != nil {
		t.Fatal(err)
	}
	return c
}

// serve runs a host until the test ends or end is called.
func serve(t testing.TB, c Config, o Options) (h *Host, end func() time.Duration) {
	t.Helper()
	h, err := New(t.Context(), c, o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- h.Run(ctx) }()
	done := false
	end = func() time.Duration {
		if done {
			return 0
		}
		done = true
		began := time.Now()
		cancel()
		select {
		case err := <-ended:
			if err != nil {
				t.Errorf("Run: %v", err)
			}
		case <-time.After(patience):
			t.Errorf("not ended within %s", patience)
		}
		return time.Since(began)
	}
	t.Cleanup(func() { end() })
	return h, end
}

func call(t testing.TB, h *Host) *grpc.ClientConn {
	t.Helper()
	cc, err := grpc.NewClient(h.Addrs().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	return cc
}

// agent is a client of the broker that hears acknowledgements.
type agent struct {
	paho.Client
	t     testing.TB
	acks  chan *wirepb.Ack
	state chan *wirepb.ServerState
}

func join(t testing.TB, h *Host, id string) agent {
	t.Helper()
	a := agent{t: t, acks: make(chan *wirepb.Ack, 16), state: make(chan *wirepb.ServerState, 16)}
	will, err := proto.Marshal(&wirepb.AgentState{SessionNo: 1})
	if err != nil {
		t.Fatal(err)
	}
	a.Client = paho.NewClient(paho.NewClientOptions().AddBroker("tcp://"+h.Addrs().MQTT).SetClientID(id).SetProtocolVersion(4).
		SetAutoReconnect(false).SetBinaryWill(wire.State("demo", id), will, 1, true).
		SetDefaultPublishHandler(func(_ paho.Client, m paho.Message) {
			if m.Topic() == wire.ServerState("demo") {
				st := new(wirepb.ServerState)
				if err := proto.Unmarshal(m.Payload(), st); err != nil {
					t.Error(err)
				}
				a.state <- st
				return
			}
			acks := new(wirepb.Acks)
			if err := proto.Unmarshal(m.Payload(), acks); err != nil {
				t.Error(err)
			}
			for _, ack := range acks.GetAcks() {
				a.acks <- ack
			}
		}))
	t.Cleanup(func() { a.Disconnect(0) })
	a.wait(a.Connect())
	a.wait(a.SubscribeMultiple(map[string]byte{wire.Down("demo", id): 1, wire.ServerState("demo"): 1}, nil))
	return a
}

func (a agent) wait(tok paho.Token) {
	a.t.Helper()
	if !tok.WaitTimeout(patience) || tok.Error() != nil {
		a.t.Fatalf("MQTT: %v", tok.Error())
	}
}

func (a agent) ack() *wirepb.Ack {
	a.t.Helper()
	select {
	case ack := <-a.acks:
		return ack
	case <-time.After(patience):
		a.t.Fatal("no acknowledgement")
		return nil
	}
}

// batch seals a first sight and a span of turns that ended at an instant.
func batch(t testing.TB, turns uint64, at time.Time) []byte {
	t.Helper()
	id := func(b byte) []byte { return append(make([]byte, wire.IDLen-1), b) }
	const boottime = int64(time.Hour)
	b := &wirepb.Batch{
		StreamId: id(1), FirstSeq: 1, HeadSeq: 2, RunId: id(2),
		Boots: []*wirepb.Boot{{Index: 1, BootId: id(3)}},
		Clock: &wirepb.AgentClock{Boot: 1, BoottimeNs: boottime, WallNs: at.UnixNano(), Quality: wirepb.ClockQuality_CLOCK_QUALITY_NTP_SYNCED},
	}
	for i, r := range []*wirepb.Record{
		{BoottimeNs: boottime - int64(time.Minute), Kind: &wirepb.Record_LifeLink{LifeLink: &wirepb.LifeLink{NewLife: id(4), Kind: wirepb.LinkKind_LINK_KIND_FIRST_SIGHT, CountsPerRevolution: 1}}},
		{BoottimeNs: boottime, Kind: &wirepb.Record_CountSpan{CountSpan: &wirepb.CountSpan{
			LifeId: id(4), To: turns, RawTo: turns, RawBits: 32, FromBoottimeNs: boottime - int64(time.Minute), CountsPerRevolution: 1, Quality: wirepb.CountQuality_COUNT_QUALITY_SURE,
		}}},
	} {
		r.Seq, r.Boot, r.WallNs = uint64(i+1), 1, at.UnixNano()-(boottime-r.BoottimeNs)
		sealed, err := wire.Seal(b.StreamId, r)
		if err != nil {
			t.Fatal(err)
		}
		b.Records = append(b.Records, sealed)
	}
	b.Crc32C = wire.BatchCRC(b)
	payload, err := proto.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	return payload
}

func get(t testing.TB, url, host string) (int, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if host != "" {
		r.Host = host
	}
	resp, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	return resp.StatusCode, string(body)
}

// The whole way of a batch: registered by a person, sent by an agent, in the
// store, acknowledged, seen through the API, on a page and in the metrics, and
// still there after a restart.
func TestBatchFromAgentToPeople(t *testing.T) {
	c := config(t)
	h, end := serve(t, c, Options{Version: "1.2.3"})
	cc := call(t, h)
	a := join(t, h, "u-01")
	select {
	case st := <-a.state:
		if !st.GetOnline() || string(st.GetDbIncarnation()) != string(h.incarnation[:]) || st.GetVersion() != "1.2.3" || len(st.GetAcceptedMajors()) != 1 {
			t.Errorf("server state %v", st)
		}
	case <-time.After(patience):
		t.Fatal("no server state")
	}

	payload := batch(t, 20, time.Now())
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload))
	if ack := a.ack(); ack.GetVerdict() != wirepb.Verdict_VERDICT_UNREGISTERED || ack.GetAckedSeq() != 0 {
		t.Errorf("answer to an agent that nobody registered: %v", ack)
	}
	if _, err := pb.NewAgentServiceClient(cc).RegisterAgent(t.Context(), &pb.RegisterAgentRequest{Agent: "u-01", Machines: []string{"k01"}}); err != nil {
		t.Fatal(err)
	}
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload))
	ack := a.ack()
	if ack.GetVerdict() != wirepb.Verdict_VERDICT_OK || ack.GetAckedSeq() != 2 || ack.GetMachine() != "k01" || string(ack.GetDbIncarnation()) != string(h.incarnation[:]) {
		t.Fatalf("answer to a good batch: %v", ack)
	}
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload)) // again: no effect
	if ack := a.ack(); ack.GetAckedSeq() != 2 {
		t.Errorf("answer to a repeated batch: %v", ack)
	}
	m, err := pb.NewMachineServiceClient(cc).GetMachine(t.Context(), &pb.GetMachineRequest{Name: "machines/k01"})
	if err != nil || !strings.Contains(m.String(), "20") {
		t.Errorf("machine %v, %v; want its 20 turns", m, err)
	}
	if v, err := h.floor.Machine("k01"); err != nil || v.Revolutions != 20 {
		t.Errorf("floor: %d turns, %v; want 20", v.Revolutions, err)
	}
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, []byte("not a batch")))

	if code, body := get(t, "http://"+h.Addrs().HTTP+"/", ""); code != http.StatusOK || !strings.Contains(body, "K01") {
		t.Errorf("page: %d, K01 in it: %v", code, strings.Contains(body, "K01"))
	}
	if code, _ := get(t, "http://"+h.Addrs().HTTP+"/", "evil.example"); code != http.StatusMisdirectedRequest {
		t.Errorf("page under a foreign name: %d, want 421", code)
	}
	_, text := get(t, "http://"+h.Addrs().Metrics+"/metrics", "")
	for _, want := range []string{"turnwise_records_committed_total 2", `turnwise_batches_total{verdict="unregistered"} 1`, `turnwise_machines{state="stopped"} 0`, `turnwise_broker_dropped_total{reason="inflight"} 0`, "turnwise_broker_connections 1", "turnwise_ingest_waiting 0", `turnwise_build_info{version="1.2.3"} 1`} {
		if !strings.Contains(text, want) {
			t.Errorf("metrics without %q", want)
		}
	}

	if took := end(); took > 3*time.Second {
		t.Errorf("ended after %s, want 3 s at most", took)
	} else {
		t.Logf("ended within %s", took)
	}
	select {
	case st := <-a.state:
		if st.GetOnline() {
			t.Error("the server that ends says that it is online")
		}
	case <-time.After(patience):
		t.Error("the server ended without a word")
	}

	h, _ = serve(t, c, Options{})
	a = join(t, h, "u-01")
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, payload))
	if again := a.ack(); again.GetAckedSeq() != 2 || string(again.GetDbIncarnation()) != string(ack.GetDbIncarnation()) {
		t.Errorf("after a restart: %v, want acked_seq 2 and the same incarnation", again)
	}
}

func TestHealthAndReflection(t *testing.T) {
	h, _ := serve(t, config(t), Options{})
	cc := call(t, h)
	for _, service := range []string{"", "turnwise.v1.MachineService", "turnwise.v1.AgentService", "turnwise.v1.OrderService", "turnwise.v1.CreelService"} {
		r, err := healthpb.NewHealthClient(cc).Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
		if err != nil || r.GetStatus() != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("health of %q: %v, %v", service, r, err)
		}
	}
	s, err := reflectionpb.NewServerReflectionClient(cc).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	r, err := s.Recv()
	if err != nil || !strings.Contains(r.String(), "turnwise.v1.MachineService") {
		t.Errorf("reflection: %v, %v", r, err)
	}
}

// Nobody who holds a stream, half a request or half a CONNECT holds the end.
func TestEndIsQuick(t *testing.T) {
	h, end := serve(t, config(t), Options{})
	w, err := pb.NewMachineServiceClient(call(t, h)).WatchMachines(t.Context(), &pb.WatchMachinesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Recv(); err != nil {
		t.Fatal(err)
	}
	for _, open := range []struct{ addr, bytes string }{
		{h.Addrs().MQTT, "\x10\x20\x00"}, {h.Addrs().MQTT, ""}, {h.Addrs().HTTP, "GET / HT"}, {h.Addrs().GRPC, "PRI * HT"}, {h.Addrs().Metrics, ""},
	} {
		conn, err := net.Dial("tcp", open.addr)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		if _, err := conn.Write([]byte(open.bytes)); err != nil {
			t.Fatal(err)
		}
	}
	if took := end(); took > 5*time.Second {
		t.Errorf("ended after %s, want 5 s at most", took)
	} else {
		t.Logf("ended within %s", took)
	}
	if _, err := w.Recv(); status.Code(err) != codes.Unavailable && !errors.Is(err, io.EOF) {
		t.Errorf("stream ended with %v", err)
	}
}

func TestBigMessageIsRefused(t *testing.T) {
	h, _ := serve(t, config(t), Options{})
	cc := call(t, h)
	_, err := pb.NewMachineServiceClient(cc).GetMachine(t.Context(), &pb.GetMachineRequest{Name: strings.Repeat("k", 5<<20)})
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("5 MB: %v, want ResourceExhausted", err)
	}
	if _, err := pb.NewMachineServiceClient(cc).ListMachines(t.Context(), &pb.ListMachinesRequest{}); err != nil {
		t.Errorf("after it: %v", err)
	}
}

func TestNewRefuses(t *testing.T) {
	busy, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	taken := busy.Addr().String()
	folder := t.TempDir()
	for _, tt := range []struct {
		name   string
		change func(*Config)
		now    func() time.Time
		want   []string
	}{
		{"grpc port in use", func(c *Config) { c.Listen.GRPC = taken }, nil, []string{"listen.grpc " + taken, "another program", "TURNWISE_LISTEN__GRPC"}},
		{"http port in use", func(c *Config) { c.Listen.HTTP = taken }, nil, []string{"listen.http " + taken, "another program"}},
		{"mqtt port in use", func(c *Config) { c.Listen.MQTT = taken }, nil, []string{"listen.mqtt " + taken, "another program"}},
		{"metrics port in use", func(c *Config) { c.Listen.Metrics = taken }, nil, []string{"listen.metrics " + taken, "another program"}},
		{"address of another host", func(c *Config) {
			c.Listen.MQTT, c.Listen.GRPC = "127.0.0.1:0", "192.0.2.1:7443"
			c.TLS = TLSConfig{"none.crt", "none.key", "none.crt"}
		}, nil, []string{"tls.cert_file", "no such file"}},
		{"a cache of nothing", func(c *Config) { c.Database.Cache = 0 }, nil, []string{"database.cache", "128KiB to 4GiB"}},
		{"database is a folder", func(c *Config) { c.Database.File = folder }, nil, []string{"database.file", folder}},
		{"clock before 2026", func(*Config) {}, func() time.Time { return time.Date(2025, 12, 31, 23, 0, 0, 0, time.UTC) }, []string{ErrClock.Error(), "set the clock"}},
		{"a wrong configuration", func(c *Config) { c.Site.Zone = "Mars/Olympus" }, nil, []string{"site.zone"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			c := config(t)
			tt.change(&c)
			h, err := New(t.Context(), c, Options{Now: tt.now})
			if err == nil {
				t.Fatalf("New gives %v, want an error", h.Addrs())
			}
			for _, want := range tt.want {
				if !strings.Contains(err.Error(), want) {
					t.Errorf("error %q, want %q in it", err, want)
				}
			}
			if strings.Contains(tt.name, "port in use") { // everything was let go: with another port it starts
				c.Listen = config(t).Listen
				serve(t, c, Options{})
			}
		})
	}
}

func TestClockBehindTheRecords(t *testing.T) {
	c := config(t)
	h, end := serve(t, c, Options{})
	if _, err := pb.NewAgentServiceClient(call(t, h)).RegisterAgent(t.Context(), &pb.RegisterAgentRequest{Agent: "u-01", Machines: []string{"k01"}}); err != nil {
		t.Fatal(err)
	}
	a := join(t, h, "u-01")
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, batch(t, 5, time.Now())))
	if ack := a.ack(); ack.GetAckedSeq() != 2 {
		t.Fatalf("ack %v", ack)
	}
	end()
	behind := func(d time.Duration) func() time.Time { return func() time.Time { return time.Now().Add(-d) } }
	if _, err := New(t.Context(), c, Options{Now: behind(10 * time.Minute)}); !errors.Is(err, ErrClock) || !strings.Contains(err.Error(), "k01") {
		t.Errorf("ten minutes behind: %v, want ErrClock with the machine", err)
	}
	serve(t, c, Options{Now: behind(4 * time.Minute)})
}

func TestFolderOfRecordsIsAFile(t *testing.T) {
	c := config(t)
	dir := filepath.Dir(c.Database.File)
	if err := errors.Join(os.Remove(dir), os.WriteFile(dir, []byte("a file where the folder should be"), 0o600)); err != nil {
		t.Fatal(err)
	}
	if h, err := New(t.Context(), c, Options{}); err == nil || !strings.Contains(err.Error(), "database.file") {
		t.Fatalf("New gives %v, %v; want an error about database.file", h, err)
	}
	if err := errors.Join(os.Remove(dir), os.Mkdir(dir, 0o700)); err != nil {
		t.Fatal(err)
	}
	serve(t, c, Options{})
}

// TestRecordsThatAreGone: a server of whose mill there is a backup does not begin
// with empty records, and does with those that were brought back.
func TestRecordsThatAreGone(t *testing.T) {
	c := config(t)
	c.Backup.Dir = t.TempDir()
	_, end := serve(t, c, Options{})
	if _, err := TakeBackup(t.Context(), c, "", nil, nil); err != nil {
		t.Fatal(err)
	}
	end()
	backup := c.newestBackup()
	if err := os.RemoveAll(filepath.Dir(c.Database.File)); err != nil {
		t.Fatal(err)
	}
	for range 2 { // without the folder, and with an empty one, as where a disk is not mounted
		if h, err := New(t.Context(), c, Options{}); err == nil || !strings.Contains(err.Error(), "server restore --from "+backup) {
			t.Fatalf("New gives %v, %v; want an error about %s", h, err, backup)
		}
		if err := os.MkdirAll(filepath.Dir(c.Database.File), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := sqlite.Restore(t.Context(), c.Database.File, backup, sqlite.RestoreOptions{}); err != nil {
		t.Fatal(err)
	}
	serve(t, c, Options{})
}

func TestReadOnlyRecords(t *testing.T) {
	if rightstest.Without(t) {
		return
	}
	c := config(t)
	_, end := serve(t, c, Options{})
	end()
	if err := os.Chmod(c.Database.File, 0o400); err != nil {
		t.Fatal(err)
	}
	if h, err := New(t.Context(), c, Options{}); err == nil || !strings.Contains(err.Error(), "database.file") {
		t.Errorf("New gives %v, %v; want an error about database.file", h, err)
	}
	if err := os.Chmod(c.Database.File, 0o600); err != nil {
		t.Fatal(err)
	}
	serve(t, c, Options{})
}

// waiting is a log that tells when a message is in it.
type waiting struct {
	slog.Handler
	msg  string
	seen chan struct{}
}

func (w waiting) Handle(_ context.Context, r slog.Record) error {
	if r.Message == w.msg {
		select {
		case w.seen <- struct{}{}:
		default:
		}
	}
	return nil
}
func (w waiting) Enabled(context.Context, slog.Level) bool { return true }
func (w waiting) WithAttrs([]slog.Attr) slog.Handler       { return w }
func (w waiting) WithGroup(string) slog.Handler            { return w }

// What could not be written is not acknowledged, whatever the broker said.
func TestNoAcknowledgementWithoutStore(t *testing.T) {
	w := waiting{msg: "commit of batches", seen: make(chan struct{}, 1)}
	h, _ := serve(t, config(t), Options{Log: slog.New(w)})
	if _, err := pb.NewAgentServiceClient(call(t, h)).RegisterAgent(t.Context(), &pb.RegisterAgentRequest{Agent: "u-01", Machines: []string{"k01"}}); err != nil {
		t.Fatal(err)
	}
	a := join(t, h, "u-01")
	if err := h.st.Close(); err != nil {
		t.Fatal(err)
	}
	a.wait(a.Publish(wire.Up("demo", "u-01", "k01"), 1, false, batch(t, 5, time.Now())))
	select {
	case <-w.seen:
	case <-time.After(patience):
		t.Fatal("the fault is not in the log")
	}
	select {
	case ack := <-a.acks:
		t.Errorf("acknowledged: %v", ack)
	default:
	}
}

// Beyond loopback an agent's certificate opens the broker under its own name,
// and not the books.
func TestIdentityBeyondLoopback(t *testing.T) {
	ca := authtest.New(t)
	c := config(t)
	c.Listen = ListenConfig{GRPC: "0.0.0.0:0", HTTP: Off, MQTT: "0.0.0.0:0", Metrics: Off}
	c.TLS.CertFile, c.TLS.KeyFile, c.TLS.ClientCAFile = ca.Files(t.TempDir())
	h, _ := serve(t, c, Options{})
	local := func(addr string) string { return "127.0.0.1" + addr[strings.LastIndexByte(addr, ':'):] }

	list := func(certs ...tls.Certificate) codes.Code {
		conf := &tls.Config{RootCAs: ca.Pool(), Certificates: certs}
		cc, err := grpc.NewClient(local(h.Addrs().GRPC), grpc.WithTransportCredentials(credentials.NewTLS(conf)))
		if err != nil {
			t.Fatal(err)
		}
		defer cc.Close()
		_, err = pb.NewMachineServiceClient(cc).ListMachines(t.Context(), &pb.ListMachinesRequest{})
		return status.Code(err)
	}
	agentCert := ca.Client("u-01", nil, nil)
	if code := list(ca.Client("planning", []string{auth.OperatorUnit}, nil)); code != codes.OK {
		t.Errorf("operator: %v", code)
	}
	if code := list(agentCert); code != codes.PermissionDenied {
		t.Errorf("certificate of an agent: %v, want PermissionDenied", code)
	}
	if code := list(); code != codes.Unavailable {
		t.Errorf("no certificate: %v, want Unavailable", code)
	}

	dial := func(id string) error {
		o := paho.NewClientOptions().AddBroker("ssl://" + local(h.Addrs().MQTT)).SetClientID(id).SetProtocolVersion(4).SetConnectRetry(false).
			SetTLSConfig(&tls.Config{RootCAs: ca.Pool(), Certificates: []tls.Certificate{agentCert}})
		cl := paho.NewClient(o)
		defer cl.Disconnect(0)
		tok := cl.Connect()
		if !tok.WaitTimeout(patience) {
			t.Fatal("MQTT connect hangs")
		}
		return tok.Error()
	}
	if err := dial("u-01"); err != nil {
		t.Errorf("own id: %v", err)
	}
	if err := dial("u-02"); err == nil {
		t.Error("the id of another agent is let in")
	}
}

func TestOff(t *testing.T) {
	c := config(t)
	c.Listen = ListenConfig{GRPC: "127.0.0.1:0", HTTP: Off, MQTT: Off, Metrics: Off}
	h, _ := serve(t, c, Options{Log: slog.New(slog.DiscardHandler)})
	if a := h.Addrs(); a.GRPC == "" || a.HTTP+a.MQTT+a.Metrics != "" {
		t.Errorf("addresses %+v, want gRPC only", a)
	}
	h.ack("u-01", new(wirepb.Acks)) // nobody to tell
}
