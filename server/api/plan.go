package api

import (
	"context"
	"fmt"
	"strings"

	"google.golang.org/grpc"

	"turnwise/planner/outlook"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

type planService struct {
	*api
	searches searches
	pb.UnimplementedPlanServiceServer
}

// mostChanges is the largest what-if; the planner has the same bound.
const mostChanges = 100

func (s *planService) EvaluateWhatIf(ctx context.Context, r *pb.EvaluateWhatIfRequest) (*pb.EvaluateWhatIfResponse, error) {
	var v violations
	changes := changesFromPB(r.GetChanges(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	w, err := s.floor.WhatIf(ctx, changes...)
	if err != nil {
		return nil, s.status.of("EvaluateWhatIf", err)
	}
	out := &pb.EvaluateWhatIfResponse{SameCount: int32(w.Same), Assumptions: w.Assumptions, Warnings: w.Warnings}
	for i := range w.Effects {
		e := &w.Effects[i]
		out.Effects = append(out.Effects, &pb.OrderEffect{
			Order: "orders/" + e.Order, PromiseTime: stamp(e.Promise), Before: finishToPB(&e.Before), After: finishToPB(&e.After), Sentence: e.Sentence,
		})
	}
	return out, nil
}

// changesFromPB checks that each change is one; whether it can be is the
// planner's business.
func changesFromPB(list []*pb.Change, v *violations) []outlook.Change {
	if len(list) == 0 || len(list) > mostChanges {
		v.add("changes", fmt.Sprintf("has %d entries, expected 1 to %d", len(list), mostChanges))
		return nil
	}
	var out []outlook.Change
	for i, c := range list {
		field := func(name string) string { return fmt.Sprintf("changes[%d].%s", i, name) }
		switch k := c.GetKind().(type) {
		case *pb.Change_SlowMachine:
			out = append(out, outlook.SlowMachine{
				Machine: machineID(field("slow_machine.machine"), k.SlowMachine.GetMachine(), v), SpeedRPM: finite(field("slow_machine.speed_rpm"), k.SlowMachine.GetSpeedRpm(), 0, mostRPM, v),
			})
		case *pb.Change_StopMachine:
			if d := k.StopMachine.GetDuration(); d.CheckValid() != nil {
				v.add(field("stop_machine.duration"), "is missing or no duration, expected for example 21600s")
				continue
			}
			out = append(out, outlook.StopMachine{Machine: machineID(field("stop_machine.machine"), k.StopMachine.GetMachine(), v), For: k.StopMachine.GetDuration().AsDuration()})
		case *pb.Change_AddMachine:
			order := strings.TrimPrefix(text(field("add_machine.order"), k.AddMachine.GetOrder(), v), "orders/")
			out = append(out, outlook.AddMachine{Order: order, Machine: machineID(field("add_machine.machine"), k.AddMachine.GetMachine(), v)})
		case *pb.Change_MoveOrder:
			out = append(out, outlook.MoveOrder{
				Order: strings.TrimPrefix(text(field("move_order.order"), k.MoveOrder.GetOrder(), v), "orders/"), Machine: machineID(field("move_order.machine"), k.MoveOrder.GetMachine(), v),
				After: strings.TrimPrefix(text(field("move_order.after"), k.MoveOrder.GetAfter(), v), "orders/"),
			})
		case *pb.Change_SplitOrder:
			out = append(out, outlook.SplitOrder{
				Order: strings.TrimPrefix(text(field("split_order.order"), k.SplitOrder.GetOrder(), v), "orders/"), Machine: machineID(field("split_order.machine"), k.SplitOrder.GetMachine(), v),
				Kg: finite(field("split_order.quantity_kg"), k.SplitOrder.GetQuantityKg(), 0, mostKg, v),
			})
		case *pb.Change_OpenTime:
			out = append(out, outlook.OpenTime{From: instant(field("open_time.start_time"), k.OpenTime.GetStartTime(), v), To: instant(field("open_time.end_time"), k.OpenTime.GetEndTime(), v)})
		case *pb.Change_CloseTime:
			out = append(out, outlook.CloseTime{From: instant(field("close_time.start_time"), k.CloseTime.GetStartTime(), v), To: instant(field("close_time.end_time"), k.CloseTime.GetEndTime(), v)})
		default:
			v.add(field("kind"), "is empty, expected one of slow_machine, stop_machine, add_machine, move_order, split_order, open_time, close_time")
		}
	}
	return out
}

// mostOutcomes is how many kept forecasts a report lists.
const mostOutcomes = 500

func (s *planService) ReportPromiseCalibration(ctx context.Context, r *pb.ReportPromiseCalibrationRequest) (*pb.ReportPromiseCalibrationResponse, error) {
	var v violations
	q := floor.KeptQuery{
		Since: instant("start_time", r.GetStartTime(), &v), Article: text("article", r.GetArticle(), &v), Structure: text("structure", r.GetStructure(), &v),
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	c, err := s.floor.Calibration(ctx, q)
	if err != nil {
		return nil, s.status.of("ReportPromiseCalibration", err)
	}
	out := &pb.ReportPromiseCalibrationResponse{}
	for _, g := range c.Groups {
		k := &pb.Calibration{Group: g.Name, ForecastCount: int32(g.Count), MeanCrpsMinutes: g.CRPS}
		for _, l := range g.Levels {
			k.Levels = append(k.Levels, &pb.CoveredLevel{Level: l.Chance, Share: l.Share, ShareLow: l.Low, ShareHigh: l.High})
		}
		for _, n := range g.Tenths {
			k.TenthCounts = append(k.TenthCounts, int32(n))
		}
		out.Calibrations = append(out.Calibrations, k)
	}
	for i := range c.Outcomes[:min(len(c.Outcomes), mostOutcomes)] {
		k := &c.Outcomes[i]
		out.Outcomes = append(out.Outcomes, &pb.PromiseOutcome{
			Order: "orders/" + k.Order, Article: k.Article, Occasion: k.Occasion, MadeTime: stamp(k.Made), PromiseTime: stamp(k.Promise),
			MissChance: k.MissChance, DoneTime: stamp(k.Settled.Ended), Place: c.Places[i], VoidReason: k.Settled.Void,
		})
	}
	return out, nil
}

func (s *planService) WatchPromises(_ *pb.WatchPromisesRequest, stream grpc.ServerStreamingServer[pb.WatchPromisesResponse]) error {
	full := true
	for changes, err := range s.floor.WatchPromises(stream.Context()) {
		if err != nil {
			return s.status.of("WatchPromises", err)
		}
		out := &pb.WatchPromisesResponse{Full: full}
		for i := range changes {
			out.Changes = append(out.Changes, promiseChangeToPB(&changes[i]))
		}
		if err := stream.Send(out); err != nil {
			return err // the reader is gone
		}
		full = false
	}
	return s.status.of("WatchPromises", stream.Context().Err())
}

func promiseChangeToPB(c *floor.PromiseChange) *pb.PromiseChange {
	out := &pb.PromiseChange{Order: "orders/" + c.Order, PromiseTime: stamp(c.Promise), Finish: finishToPB(&c.Finish), Sentence: c.Sentence}
	if c.Before != nil {
		out.Before = finishToPB(c.Before)
	}
	return out
}
