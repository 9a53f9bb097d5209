package api

import (
	"fmt"

	pb "turnwise/proto/turnwisepb"
	"turnwise/server/store"
)

// Bounds of what a book may say. They catch slips of the pen; what fits
// together is for the store to judge.
const (
	mostKg      = 1e7
	mostCount   = 100000
	mostRPM     = 200
	mostCourseM = 1000
)

// bookFromPB reads a book; faults name the entry and the field.
func bookFromPB(b *pb.Book, v *violations) store.Book {
	var out store.Book
	if b == nil {
		v.add("book", "is missing")
		return out
	}
	total := len(b.GetMachines()) + len(b.GetAgents()) + len(b.GetYarns()) + len(b.GetLots()) + len(b.GetArticles()) +
		len(b.GetCards()) + len(b.GetOrders()) + len(b.GetAssignments()) + len(b.GetSetups()) + len(b.GetCare()) + len(b.GetCylinders())
	if total > maxList {
		v.add("book", fmt.Sprintf("has %d entries, at most %d are allowed at a time; apply it in parts", total, maxList))
		return out
	}
	for i, m := range b.GetMachines() {
		out.Machines = append(out.Machines, bookMachine(fmt.Sprintf("book.machines[%d]", i), m, v))
	}
	for i, a := range b.GetAgents() {
		at := fmt.Sprintf("book.agents[%d]", i)
		out.Agents = append(out.Agents, store.BookAgent{
			ID: text(at+".id", a.GetId(), v), Machines: machineIDs(at+".machines", a.GetMachines(), v),
		})
	}
	for i, y := range b.GetYarns() {
		at := fmt.Sprintf("book.yarns[%d]", i)
		out.Yarns = append(out.Yarns, store.Yarn{
			ID: text(at+".id", y.GetId(), v), Count: text(at+".count", y.GetCount(), v), Fibre: text(at+".fibre", y.GetFibre(), v),
			ConeNetKg: finite(at+".cone_net_kg", y.GetConeNetKg(), 0, 100, v), ConeCV: finite(at+".cone_mass_cv", y.GetConeMassCv(), 0, 1, v),
		})
	}
	for i, l := range b.GetLots() {
		at := fmt.Sprintf("book.lots[%d]", i)
		out.Lots = append(out.Lots, store.Lot{
			ID: text(at+".id", l.GetId(), v), Yarn: text(at+".yarn", l.GetYarn(), v), Tip: text(at+".tip", l.GetTip(), v),
			StoreKg: finite(at+".store_kg", l.GetStoreKg(), 0, mostKg, v), AtMachineKg: finite(at+".at_machine_kg", l.GetAtMachineKg(), 0, mostKg, v),
		})
	}
	for i, a := range b.GetArticles() {
		at := fmt.Sprintf("book.articles[%d]", i)
		out.Articles = append(out.Articles, store.Article{
			ID: text(at+".id", a.GetId(), v), Name: text(at+".display_name", a.GetDisplayName(), v), Structure: text(at+".structure", a.GetStructure(), v),
			RollKg: finite(at+".roll_kg", a.GetRollKg(), 0, 1000, v), WasteRatio: finite(at+".waste_ratio", a.GetWasteRatio(), 0, 0.9, v),
			DiameterInch: finite(at+".diameter_inch", a.GetDiameterInch(), 0, 100, v), GaugeNPI: finite(at+".gauge_npi", a.GetGaugeNpi(), 0, 100, v),
			Beds: whole(at+".bed_count", int64(a.GetBedCount()), 0, mostCount, v),
		})
	}
	for i, c := range b.GetCards() {
		out.Cards = append(out.Cards, bookCard(fmt.Sprintf("book.cards[%d]", i), c, v))
	}
	for i, o := range b.GetOrders() {
		out.Orders = append(out.Orders, bookOrder(fmt.Sprintf("book.orders[%d]", i), o, v))
	}
	for i, x := range b.GetSetups() {
		out.Setups = append(out.Setups, bookSetup(fmt.Sprintf("book.setups[%d]", i), x, v))
	}
	for i, x := range b.GetCare() {
		out.Care = append(out.Care, bookCare(fmt.Sprintf("book.care[%d]", i), x, v))
	}
	for i, x := range b.GetCylinders() {
		at := fmt.Sprintf("book.cylinders[%d]", i)
		out.Cylinders = append(out.Cylinders, store.Cylinder{
			ID: text(at+".id", x.GetId(), v), DiameterInch: finite(at+".diameter_inch", x.GetDiameterInch(), 0, 100, v),
			GaugeNPI: finite(at+".gauge_npi", x.GetGaugeNpi(), 0, 100, v), Machines: machineIDs(at+".machines", x.GetMachines(), v), Remove: x.GetRemove(),
		})
	}
	for i, a := range b.GetAssignments() {
		at := fmt.Sprintf("book.assignments[%d]", i)
		if a.GetFromTime() == nil {
			v.add(at+".from_time", "is missing")
		}
		out.Assignments = append(out.Assignments, store.Assignment{
			Machine: machineID(at+".machine", a.GetMachine(), v), From: instant(at+".from_time", a.GetFromTime(), v),
			Order: text(at+".order", a.GetOrder(), v), Card: text(at+".card", a.GetCard(), v),
			QuantityKg: finite(at+".quantity_kg", a.GetQuantityKg(), 0, mostKg, v), Planned: a.GetPlanned(),
		})
	}
	return out
}

func bookOrder(at string, o *pb.BookOrder, v *violations) store.Order {
	out := store.Order{
		ID: text(at+".id", o.GetId(), v), Article: text(at+".article", o.GetArticle(), v),
		QuantityKg: finite(at+".quantity_kg", o.GetQuantityKg(), 0, mostKg, v), Promise: instant(at+".promise_time", o.GetPromiseTime(), v),
		DoneBeforeKg: finite(at+".done_before_kg", o.GetDoneBeforeKg(), 0, mostKg, v),
		Weight:       finite(at+".weight", o.GetWeight(), 0, 1000, v), YarnFrom: instant(at+".yarn_from_time", o.GetYarnFromTime(), v),
		Parts: whole(at+".part_count", int64(o.GetPartCount()), 0, 100, v), OneLot: o.GetOneLot(), Lot: text(at+".lot", o.GetLot(), v),
		PinAfter: text(at+".pin_after", o.GetPinAfter(), v),
	}
	if o.GetPinMachine() != "" {
		out.PinMachine = machineID(at+".pin_machine", o.GetPinMachine(), v)
	}
	return out
}

func bookCare(at string, x *pb.BookCare, v *violations) store.Care {
	out := store.Care{
		ID: text(at+".id", x.GetId(), v), Kind: text(at+".kind", x.GetKind(), v), Minutes: finite(at+".minutes", x.GetMinutes(), 0, 43200, v),
		EveryRevolutions: int64(whole(at+".every_revolutions", int64(x.GetEveryRevolutions()), 0, 2_000_000_000, v)),
		Done:             instant(at+".done_time", x.GetDoneTime(), v), From: instant(at+".from_time", x.GetFromTime(), v), To: instant(at+".to_time", x.GetToTime(), v),
		Weight: finite(at+".weight", x.GetWeight(), 0, 1000, v), Remove: x.GetRemove(),
	}
	if x.GetMachine() != "" || !x.GetRemove() {
		out.Machine = machineID(at+".machine", x.GetMachine(), v)
	}
	return out
}

func bookSetup(at string, x *pb.BookSetup, v *violations) store.Setup {
	out := store.Setup{
		Kind: text(at+".kind", x.GetKind(), v), From: text(at+".from", x.GetFrom(), v), To: text(at+".to", x.GetTo(), v),
		Minutes: finite(at+".minutes", x.GetMinutes(), 0, 14400, v), Remove: x.GetRemove(),
	}
	if x.GetMachine() != "" {
		out.Machine = machineID(at+".machine", x.GetMachine(), v)
	}
	return out
}

func bookMachine(at string, m *pb.BookMachine, v *violations) store.Machine {
	out := store.Machine{
		ID: machineID(at+".id", m.GetId(), v), Name: text(at+".display_name", m.GetDisplayName(), v), Area: text(at+".area", m.GetArea(), v),
		DiameterInch:    finite(at+".diameter_inch", m.GetDiameterInch(), 0, 100, v),
		GaugeNPI:        finite(at+".gauge_npi", m.GetGaugeNpi(), 0, 100, v),
		CylinderNeedles: whole(at+".cylinder_needle_count", int64(m.GetCylinderNeedleCount()), 0, mostCount, v),
		DialNeedles:     whole(at+".dial_needle_count", int64(m.GetDialNeedleCount()), 0, mostCount, v),
		Beds:            whole(at+".bed_count", int64(m.GetBedCount()), 0, mostCount, v),
		Feeders:         whole(at+".feeder_count", int64(m.GetFeederCount()), 0, 1000, v),
		MaxRPM:          finite(at+".max_speed_rpm", m.GetMaxSpeedRpm(), 0, mostRPM, v),
		Year:            whole(at+".commissioning_year", int64(m.GetCommissioningYear()), 0, 2200, v),
		Set:             text(at+".set", m.GetSet(), v),
	}
	if n := len(m.GetStructures()); n > 100 {
		v.add(at+".structures", fmt.Sprintf("has %d entries, at most 100 are allowed", n))
		return out
	}
	for i, s := range m.GetStructures() {
		out.Structures = append(out.Structures, text(fmt.Sprintf("%s.structures[%d]", at, i), s, v))
	}
	return out
}

func bookCard(at string, c *pb.BookCard, v *violations) store.Card {
	out := store.Card{
		ID: text(at+".id", c.GetId(), v), Article: text(at+".article", c.GetArticle(), v),
		SpeedRPM: finite(at+".speed_rpm", c.GetSpeedRpm(), 0, mostRPM, v),
	}
	if c.GetMachine() != "" {
		out.Machine = machineID(at+".machine", c.GetMachine(), v)
	}
	if n := len(c.GetFeeds()); n > 100 {
		v.add(at+".feeds", fmt.Sprintf("has %d entries, at most 100 are allowed", n))
		return out
	}
	for i, g := range c.GetFeeds() {
		at := fmt.Sprintf("%s.feeds[%d]", at, i)
		out.Feeds = append(out.Feeds, store.FeedGroup{
			ID: text(at+".id", g.GetId(), v), Yarn: text(at+".yarn", g.GetYarn(), v), Lot: text(at+".lot", g.GetLot(), v),
			Feeders:       whole(at+".feeder_count", int64(g.GetFeederCount()), 0, 1000, v),
			CourseLengthM: finite(at+".course_length_m", g.GetCourseLengthM(), 0, mostCourseM, v),
			Draft:         finite(at+".draft", g.GetDraft(), 0, 20, v),
			Ends:          whole(at+".ends", int64(g.GetEnds()), 0, 100, v),
		})
	}
	return out
}
