package api

import (
	"math"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

// plannedMill has k01 with SO-1, and SO-2 planned behind it since 40 minutes ago; what
// it knits is told later.
func plannedMill(t *testing.T) *mill {
	t.Helper()
	m := newMill(t)
	b := testBook()
	b.Orders = append(b.Orders, &pb.BookOrder{Id: "SO-2", Article: "SJ", QuantityKg: 800})
	b.Orders[0].QuantityKg = 600
	b.Assignments[0].FromTime = timestamppb.New(time.Now().Add(-2 * time.Hour))
	b.Assignments = append(b.Assignments, &pb.BookAssignment{Machine: "k01", FromTime: timestamppb.New(time.Now().Add(-40 * time.Minute)), Order: "SO-2", Card: "sj", Planned: true})
	m.apply(t, b)
	if err := m.floor.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	return m
}

// turnsOf are the turns counted for two orders.
func (m *mill) turnsOf(t *testing.T) (so1, so2 int64) {
	t.Helper()
	totals, _, err := m.st.Totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range totals[0].Counted {
		switch c.Order {
		case "SO-1":
			so1 += c.Revolutions
		case "SO-2":
			so2 += c.Revolutions
		}
	}
	return so1, so2
}

// The instant at which a job was expected passes; nothing counts for it until somebody
// says that it began, and then what was knitted since.
func TestBeginJob(t *testing.T) {
	m := plannedMill(t)
	ctx := t.Context()
	m.knit(t, 30) // 20 turns in each of 30 minutes, from an hour ago on
	if a, b := m.turnsOf(t); a != 600 || b != 0 {
		t.Fatalf("SO-1 %d, SO-2 %d turns, want 600 and none", a, b)
	}
	k, err := m.machines.GetMachine(ctx, &pb.GetMachineRequest{Name: "machines/k01"})
	if err != nil || k.GetMachine().GetLive().GetOrder() != "SO-1" {
		t.Errorf("k01 knits %q, %v, want SO-1", k.GetMachine().GetLive().GetOrder(), err)
	}
	live, err := m.plans.GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/live"})
	if err != nil {
		t.Fatal(err)
	}
	waits := 0
	for _, l := range live.GetPlan().GetLines() {
		for _, j := range l.GetJobs() {
			if j.GetWaitsForWord() {
				waits++
			}
		}
	}
	if waits != 1 {
		t.Errorf("%d jobs wait for a word, want SO-2 alone: %v", waits, live)
	}
	// Counts that an agent owes count for what the machine knitted then.
	m = plannedMill(t)
	began := time.Now().Add(-44*time.Minute - 30*time.Second)
	q := &pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-2", BeginTime: timestamppb.New(began)}
	for range 2 {
		r, err := m.plans.BeginJob(ctx, q)
		if err != nil || r.GetBefore() != "orders/SO-1" || len(r.GetChanges()) == 0 {
			t.Fatalf("begun %v, %v", r, err)
		}
	}
	m.knit(t, 30)
	if err := m.floor.Refresh(ctx); err != nil {
		t.Fatal(err)
	}
	// By hand: of 30 minutes 15 end before.
	if a, b := m.turnsOf(t); a != 300 || b != 300 {
		t.Errorf("SO-1 %d, SO-2 %d turns, want 300 each", a, b)
	}
	orders, err := m.floor.Orders(ctx)
	if err != nil {
		t.Fatal(err)
	}
	kg := map[string]float64{}
	for _, o := range orders {
		kg[o.ID] = o.CountedKg
	}
	if kg["SO-1"] <= 0 || math.Abs(kg["SO-1"]-kg["SO-2"]) > 1e-9 {
		t.Errorf("kilos %v, want the same for both", kg)
	}
}

func TestBeginJobTakenBack(t *testing.T) {
	m := plannedMill(t)
	if _, err := m.plans.BeginJob(t.Context(), &pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-2"}); err != nil {
		t.Fatal(err)
	}
	if r, err := m.plans.BeginJob(t.Context(), &pb.BeginJobRequest{Machine: "machines/k01", TakeBack: true}); err != nil || r.GetOrder() != "orders/SO-2" || r.GetBefore() != "orders/SO-1" {
		t.Fatalf("taken back: %v, %v", r, err)
	}
	m.knit(t, 30)
	if a, b := m.turnsOf(t); a != 600 || b != 0 {
		t.Errorf("SO-1 %d, SO-2 %d turns, want 600 and none", a, b)
	}
}

func TestBeginJobFaults(t *testing.T) {
	m := plannedMill(t)
	in := func(d time.Duration) *timestamppb.Timestamp { return timestamppb.New(time.Now().Add(d)) }
	for name, c := range map[string]struct {
		r    *pb.BeginJobRequest
		code codes.Code
	}{
		"no machine":    {&pb.BeginJobRequest{Order: "orders/SO-2"}, codes.InvalidArgument},
		"no order":      {&pb.BeginJobRequest{Machine: "machines/k01"}, codes.InvalidArgument},
		"not planned":   {&pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-9"}, codes.NotFound},
		"not there":     {&pb.BeginJobRequest{Machine: "machines/k77", Order: "orders/SO-2"}, codes.NotFound},
		"to come":       {&pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-2", BeginTime: in(time.Hour)}, codes.InvalidArgument},
		"long ago":      {&pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-2", BeginTime: in(-30 * time.Hour)}, codes.InvalidArgument},
		"before SO-1":   {&pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-2", BeginTime: in(-3 * time.Hour)}, codes.InvalidArgument},
		"take back two": {&pb.BeginJobRequest{Machine: "machines/k01", Order: "orders/SO-2", TakeBack: true}, codes.InvalidArgument},
		"nothing told":  {&pb.BeginJobRequest{Machine: "machines/k01", TakeBack: true}, codes.InvalidArgument},
	} {
		_, err := m.plans.BeginJob(t.Context(), c.r)
		if status.Code(err) != c.code {
			t.Errorf("%s: %v, want %v", name, err, c.code)
		}
	}
	m.knit(t, 30)
	if a, b := m.turnsOf(t); a != 600 || b != 0 {
		t.Errorf("SO-1 %d, SO-2 %d turns after refusals", a, b)
	}
}

// A tender's done of the end of a job says that the next one knits.
func TestEndOfJobBeginsNext(t *testing.T) {
	m := plannedMill(t)
	view, err := m.floor.Rounds(t.Context(), nil, 7*24*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	var end floor.TaskView
	for _, w := range view.Walks {
		for _, s := range w.Stops {
			for _, task := range s.Tasks {
				if task.Begins != "" {
					end = task
				}
			}
		}
	}
	if end.ID != "k01-end-SO-1" || end.Begins != "SO-2" {
		t.Fatalf("no task of the end of SO-1 in %+v", view.Walks)
	}
	r, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: "tasks/" + end.ID, Act: pb.TaskAct_TASK_ACT_DONE, ActTime: timestamppb.New(time.Now().Add(-44*time.Minute - 30*time.Second)), RequestId: "one"})
	if err != nil || r.GetState() != pb.TaskState_TASK_STATE_DONE {
		t.Fatalf("%v, %v", r, err)
	}
	m.knit(t, 30)
	if a, b := m.turnsOf(t); a != 300 || b != 300 {
		t.Errorf("SO-1 %d, SO-2 %d turns, want 300 each", a, b)
	}
}

// A machine without an order has a task to begin what is planned on it, and one that has
// its kilos has the end of its order to tell now, however far the plan had put it.
func TestTasksToBegin(t *testing.T) {
	m := newMill(t)
	b := testBook()
	b.Orders[0].QuantityKg = 5 // half of what is knitted below: 10 g a turn
	b.Machines = append(b.Machines, &pb.BookMachine{Id: "k02", FeederCount: 100})
	b.Cards = append(b.Cards, &pb.BookCard{Id: "sj2", Article: "SJ", Machine: "k02", SpeedRpm: 28, Feeds: b.Cards[0].Feeds})
	b.Orders = append(b.Orders, &pb.BookOrder{Id: "SO-2", Article: "SJ", QuantityKg: 800}, &pb.BookOrder{Id: "SO-3", Article: "SJ", QuantityKg: 800})
	soon := timestamppb.New(time.Now().Add(5 * time.Hour))
	b.Assignments = append(b.Assignments,
		&pb.BookAssignment{Machine: "k01", FromTime: soon, Order: "SO-2", Card: "sj", Planned: true},
		&pb.BookAssignment{Machine: "k02", FromTime: soon, Order: "SO-3", Card: "sj2", Planned: true})
	m.apply(t, b)
	m.knit(t, 0)
	if err := m.floor.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	view, err := m.floor.Rounds(t.Context(), nil, 8*time.Hour)
	if err != nil {
		t.Fatal(err)
	}
	tasks := map[string]floor.TaskView{}
	for _, w := range view.Walks {
		for _, s := range w.Stops {
			for _, task := range s.Tasks {
				tasks[task.ID] = task
			}
		}
	}
	if end := tasks["k01-end-SO-1"]; end.Begins != "SO-2" || time.Until(end.Due) > time.Minute {
		t.Errorf("the end of an order that has its kilos: %+v", end)
	}
	if start := tasks["k02-begin-SO-3"]; start.Begins != "SO-3" || !start.Due.Equal(soon.AsTime().Truncate(time.Millisecond)) {
		t.Errorf("a machine without an order: %+v", start)
	}
	if _, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: "tasks/k02-begin-SO-3", Act: pb.TaskAct_TASK_ACT_DONE, RequestId: "one"}); err != nil {
		t.Fatal(err)
	}
	k, err := m.machines.GetMachine(t.Context(), &pb.GetMachineRequest{Name: "machines/k02"})
	if err != nil || k.GetMachine().GetLive().GetOrder() != "SO-3" {
		t.Errorf("k02 knits %q, %v", k.GetMachine().GetLive().GetOrder(), err)
	}
}
