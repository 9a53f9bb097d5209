package chaos

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/wall"
	"turnwise/simulator/machine"
	"turnwise/simulator/plc"
)

const site = "chaos"

// spared is the agent that runs from the first to the last cycle.
const spared = "u-03"

// unsettled is how much of what a process has read may be lost with it: a
// reading, its write, and a host that is busy.
const unsettled = 500 * time.Millisecond

// station is one agent with its machines and its line to the server.
type station struct {
	id        string
	machines  []*cylinder
	line      *relay
	spool     string
	conf      string
	proc      *process
	gen       int
	disk      *disk         // small; nil = none
	spared    bool          // its agent is never ended nor loses anything
	safe      time.Duration // up to here all that it told was in the books once
	metrics   string        // address; "" = none
	clock     string        // file with the step of its wall clock
	blind     bool          // it may keep nothing of what it sees
	roomAgain time.Time     // when its disk was full last
	placing   time.Duration // since then its new streams wait for their place in time; 0 = none does
}

// mill is the small mill with its programs.
type mill struct {
	bin, dir string
	rng      *rand.Rand
	told     func(string)

	stations []*station
	all      []*cylinder
	gens     map[int]*generation

	server        *process
	serverConf    string
	serverMetrics string
	serverDisk    *disk
	serverClock   string
	grpcAddr      string
	conn          *grpc.ClientConn
	backup        string // newest one that the agents can make good; "" = none
	backups       int
	roomAgain     time.Time // when the server's disk was full last
	logRead       int64
	copied        map[string]bool // agents whose journal was copied
	broken        bool            // a journal was damaged or lost with what it held
	froze         int             // streams
	clockWrong    time.Duration   // by how much a clock may be wrong now
	clockSlack    time.Duration   // by how much new streams may have been put in a wrong place
	alone         bool            // the cycle has one fault

	noDisk  error // why small disks could not be had
	noPower error // why their power cannot be cut

	late   lateness
	used   map[string]map[*process]*series // by program
	minute int                             // of the run that was told last
	notes  []string                        // what went wrong beside the figures
	done   chan struct{}
	wg     sync.WaitGroup
	stop   context.CancelFunc // of the machines' controllers
}

type millOptions struct {
	bin, dir string
	seed     uint64
	told     func(string)
	forge    func() func([]byte) []byte // one for each line; nil but for the negative controls
	disks    bool                       // every agent gets a small disk, if it can be had
}

// openMill starts machines and programs in a folder.
func openMill(ctx context.Context, o millOptions) (_ *mill, err error) {
	m := &mill{bin: o.bin, dir: o.dir, rng: rand.New(rand.NewPCG(o.seed, 1)), told: o.told,
		gens: map[int]*generation{}, copied: map[string]bool{}, used: map[string]map[*process]*series{}, done: make(chan struct{}), stop: func() {}}
	defer func() {
		if err != nil {
			err = errors.Join(err, m.close())
		}
	}()
	mqtt, err := m.openServer(o)
	if err != nil {
		return m, err
	}
	running, stop := context.WithCancel(context.WithoutCancel(ctx))
	m.stop = stop
	plates := []struct {
		agent, id string
		register  machine.Register
		shown     int64
	}{ // two counters stand just before their end
		{"u-01", "k01", machine.U16, 65_536 - 25},
		{"u-01", "k02", machine.U32BE, 1<<32 - 60},
		{"u-02", "k03", machine.U16, 40_000},
		{spared, "k04", machine.U32BE, 1 << 24},
	}
	for _, p := range plates {
		s := m.station(p.agent)
		if s == nil {
			if s, err = m.open(p.agent, mqtt, o); err != nil {
				return m, err
			}
		}
		c := newCylinder(p.id, p.register, p.shown)
		s.machines, m.all = append(s.machines, c), append(m.all, c)
	}
	for _, s := range m.stations {
		if err := m.equip(running, s); err != nil {
			return m, err
		}
	}
	for _, c := range m.all {
		rng := rand.New(rand.NewPCG(o.seed, uint64(c.id[len(c.id)-1])))
		m.wg.Go(func() { c.drive(m.done, rng) })
	}
	m.wg.Go(func() { m.late.watch(m.done) })
	return m, m.begin(ctx)
}

// open makes the place of an agent.
func (m *mill) open(id, mqtt string, o millOptions) (s *station, err error) {
	s = &station{id: id, spool: filepath.Join(m.dir, id), conf: filepath.Join(m.dir, id+".yaml"), spared: id == spared,
		clock: filepath.Join(m.dir, id+".clock")}
	m.stations = append(m.stations, s)
	if err := os.MkdirAll(s.spool, 0o700); err != nil {
		return nil, err
	}
	if s.spared {
		if s.metrics, err = freePort(); err != nil {
			return nil, err
		}
	} else if s.disk, err = m.smallDisk(s.spool, diskBytes, o); err != nil {
		return nil, err
	}
	var forge func([]byte) []byte
	if o.forge != nil {
		forge = o.forge()
	}
	s.line, err = newRelay(mqtt, forge)
	return s, err
}

// smallDisk makes a folder a small disk where that can be had.
func (m *mill) smallDisk(dir string, bytes int64, o millOptions) (*disk, error) {
	if !o.disks || m.noDisk != nil {
		return nil, nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, err
	}
	d, noPower, err := newDisk(dir, dir+".ext4", bytes)
	m.noPower, m.noDisk = noPower, err
	return d, nil
}

// openServer chooses ports, writes server.yaml and gives the broker's address.
func (m *mill) openServer(o millOptions) (mqtt string, err error) {
	if mqtt, err = freePort(); err != nil {
		return "", err
	}
	if m.grpcAddr, err = freePort(); err != nil {
		return "", err
	}
	if m.serverMetrics, err = freePort(); err != nil {
		return "", err
	}
	data := filepath.Dir(m.database())
	if err := os.MkdirAll(data, 0o700); err != nil { // the server would not
		return "", err
	}
	if m.serverDisk, err = m.smallDisk(data, serverDiskBytes, o); err != nil {
		return "", err
	}
	m.serverConf, m.serverClock = filepath.Join(m.dir, "server.yaml"), filepath.Join(m.dir, "server.clock")
	// A cache that is full soon, of a database that has 1 MB after a quarter of an
	// hour: what the server holds more and more of shows.
	text := fmt.Sprintf("version: 1\nsite: { id: %s, zone: UTC }\nlisten: { grpc: %q, http: \"off\", mqtt: %q, metrics: %q }\ndatabase: { file: %q, cache: 128KiB }\nbackup: { every: \"off\" }\n",
		site, m.grpcAddr, mqtt, m.serverMetrics, m.database())
	if err := os.WriteFile(m.serverConf, []byte(text), 0o600); err != nil {
		return "", err
	}
	m.conn, err = grpc.NewClient(m.grpcAddr, grpc.WithTransportCredentials(insecure.NewCredentials()))
	return mqtt, err
}

func (m *mill) database() string { return filepath.Join(m.dir, "data", "turnwise.db") }

// equip opens two ports for each machine of a station, one for its agent and
// one for a copy of it, and writes agent.yaml for both.
func (m *mill) equip(ctx context.Context, s *station) error {
	addresses := [2][]string{}
	for _, c := range s.machines {
		for i := range 2 {
			p, err := plc.Listen("127.0.0.1:0", plc.Options{Register: c.register, Look: func() plc.Look { return c.look(i == 1) }})
			if err != nil {
				return err
			}
			addresses[i] = append(addresses[i], p.Addr())
			if i == 0 {
				c.port = p
			}
			m.wg.Go(func() { _ = p.Run(ctx) })
		}
	}
	if err := os.WriteFile(s.conf, []byte(s.yaml(s.spool, addresses[0])), 0o600); err != nil {
		return err
	}
	return os.WriteFile(s.conf+".copy", []byte(s.yaml(s.spool+".copy", addresses[1])), 0o600)
}

func (s *station) yaml(spool string, addresses []string) string {
	var b strings.Builder
	put := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	put("version: 1\nsite: %s\narea: hall\nagent: %s", site, s.id)
	put("mqtt: { url: %q, keepalive: 2s, catch_up: 200 }", "mqtt://"+s.line.ln.Addr().String())
	if s.metrics != "" {
		put("metrics: { listen: %q }", s.metrics)
	}
	put("spool: { dir: %q, sync: 50ms }\nmachines:", spool)
	for i, c := range s.machines {
		put("  - id: %s\n    source:\n      kind: modbus-tcp\n      address: %q\n      unit: 1\n      poll: 100ms\n      read_only: true\n      max_speed_rpm: %d", c.id, addresses[i], maxRPM)
		put("      revolution: { function: 3, register: %d, type: %s, scale: 1 }\n      stops:", plc.CounterRegister, c.register)
		for n, cause := range causes {
			put("        - { function: 2, input: %d, cause: %s }", plc.FirstInput+n, cause)
		}
	}
	return b.String()
}

func (m *mill) station(id string) *station {
	for _, s := range m.stations {
		if s.id == id {
			return s
		}
	}
	return nil
}

// begin starts the programs and lets the cylinders turn once every machine is
// known to the server: the books count from the first look.
func (m *mill) begin(ctx context.Context) error {
	if err := m.startServer(); err != nil {
		return err
	}
	for _, s := range m.stations {
		r := &pb.RegisterAgentRequest{Agent: s.id}
		for _, c := range s.machines {
			r.Machines = append(r.Machines, c.id)
		}
		call, cancel := context.WithTimeout(ctx, 15*time.Second)
		_, err := pb.NewAgentServiceClient(m.conn).RegisterAgent(call, r, grpc.WaitForReady(true))
		cancel()
		if err != nil {
			return fmt.Errorf("chaos: register agent %s: %w; the server said:\n%s", s.id, err, tail(m.log("server"), 5))
		}
		if err := m.startAgent(s, true); err != nil {
			return err
		}
	}
	err := m.until(ctx, 20*time.Second, func(t map[string]*pb.MachineTotals) bool {
		for _, c := range m.all {
			c.mu.Lock()
			looked := c.firsts != 0
			c.mu.Unlock()
			if t[c.id] == nil || !looked {
				return false
			}
		}
		return true
	})
	if err != nil {
		return fmt.Errorf("chaos: the mill does not come up: %w\n%s", err, tail(m.log("u-01"), 5))
	}
	for _, c := range m.all {
		c.setHold(false)
	}
	return nil
}

func (m *mill) log(name string) string { return filepath.Join(m.dir, name+".log") }

func (m *mill) note(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	m.notes = append(m.notes, text)
	m.told("! " + text)
}

func (m *mill) startServer() (err error) {
	if m.server != nil {
		return nil // another repair has started it
	}
	m.server, err = start("server", program(m.bin, "server"), m.log("server"), []string{wall.StepFile + "=" + m.serverClock}, "run", "-c", m.serverConf)
	return err
}

func (m *mill) endServer(how os.Signal) {
	if m.server == nil {
		return
	}
	if err := errors.Join(m.server.signal(goOn), m.server.end(how)); err != nil {
		m.note("%v", err)
	}
	m.server = nil
}

// startAgent starts the agent of a station; fresh says that its journal is
// empty, so that it knows of nothing.
func (m *mill) startAgent(s *station, fresh bool) (err error) {
	gen := len(m.gens) + 1
	m.gens[gen] = &generation{of: s.id, fresh: fresh}
	for _, c := range s.machines {
		c.setGen(gen)
	}
	s.gen = gen
	s.proc, err = start("agent "+s.id, program(m.bin, "agent"), m.log(s.id), []string{wall.StepFile + "=" + s.clock}, "run", "-c", s.conf)
	return err
}

// endAgent ends the agent of a station; what it saw last may not be kept.
func (m *mill) endAgent(s *station, how os.Signal) {
	if s.proc == nil {
		return
	}
	now := m.now()
	if err := errors.Join(s.proc.signal(goOn), s.proc.end(how)); err != nil {
		m.note("%v", err)
	}
	s.proc = nil
	m.doubt(s, now-unsettled)
}

// misplace notes that new streams may be put in a wrong place, because a clock
// is wrong just now.
func (m *mill) misplace() {
	for _, s := range m.stations {
		if s.placing > 0 {
			m.clockSlack = max(m.clockSlack, m.clockWrong)
		}
	}
}

// placed looks whether the new streams of a station have their place.
func (m *mill) placed(ctx context.Context, s *station) {
	if safe := m.safe(ctx, s); s.placing > 0 && safe > s.placing+unsettled {
		s.placing = 0
	}
}

// killAgent ends the agent of a station at once, also one that hangs.
func (m *mill) killAgent(s *station) {
	if err := s.proc.end(os.Kill); err != nil {
		m.note("%v", err)
	}
	s.proc = nil
}

// doubt says that what the agent of a station saw since then may be lost, and
// some more on a busy host.
func (m *mill) doubt(s *station, since time.Duration) {
	since -= 3 * m.late.of()
	for _, g := range m.gens {
		if g.of == s.id {
			g.doubt = append(g.doubt, window{since, m.now()})
		}
	}
}

// now is the time of the ledgers; they all began within a moment.
func (m *mill) now() time.Duration { return m.all[0].now() }

// totals asks the server for its books.
func (m *mill) totals(ctx context.Context) (map[string]*pb.MachineTotals, bool, error) {
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	r, err := pb.NewMachineServiceClient(m.conn).ListTotals(ctx, &pb.ListTotalsRequest{})
	if err != nil {
		return nil, false, err
	}
	out := map[string]*pb.MachineTotals{}
	for _, t := range r.GetMachines() {
		out[t.GetMachine()] = t
	}
	return out, r.GetDrained(), nil
}

// until asks for the books until they are so.
func (m *mill) until(ctx context.Context, limit time.Duration, so func(map[string]*pb.MachineTotals) bool) error {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for {
		t, _, err := m.totals(ctx)
		if err == nil && so(t) {
			return nil
		}
		if !pause(ctx.Done(), 200*time.Millisecond) {
			return errors.Join(fmt.Errorf("not within %s", limit), err)
		}
	}
}

// drained waits until the server knows of nothing that it has not got.
func (m *mill) drained(ctx context.Context, limit time.Duration) bool {
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for {
		if _, all, err := m.totals(ctx); err == nil && all {
			return true
		}
		if !pause(ctx.Done(), 200*time.Millisecond) {
			return false
		}
	}
}

// watched is how long a machine was watched according to the books.
func watched(t *pb.MachineTotals) time.Duration {
	return time.Duration(t.GetRunMs()+t.GetStopMs()+t.GetUnknownMs()) * time.Millisecond
}

// safe is the time up to which all that the agent of a station told is in the
// books, so that losing its journal loses nothing before it.
func (m *mill) safe(ctx context.Context, s *station) time.Duration {
	if m.server == nil {
		return s.safe
	}
	t, _, err := m.totals(ctx)
	if err != nil {
		return s.safe
	}
	least := time.Duration(1 << 62)
	for _, c := range s.machines {
		c.mu.Lock()
		least = min(least, c.firsts+watched(t[c.id])-unsettled)
		c.mu.Unlock()
	}
	s.safe = max(s.safe, least)
	return s.safe
}

// close ends everything and removes what was mounted.
func (m *mill) close() error {
	var errs []error
	for _, s := range m.stations {
		if s.proc != nil && !s.proc.over() {
			errs = append(errs, s.proc.end(os.Kill))
		}
		if s.line != nil {
			s.line.close()
		}
		if s.disk != nil {
			errs = append(errs, s.disk.close())
		}
	}
	if m.server != nil && !m.server.over() {
		errs = append(errs, m.server.end(syscall.SIGKILL))
	}
	if m.serverDisk != nil {
		errs = append(errs, m.serverDisk.close())
	}
	if m.conn != nil {
		errs = append(errs, m.conn.Close())
	}
	close(m.done)
	m.stop()
	m.wg.Wait()
	return errors.Join(errs...)
}
