package main

import (
	"context"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
)

type watchCmd struct {
	Machines watchMachinesCmd `cmd:"" help:"Every machine once, then each change; ends with Ctrl-C."`
	Promises watchPromisesCmd `cmd:"" help:"Every order once, then those whose finish moves; ends with Ctrl-C."`
}

type watchMachinesCmd struct{}

// Help has an example.
func (*watchMachinesCmd) Help() string {
	return "With --json each line is one object {\"full\":...,\"machines\":[...]}.\n\nExample:\n  planner watch machines --json"
}

// Waits between attempts to reach the server again.
const (
	firstRetry = 250 * time.Millisecond
	lastRetry  = 10 * time.Second
)

func (c *watchMachinesCmd) Run(ctx context.Context, s *session) error {
	token := ""
	open := func() (grpc.ServerStreamingClient[pb.WatchMachinesResponse], error) {
		return s.machines().WatchMachines(ctx, &pb.WatchMachinesRequest{ResumeToken: token})
	}
	return follow(ctx, s, open, func(r *pb.WatchMachinesResponse) error {
		token = r.GetResumeToken()
		return s.printChange(r)
	})
}

// follow shows each answer of a stream, and opens it again when the connection
// is lost, until ctx ends.
func follow[T any](ctx context.Context, s *session, open func() (grpc.ServerStreamingClient[T], error), show func(*T) error) error {
	retry, reached := firstRetry, false
	var unshown error
	until := func() error {
		stream, err := open()
		if err != nil {
			return err
		}
		for {
			r, err := stream.Recv()
			if err != nil {
				return err
			}
			retry, reached = firstRetry, true
			if unshown = show(r); unshown != nil {
				return unshown
			}
		}
	}
	for {
		err := until()
		if ctx.Err() != nil {
			return nil // the person has seen enough
		}
		if unshown != nil {
			return unshown
		}
		code := status.Code(err)
		again := []codes.Code{codes.Unavailable, codes.Canceled, codes.Unknown, codes.Internal, codes.OK}
		if !reached || !slices.Contains(again, code) {
			return s.explain(err)
		}
		fmt.Fprintf(s.err, "connection lost, again in %v: %v\n", retry, s.explain(err))
		if !pause(ctx, retry) {
			return nil
		}
		retry = min(2*retry, lastRetry)
	}
}

func (s *session) printChange(r *pb.WatchMachinesResponse) error {
	data := struct {
		Full     bool          `json:"full"`
		Machines []machineJSON `json:"machines"`
	}{r.GetFull(), []machineJSON{}}
	for _, m := range r.GetMachines() {
		data.Machines = append(data.Machines, machineFromPB(m))
	}
	if s.common.Output == "json" {
		return writeJSON(s.out, data)
	}
	now := s.now().In(s.zone).Format("15:04:05")
	for i := range data.Machines {
		row := s.machineRow(&data.Machines[i])
		_, err := fmt.Fprintf(s.out, "%s  %-6s %-9s since %-10s %-8s %7s rpm  %10s turns  %s\n", now, row[0], row[1], row[2], row[3], row[4], row[7], row[10])
		if err != nil {
			return err
		}
	}
	return nil
}
