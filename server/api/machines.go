package api

import (
	"context"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

type machineService struct {
	*api
	pb.UnimplementedMachineServiceServer
}

func (s *machineService) ListMachines(_ context.Context, r *pb.ListMachinesRequest) (*pb.ListMachinesResponse, error) {
	var v violations
	all := s.floor.Machines()
	list, next := page(all, func(m floor.MachineView) string { return m.ID }, "machines", r.GetPageToken(), pageSize(r.GetPageSize(), &v), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	return &pb.ListMachinesResponse{Machines: machinesToPB(list), NextPageToken: next}, nil
}

func machinesToPB(list []floor.MachineView) []*pb.Machine {
	out := make([]*pb.Machine, len(list))
	for i := range list {
		out[i] = machineToPB(&list[i])
	}
	return out
}

func (s *machineService) GetMachine(_ context.Context, r *pb.GetMachineRequest) (*pb.GetMachineResponse, error) {
	var v violations
	id := machineID("name", r.GetName(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	m, err := s.floor.Machine(id)
	if err != nil {
		return nil, s.status.of("GetMachine", err)
	}
	return &pb.GetMachineResponse{Machine: machineToPB(&m)}, nil
}

func (s *machineService) WatchMachines(r *pb.WatchMachinesRequest, stream grpc.ServerStreamingServer[pb.WatchMachinesResponse]) error {
	var v violations
	token := text("resume_token", r.GetResumeToken(), &v)
	if err := v.err(); err != nil {
		return err
	}
	changes, err := s.floor.Watch(stream.Context(), token)
	if err != nil {
		return s.status.of("WatchMachines", err)
	}
	for c, err := range changes {
		if err != nil {
			return s.status.of("WatchMachines", err)
		}
		if err := stream.Send(&pb.WatchMachinesResponse{Machines: machinesToPB(c.Machines), ResumeToken: c.Token, Full: c.Full}); err != nil {
			return err // the reader is gone
		}
	}
	return s.status.of("WatchMachines", stream.Context().Err())
}

func (s *machineService) ListTotals(ctx context.Context, _ *pb.ListTotalsRequest) (*pb.ListTotalsResponse, error) {
	totals, drained, err := s.floor.Totals(ctx)
	if err != nil {
		return nil, s.status.of("ListTotals", err)
	}
	out := &pb.ListTotalsResponse{Drained: drained}
	for i := range totals {
		out.Machines = append(out.Machines, totalsToPB(&totals[i]))
	}
	return out, nil
}

func (s *machineService) ListStops(ctx context.Context, r *pb.ListStopsRequest) (*pb.ListStopsResponse, error) {
	var v violations
	q := store.StopQuery{From: instant("start_time", r.GetStartTime(), &v), To: instant("end_time", r.GetEndTime(), &v)}
	if r.GetMachine() != "" {
		q.Machine = machineID("machine", r.GetMachine(), &v)
	}
	size := pageSize(r.GetPageSize(), &v)
	scope := fmt.Sprintf("stops %s %d %d", q.Machine, q.From.UnixNano(), q.To.UnixNano())
	if key := parseToken(scope, r.GetPageToken(), &v); key != "" {
		q.Before, q.BeforeID = parseStopKey(key, &v)
	}
	if q.To.IsZero() {
		q.To = s.now()
	}
	if !q.From.IsZero() && !q.From.Before(q.To) {
		v.add("start_time", "is not before end_time")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	if q.Machine != "" {
		if err := s.knows("ListStops", q.Machine); err != nil {
			return nil, err
		}
	}
	q.Limit = size + 1
	stops, err := s.st.Stops(ctx, q)
	if err != nil {
		return nil, s.status.of("ListStops", err)
	}
	out := &pb.ListStopsResponse{}
	if len(stops) > size {
		stops = stops[:size]
		out.NextPageToken = token(scope, stopKey(&stops[size-1]))
	}
	for i := range stops {
		p := stopToPB(&stops[i], s.now())
		p.Cause = s.floor.CauseOf(stops[i]).ID
		out.Stops = append(out.Stops, p)
	}
	return out, nil
}

// stopKey is where a listing of stops goes on.
func stopKey(s *store.Stop) string {
	return strconv.FormatInt(s.Begin.UnixNano(), 10) + ":" + hex.EncodeToString(s.ID[:])
}

func parseStopKey(key string, v *violations) (time.Time, store.ID) {
	var id store.ID
	ns, h, _ := strings.Cut(key, ":")
	n, err1 := strconv.ParseInt(ns, 10, 64)
	raw, err2 := hex.DecodeString(h)
	if err1 != nil || err2 != nil || len(raw) != len(id) {
		v.add("page_token", "is damaged, expected next_page_token of the answer before")
		return time.Time{}, id
	}
	copy(id[:], raw)
	return time.Unix(0, n).UTC(), id
}
