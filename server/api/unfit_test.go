package api

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
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

// TestLotsAreNotMixedByHand: an order is not spread by hand over machines whose cards take
// several lots of its yarn, unless the lot is released there, the order names it, or the mill
// only warns.
func TestLotsAreNotMixedByHand(t *testing.T) {
	split := &pb.Change{Kind: &pb.Change_SplitOrder{SplitOrder: &pb.SplitOrder{Order: "SO-2", Machine: "k02", QuantityKg: 300}}}
	mixed := func(t *testing.T, c floor.Config) *mill {
		m := loadedMillOf(t, c)
		m.apply(t, &pb.Book{
			Lots:  []*pb.BookLot{{Id: "L-2", Yarn: "y", StoreKg: 900}},
			Cards: []*pb.BookCard{{Id: "sj2", Article: "SJ", Machine: "k02", SpeedRpm: 28, Feeds: []*pb.BookFeedGroup{{Id: "ground", Yarn: "y", Lot: "L-2", FeederCount: 100, CourseLengthM: 5}}}},
		})
		return m
	}
	ask := func(m *mill, c *pb.Change) (*pb.LoadingPlan, error) {
		p, err := m.plans.ProposePlan(t.Context(), &pb.ProposePlanRequest{Changes: []*pb.Change{c}, ValidateOnly: true})
		return p.GetPlan(), err
	}
	const says = "SO-2 would be knitted from lot L-1 of 20 tex on K01 and from lot L-2 on K02"
	m := mixed(t, floor.Config{})
	if _, err := ask(m, split); status.Code(err) != codes.FailedPrecondition || !strings.Contains(err.Error(), says) {
		t.Errorf("mixed lots: %v, want FailedPrecondition and %q", err, says)
	}
	w, err := m.plans.EvaluateWhatIf(t.Context(), &pb.EvaluateWhatIfRequest{Changes: []*pb.Change{split}})
	if err != nil || len(w.GetWarnings()) != 1 || !strings.Contains(w.GetWarnings()[0], says) {
		t.Errorf("what if: %v, %v", w.GetWarnings(), err)
	}
	move := &pb.Change{Kind: &pb.Change_MoveOrder{MoveOrder: &pb.MoveOrder{Order: "orders/SO-2", Machine: "machines/k02"}}}
	if p, err := ask(m, move); err != nil || len(p.GetWarnings()) != 0 {
		t.Errorf("all of it moved: %v, %v", p.GetWarnings(), err)
	}
	if _, err := m.creels.ReleaseLot(t.Context(), &pb.ReleaseLotRequest{Lot: "lots/L-1", Machine: "machines/k02", Role: "quality", Reason: "shade checked", RequestId: "r"}); err != nil {
		t.Fatal(err)
	}
	if err := m.floor.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := ask(m, split); err != nil {
		t.Errorf("L-1 is released for K02: %v", err)
	}
	m = mixed(t, floor.Config{Rule: floor.CreelRule{Chance: 0.1, WarnLots: true}})
	if p, err := ask(m, split); err != nil || len(p.GetWarnings()) != 1 || !strings.Contains(p.GetWarnings()[0], says) {
		t.Errorf("a mill that warns: %v, %v", p.GetWarnings(), err)
	}
	m = mixed(t, floor.Config{})
	m.apply(t, &pb.Book{Orders: []*pb.BookOrder{{Id: "SO-2", Article: "SJ", QuantityKg: 800, Lot: "L-2"}}})
	if _, err := ask(m, split); err != nil {
		t.Errorf("the order names its lot: %v", err)
	}
}

// TestBeds: what takes two needle beds stays off a machine with one, by hand, by the search
// and in the book.
func TestBeds(t *testing.T) {
	m := loadedMill(t)
	feeds := []*pb.BookFeedGroup{{Id: "ground", Yarn: "y", FeederCount: 100, CourseLengthM: 5}}
	due := timestamppb.New(time.Now().Add(200 * time.Hour))
	m.apply(t, &pb.Book{
		Articles: []*pb.BookArticle{{Id: "IL", DisplayName: "interlock", BedCount: 2}},
		Cards:    []*pb.BookCard{{Id: "il", Article: "IL", SpeedRpm: 28, Feeds: feeds}},
		Orders:   []*pb.BookOrder{{Id: "SO-B", Article: "IL", QuantityKg: 100, PromiseTime: due}},
	})
	refusal := func() string {
		t.Helper()
		plan, _ := m.solve(t, &pb.SolvePlanRequest{Rounds: 50, Seed: 7, ValidateOnly: true})
		for _, r := range plan.GetRefusals() {
			if r.GetOrder() == "orders/SO-B" {
				return r.GetSentence()
			}
		}
		return ""
	}
	const says = "the order needs two needle beds, the machine has one needle bed"
	if got := refusal(); !strings.Contains(got, says) {
		t.Errorf("refused with %q, want %q", got, says)
	}
	_, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: &pb.Book{Assignments: []*pb.BookAssignment{{Machine: "k02", FromTime: due, Order: "SO-B", Card: "il"}}}})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "article IL needs two needle beds, k02 has one") {
		t.Errorf("an assignment to one bed: %v", err)
	}
	for _, two := range []*pb.BookMachine{
		{Id: "k02", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100, BedCount: 2},
		{Id: "k02", DiameterInch: 30, GaugeNpi: 28, FeederCount: 100, DialNeedleCount: 2640},
	} {
		m.apply(t, &pb.Book{Machines: []*pb.BookMachine{two}})
		if got := refusal(); got != "" {
			t.Errorf("%v: refused with %q", two, got)
		}
		k, err := m.machines.GetMachine(t.Context(), &pb.GetMachineRequest{Name: "machines/k02"})
		if err != nil || k.GetMachine().GetBedCount() != 2 {
			t.Errorf("%v: %d beds, %v", two, k.GetMachine().GetBedCount(), err)
		}
	}
	for name, b := range map[string]*pb.Book{
		"three beds": {Machines: []*pb.BookMachine{{Id: "k02", BedCount: 3}}}, "one bed with a dial": {Machines: []*pb.BookMachine{{Id: "k02", BedCount: 1, DialNeedleCount: 5}}},
		"article": {Articles: []*pb.BookArticle{{Id: "IL", BedCount: 9}}},
	} {
		if _, err := m.books.ApplyBook(t.Context(), &pb.ApplyBookRequest{Book: b}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", name, err)
		}
	}
}
