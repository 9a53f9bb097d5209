package main

import (
	"context"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	pb "turnwise/proto/turnwisepb"
)

func (f *fake) GetUpkeep(_ context.Context, r *pb.GetUpkeepRequest) (*pb.GetUpkeepResponse, error) {
	if err := f.note(r); err != nil {
		return nil, err
	}
	disk := int64(9_000_000_000)
	last := &pb.Copy{Time: ts(-50 * time.Hour), File: "/safe/demo-1.db", Bytes: 41_000_000, RecordCount: 400_000}
	return &pb.GetUpkeepResponse{Upkeep: &pb.Upkeep{
		RecordCount: 410_000, DroppedCount: 90_000, OldestTime: ts(-400 * 24 * time.Hour), FileBytes: 52_300_000, FreeBytes: 8_100_000, DiskFreeBytes: &disk,
		RetainAge: durationpb.New(400 * 24 * time.Hour), NextPruneTime: ts(2 * time.Hour), NextPruneCount: 1200, BackupLimit: durationpb.New(48 * time.Hour), BackupLate: true,
		LastBackup: last, RecentBackups: []*pb.Copy{last}, FailedBackup: &pb.FailedCopy{Time: ts(-time.Hour), Error: "disk full"},
		SetBack:   &pb.SetBack{By: durationpb.New(62 * time.Minute), SeenTime: ts(-3 * time.Hour), Machine: "machines/k03"},
		LastPrune: &pb.Prune{Time: ts(-4 * time.Hour), BeforeTime: ts(-400 * 24 * time.Hour), RecordCount: 2500, GivenBytes: 3_000_000, Held: []*pb.Held{{Machine: "machines/k07", Reason: "no verified backup holds record 9"}}},
	}}, nil
}

// Everything about the records is told to people and to scripts.
func TestUpkeep(t *testing.T) {
	f := &fake{}
	e := f.planner(t, "upkeep --zone UTC")
	for _, want := range []string{"newest verified backup    LATE: older than 48 h", "400000 records in /safe/demo-1.db", "newest attempt", "disk full",
		"410000 since", "52.3 MB, 8.1 MB of it free; it cannot give room back", "9000.0 MB", "of records older than 400 days, about 1200 at the most", "good, 2500 records dropped, 3.0 MB given back", "k07: no verified backup holds record 9", "set back by 62 min, seen 09:00 at K03; turns near then"} {
		if !strings.Contains(e.out, want) {
			t.Errorf("no %q in\n%s", want, e.out)
		}
	}
	e = f.planner(t, "upkeep --json")
	var u upkeepJSON
	if err := json.Unmarshal([]byte(e.out), &u); err != nil || e.code != 0 || !u.BackupLate || u.BackupLimit != 48 || u.LastBackup == nil || len(u.Backups) != 1 || u.Failed == nil ||
		*u.RetainDays != 400 || u.LastPrune.Held[0] != (heldJSON{"k07", "no verified backup holds record 9"}) || *u.DiskFree != 9_000_000_000 {
		t.Errorf("%v\n%s", err, e.out)
	}
}
