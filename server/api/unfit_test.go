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

// TestOrderThatNoMachineCanKnit: each property that fails is named, and a move by hand to
// such a machine is refused with it; no job changes.
func TestOrderThatNoMachineCanKnit(t *testing.T) {
	m := loadedMill(t)
	ctx := t.Context()
	due := timestamppb.New(time.Now().Add(200 * time.Hour))
	wide := []*pb.BookFeedGroup{{Id: "g", Yarn: "y", FeederCount: 120, CourseLengthM: 5}}
	feeds := []*pb.BookFeedGroup{{Id: "g", Yarn: "y", FeederCount: 100, CourseLengthM: 5}}
	m.apply(t, &pb.Book{
		Machines: []*pb.BookMachine{{Id: "k01", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100, Set: "A", Structures: []string{"jersey"}}, {Id: "k02", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100, Structures: []string{"jersey"}}, {Id: "k03", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100, Structures: []string{"jersey"}}},
		Articles: []*pb.BookArticle{{Id: "WIDE", DiameterInch: 38}, {Id: "RIB", Structure: "rib"}, {Id: "MANY"}},
		Cards:    []*pb.BookCard{{Id: "wide", Article: "WIDE", SpeedRpm: 28, Feeds: feeds}, {Id: "rib", Article: "RIB", Machine: "k02", SpeedRpm: 28, Feeds: feeds}, {Id: "many", Article: "MANY", SpeedRpm: 28, Feeds: wide}},
		Orders: []*pb.BookOrder{
			{Id: "SO-W", Article: "WIDE", QuantityKg: 100, PromiseTime: due}, {Id: "SO-R", Article: "RIB", QuantityKg: 100, PromiseTime: due}, {Id: "SO-F", Article: "MANY", QuantityKg: 100, PromiseTime: due},
			{Id: "SO-Z", Article: "SJ", QuantityKg: 0, PromiseTime: due}, {Id: "SO-P", Article: "SJ", QuantityKg: 100, PromiseTime: timestamppb.New(time.Now().AddDate(-5, 0, 0))},
		},
	})
	before := m.where(t)
	plan, _ := m.solve(t, &pb.SolvePlanRequest{Rounds: 100, ValidateOnly: true})
	told := map[string]string{}
	for _, r := range plan.GetRefusals() {
		told[r.GetOrder()] = r.GetSentence()
	}
	for order, want := range map[string]string{
		"SO-W": "needs 38 inches, the machine has 30", "SO-R": "is rib, the machine's cams allow jersey", "SO-F": "needs 120 feeds, the machine has 100",
		"SO-4": "needs gauge 40, the machine has 28", "SO-P": "Correct the due date of SO-P",
	} {
		if !strings.Contains(told["orders/"+order], want) {
			t.Errorf("%s is refused with %q, want %q", order, told["orders/"+order], want)
		}
	}
	if _, refused := told["orders/SO-Z"]; refused {
		t.Errorf("an order with nothing left is refused: %q", told["orders/SO-Z"])
	}
	for order, want := range map[string]string{"SO-W": "38 inches", "SO-R": "cams allow jersey", "SO-4": "gauge 40"} {
		add := &pb.Change{Kind: &pb.Change_AddMachine{AddMachine: &pb.AddMachine{Machine: "machines/k02", Order: "orders/" + order}}}
		_, err := m.plans.ProposePlan(ctx, &pb.ProposePlanRequest{Changes: []*pb.Change{add}})
		if status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), want) || !strings.Contains(err.Error(), "K02") {
			t.Errorf("%s by hand on K02: %v, want FailedPrecondition and %q", order, err, want)
		}
	}
	if now := m.where(t); len(now) != len(before) || now["SO-2"] != before["SO-2"] {
		t.Errorf("the jobs changed: %v, before %v", now, before)
	}
}

// TestOneLotIsNotSplitByHand: nor does a pinned order leave its machine by hand.
func TestOneLotIsNotSplitByHand(t *testing.T) {
	m := loadedMill(t)
	ctx := t.Context()
	due := timestamppb.New(time.Now().Add(72 * time.Hour))
	m.apply(t, &pb.Book{Orders: []*pb.BookOrder{{Id: "SO-2", Article: "SJ", QuantityKg: 800, PromiseTime: due, OneLot: true}}})
	split := &pb.Change{Kind: &pb.Change_SplitOrder{SplitOrder: &pb.SplitOrder{Order: "SO-2", Machine: "k02", QuantityKg: 300}}}
	move := &pb.Change{Kind: &pb.Change_MoveOrder{MoveOrder: &pb.MoveOrder{Order: "orders/SO-2", Machine: "machines/k02"}}}
	ask := func(c *pb.Change) error {
		_, err := m.plans.ProposePlan(ctx, &pb.ProposePlanRequest{Changes: []*pb.Change{c}, ValidateOnly: true})
		return err
	}
	if err := ask(split); status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), "dyed as one lot and would be on K01 and K02") {
		t.Errorf("one lot in two: %v", err)
	}
	if err := ask(move); err != nil {
		t.Errorf("one lot moved whole: %v", err)
	}
	m.apply(t, &pb.Book{Orders: []*pb.BookOrder{{Id: "SO-2", Article: "SJ", QuantityKg: 800, PromiseTime: due, PinMachine: "k01"}}})
	if err := ask(move); status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), "pinned to K01") {
		t.Errorf("a pinned order: %v", err)
	}
}
