package main

import (
	"context"
	"strings"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
)

func (f *fake) ListCare(_ context.Context, r *pb.ListCareRequest) (*pb.ListCareResponse, error) {
	return &pb.ListCareResponse{Care: []*pb.CareState{
		{
			Care:            &pb.BookCare{Id: "needles-k03", Machine: "k03", Kind: "needles", Minutes: 240, EveryRevolutions: 9_000_000, DoneTime: ts(-720 * time.Hour)},
			RevolutionCount: 8_400_000, EarliestTime: ts(0), LatestTime: ts(400 * time.Hour), StartTime: ts(30 * time.Hour), EndTime: ts(34 * time.Hour),
		},
		{Care: &pb.BookCare{Id: "oil-k05", Machine: "k05", Kind: "oil", Minutes: 90}, Done: true},
	}}, f.note(r)
}

func TestCare(t *testing.T) {
	f := &fake{}
	got := f.planner(t, "care")
	for _, want := range []string{"needles-k03", "K03", "8400000c", "9000000e", "Thu 18:00f", "done"} {
		if got.code != exitOK || !strings.Contains(got.out, want) {
			t.Errorf("care: %+v, want %q in it", got, want)
		}
	}
	if got := f.planner(t, "care --json"); got.code != exitOK || !strings.Contains(got.out, `"revolutions":8400000`) {
		t.Errorf("care --json: %+v", got)
	}
	if got := f.planner(t, "care done needles-k03 --dry-run"); got.code != exitOK || !strings.Contains(got.err, "nothing was written") {
		t.Errorf("dry run: %+v", got)
	}
	if r := f.last().(*pb.ApplyBookRequest); !r.GetValidateOnly() || len(r.GetBook().GetCare()) != 1 ||
		!r.GetBook().GetCare()[0].GetDoneTime().AsTime().Equal(noon) || r.GetBook().GetCare()[0].GetEveryRevolutions() != 9_000_000 {
		t.Errorf("dry run asked %v, want the whole care done now", r)
	}
	for line, want := range map[string]struct {
		code int
		says string
	}{
		"care done cams-k01":                          {exitNotFound, "the book has needles-k03, oil-k05"},
		"care done needles-k03 --at 2027-01-01T06:00": {exitUsage, "still to come"},
		"care done needles-k03 --at yesterday":        {exitUsage, "expected an instant"},
		"care done needles-k03 --at 2026-10-01T06:00": {exitRefused, "which is later"},
		"care done needles-k03 --at 2026-11-24T06:00": {exitOK, ""},
		"care done needles-k03 --at 1900-01-01T06:00": {exitRefused, "which is later"},
		"care done needles-k03 --at 2026-11-24":       {exitUsage, "expected an instant"},
	} {
		if got := f.planner(t, line); got.code != want.code || !strings.Contains(got.err, want.says) {
			t.Errorf("%s: %+v, want code %d and %q", line, got, want.code, want.says)
		}
	}
}
