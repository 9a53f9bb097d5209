package api

import (
	"context"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

func (s *creelService) DraftRequisition(ctx context.Context, r *pb.DraftRequisitionRequest) (*pb.DraftRequisitionResponse, error) {
	var v violations
	until := instant("until_time", r.GetUntilTime(), &v)
	if r.GetUntilTime() == nil {
		v.add("until_time", "is absent, expected until when the creels must have yarn")
	}
	machines := machineIDs("machines", r.GetMachines(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	if err := s.knows("DraftRequisition", machines...); err != nil {
		return nil, err
	}
	view, err := s.floor.Requisition(ctx, machines, until)
	if err != nil {
		return nil, s.status.of("DraftRequisition", err)
	}
	out := &pb.DraftRequisitionResponse{AsOfTime: stamp(view.At), UntilTime: stamp(view.Until), Warnings: view.Warnings}
	for i := range view.Lines {
		out.Lines = append(out.Lines, requisitionToPB(&view.Lines[i]))
	}
	return out, nil
}

func requisitionToPB(l *floor.RequisitionLine) *pb.RequisitionLine {
	kg := func(x float64, p pb.Provenance) *pb.Figure { return &pb.Figure{Value: x, Unit: unitKg, Provenance: p} }
	const entered, forecast, calculated = pb.Provenance_PROVENANCE_ENTERED, pb.Provenance_PROVENANCE_FORECAST, pb.Provenance_PROVENANCE_CALCULATED
	out := &pb.RequisitionLine{
		Yarn: l.Yarn, Tip: l.Tip, ConeCount: int32(l.Cones), NeedKg: kg(l.NeedKg, forecast), AtMachineKg: kg(l.AtMachineKg, entered),
		FetchKg: kg(l.FetchKg, forecast), ShortKg: kg(l.ShortKg, calculated), StoreKg: kg(l.StoreKg, entered),
	}
	if l.Lot != "" {
		out.Lot = "lots/" + l.Lot
	}
	for _, x := range l.Shares {
		out.Shares = append(out.Shares, &pb.RequisitionShare{
			Machine: x.Machine, FeedGroup: x.Group, Order: x.Order, ConeCount: int32(x.Cones), NeedKg: x.NeedKg, AtMachineKg: x.AtMachineKg, FetchKg: x.FetchKg, FirstTime: stamp(x.First),
		})
	}
	return out
}
