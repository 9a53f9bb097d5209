package api

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

// creelMill has one creel task, k01 loaded half an hour ago with 100 cones of L-1.
func creelMill(t *testing.T) (*mill, *pb.Task) {
	t.Helper()
	return creelMillOf(t, 0)
}

// creelMillOf is a creelMill with so many stops, of which the last is open.
func creelMillOf(t *testing.T, stops int) (*mill, *pb.Task) {
	t.Helper()
	m := newMill(t)
	b := testBook()
	b.Yarns = append(b.Yarns, &pb.BookYarn{Id: "z", Count: "30 tex", ConeNetKg: 2})
	b.Lots = append(b.Lots, &pb.BookLot{Id: "L-2", Yarn: "y", StoreKg: 50}, &pb.BookLot{Id: "Z-1", Yarn: "z", StoreKg: 50})
	b.Machines = append(b.Machines, &pb.BookMachine{Id: "k02", FeederCount: 96})
	m.apply(t, b)
	m.knit(t, stops)
	if err := m.floor.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "k01", Lot: "L-1", ConeNetKg: 0.2, LoadTime: timestamppb.New(time.Now().Add(-30 * time.Minute))}); err != nil {
		t.Fatal(err)
	}
	return m, m.creelTask(t)
}

func (m *mill) creelTask(t *testing.T) *pb.Task {
	t.Helper()
	for _, task := range m.listed(t) {
		if task.GetKind() == pb.TaskKind_TASK_KIND_CREEL {
			return task
		}
	}
	t.Fatal("no creel task is listed")
	return nil
}

func (m *mill) listed(t *testing.T) []*pb.Task {
	t.Helper()
	list, err := m.creels.ListTasks(t.Context(), &pb.ListTasksRequest{HorizonMinutes: 7 * 24 * 60})
	if err != nil {
		t.Fatal(err)
	}
	return list.GetTasks()
}

func TestTaskFromDueToDone(t *testing.T) {
	m, task := creelMill(t)
	act := func(a pb.TaskAct, id string) *pb.ReportTaskResponse {
		t.Helper()
		r, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: task.GetName(), Act: a, RequestId: id})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if task.GetState() != pb.TaskState_TASK_STATE_DUE {
		t.Fatalf("state %v, want due", task.GetState())
	}
	if r := act(pb.TaskAct_TASK_ACT_TAKE, "1"); r.GetState() != pb.TaskState_TASK_STATE_TAKEN || m.creelTask(t).GetState() != r.GetState() {
		t.Errorf("taken: %v, listed %v", r, m.creelTask(t).GetState())
	}
	call := act(pb.TaskAct_TASK_ACT_CALL_FIXER, "2")
	if again := act(pb.TaskAct_TASK_ACT_CALL_FIXER, "3"); call.GetFixerCallTime() == nil || !again.GetFixerCallTime().AsTime().Equal(call.GetFixerCallTime().AsTime()) {
		t.Errorf("two calls of the fixer are not one: %v and %v", call, again)
	}
	half := act(pb.TaskAct_TASK_ACT_HALF, "4")
	if again := act(pb.TaskAct_TASK_ACT_HALF, "4"); half.GetLoad() == "" || again.GetLoad() != half.GetLoad() || again.GetState() != half.GetState() {
		t.Errorf("a repeat answers %v, the first was %v", again, half)
	}
	names := map[string]int32{}
	for _, x := range m.listed(t) {
		if x.GetKind() == pb.TaskKind_TASK_KIND_CREEL {
			names[x.GetName()] = x.GetConeCount()
		}
	}
	if names[task.GetName()] != 50 || len(names) != 2 {
		t.Errorf("after half of 100 cones the tasks are %v, want 50 left of %s and 50 of the new ones", names, task.GetName())
	}
	if r := act(pb.TaskAct_TASK_ACT_UNDO, "5"); r.GetState() != pb.TaskState_TASK_STATE_TAKEN || r.GetLoad() != half.GetLoad() {
		t.Errorf("undo: %v", r)
	}
	if n := m.creelTask(t).GetConeCount(); n != 100 {
		t.Errorf("%d cones after the undo, want 100", n)
	}
	done := act(pb.TaskAct_TASK_ACT_DONE, "6")
	if again := act(pb.TaskAct_TASK_ACT_DONE, "6"); again.GetLoad() != done.GetLoad() {
		t.Errorf("done twice by one tap: loads %s and %s", done.GetLoad(), again.GetLoad())
	}
	for _, x := range m.listed(t) {
		if x.GetName() == task.GetName() {
			t.Errorf("%s is listed although it is done", x.GetName())
		}
	}
	loads, err := m.st.Loads(t.Context())
	if err != nil || len(loads) != 1 || loads[0].Cones != 100 {
		t.Errorf("loads %+v, %v, want one of 100 cones", loads, err)
	}
}

// Each is refused with what to do, and leaves tasks, loads and lots as they were.
func TestBadTapsAndLots(t *testing.T) {
	m, task := creelMill(t)
	if _, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_TAKE, RequestId: "taken"}); err != nil {
		t.Fatal(err)
	}
	if _, err := m.creels.MoveLot(t.Context(), &pb.MoveLotRequest{Lot: "L-2", Machine: "k01", Move: pb.LotMove_LOT_MOVE_REQUISITION, NetKg: 10, RequestId: "moved"}); err != nil {
		t.Fatal(err)
	}
	report := func(r *pb.ReportTaskRequest) error { _, err := m.creels.ReportTask(t.Context(), r); return err }
	load := func(r *pb.LoadCreelRequest) error { _, err := m.creels.LoadCreel(t.Context(), r); return err }
	move := func(lot string, way pb.LotMove, kg float64, id string) error {
		_, err := m.creels.MoveLot(t.Context(), &pb.MoveLotRequest{Lot: lot, Machine: "k01", Move: way, NetKg: kg, RequestId: id})
		return err
	}
	release := func(r *pb.ReleaseLotRequest) error { _, err := m.creels.ReleaseLot(t.Context(), r); return err }
	const done, take, undo = pb.TaskAct_TASK_ACT_DONE, pb.TaskAct_TASK_ACT_TAKE, pb.TaskAct_TASK_ACT_UNDO
	old := timestamppb.New(time.Now().Add(-25 * time.Hour))
	name := task.GetName()
	for what, tt := range map[string]struct {
		err  error
		code codes.Code
		says string
	}{
		"unknown lot":       {load(&pb.LoadCreelRequest{Machine: "k01", Lot: "L-9"}), codes.InvalidArgument, "apply it first"},
		"too many cones":    {load(&pb.LoadCreelRequest{Machine: "k01", ConeCount: 101}), codes.InvalidArgument, "takes 100 cones"},
		"negative mass":     {load(&pb.LoadCreelRequest{Machine: "k01", ConeNetKg: -1}), codes.InvalidArgument, "expected 0 to 100"},
		"gross mass":        {load(&pb.LoadCreelRequest{Machine: "k01", ConeNetKg: 2.2}), codes.InvalidArgument, "take core and wrapping off"},
		"no card":           {load(&pb.LoadCreelRequest{Machine: "k02"}), codes.InvalidArgument, "assign an order with a card first"},
		"another yarn":      {load(&pb.LoadCreelRequest{Machine: "k01", Lot: "Z-1"}), codes.FailedPrecondition, "takes y (20 tex) of lot L-1"},
		"another lot":       {load(&pb.LoadCreelRequest{Machine: "k01", Lot: "L-2"}), codes.FailedPrecondition, "takes lot L-1 now; change the cones"},
		"tap, other lot":    {report(&pb.ReportTaskRequest{Task: name, Act: done, Lot: "L-2", RequestId: "a"}), codes.FailedPrecondition, "released"},
		"tap, unknown lot":  {report(&pb.ReportTaskRequest{Task: name, Act: done, Lot: "L-9", RequestId: "a"}), codes.NotFound, "apply it with the book first"},
		"tap, many cones":   {report(&pb.ReportTaskRequest{Task: name, Act: done, ConeCount: 101, RequestId: "a"}), codes.InvalidArgument, "count again"},
		"tap of yesterday":  {report(&pb.ReportTaskRequest{Task: name, Act: done, ActTime: old, RequestId: "a"}), codes.InvalidArgument, "more than 24 hours ago"},
		"tap to come":       {report(&pb.ReportTaskRequest{Task: name, Act: done, ActTime: timestamppb.New(time.Now().Add(time.Hour)), RequestId: "a"}), codes.InvalidArgument, "set the clock"},
		"taken twice":       {report(&pb.ReportTaskRequest{Task: name, Act: take, RequestId: "a"}), codes.FailedPrecondition, "go to the next one"},
		"undo too late":     {report(&pb.ReportTaskRequest{Task: name, Act: undo, ActTime: timestamppb.New(time.Now().Add(11 * time.Second)), RequestId: "a"}), codes.FailedPrecondition, "only 10 s"},
		"unknown task":      {report(&pb.ReportTaskRequest{Task: "tasks/k09-creel-x-1", Act: done, RequestId: "a"}), codes.NotFound, "read the list again"},
		"no request id":     {report(&pb.ReportTaskRequest{Task: name, Act: done}), codes.InvalidArgument, "request_id"},
		"no act":            {report(&pb.ReportTaskRequest{Task: name, RequestId: "a"}), codes.InvalidArgument, "act"},
		"more than stored":  {move("L-2", pb.LotMove_LOT_MOVE_REQUISITION, 41, "b"), codes.InvalidArgument, "40.0 kg are in the store"},
		"more than came":    {move("L-2", pb.LotMove_LOT_MOVE_RETURN, 11, "b"), codes.InvalidArgument, "10.0 kg were requisitioned"},
		"no kilos":          {move("L-2", pb.LotMove_LOT_MOVE_RETURN, -1, "b"), codes.InvalidArgument, "weigh without cores"},
		"move, unknown lot": {move("L-9", pb.LotMove_LOT_MOVE_RETURN, 1, "b"), codes.NotFound, "apply both"},
		"request id reused": {move("L-1", pb.LotMove_LOT_MOVE_REQUISITION, 1, "moved"), codes.InvalidArgument, "make a new one"},
		"no reason":         {release(&pb.ReleaseLotRequest{Lot: "L-2", Machine: "k01", Role: "shift supervisor", RequestId: "c"}), codes.InvalidArgument, "reason"},
		"no role":           {release(&pb.ReleaseLotRequest{Lot: "L-2", Machine: "k01", Reason: "x", RequestId: "c"}), codes.InvalidArgument, "role"},
	} {
		if status.Code(tt.err) != tt.code || !strings.Contains(status.Convert(tt.err).Message(), tt.says) {
			t.Errorf("%s: %v, want %v with %q", what, tt.err, tt.code, tt.says)
		}
	}
	after := m.creelTask(t)
	if after.GetName() != name || after.GetState() != pb.TaskState_TASK_STATE_TAKEN || after.GetConeCount() != 100 {
		t.Errorf("the task is %v now", after)
	}
	if loads, err := m.st.Loads(t.Context()); err != nil || len(loads) != 1 {
		t.Errorf("loads %+v, %v, want the first only", loads, err)
	}
	lots, err := m.creels.ListLots(t.Context(), &pb.ListLotsRequest{})
	if err != nil || len(lots.GetLots()) != 3 || lots.GetLots()[1].GetStoreKg().GetValue() != 40 || lots.GetLots()[1].GetAtMachineKg().GetValue() != 10 {
		t.Errorf("lots %v, %v", lots, err)
	}
	// Done, told twice by two phones.
	if err := report(&pb.ReportTaskRequest{Task: name, Act: done, RequestId: "d1"}); err != nil {
		t.Fatal(err)
	}
	err = report(&pb.ReportTaskRequest{Task: name, Act: done, RequestId: "d2"})
	if status.Code(err) != codes.FailedPrecondition || !strings.Contains(status.Convert(err).Message(), "counts once") {
		t.Errorf("done for a done task: %v", err)
	}
	// Released, the other lot goes on; only on that machine.
	if err := release(&pb.ReleaseLotRequest{Lot: "L-2", Machine: "k01", Role: "shift supervisor", Reason: "same spinning", RequestId: "r"}); err != nil {
		t.Fatal(err)
	}
	if err := load(&pb.LoadCreelRequest{Machine: "k01", Lot: "L-2"}); err != nil {
		t.Errorf("a released lot: %v", err)
	}
}

func TestWatchTasks(t *testing.T) {
	m, task := creelMill(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // only ends a test that would never end
	defer cancel()
	stream, err := m.creels.WatchTasks(ctx, &pb.WatchTasksRequest{HorizonMinutes: 7 * 24 * 60})
	if err != nil {
		t.Fatal(err)
	}
	first, err := stream.Recv()
	if err != nil || len(first.GetTasks()) == 0 {
		t.Fatalf("first answer %v, %v", first, err)
	}
	if _, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_TAKE, RequestId: "w"}); err != nil {
		t.Fatal(err)
	}
	for {
		next, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range next.GetTasks() {
			if x.GetName() == task.GetName() && x.GetState() == pb.TaskState_TASK_STATE_TAKEN {
				return
			}
		}
	}
}
