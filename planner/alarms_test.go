package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
)

// The fake has one alarm of each state that a person brings about.

func (f *fake) ListAlarms(_ context.Context, r *pb.ListAlarmsRequest) (*pb.ListAlarmsResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	return &pb.ListAlarmsResponse{Alarms: []*pb.Alarm{
		{Name: "alarms/other-lot-k07-knit", Class: pb.AlarmClass_ALARM_CLASS_OTHER_LOT, State: pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED, Machines: []string{"machines/k07"},
			Sentence: "Cones of lot L-433 came to K07, knit.", RaiseTime: ts(-2 * time.Minute), ToldCount: 1, Asked: []string{"set B"}, Chattering: true},
		{Name: "alarms/not-attended-k03", Class: pb.AlarmClass_ALARM_CLASS_NOT_ATTENDED, State: pb.AlarmState_ALARM_STATE_RETURNED_UNACKNOWLEDGED, Machines: []string{"machines/k03"},
			Sentence: "K03 stands since 11:00.", RaiseTime: ts(-50 * time.Minute), ClearTime: ts(-20 * time.Minute), Asked: []string{"set A"}},
		{Name: "alarms/silent-k13", Class: pb.AlarmClass_ALARM_CLASS_SILENT, State: pb.AlarmState_ALARM_STATE_SHELVED, Machines: []string{"machines/k13"},
			Sentence: "K13 is not heard since 9:00.", RaiseTime: ts(-3 * time.Hour), ShelvedUntilTime: ts(2 * time.Hour), Reason: "part on its way", Role: "engineer", Asked: []string{"set B"}},
		{Name: "alarms/promise-SO-1041", Class: pb.AlarmClass_ALARM_CLASS_PROMISE, State: pb.AlarmState_ALARM_STATE_ACKNOWLEDGED, Order: "orders/SO-1041",
			Sentence: "The promise of SO-1041 is kept with less than 90 %.", RaiseTime: ts(-30 * time.Hour), AcknowledgeTime: ts(-29 * time.Hour), Role: "planner", Asked: []string{"planning"}},
	}}, nil
}

func (f *fake) AcknowledgeAlarm(_ context.Context, r *pb.AcknowledgeAlarmRequest) (*pb.AcknowledgeAlarmResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	if r.GetName() == "alarms/not-attended-k99" {
		return nil, status.Error(codes.NotFound, "alarm not-attended-k99: no such alarm: not found: list the alarms again")
	}
	return &pb.AcknowledgeAlarmResponse{Alarm: &pb.Alarm{Name: r.GetName(), Class: pb.AlarmClass_ALARM_CLASS_NOT_ATTENDED, State: pb.AlarmState_ALARM_STATE_ACKNOWLEDGED,
		Sentence: "K03 stands since 11:00.", RaiseTime: ts(-time.Minute), AcknowledgeTime: ts(0), Role: r.GetRole()}}, nil
}

func (f *fake) ShelveAlarm(_ context.Context, r *pb.ShelveAlarmRequest) (*pb.ShelveAlarmResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	return &pb.ShelveAlarmResponse{Alarm: &pb.Alarm{Name: r.GetName(), Class: pb.AlarmClass_ALARM_CLASS_SILENT, State: pb.AlarmState_ALARM_STATE_SHELVED,
		Sentence: "K13 is not heard since 9:00.", RaiseTime: ts(-3 * time.Hour), ShelvedUntilTime: ts(r.GetDuration().AsDuration()), Reason: r.GetReason()}}, nil
}

func (f *fake) ReportCallLoad(_ context.Context, r *pb.ReportCallLoadRequest) (*pb.ReportCallLoadResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	return &pb.ReportCallLoadResponse{StartTime: r.GetStartTime(), EndTime: ts(0), Aim: 1, Standing: []string{"promise-SO-1041"}, Loads: []*pb.PersonLoad{
		{Person: "set A", CallCount: 96, AlarmCount: 3, MeanCalls: 2, MeanAlarms: 0.0625, WorstCount: 5, WorstTime: ts(-time.Hour), WorstAlarms: 1},
		{Person: "set B", CallCount: 10, AlarmCount: 60, MeanCalls: 0.2, MeanAlarms: 1.25, WorstCount: 12, WorstTime: ts(-2 * time.Hour), WorstAlarms: 12,
			Floods: []*pb.Flood{{StartTime: ts(-2 * time.Hour), EndTime: ts(-110 * time.Minute), AlarmCount: 12}}},
		{Person: "all", CallCount: 106, AlarmCount: 63, MeanCalls: 2.2, MeanAlarms: 1.3125, WorstCount: 12, WorstTime: ts(-2 * time.Hour), WorstAlarms: 12},
	}}, nil
}

func TestAlarmRequests(t *testing.T) {
	f := new(fake)
	if got := f.planner(t, "alarms shelve alarms/silent-k13 --for 90m --reason part --role fixer --request-id r-1"); got.code != exitOK {
		t.Fatal(got.err)
	}
	if q, ok := f.last().(*pb.ShelveAlarmRequest); !ok || q.GetName() != "alarms/silent-k13" || q.GetDuration().AsDuration() != 90*time.Minute || q.GetUntilCleared() || q.GetRequestId() != "r-1" || q.GetRole() != "fixer" {
		t.Errorf("asked %v", q)
	}
	if got := f.planner(t, "alarms shelve silent-k13 --once --reason part"); got.code != exitOK {
		t.Fatal(got.err)
	}
	if q, ok := f.last().(*pb.ShelveAlarmRequest); !ok || q.GetDuration() != nil || !q.GetUntilCleared() || q.GetRequestId() == "" {
		t.Errorf("asked %v", q)
	}
	for line, code := range map[string]int{
		"alarms shelve silent-k13 --for 2h":                            exitUsage, // no reason
		"alarms shelve silent-k13 --reason part":                       exitUsage, // neither a time nor once
		"alarms shelve silent-k13 --for 2h --once --reason part":       exitUsage,
		"alarms out silent-k13":                                        exitUsage,
		"alarms ack":                                                   exitUsage,
		"alarms ack not-attended-k99":                                  exitNotFound,
		"alarms ack not-attended-k03 not-attended-k99":                 exitPartly,
		"alarms ack not-attended-k03 not-attended-k04 --request-id r1": exitUsage,
	} {
		if got := f.planner(t, line); got.code != code {
			t.Errorf("%s: exit %d, want %d: %s", line, got.code, code, got.err)
		}
	}
	if got := f.planner(t, "asked"); !strings.Contains(got.err, "stands for more than 24 hours: promise-SO-1041") {
		t.Errorf("asked says %q about what stands", got.err)
	}
}
