package mill

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/simulator/stops"
)

// order of the book. Promises count in days from the running one: 2 is
// two days after the first start, that is the first open one, see [scenario.promise].
type order struct {
	id, article string
	kg          float64
	due         int // days after the running one
	hour        int
	before      float64 // kilos weighed before the first day
}

var orders = []order{
	{"SO-1041", "sj28-ne30", 6000, 6, 8, 0},
	{"SO-1047", "sj28w-ne30", 3050, 6, 18, 0},
	{"SO-1049", "ej28-ne40", 2300, 3, 18, 0},
	{"SO-1050", "sj24-ne24", 3800, 7, 18, 0},
	{"SO-1039", "pq24-ne26", 2900, 3, 8, 0},
	{"SO-1038", "rib18-ne28", 1150, 2, 22, 0},
	{"SO-1051", "ribe18-ne30", 1500, 7, 18, 0},
	{"SO-1044", "il24-ne40", 900, 6, 18, 0},
	{"SO-1045", "il28-pes", 620, 5, 18, 0},
	{"SO-1046", "fl20-ne26", 3400, 6, 18, 0},
	// Knitted off in the days before, whatever the seed.
	{"SO-1031", "sj28-ne30", 1600, -2, 14, 0},
	{"SO-1032", "sj28w-ne30", 900, -2, 14, 0},
	{"SO-1033", "sj24-ne24", 1000, -2, 14, 0},
	{"SO-1034", "ej28-ne40", 2000, -1, 14, 0},
	{"SO-1035", "fl20-ne26", 1000, -2, 14, 0},
	{"SO-1036", "pq24-ne26", 1350, -2, 14, 0},
	{"SO-1037", "rib18-ne28", 600, -2, 14, 0},
	{"SO-1040", "ribe18-ne30", 950, -1, 14, 0},
	{"SO-1042", "il24-ne40", 760, -1, 14, 0},
	{"SO-1043", "il28-pes", 420, -1, 14, 0},
	{"SO-1029", "sj28-ne30", 1200, -4, 14, 1165},
}

// jobs say from which day on a machine knits which order with its card: the
// order before on day 1, its own from another day on.
var jobs = map[string]struct {
	before, own string
	day         int
}{
	"k01": {"SO-1031", "SO-1041", 4}, "k02": {"SO-1031", "SO-1041", 4}, "k03": {"SO-1033", "SO-1050", 4},
	"k04": {"SO-1032", "SO-1047", 4}, "k05": {"SO-1034", "SO-1049", 5}, "k06": {"SO-1034", "SO-1049", 5},
	"k07": {"SO-1036", "SO-1039", 4}, "k08": {"SO-1036", "SO-1039", 4}, "k09": {"SO-1037", "SO-1038", 4},
	"k10": {"SO-1040", "SO-1051", 5}, "k11": {"SO-1042", "SO-1044", 5}, "k12": {"SO-1043", "SO-1045", 5},
	"k13": {"SO-1035", "SO-1046", 4}, "k14": {"SO-1035", "SO-1046", 4},
}

// book is all that the people of the mill enter once.
func (s *scenario) book() *pb.Book {
	b := &pb.Book{}
	machines := map[string][]string{}
	for _, p := range plates {
		machines[p.agent] = append(machines[p.agent], p.id)
		b.Machines = append(b.Machines, &pb.BookMachine{Id: p.id, Area: area, DiameterInch: p.inch, GaugeNpi: p.gauge,
			CylinderNeedleCount: int32(p.cylinder), DialNeedleCount: int32(p.dial), FeederCount: int32(p.feeders), MaxSpeedRpm: p.maxRPM,
			Structures: []string{string(p.card.structure)}, CommissioningYear: int32(p.year), Set: p.set})
		for _, c := range p.cards() {
			b.Cards = append(b.Cards, c.book(p.id))
		}
		b.Assignments = append(b.Assignments, s.assignments(p)...)
	}
	for _, a := range agentIDs() {
		b.Agents = append(b.Agents, &pb.BookAgent{Id: a, Machines: machines[a]})
	}
	for _, y := range yarns {
		b.Yarns = append(b.Yarns, &pb.BookYarn{Id: y.id, Count: y.count, Fibre: y.fibre, ConeNetKg: y.coneKg, ConeMassCv: 0.02})
	}
	for _, l := range lots {
		b.Lots = append(b.Lots, &pb.BookLot{Id: l.id, Yarn: l.yarn, Tip: l.tip, StoreKg: l.storeKg, AtMachineKg: l.machineKg})
	}
	for _, a := range articles {
		b.Articles = append(b.Articles, &pb.BookArticle{Id: a.id, DisplayName: a.name, Structure: a.structure(), RollKg: rollKg, WasteRatio: 0.01, BedCount: a.beds()})
	}
	for _, o := range orders {
		b.Orders = append(b.Orders, &pb.BookOrder{Id: o.id, Article: o.article, QuantityKg: o.kg, DoneBeforeKg: o.before, PromiseTime: timestamppb.New(s.promise(o))})
	}
	// Invented, as all of this mill.
	b.Care = []*pb.BookCare{
		{Id: "needles-k03", Machine: "k03", Kind: "needles", Minutes: 240, EveryRevolutions: 260_000},
		{Id: "oil-k05", Machine: "k05", Kind: "oil", Minutes: 90, FromTime: timestamppb.New(s.wall(days+1, 6, 0)), ToTime: timestamppb.New(s.wall(days+4, 22, 0))},
		{Id: "cams-k09", Machine: "k09", Kind: "cams", Minutes: 360, EveryRevolutions: 9_000_000},
	}
	return b
}

func (c card) book(machine string) *pb.BookCard {
	out := &pb.BookCard{Id: c.id, Article: c.article, Machine: machine, SpeedRpm: float64(c.speed)}
	for _, f := range c.feeds {
		out.Feeds = append(out.Feeds, &pb.BookFeedGroup{Id: f.id, Yarn: f.yarn, Lot: f.lot, FeederCount: int32(f.feeds),
			CourseLengthM: float64(c.needles) * float64(f.loop) / 1000, Draft: f.draft})
	}
	return out
}

// promise is when an order is due. A mill that is begun at night closes a day later,
// and what would be due on that day is due on the day before: the machines have as
// long for it as in one that is begun by day.
func (s *scenario) promise(o order) time.Time {
	at := s.wall(days+o.due, o.hour, 0)
	if closed, _ := s.closed(at); closed {
		return s.wall(days+o.due-1, o.hour, 0)
	}
	return at
}

// assignments say what a machine knits from when on.
func (s *scenario) assignments(p plate) []*pb.BookAssignment {
	from := func(t time.Time, order, card string) *pb.BookAssignment {
		return &pb.BookAssignment{Machine: p.id, FromTime: timestamppb.New(t), Order: order, Card: card}
	}
	j := jobs[p.id]
	var out []*pb.BookAssignment
	switch p.id {
	case "k05":
		out = append(out, from(s.dayOne(), "SO-1029", before.id), from(s.wall(1, 8, 45), j.before, p.card.id))
	case "k13", "k14":
		out = append(out, from(s.dayOne(), "", ""), from(s.wall(1, 7, 38), j.before, p.card.id))
	default:
		out = append(out, from(s.dayOne(), j.before, p.card.id))
	}
	return append(out, from(s.wall(j.day, 6, 0), j.own, p.card.id))
}

// firstCard is when a machine has a knit card for the first time.
func (s *scenario) firstCard(machine string) time.Duration {
	if s.Story && (machine == "k13" || machine == "k14") {
		return s.at(1, 7, 38)
	}
	return 0
}

const area = "hall-1"

// beds of needles that the article takes: rib and interlock are knitted on cylinder and
// dial (textbook knowledge, from memory).
func (a article) beds() int32 {
	switch a.form {
	case stops.Rib, stops.RibPlated, stops.Interlock:
		return 2
	}
	return 1
}

// structure is the trade's name of the article's cloth: piqué on 90 feeds has
// the repeat of six feeds.
func (a article) structure() string {
	switch a.form {
	case stops.Pique:
		return "double pique"
	case stops.Rib:
		return "1x1 rib"
	case stops.RibPlated:
		return "1x1 rib with elastane"
	}
	return string(a.form)
}
