package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/durationpb"

	pb "turnwise/proto/turnwisepb"
)

type alarmsCmd struct {
	List     alarmsListCmd     `cmd:"" default:"withargs" help:"Alarms that are not normal, those that need an answer first."`
	Ack      alarmsAckCmd      `cmd:"" help:"Say that alarms were seen."`
	Shelve   alarmsShelveCmd   `cmd:"" help:"Hide an alarm for a time, or until its condition clears, with a reason."`
	Unshelve alarmsUnshelveCmd `cmd:"" help:"Show a shelved alarm again."`
	Out      alarmsOutCmd      `cmd:"" help:"Say that the machine or the sensor behind an alarm is off."`
	Back     alarmsBackCmd     `cmd:"" help:"Say that it is on again."`
	Watch    alarmsWatchCmd    `cmd:"" help:"All alarms once, then whenever they change; ends with Ctrl-C."`
}

type alarmsListCmd struct {
	Normal bool `help:"Also those that went back to normal within a day."`
}

// Help has an example.
func (*alarmsListCmd) Help() string {
	return "States are those of ISA-18.2. An alarm is acknowledged by a person or not at all.\n\nExample:\n  planner alarms\n  planner alarms ack not-attended-k03 --role supervisor"
}

// alarmJSON is an alarm as scripts read it.
type alarmJSON struct {
	Alarm    string     `json:"alarm"`
	Class    string     `json:"class"`
	State    string     `json:"state"`
	Machines []string   `json:"machines"`
	Order    string     `json:"order"`
	Sentence string     `json:"sentence"`
	Begin    *time.Time `json:"begin"`
	Raised   *time.Time `json:"raised"`
	Cleared  *time.Time `json:"cleared"`
	Acked    *time.Time `json:"acknowledged"`
	Until    *time.Time `json:"shelved_until"`
	Role     string     `json:"role"`
	Reason   string     `json:"reason"`
	Chatters bool       `json:"chattering"`
	Told     int64      `json:"told"`
	Asked    []string   `json:"asked"`
}

var alarmClasses = map[pb.AlarmClass]string{
	pb.AlarmClass_ALARM_CLASS_NOT_ATTENDED: "not-attended", pb.AlarmClass_ALARM_CLASS_SILENT: "silent", pb.AlarmClass_ALARM_CLASS_OTHER_LOT: "other-lot",
	pb.AlarmClass_ALARM_CLASS_PROMISE: "promise", pb.AlarmClass_ALARM_CLASS_RATIO: "ratio",
	pb.AlarmClass_ALARM_CLASS_BACKUP: "backup",
}

// alarmStates are the words of ISA-18.2.
var alarmStates = map[pb.AlarmState]string{
	pb.AlarmState_ALARM_STATE_NORMAL: "NORMAL", pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED: "UNACK", pb.AlarmState_ALARM_STATE_ACKNOWLEDGED: "ACKED",
	pb.AlarmState_ALARM_STATE_RETURNED_UNACKNOWLEDGED: "RTN_UNACK", pb.AlarmState_ALARM_STATE_SHELVED: "SHELVED",
	pb.AlarmState_ALARM_STATE_SUPPRESSED: "SUPPRESSED", pb.AlarmState_ALARM_STATE_OUT_OF_SERVICE: "OUT_OF_SERVICE",
}

func alarmFromPB(a *pb.Alarm) alarmJSON {
	out := alarmJSON{
		Alarm: strings.TrimPrefix(a.GetName(), "alarms/"), Class: alarmClasses[a.GetClass()], State: alarmStates[a.GetState()], Machines: []string{},
		Order: strings.TrimPrefix(a.GetOrder(), "orders/"), Sentence: a.GetSentence(), Begin: when(a.GetBeginTime()), Raised: when(a.GetRaiseTime()),
		Cleared: when(a.GetClearTime()), Acked: when(a.GetAcknowledgeTime()), Until: when(a.GetShelvedUntilTime()), Role: a.GetRole(), Reason: a.GetReason(),
		Chatters: a.GetChattering(), Told: int64(a.GetToldCount()), Asked: append([]string{}, a.GetAsked()...),
	}
	for _, m := range a.GetMachines() {
		out.Machines = append(out.Machines, strings.TrimPrefix(m, "machines/"))
	}
	return out
}

func (c *alarmsListCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	data := []alarmJSON{}
	for token := ""; ; {
		answer, err := s.alarms().ListAlarms(ctx, &pb.ListAlarmsRequest{ShowNormal: c.Normal, PageSize: 1000, PageToken: token})
		if err != nil {
			return s.explain(err)
		}
		for _, a := range answer.GetAlarms() {
			data = append(data, alarmFromPB(a))
		}
		if token = answer.GetNextPageToken(); token == "" {
			break
		}
	}
	return s.printAlarms(data, "no alarm: nothing needs an answer", false)
}

func (s *session) printAlarms(data []alarmJSON, empty string, dry bool) error {
	l := listing{head: []string{"state", "since", "asked", "alarm", "", ""}, empty: empty}
	for i := range data {
		l.add(append(s.alarmRow(&data[i]), dryNote(dry))...)
	}
	l.data = struct {
		Alarms []alarmJSON `json:"alarms"`
		DryRun bool        `json:"dry_run"`
	}{data, dry}
	return s.print(&l)
}

func (s *session) alarmRow(a *alarmJSON) []string {
	since := "-"
	if a.Raised != nil {
		since = s.clock(*a.Raised)
	}
	text := a.Sentence
	switch {
	case a.State == "SHELVED" && a.Until != nil:
		text += fmt.Sprintf(" Shelved until %s: %s.", s.clock(*a.Until), a.Reason)
	case a.State == "SHELVED":
		text += fmt.Sprintf(" Shelved until it clears: %s.", a.Reason)
	case a.State == "OUT_OF_SERVICE":
		text += fmt.Sprintf(" Out of service: %s.", a.Reason)
	case a.State == "SUPPRESSED":
		text += fmt.Sprintf(" Hidden by rule: %s.", a.Reason)
	case a.State == "RTN_UNACK" && a.Cleared != nil:
		text += fmt.Sprintf(" It cleared at %s, and nobody has seen it.", s.clock(*a.Cleared))
	case a.State == "ACKED" && a.Acked != nil:
		text += fmt.Sprintf(" Seen at %s.", s.clock(*a.Acked))
	}
	if a.Chatters {
		text += " It comes and goes."
	}
	return []string{a.State, since, strings.Join(a.Asked, ", "), a.Alarm, text}
}

// answer are the flags of every answer to an alarm.
type answer struct {
	Role string `help:"Your role, for example \"shift supervisor\"; no name." placeholder:"ROLE"`
	change
}

func alarmName(id string) string { return "alarms/" + strings.TrimPrefix(id, "alarms/") }

// answered prints alarms after what was done.
func (s *session) answered(alarms []*pb.Alarm, dry bool) error {
	data := []alarmJSON{}
	for _, a := range alarms {
		data = append(data, alarmFromPB(a))
	}
	return s.printAlarms(data, "", dry)
}

type alarmsAckCmd struct {
	Alarms []string `arg:"" help:"Alarms as listed, for example not-attended-k03."`
	answer
}

func (c *alarmsAckCmd) Run(ctx context.Context, s *session) error {
	if c.RequestID != "" && len(c.Alarms) > 1 {
		return usage("--request-id names one change; give one alarm with it")
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	var done []*pb.Alarm
	for _, id := range c.Alarms {
		r, err := s.alarms().AcknowledgeAlarm(ctx, &pb.AcknowledgeAlarmRequest{Name: alarmName(id), Role: c.Role, RequestId: c.request(), ValidateOnly: c.DryRun})
		if err != nil {
			err = s.explain(err)
			if len(done) > 0 { // what was seen is seen: say so before the fault
				if perr := s.answered(done, c.DryRun); perr != nil {
					return perr
				}
				return &exitError{exitPartly, err}
			}
			return err
		}
		done = append(done, r.GetAlarm())
	}
	return s.answered(done, c.DryRun)
}

type alarmsShelveCmd struct {
	Alarm  string        `arg:"" help:"Alarm as listed."`
	For    time.Duration `xor:"how" required:"" help:"How long, at most 8h." placeholder:"2h"`
	Once   bool          `xor:"how" required:"" help:"Until its condition clears."`
	Reason string        `required:"" help:"Why." placeholder:"\"waiting for a part\""`
	answer
}

// Help has an example.
func (*alarmsShelveCmd) Help() string {
	return "Example:\n  planner alarms shelve not-attended-k03 --for 2h --reason \"waiting for a part\" --role fixer"
}

func (c *alarmsShelveCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	q := &pb.ShelveAlarmRequest{Name: alarmName(c.Alarm), Role: c.Role, Reason: c.Reason, UntilCleared: c.Once, RequestId: c.request(), ValidateOnly: c.DryRun}
	if !c.Once {
		q.Duration = durationpb.New(c.For)
	}
	r, err := s.alarms().ShelveAlarm(ctx, q)
	if err != nil {
		return s.explain(err)
	}
	return s.answered([]*pb.Alarm{r.GetAlarm()}, c.DryRun)
}

type alarmsUnshelveCmd struct {
	Alarm string `arg:"" help:"Alarm as listed."`
	answer
}

func (c *alarmsUnshelveCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.alarms().UnshelveAlarm(ctx, &pb.UnshelveAlarmRequest{Name: alarmName(c.Alarm), Role: c.Role, RequestId: c.request(), ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	return s.answered([]*pb.Alarm{r.GetAlarm()}, c.DryRun)
}

type alarmsOutCmd struct {
	Alarm  string `arg:"" help:"Alarm, for example silent-k13; also one that was never raised."`
	Reason string `required:"" help:"Why." placeholder:"\"taken apart\""`
	answer
}

func (c *alarmsOutCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.alarms().SetAlarmOutOfService(ctx, &pb.SetAlarmOutOfServiceRequest{Name: alarmName(c.Alarm), Role: c.Role, Reason: c.Reason, RequestId: c.request(), ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	return s.answered([]*pb.Alarm{r.GetAlarm()}, c.DryRun)
}

type alarmsBackCmd struct {
	Alarm string `arg:"" help:"Alarm that is out of service."`
	answer
}

func (c *alarmsBackCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.alarms().PutAlarmBack(ctx, &pb.PutAlarmBackRequest{Name: alarmName(c.Alarm), Role: c.Role, RequestId: c.request(), ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	return s.answered([]*pb.Alarm{r.GetAlarm()}, c.DryRun)
}

type alarmsWatchCmd struct{}

func (c *alarmsWatchCmd) Run(ctx context.Context, s *session) error {
	open := func() (grpc.ServerStreamingClient[pb.WatchAlarmsResponse], error) {
		return s.alarms().WatchAlarms(ctx, &pb.WatchAlarmsRequest{})
	}
	return follow(ctx, s, open, func(r *pb.WatchAlarmsResponse) error {
		if s.common.Output != "json" {
			fmt.Fprintln(s.out, s.now().In(s.zone).Format("15:04:05"))
		}
		data := []alarmJSON{}
		for _, a := range r.GetAlarms() {
			data = append(data, alarmFromPB(a))
		}
		return s.printAlarms(data, "no alarm: nothing needs an answer", false)
	})
}
