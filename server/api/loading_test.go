package api

import (
	"io"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

// loadedMill has three machines: SO-1 runs on k01, SO-2 waits behind it though
// k02 is free, SO-3 is on no machine; SO-4 needs a gauge that none has.
func loadedMill(t *testing.T) *mill { return loadedMillOf(t, floor.Config{}) }

func loadedMillOf(t *testing.T, c floor.Config) *mill {
	m := newMillOf(t, c)
	b := testBook()
	at := func(h float64) *timestamppb.Timestamp {
		return timestamppb.New(time.Now().Add(time.Duration(h * float64(time.Hour))))
	}
	b.Machines = append(b.Machines, &pb.BookMachine{Id: "k02", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100}, &pb.BookMachine{Id: "k03", DiameterInch: 34, GaugeNpi: 24, FeederCount: 100})
	feeds := b.Cards[0].Feeds
	b.Articles = append(b.Articles, &pb.BookArticle{Id: "FINE", GaugeNpi: 40, DiameterInch: 30})
	b.Cards = append(b.Cards,
		&pb.BookCard{Id: "sj2", Article: "SJ", Machine: "k02", SpeedRpm: 28, Feeds: feeds},
		&pb.BookCard{Id: "fine", Article: "FINE", SpeedRpm: 28, Feeds: feeds})
	b.Orders = append(b.Orders,
		&pb.BookOrder{Id: "SO-2", Article: "SJ", QuantityKg: 800, PromiseTime: at(72)},
		&pb.BookOrder{Id: "SO-3", Article: "SJ", QuantityKg: 400, PromiseTime: at(200)},
		&pb.BookOrder{Id: "SO-4", Article: "FINE", QuantityKg: 400, PromiseTime: at(200)})
	b.Assignments = append(b.Assignments, &pb.BookAssignment{Machine: "k01", FromTime: at(100), Order: "SO-2", Card: "sj", QuantityKg: 800})
	m.apply(t, b)
	return m
}

// solve searches and returns the last answer's plan and how many came before.
func (m *mill) solve(t *testing.T, r *pb.SolvePlanRequest) (*pb.LoadingPlan, int) {
	t.Helper()
	stream, err := m.plans.SolvePlan(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	var plan *pb.LoadingPlan
	for n := 0; ; n++ {
		a, err := stream.Recv()
		if err == io.EOF {
			return plan, n
		}
		if err != nil {
			t.Fatal(err)
		}
		plan = a.GetPlan()
	}
}

// where tells the machine and kilos of each order that waits, as the book has it.
func (m *mill) where(t *testing.T) map[string]string {
	t.Helper()
	b, err := m.st.Book(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, a := range b.Assignments {
		if a.From.After(time.Now()) {
			out[a.Order] += a.Machine
		}
	}
	return out
}

func TestPlanLivesAndIsUndone(t *testing.T) {
	m := loadedMill(t)
	plan, _ := m.solve(t, &pb.SolvePlanRequest{Rounds: 300, Seed: 7})
	if plan.GetName() != "plans/1" || plan.GetState() != pb.LoadingPlanState_LOADING_PLAN_STATE_PROPOSED {
		t.Fatalf("plan %v", plan)
	}
	again, _ := m.solve(t, &pb.SolvePlanRequest{Rounds: 300, Seed: 7, ValidateOnly: true})
	if again.GetName() != "" || len(again.GetMoves()) != len(plan.GetMoves()) {
		t.Errorf("the same seed moves %d orders, not %d, or was kept: %q", len(again.GetMoves()), len(plan.GetMoves()), again.GetName())
	}
	var moved, refused bool
	for _, mv := range plan.GetMoves() {
		moved = moved || mv.GetOrder() == "orders/SO-2" && len(mv.GetToMachines()) == 1 && mv.GetToMachines()[0] == "machines/k02"
		if mv.GetOrder() == "orders/SO-1" {
			t.Errorf("what runs is told as moved: %v", mv)
		}
		if mv.GetSentence() == "" || mv.GetRule() == "" {
			t.Errorf("move without a sentence or a rule: %v", mv)
		}
	}
	for _, r := range plan.GetRefusals() {
		refused = refused || r.GetOrder() == "orders/SO-4" && strings.Contains(r.String(), "gauge")
	}
	if !moved || !refused {
		t.Fatalf("SO-2 is to go to the free k02 (%v), SO-4 to be refused for its gauge (%v): %v %v", moved, refused, plan.GetMoves(), plan.GetRefusals())
	}
	before := m.where(t)
	ctx := t.Context()
	if r, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: "plans/1", ValidateOnly: true}); err != nil || len(r.GetChanges()) == 0 || m.where(t)["SO-2"] != "k01" {
		t.Fatalf("rehearsal: %v, %v, book %v", r, err, m.where(t))
	}
	if _, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: "plans/1"}); err != nil {
		t.Fatal(err)
	}
	if w := m.where(t); w["SO-2"] != "k02" || w["SO-3"] == "" {
		t.Errorf("after the plan %v", w)
	}
	o, err := m.orders.GetOrder(ctx, &pb.GetOrderRequest{Name: "orders/SO-2"})
	if err != nil || len(o.GetOrder().GetJobs()) != 1 || o.GetOrder().GetJobs()[0].GetMachine() != "k02" {
		t.Errorf("the forecast has not heard of it: %v, %v", o, err)
	}
	if _, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: "plans/1"}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("applied twice: %v", err)
	}
	if _, err := m.plans.UndoPlan(ctx, &pb.UndoPlanRequest{Name: "plans/1"}); err != nil {
		t.Fatal(err)
	}
	if w := m.where(t); len(w) != len(before) || w["SO-2"] != before["SO-2"] {
		t.Errorf("after undo %v, want %v", w, before)
	}
	list, err := m.plans.ListPlans(ctx, &pb.ListPlansRequest{})
	if err != nil || len(list.GetPlans()) != 1 || list.GetPlans()[0].GetState() != pb.LoadingPlanState_LOADING_PLAN_STATE_UNDONE {
		t.Errorf("plans %v, %v", list, err)
	}
}

func TestPlanByHand(t *testing.T) {
	m := loadedMill(t)
	ctx := t.Context()
	move := func(order, machine string) *pb.Change {
		return &pb.Change{Kind: &pb.Change_MoveOrder{MoveOrder: &pb.MoveOrder{Order: "orders/" + order, Machine: "machines/" + machine}}}
	}
	for name, c := range map[string]*pb.Change{
		"runs":    move("SO-1", "k02"),
		"no card": move("SO-2", "k03"),
		"unknown": move("SO-99", "k02"),
	} {
		if _, err := m.plans.ProposePlan(ctx, &pb.ProposePlanRequest{Changes: []*pb.Change{c}}); status.Code(err) != codes.FailedPrecondition {
			t.Errorf("%s: %v, want FailedPrecondition", name, err)
		}
	}
	if _, err := m.plans.ProposePlan(ctx, &pb.ProposePlanRequest{Changes: []*pb.Change{{Kind: &pb.Change_SlowMachine{SlowMachine: &pb.SlowMachine{Machine: "k01", SpeedRpm: 20}}}}}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a speed in a plan: %v", err)
	}
	if list, err := m.plans.ListPlans(ctx, &pb.ListPlansRequest{}); err != nil || len(list.GetPlans()) != 0 {
		t.Fatalf("a refused change left a plan: %v, %v", list, err)
	}
	split := &pb.Change{Kind: &pb.Change_SplitOrder{SplitOrder: &pb.SplitOrder{Order: "SO-2", Machine: "k02", QuantityKg: 300}}}
	p, err := m.plans.ProposePlan(ctx, &pb.ProposePlanRequest{Changes: []*pb.Change{split}})
	if err != nil {
		t.Fatal(err)
	}
	kg := map[string]float64{}
	for _, l := range p.GetPlan().GetLines() {
		for _, j := range l.GetJobs() {
			if j.GetKind() == "order" {
				kg[l.GetMachine()+j.GetOrder()] += j.GetQuantityKg()
			}
		}
	}
	if a, b := kg["machines/k01orders/SO-2"], kg["machines/k02orders/SO-2"]; a < 499 || a > 501 || b < 299 || b > 301 {
		t.Errorf("kilos %v, want 500 and 300", kg)
	}
	if _, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: p.GetPlan().GetName()}); err != nil {
		t.Fatal(err)
	}
	if w := m.where(t); w["SO-2"] != "k01k02" {
		t.Errorf("book %v", w)
	}
	e, err := m.plans.ExplainPlan(ctx, &pb.ExplainPlanRequest{Order: "orders/SO-2"})
	if err != nil || len(e.GetJobs()) != 2 || len(e.GetSentences()) == 0 || len(e.GetReasons()) != 1 {
		t.Errorf("explained %v, %v", e, err)
	}
	d, err := m.plans.DiffPlans(ctx, &pb.DiffPlansRequest{Name: p.GetPlan().GetName()})
	if err != nil || len(d.GetMoves()) != 0 {
		t.Errorf("an applied plan differs from what stands: %v, %v", d, err)
	}
	// Somebody entered another job since: the next plan is not that of this book.
	stale, err := m.plans.ProposePlan(ctx, &pb.ProposePlanRequest{Changes: []*pb.Change{move("SO-2", "k01")}})
	if err != nil {
		t.Fatal(err)
	}
	m.apply(t, &pb.Book{Assignments: []*pb.BookAssignment{{Machine: "k02", FromTime: timestamppb.New(time.Now().Add(500 * time.Hour)), Order: "SO-3", Card: "sj2"}}})
	if _, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: stale.GetPlan().GetName()}); status.Code(err) != codes.FailedPrecondition || m.where(t)["SO-3"] != "k02" {
		t.Errorf("a plan over other jobs: %v, book %v", err, m.where(t))
	}
}

// endOf is how a search ended.
func endOf(stream grpc.ServerStreamingClient[pb.SolvePlanResponse]) error {
	for {
		if _, err := stream.Recv(); err != nil {
			return err
		}
	}
}

func TestPlanRefusesBadInput(t *testing.T) {
	m := loadedMill(t)
	ctx := t.Context()
	// A table with a hole: no row for any lot.
	m.apply(t, &pb.Book{
		Yarns: []*pb.BookYarn{{Id: "y2", Count: "24 tex"}}, Articles: []*pb.BookArticle{{Id: "PQ", Structure: "pique"}},
		Cards:  []*pb.BookCard{{Id: "pq", Article: "PQ", Machine: "k02", SpeedRpm: 28, Feeds: []*pb.BookFeedGroup{{Id: "g", Yarn: "y2", FeederCount: 100, CourseLengthM: 5}}}},
		Orders: []*pb.BookOrder{{Id: "SO-5", Article: "PQ", QuantityKg: 100, PromiseTime: timestamppb.New(time.Now().Add(100 * time.Hour))}},
		Setups: []*pb.BookSetup{{Kind: "yarn", From: "y", To: "y2", Minutes: 45}},
	})
	stream, err := m.plans.SolvePlan(ctx, &pb.SolvePlanRequest{Rounds: 10})
	if err != nil {
		t.Fatal(err)
	}
	if err := endOf(stream); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("a table with holes: %v, want FailedPrecondition", err)
	}
	for name, b := range map[string]*pb.Book{
		"circular pins": {Orders: []*pb.BookOrder{
			{Id: "SO-2", Article: "SJ", QuantityKg: 800, PinMachine: "k02", PinAfter: "SO-3"}, {Id: "SO-3", Article: "SJ", QuantityKg: 400, PinMachine: "k02", PinAfter: "SO-2"},
		}},
		"huge kilos":    {Orders: []*pb.BookOrder{{Id: "SO-2", Article: "SJ", QuantityKg: 1e12}}},
		"kind of setup": {Setups: []*pb.BookSetup{{Kind: "colour", From: "*", To: "*", Minutes: 1}}},
	} {
		if _, err := m.books.ApplyBook(ctx, &pb.ApplyBookRequest{Book: b}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v, want InvalidArgument", name, err)
		}
	}
	for _, r := range []*pb.SolvePlanRequest{{SearchMilliseconds: -1}, {SearchMilliseconds: 1e9}, {Rounds: -1}, {FrozenHours: -3}} {
		stream, err := m.plans.SolvePlan(ctx, r)
		if err != nil {
			t.Fatal(err)
		}
		if err := endOf(stream); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%v: %v, want InvalidArgument", r, err)
		}
	}
	for _, name := range []string{"", "plans/x", "plans/-1"} {
		if _, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: name}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("apply %q: %v", name, err)
		}
	}
	if _, err := m.plans.GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/9"}); status.Code(err) != codes.NotFound {
		t.Errorf("plan 9: %v", err)
	}
	if w := m.where(t); w["SO-2"] != "k01" || len(w) != 1 {
		t.Errorf("the jobs changed: %v", w)
	}
}

// A search without an end gives its best when it is told to stop.
func TestStopSolve(t *testing.T) {
	m := loadedMill(t)
	stream, err := m.plans.SolvePlan(t.Context(), &pb.SolvePlanRequest{SearchMilliseconds: 20_000, RequestId: "r-1"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); err != nil { // it searches
		t.Fatal(err)
	}
	if _, err := m.plans.StopSolve(t.Context(), &pb.StopSolveRequest{RequestId: "r-2"}); status.Code(err) != codes.NotFound {
		t.Errorf("stop of a search that is not: %v", err)
	}
	if _, err := m.plans.StopSolve(t.Context(), &pb.StopSolveRequest{RequestId: "r-1"}); err != nil && status.Code(err) != codes.NotFound {
		t.Fatal(err) // NotFound: it was proven best and ended by itself
	}
	for {
		a, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if a.GetPlan() != nil {
			return
		}
	}
}
