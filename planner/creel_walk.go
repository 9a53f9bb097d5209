package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
)

// walkJSON is a walk as scripts read it; its tasks stand whole in "tasks".
type walkJSON struct {
	Walk        string         `json:"walk"`
	Set         string         `json:"set"`
	Start       *time.Time     `json:"start"`
	LatestStart *time.Time     `json:"latest_start"`
	End         *time.Time     `json:"end"`
	WalkingMin  float64        `json:"walking_min"`
	WorkMin     float64        `json:"work_min"`
	LateMin     float64        `json:"late_min"`
	Stops       []walkStopJSON `json:"stops"`
	Fetch       []fetchJSON    `json:"fetch"`
}

type walkStopJSON struct {
	Machine    string      `json:"machine"`
	WalkingMin float64     `json:"walking_min"`
	Start      *time.Time  `json:"start"`
	End        *time.Time  `json:"end"`
	Open       *time.Time  `json:"open"`
	Latest     *time.Time  `json:"latest"`
	LateMin    float64     `json:"late_min"`
	Tasks      []taskJSON  `json:"tasks"`
	Fetch      []fetchJSON `json:"fetch"`
}

type fetchJSON struct {
	Lot   string `json:"lot"`
	Yarn  string `json:"yarn"`
	Tip   string `json:"tip"`
	Cones int64  `json:"cones"`
}

type setJSON struct {
	Set         string   `json:"set"`
	Machines    []string `json:"machines"`
	WalkingMin  float64  `json:"walking_min"`
	LateMin     float64  `json:"late_min"`
	BothWaitMin float64  `json:"both_wait_min"`
}

type roundsJSON struct {
	Tasks       []taskJSON  `json:"tasks"`
	Walks       []walkJSON  `json:"walks"`
	NextHour    []fetchJSON `json:"next_hour"`
	BothWaitMin float64     `json:"both_wait_min"`
	SplitNow    []setJSON   `json:"split_now"`
	SplitBetter []setJSON   `json:"split_better"`
}

func fetchFromPB(list []*pb.Fetch) []fetchJSON {
	out := []fetchJSON{}
	for _, f := range list {
		out = append(out, fetchJSON{f.GetLot(), f.GetYarn(), f.GetTip(), int64(f.GetConeCount())})
	}
	return out
}

func setsFromPB(list []*pb.SetLoad) []setJSON {
	out := []setJSON{}
	for _, s := range list {
		out = append(out, setJSON{s.GetSet(), some(s.GetMachines()), s.GetWalkingMinutes(), s.GetLateMinutes(), s.GetBothWaitMinutes()})
	}
	return out
}

func roundsFromPB(tasks []taskJSON, a *pb.ListWalksResponse) roundsJSON {
	out := roundsJSON{
		Tasks: tasks, Walks: []walkJSON{}, NextHour: fetchFromPB(a.GetNextHour()), BothWaitMin: a.GetBothWaitMinutes(),
		SplitNow: setsFromPB(a.GetSplit().GetNow()), SplitBetter: setsFromPB(a.GetSplit().GetProposed()),
	}
	for _, w := range a.GetWalks() {
		x := walkJSON{
			Walk: strings.TrimPrefix(w.GetName(), "walks/"), Set: w.GetSet(), Start: when(w.GetStartTime()), LatestStart: when(w.GetLatestStartTime()), End: when(w.GetEndTime()),
			WalkingMin: w.GetWalkingMinutes(), WorkMin: w.GetWorkMinutes(), LateMin: w.GetLateMinutes(), Stops: []walkStopJSON{}, Fetch: fetchFromPB(w.GetFetch()),
		}
		for _, s := range w.GetStops() {
			stop := walkStopJSON{
				Machine: s.GetMachine(), WalkingMin: s.GetWalkingMinutes(), Start: when(s.GetStartTime()), End: when(s.GetEndTime()), Open: when(s.GetOpenTime()),
				Latest: when(s.GetLatestTime()), LateMin: s.GetLateMinutes(), Tasks: []taskJSON{}, Fetch: fetchFromPB(s.GetFetch()),
			}
			for _, t := range s.GetTasks() {
				stop.Tasks = append(stop.Tasks, taskFromPB(t))
			}
			x.Stops = append(x.Stops, stop)
		}
		out.Walks = append(out.Walks, x)
	}
	return out
}

// caution stands under every list that sends people to a machine.
const caution = "Stop and isolate a machine before you reach in; keep the guards closed; the mill's own rules come first."

// printWalks prints the walks as a tender reads them: when to leave, machine by machine,
// and what to bring.
func (s *session) printWalks(ctx context.Context, r *pb.ListTasksRequest, l *listing, tasks []taskJSON) error {
	answer, err := s.creels().ListWalks(ctx, &pb.ListWalksRequest{Machines: r.GetMachines(), HorizonMinutes: r.GetHorizonMinutes()})
	if status.Code(err) == codes.Unimplemented { // a server of before
		return s.print(l)
	}
	if err != nil {
		return s.explain(err)
	}
	data := roundsFromPB(tasks, answer)
	w := listing{head: []string{"leave", "", "at", "machine", "by", ""}, data: data, empty: l.empty}
	for _, x := range data.Walks {
		leave, set := s.clockOf(x.Start), ""
		if x.Set != "" {
			set = "set " + x.Set
		}
		if x.Start != nil && x.Start.Sub(s.now()) < time.Minute {
			leave = "now"
		}
		for _, stop := range x.Stops {
			machine, at := strings.ToUpper(stop.Machine), s.clockOf(stop.Start)
			for i := range stop.Tasks {
				w.add(leave, set, at, machine, s.clockOf(stop.Latest), taskLine(s, &stop.Tasks[i]))
				leave, set, at, machine = "", "", "", ""
			}
		}
		if len(x.Fetch) > 0 {
			w.add("", "", "", "", "", "Bring "+fetchWords(x.Fetch)+".")
		}
	}
	if err := s.print(&w); err != nil || s.common.Output == "json" || len(w.rows) == 0 {
		return err
	}
	var b strings.Builder
	if len(data.NextHour) > 0 {
		fmt.Fprintf(&b, "\nwithin the hour: %s\n", fetchWords(data.NextHour))
	}
	if data.BothWaitMin >= 1 {
		fmt.Fprintf(&b, "two machines wait for one person: %.0ff min\n", data.BothWaitMin)
	}
	for i, x := range data.SplitBetter {
		if was := data.SplitNow[i]; strings.Join(was.Machines, " ") != strings.Join(x.Machines, " ") {
			fmt.Fprintf(&b, "set %s would be better with %s: machines stand %.0ff min instead of %.0ff\n", x.Set, strings.ToUpper(strings.Join(x.Machines, " ")), x.LateMin, was.LateMin)
		}
	}
	fmt.Fprintf(&b, "\n%s\n", caution)
	_, err = fmt.Fprint(s.out, b.String())
	return err
}

// taskLine is a task in a walk.
func taskLine(s *session, t *taskJSON) string {
	line := t.Sentence
	if t.Tip != "" {
		line += " Tip " + t.Tip + "."
	}
	if t.First != nil && t.Last != nil {
		line += fmt.Sprintf(" First cone %s, last %sf.", s.clockOf(t.First), s.clockOf(t.Last))
	}
	for _, r := range t.Remnants {
		line += fmt.Sprintf(" Left then: %d cones, %.1fk kg of %s.", r.Cones, r.Kg, r.Lot)
	}
	if t.State == "taken" || t.State == "half done" {
		line += " " + strings.ToUpper(t.State[:1]) + t.State[1:] + "."
	}
	if t.Fixer != nil {
		line += " Fixer called " + s.clock(*t.Fixer) + "."
	}
	return line
}

func fetchWords(list []fetchJSON) string {
	words := make([]string, len(list))
	for i, f := range list {
		words[i] = fmt.Sprintf("%d cones of %s", f.Cones, f.Yarn)
		if f.Lot != "" {
			words[i] += ", lot " + f.Lot
		}
		if f.Tip != "" {
			words[i] += ", tip " + f.Tip
		}
	}
	return strings.Join(words, "; ")
}

type creelShowCmd struct {
	Machine string `arg:"" help:"Machine, for example k05."`
}

// Help has an example.
func (*creelShowCmd) Help() string {
	return "Example:\n  planner creel show k05\n\nOne line for places that are alike; --json has them one by one."
}

type positionJSON struct {
	FeedGroup       string  `json:"feed_group"`
	Number          int64   `json:"number"`
	Lot             string  `json:"lot"`
	ConeKg          float64 `json:"cone_kg"`
	ConeCV          float64 `json:"cone_cv"`
	LoadRevolutions int64   `json:"load_revolutions"`
	LeftKg          float64 `json:"left_kg"`
	ReserveLot      string  `json:"reserve_lot"`
	ReserveKg       float64 `json:"reserve_kg"`
	Tied            bool    `json:"tied"`
	Task            string  `json:"task"`
}

type lessonJSON struct {
	FeedGroup   string  `json:"feed_group"`
	Lot         string  `json:"lot"`
	LifeRatio   float64 `json:"life_ratio"`
	LifeRatioSD float64 `json:"life_ratio_sd"`
	ConeCV      float64 `json:"cone_cv"`
	Seen        int64   `json:"seen"`
	Apart       int64   `json:"apart"`
	Newest      float64 `json:"newest_ratio"`
	NewestApart bool    `json:"newest_apart"`
	Sentence    string  `json:"sentence"`
}

func lessonsFromPB(list []*pb.CreelLesson) []lessonJSON {
	out := []lessonJSON{}
	for _, l := range list {
		out = append(out, lessonJSON{
			l.GetFeedGroup(), l.GetLot(), l.GetLifeRatio(), l.GetLifeRatioSd(), l.GetConeMassCv(), int64(l.GetObservationCount()), int64(l.GetApartCount()),
			l.GetNewestRatio(), l.GetNewestApart(), l.GetSentence(),
		})
	}
	return out
}

func (c *creelShowCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().GetCreel(ctx, &pb.GetCreelRequest{Machine: machineName(c.Machine)})
	if err != nil {
		return s.explain(err)
	}
	positions := []positionJSON{}
	for _, p := range answer.GetCreel().GetPositions() {
		positions = append(positions, positionJSON{
			p.GetFeedGroup(), int64(p.GetNumber()), p.GetLot(), p.GetConeNetKg(), p.GetConeMassCv(), p.GetLoadRevolutionCount(), p.GetLeftKg().GetValue(),
			p.GetReserveLot(), p.GetReserveNetKg(), p.GetReserveTied(), strings.TrimPrefix(p.GetTask(), "tasks/"),
		})
	}
	machine := strings.TrimPrefix(machineName(c.Machine), "machines/")
	l := listing{head: []string{"feed group", "places", "lot", ">cone kg", ">left kg", ">put on at turn", "reserve", "task"}, empty: "nothing was told of the creel of " + strings.ToUpper(machine)}
	for i := 0; i < len(positions); {
		p, left, n := positions[i], 0.0, 0
		for i+n < len(positions) {
			q := positions[i+n]
			left += q.LeftKg
			q.Number, q.LeftKg = p.Number, p.LeftKg
			if q != p {
				left -= positions[i+n].LeftKg
				break
			}
			n++
		}
		places := fmt.Sprint(p.Number)
		if n > 1 {
			places = fmt.Sprintf("%d-%d", p.Number, positions[i+n-1].Number)
		}
		reserve := ""
		if p.ReserveKg > 0 {
			reserve = "beside: " + p.ReserveLot
			if p.Tied {
				reserve = "tied: " + p.ReserveLot
			}
		}
		l.add(p.FeedGroup, places, p.Lot, fmt.Sprintf("%.3ge", p.ConeKg), fmt.Sprintf("%.1fk", left), fmt.Sprint(p.LoadRevolutions), reserve, p.Task)
		i += n
	}
	lessons := lessonsFromPB(answer.GetCreel().GetLessons())
	l.data = struct {
		Machine     string         `json:"machine"`
		Revolutions int64          `json:"revolutions"`
		Positions   []positionJSON `json:"positions"`
		Lessons     []lessonJSON   `json:"lessons"`
		Warnings    []string       `json:"warnings"`
	}{machine, answer.GetCreel().GetRevolutionCount(), positions, lessons, some(answer.GetCreel().GetWarnings())}
	if s.common.Output == "csv" {
		l.data = struct {
			Positions []positionJSON `json:"positions"`
		}{positions}
	}
	if err := s.print(&l); err != nil {
		return err
	}
	s.tellLessons(lessons, answer.GetCreel().GetWarnings())
	return nil
}

// tellLessons says on standard error what was learnt, and what the mill's rule lets pass.
func (s *session) tellLessons(lessons []lessonJSON, warnings []string) {
	if s.common.Output == "json" || s.common.Output == "csv" {
		return
	}
	for _, x := range lessons {
		fmt.Fprintln(s.err, x.Sentence)
	}
	for _, w := range warnings {
		fmt.Fprintln(s.err, "warning: "+w)
	}
}

type creelReadCmd struct {
	Machine string  `arg:"" help:"Machine, for example k05."`
	Turns   int64   `some:"" help:"Turns of the machine over which it was measured; of rolls none = as counted between the newest doffs."`
	Metres  float64 `xor:"what" help:"Metres of yarn at one feed, by a yarn meter."`
	Kg      float64 `xor:"what" help:"Kilos of the rolls of these turns."`
	Group   string  `help:"Feed group of the knit card; not needed when the card has only one." placeholder:"ground"`
	Lot     string  `help:"Lot that ran; none = that of most cones." placeholder:"L-430"`
	SD      float64 `some:"" name:"sd" help:"Standard deviation of the reading, a share; none = 0.005 of a meter, 0.01 of rolls." placeholder:"0.005"`
	change
}

// Help has an example.
func (*creelReadCmd) Help() string {
	return "Example:\n  planner creel read k05 --turns 100 --metres 812.4\n  planner creel read k05 --turns 19440 --kg 252.6\n\nThe run-outs of the feed group's cones are then told by it."
}

func (c *creelReadCmd) Run(ctx context.Context, s *session) error {
	r := &pb.RecordReadingRequest{
		Machine: machineName(c.Machine), FeedGroup: c.Group, Lot: c.Lot, RevolutionCount: c.Turns, LengthM: c.Metres, NetKg: c.Kg, ReadingSd: c.SD,
		Kind: pb.ReadingKind_READING_KIND_METER, RequestId: c.request(), ValidateOnly: c.DryRun,
	}
	switch {
	case c.Kg > 0:
		r.Kind = pb.ReadingKind_READING_KIND_ROLLS
	case c.Metres > 0 && c.Turns < 1:
		return usage("say over how many turns the yarn was measured: --turns")
	case !(c.Metres > 0):
		return usage("say what was measured, above 0: --metres of a yarn meter or --kg of rolls")
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().RecordReading(ctx, r)
	if err != nil {
		return s.explain(err)
	}
	machine := strings.TrimPrefix(r.Machine, "machines/")
	lessons := lessonsFromPB(answer.GetLessons())
	l := listing{head: []string{"machine", ">measured over calculated", ""}}
	l.add(strings.ToUpper(machine), fmt.Sprintf("%.4f", answer.GetRatio()), dryNote(c.DryRun))
	l.data = struct {
		Machine string       `json:"machine"`
		Ratio   float64      `json:"ratio"`
		Lessons []lessonJSON `json:"lessons"`
		DryRun  bool         `json:"dry_run"`
	}{machine, answer.GetRatio(), lessons, c.DryRun}
	if err := s.print(&l); err != nil {
		return err
	}
	s.tellLessons(lessons, nil)
	return nil
}
