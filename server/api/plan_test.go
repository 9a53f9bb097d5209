package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/store"
)

func stand(machine string, d time.Duration) *pb.Change {
	return &pb.Change{Kind: &pb.Change_StopMachine{StopMachine: &pb.StopMachine{Machine: machine, Duration: durationpb.New(d)}}}
}

func TestEvaluateWhatIf(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	m.knit(t, 20)
	r, err := m.plans.EvaluateWhatIf(t.Context(), &pb.EvaluateWhatIfRequest{Changes: []*pb.Change{stand("machines/k01", 5*time.Hour)}})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.GetEffects()) != 1 || r.GetSameCount() != 0 {
		t.Fatalf("%v, want SO-1 alone", r)
	}
	e := r.GetEffects()[0]
	if moved := e.GetAfter().GetP50Time().AsTime().Sub(e.GetBefore().GetP50Time().AsTime()); e.GetOrder() != "orders/SO-1" || (moved-5*time.Hour).Abs() > time.Second {
		t.Errorf("%s moves by %s, want orders/SO-1 by 5 h", e.GetOrder(), moved)
	}
	if !strings.Contains(e.GetSentence(), "5.0 h later") {
		t.Errorf("sentence %q", e.GetSentence())
	}
}

func TestEvaluateWhatIfRefuses(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	now := time.Now()
	many := make([]*pb.Change, mostChanges+1)
	for i := range many {
		many[i] = stand("k01", time.Hour)
	}
	for _, c := range []struct {
		changes []*pb.Change
		code    codes.Code
		says    string
	}{
		{nil, codes.InvalidArgument, "changes: has 0 entries"},
		{many, codes.InvalidArgument, "has 101 entries"},
		{[]*pb.Change{{}}, codes.InvalidArgument, "changes[0].kind: is empty"},
		{[]*pb.Change{stand("K 01", time.Hour)}, codes.InvalidArgument, "changes[0].stop_machine.machine"},
		{[]*pb.Change{stand("k09", time.Hour)}, codes.FailedPrecondition, `machine K09 is not in the book, expected one of K01`},
		{[]*pb.Change{stand("k01", -time.Hour)}, codes.FailedPrecondition, "expected more than 0"},
		{[]*pb.Change{{Kind: &pb.Change_StopMachine{StopMachine: &pb.StopMachine{Machine: "k01"}}}}, codes.InvalidArgument, "stop_machine.duration: is missing"},
		{[]*pb.Change{{Kind: &pb.Change_SlowMachine{SlowMachine: &pb.SlowMachine{Machine: "k01", SpeedRpm: -3}}}}, codes.InvalidArgument, "slow_machine.speed_rpm: is -3"},
		{[]*pb.Change{{Kind: &pb.Change_AddMachine{AddMachine: &pb.AddMachine{Machine: "k01", Order: "orders/SO-1"}}}}, codes.FailedPrecondition, "K01 works on SO-1 already"},
		{[]*pb.Change{{Kind: &pb.Change_OpenTime{OpenTime: &pb.OpenTime{StartTime: timestamppb.New(now.Add(time.Hour)), EndTime: timestamppb.New(now)}}}}, codes.FailedPrecondition, "a beginning before its end"},
		{[]*pb.Change{{Kind: &pb.Change_CloseTime{CloseTime: &pb.CloseTime{}}}}, codes.FailedPrecondition, "a beginning before its end"},
	} {
		_, err := m.plans.EvaluateWhatIf(t.Context(), &pb.EvaluateWhatIfRequest{Changes: c.changes})
		if status.Code(err) != c.code || !strings.Contains(status.Convert(err).Message(), c.says) {
			t.Errorf("%v: %v, want %s with %q", c.changes, err, c.code, c.says)
		}
	}
}

func TestWatchPromises(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	m.knit(t, 20)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stream, err := m.plans.WatchPromises(ctx, &pb.WatchPromisesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	r, err := stream.Recv()
	if err != nil || !r.GetFull() || len(r.GetChanges()) != 1 || r.GetChanges()[0].GetOrder() != "orders/SO-1" || r.GetChanges()[0].GetBefore() != nil {
		t.Fatalf("%v, %v; want SO-1 as it is", r, err)
	}
	cancel()
	if _, err := stream.Recv(); status.Code(err) != codes.Canceled {
		t.Errorf("after the reader left: %v", err)
	}
}

func TestReportPromiseCalibration(t *testing.T) {
	m := newMill(t)
	begin := time.Now().Add(-100 * time.Hour)
	var kept []store.Kept
	var settled []store.Settled
	for i := range 20 { // done at 1/20 to 20/20 of the law: as told
		order := fmt.Sprintf("SO-%d", i)
		k := store.Kept{Order: order, Occasion: "0 % done", Made: begin, Article: "SJ", Structure: "single jersey", QuantityKg: 10, RemainingKg: 10}
		if i%2 == 1 {
			k.Article, k.Structure = "PQ", "pique"
		}
		for n := range 100 {
			k.Minutes = append(k.Minutes, float64(n)+0.5)
		}
		kept = append(kept, k)
		settled = append(settled, store.Settled{Order: order, Occasion: "0 % done", Ended: begin.Add(time.Hour), Minutes: 5*float64(i) + 2.25})
	}
	open := kept[0]
	open.Occasion = "promised"
	if err := m.st.KeepForecasts(t.Context(), append(kept, open)); err != nil {
		t.Fatal(err)
	}
	if err := m.st.SettleForecasts(t.Context(), settled); err != nil {
		t.Fatal(err)
	}
	r, err := m.plans.ReportPromiseCalibration(t.Context(), &pb.ReportPromiseCalibrationRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var groups []string
	for _, c := range r.GetCalibrations() {
		groups = append(groups, c.GetGroup())
	}
	if want := []string{"all", "structure pique", "structure single jersey", "article PQ", "article SJ"}; !slices.Equal(groups, want) {
		t.Errorf("groups %q, want %q", groups, want)
	}
	all := r.GetCalibrations()[0]
	if all.GetForecastCount() != 20 || len(r.GetOutcomes()) != 21 {
		t.Errorf("%d forecasts of %d kept", all.GetForecastCount(), len(r.GetOutcomes()))
	}
	for i, share := range []float64{0.5, 0.8, 0.9} {
		if l := all.GetLevels()[i]; l.GetLevel() != share || l.GetShare() != share || l.GetShareLow() > share || l.GetShareHigh() < share {
			t.Errorf("level %v, want a share of %g", l, share)
		}
	}
	if n := all.GetTenthCounts(); !slices.Equal(n, []int32{2, 2, 2, 2, 2, 2, 2, 2, 2, 2}) {
		t.Errorf("tenths %v", n)
	}
	r, err = m.plans.ReportPromiseCalibration(t.Context(), &pb.ReportPromiseCalibrationRequest{Article: "PQ"})
	if err != nil || r.GetCalibrations()[0].GetForecastCount() != 10 {
		t.Errorf("of PQ: %v, %v", r, err)
	}
	if r, err = m.plans.ReportPromiseCalibration(t.Context(), &pb.ReportPromiseCalibrationRequest{StartTime: timestamppb.Now()}); err != nil || len(r.GetCalibrations()) != 0 || len(r.GetOutcomes()) != 0 {
		t.Errorf("since now: %v, %v", r, err)
	}
}
