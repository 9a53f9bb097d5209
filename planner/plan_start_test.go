package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

func (f *fake) BeginJob(_ context.Context, r *pb.BeginJobRequest) (*pb.BeginJobResponse, error) {
	return &pb.BeginJobResponse{Order: "orders/SO-2", Before: "orders/SO-1", BeginTime: r.GetBeginTime(), Changes: []string{"begin SO-2 on K03"}}, f.note(r)
}

func (f *fake) GetPlan(_ context.Context, r *pb.GetPlanRequest) (*pb.GetPlanResponse, error) {
	return &pb.GetPlanResponse{Plan: &pb.LoadingPlan{Lines: []*pb.LoadingLine{
		{Machine: "machines/k02", Jobs: []*pb.LoadingJob{{Kind: "running", Order: "orders/SO-7"}}},
		{Machine: "machines/k03", Jobs: []*pb.LoadingJob{{Kind: "running", Order: "orders/SO-1"}, {Kind: "order", Order: "orders/SO-2", WaitsForWord: true}}},
	}}}, f.note(r)
}

func TestPlanStart(t *testing.T) {
	f := new(fake)
	for _, c := range []struct {
		args string
		want *pb.BeginJobRequest
	}{
		{"plan start K03", &pb.BeginJobRequest{Machine: "machines/k03", Order: "orders/SO-2"}},
		{"plan start k03 SO-5 --dry-run", &pb.BeginJobRequest{Machine: "machines/k03", Order: "orders/SO-5", ValidateOnly: true}},
		{"plan start K03 SO-2 --at 2026-11-25T06:40:00+02:00", &pb.BeginJobRequest{Machine: "machines/k03", Order: "orders/SO-2", BeginTime: timestamppb.New(time.Date(2026, 11, 25, 4, 40, 0, 0, time.UTC))}},
		{"plan start K03 --undo", &pb.BeginJobRequest{Machine: "machines/k03", TakeBack: true}},
	} {
		e := f.planner(t, c.args)
		got, ok := f.last().(*pb.BeginJobRequest)
		if e.code != 0 || !ok || !proto.Equal(got, c.want) || !strings.Contains(e.out, "begin SO-2 on K03") {
			t.Errorf("%s: asked %v, want %v; %+v", c.args, f.last(), c.want, e)
		}
	}
	for args, want := range map[string]string{
		"plan start K02":              "no job is planned on K02",
		"plan start K03 SO-2 --undo":  "give no order",
		"plan start K03 --at tuesday": `--at "tuesday": expected an instant such as`,
	} {
		if e := f.planner(t, args); e.code == 0 || !strings.Contains(e.err, want) {
			t.Errorf("%s: %+v, want %q", args, e, want)
		}
	}
}
