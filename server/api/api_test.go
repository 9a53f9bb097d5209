package api

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/calls"
	"turnwise/server/floor"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// mill is a server on a database of its own, and its clients.
type mill struct {
	st       *sqlite.Store
	floor    *floor.Floor
	machines pb.MachineServiceClient
	orders   pb.OrderServiceClient
	creels   pb.CreelServiceClient
	agents   pb.AgentServiceClient
	books    pb.BookServiceClient
	plans    pb.PlanServiceClient
	alarms   pb.AlarmServiceClient
	desk     *calls.Desk
	ahead    atomic.Int64 // nanoseconds by which the desk's clock is ahead
}

func newMill(t testing.TB) *mill { return newMillOf(t, floor.Config{}) }

func newMillOf(t testing.TB, c floor.Config) *mill {
	t.Helper()
	quiet := slog.New(slog.DiscardHandler)
	st, err := sqlite.Open(t.Context(), filepath.Join(t.TempDir(), "mill.db"), sqlite.Options{Log: quiet})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { st.Close() })
	c.Promises, c.Plans, c.Creel = st, st, st
	f, err := floor.New(t.Context(), st, c)
	if err != nil {
		t.Fatal(err)
	}
	l := bufconn.Listen(1 << 20)
	s := grpc.NewServer()
	m := &mill{st: st, floor: f}
	desk, err := calls.New(t.Context(), f, st, calls.Options{Aim: 1, Now: func() time.Time { return time.Now().Add(time.Duration(m.ahead.Load())) }})
	if err != nil {
		t.Fatal(err)
	}
	Register(s, f, st, Options{Creel: st, Calls: desk})
	go s.Serve(l)
	t.Cleanup(s.Stop)
	conn, err := grpc.NewClient("passthrough:bufconn", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return l.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	m.machines, m.orders, m.creels = pb.NewMachineServiceClient(conn), pb.NewOrderServiceClient(conn), pb.NewCreelServiceClient(conn)
	m.agents, m.books, m.plans = pb.NewAgentServiceClient(conn), pb.NewBookServiceClient(conn), pb.NewPlanServiceClient(conn)
	m.alarms, m.desk = pb.NewAlarmServiceClient(conn), desk
	return m
}

// testBook has k01 on an order at 10 g a turn: 100 feeders, 5 m, 20 tex.
func testBook() *pb.Book {
	return &pb.Book{
		Machines: []*pb.BookMachine{{Id: "k01", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100, Set: "A"}},
		Agents:   []*pb.BookAgent{{Id: "u-01", Machines: []string{"k01"}}},
		Yarns:    []*pb.BookYarn{{Id: "y", Count: "20 tex", ConeNetKg: 2}},
		Lots:     []*pb.BookLot{{Id: "L-1", Yarn: "y", Tip: "green", StoreKg: 9000}},
		Articles: []*pb.BookArticle{{Id: "SJ", DisplayName: "SJ 30x28", RollKg: 25}},
		Cards: []*pb.BookCard{{Id: "sj", Article: "SJ", Machine: "k01", SpeedRpm: 28, Feeds: []*pb.BookFeedGroup{
			{Id: "ground", Yarn: "y", Lot: "L-1", FeederCount: 100, CourseLengthM: 5},
		}}},
		Orders:      []*pb.BookOrder{{Id: "SO-1", Article: "SJ", QuantityKg: 3000, PromiseTime: timestamppb.New(time.Now().Add(240 * time.Hour))}},
		Assignments: []*pb.BookAssignment{{Machine: "k01", FromTime: timestamppb.New(time.Now().Add(-24 * time.Hour)), Order: "SO-1", Card: "sj"}},
	}
}

func (m *mill) apply(t *testing.T, b *pb.Book) *pb.ApplyBookResponse {
	t.Helper()
	r, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: b})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// knit commits an hour of k01: 1,680 turns, and stops of 10 s each minute but
// the last one, which is open.
func (m *mill) knit(t *testing.T, stops int) {
	t.Helper()
	const boot = int64(time.Hour) * 100
	start := time.Now().Add(-time.Hour)
	var records []store.Record
	add := func(after time.Duration, kind any) {
		records = append(records, store.Record{
			Seq: uint64(len(records) + 1), Body: []byte{byte(len(records))}, Boot: 1, Boottime: boot + int64(after), Wall: start.Add(after).UnixNano(), Kind: kind,
		})
	}
	life := store.ID{9}
	add(0, &store.LifeLink{New: life, PerRev: 1})
	turns := uint64(0)
	last := time.Duration(0)
	span := func(until time.Duration, n uint64) {
		add(until, &store.CountSpan{Life: life, From: turns, To: turns + n, FromBoottime: boot + int64(last), PerRev: 1})
		turns, last = turns+n, until
	}
	for i := range stops {
		at := time.Duration(i+1) * time.Minute
		span(at, 20)
		id := store.ID{7, byte(i)}
		add(at, &store.StopBegin{Stop: id, Input: true, Cause: "yarn", At: turns})
		if i < stops-1 {
			last = at + 10*time.Second
			add(last, &store.StopEnd{Stop: id, At: turns})
		}
	}
	if stops == 0 {
		span(time.Hour, 1680)
	}
	m.commit(t, records, boot)
}

// commit takes the records of an hour of k01 that ends now.
func (m *mill) commit(t *testing.T, records []store.Record, boot int64) {
	t.Helper()
	out, err := m.st.Commit(t.Context(), []store.Batch{{
		Agent: "u-01", Machine: "k01", Stream: store.ID{1}, Run: store.ID{2}, FirstSeq: 1, HeadSeq: uint64(len(records)), Records: records,
		Boots: map[uint32]store.ID{1: {3}}, Clock: store.Clock{Boot: 1, Boottime: boot + int64(time.Hour), Wall: time.Now().UnixNano()}, Received: time.Now(),
	}})
	if err != nil {
		t.Fatal(err)
	}
	if out[0].Verdict != store.OK {
		t.Fatalf("verdict %d: %s", out[0].Verdict, out[0].Reason)
	}
	m.floor.Committed(out)
}

// wantStatus checks code, the reason in the ErrorInfo, and the fields at fault.
func wantStatus(t *testing.T, err error, code codes.Code, reason string, fields ...string) {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code {
		t.Errorf("status %v, want %v", st, code)
		return
	}
	infos := 0
	var at []string
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			infos++
			if d.GetReason() != reason || d.GetDomain() != domain {
				t.Errorf("reason %s of %s, want %s of %s", d.GetReason(), d.GetDomain(), reason, domain)
			}
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				at = append(at, v.GetField())
			}
		}
	}
	if infos != 1 || fmt.Sprint(at) != fmt.Sprint(fields) {
		t.Errorf("%d ErrorInfo, fields %q; want 1, %q (%v)", infos, at, fields, st)
	}
}

func TestBookAndMachines(t *testing.T) {
	m := newMill(t)
	dry, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: testBook(), ValidateOnly: true})
	if err != nil || dry.GetCreatedCount() == 0 {
		t.Fatalf("dry run: %v, %v; want entries to create", dry, err)
	}
	if r, _ := m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{}); len(r.GetMachines()) != 0 {
		t.Error("the dry run wrote")
	}
	if r := m.apply(t, testBook()); r.GetCreatedCount() != dry.GetCreatedCount() {
		t.Errorf("%d created, %d were told", r.GetCreatedCount(), dry.GetCreatedCount())
	}
	r, err := m.machines.GetMachine(t.Context(), &pb.GetMachineRequest{Name: "machines/k01"})
	if err != nil {
		t.Fatal(err)
	}
	k := r.GetMachine()
	if k.GetDisplayName() != "K01" || k.GetAgent() != "u-01" || k.GetSet() != "A" || k.GetLive().GetState() != pb.MachineState_MACHINE_STATE_UNKNOWN || k.GetLive().GetOrder() != "SO-1" {
		t.Errorf("machine %v", k)
	}
	if p := k.GetLive().GetSpeed().GetProvenance(); p != pb.Provenance_PROVENANCE_UNKNOWN {
		t.Errorf("speed of a machine that is not heard has provenance %v", p)
	}
	_, err = m.machines.GetMachine(t.Context(), &pb.GetMachineRequest{Name: "machines/k99"})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	for _, name := range []string{"", "machines/", "machines/K01", "machines/../k01", "machines/" + strings.Repeat("a", 500), "machines/srv"} {
		_, err = m.machines.GetMachine(t.Context(), &pb.GetMachineRequest{Name: name})
		wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "name")
	}
}

func TestBookFaults(t *testing.T) {
	m := newMill(t)
	nan := 0.0
	nan /= nan
	b := testBook()
	b.Cards[0].Feeds[0].CourseLengthM = nan
	b.Orders[0].QuantityKg = -5
	b.Assignments[0].FromTime = nil
	b.Machines[0].DisplayName = "K\x00"
	_, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: b})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST",
		"book.machines[0].display_name", "book.cards[0].feeds[0].course_length_m", "book.orders[0].quantity_kg", "book.assignments[0].from_time")
	b = testBook()
	b.Cards[0].Feeds[0].Yarn = "nowhere"
	_, err = m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: b})
	wantStatus(t, err, codes.InvalidArgument, "INVALID")
	_, err = m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "book")
	if r, _ := m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{}); len(r.GetMachines()) != 0 {
		t.Error("a faulty book was written in part")
	}
}

func TestPages(t *testing.T) {
	m := newMill(t)
	b := &pb.Book{}
	for i := range 60 {
		b.Machines = append(b.Machines, &pb.BookMachine{Id: fmt.Sprintf("k%02d", i)})
	}
	m.apply(t, b)
	first, err := m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{})
	if err != nil || len(first.GetMachines()) != defaultPage || first.GetNextPageToken() == "" {
		t.Fatalf("first page of %d, %v; want %d and a token", len(first.GetMachines()), err, defaultPage)
	}
	var seen []string
	r := &pb.ListMachinesRequest{PageSize: 7}
	for {
		page, err := m.machines.ListMachines(t.Context(), r)
		if err != nil {
			t.Fatal(err)
		}
		for _, k := range page.GetMachines() {
			seen = append(seen, k.GetName())
		}
		if r.PageToken = page.GetNextPageToken(); r.PageToken == "" {
			break
		}
	}
	for i, name := range seen {
		if want := fmt.Sprintf("machines/k%02d", i); name != want {
			t.Fatalf("entry %d of the pages is %s, want %s", i, name, want)
		}
	}
	if len(seen) != 60 {
		t.Errorf("%d entries on all pages, want 60", len(seen))
	}
	if all, _ := m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{PageSize: 1 << 30}); len(all.GetMachines()) != 60 {
		t.Errorf("a huge page has %d entries", len(all.GetMachines()))
	}
	_, err = m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{PageSize: -1})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "page_size")
	_, err = m.agents.ListAgents(t.Context(), &pb.ListAgentsRequest{PageToken: first.GetNextPageToken()})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "page_token")
	_, err = m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{PageToken: "%%%"})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "page_token")
}

func TestTotalsStopsAndOrders(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	m.knit(t, 12)
	totals, err := m.machines.ListTotals(t.Context(), &pb.ListTotalsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	k := totals.GetMachines()[0]
	if k.GetRevolutions() != 240 || k.GetStops() != 12 || k.GetStopsByCause()["yarn"] != 12 || !k.GetOpenStop() || k.GetKilosCounted() != 2.4 || k.GetRevolutionsWithoutCard() != 0 {
		t.Errorf("totals %v; want 240 turns, 12 yarn stops, one open, 2.4 kg", k)
	}
	var begins []time.Time
	r := &pb.ListStopsRequest{Machine: "machines/k01", PageSize: 5, EndTime: timestamppb.Now()}
	for {
		page, err := m.machines.ListStops(t.Context(), r)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range page.GetStops() {
			begins = append(begins, s.GetStartTime().AsTime())
			if open := s.GetEndTime() == nil; open != (len(begins) == 1) || s.GetOrigin() != pb.StopOrigin_STOP_ORIGIN_INPUT || !open && s.GetDuration().AsDuration() != 10*time.Second {
				t.Errorf("stop %v", s)
			}
		}
		if r.PageToken = page.GetNextPageToken(); r.PageToken == "" {
			break
		}
	}
	if len(begins) != 12 {
		t.Fatalf("%d stops on all pages, want 12", len(begins))
	}
	for i := 1; i < len(begins); i++ {
		if !begins[i].Before(begins[i-1]) {
			t.Errorf("stop %d begins at %v, after the one before", i, begins[i])
		}
	}
	_, err = m.machines.ListStops(t.Context(), &pb.ListStopsRequest{Machine: "machines/k77"})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	_, err = m.machines.ListStops(t.Context(), &pb.ListStopsRequest{StartTime: timestamppb.New(time.Now().Add(time.Hour))})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "start_time")
	_, err = m.machines.ListStops(t.Context(), &pb.ListStopsRequest{StartTime: &timestamppb.Timestamp{Seconds: 1 << 60}})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "start_time")

	o, err := m.orders.GetOrder(t.Context(), &pb.GetOrderRequest{Name: "orders/SO-1"})
	if err != nil {
		t.Fatal(err)
	}
	if kg := o.GetOrder().GetCountedKg().GetValue(); kg != 2.4 || o.GetOrder().GetJobs()[0].GetKnitCard() != "sj" {
		t.Errorf("order %v; want 2.4 kg counted with card sj", o.GetOrder())
	}
	_, err = m.orders.GetOrder(t.Context(), &pb.GetOrderRequest{Name: "orders/none"})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	list, err := m.orders.ListOrders(t.Context(), &pb.ListOrdersRequest{})
	if err != nil || len(list.GetOrders()) != 1 {
		t.Errorf("orders %v, %v", list, err)
	}
	_, err = m.orders.QuotePromise(t.Context(), &pb.QuotePromiseRequest{Article: "XX", QuantityKg: 10, Risk: 0.1})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	_, err = m.orders.QuotePromise(t.Context(), &pb.QuotePromiseRequest{QuantityKg: -1, Risk: 7})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "article", "quantity_kg", "risk")
	if _, err := m.orders.QuotePromise(t.Context(), &pb.QuotePromiseRequest{Article: "SJ", QuantityKg: 100, Risk: 0.1}); err != nil {
		t.Errorf("quote: %v", err)
	}
}

func TestCreel(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	m.knit(t, 0)
	load := &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-1", RequestId: "r-1"}
	dry := &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-1", ValidateOnly: true}
	if r, err := m.creels.LoadCreel(t.Context(), dry); err != nil || r.GetLoad() != "" || r.GetConeCount() != 100 {
		t.Fatalf("dry run: %v, %v; want 100 cones and no load", r, err)
	}
	first, err := m.creels.LoadCreel(t.Context(), load)
	if err != nil {
		t.Fatal(err)
	}
	again, err := m.creels.LoadCreel(t.Context(), load)
	if err != nil || again.GetLoad() != first.GetLoad() {
		t.Errorf("the same request gave load %s, then %s (%v)", first.GetLoad(), again.GetLoad(), err)
	}
	tasks, err := m.creels.ListTasks(t.Context(), &pb.ListTasksRequest{HorizonMinutes: 7 * 24 * 60})
	if err != nil {
		t.Fatal(err)
	}
	var creel *pb.Task
	for _, task := range tasks.GetTasks() {
		if task.GetKind() == pb.TaskKind_TASK_KIND_CREEL {
			creel = task
		}
	}
	if creel.GetName() != "tasks/k01-creel-ground-1680" || creel.GetConeCount() != 100 || creel.GetTip() != "green" || creel.GetSentence() != "Creel K01, ground: 100 cones of 20 tex, lot L-1." {
		t.Errorf("creel task %v", creel)
	}
	if _, err := m.creels.UndoLoad(t.Context(), &pb.UndoLoadRequest{Machine: "machines/k01", Load: first.GetLoad()}); err != nil {
		t.Fatal(err)
	}
	_, err = m.creels.UndoLoad(t.Context(), &pb.UndoLoadRequest{Machine: "machines/k01", Load: "machines/k01/loads/999"})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	_, err = m.creels.UndoLoad(t.Context(), &pb.UndoLoadRequest{Machine: "machines/k01", Load: "yesterday's"})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "load")
	for _, tt := range []struct {
		r      *pb.LoadCreelRequest
		fields []string
	}{
		{&pb.LoadCreelRequest{Machine: "machines/k01", ConeCount: 101}, []string{"cone_count"}},
		{&pb.LoadCreelRequest{Machine: "machines/k01", ConeCount: -1}, []string{"cone_count"}},
		{&pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-77"}, []string{"lot"}},
		{&pb.LoadCreelRequest{Machine: "machines/k01", ConeNetKg: -2}, []string{"cone_net_kg"}},
		{&pb.LoadCreelRequest{Machine: "machines/k01", LoadTime: timestamppb.New(time.Now().Add(time.Hour))}, []string{"load_time"}},
		{&pb.LoadCreelRequest{Machine: "K 01", RequestId: strings.Repeat("x", 300)}, []string{"machine", "request_id"}},
	} {
		_, err := m.creels.LoadCreel(t.Context(), tt.r)
		wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", tt.fields...)
	}
	_, err = m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", FeedGroup: "tie"})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
	m.apply(t, &pb.Book{Yarns: []*pb.BookYarn{{Id: "fine", Count: "10 tex"}}, Lots: []*pb.BookLot{{Id: "L-2", Yarn: "fine"}, {Id: "L-3", Yarn: "y"}}})
	_, err = m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-2"})
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	if !strings.Contains(status.Convert(err).Message(), "lot L-2 is yarn fine (10 tex): lot does not fit: ground of card sj on K01 takes y (20 tex) of lot L-1") {
		t.Errorf("the mismatch does not show both lots: %v", err)
	}
	_, err = m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-3"}) // of the same yarn, not released
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	_, err = m.creels.ListTasks(t.Context(), &pb.ListTasksRequest{Machines: []string{"machines/k99"}})
	wantStatus(t, err, codes.NotFound, "NOT_FOUND")
}

func TestRegisterAgent(t *testing.T) {
	m := newMill(t)
	r := &pb.RegisterAgentRequest{Agent: "u-07", Machines: []string{"machines/k02", "machines/k01", "machines/k01"}, ValidateOnly: true}
	dry, err := m.agents.RegisterAgent(t.Context(), r)
	if err != nil || len(dry.GetCreatedMachines()) != 2 {
		t.Fatalf("dry run: %v, %v; want 2 new machines", dry, err)
	}
	if list, _ := m.agents.ListAgents(t.Context(), &pb.ListAgentsRequest{}); len(list.GetAgents()) != 0 {
		t.Error("the dry run wrote")
	}
	r.ValidateOnly = false
	for _, created := range []int{2, 0} {
		got, err := m.agents.RegisterAgent(t.Context(), r)
		if err != nil || len(got.GetCreatedMachines()) != created || len(got.GetAgent().GetMachines()) != 2 {
			t.Errorf("registered %v, %v; want %d new machines", got, err, created)
		}
	}
	if list, _ := m.machines.ListMachines(t.Context(), &pb.ListMachinesRequest{}); len(list.GetMachines()) != 2 || list.GetMachines()[0].GetAgent() != "u-07" {
		t.Errorf("machines after registering: %v", list)
	}
	_, err = m.agents.RegisterAgent(t.Context(), &pb.RegisterAgentRequest{Agent: "U 7"})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "agent", "machines")
}

func TestWatchMachines(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	stream, err := m.machines.WatchMachines(ctx, &pb.WatchMachinesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	first, err := stream.Recv()
	if err != nil || !first.GetFull() || len(first.GetMachines()) != 1 {
		t.Fatalf("first %v, %v; want the full picture", first, err)
	}
	m.knit(t, 1)
	next, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	if l := next.GetMachines()[0].GetLive(); next.GetFull() || l.GetRevolutionCount() != 20 {
		t.Errorf("change %v; want 20 turns", next)
	}
	resumed, err := m.machines.WatchMachines(ctx, &pb.WatchMachinesRequest{ResumeToken: first.GetResumeToken()})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := resumed.Recv(); err != nil || r.GetFull() || len(r.GetMachines()) != 1 {
		t.Errorf("resumed with %v, %v; want the change alone", r, err)
	}
}
