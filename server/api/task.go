package api

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

var taskStateToPB = map[string]pb.TaskState{
	store.TaskDue: pb.TaskState_TASK_STATE_DUE, store.TaskTaken: pb.TaskState_TASK_STATE_TAKEN,
	store.TaskHalf: pb.TaskState_TASK_STATE_HALF_DONE, store.TaskDone: pb.TaskState_TASK_STATE_DONE,
}

var actFromPB = map[pb.TaskAct]string{
	pb.TaskAct_TASK_ACT_TAKE: store.ActTake, pb.TaskAct_TASK_ACT_DONE: store.ActDone, pb.TaskAct_TASK_ACT_HALF: store.ActHalf,
	pb.TaskAct_TASK_ACT_UNDO: store.ActUndo, pb.TaskAct_TASK_ACT_CALL_FIXER: store.ActFixer,
}

// WatchTasks sends the list whenever what stands in it changes, not for each turn.
func (s *creelService) WatchTasks(r *pb.WatchTasksRequest, stream grpc.ServerStreamingServer[pb.WatchTasksResponse]) error {
	ctx := stream.Context()
	woken := s.floor.Subscribe(ctx)
	var before *pb.WatchTasksResponse
	for {
		list, err := s.ListTasks(ctx, &pb.ListTasksRequest{Machines: r.GetMachines(), HorizonMinutes: r.GetHorizonMinutes()})
		if err != nil {
			return err
		}
		if now := (&pb.WatchTasksResponse{Tasks: list.GetTasks()}); before == nil || !proto.Equal(before, now) {
			if err := stream.Send(now); err != nil {
				return err // the reader is gone
			}
			before = now
		}
		if _, open := <-woken; !open {
			return s.status.of("WatchTasks", ctx.Err())
		}
	}
}

// required is a request id that must be there.
func required(r interface{ GetRequestId() string }, v *violations) string {
	id := text("request_id", r.GetRequestId(), v)
	if id == "" {
		v.add("request_id", "is empty, expected a new name for each request, so that a repeat changes nothing")
	}
	return id
}

func (s *creelService) ReportTask(ctx context.Context, r *pb.ReportTaskRequest) (*pb.ReportTaskResponse, error) {
	var v violations
	now := s.now()
	tap := store.Tap{
		Task: strings.TrimPrefix(text("task", r.GetTask(), &v), "tasks/"), Act: actFromPB[r.GetAct()], RequestID: required(r, &v),
		At: instant("act_time", r.GetActTime(), &v), Heard: now,
	}
	if tap.Task == "" {
		v.add("task", "is empty, expected tasks/ID as listed")
	}
	if tap.Act == "" {
		v.add("act", "is not one of TAKE, DONE, HALF, UNDO and CALL_FIXER")
	}
	if tap.At.IsZero() {
		tap.At = now
	}
	told := floor.Told{
		Group: text("feed_group", r.GetFeedGroup(), &v), Lot: text("lot", r.GetLot(), &v), Cones: whole("cone_count", int64(r.GetConeCount()), 0, mostCount, &v),
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	tap, err := s.floor.ReadyTap(ctx, tap, told)
	if err != nil {
		s.refused(ctx, r.GetValidateOnly(), err)
		return nil, s.status.of("ReportTask", err)
	}
	state, err := s.told.Tap(ctx, tap, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("ReportTask", err)
	}
	if !r.GetValidateOnly() {
		s.refresh(ctx)
	}
	out := &pb.ReportTaskResponse{Task: "tasks/" + state.Task, State: taskStateToPB[state.State], StateTime: stamp(state.Since), FixerCallTime: stamp(state.Fixer)}
	if state.Load != 0 {
		out.Load = fmt.Sprintf("machines/%s/loads/%d", state.Machine, state.Load)
		s.keepLearnt(ctx, state.Machine, "")
	}
	if l := tap.Load; l != nil {
		out.Warnings = s.lotWarnings(l)
		if !r.GetValidateOnly() {
			s.passed(ctx, l)
			out.Lessons = lessonsToPB(s.floor.Lessons(l.Machine, l.Group))
		}
	}
	return out, nil
}

func lotToPB(l *floor.LotView) *pb.Lot {
	kg := func(x float64, p pb.Provenance) *pb.Figure { return &pb.Figure{Value: x, Unit: unitKg, Provenance: p} }
	out := &pb.Lot{
		Name: "lots/" + l.ID, Yarn: l.Yarn, Tip: l.Tip, Orders: l.Orders, Machines: l.Machines,
		StoreKg: kg(l.InStoreKg, pb.Provenance_PROVENANCE_ENTERED), AtMachineKg: kg(l.AtMachinesKg, pb.Provenance_PROVENANCE_ENTERED),
		OnCreelKg: kg(l.OnCreelKg, pb.Provenance_PROVENANCE_CALCULATED),
	}
	for i := range l.Releases {
		out.Releases = append(out.Releases, releaseToPB(&l.Releases[i]))
	}
	calculated := func(x float64) *pb.Figure { return kg(x, pb.Provenance_PROVENANCE_CALCULATED) }
	out.FreeKg, out.ShortKg = calculated(l.FreeKg), calculated(l.ShortKg)
	for _, c := range l.Covers {
		out.Reservations = append(out.Reservations, &pb.LotReservation{
			Order: c.Order, NeedKg: calculated(float64(c.Need + c.Waste)), CoveredKg: calculated(float64(c.Covered)), ShortKg: calculated(float64(c.Short)),
		})
	}
	for _, d := range l.Draws {
		x := &pb.LotDraw{Machine: d.Machine, KgPerHour: d.PerHour, HoursLeft: hoursToPB(d.Hours)}
		if c := d.Change; c != nil {
			x.Change = &pb.LotChange{CleanRollCount: int32(c.Clean), RiskRollCount: int32(c.Risk), CutRevolutionCount: int64(c.CutAt)}
		}
		out.Draws = append(out.Draws, x)
	}
	return out
}

func releaseToPB(r *store.LotRelease) *pb.LotRelease {
	return &pb.LotRelease{Lot: "lots/" + r.Lot, Machine: "machines/" + r.Machine, Role: r.Role, Reason: r.Reason, ReleaseTime: stamp(r.At)}
}

func (s *creelService) ListLots(ctx context.Context, r *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
	var v violations
	size := pageSize(r.GetPageSize(), &v)
	all, err := s.floor.LotBalances(ctx)
	if err != nil {
		return nil, s.status.of("ListLots", err)
	}
	list, next := page(all, func(l floor.LotView) string { return l.ID }, "lots", r.GetPageToken(), size, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	out := &pb.ListLotsResponse{NextPageToken: next}
	for i := range list {
		out.Lots = append(out.Lots, lotToPB(&list[i]))
	}
	return out, nil
}

func lotID(name string, v *violations) string {
	id := strings.TrimPrefix(text("lot", name, v), "lots/")
	if id == "" {
		v.add("lot", "is empty, expected lots/ID")
	}
	return id
}

func (s *creelService) MoveLot(ctx context.Context, r *pb.MoveLotRequest) (*pb.MoveLotResponse, error) {
	var v violations
	m := store.LotMove{Lot: lotID(r.GetLot(), &v), Machine: machineID("machine", r.GetMachine(), &v), RequestID: required(r, &v), At: s.now()}
	m.Kg = finite("net_kg", r.GetNetKg(), 0, mostKg, &v)
	if m.Kg == 0 {
		v.add("net_kg", "is not above 0; weigh without cores")
	}
	switch r.GetMove() {
	case pb.LotMove_LOT_MOVE_REQUISITION:
	case pb.LotMove_LOT_MOVE_RETURN:
		m.Kg = -m.Kg
	default:
		v.add("move", "is not one of REQUISITION and RETURN")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if s.told == nil {
		return nil, s.status.of("MoveLot", floor.ErrNoTaps)
	}
	if _, err := s.told.MoveLot(ctx, m, r.GetValidateOnly()); err != nil {
		return nil, s.status.of("MoveLot", err)
	}
	if !r.GetValidateOnly() {
		s.refresh(ctx)
	}
	lots, err := s.floor.LotBalances(ctx)
	if err != nil {
		return nil, s.status.of("MoveLot", err)
	}
	for i := range lots {
		if lots[i].ID == m.Lot {
			return &pb.MoveLotResponse{Lot: lotToPB(&lots[i])}, nil
		}
	}
	return &pb.MoveLotResponse{}, nil
}

func (s *creelService) ReleaseLot(ctx context.Context, r *pb.ReleaseLotRequest) (*pb.ReleaseLotResponse, error) {
	var v violations
	rel := store.LotRelease{
		Lot: lotID(r.GetLot(), &v), Machine: machineID("machine", r.GetMachine(), &v), RequestID: required(r, &v),
		Role: strings.TrimSpace(text("role", r.GetRole(), &v)), Reason: strings.TrimSpace(text("reason", r.GetReason(), &v)), At: s.now(),
	}
	if rel.Role == "" {
		v.add("role", "is empty, expected the role of whoever releases, for example shift supervisor")
	}
	if rel.Reason == "" {
		v.add("reason", "is empty, expected why the other lot may be knitted")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if s.told == nil {
		return nil, s.status.of("ReleaseLot", floor.ErrNoTaps)
	}
	rel, err := s.told.ReleaseLot(ctx, rel, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("ReleaseLot", err)
	}
	if !r.GetValidateOnly() {
		s.refresh(ctx)
	}
	return &pb.ReleaseLotResponse{Release: releaseToPB(&rel)}, nil
}
