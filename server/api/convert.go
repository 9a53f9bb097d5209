package api

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/planner/outlook"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Units after UCUM.
const (
	unitKg  = "kg"
	unitRPM = "{revolution}/min"
)

// stamp is nil for the zero time: absent says "not known".
func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func figure(value float64, unit string, p pb.Provenance, asOf time.Time) *pb.Figure {
	return &pb.Figure{Value: value, Unit: unit, Provenance: p, AsOfTime: stamp(asOf)}
}

var stateToPB = map[floor.State]pb.MachineState{
	floor.Unknown:  pb.MachineState_MACHINE_STATE_UNKNOWN,
	floor.Running:  pb.MachineState_MACHINE_STATE_RUNNING,
	floor.Stopped:  pb.MachineState_MACHINE_STATE_STOPPED,
	floor.Standing: pb.MachineState_MACHINE_STATE_STANDING,
}

func machineToPB(m *floor.MachineView) *pb.Machine {
	speed := figure(m.SpeedRPM, unitRPM, pb.Provenance_PROVENANCE_COUNTED, m.Heard)
	if m.State == floor.Unknown {
		speed = figure(0, unitRPM, pb.Provenance_PROVENANCE_UNKNOWN, m.Heard)
	}
	kg := figure(m.KilosCounted, unitKg, pb.Provenance_PROVENANCE_COUNTED, m.Heard)
	return &pb.Machine{
		Name: "machines/" + m.ID, DisplayName: m.Name, Area: m.Area,
		DiameterInch: m.Entry.DiameterInch, GaugeNpi: m.Entry.GaugeNPI,
		CylinderNeedleCount: int32(m.Entry.CylinderNeedles), DialNeedleCount: int32(m.Entry.DialNeedles),
		BedCount: int32(m.Entry.Beds), FeederCount: int32(m.Entry.Feeders), MaxSpeedRpm: m.Entry.MaxRPM, Structures: m.Entry.Structures,
		Agent: m.Agent, CommissioningYear: int32(m.Entry.Year), Set: m.Set,
		Live: &pb.MachineLiveState{
			State: stateToPB[m.State], SinceTime: stamp(m.Since), Cause: m.Cause.ID, HeardTime: stamp(m.Heard),
			Speed: speed, CardSpeedRpm: m.CardRPM, RevolutionCount: m.Revolutions, InchedRevolutionCount: m.Inched, CountedKg: kg,
			Order: m.Order, KnitCard: m.Card,
			RevolutionsSinceDoff: m.SinceDoff, RevolutionsToDoff: m.ToDoff, Problem: m.Problem,
		},
	}
}

func totalsToPB(t *floor.TotalsView) *pb.MachineTotals {
	return &pb.MachineTotals{
		Machine: t.Machine, Revolutions: t.Revolutions, InchedRevolutions: t.Inched, Stops: t.Stops, StopsByCause: t.ByCause, OpenStop: t.OpenStop,
		LostMin: t.LostMin, LostMax: t.LostMax, KilosCounted: t.Kilos, RevolutionsWithoutCard: t.WithoutCard,
		RunMs: t.RunMS, StopMs: t.StopMS, UnknownMs: t.UnknownMS,
	}
}

// stopToPB gives an open stop its duration so far.
func stopToPB(s *store.Stop, now time.Time) *pb.Stop {
	out := &pb.Stop{
		Name: fmt.Sprintf("machines/%s/stops/%x", s.Machine, s.ID), Machine: s.Machine,
		StartTime: stamp(s.Begin), EndTime: stamp(s.End), Cause: s.Cause, Side: s.Side,
		Origin: pb.StopOrigin_STOP_ORIGIN_STANDSTILL, RevolutionCountAt: s.Revolutions,
	}
	if s.Input {
		out.Origin = pb.StopOrigin_STOP_ORIGIN_INPUT
	}
	end := s.End
	if end.IsZero() {
		end = now
	}
	out.Duration = durationpb.New(max(0, end.Sub(s.Begin)))
	return out
}

func finishToPB(f *outlook.Finish) *pb.FinishForecast {
	if f.Refused != "" {
		return &pb.FinishForecast{Refused: f.Refused, Basis: f.Basis}
	}
	out := &pb.FinishForecast{
		P10Time: stamp(f.P10), P50Time: stamp(f.P50), P80Time: stamp(f.P80), P90Time: stamp(f.P90), P95Time: stamp(f.P95),
		MissChance: f.MissChance, ExpectedLateness: durationpb.New(f.Lateness), Basis: f.Basis, History: f.History, CorrectedByCount: int32(f.Corrected),
	}
	for _, p := range f.Parts {
		out.Parts = append(out.Parts, &pb.TimePart{Kind: p.Kind, Cause: p.Cause, MeanMinutes: p.Mean, P90Minutes: p.P90, Share: p.Share})
	}
	for _, l := range f.Levers {
		out.Levers = append(out.Levers, &pb.Lever{Kind: l.Kind, Cause: l.Cause, P90GainMinutes: l.Gain})
	}
	for _, t := range f.Beads {
		if !t.IsZero() {
			out.FinishTimes = append(out.FinishTimes, stamp(t))
		}
	}
	return out
}

func jobToPB(j *outlook.JobOutlook, card string, countedKg float64, asOf time.Time) *pb.Job {
	return &pb.Job{
		Machine: j.Machine, KnitCard: card,
		CountedKg:   figure(countedKg, unitKg, pb.Provenance_PROVENANCE_COUNTED, asOf),
		RemainingKg: figure(j.RemainingKg, unitKg, pb.Provenance_PROVENANCE_CALCULATED, asOf),
		Finish:      finishToPB(&j.Finish),
	}
}

func orderToPB(o *floor.OrderView, asOf time.Time) *pb.Order {
	out := &pb.Order{
		Name: "orders/" + o.ID, Article: o.Article, PromiseTime: stamp(o.Promise),
		QuantityKg:  figure(o.QuantityKg, unitKg, pb.Provenance_PROVENANCE_ENTERED, time.Time{}),
		CountedKg:   figure(o.CountedKg, unitKg, pb.Provenance_PROVENANCE_COUNTED, asOf),
		WeighedKg:   figure(o.DoneBeforeKg+o.WeighedKg, unitKg, pb.Provenance_PROVENANCE_WEIGHED, time.Time{}),
		RemainingKg: figure(o.Outlook.RemainingKg, unitKg, pb.Provenance_PROVENANCE_CALCULATED, asOf),
		Finish:      finishToPB(&o.Outlook.Finish), Why: o.Outlook.Why, Yarn: &pb.YarnBalance{},
		DoneBeforeKg: o.DoneBeforeKg, Weight: o.Entry.Weight, YarnFromTime: stamp(o.Entry.YarnFrom), PartCount: int32(o.Entry.Parts),
		OneLot: o.Entry.OneLot, Lot: o.Entry.Lot, PinMachine: o.Entry.PinMachine, PinAfter: o.Entry.PinAfter,
	}
	for i := range o.Outlook.Jobs {
		j := &o.Outlook.Jobs[i]
		out.Jobs = append(out.Jobs, jobToPB(j, o.Cards[j.Machine], o.CountedBy[j.Machine], asOf))
	}
	for _, y := range o.Outlook.Yarn {
		kg := func(x float64, p pb.Provenance) *pb.Figure { return figure(x, unitKg, p, asOf) }
		out.Yarn.Lots = append(out.Yarn.Lots, &pb.YarnLotBalance{
			Yarn: y.Yarn, Lot: y.Lot, StoreKg: kg(y.StoreKg, pb.Provenance_PROVENANCE_ENTERED),
			CreelKg:     kg(y.CreelKg, pb.Provenance_PROVENANCE_CALCULATED),
			AtMachineKg: kg(y.AtMachine, pb.Provenance_PROVENANCE_ENTERED),
			NeededKg:    kg(y.NeededKg, pb.Provenance_PROVENANCE_CALCULATED),
			ShortKg:     kg(y.ShortKg, pb.Provenance_PROVENANCE_CALCULATED),
		})
	}
	return out
}

var taskToPB = map[floor.TaskKind]pb.TaskKind{
	floor.TaskStop: pb.TaskKind_TASK_KIND_STOP, floor.TaskDoff: pb.TaskKind_TASK_KIND_DOFF, floor.TaskCreel: pb.TaskKind_TASK_KIND_CREEL,
	floor.TaskStyle: pb.TaskKind_TASK_KIND_STYLE_CHANGE, floor.TaskEnd: pb.TaskKind_TASK_KIND_END_OF_JOB,
}

func taskViewToPB(t *floor.TaskView, now time.Time) *pb.Task {
	out := &pb.Task{
		Name: "tasks/" + t.ID, Kind: taskToPB[t.Kind], Machine: t.Machine, DueTime: stamp(t.Due), Order: t.Order,
		RollNumber: int32(t.RollNumber), Cause: t.Cause.ID, Sentence: sentence(t, now),
	}
	out.State, out.StateTime, out.FixerCallTime = taskStateToPB[t.State.State], stamp(t.State.Since), stamp(t.State.Fixer)
	out.Tie, out.OpenTime, out.LatestTime = t.Tie, stamp(t.Open), stamp(t.Latest)
	out.LapsedTime, out.OverdueSinceTime = stamp(t.Lapsed), stamp(t.Overdue)
	out.NextOrder, out.NextArticle, out.Remnants = t.NextOrder, t.NextArticle, remnantsToPB(t.Remnants)
	for _, p := range t.Positions {
		out.Positions = append(out.Positions, int32(p))
	}
	if t.RollKg > 0 {
		out.RollKg = figure(t.RollKg, unitKg, pb.Provenance_PROVENANCE_ENTERED, time.Time{})
	}
	if w := t.Window; w != nil {
		out.FirstTime, out.P05Time, out.P50Time, out.P95Time, out.LastTime = stamp(w.First), stamp(w.P05), stamp(w.P50), stamp(w.P95), stamp(w.Last)
		out.ConeCount, out.FeedGroup, out.Yarn, out.Lot, out.Tip = int32(w.Cones), w.Group, t.YarnName, w.Lot, w.Tip
	}
	return out
}

// sentence says a task in at most twelve words, verb first, and what nobody told
// of it. Instants are told in the zone of now.
func sentence(t *floor.TaskView, now time.Time) string {
	s := work(t, now)
	clock := func(at time.Time) string {
		if at = at.In(now.Location()); now.Sub(at) > 20*time.Hour {
			return at.Format("Mon 2 Jan 15:04")
		}
		return at.In(now.Location()).Format("15:04")
	}
	switch {
	case t.Unsaid:
		s += fmt.Sprintf(" It has run past its last cone, due %s: look, and say done if they were changed.", clock(t.Window.Last))
	case !t.Overdue.IsZero():
		s += fmt.Sprintf(" Overdue since %s.", clock(t.Overdue))
	}
	if !t.Lapsed.IsZero() {
		s += fmt.Sprintf(" Taken %s, and nobody said done.", clock(t.Lapsed))
	}
	return s
}

func work(t *floor.TaskView, now time.Time) string {
	switch t.Kind {
	case floor.TaskStop:
		return fmt.Sprintf("Go to %s: stands %d min, %s.", t.Name, int(now.Sub(t.Since).Minutes()), t.Cause.Word)
	case floor.TaskDoff:
		return fmt.Sprintf("Doff %s, roll %d, %.3g kg.", t.Name, t.RollNumber, t.RollKg)
	case floor.TaskCreel:
		what := "Creel"
		if t.Tie {
			what = "Tie reserves on"
		}
		s := fmt.Sprintf("%s %s, %s: %d cones of %s", what, t.Name, t.Window.Group, t.Window.Cones, t.YarnName)
		if t.Window.Lot != "" {
			s += ", lot " + t.Window.Lot
		}
		return s + "."
	case floor.TaskStyle:
		if t.Begins != "" {
			return fmt.Sprintf("%s: %s ends, style change to %s; say done when %s knits.", t.Name, t.Order, t.NextArticle, t.Begins)
		}
		return fmt.Sprintf("%s: %s ends, style change to %s.", t.Name, t.Order, t.NextArticle)
	case floor.TaskEnd:
		switch {
		case t.Order == "":
			return fmt.Sprintf("%s: %s is planned; say done when it knits.", t.Name, t.NextOrder)
		case t.Begins != "":
			return fmt.Sprintf("%s: %s ends, %s follows on the same article; say done when it knits.", t.Name, t.Order, t.NextOrder)
		case t.NextOrder != "":
			return fmt.Sprintf("%s: %s ends, %s follows on the same article.", t.Name, t.Order, t.NextOrder)
		}
		return fmt.Sprintf("%s: %s ends, cut the roll, clear the creel.", t.Name, t.Order)
	}
	return ""
}

func agentToPB(a *floor.AgentView) *pb.Agent {
	out := &pb.Agent{
		Name: "agents/" + a.ID, Machines: a.Machines, Online: a.Online, HeardTime: stamp(a.Heard),
		OutstandingCount: a.Outstanding, Version: a.Version, JournalBytes: a.JournalBytes,
	}
	if !a.Heard.IsZero() {
		out.ClockOffset = durationpb.New(a.ClockOffset)
	}
	return out
}
