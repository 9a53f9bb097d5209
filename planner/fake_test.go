package main

import (
	"bytes"
	"context"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

// noon is the instant of all tests: Wednesday.
var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

func ts(after time.Duration) *timestamppb.Timestamp { return timestamppb.New(noon.Add(after)) }

func figure(v float64) *pb.Figure { return &pb.Figure{Value: v} }

// fake is a server that tells what the test wants and remembers what it was
// asked.
type fake struct {
	pb.UnimplementedMachineServiceServer
	pb.UnimplementedOrderServiceServer
	pb.UnimplementedCreelServiceServer
	pb.UnimplementedAgentServiceServer
	pb.UnimplementedBookServiceServer
	pb.UnimplementedPlanServiceServer
	pb.UnimplementedAlarmServiceServer
	pb.UnimplementedUpkeepServiceServer

	mu      sync.Mutex
	asked   []proto.Message
	drained int // questions for totals until drained
	fail    error
	quote   *pb.QuotePromiseResponse
	quiet   bool // nothing is due
	cut     int  // watch streams to cut after one answer
}

func (f *fake) note(m proto.Message) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.asked = append(f.asked, m)
	return f.fail
}

// last is the newest question.
func (f *fake) last() proto.Message {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.asked[len(f.asked)-1]
}

func k01() *pb.Machine {
	return &pb.Machine{
		Name: "machines/k01", DisplayName: "K01", Area: "hall-1", DiameterInch: 30, GaugeNpi: 28, CylinderNeedleCount: 2640, FeederCount: 90,
		MaxSpeedRpm: 35, Structures: []string{"single jersey"}, Agent: "u-01", CommissioningYear: 2019, Set: "A",
		Live: &pb.MachineLiveState{
			State: pb.MachineState_MACHINE_STATE_RUNNING, SinceTime: ts(-time.Hour), HeardTime: ts(-time.Second), Speed: figure(27.9), CardSpeedRpm: 28,
			RevolutionCount: 123456, CountedKg: figure(1587.9), Order: "SO-1041", KnitCard: "sj-k01", RevolutionsSinceDoff: 500, RevolutionsToDoff: 1444,
		},
	}
}

func k02() *pb.Machine {
	return &pb.Machine{Name: "machines/k02", DisplayName: "K02", Set: "B", Live: &pb.MachineLiveState{
		State: pb.MachineState_MACHINE_STATE_UNKNOWN, SinceTime: ts(-30 * time.Hour), Problem: "agent u-01 is offline", CountedKg: figure(0),
	}}
}

func (f *fake) ListMachines(_ context.Context, r *pb.ListMachinesRequest) (*pb.ListMachinesResponse, error) {
	// Two pages, whatever was asked for.
	if r.GetPageToken() == "" {
		return &pb.ListMachinesResponse{Machines: []*pb.Machine{k01()}, NextPageToken: "2"}, f.note(r)
	}
	return &pb.ListMachinesResponse{Machines: []*pb.Machine{k02()}}, f.note(r)
}

func (f *fake) GetMachine(_ context.Context, r *pb.GetMachineRequest) (*pb.GetMachineResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	if r.GetName() != "machines/k01" {
		return nil, status.Errorf(codes.NotFound, "machine %q: not found", r.GetName())
	}
	return &pb.GetMachineResponse{Machine: k01()}, nil
}

func (f *fake) WatchMachines(r *pb.WatchMachinesRequest, s grpc.ServerStreamingServer[pb.WatchMachinesResponse]) error {
	if err := f.note(r); err != nil {
		return err
	}
	if err := s.Send(&pb.WatchMachinesResponse{Full: r.GetResumeToken() == "", Machines: []*pb.Machine{k01()}, ResumeToken: r.GetResumeToken() + "t"}); err != nil {
		return err
	}
	f.mu.Lock()
	f.cut--
	cut := f.cut >= 0
	f.mu.Unlock()
	if cut {
		return status.Error(codes.Unavailable, "going away")
	}
	<-s.Context().Done()
	return nil
}

func (f *fake) ListTotals(_ context.Context, r *pb.ListTotalsRequest) (*pb.ListTotalsResponse, error) {
	err := f.note(r)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.drained--
	return &pb.ListTotalsResponse{Drained: f.drained < 0, Machines: []*pb.MachineTotals{
		{Machine: "k01", Revolutions: 123, Stops: 4, StopsByCause: map[string]int64{"yarn": 3, "door": 1}, KilosCounted: 1.58, RunMs: 3600000, StopMs: 400000},
		{Machine: "k02", LostMin: 1, LostMax: 3, OpenStop: true, UnknownMs: 5},
	}}, err
}

func (f *fake) ListStops(_ context.Context, r *pb.ListStopsRequest) (*pb.ListStopsResponse, error) {
	return &pb.ListStopsResponse{Stops: []*pb.Stop{
		{Name: "machines/k07/stops/0b", Machine: "k07", StartTime: ts(-2 * time.Minute), Duration: durationpb.New(2 * time.Minute), Origin: pb.StopOrigin_STOP_ORIGIN_STANDSTILL, RevolutionCountAt: 200},
		{Name: "machines/k07/stops/0a", Machine: "k07", StartTime: ts(-time.Hour), EndTime: ts(-58 * time.Minute), Duration: durationpb.New(2 * time.Minute), Cause: "yarn", Side: "top", Origin: pb.StopOrigin_STOP_ORIGIN_INPUT, RevolutionCountAt: 100},
	}}, f.note(r)
}

func finish() *pb.FinishForecast {
	out := &pb.FinishForecast{
		P10Time: ts(60 * time.Hour), P50Time: ts(70 * time.Hour), P80Time: ts(74 * time.Hour), P90Time: ts(78 * time.Hour), P95Time: ts(79 * time.Hour), MissChance: 0.4,
		Basis: []string{"K01: 212 stops in 98 h"}, ExpectedLateness: durationpb.New(95 * time.Minute), History: "machine", CorrectedByCount: 120,
		Parts: []*pb.TimePart{
			{Kind: "running", MeanMinutes: 3600, P90Minutes: 3600, Share: 0.86}, {Kind: "stop", Cause: "yarn", MeanMinutes: 410, P90Minutes: 700, Share: 0.1},
			{Kind: "planned", Cause: "doff", MeanMinutes: 160, P90Minutes: 200, Share: 0.04}, {Kind: "progress", MeanMinutes: 3, P90Minutes: 9, Share: 0.001},
		},
		Levers: []*pb.Lever{{Kind: "stop", Cause: "yarn", P90GainMinutes: 640}},
	}
	for i := range 20 {
		out.FinishTimes = append(out.FinishTimes, ts(60*time.Hour+time.Duration(i)*time.Hour))
	}
	return out
}

func order() *pb.Order {
	return &pb.Order{
		Name: "orders/SO-1041", Article: "SJ-30x28", QuantityKg: figure(6000), PromiseTime: ts(72 * time.Hour), CountedKg: figure(80), WeighedKg: figure(1720), DoneBeforeKg: 1720, RemainingKg: figure(4200),
		Jobs:   []*pb.Job{{Machine: "k01", KnitCard: "sj-k01", CountedKg: figure(80), RemainingKg: figure(4200), Finish: finish()}},
		Finish: finish(), Why: []string{"K02 runs 24 rpm, the card says 28"},
		Yarn: &pb.YarnBalance{Lots: []*pb.YarnLotBalance{{Yarn: "ne30", Lot: "L-417", StoreKg: figure(2980), CreelKg: figure(310), AtMachineKg: figure(240), NeededKg: figure(4284), ShortKg: figure(754)}}},
	}
}

func (f *fake) ListOrders(_ context.Context, r *pb.ListOrdersRequest) (*pb.ListOrdersResponse, error) {
	safe := &pb.Order{Name: "orders/SO-1044", Article: "IL", QuantityKg: figure(900), RemainingKg: figure(550), Finish: &pb.FinishForecast{Refused: "Enter a knit card for K11"}}
	done := &pb.Order{Name: "orders/SO-1031", Article: "SJ", QuantityKg: figure(1600), Finish: &pb.FinishForecast{Refused: "Nothing is left to knit"}}
	return &pb.ListOrdersResponse{Orders: []*pb.Order{done, safe, order()}}, f.note(r)
}

func (f *fake) GetOrder(_ context.Context, r *pb.GetOrderRequest) (*pb.GetOrderResponse, error) {
	return &pb.GetOrderResponse{Order: order()}, f.note(r)
}

func (f *fake) QuotePromise(_ context.Context, r *pb.QuotePromiseRequest) (*pb.QuotePromiseResponse, error) {
	if f.quote != nil {
		return f.quote, f.note(r)
	}
	return &pb.QuotePromiseResponse{
		PromiseTime: ts(78 * time.Hour), Finish: finish(), Assumptions: []string{"yarn is there"},
		Jobs: []*pb.Job{{Machine: "k07", CountedKg: figure(0), RemainingKg: figure(6000), Finish: finish()}},
	}, f.note(r)
}

func (f *fake) EvaluateWhatIf(_ context.Context, r *pb.EvaluateWhatIfRequest) (*pb.EvaluateWhatIfResponse, error) {
	after := finish()
	after.P80Time, after.P90Time, after.MissChance = ts(80*time.Hour), ts(84*time.Hour), 0.7
	return &pb.EvaluateWhatIfResponse{
		Effects:   []*pb.OrderEffect{{Order: "orders/SO-1041", PromiseTime: ts(72 * time.Hour), Before: finish(), After: after, Sentence: "SO-1041 is done with 90 % by Sun 00:00, 6.0 h later"}},
		SameCount: 7, Assumptions: []string{"Everything else stays as it is"},
	}, f.note(r)
}

func (f *fake) ReportPromiseCalibration(_ context.Context, r *pb.ReportPromiseCalibrationRequest) (*pb.ReportPromiseCalibrationResponse, error) {
	return &pb.ReportPromiseCalibrationResponse{
		Calibrations: []*pb.Calibration{{
			Group: "all", ForecastCount: 40, TenthCounts: []int32{4, 4, 4, 4, 4, 4, 4, 4, 4, 4}, MeanCrpsMinutes: 81.5,
			Levels: []*pb.CoveredLevel{{Level: 0.5, Share: 0.475, ShareLow: 0.35, ShareHigh: 0.65}, {Level: 0.8, Share: 0.8, ShareLow: 0.675, ShareHigh: 0.925}, {Level: 0.9, Share: 0.875, ShareLow: 0.8, ShareHigh: 0.975}},
		}},
		Outcomes: []*pb.PromiseOutcome{
			{Order: "orders/SO-1041", Article: "SJ-30x28", Occasion: "50 % done", MadeTime: ts(-time.Hour), PromiseTime: ts(72 * time.Hour), MissChance: 0.4, Place: -1},
			{Order: "orders/SO-1031", Article: "SJ", Occasion: "0 % done", MadeTime: ts(-100 * time.Hour), MissChance: 0, DoneTime: ts(-10 * time.Hour), Place: 0.62},
			{Order: "orders/SO-1030", Article: "SJ", Occasion: "0 % done", MadeTime: ts(-120 * time.Hour), Place: -1, VoidReason: "the order was taken out of the book"},
		},
	}, f.note(r)
}

func (f *fake) WatchPromises(r *pb.WatchPromisesRequest, s grpc.ServerStreamingServer[pb.WatchPromisesResponse]) error {
	if err := f.note(r); err != nil {
		return err
	}
	if err := s.Send(&pb.WatchPromisesResponse{Full: true, Changes: []*pb.PromiseChange{
		{Order: "orders/SO-1041", PromiseTime: ts(72 * time.Hour), Finish: finish()}, {Order: "orders/SO-1044", Finish: &pb.FinishForecast{Refused: "Enter a knit card for K11"}},
	}}); err != nil {
		return err
	}
	if err := s.Send(&pb.WatchPromisesResponse{Changes: []*pb.PromiseChange{
		{Order: "orders/SO-1041", PromiseTime: ts(72 * time.Hour), Finish: finish(), Before: finish(), Sentence: "SO-1041 is done with 90 % by Sat 18:00 instead of Fri 12:00"},
	}}); err != nil {
		return err
	}
	return status.Error(codes.NotFound, "the test has seen enough")
}

func (f *fake) ListTasks(_ context.Context, r *pb.ListTasksRequest) (*pb.ListTasksResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	out := &pb.ListTasksResponse{Tasks: f.tasks()}
	if f.quiet {
		out.Tasks = nil
	}
	f.asked = append(f.asked, r)
	return out, f.fail
}

func (f *fake) tasks() []*pb.Task {
	return []*pb.Task{
		{Name: "tasks/k09-stop-0b", Kind: pb.TaskKind_TASK_KIND_STOP, Machine: "k09", DueTime: ts(-2 * time.Minute), Cause: "yarn", Sentence: "Go to K09: stands 2 min, yarn."},
		{
			Name: "tasks/k05-creel-ground-54210", Kind: pb.TaskKind_TASK_KIND_CREEL, Machine: "k05", DueTime: ts(12 * time.Minute), FirstTime: ts(12 * time.Minute), P05Time: ts(22 * time.Minute),
			P50Time: ts(50 * time.Minute), P95Time: ts(70 * time.Minute), LastTime: ts(80 * time.Minute), ConeCount: 96, FeedGroup: "ground", Yarn: "Ne 40", Lot: "L-430", Tip: "blue", Order: "SO-1049",
			Sentence: "Creel K05, ground: 96 cones of Ne 40, lot L-430.",
		},
	}
}

func (f *fake) ListWalks(_ context.Context, r *pb.ListWalksRequest) (*pb.ListWalksResponse, error) {
	f.mu.Lock()
	tasks, quiet := f.tasks(), f.quiet
	f.mu.Unlock()
	if quiet {
		return &pb.ListWalksResponse{AsOfTime: ts(0)}, f.note(r)
	}
	end := &pb.Task{
		Name: "tasks/k05-end-SO-1049", Kind: pb.TaskKind_TASK_KIND_STYLE_CHANGE, Machine: "k05", DueTime: ts(15 * time.Minute), Order: "SO-1049", NextOrder: "SO-1051", NextArticle: "rib",
		Sentence: "K05: SO-1049 ends, style change to rib.", Remnants: []*pb.Remnant{{Lot: "L-430", ConeCount: 96, NetKg: figure(61.44)}}, State: pb.TaskState_TASK_STATE_TAKEN,
	}
	fetch := []*pb.Fetch{{Lot: "L-430", Yarn: "Ne 40", Tip: "blue", ConeCount: 96}, {Yarn: "22 dtex", ConeCount: 4}}
	return &pb.ListWalksResponse{
		AsOfTime: ts(0), NextHour: fetch, BothWaitMinutes: 3.1,
		Walks: []*pb.Walk{
			{
				Name: "walks/A-k09-stop-0b", Set: "A", StartTime: ts(0), EndTime: ts(2 * time.Minute), LatestStartTime: ts(0), WalkingMinutes: 0.4, WorkMinutes: 1.5, LateMinutes: 2,
				Stops: []*pb.WalkStop{{Machine: "k09", WalkingMinutes: 0.4, StartTime: ts(24 * time.Second), EndTime: ts(2 * time.Minute), OpenTime: ts(0), LatestTime: ts(0), LateMinutes: 0.4, Tasks: tasks[:1]}},
			},
			{
				Name: "walks/A-k05-creel-ground-54210", Set: "A", StartTime: ts(11 * time.Minute), EndTime: ts(40 * time.Minute), LatestStartTime: ts(14 * time.Minute), WalkingMinutes: 0.4, WorkMinutes: 30, Fetch: fetch,
				Stops: []*pb.WalkStop{{Machine: "k05", StartTime: ts(12 * time.Minute), EndTime: ts(40 * time.Minute), OpenTime: ts(12 * time.Minute), LatestTime: ts(15 * time.Minute), Tasks: append(tasks[1:], end), Fetch: fetch}},
			},
		},
		Split: &pb.MachineSplit{
			Now:      []*pb.SetLoad{{Set: "A", Machines: []string{"k05", "k09"}, LateMinutes: 7.2, BothWaitMinutes: 3.1}, {Set: "B", Machines: []string{"k01"}}},
			Proposed: []*pb.SetLoad{{Set: "A", Machines: []string{"k09"}, LateMinutes: 2}, {Set: "B", Machines: []string{"k01", "k05"}, LateMinutes: 1}},
		},
	}, f.note(r)
}

func lessons() []*pb.CreelLesson {
	return []*pb.CreelLesson{{FeedGroup: "ground", Lot: "L-430", LifeRatio: 1.018, LifeRatioSd: 0.003, ConeMassCv: 0.021, ObservationCount: 96, ApartCount: 1, NewestRatio: 1.02,
		Sentence: "ground, lot L-430: a cone lasts 101.8 % of what is calculated, ±0.6, from 96."}}
}

func (f *fake) GetCreel(_ context.Context, r *pb.GetCreelRequest) (*pb.GetCreelResponse, error) {
	c := &pb.Creel{Name: "machines/k05/creel", Machine: "k05", RevolutionCount: 60000, Lessons: lessons(), Warnings: []string{"K05, ground knits several lots at once: 3 of L-430, 1 of L-431"}}
	for i := range int32(4) {
		p := &pb.CreelPosition{FeedGroup: "ground", Number: i + 1, Lot: "L-430", ConeNetKg: 1.89, ConeMassCv: 0.02, LoadRevolutionCount: 54210, LeftKg: figure(1.5), Task: "tasks/k05-creel-ground-54210"}
		if i == 2 {
			p.ReserveLot, p.ReserveNetKg, p.ReserveTied, p.Task = "L-430", 1.89, true, "tasks/k05-tie-ground-54210"
		}
		c.Positions = append(c.Positions, p)
	}
	return &pb.GetCreelResponse{Creel: c}, f.note(r)
}

func (f *fake) RecordReading(_ context.Context, r *pb.RecordReadingRequest) (*pb.RecordReadingResponse, error) {
	return &pb.RecordReadingResponse{Ratio: 1.0125, Lessons: lessons(), Reading: reading(), ScaleRatio: ratios()[0]}, f.note(r)
}

func reading() *pb.Reading {
	return &pb.Reading{Name: "machines/k03/readings/12", Machine: "k03", Kind: pb.ReadingKind_READING_KIND_ROLLS, ReadingTime: ts(-time.Minute), RevolutionCount: 1668, NetKg: figure(24.2),
		CountedKg: figure(25), RollCount: 1, RollNumber: 113, Ratio: 0.968, Lot: "L-408", Order: "SO-1050", Article: "sj24"}
}

func ratios() []*pb.ScaleRatio {
	return []*pb.ScaleRatio{
		{Machine: "k03", Article: "sj24", Running: true, RollCount: 151, UsedRollCount: 150, CountedKg: figure(3902.7), WeighedKg: figure(3774.4), Ratio: 1.034, RatioLow: 1.031, RatioHigh: 1.037,
			Sentence: "Likely course length: weighed over counted is 0.967.", NewestTime: ts(0), NewestRatios: []float64{1.0, 1.02, 1.034, 0.97}},
		{Machine: "k05", Article: "ej28", RollCount: 2, UsedRollCount: 2, CountedKg: figure(50), WeighedKg: figure(50.1), Ratio: 0.998, RatioLow: 0.98, RatioHigh: 1.016, NewestTime: ts(0), NewestRatios: []float64{0.998}},
	}
}

func (f *fake) ListReadings(_ context.Context, r *pb.ListReadingsRequest) (*pb.ListReadingsResponse, error) {
	if f.quiet {
		return &pb.ListReadingsResponse{}, f.note(r)
	}
	meter := &pb.Reading{Name: "machines/k05/readings/11", Machine: "k05", Kind: pb.ReadingKind_READING_KIND_METER, ReadingTime: ts(-time.Hour), RevolutionCount: 100, LengthM: 812.4, Ratio: 1.0125, FeedGroup: "ground"}
	return &pb.ListReadingsResponse{Readings: []*pb.Reading{reading(), meter}}, f.note(r)
}

func (f *fake) UndoReading(_ context.Context, r *pb.UndoReadingRequest) (*pb.UndoReadingResponse, error) {
	return &pb.UndoReadingResponse{}, f.note(r)
}

func (f *fake) ListScaleRatios(_ context.Context, r *pb.ListScaleRatiosRequest) (*pb.ListScaleRatiosResponse, error) {
	out := &pb.ListScaleRatiosResponse{RatioLow: 0.98, RatioHigh: 1.02, MinRolls: 5}
	if !f.quiet {
		out.Ratios = ratios()
	}
	return out, f.note(r)
}

func (f *fake) ReportTask(_ context.Context, r *pb.ReportTaskRequest) (*pb.ReportTaskResponse, error) {
	return &pb.ReportTaskResponse{Task: r.GetTask(), State: pb.TaskState_TASK_STATE_DONE, StateTime: ts(0), Load: "machines/k05/loads/13", Lessons: lessons()}, f.note(r)
}

func lot() *pb.Lot {
	return &pb.Lot{
		Name: "lots/L-430", Yarn: "ne40", Tip: "blue", StoreKg: figure(20), AtMachineKg: figure(181.4), OnCreelKg: figure(144), Orders: []string{"SO-1049"}, Machines: []string{"k05"},
		FreeKg: figure(0), ShortKg: figure(54.6), Reservations: []*pb.LotReservation{{Order: "SO-1049", NeedKg: figure(400), CoveredKg: figure(345.4), ShortKg: figure(54.6)}},
		Draws: []*pb.LotDraw{{Machine: "k05", KgPerHour: 16.1, HoursLeft: 21.4, Change: &pb.LotChange{CleanRollCount: 4, RiskRollCount: 2, CutRevolutionCount: 68000}}},
	}
}

func (f *fake) ListLots(_ context.Context, r *pb.ListLotsRequest) (*pb.ListLotsResponse, error) {
	return &pb.ListLotsResponse{Lots: []*pb.Lot{lot(), {Name: "lots/L-431", Yarn: "ne40", Tip: "blue", StoreKg: figure(500), FreeKg: figure(500)}}}, f.note(r)
}

func (f *fake) DraftRequisition(_ context.Context, r *pb.DraftRequisitionRequest) (*pb.DraftRequisitionResponse, error) {
	out := &pb.DraftRequisitionResponse{AsOfTime: ts(0), UntilTime: r.GetUntilTime(), Warnings: []string{"K03, order SO-1050: no finish is foreseen; its yarn is not in the list"}}
	if !f.quiet {
		out.Lines = []*pb.RequisitionLine{{Lot: "lots/L-430", Yarn: "ne40", Tip: "blue", ConeCount: 192, NeedKg: figure(362.9), AtMachineKg: figure(181.4), FetchKg: figure(181.5), StoreKg: figure(20), ShortKg: figure(161.5),
			Shares: []*pb.RequisitionShare{{Machine: "k05", FeedGroup: "ground", Order: "SO-1049", ConeCount: 192, NeedKg: 362.9, AtMachineKg: 181.4, FetchKg: 181.5, FirstTime: ts(time.Hour)}}}, {Yarn: "el22", ConeCount: 96, NeedKg: figure(48), FetchKg: figure(48), StoreKg: figure(120)}}
	}
	return out, f.note(r)
}

func (f *fake) MoveLot(_ context.Context, r *pb.MoveLotRequest) (*pb.MoveLotResponse, error) {
	return &pb.MoveLotResponse{Lot: lot()}, f.note(r)
}

func (f *fake) ReleaseLot(_ context.Context, r *pb.ReleaseLotRequest) (*pb.ReleaseLotResponse, error) {
	return &pb.ReleaseLotResponse{Release: &pb.LotRelease{Lot: r.GetLot(), Machine: r.GetMachine(), Role: r.GetRole(), Reason: r.GetReason(), ReleaseTime: ts(0)}}, f.note(r)
}

func (f *fake) LoadCreel(_ context.Context, r *pb.LoadCreelRequest) (*pb.LoadCreelResponse, error) {
	return &pb.LoadCreelResponse{Load: r.GetMachine() + "/loads/12", ConeCount: 96, Lessons: lessons()}, f.note(r)
}

func (f *fake) UndoLoad(_ context.Context, r *pb.UndoLoadRequest) (*pb.UndoLoadResponse, error) {
	return &pb.UndoLoadResponse{}, f.note(r)
}

func (f *fake) ListAgents(_ context.Context, r *pb.ListAgentsRequest) (*pb.ListAgentsResponse, error) {
	return &pb.ListAgentsResponse{Agents: []*pb.Agent{
		{Name: "agents/u-01", Machines: []string{"k01", "k02"}, Online: true, HeardTime: ts(-time.Second), ClockOffset: durationpb.New(-1500 * time.Millisecond), OutstandingCount: 7, Version: "1.0", JournalBytes: 1234567},
		{Name: "agents/u-02", Machines: []string{"k03"}},
	}}, f.note(r)
}

func (f *fake) RegisterAgent(_ context.Context, r *pb.RegisterAgentRequest) (*pb.RegisterAgentResponse, error) {
	return &pb.RegisterAgentResponse{Agent: &pb.Agent{Name: "agents/" + r.GetAgent(), Machines: []string{"k01", "k02"}}, CreatedMachines: []string{"k02"}}, f.note(r)
}

func (f *fake) ApplyBook(_ context.Context, r *pb.ApplyBookRequest) (*pb.ApplyBookResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	for i, c := range r.GetBook().GetCards() {
		for j, g := range c.GetFeeds() {
			if g.GetCourseLengthM() > 100 {
				field := "book.cards[" + string(rune('0'+i)) + "].feeds[" + string(rune('0'+j)) + "].course_length_m"
				st, _ := status.New(codes.InvalidArgument, "bad").WithDetails(&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
					{Field: field, Description: "is 700, expected 0 to 100"},
				}})
				return nil, st.Err()
			}
		}
	}
	return &pb.ApplyBookResponse{CreatedCount: 2, UpdatedCount: 1, SameCount: 3, Changes: []string{"yarn ne30: new"}}, nil
}

// serve starts the fake on loopback and returns its address.
func (f *fake) serve(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer()
	pb.RegisterMachineServiceServer(s, f)
	pb.RegisterOrderServiceServer(s, f)
	pb.RegisterCreelServiceServer(s, f)
	pb.RegisterAgentServiceServer(s, f)
	pb.RegisterBookServiceServer(s, f)
	pb.RegisterPlanServiceServer(s, f)
	pb.RegisterAlarmServiceServer(s, f)
	pb.RegisterUpkeepServiceServer(s, f)
	go s.Serve(l)
	t.Cleanup(s.Stop)
	return l.Addr().String()
}

// ended is what a command left behind.
type ended struct {
	code     int
	out, err string
}

// planner runs a command line against the fake.
func (f *fake) planner(t *testing.T, line string) ended {
	t.Helper()
	return plannerAt(t, f.serve(t), line, "")
}

func plannerAt(t *testing.T, server, line, stdin string) ended {
	t.Helper()
	var out, err bytes.Buffer
	args := append(strings.Fields(line), "--server", server, "--zone", "UTC")
	code := run(t.Context(), args, world{in: strings.NewReader(stdin), out: &out, err: &err, now: func() time.Time { return noon }})
	return ended{code, out.String(), err.String()}
}

func stopFor(machine string, d time.Duration) *pb.Change {
	return &pb.Change{Kind: &pb.Change_StopMachine{StopMachine: &pb.StopMachine{Machine: machine, Duration: durationpb.New(d)}}}
}
