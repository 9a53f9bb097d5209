package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type yarnCmd struct {
	Lots        yarnLotsCmd        `cmd:"" default:"1" help:"Lots: kilos in the store, at machines and on creels."`
	Requisition yarnRequisitionCmd `cmd:"" help:"What the creels need until an instant; or take yarn of a lot from the store to a machine."`
	Return      yarnReturnCmd      `cmd:"" help:"Bring yarn of a lot back to the store."`
	Release     yarnReleaseCmd     `cmd:"" help:"Let a lot onto a machine whose card names another lot of the same yarn."`
}

type yarnLotsCmd struct{}

type lotJSON struct {
	Lot         string        `json:"lot"`
	Yarn        string        `json:"yarn"`
	Tip         string        `json:"tip"`
	StoreKg     float64       `json:"store_kg"`
	AtMachineKg float64       `json:"at_machine_kg"`
	OnCreelKg   float64       `json:"on_creel_kg"`
	Orders      []string      `json:"orders"`
	Machines    []string      `json:"machines"`
	Releases    []releaseJSON `json:"releases"`

	FreeKg       float64           `json:"free_kg"`
	ShortKg      float64           `json:"short_kg"`
	Reservations []reservationJSON `json:"reservations"`
	Draws        []drawJSON        `json:"draws"`
}

// reservationJSON is yarn that an order still needs.
type reservationJSON struct {
	Order     string  `json:"order"`
	NeedKg    float64 `json:"need_kg"`
	CoveredKg float64 `json:"covered_kg"`
	ShortKg   float64 `json:"short_kg"`
}

// drawJSON is a machine that knits a lot. Rolls and cut are 0 while there is more of the lot
// than its cones.
type drawJSON struct {
	Machine   string  `json:"machine"`
	KgPerHour float64 `json:"kg_per_hour"`
	HoursLeft float64 `json:"hours_left"`
	LotEnds   bool    `json:"lot_ends"`
	Clean     int64   `json:"clean_rolls"`
	Risk      int64   `json:"risk_rolls"`
	CutAt     int64   `json:"cut_revolutions"`
}

type releaseJSON struct {
	Machine string     `json:"machine"`
	Role    string     `json:"role"`
	Reason  string     `json:"reason"`
	At      *time.Time `json:"at"`
}

func lotFromPB(l *pb.Lot) lotJSON {
	out := lotJSON{
		Lot: strings.TrimPrefix(l.GetName(), "lots/"), Yarn: l.GetYarn(), Tip: l.GetTip(), StoreKg: l.GetStoreKg().GetValue(),
		AtMachineKg: l.GetAtMachineKg().GetValue(), OnCreelKg: l.GetOnCreelKg().GetValue(),
		Orders: append([]string{}, l.GetOrders()...), Machines: append([]string{}, l.GetMachines()...), Releases: []releaseJSON{},
		FreeKg: l.GetFreeKg().GetValue(), ShortKg: l.GetShortKg().GetValue(), Reservations: []reservationJSON{}, Draws: []drawJSON{},
	}
	for _, r := range l.GetReservations() {
		out.Reservations = append(out.Reservations, reservationJSON{r.GetOrder(), r.GetNeedKg().GetValue(), r.GetCoveredKg().GetValue(), r.GetShortKg().GetValue()})
	}
	for _, d := range l.GetDraws() {
		c := d.GetChange()
		out.Draws = append(out.Draws, drawJSON{d.GetMachine(), d.GetKgPerHour(), d.GetHoursLeft(), c != nil, int64(c.GetCleanRollCount()), int64(c.GetRiskRollCount()), c.GetCutRevolutionCount()})
	}
	for _, r := range l.GetReleases() {
		out.Releases = append(out.Releases, releaseJSON{strings.TrimPrefix(r.GetMachine(), "machines/"), r.GetRole(), r.GetReason(), when(r.GetReleaseTime())})
	}
	return out
}

func (c *yarnLotsCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	data := []lotJSON{}
	for token := ""; ; {
		answer, err := s.creels().ListLots(ctx, &pb.ListLotsRequest{PageSize: 1000, PageToken: token})
		if err != nil {
			return s.explain(err)
		}
		for _, l := range answer.GetLots() {
			data = append(data, lotFromPB(l))
		}
		if token = answer.GetNextPageToken(); token == "" {
			break
		}
	}
	return s.printLots(data, false)
}

func (s *session) printLots(data []lotJSON, dry bool) error {
	l := listing{head: []string{"lot", "yarn", "tip", ">store kg", ">at machines kg", ">on creels kg", ">free kg", ">short kg", "machines", "orders", ""}, empty: "the book has no lots"}
	for _, x := range data {
		short := ""
		if x.ShortKg > 0.05 {
			short = fmt.Sprintf("%.1fk", x.ShortKg)
		}
		l.add(x.Lot, x.Yarn, x.Tip, fmt.Sprintf("%.1fe", x.StoreKg), fmt.Sprintf("%.1fe", x.AtMachineKg), fmt.Sprintf("%.1fk", x.OnCreelKg),
			fmt.Sprintf("%.1fk", x.FreeKg), short, drawWords(x.Draws, x.Machines), reservedWords(x), dryNote(dry))
	}
	l.data = struct {
		Lots   []lotJSON `json:"lots"`
		DryRun bool      `json:"dry_run"`
	}{data, dry}
	return s.print(&l)
}

// drawWords are the machines of a lot with the hours for which it lasts them.
func drawWords(draws []drawJSON, machines []string) string {
	var words []string
	for _, d := range draws {
		w := strings.ToUpper(d.Machine)
		if d.HoursLeft > 0 {
			w += fmt.Sprintf(" %.0ff h", d.HoursLeft)
		}
		if d.LotEnds {
			w += fmt.Sprintf(" (lot ends: %d rolls clean, %d at risk)", d.Clean, d.Risk)
		}
		words = append(words, w)
	}
	if len(words) == 0 {
		return strings.ToUpper(strings.Join(machines, " "))
	}
	return strings.Join(words, ", ")
}

// reservedWords are the orders of a lot with what they still need of it.
func reservedWords(x lotJSON) string {
	var words []string
	for _, r := range x.Reservations {
		w := fmt.Sprintf("%s %.0f kg", r.Order, r.NeedKg)
		if r.ShortKg > 0.5 {
			w += fmt.Sprintf(", short %.0f", r.ShortKg)
		}
		words = append(words, w)
	}
	for _, o := range x.Orders {
		if !strings.Contains(strings.Join(words, " "), o) {
			words = append(words, o)
		}
	}
	return strings.Join(words, "; ")
}

// lotMove is a lot, a machine and net kilos.
type lotMove struct {
	Lot     string  `arg:"" help:"Lot, for example L-430."`
	Machine string  `arg:"" help:"Machine, for example k05."`
	Kg      float64 `arg:"" help:"Net kilos, without cores."`
	change
}

func (c *lotMove) move(ctx context.Context, s *session, way pb.LotMove) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().MoveLot(ctx, &pb.MoveLotRequest{
		Lot: "lots/" + strings.TrimPrefix(c.Lot, "lots/"), Move: way, Machine: machineName(c.Machine), NetKg: c.Kg, RequestId: c.request(), ValidateOnly: c.DryRun,
	})
	if err != nil {
		return s.explain(err)
	}
	return s.printLots([]lotJSON{lotFromPB(answer.GetLot())}, c.DryRun)
}

type yarnReturnCmd struct{ lotMove }

// Help has an example.
func (*yarnReturnCmd) Help() string { return "Example:\n  planner yarn return L-430 k05 12.6" }

func (c *yarnReturnCmd) Run(ctx context.Context, s *session) error {
	return c.move(ctx, s, pb.LotMove_LOT_MOVE_RETURN)
}

type yarnReleaseCmd struct {
	Lot     string `arg:"" help:"Lot that may be knitted, for example L-431."`
	Machine string `arg:"" help:"Machine, for example k05."`
	Role    string `required:"" help:"Role of whoever releases; names are not kept." placeholder:"'shift supervisor'"`
	Reason  string `required:"" help:"Why the other lot may be knitted." placeholder:"WORDS"`
	change
}

// Help has an example.
func (*yarnReleaseCmd) Help() string {
	return "Example:\n  planner yarn release L-431 k05 --role 'shift supervisor' --reason 'same spinning lot, next shipment'"
}

func (c *yarnReleaseCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().ReleaseLot(ctx, &pb.ReleaseLotRequest{
		Lot: "lots/" + strings.TrimPrefix(c.Lot, "lots/"), Machine: machineName(c.Machine), Role: c.Role, Reason: c.Reason,
		RequestId: c.request(), ValidateOnly: c.DryRun,
	})
	if err != nil {
		return s.explain(err)
	}
	r := answer.GetRelease()
	lot, machine := strings.TrimPrefix(r.GetLot(), "lots/"), strings.TrimPrefix(r.GetMachine(), "machines/")
	l := listing{head: []string{"lot", "machine", "role", "reason", ""}}
	l.add(lot, strings.ToUpper(machine), r.GetRole(), r.GetReason(), dryNote(c.DryRun))
	l.data = struct {
		Lot string `json:"lot"`
		releaseJSON
		DryRun bool `json:"dry_run"`
	}{lot, releaseJSON{machine, r.GetRole(), r.GetReason(), when(r.GetReleaseTime())}, c.DryRun}
	return s.print(&l)
}
