package api

import (
	"context"
	"slices"
	"strings"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
	"turnwise/server/store"
)

type orderService struct {
	*api
	pb.UnimplementedOrderServiceServer
}

func (s *orderService) ListOrders(ctx context.Context, r *pb.ListOrdersRequest) (*pb.ListOrdersResponse, error) {
	var v violations
	size := pageSize(r.GetPageSize(), &v)
	orders, err := s.floor.Orders(ctx)
	if err != nil {
		return nil, s.status.of("ListOrders", err)
	}
	key := func(o floor.OrderView) string { return o.ID }
	slices.SortFunc(orders, func(a, b floor.OrderView) int { return strings.Compare(a.ID, b.ID) })
	list, next := page(orders, key, "orders", r.GetPageToken(), size, &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	out := &pb.ListOrdersResponse{NextPageToken: next}
	for i := range list {
		out.Orders = append(out.Orders, orderToPB(&list[i], s.now()))
	}
	return out, nil
}

func (s *orderService) GetOrder(ctx context.Context, r *pb.GetOrderRequest) (*pb.GetOrderResponse, error) {
	var v violations
	id := strings.TrimPrefix(text("name", r.GetName(), &v), "orders/")
	if id == "" {
		v.add("name", "is empty, expected orders/ID")
	}
	if err := v.err(); err != nil {
		return nil, err
	}
	orders, err := s.floor.Orders(ctx)
	if err != nil {
		return nil, s.status.of("GetOrder", err)
	}
	i := slices.IndexFunc(orders, func(o floor.OrderView) bool { return o.ID == id })
	if i < 0 {
		return nil, s.status.of("GetOrder", store.Unknown("order", cut(id)))
	}
	return &pb.GetOrderResponse{Order: orderToPB(&orders[i], s.now())}, nil
}

func (s *orderService) QuotePromise(ctx context.Context, r *pb.QuotePromiseRequest) (*pb.QuotePromiseResponse, error) {
	var v violations
	article := text("article", r.GetArticle(), &v)
	if article == "" {
		v.add("article", "is empty, expected the id of an article in the book")
	}
	kg := finite("quantity_kg", r.GetQuantityKg(), 0, mostKg, &v)
	risk := finite("risk", r.GetRisk(), 0, 0.5, &v)
	machines := machineIDs("machines", r.GetMachines(), &v)
	if err := v.err(); err != nil {
		return nil, err
	}
	q, err := s.floor.Quote(ctx, article, kg, risk, machines)
	if err != nil {
		return nil, s.status.of("QuotePromise", err)
	}
	out := &pb.QuotePromiseResponse{PromiseTime: stamp(q.Promise), Finish: finishToPB(&q.Finish), Assumptions: q.Assumptions}
	for i := range q.Jobs {
		out.Jobs = append(out.Jobs, jobToPB(&q.Jobs[i], "", 0, s.now()))
	}
	return out, nil
}
