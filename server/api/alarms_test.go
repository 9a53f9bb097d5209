package api

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

func (m *mill) onlyAlarm(t *testing.T) *pb.Alarm {
	t.Helper()
	r, err := m.alarms.ListAlarms(t.Context(), &pb.ListAlarmsRequest{ShowNormal: true})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.GetAlarms()) != 1 {
		t.Fatalf("alarms %v, want one", r.GetAlarms())
	}
	return r.GetAlarms()[0]
}

// A lot that does not belong on a creel is refused, and is an alarm until cones
// that do are put on; every way to tell of cones is caught.
func TestOtherLotIsAnAlarm(t *testing.T) {
	m, task := creelMill(t)
	dry := &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-2", ValidateOnly: true}
	_, err := m.creels.LoadCreel(t.Context(), dry)
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	if r, err := m.alarms.ListAlarms(t.Context(), &pb.ListAlarmsRequest{}); err != nil || len(r.GetAlarms()) != 0 {
		t.Errorf("a dry run made alarms: %v, %v", r, err)
	}
	_, err = m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_DONE, Lot: "L-2", RequestId: "1"})
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	a := m.onlyAlarm(t)
	if a.GetName() != "alarms/other-lot-k01-ground" || a.GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED || a.GetClass() != pb.AlarmClass_ALARM_CLASS_OTHER_LOT ||
		a.GetMachines()[0] != "machines/k01" || !strings.HasPrefix(a.GetSentence(), "Cones of lot L-2 came to K01, ground, and do not belong there.") || a.GetAsked()[0] != "set A" {
		t.Errorf("alarm %v", a)
	}
	look := func() {
		t.Helper()
		if err := m.desk.Look(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	look()
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED {
		t.Errorf("it went by itself: %v", a)
	}
	if _, err := m.creels.ReportTask(t.Context(), &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_DONE, Lot: "L-1", RequestId: "2"}); err != nil {
		t.Fatal(err)
	}
	look()
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_RETURNED_UNACKNOWLEDGED {
		t.Errorf("the right cones came: %v", a)
	}
	// Yarn of another count is no better.
	_, err = m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "Z-1"})
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED || a.GetToldCount() != 2 {
		t.Errorf("a second mistake: %v", a)
	}
}

func TestAlarmAnswers(t *testing.T) {
	m, _ := creelMill(t)
	watch, err := m.alarms.WatchAlarms(t.Context(), &pb.WatchAlarmsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if r, err := watch.Recv(); err != nil || len(r.GetAlarms()) != 0 {
		t.Fatalf("the first answer: %v, %v", r, err)
	}
	_, err = m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-2"})
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	if r, err := watch.Recv(); err != nil || len(r.GetAlarms()) != 1 {
		t.Fatalf("the watcher hears %v, %v", r, err)
	}
	const name = "alarms/other-lot-k01-ground"
	bad := func(what string, err error, code codes.Code, reason, says string, fields ...string) {
		t.Helper()
		wantStatus(t, err, code, reason, fields...)
		if !strings.Contains(status.Convert(err).Message(), says) {
			t.Errorf("%s: %v, want it to say %q", what, err, says)
		}
	}
	_, err = m.alarms.AcknowledgeAlarm(t.Context(), &pb.AcknowledgeAlarmRequest{Name: "alarms/other-lot-k99-x", RequestId: "1"})
	bad("unknown alarm", err, codes.NotFound, "NOT_FOUND", "list the alarms again")
	_, err = m.alarms.AcknowledgeAlarm(t.Context(), &pb.AcknowledgeAlarmRequest{})
	bad("nothing said", err, codes.InvalidArgument, "BAD_REQUEST", "", "request_id", "name")
	for what, q := range map[string]*pb.ShelveAlarmRequest{
		"at most 8 h":          {Reason: "r", Duration: durationpb.New(8*time.Hour + time.Second)},
		"a reason is expected": {Duration: durationpb.New(time.Hour)},
		"above 0":              {Reason: "r"},
		"not both":             {Reason: "r", Duration: durationpb.New(time.Hour), UntilCleared: true},
	} {
		q.Name, q.RequestId = name, "bad"
		_, err = m.alarms.ShelveAlarm(t.Context(), q)
		bad("shelve", err, codes.InvalidArgument, "INVALID", what)
	}
	_, err = m.alarms.UnshelveAlarm(t.Context(), &pb.UnshelveAlarmRequest{Name: name, RequestId: "2"})
	bad("unshelve", err, codes.FailedPrecondition, "ALARM_STATE", "not shelved")
	_, err = m.alarms.SetAlarmOutOfService(t.Context(), &pb.SetAlarmOutOfServiceRequest{Name: name, RequestId: "2"})
	bad("out", err, codes.InvalidArgument, "INVALID", "a reason is expected")
	_, err = m.alarms.PutAlarmBack(t.Context(), &pb.PutAlarmBackRequest{Name: name, RequestId: "2"})
	bad("back", err, codes.FailedPrecondition, "ALARM_STATE", "in service")
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED {
		t.Fatalf("what was refused changed it: %v", a)
	}

	shelve := &pb.ShelveAlarmRequest{Name: name, RequestId: "3", Role: "shift supervisor", Reason: "cones are on their way back", Duration: durationpb.New(time.Hour), ValidateOnly: true}
	if r, err := m.alarms.ShelveAlarm(t.Context(), shelve); err != nil || r.GetAlarm().GetState() != pb.AlarmState_ALARM_STATE_SHELVED || m.onlyAlarm(t).GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED {
		t.Errorf("dry run: %v, %v", r, err)
	}
	shelve.ValidateOnly = false
	first, err := m.alarms.ShelveAlarm(t.Context(), shelve)
	if err != nil || first.GetAlarm().GetReason() != shelve.GetReason() || first.GetAlarm().GetRole() != shelve.GetRole() || first.GetAlarm().GetShelvedUntilTime() == nil {
		t.Fatalf("shelved: %v, %v", first, err)
	}
	if again, err := m.alarms.ShelveAlarm(t.Context(), shelve); err != nil || !again.GetAlarm().GetShelvedUntilTime().AsTime().Equal(first.GetAlarm().GetShelvedUntilTime().AsTime()) {
		t.Errorf("again: %v, %v", again, err)
	}
	_, err = m.alarms.AcknowledgeAlarm(t.Context(), &pb.AcknowledgeAlarmRequest{Name: name, RequestId: "4"})
	bad("acknowledge what is hidden", err, codes.FailedPrecondition, "ALARM_STATE", "hidden")
	if _, err := m.alarms.UnshelveAlarm(t.Context(), &pb.UnshelveAlarmRequest{Name: name, RequestId: "5"}); err != nil {
		t.Fatal(err)
	}
	if r, err := m.alarms.AcknowledgeAlarm(t.Context(), &pb.AcknowledgeAlarmRequest{Name: name, RequestId: "6", Role: "shift supervisor"}); err != nil || r.GetAlarm().GetState() != pb.AlarmState_ALARM_STATE_ACKNOWLEDGED {
		t.Errorf("acknowledged: %v, %v", r, err)
	}
	if r, err := m.alarms.SetAlarmOutOfService(t.Context(), &pb.SetAlarmOutOfServiceRequest{Name: name, RequestId: "7", Reason: "creel taken apart"}); err != nil || r.GetAlarm().GetState() != pb.AlarmState_ALARM_STATE_OUT_OF_SERVICE {
		t.Errorf("out of service: %v, %v", r, err)
	}
	if r, err := m.alarms.PutAlarmBack(t.Context(), &pb.PutAlarmBackRequest{Name: name, RequestId: "8"}); err != nil || r.GetAlarm().GetState() != pb.AlarmState_ALARM_STATE_ACKNOWLEDGED {
		t.Errorf("put back: %v, %v", r, err)
	}
}

func TestCallLoad(t *testing.T) {
	m, _ := creelMill(t)
	_, err := m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: "L-2"})
	wantStatus(t, err, codes.FailedPrecondition, "LOT_MISMATCH")
	r, err := m.alarms.ReportCallLoad(t.Context(), &pb.ReportCallLoadRequest{EndTime: timestamppb.New(time.Now().Add(time.Minute))})
	if err != nil {
		t.Fatal(err)
	}
	loads := map[string]*pb.PersonLoad{}
	for _, l := range r.GetLoads() {
		loads[l.GetPerson()] = l
	}
	if len(loads) != 3 || loads["set A"].GetAlarmCount() != 1 || loads["no set"].GetAlarmCount() != 0 || loads["all"].GetWorstAlarms() != 1 || r.GetAim() != 1 {
		t.Errorf("load %v", r)
	}
	if mean := loads["all"].GetMeanAlarms(); mean < 0.0069 || mean > 0.00695 { // 1 in 144 times ten minutes
		t.Errorf("mean %g", mean)
	}
	_, err = m.alarms.ReportCallLoad(t.Context(), &pb.ReportCallLoadRequest{StartTime: timestamppb.New(time.Now().Add(-40 * 24 * time.Hour))})
	wantStatus(t, err, codes.InvalidArgument, "BAD_REQUEST", "start_time")
}

// Where the mill's rule lets another lot pass with a warning, it is an alarm all
// the same, until cones that belong there are put on.
func TestLotThatPassesIsAnAlarm(t *testing.T) {
	m := newMillOf(t, floor.Config{Rule: floor.CreelRule{WarnLots: true}})
	b := testBook()
	b.Lots = append(b.Lots, &pb.BookLot{Id: "L-2", Yarn: "y", StoreKg: 50})
	m.apply(t, b)
	m.knit(t, 0)
	load := func(lot string, ago time.Duration, dry bool) {
		t.Helper()
		r, err := m.creels.LoadCreel(t.Context(), &pb.LoadCreelRequest{Machine: "machines/k01", Lot: lot, LoadTime: timestamppb.New(time.Now().Add(-ago)), ValidateOnly: dry})
		if err != nil || (len(r.GetWarnings()) == 1) != (lot == "L-2") {
			t.Fatalf("load of %s: %v, %v", lot, r, err)
		}
		if err := m.desk.Look(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	load("L-2", 20*time.Minute, true)
	if r, err := m.alarms.ListAlarms(t.Context(), &pb.ListAlarmsRequest{}); err != nil || len(r.GetAlarms()) != 0 {
		t.Errorf("a dry run made alarms: %v, %v", r, err)
	}
	load("L-2", 20*time.Minute, false)
	if a := m.onlyAlarm(t); a.GetName() != "alarms/other-lot-k01-ground" || a.GetState() != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED {
		t.Errorf("the other lot passed: %v", a)
	}
	load("L-1", 10*time.Minute, false)
	if a := m.onlyAlarm(t); a.GetState() != pb.AlarmState_ALARM_STATE_RETURNED_UNACKNOWLEDGED {
		t.Errorf("the right cones came: %v", a)
	}
}
