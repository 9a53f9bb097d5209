package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type rollsCmd struct {
	List  rollsListCmd  `cmd:"" default:"withargs" help:"Rolls that were weighed, and yarn meters that were read, newest first."`
	Weigh rollsWeighCmd `cmd:"" help:"Say what doffed rolls of a machine weigh."`
	Undo  rollsUndoCmd  `cmd:"" help:"Take a weight or a reading back."`
}

type rollsWeighCmd struct {
	Machine string  `arg:"" help:"Machine, for example k01."`
	Kg      float64 `required:"" help:"Net kilos of the rolls together: without tube, wrapping and trolley."`
	Count   int32   `some:"" default:"1" help:"Rolls on the scale, doffed one after the other."`
	Roll    int64   `some:"" help:"Number of the roll, of several that of the last; none = the one doffed last." placeholder:"113"`
	Turns   int64   `some:"" help:"Turns of the rolls; none = as counted between their doffs." placeholder:"1944"`
	At      string  `help:"When the last of them was doffed; none = now." placeholder:"2026-11-25T06:50"`
	Lot     string  `help:"Lot that ran; none = that of most cones." placeholder:"L-430"`
	SD      float64 `some:"" name:"sd" help:"Standard deviation of the weight, a share; none = 0.01." placeholder:"0.01"`
	change
}

// Help has an example.
func (*rollsWeighCmd) Help() string {
	return "Example:\n  planner rolls weigh k01 --kg 25.3\n  planner rolls weigh k01 --kg 126.2 --count 5 --roll 113\n\n" +
		"The kilos are compared with turns and card: see `planner proof`. Cones' run-outs are told by them too."
}

// readingJSON is a reading as scripts read it.
type readingJSON struct {
	Reading   string     `json:"reading"`
	Machine   string     `json:"machine"`
	Kind      string     `json:"kind"`
	At        *time.Time `json:"at"`
	Roll      int64      `some:"" json:"roll"`
	Rolls     int64      `json:"rolls"`
	Turns     int64      `some:"" json:"turns"`
	Metres    float64    `json:"metres"`
	NetKg     float64    `json:"net_kg"`
	CountedKg float64    `json:"counted_kg"`
	Ratio     float64    `json:"measured_over_calculated"`
	FeedGroup string     `json:"feed_group"`
	Lot       string     `json:"lot"`
	Order     string     `json:"order"`
	Article   string     `json:"article"`
}

func readingFromPB(r *pb.Reading) readingJSON {
	kind := "rolls"
	if r.GetKind() == pb.ReadingKind_READING_KIND_METER {
		kind = "meter"
	}
	return readingJSON{
		Reading: r.GetName()[strings.LastIndex(r.GetName(), "/")+1:], Machine: r.GetMachine(), Kind: kind, At: when(r.GetReadingTime()), Roll: r.GetRollNumber(),
		Rolls: int64(r.GetRollCount()), Turns: r.GetRevolutionCount(), Metres: r.GetLengthM(), NetKg: r.GetNetKg().GetValue(), CountedKg: r.GetCountedKg().GetValue(),
		Ratio: r.GetRatio(), FeedGroup: r.GetFeedGroup(), Lot: r.GetLot(), Order: r.GetOrder(), Article: r.GetArticle(),
	}
}

var readingHead = []string{"reading", "machine", "when", ">roll", ">rolls", ">turns", ">measured", ">calculated", ">over", "order", ""}

func (s *session) readingRow(r *readingJSON, note string) []string {
	roll, measured, counted := "", fmt.Sprintf("%.2fw kg", r.NetKg), "?"
	if r.Roll > 0 {
		roll = strconv.FormatInt(r.Roll, 10)
	}
	if r.CountedKg > 0 {
		counted = fmt.Sprintf("%.2fc kg", r.CountedKg)
	}
	rolls := strconv.FormatInt(r.Rolls, 10)
	if r.Kind == "meter" {
		rolls, measured, counted = "", fmt.Sprintf("%.1fe m", r.Metres), fmt.Sprintf("%.1fk m", r.Metres/r.Ratio)
	}
	return []string{r.Reading, strings.ToUpper(r.Machine), s.clockOf(r.At), roll, rolls, fmt.Sprintf("%dc", r.Turns), measured, counted, fmt.Sprintf("%.3f", r.Ratio), r.Order, note}
}

func (c *rollsWeighCmd) Run(ctx context.Context, s *session) error {
	at, err := s.instantTold(c.At)
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r := &pb.RecordReadingRequest{
		Machine: machineName(c.Machine), Kind: pb.ReadingKind_READING_KIND_ROLLS, NetKg: c.Kg, RollCount: c.Count, RollNumber: c.Roll,
		RevolutionCount: c.Turns, Lot: c.Lot, ReadingSd: c.SD, ReadingTime: at, RequestId: c.request(), ValidateOnly: c.DryRun,
	}
	answer, err := s.creels().RecordReading(ctx, r)
	if err != nil {
		return s.explain(err)
	}
	j := readingFromPB(answer.GetReading())
	l := listing{head: readingHead}
	l.add(s.readingRow(&j, dryNote(c.DryRun))...)
	out := struct {
		readingJSON
		Proof  *proofJSON `json:"proof"`
		DryRun bool       `json:"dry_run"`
	}{readingJSON: j, DryRun: c.DryRun}
	if answer.GetScaleRatio() != nil {
		p := proofFromPB(answer.GetScaleRatio())
		out.Proof = &p
	}
	l.data = out
	if err := s.print(&l); err != nil || s.common.Output == "json" || s.common.Output == "csv" {
		return err
	}
	if p := out.Proof; p != nil {
		fmt.Fprintf(s.err, "counted over weighed: %.3f (%.3f to %.3f) over %d rolls\n", p.Ratio, p.Low, p.High, p.UsedRolls)
	}
	if j.Reading != "" {
		fmt.Fprintf(s.err, "to take it back: planner rolls undo %s %s\n", j.Machine, j.Reading)
	}
	return nil
}

type rollsListCmd struct {
	Machine string `arg:"" optional:"" help:"Machine, for example k01; none = all."`
	Limit   int    `default:"50" help:"Readings at most."`
}

func (c *rollsListCmd) Run(ctx context.Context, s *session) error {
	if c.Limit < 1 {
		return usage("--limit %d: expected 1 and more", c.Limit)
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r := &pb.ListReadingsRequest{PageSize: int32(min(c.Limit, 1000))}
	if c.Machine != "" {
		r.Machine = machineName(c.Machine)
	}
	data := []readingJSON{}
	l := listing{head: readingHead, empty: "no roll was weighed and no meter read; say one with `planner rolls weigh`"}
	for len(data) < c.Limit {
		answer, err := s.creels().ListReadings(ctx, r)
		if err != nil {
			return s.explain(err)
		}
		for _, x := range answer.GetReadings()[:min(len(answer.GetReadings()), c.Limit-len(data))] {
			j := readingFromPB(x)
			data = append(data, j)
			l.add(s.readingRow(&j, "")...)
		}
		if r.PageToken = answer.GetNextPageToken(); r.PageToken == "" {
			break
		}
	}
	l.data = struct {
		Readings []readingJSON `json:"readings"`
	}{data}
	return s.print(&l)
}

type rollsUndoCmd struct {
	Machine string `arg:"" help:"Machine, for example k01."`
	Reading string `arg:"" help:"Number of the reading, as listed."`
}

func (c *rollsUndoCmd) Run(ctx context.Context, s *session) error {
	number := c.Reading[strings.LastIndex(c.Reading, "/")+1:]
	if n, err := strconv.ParseInt(number, 10, 64); err != nil || n < 1 {
		return usage("reading %q: expected the number that `planner rolls` lists", c.Reading)
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	machine := machineName(c.Machine)
	if _, err := s.creels().UndoReading(ctx, &pb.UndoReadingRequest{Name: machine + "/readings/" + number}); err != nil {
		return s.explain(err)
	}
	machine = strings.TrimPrefix(machine, "machines/")
	l := listing{head: []string{"machine", "reading", ""}}
	l.add(strings.ToUpper(machine), number, "taken back")
	l.data = struct {
		Machine string `json:"machine"`
		Reading string `json:"reading"`
		Undone  bool   `json:"undone"`
	}{machine, number, true}
	return s.print(&l)
}

type proofCmd struct {
	Machines []string `arg:"" optional:"" help:"Machines; none = all."`
}

// Help says what the columns are.
func (*proofCmd) Help() string {
	return "Counted kilos come from turns and knit card, weighed ones from the scale: `planner rolls weigh`.\nThe ratio is counted over weighed with the interval that holds it in 9 of 10 cases. " +
		"In the picture each letter is a reading, the newest at the right:\n. within the limits, + counted too much, - counted too little."
}

// proofJSON is a machine's ratio as scripts read it.
type proofJSON struct {
	Machine   string     `json:"machine"`
	Article   string     `json:"article"`
	Running   bool       `json:"running"`
	Rolls     int64      `json:"rolls"`
	UsedRolls int64      `json:"used_rolls"`
	CountedKg float64    `json:"counted_kg"`
	WeighedKg float64    `json:"weighed_kg"`
	Ratio     float64    `json:"ratio"`
	Low       float64    `json:"ratio_low"`
	High      float64    `json:"ratio_high"`
	Reason    string     `json:"reason"`
	Newest    *time.Time `json:"newest"`
	Each      []float64  `json:"newest_ratios"`
}

func proofFromPB(r *pb.ScaleRatio) proofJSON {
	return proofJSON{
		Machine: r.GetMachine(), Article: r.GetArticle(), Running: r.GetRunning(), Rolls: int64(r.GetRollCount()), UsedRolls: int64(r.GetUsedRollCount()),
		CountedKg: r.GetCountedKg().GetValue(), WeighedKg: r.GetWeighedKg().GetValue(), Ratio: r.GetRatio(), Low: r.GetRatioLow(), High: r.GetRatioHigh(),
		Reason: r.GetSentence(), Newest: when(r.GetNewestTime()), Each: some(r.GetNewestRatios()),
	}
}

// ratioLine draws readings against the limits.
func ratioLine(each []float64, low, high float64) string {
	var b strings.Builder
	for _, x := range each {
		switch {
		case x > high:
			b.WriteByte('+')
		case x < low:
			b.WriteByte('-')
		default:
			b.WriteByte('.')
		}
	}
	return b.String()
}

func (c *proofCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().ListScaleRatios(ctx, &pb.ListScaleRatiosRequest{Machines: machineNames(c.Machines)})
	if err != nil {
		return s.explain(err)
	}
	low, high := answer.GetRatioLow(), answer.GetRatioHigh()
	l := listing{head: []string{"machine", "article", ">counted kg", ">weighed kg", ">rolls", ">ratio", "interval", "readings", ""}, empty: "no roll was weighed in four weeks; say one with `planner rolls weigh`"}
	data := []proofJSON{}
	for _, r := range answer.GetRatios() {
		p := proofFromPB(r)
		data = append(data, p)
		note := p.Reason
		if !p.Running {
			note = strings.TrimSpace("Not running now. " + note)
		}
		if p.UsedRolls < int64(answer.GetMinRolls()) {
			note = strings.TrimSpace(fmt.Sprintf("Judged from %d rolls on. ", answer.GetMinRolls()) + note)
		}
		l.add(strings.ToUpper(p.Machine), p.Article, fmt.Sprintf("%.1fc", p.CountedKg), fmt.Sprintf("%.1fw", p.WeighedKg), strconv.FormatInt(p.UsedRolls, 10),
			fmt.Sprintf("%.3f", p.Ratio), fmt.Sprintf("%.3f to %.3f", p.Low, p.High), ratioLine(p.Each, low, high), note)
	}
	l.data = struct {
		Ratios   []proofJSON `json:"ratios"`
		Low      float64     `json:"limit_low"`
		High     float64     `json:"limit_high"`
		MinRolls int64       `json:"min_rolls"`
	}{data, low, high, int64(answer.GetMinRolls())}
	return s.print(&l)
}
