package api

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/store"
)

// Horizon of tasks.
const (
	defaultHorizon = 120 * time.Minute
	maxHorizonMin  = 7 * 24 * 60
	mostPositions  = 10_000
)

type creelService struct {
	*api
	pb.UnimplementedCreelServiceServer
}

func (s *creelService) ListTasks(ctx context.Context, r *pb.ListTasksRequest) (*pb.ListTasksResponse, error) {
	machines, horizon, err := s.whoAndHowFar("ListTasks", r.GetMachines(), r.GetHorizonMinutes())
	if err != nil {
		return nil, err
	}
	tasks, err := s.floor.Tasks(ctx, machines, horizon)
	if err != nil {
		return nil, s.status.of("ListTasks", err)
	}
	out := &pb.ListTasksResponse{}
	for i := range tasks {
		out.Tasks = append(out.Tasks, taskViewToPB(&tasks[i], s.now().In(s.floor.Zone())))
	}
	return out, nil
}

func (s *creelService) LoadCreel(ctx context.Context, r *pb.LoadCreelRequest) (*pb.LoadCreelResponse, error) {
	load, v := loadFromPB(r)
	now := s.now()
	if load.At.IsZero() {
		load.At = now
	} else if load.At.After(now.Add(time.Minute)) {
		v.add("load_time", "is in the future")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if load.Work != store.LoadOff { // the card may have changed by then
		group, cones, err := s.floor.FeedGroup(load.Machine, load.Group, load.At)
		if err != nil {
			return nil, s.status.of("LoadCreel", err)
		}
		if load.Cones > cones {
			v.add("cone_count", fmt.Sprintf("is %d, but feed group %s of %s takes %d cones", load.Cones, group, load.Machine, cones))
		}
	}
	if load.Lot != "" && !s.floor.KnowsLot(load.Lot) {
		v.add("lot", fmt.Sprintf("%q is not in the book; apply it first", cut(load.Lot)))
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	load.Revolutions = r.GetRevolutionCount()
	load, err := s.floor.CompleteLoad(ctx, load)
	if err != nil {
		s.refused(ctx, r.GetValidateOnly(), err)
		return nil, s.status.of("LoadCreel", err)
	}
	if r.RevolutionCount != nil {
		load.Revolutions = r.GetRevolutionCount()
	}
	out := &pb.LoadCreelResponse{ConeCount: int32(load.Cones), Warnings: s.lotWarnings(&load)}
	if r.GetValidateOnly() {
		return out, nil
	}
	id, err := s.st.AddLoad(ctx, load)
	if err != nil {
		return nil, s.status.of("LoadCreel", err)
	}
	s.refresh(ctx)
	if load.Work != store.LoadOff {
		s.passed(ctx, &load)
	}
	s.keepLearnt(ctx, load.Machine, load.Group)
	out.Load, out.Lessons = fmt.Sprintf("machines/%s/loads/%d", load.Machine, id), lessonsToPB(s.floor.Lessons(load.Machine, load.Group))
	return out, nil
}

func (s *creelService) lotWarnings(l *store.Load) []string {
	if l.Work == store.LoadOff {
		return nil
	}
	if w := s.floor.LotWarning(l.Machine, l.Group, l.Lot, l.At); w != "" {
		return []string{w}
	}
	return nil
}

// loadFromPB reads the fields of a load; what the floor must complete is left
// zero.
func loadFromPB(r *pb.LoadCreelRequest) (store.Load, violations) {
	var v violations
	l := store.Load{
		Machine: machineID("machine", r.GetMachine(), &v), Group: text("feed_group", r.GetFeedGroup(), &v), Lot: text("lot", r.GetLot(), &v),
		Cones: whole("cone_count", int64(r.GetConeCount()), 0, mostCount, &v), ConeKg: finite("cone_net_kg", r.GetConeNetKg(), 0, 100, &v),
		At: instant("load_time", r.GetLoadTime(), &v), RequestID: text("request_id", r.GetRequestId(), &v),
		ConeCV: finite("cone_mass_cv", r.GetConeMassCv(), 0, 0.5, &v), Work: workFromPB[r.GetWork()],
	}
	if l.Work == "" {
		v.add("work", "is not one of CHANGE, RUN_OUT, TIE, BESIDE and OFF")
	}
	if len(r.GetPositions()) > mostPositions {
		v.add("positions", fmt.Sprintf("are %d, at most %d are expected", len(r.GetPositions()), mostPositions))
	} else {
		for _, p := range r.GetPositions() {
			l.Positions = append(l.Positions, int(p))
		}
	}
	if l.Cones == 0 {
		l.Cones = len(l.Positions)
	}
	if r.RevolutionCount != nil && r.GetRevolutionCount() < 0 {
		v.add("revolution_count", fmt.Sprintf("is %d, expected 0 or more", r.GetRevolutionCount()))
	}
	return l, v
}

func (s *creelService) UndoLoad(ctx context.Context, r *pb.UndoLoadRequest) (*pb.UndoLoadResponse, error) {
	var v violations
	machine := machineID("machine", r.GetMachine(), &v)
	number := strings.TrimPrefix(r.GetLoad(), "machines/"+machine+"/loads/")
	id, err := strconv.ParseInt(number, 10, 64)
	if err != nil || id < 1 {
		v.add("load", fmt.Sprintf("is %q, expected machines/%s/loads/NUMBER", cut(r.GetLoad()), cut(machine)))
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if err := s.st.UndoLoad(ctx, machine, id); err != nil {
		return nil, s.status.of("UndoLoad", err)
	}
	s.refresh(ctx)
	s.keepLearnt(ctx, machine, "")
	return &pb.UndoLoadResponse{}, nil
}

// refresh lets readers see a change that was written. What was written stands,
// even if the picture is late; the floor tries again by itself.
func (a *api) refresh(ctx context.Context) {
	if err := a.floor.Refresh(context.WithoutCancel(ctx)); err != nil {
		a.log.Warn("the picture is late after a change", "err", err)
	}
}
