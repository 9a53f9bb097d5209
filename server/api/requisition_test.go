package api

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

func (m *mill) draft(t *testing.T, in time.Duration, machines ...string) *pb.DraftRequisitionResponse {
	t.Helper()
	r, err := m.creels.DraftRequisition(t.Context(), &pb.DraftRequisitionRequest{UntilTime: timestamppb.New(time.Now().Add(in)), Machines: machines})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// By hand: 100 places draw 0.1 g a turn each, and half of the hour that was knitted came from cones of 0.2 kg, of
// which 0.12 kg are left. At 28 turns a minute 12 hours are 2.0 kg a place, which is one cone of
// 2 kg each, and 24 hours are 4.0 kg, which are two; both hold down to nine tenths of that speed.
func TestRequisition(t *testing.T) {
	m, _ := creelMill(t)
	if soon := m.draft(t, 30*time.Minute); len(soon.GetLines()) != 0 {
		t.Errorf("for half an hour, which the creel has: %v", soon)
	}
	for hours, cones := range map[int]int32{12: 100, 24: 200} {
		l := m.draft(t, time.Duration(hours)*time.Hour).GetLines()
		if len(l) != 1 || l[0].GetLot() != "lots/L-1" || l[0].GetConeCount() != cones || l[0].GetNeedKg().GetValue() != 2*float64(cones) || l[0].GetFetchKg().GetValue() != 2*float64(cones) ||
			l[0].GetStoreKg().GetValue() != 9000 || l[0].GetShortKg().GetValue() != 0 || l[0].GetTip() != "green" {
			t.Fatalf("for %d hours: %v, want %d cones of 2 kg", hours, l, cones)
		}
		// 0.12 kg last 1160 turns, which are some 41 minutes and more with stops.
		if in := time.Until(l[0].GetShares()[0].GetFirstTime().AsTime()); in < 35*time.Minute || in > 60*time.Minute || l[0].GetShares()[0].GetOrder() != "SO-1" {
			t.Errorf("the first cone in %s: %v", in, l[0].GetShares())
		}
	}
	if _, err := m.creels.MoveLot(t.Context(), &pb.MoveLotRequest{Lot: "lots/L-1", Machine: "k01", Move: pb.LotMove_LOT_MOVE_REQUISITION, NetKg: 150, RequestId: "r"}); err != nil {
		t.Fatal(err)
	}
	if l := m.draft(t, 24*time.Hour, "machines/k01").GetLines()[0]; l.GetAtMachineKg().GetValue() != 150 || l.GetFetchKg().GetValue() != 250 || l.GetStoreKg().GetValue() != 8850 {
		t.Errorf("with 150 kg there: %v", l)
	}
	b := testBook()
	b.Lots[0].StoreKg, b.Assignments = 250, nil // 100 of it are left
	m.apply(t, b)
	if l := m.draft(t, 24*time.Hour).GetLines()[0]; l.GetFetchKg().GetValue() != 250 || l.GetStoreKg().GetValue() != 100 || l.GetShortKg().GetValue() != 150 {
		t.Errorf("with 100 kg in the store: %v", l)
	}
	if l := m.draft(t, 24*time.Hour, "machines/k02").GetLines(); len(l) != 0 {
		t.Errorf("of a machine without order: %v", l)
	}
	for what, r := range map[string]*pb.DraftRequisitionRequest{
		"no instant": {}, "the past": {UntilTime: timestamppb.New(time.Now().Add(-time.Minute))}, "three weeks": {UntilTime: timestamppb.New(time.Now().Add(21 * 24 * time.Hour))},
	} {
		if _, err := m.creels.DraftRequisition(t.Context(), r); status.Code(err) != codes.InvalidArgument || !strings.Contains(fmt.Sprint(err, status.Convert(err).Details()), "expected") {
			t.Errorf("%s: %v", what, err)
		}
	}
	if _, err := m.creels.DraftRequisition(t.Context(), &pb.DraftRequisitionRequest{UntilTime: timestamppb.New(time.Now().Add(time.Hour)), Machines: []string{"k99"}}); status.Code(err) != codes.NotFound {
		t.Errorf("an unknown machine: %v", err)
	}
}

// By hand: 120 kg of SO-1 are 1.2 kg a place and one cone; SO-2 follows after 8 hours from another lot, on an empty
// creel: 16 hours are 2.7 kg a place and two cones, down to three quarters of that speed.
func TestRequisitionOverAChange(t *testing.T) {
	m := newMill(t)
	b := testBook()
	b.Lots = append(b.Lots, &pb.BookLot{Id: "L-2", Yarn: "y", StoreKg: 5000})
	b.Orders[0].QuantityKg = 120 + 16.8
	b.Orders = append(b.Orders, &pb.BookOrder{Id: "SO-2", Article: "SJ", QuantityKg: 3000, Lot: "L-2"})
	begins := time.Now().Add(8 * time.Hour)
	b.Assignments = append(b.Assignments, &pb.BookAssignment{Machine: "k01", FromTime: timestamppb.New(begins), Order: "SO-2", Card: "sj"})
	m.apply(t, b)
	m.knit(t, 0)
	if _, err := m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "k01", Lot: "L-1", ConeNetKg: 0.2, LoadTime: timestamppb.New(time.Now().Add(-30 * time.Minute))}); err != nil {
		t.Fatal(err)
	}
	r := m.draft(t, 24*time.Hour)
	l := r.GetLines()
	if len(l) != 2 || len(r.GetWarnings()) != 0 || l[0].GetLot() != "lots/L-1" || l[0].GetConeCount() != 100 || l[1].GetLot() != "lots/L-2" || l[1].GetConeCount() != 200 {
		t.Fatalf("%v, want 100 cones of L-1 and 200 of L-2", r)
	}
	if at := l[1].GetShares()[0].GetFirstTime().AsTime(); math.Abs(at.Sub(begins).Minutes()) > 1 {
		t.Errorf("the first of L-2 at %s, the job begins at %s", at, begins)
	}
	// Cones that nobody told of are taken as not there, and that is said.
	fresh := newMill(t)
	fresh.apply(t, testBook())
	fresh.knit(t, 0)
	r = fresh.draft(t, 6*time.Hour)
	if len(r.GetLines()) != 1 || r.GetLines()[0].GetConeCount() != 100 || len(r.GetWarnings()) != 1 || !strings.Contains(r.GetWarnings()[0], "nobody told") {
		t.Errorf("an untold creel: %v", r)
	}
}
