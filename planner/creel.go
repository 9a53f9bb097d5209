package main

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type creelCmd struct {
	Next  creelNextCmd  `cmd:"" default:"withargs" help:"The next walks: when to leave, what to do at which machine, what to bring."`
	Take  creelTakeCmd  `cmd:"" help:"Say that you go to a task now."`
	Done  creelDoneCmd  `cmd:"" help:"Say that a task is done, or half of it."`
	Fixer creelFixerCmd `cmd:"" help:"Call the fixer to the machine of a task."`
	Show  creelShowCmd  `cmd:"" help:"What stands in the creel of a machine, and what was learnt of it."`
	Load  creelLoadCmd  `cmd:"" help:"Say that cones of a feed group were changed."`
	Read  creelReadCmd  `cmd:"" help:"Say what a yarn meter or weighed rolls tell of a feed group."`
	Undo  creelUndoCmd  `cmd:"" help:"Take back the newest word on a task, within 10 seconds, or a load."`
}

type creelNextCmd struct {
	Set      string   `xor:"which" help:"Machines of this tender's set." placeholder:"A"`
	Machines []string `xor:"which" help:"These machines." placeholder:"k01,k02"`
	Minutes  int32    `default:"120" help:"How far to look."`
	Tasks    bool     `help:"The tasks one by one, with the run-out windows drawn."`
}

// Help has an example.
func (*creelNextCmd) Help() string {
	return "Example:\n  planner creel next --set A --minutes 60\n\nWork of one machine is done in one go. \"by\" is from when the machine stands without it.\n" +
		"With --tasks a window runs from the first cone to the last; = marks 5 to 95 %. Times with f are forecasts, kilos with k calculated."
}

// taskJSON is a task as scripts read it.
type taskJSON struct {
	Task      string     `json:"task"`
	Kind      string     `json:"kind"`
	Machine   string     `json:"machine"`
	Due       *time.Time `json:"due"`
	First     *time.Time `json:"first"`
	P05       *time.Time `json:"p05"`
	P50       *time.Time `json:"p50"`
	P95       *time.Time `json:"p95"`
	Last      *time.Time `json:"last"`
	Cones     int64      `some:"" json:"cones"`
	FeedGroup string     `json:"feed_group"`
	Yarn      string     `json:"yarn"`
	Lot       string     `json:"lot"`
	Tip       string     `json:"tip"`
	Order     string     `json:"order"`
	Roll      int64      `json:"roll"`
	RollKg    float64    `json:"roll_kg"`
	Cause     string     `json:"cause"`
	Sentence  string     `json:"sentence"`
	State     string     `json:"state"`
	Fixer     *time.Time `json:"fixer_called"`
	Lapsed    *time.Time `json:"lapsed"`        // somebody took it then and did not finish in reason
	Overdue   *time.Time `json:"overdue_since"` // its cones run out since

	Tie         bool          `json:"tie"`
	Open        *time.Time    `json:"open"`
	Latest      *time.Time    `json:"latest"`
	NextOrder   string        `json:"next_order"`
	NextArticle string        `json:"next_article"`
	Positions   []int32       `json:"positions"`
	Remnants    []remnantJSON `json:"remnants"`
}

// remnantJSON is yarn of one lot left on cones.
type remnantJSON struct {
	Lot   string  `json:"lot"`
	Cones int64   `some:"" json:"cones"`
	Kg    float64 `json:"kg"`
}

var kindWords = map[pb.TaskKind]string{
	pb.TaskKind_TASK_KIND_STOP: "stop", pb.TaskKind_TASK_KIND_DOFF: "doff", pb.TaskKind_TASK_KIND_CREEL: "creel",
	pb.TaskKind_TASK_KIND_STYLE_CHANGE: "style change", pb.TaskKind_TASK_KIND_END_OF_JOB: "end of job",
}

func taskFromPB(t *pb.Task) taskJSON {
	out := taskJSON{
		Task: strings.TrimPrefix(t.GetName(), "tasks/"), Kind: kindWords[t.GetKind()], Machine: t.GetMachine(), Due: when(t.GetDueTime()),
		First: when(t.GetFirstTime()), P05: when(t.GetP05Time()), P50: when(t.GetP50Time()), P95: when(t.GetP95Time()), Last: when(t.GetLastTime()),
		Cones: int64(t.GetConeCount()), FeedGroup: t.GetFeedGroup(), Yarn: t.GetYarn(), Lot: t.GetLot(), Tip: t.GetTip(), Order: t.GetOrder(),
		Roll: int64(t.GetRollNumber()), RollKg: t.GetRollKg().GetValue(), Cause: t.GetCause(), Sentence: t.GetSentence(),
		State: taskStates[t.GetState()], Fixer: when(t.GetFixerCallTime()), Lapsed: when(t.GetLapsedTime()), Overdue: when(t.GetOverdueSinceTime()),
		Tie: t.GetTie(), Open: when(t.GetOpenTime()), Latest: when(t.GetLatestTime()), NextOrder: t.GetNextOrder(), NextArticle: t.GetNextArticle(),
		Positions: some(t.GetPositions()), Remnants: []remnantJSON{},
	}
	for _, r := range t.GetRemnants() {
		out.Remnants = append(out.Remnants, remnantJSON{r.GetLot(), int64(r.GetConeCount()), r.GetNetKg().GetValue()})
	}
	return out
}

func (c *creelNextCmd) Run(ctx context.Context, s *session) error {
	r := &pb.ListTasksRequest{Machines: machineNames(c.Machines), HorizonMinutes: c.Minutes}
	if c.Set != "" {
		all, err := s.allMachines(ctx)
		if err != nil {
			return err
		}
		for _, m := range all {
			if strings.EqualFold(m.GetSet(), c.Set) {
				r.Machines = append(r.Machines, m.GetName())
			}
		}
		if len(r.Machines) == 0 {
			return &exitError{exitNotFound, fmt.Errorf("no machine is in set %q; see the set of machines with `planner machines show ID`", c.Set)}
		}
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	answer, err := s.creels().ListTasks(ctx, r)
	if err != nil {
		return s.explain(err)
	}
	l := listing{head: []string{">in", "machine", "what", "window", "", ""}, empty: fmt.Sprintf("nothing to do in the next %d min", c.Minutes)}
	data := []taskJSON{}
	for _, t := range answer.GetTasks() {
		j := taskFromPB(t)
		data = append(data, j)
		l.add(s.taskRow(&j)...)
	}
	l.data = struct {
		Tasks []taskJSON `json:"tasks"`
	}{data}
	if c.Tasks || s.common.Output == "csv" {
		return s.print(&l)
	}
	return s.printWalks(ctx, r, &l, data)
}

func (s *session) taskRow(t *taskJSON) []string {
	in, window, picture := "now", "", ""
	if t.Kind != "stop" && t.Due != nil {
		if d := t.Due.Sub(s.now()); d >= time.Minute {
			in = ago(d)
		}
	}
	if t.First != nil && t.Last != nil {
		window = fmt.Sprintf("%s to %sf", s.clockOf(t.First), s.clockOf(t.Last))
		picture = windowLine(t)
	}
	sentence := t.Sentence
	if t.Tip != "" {
		sentence += " Tip " + t.Tip + "."
	}
	if t.State == "taken" || t.State == "half done" {
		sentence += " " + strings.ToUpper(t.State[:1]) + t.State[1:] + "."
	}
	if t.Fixer != nil {
		sentence += " Fixer called " + s.clock(*t.Fixer) + "."
	}
	return []string{in, strings.ToUpper(t.Machine), t.Kind, window, picture, sentence}
}

// windowLine draws a run-out window: first and last cone, 5 to 95 %, median.
func windowLine(t *taskJSON) string {
	if t.P05 == nil || t.P50 == nil || t.P95 == nil {
		return ""
	}
	const width = 20
	length := t.Last.Sub(*t.First)
	if length <= 0 {
		return "|"
	}
	place := func(p *time.Time) int {
		return min(width-1, max(0, int(float64(p.Sub(*t.First))/float64(length)*(width-1)+0.5)))
	}
	line := []byte(strings.Repeat("-", width))
	for i := place(t.P05); i <= place(t.P95); i++ {
		line[i] = '='
	}
	line[place(t.P50)] = '|'
	return string(line)
}

var loadWorks = map[string]pb.LoadWork{
	"change": pb.LoadWork_LOAD_WORK_CHANGE, "out": pb.LoadWork_LOAD_WORK_RUN_OUT, "tie": pb.LoadWork_LOAD_WORK_TIE, "beside": pb.LoadWork_LOAD_WORK_BESIDE, "off": pb.LoadWork_LOAD_WORK_OFF,
}

type creelLoadCmd struct {
	Machine     string  `arg:"" help:"Machine, for example k05."`
	Group       string  `help:"Feed group of the knit card; not needed when the card has only one." placeholder:"ground"`
	Lot         string  `help:"Lot of the new cones." placeholder:"L-430"`
	Cones       int32   `some:"" help:"Cones changed; none = all of the group." placeholder:"96"`
	ConeKg      float64 `some:"" name:"cone-kg" help:"Net kilos of one cone; none = as the yarn says." placeholder:"1.89"`
	At          string  `help:"When; none = now." placeholder:"2026-11-25T06:50"`
	Revolutions int64   `default:"-1" help:"Turns of the machine at the load; none = as counted then." placeholder:"54210"`
	Work        string  `enum:"change,out,tie,beside,off" default:"change" help:"What it was: ${enum}. out: the cones before had run out; tie: reserves tied to the tails; beside: reserves that stand there; off: cones taken off, with what is left on each as --cone-kg."`
	Positions   []int32 `help:"Places that took them, from 1; none = those that are due first." placeholder:"3,4,7"`
	ConeCV      float64 `some:"" name:"cone-cv" help:"Spread of cone mass, a share; none = as the yarn says." placeholder:"0.02"`
	RequestID   string  `name:"request-id" help:"Name of this change, so that a repeat changes nothing; none = a new one." placeholder:"ID"`
	DryRun      bool    `name:"dry-run" help:"Check and write nothing."`
}

// Help has an example.
func (*creelLoadCmd) Help() string {
	return "Example:\n  planner creel load k05 --group ground --lot L-430 --cones 96\n  planner creel load k05 --work tie --positions 3,4,7 --lot L-430\n  planner creel load k05 --work off --cone-kg 0.42     then: planner yarn return L-430 k05 40.3"
}

func (c *creelLoadCmd) Run(ctx context.Context, s *session) error {
	at, err := s.instantTold(c.At)
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r := &pb.LoadCreelRequest{
		Machine: machineName(c.Machine), FeedGroup: c.Group, ConeCount: c.Cones, Lot: c.Lot, ConeNetKg: c.ConeKg,
		RequestId: c.RequestID, ValidateOnly: c.DryRun, Work: loadWorks[c.Work], Positions: c.Positions, ConeMassCv: c.ConeCV, LoadTime: at,
	}
	if r.RequestId == "" {
		r.RequestId = newRequestID()
	}
	if c.Revolutions >= 0 {
		r.RevolutionCount = &c.Revolutions
	}
	answer, err := s.creels().LoadCreel(ctx, r)
	if err != nil {
		return s.explain(err)
	}
	load := answer.GetLoad()[strings.LastIndex(answer.GetLoad(), "/")+1:]
	l := listing{head: []string{"machine", "load", ">cones", "lot", ""}}
	l.add(strings.ToUpper(strings.TrimPrefix(r.Machine, "machines/")), load, fmt.Sprint(answer.GetConeCount()), c.Lot, dryNote(c.DryRun))
	l.data = struct {
		Machine  string       `json:"machine"`
		Load     string       `json:"load"`
		Cones    int64        `json:"cones"`
		DryRun   bool         `json:"dry_run"`
		Warnings []string     `json:"warnings"`
		Lessons  []lessonJSON `json:"lessons"`
	}{strings.TrimPrefix(r.Machine, "machines/"), load, int64(answer.GetConeCount()), c.DryRun, some(answer.GetWarnings()), lessonsFromPB(answer.GetLessons())}
	if err := s.print(&l); err != nil {
		return err
	}
	s.tellLessons(lessonsFromPB(answer.GetLessons()), answer.GetWarnings())
	if load != "" {
		fmt.Fprintf(s.err, "to take it back: planner creel undo %s %s\n", strings.TrimPrefix(r.Machine, "machines/"), load)
	}
	return nil
}

// newRequestID is a random UUID, version 4.
func newRequestID() string {
	var b [16]byte
	rand.Read(b[:]) // never fails; see crypto/rand
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	h := hex.EncodeToString(b[:])
	return strings.Join([]string{h[:8], h[8:12], h[12:16], h[16:20], h[20:]}, "-")
}

type creelUndoCmd struct {
	Machine string `arg:"" name:"task-or-machine" help:"Task, or machine of a load, for example k05."`
	Load    string `arg:"" optional:"" help:"Number of the load, as told when it was recorded."`
	change
}

func (c *creelUndoCmd) Run(ctx context.Context, s *session) error {
	if c.Load == "" {
		return s.reportTask(ctx, c.Machine, &pb.ReportTaskRequest{Act: pb.TaskAct_TASK_ACT_UNDO}, &c.change)
	}
	if c.DryRun || c.RequestID != "" {
		return usage("--dry-run and --request-id are for a task; the undo of a load needs neither")
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	machine := machineName(c.Machine)
	number := c.Load[strings.LastIndex(c.Load, "/")+1:]
	if n, err := strconv.ParseInt(number, 10, 64); err != nil || n < 1 {
		return usage("load %q: expected the number that `planner creel load` told", c.Load)
	}
	if _, err := s.creels().UndoLoad(ctx, &pb.UndoLoadRequest{Machine: machine, Load: machine + "/loads/" + number}); err != nil {
		return s.explain(err)
	}
	l := listing{head: []string{"machine", "load", ""}}
	l.add(strings.ToUpper(strings.TrimPrefix(machine, "machines/")), number, "taken back")
	l.data = struct {
		Machine string `json:"machine"`
		Load    string `json:"load"`
		Undone  bool   `json:"undone"`
	}{strings.TrimPrefix(machine, "machines/"), number, true}
	return s.print(&l)
}
