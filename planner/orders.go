package main

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type ordersCmd struct {
	List ordersListCmd `cmd:"" default:"1" help:"Every order, those in danger first."`
	Show ordersShowCmd `cmd:"" help:"One order: where its kilos are and when it is done."`

	Import ordersImportCmd `cmd:"" help:"Orders from a CSV or XLSX file into the book."`
	Export ordersExportCmd `cmd:"" help:"All orders as CSV, ready to be imported again."`
}

type ordersListCmd struct{}

type ordersShowCmd struct {
	ID string `arg:"" help:"Order, for example SO-1041."`
}

// orderJSON is an order as scripts read it.
type orderJSON struct {
	Order       string     `json:"order"`
	Article     string     `json:"article"`
	Machines    []string   `json:"machines"`
	QuantityKg  float64    `json:"quantity_kg"`
	CountedKg   float64    `json:"counted_kg"`
	WeighedKg   float64    `json:"weighed_kg"`
	DoneBefore  float64    `json:"done_before_kg"`
	RemainingKg float64    `json:"remaining_kg"`
	Promise     *time.Time `json:"promise"`
	Finish      finishJSON `json:"finish"`
	Jobs        []jobJSON  `json:"jobs"`
	Why         []string   `json:"why"`
	Yarn        []yarnJSON `json:"yarn"`
}

type finishJSON struct {
	P10        *time.Time   `json:"p10"`
	P50        *time.Time   `json:"p50"`
	P80        *time.Time   `json:"p80"`
	P90        *time.Time   `json:"p90"`
	P95        *time.Time   `json:"p95"`
	Beads      []*time.Time `json:"beads"` // 20 equally likely times
	MissChance float64      `json:"miss_chance"`
	Lateness   float64      `json:"expected_lateness_min"`
	Refused    string       `json:"refused"`
	Basis      []string     `json:"basis"`
	History    string       `json:"history"`      // whose stops it rests on
	Corrected  int64        `json:"corrected_by"` // past forecasts
	Parts      []partJSON   `json:"parts"`
	Levers     []leverJSON  `json:"levers"`
}

// partJSON is working time until the finish that goes to one thing.
type partJSON struct {
	Kind  string  `json:"kind"`
	Cause string  `json:"cause"`
	Mean  float64 `json:"mean_min"`
	P90   float64 `json:"p90_min"`
	Share float64 `json:"share"`
}

// leverJSON is what a finish would gain without one thing.
type leverJSON struct {
	Kind  string  `json:"kind"`
	Cause string  `json:"cause"`
	Gain  float64 `json:"p90_gain_min"`
}

type jobJSON struct {
	Machine     string     `json:"machine"`
	Card        string     `json:"card"`
	CountedKg   float64    `json:"counted_kg"`
	RemainingKg float64    `json:"remaining_kg"`
	Finish      finishJSON `json:"finish"`
}

type yarnJSON struct {
	Yarn        string  `json:"yarn"`
	Lot         string  `json:"lot"`
	StoreKg     float64 `json:"store_kg"`
	CreelKg     float64 `json:"creel_kg"`
	AtMachineKg float64 `json:"at_machine_kg"`
	NeededKg    float64 `json:"needed_kg"`
	ShortKg     float64 `json:"short_kg"`
}

func finishFromPB(f *pb.FinishForecast) finishJSON {
	j := finishJSON{
		P10: when(f.GetP10Time()), P50: when(f.GetP50Time()), P80: when(f.GetP80Time()), P90: when(f.GetP90Time()), P95: when(f.GetP95Time()),
		MissChance: f.GetMissChance(), Lateness: f.GetExpectedLateness().AsDuration().Minutes(), Refused: f.GetRefused(), Basis: some(f.GetBasis()), Beads: []*time.Time{},
		History: f.GetHistory(), Corrected: int64(f.GetCorrectedByCount()), Parts: []partJSON{}, Levers: []leverJSON{},
	}
	for _, p := range f.GetParts() {
		j.Parts = append(j.Parts, partJSON{p.GetKind(), p.GetCause(), p.GetMeanMinutes(), p.GetP90Minutes(), p.GetShare()})
	}
	for _, l := range f.GetLevers() {
		j.Levers = append(j.Levers, leverJSON{l.GetKind(), l.GetCause(), l.GetP90GainMinutes()})
	}
	for _, t := range f.GetFinishTimes() {
		j.Beads = append(j.Beads, when(t))
	}
	return j
}

func jobsFromPB(jobs []*pb.Job) []jobJSON {
	out := []jobJSON{}
	for _, j := range jobs {
		out = append(out, jobJSON{
			Machine: j.GetMachine(), Card: j.GetKnitCard(), CountedKg: j.GetCountedKg().GetValue(),
			RemainingKg: j.GetRemainingKg().GetValue(), Finish: finishFromPB(j.GetFinish()),
		})
	}
	return out
}

func orderFromPB(o *pb.Order) orderJSON {
	j := orderJSON{
		Order: strings.TrimPrefix(o.GetName(), "orders/"), Article: o.GetArticle(), Machines: []string{},
		QuantityKg: o.GetQuantityKg().GetValue(), CountedKg: o.GetCountedKg().GetValue(), WeighedKg: o.GetWeighedKg().GetValue(), DoneBefore: o.GetDoneBeforeKg(),
		RemainingKg: o.GetRemainingKg().GetValue(), Promise: when(o.GetPromiseTime()), Finish: finishFromPB(o.GetFinish()),
		Jobs: jobsFromPB(o.GetJobs()), Why: some(o.GetWhy()), Yarn: []yarnJSON{},
	}
	for _, job := range j.Jobs {
		j.Machines = append(j.Machines, job.Machine)
	}
	for _, y := range o.GetYarn().GetLots() {
		j.Yarn = append(j.Yarn, yarnJSON{
			Yarn: y.GetYarn(), Lot: y.GetLot(), StoreKg: y.GetStoreKg().GetValue(), CreelKg: y.GetCreelKg().GetValue(),
			AtMachineKg: y.GetAtMachineKg().GetValue(), NeededKg: y.GetNeededKg().GetValue(), ShortKg: y.GetShortKg().GetValue(),
		})
	}
	return j
}

func (c *ordersListCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	l := listing{head: []string{"order", "article", "machines", ">kg", ">left", "promise", "50 %", "80 %", "90 %", ">late", "why"}, empty: "no orders; apply a book with `planner book apply FILE.yaml`"}
	data := []orderJSON{}
	for token := ""; ; {
		r, err := s.orders().ListOrders(ctx, &pb.ListOrdersRequest{PageSize: pageSize, PageToken: token})
		if err != nil {
			return s.explain(err)
		}
		for _, o := range r.GetOrders() {
			j := orderFromPB(o)
			data = append(data, j)
		}
		if token = r.GetNextPageToken(); token == "" {
			break
		}
	}
	// Those in danger first, those that are done last.
	danger := func(o orderJSON) float64 {
		switch {
		case o.RemainingKg <= 0:
			return -1
		case o.Finish.Refused != "":
			return 2
		}
		return o.Finish.MissChance
	}
	slices.SortStableFunc(data, func(a, b orderJSON) int { return cmp.Compare(danger(b), danger(a)) })
	for i := range data {
		l.add(s.orderRow(&data[i])...)
	}
	l.data = struct {
		Orders []orderJSON `json:"orders"`
	}{data}
	return s.print(&l)
}

func (s *session) orderRow(j *orderJSON) []string {
	why := ""
	if len(j.Why) > 0 {
		why = j.Why[0]
	}
	late, none := "?", "?"
	if j.RemainingKg <= 0 {
		late, none = "-", "done"
	}
	date := func(t *time.Time) string {
		if t == nil {
			return none
		}
		return s.clock(*t) + "f"
	}
	if j.Finish.Refused != "" {
		why = j.Finish.Refused
	} else if j.Promise != nil {
		late = twentieths(j.Finish.MissChance)
	}
	return []string{
		j.Order, j.Article, strings.ToUpper(strings.Join(j.Machines, "+")), kg(j.QuantityKg, "e"), kg(j.RemainingKg, "k"),
		s.clockOf(j.Promise), date(j.Finish.P50), date(j.Finish.P80), date(j.Finish.P90), late, why,
	}
}

// twentieths writes a chance as people count beads.
func twentieths(chance float64) string {
	n := int(math.Round(chance * 20))
	if n == 0 && chance > 0 {
		return "<1/20f"
	}
	return fmt.Sprintf("%d/20f", n)
}

func (c *ordersShowCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.orders().GetOrder(ctx, &pb.GetOrderRequest{Name: "orders/" + strings.TrimPrefix(c.ID, "orders/")})
	if err != nil {
		return s.explain(err)
	}
	o := orderFromPB(r.GetOrder())
	if s.common.Output != "table" {
		return s.print(&listing{data: o})
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%s  %s  %s kg  promise %s\n\n", o.Order, o.Article, kg(o.QuantityKg, "e"), s.clockOf(o.Promise))
	b.WriteString(balanceLine(&o) + "\n\n")
	s.writeFinish(&b, &o.Finish, o.Promise)
	for _, j := range o.Jobs {
		fmt.Fprintf(&b, "  %s  counted %s kg, left %s kg", strings.ToUpper(j.Machine), kg(j.CountedKg, "c"), kg(j.RemainingKg, "k"))
		if j.Finish.P90 != nil {
			fmt.Fprintf(&b, ", 90 %% by %sf", s.clockOf(j.Finish.P90))
		}
		b.WriteString("\n")
	}
	for _, why := range o.Why {
		fmt.Fprintf(&b, "why: %s\n", why)
	}
	for _, y := range o.Yarn {
		fmt.Fprintf(&b, "yarn %s %s: store %s + creel %s + at machine %s, needed %s kg", y.Yarn, y.Lot, kg(y.StoreKg, "e"), kg(y.CreelKg, "k"), kg(y.AtMachineKg, "e"), kg(y.NeededKg, "k"))
		if y.ShortKg > 0 {
			fmt.Fprintf(&b, ", SHORT by %s kg", kg(y.ShortKg, "k"))
		}
		b.WriteString("\n")
	}
	_, err = fmt.Fprint(s.out, b.String())
	return err
}

// writeFinish writes the beads of a forecast, or why there is none.
func (s *session) writeFinish(b *strings.Builder, f *finishJSON, promise *time.Time) {
	if f.Refused != "" {
		fmt.Fprintf(b, "no forecast: %s\n", f.Refused)
		return
	}
	b.WriteString(beads(f.Beads, promise, s.now(), s.zone))
	for _, q := range []struct {
		name string
		t    *time.Time
	}{{"50 %", f.P50}, {"80 %", f.P80}, {"90 %", f.P90}, {"95 %", f.P95}} {
		if q.t != nil {
			fmt.Fprintf(b, "  %s by %sf", q.name, s.clockOf(q.t))
		}
	}
	if promise != nil {
		fmt.Fprintf(b, "  late %s", twentieths(f.MissChance))
	}
	b.WriteString("\n")
	for _, basis := range f.Basis {
		fmt.Fprintf(b, "  rests on %s\n", basis)
	}
}

type promiseCmd struct {
	Article  string   `required:"" help:"Article of the book." placeholder:"pq24-ne26"`
	Kg       float64  `required:"" help:"Kilos of greige fabric." placeholder:"6000"`
	Risk     float64  `default:"0.1" help:"Chance to be late that is accepted, 0.01 to 0.5."`
	Machines []string `help:"Machines to use; none = the best of those with a card." placeholder:"k07,k08"`
}

// leastPromisedKg is the least that tables show, which tell tenths of kilos.
const leastPromisedKg = 0.1

// Help has an example.
func (*promiseCmd) Help() string {
	return "Each o is one of 20 equally likely finishing times, | is the date that is told.\n\nExample:\n  planner promise --article pq24-ne26 --kg 6000 --risk 0.1"
}

func (c *promiseCmd) Run(ctx context.Context, s *session) error {
	if !(c.Kg >= leastPromisedKg) {
		return usage("--kg %g: expected %g or more", c.Kg, leastPromisedKg)
	}
	if !(c.Risk >= 0.01 && c.Risk <= 0.5) {
		return usage("--risk %g: expected 0.01 to 0.5", c.Risk)
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.orders().QuotePromise(ctx, &pb.QuotePromiseRequest{Article: c.Article, QuantityKg: c.Kg, Risk: c.Risk, Machines: machineNames(c.Machines)})
	if err != nil {
		return s.explain(err)
	}
	j := struct {
		Article     string     `json:"article"`
		QuantityKg  float64    `json:"quantity_kg"`
		Risk        float64    `json:"risk"`
		Promise     *time.Time `json:"promise"`
		Finish      finishJSON `json:"finish"`
		Jobs        []jobJSON  `json:"jobs"`
		Assumptions []string   `json:"assumptions"`
	}{c.Article, c.Kg, c.Risk, when(r.GetPromiseTime()), finishFromPB(r.GetFinish()), jobsFromPB(r.GetJobs()), some(r.GetAssumptions())}
	if s.common.Output != "table" {
		if err := s.print(&listing{data: j}); err != nil {
			return err
		}
	} else if j.Finish.Refused == "" {
		var b strings.Builder
		if j.Promise != nil {
			fmt.Fprintf(&b, "%s kg of %s: %sf, late in %g of 100 cases\n\n", kg(c.Kg, "e"), c.Article, j.Promise.In(s.zone).Format("Mon 2 Jan 2006 15:04"), c.Risk*100)
		}
		s.writeFinish(&b, &j.Finish, j.Promise)
		for _, job := range j.Jobs {
			fmt.Fprintf(&b, "  %s  %s kg\n", strings.ToUpper(job.Machine), kg(job.RemainingKg, "k"))
		}
		for _, a := range j.Assumptions {
			fmt.Fprintf(&b, "assumed: %s\n", a)
		}
		if _, err := fmt.Fprint(s.out, b.String()); err != nil {
			return err
		}
	}
	if j.Finish.Refused != "" {
		return &exitError{exitRefused, fmt.Errorf("no date for %s: %s", c.Article, j.Finish.Refused)}
	}
	return nil
}
