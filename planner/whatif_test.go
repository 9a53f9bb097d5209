package main

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	pb "turnwise/proto/turnwisepb"
)

func TestWhatifAsks(t *testing.T) {
	f := new(fake)
	got := f.planner(t, "whatif slow K03 27.5, down k04 2d, add K05 SO-1041, open 2026-11-28T06:00 2026-11-28T14:00:00Z, close 2026-11-30 2026-12-01")
	if got.code != exitOK {
		t.Fatalf("%+v", got)
	}
	want := &pb.EvaluateWhatIfRequest{Changes: []*pb.Change{
		{Kind: &pb.Change_SlowMachine{SlowMachine: &pb.SlowMachine{Machine: "machines/k03", SpeedRpm: 27.5}}},
		stopFor("machines/k04", 48*time.Hour),
		{Kind: &pb.Change_AddMachine{AddMachine: &pb.AddMachine{Machine: "machines/k05", Order: "orders/SO-1041"}}},
		{Kind: &pb.Change_OpenTime{OpenTime: &pb.OpenTime{StartTime: ts(66 * time.Hour), EndTime: ts(74 * time.Hour)}}},
		{Kind: &pb.Change_CloseTime{CloseTime: &pb.CloseTime{StartTime: ts(108 * time.Hour), EndTime: ts(132 * time.Hour)}}},
	}}
	if !proto.Equal(f.last(), want) {
		t.Errorf("asked %v, want %v", f.last(), want)
	}
}

func TestWhatifRefuses(t *testing.T) {
	for line, says := range map[string]string{
		"whatif slow K03":             "words, expected three",
		"whatif slow K03 27,":         "words, expected three",
		"whatif slow K03 fast":        `"fast" is no speed`,
		"whatif down K03 6":           `"6" is no time`,
		"whatif down K03 0h":          `"0h" is no time`,
		"whatif down K03 999d":        `"999d" is no time`,
		"whatif fly K03 6h":           `"fly" is no change`,
		"whatif open today tomorrow":  `"today" is no time`,
		"whatif close 2026-11-28 now": `"now" is no time`,
	} {
		f := new(fake)
		got := f.planner(t, line)
		if got.code != exitUsage || !strings.Contains(got.err, says) {
			t.Errorf("%s: %d %s, want usage with %q", line, got.code, got.err, says)
		}
		if len(f.asked) > 0 {
			t.Errorf("%s: the server was asked", line)
		}
	}
}

func TestWatchPromisesPrints(t *testing.T) {
	got := new(fake).planner(t, "watch promises")
	want := "12:00:00  SO-1041    promise Sat 12:00        late 8/20f   90 % by Sat 18:00f\n" +
		"12:00:00  SO-1044    promise -                late ?       no forecast: Enter a knit card for K11\n" +
		"12:00:00  SO-1041    promise Sat 12:00        late 8/20f   SO-1041 is done with 90 % by Sat 18:00 instead of Fri 12:00\n"
	if got.code != exitNotFound || got.out != want {
		t.Errorf("%d\n%s%s\nwant\n%s", got.code, got.out, got.err, want)
	}
	if lines := strings.Split(strings.TrimSpace(new(fake).planner(t, "watch promises --json").out), "\n"); len(lines) != 2 || !strings.HasPrefix(lines[0], `{"full":true,"orders":[{"order":"SO-1041",`) {
		t.Errorf("%q", lines)
	}
}
