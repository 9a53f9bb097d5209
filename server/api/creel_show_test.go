package api

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

func (m *mill) creel(t *testing.T) *pb.Creel {
	t.Helper()
	r, err := m.creels.GetCreel(t.Context(), &pb.GetCreelRequest{Machine: "machines/k01"})
	if err != nil {
		t.Fatal(err)
	}
	return r.GetCreel()
}

// A creel by its places: changed by half, taken back, tied, run out. The undo puts
// every place back as it was.
func TestCreelPlaceByPlace(t *testing.T) {
	m, _ := creelMill(t)
	full := m.creel(t)
	if len(full.GetPositions()) != 100 || full.GetName() != "machines/k01/creel" {
		t.Fatalf("%d places of %s, want 100", len(full.GetPositions()), full.GetName())
	}
	p := full.GetPositions()[0]
	if p.GetLot() != "L-1" || p.GetConeNetKg() != 0.2 || p.GetNumber() != 1 || p.GetTask() == "" || !(p.GetLeftKg().GetValue() > 0 && p.GetLeftKg().GetValue() <= 0.2) {
		t.Errorf("first place %v", p)
	}
	load := func(r *pb.LoadCreelRequest) *pb.LoadCreelResponse {
		t.Helper()
		r.Machine, r.ConeNetKg, r.Lot = "machines/k01", 0.2, "lots/L-1"
		r.Lot = strings.TrimPrefix(r.Lot, "lots/")
		a, err := m.creels.LoadCreel(t.Context(), r)
		if err != nil {
			t.Fatal(err)
		}
		return a
	}
	tie := load(&pb.LoadCreelRequest{Work: pb.LoadWork_LOAD_WORK_TIE, Positions: []int32{7, 9}})
	c := m.creel(t)
	if x := c.GetPositions()[6]; !x.GetReserveTied() || x.GetReserveLot() != "L-1" || x.GetReserveNetKg() != 0.2 || c.GetPositions()[7].GetReserveTied() || tie.GetConeCount() != 2 {
		t.Errorf("tied: place 7 %v, place 8 %v", x, c.GetPositions()[7])
	}
	if !strings.Contains(c.GetPositions()[6].GetTask(), "-tie-") || strings.Contains(c.GetPositions()[7].GetTask(), "-tie-") {
		t.Errorf("tasks %s and %s, want a tie and a change", c.GetPositions()[6].GetTask(), c.GetPositions()[7].GetTask())
	}
	number := tie.GetLoad()
	if _, err := m.creels.UndoLoad(t.Context(), &pb.UndoLoadRequest{Machine: "machines/k01", Load: number}); err != nil {
		t.Fatal(err)
	}
	back := m.creel(t)
	for i, x := range back.GetPositions() {
		x.LeftKg, full.Positions[i].LeftKg = nil, nil // as of another instant
		if !proto.Equal(x, full.Positions[i]) {
			t.Fatalf("after the undo place %d is %v, was %v", i+1, x, full.Positions[i])
		}
	}
	dry := load(&pb.LoadCreelRequest{Work: pb.LoadWork_LOAD_WORK_CHANGE, ConeCount: 50, ValidateOnly: true})
	if dry.GetLoad() != "" || dry.GetConeCount() != 50 || m.creel(t).GetPositions()[0].GetLoadRevolutionCount() != full.GetPositions()[0].GetLoadRevolutionCount() {
		t.Errorf("a dry run wrote: %v", dry)
	}
	for what, r := range map[string]*pb.LoadCreelRequest{
		"a place twice":        {Positions: []int32{1, 1}},
		"a place that is not":  {Positions: []int32{101}},
		"place 0":              {Positions: []int32{0}},
		"places and cones":     {Positions: []int32{1, 2}, ConeCount: 3},
		"a spread above half":  {ConeMassCv: 0.6},
		"a work that is not":   {Work: 99},
		"more than the places": {ConeCount: 101, Work: pb.LoadWork_LOAD_WORK_TIE},
		"negative mass":        {ConeNetKg: -1},
		"gross mass":           {ConeNetKg: 2.4},
	} {
		r.Machine = "machines/k01"
		if _, err := m.creels.LoadCreel(t.Context(), r); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v, want invalid", what, err)
		}
	}
	after := m.creel(t)
	for i, x := range after.GetPositions() {
		x.LeftKg = nil
		if !proto.Equal(x, full.Positions[i]) {
			t.Fatalf("after refusals place %d is %v, was %v", i+1, x, full.Positions[i])
		}
	}
	if _, err := m.creels.GetCreel(t.Context(), &pb.GetCreelRequest{Machine: "machines/k99"}); status.Code(err) != codes.NotFound {
		t.Errorf("creel of an unknown machine: %v", err)
	}
}

// Cones that last 3 % longer than calculated are learnt of from run-outs; an undo unlearns,
// and a life of twice the length is held apart and said.
func TestLessonsOfACreel(t *testing.T) {
	m, _ := creelMill(t)
	const life = 2000 // turns: 0.2 kg at 5 m of 20 tex a turn
	const calculated = 0.2 / (5 * 20e-6)
	if life != calculated {
		t.Fatalf("a cone lasts %d turns, want %v", life, calculated)
	}
	var last *pb.LoadCreelResponse
	load := func(i int, turn int64) {
		t.Helper()
		var err error
		last, err = m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{
			Machine: "machines/k01", Lot: "L-1", ConeNetKg: 0.2, RevolutionCount: &turn, Work: pb.LoadWork_LOAD_WORK_RUN_OUT, RequestId: fmt.Sprint("l", i), Positions: []int32{1},
			LoadTime: timestamppb.New(time.Now().Add(-20*time.Minute + time.Duration(i)*time.Second)),
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	turn := int64(1e6)
	for i := range 12 {
		load(i, turn)
		turn += 1.03 * life
	}
	lesson := last.GetLessons()[0]
	if math.Abs(lesson.GetLifeRatio()-1.03) > 2.5*lesson.GetLifeRatioSd()+0.003 || lesson.GetObservationCount() < 11 || lesson.GetNewestApart() {
		t.Fatalf("learnt %v, want a ratio of 1.03", lesson)
	}
	kept := func() store.Learnt {
		t.Helper()
		all, err := m.st.Learnt(t.Context())
		if err != nil || len(all) != 1 {
			t.Fatalf("kept %+v, %v", all, err)
		}
		return all[0]
	}
	before := kept()
	if math.Abs(math.Exp(before.Mean)-1.03) > 0.01 || before.Weight <= 20 {
		t.Errorf("kept %+v, want the bias and the weight of its noise", before)
	}
	load(99, turn+life) // nobody told of the change between
	if l := last.GetLessons()[0]; !l.GetNewestApart() || l.GetApartCount() != lesson.GetApartCount()+1 || math.Abs(l.GetLifeRatio()-lesson.GetLifeRatio()) > 1e-9 || !strings.Contains(l.GetSentence(), "held apart") {
		t.Errorf("a life twice as long: %v", l)
	}
	if _, err := m.creels.UndoLoad(t.Context(), &pb.UndoLoadRequest{Machine: "machines/k01", Load: last.GetLoad()}); err != nil {
		t.Fatal(err)
	}
	if now := kept(); fmt.Sprint(now) != fmt.Sprint(before) {
		t.Errorf("after the undo %+v is kept, before it was %+v", now, before)
	}
	meter, err := m.creels.RecordReading(t.Context(), &pb.RecordReadingRequest{Machine: "machines/k01", Kind: pb.ReadingKind_READING_KIND_METER, RevolutionCount: 100, LengthM: 488, RequestId: "m"})
	if err != nil || math.Abs(meter.GetRatio()-0.976) > 1e-9 {
		t.Fatalf("meter %v, %v, want 488 m over 500", meter, err)
	}
	if got := meter.GetLessons()[0].GetLifeRatio(); got >= lesson.GetLifeRatio() {
		t.Errorf("by the meter a cone lasts 1/0.976, and it is told to last %.4f of what is calculated, it was %.4f", got, lesson.GetLifeRatio())
	}
	for what, r := range map[string]*pb.RecordReadingRequest{
		"no kind": {RevolutionCount: 100, LengthM: 5}, "no turns": {Kind: pb.ReadingKind_READING_KIND_METER, LengthM: 500},
		"in centimetres": {Kind: pb.ReadingKind_READING_KIND_METER, RevolutionCount: 100, LengthM: 51000},
		"no kilos":       {Kind: pb.ReadingKind_READING_KIND_ROLLS, RevolutionCount: 100},
		"a wild spread":  {Kind: pb.ReadingKind_READING_KIND_ROLLS, RevolutionCount: 1000, NetKg: 10, ReadingSd: 0.9},
	} {
		r.Machine, r.RequestId = "machines/k01", what
		if _, err := m.creels.RecordReading(t.Context(), r); status.Code(err) != codes.InvalidArgument {
			t.Errorf("reading with %s: %v", what, err)
		}
	}
	if all, err := m.st.Readings(t.Context(), time.Time{}); err != nil || len(all) != 1 {
		t.Errorf("%d readings, %v, want the one that was right", len(all), err)
	}
}

// What orders need of a lot, and when machines stand without it.
func TestLotBalance(t *testing.T) {
	m, _ := creelMill(t)
	list, err := m.creels.ListLots(t.Context(), &pb.ListLotsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range list.GetLots() {
		sum := l.GetStoreKg().GetValue() + l.GetAtMachineKg().GetValue() + l.GetOnCreelKg().GetValue() + l.GetShortKg().GetValue() - l.GetFreeKg().GetValue()
		need := 0.0
		for _, r := range l.GetReservations() {
			need += r.GetNeedKg().GetValue()
			if d := r.GetNeedKg().GetValue() - r.GetCoveredKg().GetValue() - r.GetShortKg().GetValue(); math.Abs(d) > 1e-6 {
				t.Errorf("%s: %v does not add up", l.GetName(), r)
			}
		}
		if math.Abs(sum-need) > 1e-6 {
			t.Errorf("%s: %g kg are there or short beyond what is free, %g are reserved", l.GetName(), sum, need)
		}
		if l.GetName() == "lots/L-1" && (len(l.GetReservations()) == 0 || len(l.GetDraws()) != 1 || l.GetDraws()[0].GetMachine() != "k01" || !(l.GetDraws()[0].GetHoursLeft() > 0)) {
			t.Errorf("L-1 is knitted on k01 for an order: %v", l)
		}
	}
}

// Yarn that was requisitioned and creeled is counted once.
func TestCreeledYarnIsNoLongerBeside(t *testing.T) {
	m, _ := creelMill(t)
	at := func() (beside, creel float64) {
		t.Helper()
		list, err := m.creels.ListLots(t.Context(), &pb.ListLotsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range list.GetLots() {
			if l.GetName() == "lots/L-1" {
				return l.GetAtMachineKg().GetValue(), l.GetOnCreelKg().GetValue()
			}
		}
		t.Fatal("no lot L-1")
		return 0, 0
	}
	_, before := at()
	if _, err := m.creels.MoveLot(t.Context(), &pb.MoveLotRequest{Lot: "L-1", Machine: "k01", Move: pb.LotMove_LOT_MOVE_REQUISITION, NetKg: 25, RequestId: "out"}); err != nil {
		t.Fatal(err)
	}
	if b, c := at(); b != 25 || math.Abs(c-before) > 1 {
		t.Errorf("after a requisition %g kg beside and %g on the creel, want 25 and %g", b, c, before)
	}
	a, err := m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-1", ConeNetKg: 0.2, LoadTime: timestamppb.New(time.Now().Add(time.Second))})
	if err != nil {
		t.Fatal(err)
	}
	if b, c := at(); math.Abs(b-5) > 1e-9 || math.Abs(c-20) > 1e-6 {
		t.Errorf("with 100 cones of 0.2 kg on the creel %g kg stand beside and %g on it, want 5 and 20", b, c)
	}
	if _, err := m.creels.UndoLoad(t.Context(), &pb.UndoLoadRequest{Machine: "machines/k01", Load: a.GetLoad()}); err != nil {
		t.Fatal(err)
	}
	if b, _ := at(); b != 25 {
		t.Errorf("after the undo %g kg beside, want 25", b)
	}
}

// With the rule warn another lot of the same yarn passes and is told; another yarn does not pass.
func TestLotRuleWarn(t *testing.T) {
	m, _ := creelMill(t)
	rule := floor.DefaultCreelRule
	rule.WarnLots = true
	f, err := floor.New(t.Context(), m.st, floor.Config{Creel: m.st, Rule: rule})
	if err != nil {
		t.Fatal(err)
	}
	s := &creelService{api: &api{floor: f, st: m.st, now: time.Now, told: m.st, status: statuses{}}}
	a, err := s.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-2", ConeCount: 3, ValidateOnly: true})
	if err != nil || len(a.GetWarnings()) != 1 || !strings.Contains(a.GetWarnings()[0], "takes lot L-1") {
		t.Errorf("another lot with the rule warn: %v, %v", a, err)
	}
	if _, err := s.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "Z-1", ConeCount: 3, ValidateOnly: true}); status.Code(err) != codes.FailedPrecondition {
		t.Errorf("another yarn with the rule warn: %v", err)
	}
	if a, err := s.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-1", ConeCount: 3, ValidateOnly: true}); err != nil || len(a.GetWarnings()) != 0 {
		t.Errorf("the right lot: %v, %v", a, err)
	}
}

// Cones that had run out are told with the stop: they count from its turn, and are learnt of as run out.
func TestRunOutStop(t *testing.T) {
	m, _ := creelMillOf(t, 60)
	var stop *pb.Task
	for _, x := range m.listed(t) {
		if x.GetKind() == pb.TaskKind_TASK_KIND_STOP {
			stop = x
		}
	}
	if stop == nil {
		t.Fatal("no stop is listed")
	}
	report := func(r *pb.ReportTaskRequest) (*pb.ReportTaskResponse, error) {
		r.Task = stop.GetName()
		return m.creels.ReportTask(t.Context(), r)
	}
	before := m.creel(t)
	for what, r := range map[string]*pb.ReportTaskRequest{
		"half of a stop":      {Act: pb.TaskAct_TASK_ACT_HALF, ConeCount: 2},
		"more than there are": {Act: pb.TaskAct_TASK_ACT_DONE, ConeCount: 101},
		"a lot without cones": {Act: pb.TaskAct_TASK_ACT_DONE, Lot: "L-1"},
	} {
		r.RequestId = what
		if _, err := report(r); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v, want invalid", what, err)
		}
	}
	if _, err := report(&pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_DONE, ConeCount: 2, FeedGroup: "loop", RequestId: "group"}); status.Code(err) != codes.NotFound {
		t.Errorf("a feed group that the card has not: %v", err)
	}
	a, err := report(&pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_DONE, ConeCount: 2, RequestId: "out"})
	if err != nil || a.GetLoad() == "" || a.GetState() != pb.TaskState_TASK_STATE_DONE {
		t.Fatalf("two cones had run out: %v, %v", a, err)
	}
	log, err := m.st.CreelLog(t.Context(), time.Time{}.Add(time.Second))
	if err != nil || len(log) != 2 || log[1].Work != store.LoadOut || log[1].Cones != 2 || !log[1].At.Before(time.Now()) {
		t.Fatalf("loads %+v, %v, want two cones in the place of others that had run out", log, err)
	}
	fresh := 0
	for i, x := range m.creel(t).GetPositions() {
		if x.GetLoadRevolutionCount() != before.GetPositions()[i].GetLoadRevolutionCount() {
			fresh++
		}
	}
	if fresh != 2 {
		t.Errorf("%d places hold new cones, want 2", fresh)
	}
	if _, err := report(&pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_UNDO, RequestId: "undo"}); err != nil {
		t.Fatal(err)
	}
	for i, x := range m.creel(t).GetPositions() {
		if x.GetLoadRevolutionCount() != before.GetPositions()[i].GetLoadRevolutionCount() {
			t.Fatalf("place %d is not put back", i+1)
		}
	}
}

// A tap that was heard is answered as before, however late it is repeated; a new one
// of that age is refused.
func TestLateRepeat(t *testing.T) {
	m, task := creelMill(t)
	old := timestamppb.New(time.Now().Add(-25 * time.Hour))
	take := &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_TAKE, RequestId: "tap"}
	first, err := m.creels.ReportTask(t.Context(), take)
	if err != nil {
		t.Fatal(err)
	}
	take.ActTime = old
	if again, err := m.creels.ReportTask(t.Context(), take); err != nil || !proto.Equal(again, first) {
		t.Errorf("the repeat: %v, %v, want %v", again, err, first)
	}
	take.RequestId = "another"
	if _, err := m.creels.ReportTask(t.Context(), take); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a new tap of yesterday: %v", err)
	}
}

// A watcher of walks gets them at once, and again when a task of them is taken.
func TestWatchWalks(t *testing.T) {
	m, task := creelMill(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute) // only ends a test that would never end
	defer cancel()
	stream, err := m.creels.WatchWalks(ctx, &pb.WatchWalksRequest{HorizonMinutes: 7 * 24 * 60})
	if err != nil {
		t.Fatal(err)
	}
	state := func() pb.TaskState {
		t.Helper()
		r, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range r.GetWalks().GetWalks() {
			for _, s := range w.GetStops() {
				for _, x := range s.GetTasks() {
					if x.GetName() == task.GetName() {
						return x.GetState()
					}
				}
			}
		}
		t.Fatalf("%s is in no walk of %v", task.GetName(), r)
		return 0
	}
	if s := state(); s != pb.TaskState_TASK_STATE_DUE {
		t.Errorf("at first %v", s)
	}
	if _, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_TAKE, RequestId: "w"}); err != nil {
		t.Fatal(err)
	}
	for state() != pb.TaskState_TASK_STATE_TAKEN { // the plan may move in between
	}
}
