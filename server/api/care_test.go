package api

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

// careJob finds a care among the jobs of a plan.
func careJob(p *pb.LoadingPlan, id string) (machine string, job *pb.LoadingJob, place int) {
	for _, l := range p.GetLines() {
		for k, j := range l.GetJobs() {
			if j.GetKind() == "care" && j.GetOrder() == id {
				return strings.TrimPrefix(l.GetMachine(), "machines/"), j, k
			}
		}
	}
	return "", nil, -1
}

// TestCareHasItsPlace: care of the book stands among the jobs as they are and in a plan, is
// explained, counts its revolutions, and goes when it was done.
func TestCareHasItsPlace(t *testing.T) {
	m := loadedMill(t)
	m.knit(t, 0)
	now := time.Now()
	at := func(h float64) *timestamppb.Timestamp {
		return timestamppb.New(now.Add(time.Duration(h * float64(time.Hour))))
	}
	m.apply(t, &pb.Book{Care: []*pb.BookCare{
		{Id: "needles-k01", Machine: "k01", Kind: "needles", Minutes: 240, EveryRevolutions: 100_000},
		{Id: "oil-k02", Machine: "k02", Kind: "oil", Minutes: 60, FromTime: at(5), ToTime: at(30)},
		{Id: "far-k03", Machine: "k03", Kind: "overhaul", Minutes: 60, FromTime: at(24 * 60)},
	}})
	ctx := t.Context()
	live, err := m.plans.GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/live"})
	if err != nil {
		t.Fatal(err)
	}
	machine, job, place := careJob(live.GetPlan(), "needles-k01")
	if machine != "k01" || job.GetCareKind() != "needles" || place < 1 || job.GetEndTime().AsTime().Sub(job.GetStartTime().AsTime()) != 4*time.Hour {
		t.Fatalf("needles on %q, place %d: %v", machine, place, job)
	}
	if _, far, _ := careJob(live.GetPlan(), "far-k03"); far != nil {
		t.Errorf("a care of in two months is placed: %v", far)
	}
	list, err := m.plans.ListCare(ctx, &pb.ListCareRequest{})
	if err != nil || len(list.GetCare()) != 3 {
		t.Fatalf("care %v, %v", list, err)
	}
	for _, c := range list.GetCare() {
		switch c.GetCare().GetId() {
		case "needles-k01":
			if c.GetRevolutionCount() != 1680 || c.GetStartTime() == nil || !c.GetEarliestTime().AsTime().Before(c.GetLatestTime().AsTime()) {
				t.Errorf("needles: %v, want the 1,680 revolutions that were counted", c)
			}
		case "oil-k02":
			if s := c.GetStartTime().AsTime(); s.Before(at(5).AsTime().Add(-time.Second)) || c.GetEndTime().AsTime().After(at(30).AsTime()) {
				t.Errorf("oil is planned %v to %v, outside its window", s, c.GetEndTime().AsTime())
			}
		}
	}
	plan, _ := m.solve(t, &pb.SolvePlanRequest{Rounds: 300, Seed: 7})
	if machine, job, _ := careJob(plan, "oil-k02"); machine != "k02" || job.GetEndTime().AsTime().After(at(30).AsTime()) {
		t.Errorf("the plan has oil on %q: %v", machine, job)
	}
	e, err := m.plans.ExplainPlan(ctx, &pb.ExplainPlanRequest{Name: plan.GetName(), Order: "oil-k02"})
	if said := strings.Join(e.GetSentences(), " "); err != nil || !strings.Contains(said, "Oil (oil-k02) of K02 takes 60 min") || !strings.Contains(said, "It is to be done from") {
		t.Errorf("explained as %q, %v", said, err)
	}
	if _, err := m.plans.ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: plan.GetName()}); err != nil {
		t.Fatal(err)
	}
	if live, err = m.plans.GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/live"}); err != nil {
		t.Fatal(err)
	}
	if machine, _, _ := careJob(live.GetPlan(), "oil-k02"); machine != "k02" {
		t.Errorf("after the plan was applied oil is on %q", machine)
	}
	m.apply(t, &pb.Book{Care: []*pb.BookCare{
		{Id: "oil-k02", Machine: "k02", Kind: "oil", Minutes: 60, FromTime: at(-5), ToTime: at(30), DoneTime: at(-1)},
		{Id: "needles-k01", Machine: "k01", Kind: "needles", Minutes: 240, EveryRevolutions: 100_000, DoneTime: at(1)},
	}})
	if live, err = m.plans.GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/live"}); err != nil {
		t.Fatal(err)
	}
	if _, job, _ := careJob(live.GetPlan(), "oil-k02"); job != nil {
		t.Errorf("oil is done and still planned: %v", job)
	}
	list, err = m.plans.ListCare(ctx, &pb.ListCareRequest{})
	for _, c := range list.GetCare() {
		if id := c.GetCare().GetId(); id == "needles-k01" && c.GetRevolutionCount() != 0 || id == "oil-k02" && !c.GetDone() {
			t.Errorf("after they were done: %v, %v", c, err)
		}
	}
}

// Care by revolutions comes again and again within three weeks, never later than it is due
// after the time before, and the order's promise counts what comes before its end.
func TestCareComesAgain(t *testing.T) {
	m := loadedMill(t)
	m.knit(t, 0)
	finish := func() time.Time {
		t.Helper()
		o, err := m.orders.GetOrder(t.Context(), &pb.GetOrderRequest{Name: "orders/SO-1"})
		if err != nil {
			t.Fatal(err)
		}
		return o.GetOrder().GetFinish().GetP50Time().AsTime()
	}
	before := finish()
	const every = 150_000
	m.apply(t, &pb.Book{Care: []*pb.BookCare{{Id: "needles-k01", Machine: "k01", Kind: "needles", Minutes: 240, EveryRevolutions: every}}})
	live, err := m.plans.GetPlan(t.Context(), &pb.GetPlanRequest{Name: "plans/live"})
	if err != nil {
		t.Fatal(err)
	}
	var starts []time.Time
	end, within := time.Now(), 0
	for _, l := range live.GetPlan().GetLines() {
		for _, j := range l.GetJobs() {
			if j.GetCareKind() == "" {
				continue
			}
			at := j.GetStartTime().AsTime()
			// A job that has not begun is not interrupted: what is late for that says so.
			if gap := at.Sub(end) - time.Duration(j.GetLateMinutes()*float64(time.Minute)); gap > every/28*time.Minute*102/100 { // it stands now and then
				t.Errorf("%s begins %v of running after the one before, %d revolutions take %v", j.GetOrder(), gap, every, every/28*time.Minute)
			}
			if end = j.GetEndTime().AsTime(); at.Before(before) {
				within++
			}
			starts = append(starts, at)
		}
	}
	// By hand: 150,000 turns at 28 rpm are 89 h; nine tenths of that fit 6 times into 21 days.
	if len(starts) < 5 || len(starts) > 6 || within < 1 {
		t.Errorf("placed %d times, %d of them before the end of SO-1: %v", len(starts), within, starts)
	}
	if moved := finish().Sub(before); moved < time.Duration(within-1)*4*time.Hour || moved > time.Duration(within+1)*4*time.Hour {
		t.Errorf("%d needle changes of 4 h before its end move SO-1 by %v", within, moved)
	}
	e, err := m.plans.ExplainPlan(t.Context(), &pb.ExplainPlanRequest{Name: "plans/live", Order: "needles-k01"})
	if err != nil || len(e.GetJobs()) != len(starts) {
		t.Errorf("explained %d times, placed %d times, %v", len(e.GetJobs()), len(starts), err)
	}
}

func TestBadCare(t *testing.T) {
	m := loadedMill(t)
	for what, c := range map[string]*pb.BookCare{
		"no machine":      {Id: "a", Minutes: 60},
		"unknown machine": {Id: "a", Machine: "k99", Minutes: 60},
		"no minutes":      {Id: "a", Machine: "k01"},
		"both dues":       {Id: "a", Machine: "k01", Minutes: 60, EveryRevolutions: 9, ToTime: timestamppb.Now()},
		"below zero":      {Id: "a", Machine: "k01", Minutes: 60, EveryRevolutions: -9},
	} {
		_, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: &pb.Book{Care: []*pb.BookCare{c}}})
		if status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v, want it refused", what, err)
		}
	}
	if r, err := m.plans.ListCare(t.Context(), &pb.ListCareRequest{}); err != nil || len(r.GetCare()) != 0 {
		t.Errorf("care was written: %v, %v", r, err)
	}
}

// TestCylinderIsTakenInTurn: an order for a gauge that two machines have only with one cylinder is
// loaded with it and says so; two such orders are not knitted at once.
func TestCylinderIsTakenInTurn(t *testing.T) {
	m := loadedMill(t)
	m.apply(t, &pb.Book{
		Cylinders: []*pb.BookCylinder{{Id: "R40", DiameterInch: 30, GaugeNpi: 40, Machines: []string{"k01", "k02"}}},
		Orders:    []*pb.BookOrder{{Id: "SO-5", Article: "FINE", QuantityKg: 300, PromiseTime: timestamppb.New(time.Now().Add(48 * time.Hour))}},
	})
	plan, _ := m.solve(t, &pb.SolvePlanRequest{Rounds: 500, Seed: 7})
	var spans [][2]time.Time
	for _, l := range plan.GetLines() {
		for _, j := range l.GetJobs() {
			if j.GetOrder() != "orders/SO-4" && j.GetOrder() != "orders/SO-5" {
				continue
			}
			if j.GetCylinder() != "R40" || l.GetMachine() == "machines/k03" {
				t.Errorf("%s on %s with cylinder %q", j.GetOrder(), l.GetMachine(), j.GetCylinder())
			}
			spans = append(spans, [2]time.Time{j.GetStartTime().AsTime(), j.GetEndTime().AsTime()})
		}
	}
	if len(spans) != 2 || spans[0][0].Before(spans[1][1]) && spans[1][0].Before(spans[0][1]) {
		t.Errorf("the two orders are knitted %v", spans)
	}
	e, err := m.plans.ExplainPlan(t.Context(), &pb.ExplainPlanRequest{Name: plan.GetName(), Order: "SO-5"})
	if said := strings.Join(e.GetSentences(), " "); err != nil || !strings.Contains(said, "cylinder R40") {
		t.Errorf("explained as %q, %v", said, err)
	}
	for what, c := range map[string]*pb.BookCylinder{
		"another diameter": {Id: "R", DiameterInch: 34, GaugeNpi: 24, Machines: []string{"k01"}},
		"no machine":       {Id: "R", GaugeNpi: 24},
		"twice":            {Id: "R", GaugeNpi: 24, Machines: []string{"k01", "k01"}},
	} {
		if _, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: &pb.Book{Cylinders: []*pb.BookCylinder{c}}}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v, want it refused", what, err)
		}
	}
}
