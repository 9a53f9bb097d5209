package api

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"turnwise/planner/creel"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

func (s *creelService) ListWalks(ctx context.Context, r *pb.ListWalksRequest) (*pb.ListWalksResponse, error) {
	machines, horizon, err := s.whoAndHowFar("ListWalks", r.GetMachines(), r.GetHorizonMinutes())
	if err != nil {
		return nil, err
	}
	v, err := s.floor.Rounds(ctx, machines, horizon)
	if err != nil {
		return nil, s.status.of("ListWalks", err)
	}
	return roundsToPB(&v), nil
}

// whoAndHowFar reads the machines of a tender and the horizon of his work.
func (s *creelService) whoAndHowFar(method string, names []string, minutes int32) ([]string, time.Duration, error) {
	var v violations
	machines := machineIDs("machines", names, &v)
	horizon := time.Duration(whole("horizon_minutes", int64(minutes), 0, maxHorizonMin, &v)) * time.Minute
	if err := v.err(); err != nil {
		return nil, 0, err
	}
	if err := s.knows(method, machines...); err != nil {
		return nil, 0, err
	}
	if horizon == 0 {
		horizon = defaultHorizon
	}
	return machines, horizon, nil
}

// WatchWalks sends the walks whenever one of their tasks, its state or its place in
// them changes, not for each minute by which they move.
func (s *creelService) WatchWalks(r *pb.WatchWalksRequest, stream grpc.ServerStreamingServer[pb.WatchWalksResponse]) error {
	ctx := stream.Context()
	woken := s.floor.Subscribe(ctx)
	var before *pb.ListWalksResponse
	for {
		list, err := s.ListWalks(ctx, &pb.ListWalksRequest{Machines: r.GetMachines(), HorizonMinutes: r.GetHorizonMinutes()})
		if err != nil {
			return err
		}
		if before == nil || !sameWalks(before, list) {
			if err := stream.Send(&pb.WatchWalksResponse{Walks: list}); err != nil {
				return err // the reader is gone
			}
			before = list
		}
		if _, open := <-woken; !open {
			return s.status.of("WatchWalks", ctx.Err())
		}
	}
}

// moved is by how much a time must differ to be news.
const moved = time.Minute

func sameWalks(a, b *pb.ListWalksResponse) bool {
	if len(a.GetWalks()) != len(b.GetWalks()) {
		return false
	}
	for i, w := range a.GetWalks() {
		o := b.GetWalks()[i]
		d := w.GetStartTime().AsTime().Sub(o.GetStartTime().AsTime())
		if w.GetName() != o.GetName() || len(w.GetStops()) != len(o.GetStops()) || d.Abs() > moved {
			return false
		}
		for j, s := range w.GetStops() {
			t := o.GetStops()[j]
			if s.GetMachine() != t.GetMachine() || len(s.GetTasks()) != len(t.GetTasks()) {
				return false
			}
			for k, x := range s.GetTasks() {
				y := t.GetTasks()[k]
				if x.GetName() != y.GetName() || x.GetState() != y.GetState() || x.GetConeCount() != y.GetConeCount() || !proto.Equal(x.GetFixerCallTime(), y.GetFixerCallTime()) {
					return false
				}
			}
		}
	}
	return true
}

func roundsToPB(v *floor.RoundsView) *pb.ListWalksResponse {
	out := &pb.ListWalksResponse{AsOfTime: stamp(v.At), NextHour: fetchToPB(v.NextHour), BothWaitMinutes: v.BothMin}
	for i := range v.Walks {
		out.Walks = append(out.Walks, walkToPB(&v.Walks[i], v.At))
	}
	if v.Split != nil {
		out.Split = &pb.MachineSplit{Now: setsToPB(v.Split.Now), Proposed: setsToPB(v.Split.Proposed)}
	}
	return out
}

func walkToPB(w *floor.WalkView, now time.Time) *pb.Walk {
	out := &pb.Walk{
		Name: "walks/" + w.ID, Set: w.Set, StartTime: stamp(w.From), EndTime: stamp(w.To), LatestStartTime: stamp(w.LatestFrom),
		WalkingMinutes: w.WalkingMin, WorkMinutes: w.WorkMin, LateMinutes: w.LateMin, Fetch: fetchToPB(w.Fetch),
	}
	for i := range w.Stops {
		s := &w.Stops[i]
		stop := &pb.WalkStop{
			Machine: s.Machine, WalkingMinutes: s.WalkMin, StartTime: stamp(s.Start), EndTime: stamp(s.End),
			OpenTime: stamp(s.Open), LatestTime: stamp(s.Latest), LateMinutes: s.LateMin, Fetch: fetchToPB(s.Fetch),
		}
		for j := range s.Tasks {
			stop.Tasks = append(stop.Tasks, taskViewToPB(&s.Tasks[j], now))
		}
		out.Stops = append(out.Stops, stop)
	}
	return out
}

func fetchToPB(list []floor.FetchView) []*pb.Fetch {
	var out []*pb.Fetch
	for _, f := range list {
		out = append(out, &pb.Fetch{Lot: f.Lot, Yarn: f.YarnName, Tip: f.Tip, ConeCount: int32(f.Cones)})
	}
	return out
}

func setsToPB(list []floor.SetLoad) []*pb.SetLoad {
	var out []*pb.SetLoad
	for _, s := range list {
		out = append(out, &pb.SetLoad{Set: s.Set, Machines: s.Machines, WalkingMinutes: s.WalkingMin, LateMinutes: s.LateMin, BothWaitMinutes: s.BothMin})
	}
	return out
}

func remnantsToPB(list []creel.Remnant) []*pb.Remnant {
	var out []*pb.Remnant
	for _, r := range list {
		out = append(out, &pb.Remnant{Lot: r.Lot, ConeCount: int32(r.Cones), NetKg: figure(float64(r.Mass), unitKg, pb.Provenance_PROVENANCE_CALCULATED, time.Time{})})
	}
	return out
}
