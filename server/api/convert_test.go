package api

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"reflect"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/planner/creel"
	"turnwise/planner/outlook"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// fill puts something into every field of a message.
func fill(m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if fd.IsList() {
			list := m.Mutable(fd).List()
			v := list.NewElement()
			if fd.Kind() == protoreflect.MessageKind {
				fill(v.Message())
			} else {
				v = scalar(fd)
			}
			list.Append(v)
			continue
		}
		if fd.Kind() == protoreflect.MessageKind {
			if fd.Message().FullName() == "google.protobuf.Timestamp" {
				m.Set(fd, protoreflect.ValueOfMessage(timestamppb.New(time.Unix(1.8e9, 0)).ProtoReflect()))
				continue
			}
			fill(m.Mutable(fd).Message())
			continue
		}
		m.Set(fd, scalar(fd))
	}
}

func scalar(fd protoreflect.FieldDescriptor) protoreflect.Value {
	switch fd.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString("k" + fmt.Sprint(fd.Number()))
	case protoreflect.DoubleKind:
		return protoreflect.ValueOfFloat64(0.01 * float64(fd.Number()))
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(true)
	}
	return protoreflect.ValueOfInt32(int32(fd.Number()))
}

// wantFilled reports fields that are zero: what a conversion forgot.
func wantFilled(t *testing.T, path string, v reflect.Value) {
	t.Helper()
	switch v.Kind() {
	case reflect.Struct:
		if v.Type() == reflect.TypeFor[time.Time]() {
			break
		}
		for i := range v.NumField() {
			wantFilled(t, path+"."+v.Type().Field(i).Name, v.Field(i))
		}
		return
	case reflect.Slice:
		for i := range v.Len() {
			wantFilled(t, fmt.Sprintf("%s[%d]", path, i), v.Index(i))
		}
	}
	if v.IsZero() {
		t.Errorf("%s was lost in conversion", path)
	}
}

func TestBookFromPBKeepsEverything(t *testing.T) {
	b := new(pb.Book)
	fill(b.ProtoReflect())
	var v violations
	got := bookFromPB(b, &v)
	if err := v.err(); err != nil {
		t.Fatal(err)
	}
	got.Assignments[0].PlannedFrom = time.Unix(1, 0) // the store's own
	wantFilled(t, "book", reflect.ValueOf(got))
	if m := got.Machines[0]; m.ID != "k1" || m.GaugeNPI != 0.05 || m.Feeders != 8 || m.Year != 11 || m.Set != "k12" {
		t.Errorf("machine %+v has fields in wrong places", m)
	}
	if g := got.Cards[0].Feeds[0]; g.ID != "k1" || g.Feeders != 4 || g.CourseLengthM != 0.05 || g.Draft != 0.06 || g.Ends != 7 {
		t.Errorf("feed group %+v has fields in wrong places", g)
	}
}

// wantSet reports fields of a message that are not set.
func wantSet(t *testing.T, m protoreflect.Message, but ...string) {
	t.Helper()
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if !m.Has(fd) && !strings.Contains(strings.Join(but, " "), string(fd.Name())) {
			t.Errorf("%s.%s was lost in conversion", m.Descriptor().Name(), fd.Name())
		}
	}
}

func TestMachineToPB(t *testing.T) {
	now := time.Unix(1.8e9, 0)
	view := floor.MachineView{
		ID: "k01", Name: "K01", Area: "hall", Set: "A", Agent: "u-01", State: floor.Stopped, Since: now, Cause: floor.Cause{ID: "yarn"}, Heard: now,
		SpeedRPM: 27.5, CardRPM: 28, Order: "SO-1", Card: "sj", Problem: "slow", Revolutions: 10, Inched: 2, KilosCounted: 0.1, SinceDoff: 3, ToDoff: 4,
		Entry: floor.MachineEntry{Beds: 2, DiameterInch: 30, GaugeNPI: 28, CylinderNeedles: 2640, DialNeedles: 10, Feeders: 90, MaxRPM: 35, Structures: []string{"sj"}, Year: 2019},
	}
	m := machineToPB(&view)
	wantSet(t, m.ProtoReflect())
	wantSet(t, m.GetLive().ProtoReflect())
	if m.GetName() != "machines/k01" || m.GetLive().GetState() != pb.MachineState_MACHINE_STATE_STOPPED || m.GetLive().GetSpeed().GetUnit() != "{revolution}/min" {
		t.Errorf("machine %v", m)
	}
	view.State = floor.Unknown
	if s := machineToPB(&view).GetLive().GetSpeed(); s.GetValue() != 0 || s.GetProvenance() != pb.Provenance_PROVENANCE_UNKNOWN {
		t.Errorf("an unheard machine has speed %v", s)
	}
}

func TestOrderToPB(t *testing.T) {
	now := time.Unix(1.8e9, 0)
	f := outlook.Finish{
		P10: now, P50: now, P80: now, P90: now, P95: now, MissChance: 0.4, Lateness: time.Hour, Basis: []string{"K01: 212 stops"}, History: "machine", Corrected: 120,
		Parts: []outlook.Part{{Kind: outlook.PartStop, Cause: "yarn", Mean: 3, P90: 5, Share: 0.1}}, Levers: []outlook.Lever{{Kind: outlook.PartStop, Cause: "yarn", Gain: 2}},
	}
	for i := range f.Beads {
		f.Beads[i] = now.Add(time.Duration(i) * time.Hour)
	}
	view := floor.OrderView{
		ID: "SO-1", Article: "SJ", QuantityKg: 100, DoneBeforeKg: 10, CountedKg: 20, Promise: now,
		Cards: map[string]string{"k01": "sj"}, CountedBy: map[string]float64{"k01": 20},
		Entry: floor.OrderEntry{Weight: 2, YarnFrom: now, Parts: 3, OneLot: true, Lot: "L", PinMachine: "k01", PinAfter: "SO-0"},
		Outlook: outlook.OrderOutlook{
			RemainingKg: 70, Finish: f, Why: []string{"K02 slow"}, Jobs: []outlook.JobOutlook{{Machine: "k01", RemainingKg: 70, Finish: f}},
			Yarn: []outlook.LotBalance{{Yarn: "y", Lot: "L", StoreKg: 1, CreelKg: 2, AtMachine: 3, NeededKg: 4, ShortKg: 5}},
		},
	}
	o := orderToPB(&view, now)
	wantSet(t, o.ProtoReflect())
	wantSet(t, o.GetFinish().ProtoReflect(), "refused")
	wantSet(t, o.GetJobs()[0].ProtoReflect())
	wantSet(t, o.GetYarn().GetLots()[0].ProtoReflect())
	if len(o.GetFinish().GetFinishTimes()) != 20 || o.GetWeighedKg().GetValue() != 10 || o.GetJobs()[0].GetCountedKg().GetValue() != 20 {
		t.Errorf("order %v", o)
	}
	refused := finishToPB(&outlook.Finish{Refused: "no card", P90: now, Basis: []string{"x"}})
	if refused.GetP90Time() != nil || refused.GetRefused() != "no card" || len(refused.GetFinishTimes()) != 0 {
		t.Errorf("a refused forecast tells times: %v", refused)
	}
}

func TestTaskTotalsStopAgentToPB(t *testing.T) {
	now := time.Unix(1.8e9, 0)
	task := taskViewToPB(&floor.TaskView{
		ID: "k01-creel-g-5", Kind: floor.TaskCreel, Machine: "k01", Name: "K01", Due: now, Cause: floor.Cause{ID: "c"}, Order: "SO", RollNumber: 3, RollKg: 25, YarnName: "Ne 30",
		State: store.TaskState{State: store.TaskDue, Since: now, Fixer: now}, Lapsed: now, Overdue: now,
		Tie: true, Open: now, Latest: now, Positions: []int{1}, NextOrder: "SO-2", NextArticle: "RIB", Remnants: []creel.Remnant{{Lot: "L", Cones: 2, Mass: 3}},
		Window: &outlook.CreelWindow{Group: "g", Lot: "L", Tip: "red", Cones: 90, First: now, P05: now, P50: now, P95: now, Last: now},
	}, now)
	wantSet(t, task.ProtoReflect())
	six := time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)
	late := floor.TaskView{Kind: floor.TaskCreel, Name: "K01", YarnName: "Ne 30", Overdue: six, Lapsed: six.Add(time.Minute), Window: &outlook.CreelWindow{Group: "g", Cones: 90, Last: six.Add(time.Hour)}}
	if got, want := taskViewToPB(&late, six.Add(2*time.Hour)).GetSentence(), "Creel K01, g: 90 cones of Ne 30. Overdue since 06:00. Taken 06:01, and nobody said done."; got != want {
		t.Errorf("it says %q, want %q", got, want)
	}
	late.Unsaid, late.Lapsed = true, time.Time{}
	if got, want := taskViewToPB(&late, six.Add(24*time.Hour)).GetSentence(), "Creel K01, g: 90 cones of Ne 30. It has run past its last cone, due Mon 23 Nov 07:00: look, and say done if they were changed."; got != want {
		t.Errorf("it says %q, want %q", got, want)
	}
	totals := totalsToPB(&floor.TotalsView{
		Machine: "k01", Revolutions: 1, Inched: 10, Stops: 2, ByCause: map[string]int64{"yarn": 2}, OpenStop: true, LostMin: 3, LostMax: 4, Kilos: 5, WithoutCard: 6, RunMS: 7, StopMS: 8, UnknownMS: 9,
	})
	wantSet(t, totals.ProtoReflect())
	stop := stopToPB(&store.Stop{ID: store.ID{0xab}, Machine: "k01", Begin: now, End: now.Add(time.Minute), Cause: "yarn", Side: "top", Input: true, Revolutions: 7}, now)
	wantSet(t, stop.ProtoReflect())
	if stop.GetName() != "machines/k01/stops/ab"+strings.Repeat("0", 30) || stop.GetDuration().AsDuration() != time.Minute {
		t.Errorf("stop %v", stop)
	}
	agent := agentToPB(&floor.AgentView{ID: "u-01", Machines: []string{"k01"}, Online: true, Heard: now, ClockOffset: 1, Version: "1", JournalBytes: 2, Outstanding: 3})
	wantSet(t, agent.ProtoReflect())
	for kind, want := range map[floor.TaskKind]string{
		floor.TaskStop: "Go to K09: stands 2 min, yarn.", floor.TaskDoff: "Doff K09, roll 114, 25 kg.",
	} {
		got := sentence(&floor.TaskView{Kind: kind, Name: "K09", Since: now.Add(-2 * time.Minute), Cause: floor.Cause{Word: "yarn"}, RollNumber: 114, RollKg: 25}, now)
		if got != want || len(strings.Fields(got)) > 12 {
			t.Errorf("sentence %q, want %q", got, want)
		}
	}
}

// What the server does not know by name is told to nobody.
func TestStatusHidesInternals(t *testing.T) {
	var log strings.Builder
	s := statuses{slog.New(slog.NewTextHandler(&log, nil))}
	err := s.of("GetMachine", errors.New("disk /secret/place is on fire"))
	wantStatus(t, err, codes.Internal, "INTERNAL")
	message := status.Convert(err).Message()
	id := message[strings.LastIndex(message, " ")+1:]
	if strings.Contains(message, "secret") || len(id) < 8 || !strings.Contains(log.String(), id) || !strings.Contains(log.String(), "secret") {
		t.Errorf("told %q, logged %q; want an id that stands in both and no more", message, log.String())
	}
	for _, tt := range []struct {
		err    error
		code   codes.Code
		reason string
	}{
		{store.ErrNotFound, codes.NotFound, "NOT_FOUND"},
		{store.ErrInvalid, codes.InvalidArgument, "INVALID"},
		{store.ErrUnregistered, codes.FailedPrecondition, "NOT_REGISTERED"},
		{outlook.ErrRequest, codes.FailedPrecondition, "NO_FORECAST"},
		{context.Canceled, codes.Canceled, "CANCELED"},
		{context.DeadlineExceeded, codes.DeadlineExceeded, "DEADLINE_EXCEEDED"},
	} {
		wantStatus(t, s.of("X", fmt.Errorf("order: %w", tt.err)), tt.code, tt.reason)
	}
	if s.of("X", nil) != nil {
		t.Error("no error gives a status")
	}
	already := status.Error(codes.Aborted, "x")
	if got := s.of("X", already); !proto.Equal(status.Convert(got).Proto(), status.Convert(already).Proto()) {
		t.Errorf("a status was changed: %v", got)
	}
}
