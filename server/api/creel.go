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
		out.Tasks = append(out.Tasks, taskViewToPB(&tasks[i], s.now()))
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
	group, cones, err := s.floor.FeedGroup(load.Machine, load.Group, load.At)
	if err != nil {
		return nil, s.status.of("LoadCreel", err)
	}
	load.Group = group
	switch {
	case load.Cones == 0:
		load.Cones = cones
	case load.Cones > cones:
		v.add("cone_count", fmt.Sprintf("is %d, but feed group %s of %s takes %d cones", load.Cones, group, load.Machine, cones))
	}
	if load.Lot != "" && !s.floor.KnowsLot(load.Lot) {
		v.add("lot", fmt.Sprintf("%q is not in the book; apply it first", cut(load.Lot)))
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if load.Lot != "" {
		if err := s.floor.CheckLot(load.Machine, group, load.Lot, load.At); err != nil {
			s.refused(ctx, r.GetValidateOnly(), err)
			return nil, s.status.of("LoadCreel", err)
		}
	}
	if err := s.floor.CheckCone(load.Machine, group, load.ConeKg, load.At); err != nil {
		return nil, s.status.of("LoadCreel", err)
	}
	if r.RevolutionCount != nil {
		load.Revolutions = r.GetRevolutionCount()
	} else if load.Revolutions, err = s.st.RevolutionsAt(ctx, load.Machine, load.At); err != nil {
		return nil, s.status.of("LoadCreel", err)
	}
	if r.GetValidateOnly() {
		return &pb.LoadCreelResponse{ConeCount: int32(load.Cones)}, nil
	}
	id, err := s.st.AddLoad(ctx, load)
	if err != nil {
		return nil, s.status.of("LoadCreel", err)
	}
	s.refresh(ctx)
	return &pb.LoadCreelResponse{Load: fmt.Sprintf("machines/%s/loads/%d", load.Machine, id), ConeCount: int32(load.Cones)}, nil
}

// loadFromPB reads the fields of a load; what the floor must complete is left
// zero.
func loadFromPB(r *pb.LoadCreelRequest) (store.Load, violations) {
	var v violations
	l := store.Load{
		Machine: machineID("machine", r.GetMachine(), &v), Group: text("feed_group", r.GetFeedGroup(), &v), Lot: text("lot", r.GetLot(), &v),
		Cones: whole("cone_count", int64(r.GetConeCount()), 0, mostCount, &v), ConeKg: finite("cone_net_kg", r.GetConeNetKg(), 0, 100, &v),
		At: instant("load_time", r.GetLoadTime(), &v), RequestID: text("request_id", r.GetRequestId(), &v),
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
	return &pb.UndoLoadResponse{}, nil
}

// refresh lets readers see a change that was written. What was written stands,
// even if the picture is late; the floor tries again by itself.
func (a *api) refresh(ctx context.Context) {
	if err := a.floor.Refresh(context.WithoutCancel(ctx)); err != nil {
		a.log.Warn("the picture is late after a change", "err", err)
	}
}
