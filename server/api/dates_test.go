package api

import (
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/planner/calendar"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// wholeDate checks that a forecast is a distribution with what it rests on, or a reason
// and nothing else.
func wholeDate(t *testing.T, name string, f *pb.FinishForecast) {
	t.Helper()
	times := []*timestamppb.Timestamp{f.GetP10Time(), f.GetP50Time(), f.GetP80Time(), f.GetP90Time(), f.GetP95Time()}
	if f.GetRefused() != "" {
		for _, at := range append(times, f.GetFinishTimes()...) {
			if at != nil {
				t.Errorf("%s: refused with %q, and a date", name, f.GetRefused())
				return
			}
		}
		if f.GetMissChance() != 0 || len(f.GetParts()) > 0 {
			t.Errorf("%s: refused with %q, and a chance of %g", name, f.GetRefused(), f.GetMissChance())
		}
		return
	}
	for i, at := range times {
		if at == nil || at.CheckValid() != nil || i > 0 && at.AsTime().Before(times[i-1].AsTime()) {
			t.Errorf("%s: dates %v do not rise", name, times)
			return
		}
	}
	if n := len(f.GetFinishTimes()); n != 20 {
		t.Errorf("%s: %d finishing times", name, n)
	}
	if len(f.GetBasis()) == 0 || f.GetHistory() == "" {
		t.Errorf("%s: nothing is said of what it rests on", name)
	}
	numbers := []float64{f.GetMissChance(), f.GetExpectedLateness().AsDuration().Seconds()}
	for _, p := range f.GetParts() {
		numbers = append(numbers, p.GetMeanMinutes(), p.GetP90Minutes(), p.GetShare())
	}
	for _, l := range f.GetLevers() {
		numbers = append(numbers, l.GetP90GainMinutes())
	}
	for _, x := range numbers {
		if math.IsNaN(x) || math.IsInf(x, 0) || x < 0 {
			t.Errorf("%s: numbers %v", name, numbers)
			return
		}
	}
	if f.GetMissChance() > 1 {
		t.Errorf("%s: a chance of %g", name, f.GetMissChance())
	}
}

// Whatever a mill enters or counts, it gets a distribution with its reasons or a clear
// refusal from all three questions about dates.
func TestDatesOfBadInput(t *testing.T) {
	closed := calendar.Calendar{
		Shifts: []calendar.Shift{{Name: "day", From: 360, To: 1080, Days: [7]bool{true, true, true, true, true, true, true}}},
		Closed: []calendar.Span{{From: time.Now().Add(-time.Hour), To: time.Now().AddDate(30, 0, 0), Name: "for good"}},
	}
	for _, tt := range []struct {
		name     string
		config   floor.Config
		book     func(b *pb.Book)
		does     func(t *testing.T, m *mill)
		refused  string // of the order
		history  string
		basis    string
		why      string
		promised bool // a quote has a date
	}{
		{name: "no history", history: "assumed", basis: "common figures fill in", promised: true},
		{name: "one stop", does: func(t *testing.T, m *mill) { m.knit(t, 1) }, history: "assumed", basis: "common figures fill in", promised: true},
		{name: "all time unknown", does: unknownHour, history: "assumed", basis: "All machines ran 0 minutes so far", promised: true},
		{name: "zero speed", book: func(b *pb.Book) { b.Cards[0].SpeedRpm = 0 }, refused: "Enter a speed"},
		{name: "done", book: func(b *pb.Book) { b.Orders[0].DoneBeforeKg = 3000 }, refused: "Nothing is left to knit", promised: true},
		{name: "more than done", book: func(b *pb.Book) { b.Orders[0].DoneBeforeKg = 90000 }, refused: "Nothing is left to knit", promised: true},
		{name: "no time left", config: floor.Config{Calendar: closed}, refused: "The calendar has too little working time in ten years"},
		{name: "past the promise", book: func(b *pb.Book) { b.Orders[0].PromiseTime = timestamppb.New(time.Now().AddDate(0, 0, -3)) }, history: "assumed", why: "The promise passed with 3,000 kg left", promised: true},
		{name: "no machine", book: func(b *pb.Book) { b.Assignments = nil }, refused: "Assign a machine", promised: true},
		{name: "a century of kilos", book: func(b *pb.Book) { b.Orders[0].QuantityKg = 5e6 }, refused: "Check SO-1 on K01"},
		{name: "stops all the time", does: func(t *testing.T, m *mill) { m.knit(t, 59) }, history: "assumed", promised: true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			m := newMillOf(t, tt.config)
			b := testBook()
			if tt.book != nil {
				tt.book(b)
			}
			m.apply(t, b)
			if tt.does != nil {
				tt.does(t, m)
			}
			r, err := m.orders.GetOrder(t.Context(), &pb.GetOrderRequest{Name: "orders/SO-1"})
			if err != nil {
				t.Fatal(err)
			}
			f := r.GetOrder().GetFinish()
			wholeDate(t, "order", f)
			if !strings.HasPrefix(f.GetRefused(), tt.refused) || (tt.refused == "") != (f.GetRefused() == "") {
				t.Errorf("refused with %q, want %q", f.GetRefused(), tt.refused)
			}
			if f.GetHistory() != tt.history || !strings.Contains(strings.Join(f.GetBasis(), "; "), tt.basis) {
				t.Errorf("history %q, basis %q; want %q and %q", f.GetHistory(), f.GetBasis(), tt.history, tt.basis)
			}
			if !strings.Contains(strings.Join(r.GetOrder().GetWhy(), "; "), tt.why) {
				t.Errorf("why %q, want %q", r.GetOrder().GetWhy(), tt.why)
			}
			if p := r.GetOrder().GetPromiseTime(); tt.refused == "" && p.AsTime().Before(time.Now()) && (f.GetMissChance() != 1 || f.GetExpectedLateness().AsDuration() < 72*time.Hour) {
				t.Errorf("three days past its promise: chance %g, late by %s", f.GetMissChance(), f.GetExpectedLateness().AsDuration())
			}
			for _, j := range r.GetOrder().GetJobs() {
				wholeDate(t, "job", j.GetFinish())
			}
			q, err := m.orders.QuotePromise(t.Context(), &pb.QuotePromiseRequest{Article: "SJ", QuantityKg: 500, Risk: 0.1})
			if err != nil {
				t.Fatal(err)
			}
			wholeDate(t, "quote", q.GetFinish())
			if got := q.GetPromiseTime() != nil; got != tt.promised || got == (q.GetFinish().GetRefused() != "") {
				t.Errorf("a quote with promise %v, refused with %q", q.GetPromiseTime(), q.GetFinish().GetRefused())
			}
			w, err := m.plans.EvaluateWhatIf(t.Context(), &pb.EvaluateWhatIfRequest{Changes: []*pb.Change{stand("k01", 5*time.Hour)}})
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range w.GetEffects() {
				wholeDate(t, "before", e.GetBefore())
				wholeDate(t, "after", e.GetAfter())
			}
		})
	}
}

// unknownHour commits turns of which nobody knows when they were made.
func unknownHour(t *testing.T, m *mill) {
	const boot = int64(time.Hour) * 100
	start := time.Now().Add(-time.Hour)
	var records []store.Record
	for i, kind := range []any{
		&store.LifeLink{New: store.ID{9}, PerRev: 1},
		&store.CountSpan{Life: store.ID{9}, From: 0, To: 1680, FromBoottime: boot, PerRev: 1, TimeUnknown: true},
	} {
		at := time.Duration(i) * time.Hour
		records = append(records, store.Record{Seq: uint64(i + 1), Body: []byte{byte(i)}, Boot: 1, Boottime: boot + int64(at), Wall: start.Add(at).UnixNano(), Kind: kind})
	}
	m.commit(t, records, boot)
}

// Numbers that no mill has are refused at the border, with the field at fault.
func TestAbsurdQuotes(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	for _, tt := range []struct {
		r    *pb.QuotePromiseRequest
		code codes.Code
		says string
	}{
		{&pb.QuotePromiseRequest{Article: "SJ", QuantityKg: math.NaN(), Risk: 0.1}, codes.InvalidArgument, "quantity_kg"},
		{&pb.QuotePromiseRequest{Article: "SJ", QuantityKg: -5, Risk: 0.1}, codes.InvalidArgument, "-5"},
		{&pb.QuotePromiseRequest{Article: "SJ", QuantityKg: 1e12, Risk: 0.1}, codes.InvalidArgument, "1e+12"},
		{&pb.QuotePromiseRequest{Article: "SJ", QuantityKg: 5, Risk: 2}, codes.InvalidArgument, "risk"},
		{&pb.QuotePromiseRequest{Article: "XX", QuantityKg: 5, Risk: 0.1}, codes.NotFound, "the book has SJ"},
	} {
		_, err := m.orders.QuotePromise(t.Context(), tt.r)
		if status.Code(err) != tt.code || !strings.Contains(status.Convert(err).Message(), tt.says) {
			t.Errorf("%v: %v, want %s with %q", tt.r, err, tt.code, tt.says)
		}
	}
	// What can be asked for and not be knitted in two years has a reason.
	q, err := m.orders.QuotePromise(t.Context(), &pb.QuotePromiseRequest{Article: "SJ", QuantityKg: 9e6, Risk: 0.1})
	if err != nil || !strings.Contains(q.GetFinish().GetRefused(), "Ask for less") {
		t.Errorf("%q, %v", q.GetFinish().GetRefused(), err)
	}
	wholeDate(t, "quote", q.GetFinish())
}
