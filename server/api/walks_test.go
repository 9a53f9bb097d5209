package api

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"turnwise/planner/creel"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Every field of the walks arrives.
func TestRoundsToPB(t *testing.T) {
	now := time.Unix(1.8e9, 0)
	fetch := []floor.FetchView{{Lot: "L", Yarn: "y", YarnName: "Ne 30", Tip: "red", Cones: 90}}
	task := floor.TaskView{ID: "k01-end-SO-1", Kind: floor.TaskStyle, Machine: "k01", Name: "K01", Due: now, Order: "SO-1", NextOrder: "SO-2", NextArticle: "RIB",
		State: store.TaskState{State: store.TaskDue}, Remnants: []creel.Remnant{{Lot: "L", Cones: 2, Mass: 3}}}
	set := []floor.SetLoad{{Set: "A", Machines: []string{"k01"}, WalkingMin: 1, LateMin: 2, BothMin: 3}}
	v := floor.RoundsView{
		At: now, NextHour: fetch, BothMin: 4, Split: &floor.SplitView{Now: set, Proposed: set},
		Walks: []floor.WalkView{{
			ID: "A-k01-end-SO-1", Set: "A", From: now, To: now, LatestFrom: now, WalkingMin: 1, WorkMin: 2, LateMin: 3, Fetch: fetch,
			Stops: []floor.WalkStop{{Machine: "k01", Name: "K01", WalkMin: 1, Start: now, End: now, Open: now, Latest: now, LateMin: 2, Fetch: fetch, Tasks: []floor.TaskView{task}}},
		}},
	}
	got := roundsToPB(&v)
	wantSet(t, got.ProtoReflect())
	w := got.GetWalks()[0]
	wantSet(t, w.ProtoReflect())
	wantSet(t, w.GetStops()[0].ProtoReflect())
	wantSet(t, w.GetFetch()[0].ProtoReflect())
	wantSet(t, got.GetSplit().GetNow()[0].ProtoReflect())
	wantSet(t, w.GetStops()[0].GetTasks()[0].GetRemnants()[0].ProtoReflect())
	if s := w.GetStops()[0].GetTasks()[0]; s.GetSentence() != "K01: SO-1 ends, style change to RIB." || s.GetKind() != pb.TaskKind_TASK_KIND_STYLE_CHANGE {
		t.Errorf("task %v", s)
	}
}

// A watcher is told of what he would do otherwise, not of each second.
func TestSameWalks(t *testing.T) {
	list := func() *pb.ListWalksResponse {
		return &pb.ListWalksResponse{Walks: []*pb.Walk{{
			Name: "walks/a", StartTime: timestamppb.New(time.Unix(1000, 0)),
			Stops: []*pb.WalkStop{{Machine: "k01", Tasks: []*pb.Task{{Name: "tasks/x", State: pb.TaskState_TASK_STATE_DUE, ConeCount: 90}}}},
		}}}
	}
	for name, tt := range map[string]struct {
		change func(l *pb.ListWalksResponse)
		same   bool
	}{
		"nothing":       {func(*pb.ListWalksResponse) {}, true},
		"some seconds":  {func(l *pb.ListWalksResponse) { l.Walks[0].StartTime.Seconds += 40; l.BothWaitMinutes = 1 }, true},
		"two minutes":   {func(l *pb.ListWalksResponse) { l.Walks[0].StartTime.Seconds += 120 }, false},
		"taken":         {func(l *pb.ListWalksResponse) { l.Walks[0].Stops[0].Tasks[0].State = pb.TaskState_TASK_STATE_TAKEN }, false},
		"fixer":         {func(l *pb.ListWalksResponse) { l.Walks[0].Stops[0].Tasks[0].FixerCallTime = timestamppb.Now() }, false},
		"cones":         {func(l *pb.ListWalksResponse) { l.Walks[0].Stops[0].Tasks[0].ConeCount = 45 }, false},
		"other machine": {func(l *pb.ListWalksResponse) { l.Walks[0].Stops[0].Machine = "k02" }, false},
		"another name":  {func(l *pb.ListWalksResponse) { l.Walks[0].Name = "walks/b" }, false},
		"one more":      {func(l *pb.ListWalksResponse) { l.Walks = append(l.Walks, proto.CloneOf(l.Walks[0])) }, false},
	} {
		b := list()
		tt.change(b)
		if got := sameWalks(list(), b); got != tt.same {
			t.Errorf("%s: same = %v", name, got)
		}
	}
}
