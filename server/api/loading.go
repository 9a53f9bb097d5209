package api

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Bounds of a search.
const (
	usualSearch   = 2 * time.Second
	longestSearch = 10 * time.Minute
	mostRounds    = 1 << 26
	mostSearches  = 4 // at a time
)

// searches are those under way that have a name.
type searches struct {
	mu    sync.Mutex
	named map[string]*atomic.Bool // by request id; true = stop
	count int
}

// begin gives a search its place; the returned function frees it.
func (s *searches) begin(id string) (stop *atomic.Bool, end func(), ok bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.named == nil {
		s.named = map[string]*atomic.Bool{}
	}
	if _, twice := s.named[id]; s.count >= mostSearches || twice && id != "" {
		return nil, nil, false
	}
	s.count++
	stop = new(atomic.Bool)
	if id != "" {
		s.named[id] = stop
	}
	return stop, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.count--
		delete(s.named, id)
	}, true
}

func (s *planService) SolvePlan(r *pb.SolvePlanRequest, stream grpc.ServerStreamingServer[pb.SolvePlanResponse]) error {
	var v violations
	span := time.Duration(whole("search_milliseconds", int64(r.GetSearchMilliseconds()), 0, longestSearch.Milliseconds(), &v)) * time.Millisecond
	rounds := whole("rounds", int64(r.GetRounds()), 0, mostRounds, &v)
	frozen := finite("frozen_hours", r.GetFrozenHours(), -1, 24*60, &v)
	id := text("request_id", r.GetRequestId(), &v)
	if err := v.err(); err != nil {
		return err
	}
	if span == 0 && rounds == 0 {
		span = usualSearch
	}
	stop, end, ok := s.searches.begin(id)
	if !ok {
		return s.status.of("SolvePlan", fmt.Errorf("%w: %d searches run already, or one under request id %q; wait for it, or stop it", errBusy, mostSearches, cut(id)))
	}
	defer end()
	ctx := stream.Context()
	// The search is one thread; it tells at most five times a second, and each
	// second that it is alive. A stream that broke ends it by its context.
	var last time.Time
	newest := &pb.SolvePlanResponse{}
	tell := func(every time.Duration) {
		if now := s.now(); now.Sub(last) >= every {
			last = now
			_ = stream.Send(newest)
		}
	}
	tell(0)
	plan, err := s.floor.Solve(ctx, floor.SolveRequest{
		Seed: uint64(r.GetSeed()), Rounds: rounds, For: span, Frozen: time.Duration(frozen * float64(time.Hour)),
		Continue: func() bool { tell(time.Second); return !stop.Load() },
		Progress: func(p board.Progress) {
			newest = &pb.SolvePlanResponse{RoundCount: int32(p.Iterations), Cost: &pb.LoadingCost{Tardiness: p.Cost, Start: p.Start, Bound: p.Bound}}
			tell(200 * time.Millisecond)
		},
	})
	if err == nil && !r.GetValidateOnly() {
		plan, err = s.floor.Keep(ctx, plan)
	}
	if err != nil {
		return s.status.of("SolvePlan", err)
	}
	return stream.Send(&pb.SolvePlanResponse{Cost: costToPB(&plan), Plan: loadingToPB(&plan, true)})
}

func (s *planService) StopSolve(_ context.Context, r *pb.StopSolveRequest) (*pb.StopSolveResponse, error) {
	s.searches.mu.Lock()
	defer s.searches.mu.Unlock()
	stop, ok := s.searches.named[r.GetRequestId()]
	if !ok || r.GetRequestId() == "" {
		return nil, s.status.of("StopSolve", fmt.Errorf("search %q: %w", cut(r.GetRequestId()), store.ErrNotFound))
	}
	stop.Store(true)
	return &pb.StopSolveResponse{}, nil
}

func (s *planService) ProposePlan(ctx context.Context, r *pb.ProposePlanRequest) (*pb.ProposePlanResponse, error) {
	var v violations
	changes := changesFromPB(r.GetChanges(), &v)
	for i, c := range changes {
		switch c.(type) {
		case outlook.MoveOrder, outlook.SplitOrder, outlook.AddMachine:
		default:
			v.add(fmt.Sprintf("changes[%d]", i), "cannot be kept in a plan, expected move_order, split_order or add_machine; ask EvaluateWhatIf")
		}
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	plan, err := s.floor.Propose(ctx, changes...)
	if err == nil && !r.GetValidateOnly() {
		plan, err = s.floor.Keep(ctx, plan)
	}
	if err != nil {
		return nil, s.status.of("ProposePlan", err)
	}
	return &pb.ProposePlanResponse{Plan: loadingToPB(&plan, true)}, nil
}

const livePlan = "plans/live"

// planID reads "plans/12"; "plans/live" and, where it may be, nothing are 0.
func planID(field, name string, live bool, v *violations) int64 {
	if live && (name == livePlan || name == "live" || name == "") {
		return 0
	}
	id, err := strconv.ParseInt(strings.TrimPrefix(name, "plans/"), 10, 64)
	if err != nil || id < 1 {
		v.add(field, fmt.Sprintf("is %q, expected plans/NUMBER; the numbers are in the list of plans", cut(name)))
	}
	return id
}

func (s *planService) GetPlan(ctx context.Context, r *pb.GetPlanRequest) (*pb.GetPlanResponse, error) {
	var v violations
	id := planID("name", r.GetName(), true, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	get := s.floor.LoadingNow
	if id != 0 {
		get = func(ctx context.Context) (floor.LoadingPlan, error) { return s.floor.KeptPlan(ctx, id) }
	}
	plan, err := get(ctx)
	if err != nil {
		return nil, s.status.of("GetPlan", err)
	}
	return &pb.GetPlanResponse{Plan: loadingToPB(&plan, true)}, nil
}

func (s *planService) ListPlans(ctx context.Context, r *pb.ListPlansRequest) (*pb.ListPlansResponse, error) {
	var v violations
	size := pageSize(r.GetPageSize(), &v)
	var before int64
	if t := r.GetPageToken(); t != "" {
		before = planID("page_token", t, false, &v)
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	list, err := s.floor.KeptPlans(ctx, before, size+1)
	if err != nil {
		return nil, s.status.of("ListPlans", err)
	}
	out := &pb.ListPlansResponse{}
	if len(list) > size {
		list = list[:size]
		out.NextPageToken = fmt.Sprint("plans/", list[size-1].ID)
	}
	for i := range list {
		out.Plans = append(out.Plans, loadingToPB(&list[i], false))
	}
	return out, nil
}

func (s *planService) ApplyPlan(ctx context.Context, r *pb.ApplyPlanRequest) (*pb.ApplyPlanResponse, error) {
	var v violations
	id := planID("name", r.GetName(), false, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	plan, lines, err := s.floor.ApplyPlan(ctx, id, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("ApplyPlan", err)
	}
	return &pb.ApplyPlanResponse{Plan: loadingToPB(&plan, true), Changes: lines}, nil
}

func (s *planService) UndoPlan(ctx context.Context, r *pb.UndoPlanRequest) (*pb.UndoPlanResponse, error) {
	var v violations
	id := planID("name", r.GetName(), false, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	plan, lines, err := s.floor.UndoPlan(ctx, id, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("UndoPlan", err)
	}
	return &pb.UndoPlanResponse{Plan: loadingToPB(&plan, true), Changes: lines}, nil
}

func (s *planService) BeginJob(ctx context.Context, r *pb.BeginJobRequest) (*pb.BeginJobResponse, error) {
	var v violations
	b := store.Beginning{
		Machine: machineID("machine", strings.TrimPrefix(r.GetMachine(), "machines/"), &v), Order: strings.TrimPrefix(text("order", r.GetOrder(), &v), "orders/"),
		At: instant("begin_time", r.GetBeginTime(), &v), TakeBack: r.GetTakeBack(),
	}
	switch {
	case b.TakeBack && (b.Order != "" || r.GetBeginTime() != nil):
		v.add("take_back", "is set beside an order or an instant; it takes the latest beginning of the machine back")
	case !b.TakeBack && b.Order == "":
		v.add("order", "is empty, expected orders/ID of a job that is planned on the machine")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	begun, lines, err := s.floor.BeginJob(ctx, b, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("BeginJob", err)
	}
	out := &pb.BeginJobResponse{Order: "orders/" + begun.Job.Order, BeginTime: stamp(begun.Job.From), Changes: lines}
	if begun.Before != "" {
		out.Before = "orders/" + begun.Before
	}
	return out, nil
}

func (s *planService) DiffPlans(ctx context.Context, r *pb.DiffPlansRequest) (*pb.DiffPlansResponse, error) {
	var v violations
	id, base := planID("name", r.GetName(), true, &v), planID("base", r.GetBase(), true, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	moves, same, err := s.floor.Diff(ctx, id, base)
	if err != nil {
		return nil, s.status.of("DiffPlans", err)
	}
	return &pb.DiffPlansResponse{Moves: movesToPB(moves), SameCount: int32(same)}, nil
}

func (s *planService) ExplainPlan(ctx context.Context, r *pb.ExplainPlanRequest) (*pb.ExplainPlanResponse, error) {
	var v violations
	id := planID("name", r.GetName(), true, &v)
	order := strings.TrimPrefix(text("order", r.GetOrder(), &v), "orders/")
	if order == "" {
		v.add("order", "is empty, expected orders/ID")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	e, err := s.floor.Explain(ctx, id, order)
	if err != nil {
		return nil, s.status.of("ExplainPlan", err)
	}
	out := &pb.ExplainPlanResponse{Sentences: e.Sentences, Reasons: reasonsToPB(e.Others)}
	for i := range e.Jobs {
		out.Jobs = append(out.Jobs, loadingJobToPB(&e.Jobs[i]))
		out.Machines = append(out.Machines, "machines/"+e.Machines[i])
	}
	return out, nil
}

func (s *planService) ListSetups(context.Context, *pb.ListSetupsRequest) (*pb.ListSetupsResponse, error) {
	rows, assumed := s.floor.Setups()
	out := &pb.ListSetupsResponse{Assumed: assumed}
	for _, r := range rows {
		out.Setups = append(out.Setups, &pb.SetupRow{Kind: r.Kind, Machine: r.Machine, From: r.From, To: r.To, Minutes: r.Minutes})
	}
	return out, nil
}

func (s *planService) ListCare(ctx context.Context, _ *pb.ListCareRequest) (*pb.ListCareResponse, error) {
	list, err := s.floor.Care(ctx)
	if err != nil {
		return nil, s.status.of("ListCare", err)
	}
	out := &pb.ListCareResponse{}
	for i := range list {
		out.Care = append(out.Care, careToPB(&list[i]))
	}
	return out, nil
}
