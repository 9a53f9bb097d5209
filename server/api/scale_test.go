package api

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

const turnsOfRoll = 100 // 1 kg of the test book's 10 g a turn

// knitRolls commits an hour of k01 in which so many rolls of 100 turns are doffed, the newest a minute
// ago; the turns before the first doff are none of a whole roll.
func (m *mill) knitRolls(t *testing.T, rolls int) {
	t.Helper()
	const boot = int64(time.Hour) * 100
	start := time.Now().Add(-time.Hour)
	var records []store.Record
	add := func(after time.Duration, kind any) {
		records = append(records, store.Record{
			Seq: uint64(len(records) + 1), Body: []byte{byte(len(records)), 1}, Boot: 1, Boottime: boot + int64(after), Wall: start.Add(after).UnixNano(), Kind: kind,
		})
	}
	life, each := store.ID{9}, 59*time.Minute/time.Duration(rolls+1)
	add(0, &store.LifeLink{New: life, PerRev: 1})
	turns, last := uint64(0), time.Duration(0)
	for i := range rolls + 1 {
		at := time.Duration(i+1) * each
		add(at, &store.CountSpan{Life: life, From: turns, To: turns + turnsOfRoll, FromBoottime: boot + int64(last), PerRev: 1})
		turns, last = turns+turnsOfRoll, at+10*time.Second
		add(at, &store.StopBegin{Stop: store.ID{8, byte(i)}, Input: true, Cause: "doff", At: turns})
		add(last, &store.StopEnd{Stop: store.ID{8, byte(i)}, At: turns})
	}
	m.commit(t, records, boot)
}

func (m *mill) weigh(t *testing.T, r *pb.RecordReadingRequest) *pb.RecordReadingResponse {
	t.Helper()
	r.Machine, r.Kind = "machines/k01", pb.ReadingKind_READING_KIND_ROLLS
	out, err := m.creels.RecordReading(t.Context(), r)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Rolls that weigh 3.4 % less than counted make one alarm, of quality; it is acknowledged, stays while rolls
// go on like that, and is over when the card is put right.
func TestWeighedRollsMakeAndEndAnAlarm(t *testing.T) {
	m := newMill(t)
	book := testBook()
	m.apply(t, book)
	m.knitRolls(t, 24)
	look := func() { // when orders are due to be looked at again
		t.Helper()
		m.ahead.Add(int64(20 * time.Second))
		if err := m.desk.Look(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	var last *pb.RecordReadingResponse
	weighed := func(from, to int) {
		t.Helper()
		for n := from; n <= to; n++ {
			off := 0.004 * float64(n%3-1)
			last = m.weigh(t, &pb.RecordReadingRequest{NetKg: (1 + off) / 1.034, RollNumber: int64(n), RequestId: fmt.Sprint("w", n)})
		}
	}
	weighed(2, 5)
	look()
	if r, err := m.alarms.ListAlarms(t.Context(), &pb.ListAlarmsRequest{ShowNormal: true}); err != nil || len(r.GetAlarms()) != 0 {
		t.Fatalf("four rolls make alarms: %v, %v", r, err)
	}
	weighed(6, 12)
	if r := last.GetScaleRatio(); math.Abs(r.GetRatio()-1.034) > 0.004 || r.GetRatioLow() > 1.034 || r.GetRatioHigh() < 1.034 || r.GetUsedRollCount() != 11 || !r.GetRunning() {
		t.Errorf("ratio %v, want 1.034 within its interval, of 11 rolls", r)
	}
	look()
	a := m.onlyAlarm(t)
	if a.GetName() != "alarms/ratio-k01" || a.GetClass() != pb.AlarmClass_ALARM_CLASS_RATIO || a.GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED ||
		a.GetAsked()[0] != "quality" || a.GetMachines()[0] != "machines/k01" || a.GetOrder() != "orders/SO-1" || !strings.Contains(a.GetSentence(), "course length") {
		t.Errorf("alarm %v", a)
	}
	if _, err := m.alarms.AcknowledgeAlarm(t.Context(), &pb.AcknowledgeAlarmRequest{Name: a.GetName(), Role: "quality", RequestId: "seen"}); err != nil {
		t.Fatal(err)
	}
	weighed(13, 20)
	look()
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_ACKNOWLEDGED || a.GetToldCount() != 1 {
		t.Errorf("seen, and more rolls like that: %v", a)
	}
	orders, err := m.orders.ListOrders(t.Context(), &pb.ListOrdersRequest{})
	if err != nil || math.Abs(orders.GetOrders()[0].GetWeighedKg().GetValue()-19/1.034) > 0.05 {
		t.Errorf("weighed of the order: %v, %v, want 19 rolls of %.3f kg", orders.GetOrders()[0].GetWeighedKg(), err, 1/1.034)
	}
	book.Cards[0].Feeds[0].CourseLengthM = 5 / 1.034
	m.apply(t, book)
	if err := m.floor.Refresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	if r, err := m.creels.ListScaleRatios(t.Context(), &pb.ListScaleRatiosRequest{Machines: []string{"machines/k01"}}); err != nil || len(r.GetRatios()) != 1 ||
		math.Abs(r.GetRatios()[0].GetRatio()-1) > 0.004 || r.GetRatios()[0].GetSentence() != "" || r.GetRatioLow() != 0.98 || r.GetMinRolls() != 5 {
		t.Errorf("after the card is right: %v, %v", r, err)
	}
	look()
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_NORMAL {
		t.Errorf("after the card is right: %v", a)
	}
}

// What cannot be is refused with what to do, and nothing is written.
func TestBadWeights(t *testing.T) {
	m := newMill(t)
	b := testBook()
	b.Machines = append(b.Machines, &pb.BookMachine{Id: "k02", FeederCount: 96})
	m.apply(t, b)
	m.knitRolls(t, 6)
	for what, tt := range map[string]struct {
		r    *pb.RecordReadingRequest
		code codes.Code
		says string
	}{
		"negative":            {&pb.RecordReadingRequest{NetKg: -1}, codes.InvalidArgument, "net_kg"},
		"zero":                {&pb.RecordReadingRequest{}, codes.InvalidArgument, "weigh without tube"},
		"not a number":        {&pb.RecordReadingRequest{NetKg: math.NaN()}, codes.InvalidArgument, "net_kg"},
		"with the trolley":    {&pb.RecordReadingRequest{NetKg: 31}, codes.InvalidArgument, "take tube, wrapping and trolley off"},
		"two for one":         {&pb.RecordReadingRequest{NetKg: 2}, codes.InvalidArgument, "count the rolls"},
		"one for two":         {&pb.RecordReadingRequest{NetKg: 1, RollCount: 2}, codes.InvalidArgument, "count the rolls"},
		"time to come":        {&pb.RecordReadingRequest{NetKg: 1, ReadingTime: timestamppb.New(time.Now().Add(time.Hour))}, codes.InvalidArgument, "still to come"},
		"roll to come":        {&pb.RecordReadingRequest{NetKg: 1, RollNumber: 8}, codes.InvalidArgument, "not doffed yet, the newest is 7"},
		"before the first":    {&pb.RecordReadingRequest{NetKg: 1, RollNumber: 1}, codes.InvalidArgument, "tell the turns"},
		"before any":          {&pb.RecordReadingRequest{NetKg: 1, ReadingTime: timestamppb.New(time.Now().Add(-2 * time.Hour))}, codes.InvalidArgument, "tell the turns"},
		"more than there are": {&pb.RecordReadingRequest{NetKg: 7, RollCount: 7}, codes.InvalidArgument, "tell the turns"},
		"another machine":     {&pb.RecordReadingRequest{NetKg: 1, Machine: "machines/k02"}, codes.InvalidArgument, "no doff is counted"},
		"no card":             {&pb.RecordReadingRequest{NetKg: 1, RevolutionCount: 100, Machine: "machines/k02"}, codes.InvalidArgument, "assign an order with a card"},
		"unknown machine":     {&pb.RecordReadingRequest{NetKg: 1, Machine: "machines/k99"}, codes.NotFound, "k99"},
		"unknown lot":         {&pb.RecordReadingRequest{NetKg: 1, Lot: "lots/L-9"}, codes.NotFound, "apply it with the book"},
		"negative turns":      {&pb.RecordReadingRequest{NetKg: 1, RevolutionCount: -5}, codes.InvalidArgument, "revolution_count"},
		"a meter's rolls":     {&pb.RecordReadingRequest{LengthM: 500, RevolutionCount: 100, RollCount: 2, Kind: pb.ReadingKind_READING_KIND_METER}, codes.InvalidArgument, "roll_count"},
	} {
		if tt.r.RequestId = "bad " + what; tt.r.Machine == "" {
			tt.r.Machine = "machines/k01"
		}
		if tt.r.Kind == 0 {
			tt.r.Kind = pb.ReadingKind_READING_KIND_ROLLS
		}
		_, err := m.creels.RecordReading(t.Context(), tt.r)
		if status.Code(err) != tt.code || !strings.Contains(fmt.Sprint(err, status.Convert(err).Details()), tt.says) {
			t.Errorf("%s: %v, want %v and %q", what, err, tt.code, tt.says)
		}
	}
	if dry := m.weigh(t, &pb.RecordReadingRequest{NetKg: 1, RequestId: "dry", ValidateOnly: true}); dry.GetReading().GetName() != "" || dry.GetReading().GetRollNumber() != 7 || dry.GetReading().GetRevolutionCount() != turnsOfRoll {
		t.Errorf("a dry run: %v", dry.GetReading())
	}
	if all, err := m.st.Readings(t.Context(), time.Time{}); err != nil || len(all) != 0 {
		t.Fatalf("%d readings, %v, want none", len(all), err)
	}
	one := m.weigh(t, &pb.RecordReadingRequest{NetKg: 1.01, RequestId: "one"})
	if again := m.weigh(t, &pb.RecordReadingRequest{NetKg: 1.01, RequestId: "one"}); again.GetReading().GetName() != one.GetReading().GetName() {
		t.Errorf("a repeat: %v, first %v", again, one)
	}
	_, err := m.creels.RecordReading(t.Context(), &pb.RecordReadingRequest{Machine: "machines/k01", Kind: pb.ReadingKind_READING_KIND_ROLLS, NetKg: 3.03, RollCount: 3, RequestId: "over"})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "take that back first") {
		t.Errorf("a roll that was weighed before: %v", err)
	}
	for range 2 {
		if _, err := m.creels.UndoReading(t.Context(), &pb.UndoReadingRequest{Name: one.GetReading().GetName()}); err != nil {
			t.Error(err)
		}
	}
	three := m.weigh(t, &pb.RecordReadingRequest{NetKg: 3.03, RollCount: 3, RequestId: "three"})
	m.weigh(t, &pb.RecordReadingRequest{NetKg: 1, RollNumber: 4, RequestId: "four"})
	if x := three.GetReading(); math.Abs(x.GetRatio()-1.01) > 1e-9 || x.GetCountedKg().GetValue() != 3 || x.GetRollCount() != 3 || x.GetOrder() != "SO-1" {
		t.Errorf("three rolls: %v", x)
	}
	list, err := m.creels.ListReadings(t.Context(), &pb.ListReadingsRequest{Machine: "machines/k01", PageSize: 1})
	if err != nil || len(list.GetReadings()) != 1 || list.GetReadings()[0].GetRollNumber() != 7 || list.GetNextPageToken() == "" {
		t.Fatalf("listed %v, %v", list, err)
	}
	list, err = m.creels.ListReadings(t.Context(), &pb.ListReadingsRequest{Machine: "machines/k01", PageSize: 1, PageToken: list.GetNextPageToken()})
	if err != nil || len(list.GetReadings()) != 1 || list.GetReadings()[0].GetRollNumber() != 4 || list.GetNextPageToken() != "" {
		t.Errorf("listed %v, %v", list, err)
	}
	for _, name := range []string{"", "12", "machines/k01/readings/0", "machines/k01/loads/1"} {
		if _, err := m.creels.UndoReading(t.Context(), &pb.UndoReadingRequest{Name: name}); status.Code(err) != codes.InvalidArgument {
			t.Errorf("undo of %q: %v", name, err)
		}
	}
	if _, err := m.creels.UndoReading(t.Context(), &pb.UndoReadingRequest{Name: "machines/k01/readings/99"}); status.Code(err) != codes.NotFound {
		t.Errorf("undo of one that is not: %v", err)
	}
}

// The rolls that wait for the scale are the newest that were doffed; one that is weighed is gone, and back
// when that is taken back. A phone that sends all again changes nothing.
func TestRollsForTheScale(t *testing.T) {
	m := newMill(t)
	m.apply(t, testBook())
	m.knitRolls(t, 6)
	waits := func(what string, tells bool, want ...int64) {
		t.Helper()
		list, told, err := m.floor.RollsToWeigh(t.Context(), []string{"k01"})
		var got []int64
		for _, r := range list {
			got = append(got, r.Number)
			if r.Kg != 1 || r.Turns != turnsOfRoll || r.Order != "SO-1" || r.Name != "K01" {
				t.Errorf("%s: %+v, want 100 turns of 10 g", what, r)
			}
		}
		if err != nil || !slices.Equal(got, want) || told != tells {
			t.Errorf("%s: rolls %v, told %v, %v, want %v, %v", what, got, told, err, want, tells)
		}
	}
	waits("at first", false, 4, 5, 6, 7)
	for range 2 {
		if _, err := m.floor.Weigh(t.Context(), "k01", 6, 0.99, "a"); err != nil {
			t.Fatal(err)
		}
		waits("one is weighed", true, 4, 5, 7)
	}
	for _, of := range []string{"another", "a", "a"} {
		if err := m.floor.UndoWeight(t.Context(), "k01", of); err != nil {
			t.Fatal(err)
		}
		if of == "another" {
			waits("another weight is taken back", true, 4, 5, 7)
		}
	}
	waits("it is taken back", false, 4, 5, 6, 7)
	if _, err := m.floor.Weigh(t.Context(), "k01", 6, 0.99, "a"); err != nil {
		t.Fatal(err)
	}
	waits("the weight comes again after its undo", false, 4, 5, 6, 7)
	if _, err := m.floor.Weigh(t.Context(), "k01", 6, math.NaN(), "b"); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("no number: %v", err)
	}
	for task, want := range map[string]string{"k01-roll-7": "k01 7", "k-1-roll-2-roll-3": "k-1-roll-2 3", "k01-doff-7": "", "-roll-7": "", "k01-roll-0": "", "k01-roll-x": ""} {
		got := ""
		if machine, n, ok := floor.RollOfTask(task); ok {
			got = fmt.Sprint(machine, " ", n)
		}
		if got != want || got != "" && task != floor.RollTask(strings.Fields(got)[0], int64(got[len(got)-1]-'0')) {
			t.Errorf("%s is read as %q, want %q", task, got, want)
		}
	}
}
