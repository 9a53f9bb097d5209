package api

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"turnwise/planner/alarm"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/calls"
	"turnwise/server/store"
)

// errNoAlarms says that this server keeps no alarms.
var errNoAlarms = errors.New("alarms are not kept here")

const mostLoadDays = 31

type alarmService struct {
	*api
	pb.UnimplementedAlarmServiceServer
}

var classToPB = map[alarm.Class]pb.AlarmClass{
	alarm.NotAttended: pb.AlarmClass_ALARM_CLASS_NOT_ATTENDED, alarm.Silent: pb.AlarmClass_ALARM_CLASS_SILENT, alarm.OtherLot: pb.AlarmClass_ALARM_CLASS_OTHER_LOT,
	alarm.Promise: pb.AlarmClass_ALARM_CLASS_PROMISE, alarm.Ratio: pb.AlarmClass_ALARM_CLASS_RATIO, alarm.Backup: pb.AlarmClass_ALARM_CLASS_BACKUP,
}

var alarmStateToPB = map[alarm.State]pb.AlarmState{
	alarm.Normal: pb.AlarmState_ALARM_STATE_NORMAL, alarm.Unack: pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED, alarm.Acked: pb.AlarmState_ALARM_STATE_ACKNOWLEDGED,
	alarm.RTNUnack: pb.AlarmState_ALARM_STATE_RETURNED_UNACKNOWLEDGED, alarm.Shelved: pb.AlarmState_ALARM_STATE_SHELVED,
	alarm.Suppressed: pb.AlarmState_ALARM_STATE_SUPPRESSED, alarm.OutOfService: pb.AlarmState_ALARM_STATE_OUT_OF_SERVICE,
}

func alarmToPB(a *calls.Alarm) *pb.Alarm {
	out := &pb.Alarm{
		Name: "alarms/" + a.ID, Class: classToPB[a.Class], State: alarmStateToPB[a.State()], Sentence: a.Sentence, BeginTime: stamp(a.Begin),
		RaiseTime: stamp(a.Raised), ClearTime: stamp(a.Cleared), AcknowledgeTime: stamp(a.Acked), Chattering: a.Chatter, ToldCount: int32(a.Told), Asked: a.Asked,
	}
	out.Reason, out.Role = a.Reason()
	for _, m := range a.Machines {
		out.Machines = append(out.Machines, "machines/"+m)
	}
	if a.Order != "" {
		out.Order = "orders/" + a.Order
	}
	if a.State() == alarm.Shelved {
		out.ShelvedUntilTime = stamp(a.Shelf.Until)
	}
	return out
}

func alarmsToPB(list []calls.Alarm) []*pb.Alarm {
	out := make([]*pb.Alarm, len(list))
	for i := range list {
		out[i] = alarmToPB(&list[i])
	}
	return out
}

func (s *alarmService) ListAlarms(_ context.Context, r *pb.ListAlarmsRequest) (*pb.ListAlarmsResponse, error) {
	var v violations
	size := pageSize(r.GetPageSize(), &v)
	scope := fmt.Sprint("alarms ", r.GetShowNormal())
	after := parseToken(scope, r.GetPageToken(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	if s.desk == nil {
		return nil, s.status.of("ListAlarms", errNoAlarms)
	}
	list := s.desk.List(r.GetShowNormal())
	// The list is in the order of need, not of ids: it goes on after the one
	// that was sent last, wherever that stands now.
	for i := range list {
		if after != "" && list[i].ID == after {
			list = list[i+1:]
			break
		}
	}
	out := &pb.ListAlarmsResponse{}
	if len(list) > size {
		list = list[:size]
		out.NextPageToken = token(scope, list[size-1].ID)
	}
	out.Alarms = alarmsToPB(list)
	return out, nil
}

// WatchAlarms sends all alarms whenever one of them changes.
func (s *alarmService) WatchAlarms(_ *pb.WatchAlarmsRequest, stream grpc.ServerStreamingServer[pb.WatchAlarmsResponse]) error {
	if s.desk == nil {
		return s.status.of("WatchAlarms", errNoAlarms)
	}
	ctx := stream.Context()
	woken := s.desk.Subscribe(ctx)
	var before *pb.WatchAlarmsResponse
	for {
		if now := (&pb.WatchAlarmsResponse{Alarms: alarmsToPB(s.desk.List(false))}); before == nil || !proto.Equal(before, now) {
			if err := stream.Send(now); err != nil {
				return err // the reader is gone
			}
			before = now
		}
		if _, open := <-woken; !open {
			return s.status.of("WatchAlarms", ctx.Err())
		}
	}
}

// asked is what every request about one alarm has.
type asked interface {
	GetName() string
	GetRole() string
	GetRequestId() string
	GetValidateOnly() bool
}

// do reads a request, adds what is its own, and does it.
func (s *alarmService) do(ctx context.Context, method string, kind alarm.Kind, r asked, own func(*calls.Request, *violations)) (*pb.Alarm, error) {
	var v violations
	q := calls.Request{
		Alarm: strings.TrimPrefix(text("name", r.GetName(), &v), "alarms/"), Kind: kind, Role: strings.TrimSpace(text("role", r.GetRole(), &v)),
		RequestID: required(r, &v), DryRun: r.GetValidateOnly(),
	}
	if q.Alarm == "" {
		v.add("name", "is empty, expected alarms/ID as listed")
	}
	if own != nil {
		own(&q, &v)
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if s.desk == nil {
		return nil, s.status.of(method, errNoAlarms)
	}
	a, err := s.desk.Do(ctx, q)
	if err != nil {
		return nil, s.status.of(method, err)
	}
	return alarmToPB(&a), nil
}

func (s *alarmService) AcknowledgeAlarm(ctx context.Context, r *pb.AcknowledgeAlarmRequest) (*pb.AcknowledgeAlarmResponse, error) {
	a, err := s.do(ctx, "AcknowledgeAlarm", alarm.Ack, r, nil)
	if err != nil {
		return nil, err
	}
	return &pb.AcknowledgeAlarmResponse{Alarm: a}, nil
}

func (s *alarmService) ShelveAlarm(ctx context.Context, r *pb.ShelveAlarmRequest) (*pb.ShelveAlarmResponse, error) {
	a, err := s.do(ctx, "ShelveAlarm", alarm.Shelve, r, func(q *calls.Request, v *violations) {
		q.Reason, q.Once = text("reason", r.GetReason(), v), r.GetUntilCleared()
		if d := r.GetDuration(); d != nil {
			if err := d.CheckValid(); err != nil {
				v.add("duration", "cannot be read, expected above 0 and at most 8 hours")
				return
			}
			q.For = d.AsDuration()
		}
	})
	if err != nil {
		return nil, err
	}
	return &pb.ShelveAlarmResponse{Alarm: a}, nil
}

func (s *alarmService) UnshelveAlarm(ctx context.Context, r *pb.UnshelveAlarmRequest) (*pb.UnshelveAlarmResponse, error) {
	a, err := s.do(ctx, "UnshelveAlarm", alarm.Unshelve, r, nil)
	if err != nil {
		return nil, err
	}
	return &pb.UnshelveAlarmResponse{Alarm: a}, nil
}

func (s *alarmService) SetAlarmOutOfService(ctx context.Context, r *pb.SetAlarmOutOfServiceRequest) (*pb.SetAlarmOutOfServiceResponse, error) {
	a, err := s.do(ctx, "SetAlarmOutOfService", alarm.TakeOut, r, func(q *calls.Request, v *violations) { q.Reason = text("reason", r.GetReason(), v) })
	if err != nil {
		return nil, err
	}
	return &pb.SetAlarmOutOfServiceResponse{Alarm: a}, nil
}

func (s *alarmService) PutAlarmBack(ctx context.Context, r *pb.PutAlarmBackRequest) (*pb.PutAlarmBackResponse, error) {
	a, err := s.do(ctx, "PutAlarmBack", alarm.PutBack, r, nil)
	if err != nil {
		return nil, err
	}
	return &pb.PutAlarmBackResponse{Alarm: a}, nil
}

func (s *alarmService) ReportCallLoad(ctx context.Context, r *pb.ReportCallLoadRequest) (*pb.ReportCallLoadResponse, error) {
	var v violations
	from, to := instant("start_time", r.GetStartTime(), &v), instant("end_time", r.GetEndTime(), &v)
	if to.IsZero() {
		to = s.now()
	}
	if from.IsZero() {
		from = to.Add(-24 * time.Hour)
	}
	if d := to.Sub(from); len(v) == 0 && (d <= 0 || d > mostLoadDays*24*time.Hour) {
		v.add("start_time", fmt.Sprintf("is %s before end_time, expected above 0 and at most %d days", d, mostLoadDays))
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if s.desk == nil {
		return nil, s.status.of("ReportCallLoad", errNoAlarms)
	}
	l, err := s.desk.Load(ctx, from, to)
	if err != nil {
		return nil, s.status.of("ReportCallLoad", err)
	}
	out := &pb.ReportCallLoadResponse{StartTime: stamp(l.From), EndTime: stamp(l.To), Standing: l.Standing, Aim: l.Aim}
	for _, p := range l.Persons {
		q := &pb.PersonLoad{
			Person: p.Person, CallCount: int32(p.Calls), AlarmCount: int32(p.Alarms), TaskCount: int32(p.Tasks), MeanCalls: p.MeanCalls, MeanTasks: p.MeanTasks, MeanAlarms: p.MeanAlarms,
			WorstCount: int32(p.Worst), WorstTime: stamp(p.WorstAt), WorstAlarms: int32(p.WorstAlarms),
		}
		for _, f := range p.Floods {
			q.Floods = append(q.Floods, &pb.Flood{StartTime: stamp(f.From), EndTime: stamp(f.To), AlarmCount: int32(f.Alarms)})
		}
		out.Loads = append(out.Loads, q)
	}
	return out, nil
}

// passed tells the desk of cones that were taken with a warning.
func (a *api) passed(ctx context.Context, l *store.Load) {
	if a.desk == nil {
		return
	}
	if err := a.desk.Passed(ctx, l, a.floor.LotWarning(l.Machine, l.Group, l.Lot, l.At)); err != nil {
		a.log.Error("an alarm about a lot is not kept", "err", err)
	}
}

// refused tells the desk of cones that were refused. The answer to the caller
// is the refusal; a desk that cannot write says so in the log.
func (a *api) refused(ctx context.Context, dryRun bool, err error) {
	if a.desk == nil || dryRun {
		return
	}
	if err := a.desk.Refused(ctx, err); err != nil {
		a.log.Error("an alarm about a lot is not kept", "err", err)
	}
}
