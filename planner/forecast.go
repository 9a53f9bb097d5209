package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"turnwise/planner/outlook"
	pb "turnwise/proto/turnwisepb"
)

type forecastCmd struct {
	Order   string `arg:"" help:"Order, for example SO-1041."`
	Explain bool   `help:"Tell where the time goes and what would help most."`
}

// Help has an example.
func (*forecastCmd) Help() string {
	return "Each o is one of 20 equally likely finishing times, | is the promise.\n\nExample:\n  planner forecast SO-1041 --explain"
}

func (c *forecastCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.orders().GetOrder(ctx, &pb.GetOrderRequest{Name: "orders/" + strings.TrimPrefix(c.Order, "orders/")})
	if err != nil {
		return s.explain(err)
	}
	o := orderFromPB(r.GetOrder())
	if s.common.Output != "table" {
		return s.print(&listing{data: o})
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s  left %s of %s kg  promise %s\n\n", o.Order, kg(o.RemainingKg, "k"), kg(o.QuantityKg, "e"), s.clockOf(o.Promise))
	s.writeFinish(&b, &o.Finish, o.Promise)
	if f := &o.Finish; f.Refused == "" {
		if o.Promise != nil {
			fmt.Fprintf(&b, "  late by %.0f minf on average over all cases\n", f.Lateness)
		}
		if c.Explain {
			s.writeParts(&b, f)
		}
	}
	for _, why := range o.Why {
		fmt.Fprintf(&b, "why: %s\n", why)
	}
	_, err = fmt.Fprint(s.out, b.String())
	return err
}

// spent writes working minutes.
func spent(minutes float64) string {
	if minutes < 120 {
		return fmt.Sprintf("%.0f min", minutes)
	}
	return fmt.Sprintf("%.1f h", minutes/60)
}

// writeParts tells where the working time goes.
func (s *session) writeParts(b *strings.Builder, f *finishJSON) {
	if f.History != "" {
		fmt.Fprintf(b, "\nhistory of: %s", f.History)
		if f.Corrected > 0 {
			fmt.Fprintf(b, ", corrected by %d past forecasts", f.Corrected)
		}
		b.WriteString("\n")
	}
	parts := listing{head: []string{"  goes to", ">mean", ">share", ">90 %"}}
	for _, p := range f.Parts {
		parts.add("  "+outlook.Part{Kind: p.Kind, Cause: p.Cause}.Words(), fmt.Sprintf("%.0f minf", p.Mean), fmt.Sprintf("%.0f %%", 100*p.Share), fmt.Sprintf("%.0f minf", p.P90))
	}
	if len(parts.rows) > 0 {
		b.WriteString("\n")
		_ = parts.table(b) // a builder takes everything
		if !slices.ContainsFunc(f.Parts, func(p partJSON) bool { return p.Kind == outlook.PartWaiting }) {
			fmt.Fprintf(b, "  %s\n", outlook.WaitingNotKnown)
		}
	}
	for i, l := range f.Levers {
		if i == 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(b, "%s: the 90 %% date comes %s of work earlier\n", outlook.Lever{Kind: l.Kind, Cause: l.Cause}.Words(), spent(l.Gain))
	}
}
