package api

import (
	"context"
	"fmt"
	"slices"
	"strings"

	pb "turnwise/proto/turnwisepb"
	"turnwise/proto/wire"
	"turnwise/server/floor"
)

type agentService struct {
	*api
	pb.UnimplementedAgentServiceServer
}

func (s *agentService) ListAgents(ctx context.Context, r *pb.ListAgentsRequest) (*pb.ListAgentsResponse, error) {
	var v violations
	size := pageSize(r.GetPageSize(), &v)
	agents, err := s.floor.Agents(ctx)
	if err != nil {
		return nil, s.status.of("ListAgents", err)
	}
	list, next := page(agents, func(a floor.AgentView) string { return a.ID }, "agents", r.GetPageToken(), size, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	out := &pb.ListAgentsResponse{NextPageToken: next}
	for i := range list {
		out.Agents = append(out.Agents, agentToPB(&list[i]))
	}
	return out, nil
}

func (s *agentService) RegisterAgent(ctx context.Context, r *pb.RegisterAgentRequest) (*pb.RegisterAgentResponse, error) {
	var v violations
	id := strings.TrimPrefix(r.GetAgent(), "agents/")
	if !wire.ValidID(id) {
		v.add("agent", fmt.Sprintf("is %q, expected 1 to %d of a-z, 0-9, '-' and '_'", cut(id), wire.MaxIDLen))
	}
	machines := machineIDs("machines", r.GetMachines(), &v)
	if len(r.GetMachines()) == 0 {
		v.add("machines", "is empty, expected the machines that the agent speaks for")
	}
	slices.Sort(machines)
	machines = slices.Compact(machines)
	if err := v.err(); err != nil {
		return nil, err
	}
	created, err := s.st.RegisterAgent(ctx, id, machines, s.now(), r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("RegisterAgent", err)
	}
	out := &pb.RegisterAgentResponse{Agent: &pb.Agent{Name: "agents/" + id, Machines: machines}, CreatedMachines: created}
	if r.GetValidateOnly() {
		return out, nil
	}
	s.refresh(ctx)
	agents, err := s.floor.Agents(ctx)
	if err != nil {
		return nil, s.status.of("RegisterAgent", err)
	}
	if i := slices.IndexFunc(agents, func(a floor.AgentView) bool { return a.ID == id }); i >= 0 {
		out.Agent = agentToPB(&agents[i])
	}
	return out, nil
}

type bookService struct {
	*api
	pb.UnimplementedBookServiceServer
}

// ApplyBook needs no request id: a book applied twice changes nothing.
func (s *bookService) ApplyBook(ctx context.Context, r *pb.ApplyBookRequest) (*pb.ApplyBookResponse, error) {
	var v violations
	text("request_id", r.GetRequestId(), &v)
	book := bookFromPB(r.GetBook(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	change, err := s.st.ApplyBook(ctx, book, r.GetValidateOnly())
	if err != nil {
		return nil, s.status.of("ApplyBook", err)
	}
	if !r.GetValidateOnly() {
		s.refresh(ctx)
	}
	return &pb.ApplyBookResponse{
		CreatedCount: int32(change.Created), UpdatedCount: int32(change.Updated), SameCount: int32(change.Same), Changes: change.Lines,
	}, nil
}
