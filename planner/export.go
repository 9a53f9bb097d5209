package main

import (
	"context"
	"encoding/csv"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type ordersExportCmd struct{}

// Help has an example.
func (*ordersExportCmd) Help() string {
	return `CSV with every order, as orders import reads it, and with its machines, kilos and dates behind.
The calendar feed of the same orders is at /orders.ics of the pages' server.

Example:
  planner orders export > orders.csv`
}

// Run writes CSV unless JSON was asked for.
func (*ordersExportCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	all, err := s.allOrders(ctx)
	if err != nil {
		return s.explain(err)
	}
	if s.common.Output == "json" {
		data := []orderJSON{}
		for _, o := range all {
			data = append(data, orderFromPB(o))
		}
		return writeJSON(s.out, struct {
			Orders []orderJSON `json:"orders"`
		}{data})
	}
	w := csv.NewWriter(s.out)
	head := strings.Split(columnNames(), ", ")
	if err := w.Write(append(head, "machines", "counted_kg", "remaining_kg", "p50", "p80", "p90", "miss_chance")); err != nil {
		return err
	}
	for _, o := range all {
		if err := w.Write(exportRow(o)); err != nil {
			return err
		}
	}
	w.Flush()
	return w.Error()
}

func exportRow(o *pb.Order) []string {
	b := bookOrder(o)
	number := func(x float64) string {
		if x == 0 {
			return ""
		}
		return strconv.FormatFloat(x, 'f', -1, 64)
	}
	// To the millisecond and in UTC, so that an import of it changes nothing.
	instant := func(ts *timestamppb.Timestamp) string {
		if ts == nil {
			return ""
		}
		return ts.AsTime().Format(time.RFC3339Nano)
	}
	j := orderFromPB(o)
	oneLot := ""
	if b.OneLot {
		oneLot = "yes"
	}
	row := []string{
		b.Id, b.Article, strconv.FormatFloat(b.QuantityKg, 'f', -1, 64), instant(b.PromiseTime), number(b.DoneBeforeKg), number(b.Weight), instant(b.YarnFromTime),
		number(float64(b.PartCount)), oneLot, b.Lot, b.PinMachine, b.PinAfter,
		strings.Join(j.Machines, " "), rounded(j.CountedKg), rounded(j.RemainingKg),
	}
	for _, t := range []*time.Time{j.Finish.P50, j.Finish.P80, j.Finish.P90} {
		if t == nil || j.Finish.Refused != "" {
			row = append(row, "")
			continue
		}
		row = append(row, t.Truncate(time.Minute).Format(time.RFC3339))
	}
	if j.Finish.Refused != "" {
		return append(row, "")
	}
	return append(row, strconv.FormatFloat(j.Finish.MissChance, 'f', 3, 64))
}

func rounded(kg float64) string { return strconv.FormatFloat(kg, 'f', 1, 64) }
