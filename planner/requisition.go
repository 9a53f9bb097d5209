package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
)

type yarnRequisitionCmd struct {
	Lot      string   `arg:"" optional:"" help:"Lot to take from the store, for example L-430."`
	Machine  string   `arg:"" optional:"" help:"Machine that it is for, for example k05."`
	Kg       float64  `arg:"" optional:"" help:"Net kilos, without cores."`
	For      string   `xor:"until" help:"List what is needed until the end of this day: today, tomorrow or a date." placeholder:"tomorrow"`
	Hours    float64  `some:"" xor:"until" help:"List what is needed in so many hours from now." placeholder:"24"`
	Machines []string `help:"List for these machines; none = all." placeholder:"k01,k02"`
	change
}

// Help has an example.
func (*yarnRequisitionCmd) Help() string {
	return "Example:\n  planner yarn requisition --for tomorrow        what to fetch, by lot; nothing is moved\n  planner yarn requisition L-430 k05 181.4       take it to the machine\n\n" +
		"Needed are whole cones, each put on when its place is empty, of machines that run as well as they do in 1 of 10 cases: 9 of 10 times it is enough.\n" +
		"To fetch is what is needed less what stands at the machines and is not on a creel. Days end at midnight of this computer's zone, or of --zone."
}

func (c *yarnRequisitionCmd) Run(ctx context.Context, s *session) error {
	list, moves := c.For != "" || c.Hours != 0, c.Lot != "" || c.Machine != "" || c.Kg != 0
	switch {
	case list && moves:
		return usage("either list what is needed, with --for or --hours, or take a lot to a machine")
	case moves && (c.Lot == "" || c.Machine == "" || len(c.Machines) > 0):
		return usage("to take yarn from the store: planner yarn requisition LOT MACHINE KG")
	case moves:
		m := lotMove{Lot: c.Lot, Machine: c.Machine, Kg: c.Kg, change: c.change}
		return m.move(ctx, s, pb.LotMove_LOT_MOVE_REQUISITION)
	case !list:
		return usage("say until when to list what is needed: --for tomorrow or --hours 24; or take yarn: planner yarn requisition LOT MACHINE KG")
	}
	until, err := c.until(s.now().In(s.zone))
	if err != nil {
		return err
	}
	return c.draft(ctx, s, until)
}

func (c *yarnRequisitionCmd) until(now time.Time) (time.Time, error) {
	if c.For == "" {
		if !(c.Hours > 0 && c.Hours <= 14*24) {
			return time.Time{}, usage("--hours %g: expected above 0 and at most %d", c.Hours, 14*24)
		}
		return now.Add(time.Duration(c.Hours * float64(time.Hour))), nil
	}
	y, m, d := now.Date()
	switch c.For {
	case "today":
		return time.Date(y, m, d+1, 0, 0, 0, 0, now.Location()), nil
	case "tomorrow":
		return time.Date(y, m, d+2, 0, 0, 0, 0, now.Location()), nil
	}
	day, err := time.ParseInLocation(time.DateOnly, c.For, now.Location())
	if err != nil {
		return time.Time{}, usage("--for %q: expected today, tomorrow or a date as 2026-11-29", c.For)
	}
	return day.AddDate(0, 0, 1), nil
}

// needJSON is yarn to fetch as scripts read it.
type needJSON struct {
	Lot         string          `json:"lot"`
	Yarn        string          `json:"yarn"`
	Tip         string          `json:"tip"`
	Cones       int64           `json:"cones"`
	NeedKg      float64         `json:"need_kg"`
	AtMachineKg float64         `json:"at_machine_kg"`
	FetchKg     float64         `json:"fetch_kg"`
	StoreKg     float64         `json:"store_kg"`
	ShortKg     float64         `json:"short_kg"`
	Machines    []needShareJSON `json:"machines"`
}

type needShareJSON struct {
	Machine   string     `json:"machine"`
	FeedGroup string     `json:"feed_group"`
	Order     string     `json:"order"`
	Cones     int64      `json:"cones"`
	NeedKg    float64    `json:"need_kg"`
	FetchKg   float64    `json:"fetch_kg"`
	First     *time.Time `json:"first"`
}

func (c *yarnRequisitionCmd) draft(ctx context.Context, s *session, until time.Time) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().DraftRequisition(ctx, &pb.DraftRequisitionRequest{UntilTime: timestamppb.New(until), Machines: machineNames(c.Machines)})
	if err != nil {
		return s.explain(err)
	}
	l := listing{head: []string{"lot", "yarn", "tip", ">cones", ">needed kg", ">at machines kg", ">to fetch kg", ">store kg", ">short kg", "for"}, empty: "the creels need nothing until " + s.clock(until)}
	data := []needJSON{}
	for _, x := range answer.GetLines() {
		j := needJSON{Lot: strings.TrimPrefix(x.GetLot(), "lots/"), Yarn: x.GetYarn(), Tip: x.GetTip(), Cones: int64(x.GetConeCount()), NeedKg: x.GetNeedKg().GetValue(),
			AtMachineKg: x.GetAtMachineKg().GetValue(), FetchKg: x.GetFetchKg().GetValue(), StoreKg: x.GetStoreKg().GetValue(), ShortKg: x.GetShortKg().GetValue(), Machines: []needShareJSON{}}
		var words []string
		for _, m := range x.GetShares() {
			j.Machines = append(j.Machines, needShareJSON{m.GetMachine(), m.GetFeedGroup(), m.GetOrder(), int64(m.GetConeCount()), m.GetNeedKg(), m.GetFetchKg(), when(m.GetFirstTime())})
			words = append(words, fmt.Sprintf("%s %d from %sf", strings.ToUpper(m.GetMachine()), m.GetConeCount(), s.clockOf(when(m.GetFirstTime()))))
		}
		data = append(data, j)
		short := ""
		if j.ShortKg > 0.05 {
			short = fmt.Sprintf("%.1fk", j.ShortKg)
		}
		lot := j.Lot
		if lot == "" {
			lot = "any"
		}
		l.add(lot, j.Yarn, j.Tip, strconv.FormatInt(j.Cones, 10)+"f", fmt.Sprintf("%.1ff", j.NeedKg), fmt.Sprintf("%.1fe", j.AtMachineKg), fmt.Sprintf("%.1ff", j.FetchKg),
			fmt.Sprintf("%.1fe", j.StoreKg), short, strings.Join(words, ", "))
	}
	l.data = struct {
		At       *time.Time `json:"at"`
		Until    *time.Time `json:"until"`
		Lots     []needJSON `json:"lots"`
		Warnings []string   `json:"warnings"`
	}{when(answer.GetAsOfTime()), when(answer.GetUntilTime()), data, some(answer.GetWarnings())}
	if err := s.print(&l); err != nil {
		return err
	}
	if s.common.Output != "json" && s.common.Output != "csv" {
		for _, w := range answer.GetWarnings() {
			fmt.Fprintln(s.err, "warning: "+w)
		}
	}
	return nil
}
