package api

import (
	"fmt"

	"turnwise/planner/loading/board"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

var planStates = map[string]pb.LoadingPlanState{
	store.PlanProposed: pb.LoadingPlanState_LOADING_PLAN_STATE_PROPOSED,
	store.PlanApplied:  pb.LoadingPlanState_LOADING_PLAN_STATE_APPLIED,
	store.PlanUndone:   pb.LoadingPlanState_LOADING_PLAN_STATE_UNDONE,
}

// loadingToPB tells a plan, with its lines or only what it is.
func loadingToPB(l *floor.LoadingPlan, whole bool) *pb.LoadingPlan {
	out := &pb.LoadingPlan{
		State: planStates[l.State], MadeTime: stamp(l.Made), AppliedTime: stamp(l.Applied), UndoneTime: stamp(l.Undone), Origin: l.Origin,
		Moves: movesToPB(l.Moves), Cost: costToPB(l), Assumptions: l.Assumptions, Warnings: l.Warnings,
	}
	if l.ID != 0 {
		out.Name = fmt.Sprint("plans/", l.ID)
	}
	if l.Base != 0 {
		out.BasePlan = fmt.Sprint("plans/", l.Base)
	}
	for _, r := range l.Refused {
		out.Refusals = append(out.Refusals, &pb.LoadingRefusal{Order: "orders/" + r.Order, Sentence: r.Why, Reasons: reasonsToPB(r.Reasons)})
	}
	for _, f := range l.Free {
		out.Free = append(out.Free, &pb.FreeMachineHours{DiameterInch: float64(f.Diameter), GaugeNpi: float64(f.Gauge), MachineCount: int32(f.Machines), Hours: float64(f.Hours)})
	}
	if !whole {
		return out
	}
	for _, line := range l.Lines {
		p := &pb.LoadingLine{Machine: "machines/" + line.Machine}
		for i := range line.Jobs {
			p.Jobs = append(p.Jobs, loadingJobToPB(&line.Jobs[i]))
		}
		out.Lines = append(out.Lines, p)
	}
	return out
}

func loadingJobToPB(j *floor.LoadingJob) *pb.LoadingJob {
	out := &pb.LoadingJob{
		Kind: j.Kind, Order: j.Order, KnitCard: j.Card, Part: int32(j.Part), PartCount: int32(j.Parts), QuantityKg: j.Kg, RollCount: int32(j.Rolls),
		SetupStartTime: stamp(j.SetupStart), StartTime: stamp(j.Start), EndTime: stamp(j.End), EndP10Time: stamp(j.P10), EndP90Time: stamp(j.P90),
		SetupMinutes: j.SetupMinutes, RunMinutes: j.Minutes, LateMinutes: j.LateMinutes, Frozen: j.Frozen, Pinned: j.Pinned, MissChance: j.MissChance,
		Cylinder: j.Cylinder, CylinderMinutes: j.CylinderMinutes, WaitsForWord: j.Waits,
	}
	if j.Kind == board.JobCare {
		out.CareKind = j.Care
	} else {
		out.Order = "orders/" + j.Order
	}
	for _, s := range j.Setup {
		out.Setups = append(out.Setups, &pb.SetupChange{Kind: s.Kind, From: s.From, To: s.To, Minutes: s.Minutes})
	}
	return out
}

func costToPB(l *floor.LoadingPlan) *pb.LoadingCost {
	return &pb.LoadingCost{Tardiness: l.Cost.Tardiness, Setup: l.Cost.Setup, Change: l.Cost.Change, Start: l.Start, Bound: l.Bound}
}

func movesToPB(moves []board.Move) []*pb.LoadingMove {
	var out []*pb.LoadingMove
	for _, m := range moves {
		p := &pb.LoadingMove{
			Order: "orders/" + m.Order, FromStartTime: stamp(m.FromStart), ToStartTime: stamp(m.ToStart), FromEndTime: stamp(m.FromEnd), ToEndTime: stamp(m.ToEnd),
			Rule: m.Rule, Sentence: m.Sentence,
		}
		for _, id := range m.FromMachine {
			p.FromMachines = append(p.FromMachines, "machines/"+id)
		}
		for _, id := range m.ToMachine {
			p.ToMachines = append(p.ToMachines, "machines/"+id)
		}
		out = append(out, p)
	}
	return out
}

func reasonsToPB(list []board.Reason) []*pb.LoadingReason {
	var out []*pb.LoadingReason
	for _, r := range list {
		out = append(out, &pb.LoadingReason{Machine: "machines/" + r.Machine, Rule: r.Rule, Sentence: r.Sentence})
	}
	return out
}

func careToPB(c *floor.CareView) *pb.CareState {
	return &pb.CareState{
		Care: &pb.BookCare{
			Id: c.ID, Machine: c.Care.Machine, Kind: c.Kind, Minutes: c.Minutes, EveryRevolutions: int32(c.EveryRevolutions),
			DoneTime: stamp(c.Done), FromTime: stamp(c.From), ToTime: stamp(c.To), Weight: c.Weight,
		},
		RevolutionCount: c.Revolutions, EarliestTime: stamp(c.Earliest), LatestTime: stamp(c.Latest), StartTime: stamp(c.Start), EndTime: stamp(c.End), Done: c.Over,
	}
}
