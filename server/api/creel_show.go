package api

import (
	"context"
	"math"
	"time"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

var workFromPB = map[pb.LoadWork]string{
	pb.LoadWork_LOAD_WORK_UNSPECIFIED: store.LoadChange, pb.LoadWork_LOAD_WORK_CHANGE: store.LoadChange, pb.LoadWork_LOAD_WORK_RUN_OUT: store.LoadOut,
	pb.LoadWork_LOAD_WORK_TIE: store.LoadTie, pb.LoadWork_LOAD_WORK_BESIDE: store.LoadBeside, pb.LoadWork_LOAD_WORK_OFF: store.LoadOff,
}

func (s *creelService) GetCreel(ctx context.Context, r *pb.GetCreelRequest) (*pb.GetCreelResponse, error) {
	var v violations
	machine := machineID("machine", r.GetMachine(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	view, err := s.floor.Creel(ctx, machine)
	if err != nil {
		return nil, s.status.of("GetCreel", err)
	}
	return &pb.GetCreelResponse{Creel: creelToPB(&view, s.now())}, nil
}

func creelToPB(v *floor.CreelView, now time.Time) *pb.Creel {
	out := &pb.Creel{
		Name: "machines/" + v.Machine + "/creel", Machine: v.Machine, RevolutionCount: v.Revolutions,
		Lessons: lessonsToPB(v.Lessons), Warnings: v.Mixed,
	}
	for i := range v.Positions {
		p := &v.Positions[i]
		x := &pb.CreelPosition{
			FeedGroup: p.Group, Number: int32(p.Number), Lot: p.Running.Lot, ConeNetKg: p.Running.Kg, ConeMassCv: p.Running.CV, LoadRevolutionCount: p.At,
			LeftKg: figure(p.LeftKg, unitKg, pb.Provenance_PROVENANCE_CALCULATED, now), ReserveTied: p.Tied,
		}
		if p.Reserve != nil {
			x.ReserveLot, x.ReserveNetKg = p.Reserve.Lot, p.Reserve.Kg
		}
		if p.Task != "" {
			x.Task = "tasks/" + p.Task
		}
		out.Positions = append(out.Positions, x)
	}
	return out
}

func lessonsToPB(list []floor.LessonView) []*pb.CreelLesson {
	var out []*pb.CreelLesson
	for _, l := range list {
		out = append(out, &pb.CreelLesson{
			FeedGroup: l.Group, Lot: l.Lot, LifeRatio: l.Ratio, LifeRatioSd: l.SD, ConeMassCv: l.ConeCV, ObservationCount: int32(l.Seen),
			ApartCount: int32(l.Apart), NewestRatio: l.Newest, NewestApart: l.NewestApart, Sentence: l.Sentence,
		})
	}
	return out
}

// keepLearnt has the store keep what the floor has just learnt of a feed group. The
// loads stand, even if this is late: they teach it again.
func (s *creelService) keepLearnt(ctx context.Context, machine, group string) {
	if err := s.floor.KeepLearnt(context.WithoutCancel(ctx), machine, group); err != nil {
		s.log.Warn("what was learnt of a creel is kept later", "machine", machine, "err", err)
	}
}

// hoursToPB leaves out what never comes.
func hoursToPB(h float64) float64 {
	if math.IsInf(h, 0) || math.IsNaN(h) {
		return 0
	}
	return h
}
