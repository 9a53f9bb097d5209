package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	pb "turnwise/proto/turnwisepb"
)

type planCmd struct {
	Solve   planSolveCmd   `cmd:"" help:"Search which order runs where; the plan is kept as proposed."`
	Move    planMoveCmd    `cmd:"" help:"Make a plan by hand: moves and splits; it is kept as proposed."`
	Show    planShowCmd    `cmd:"" help:"The jobs of every machine: of a plan, or as they stand."`
	List    planListCmd    `cmd:"" help:"Plans that are kept, newest first."`
	Diff    planDiffCmd    `cmd:"" help:"Which orders a plan moves, each with one sentence."`
	Apply   planApplyCmd   `cmd:"" help:"Write a plan's jobs into the book. What runs is never touched."`
	Undo    planUndoCmd    `cmd:"" help:"Put back the jobs as they were before a plan was applied."`
	Start   planStartCmd   `cmd:"" help:"Say that a machine has begun with a planned job; its kilos count from then on."`
	Explain planExplainCmd `cmd:"" help:"Why an order stands where it does."`
	Setups  planSetupsCmd  `cmd:"" help:"The table of set-ups that plans go by."`
}

type planSolveCmd struct {
	Seconds float64 `default:"2" help:"How long to search."`
	Rounds  int32   `help:"Search so many rounds instead: the same seed and rounds give the same plan."`
	Seed    int64   `default:"1" help:"Seed of the search."`
	Frozen  float64 `help:"Nothing that starts within so many hours is moved; 0 = as the mill's settings say, -1 = only what runs stays."`
	DryRun  bool    `name:"dry-run" help:"Tell the plan and keep nothing."`
}

// Help has an example.
func (*planSolveCmd) Help() string {
	return "Ctrl-C ends the search with the best plan so far; a second one ends the command.\n\nExample:\n  planner plan solve --seconds 10\n  planner plan apply"
}

// Run follows the search and prints what it moves.
func (c *planSolveCmd) Run(ctx context.Context, s *session) error {
	if !(c.Seconds >= 0.1 && c.Seconds <= 600) {
		return usage("--seconds %g: expected 0.1 to 600", c.Seconds)
	}
	q := &pb.SolvePlanRequest{SearchMilliseconds: int32(c.Seconds * 1000), Seed: c.Seed, Rounds: c.Rounds, FrozenHours: c.Frozen, ValidateOnly: c.DryRun, RequestId: newRequestID()}
	if c.Rounds > 0 {
		q.SearchMilliseconds = 0
	}
	// The first interrupt asks for the best so far, so it must not cut the stream.
	follow, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.common.Timeout+time.Duration(q.GetSearchMilliseconds())*time.Millisecond+10*time.Minute*time.Duration(min(c.Rounds, 1)))
	defer cancel()
	asked := make(chan struct{})
	defer func() { cancel(); <-asked }()
	go func() {
		defer close(asked)
		select {
		case <-follow.Done():
		case <-ctx.Done():
			if _, err := s.plans().StopSolve(follow, &pb.StopSolveRequest{RequestId: q.GetRequestId()}); err != nil && follow.Err() == nil {
				cancel()
			}
		}
	}()
	stream, err := s.plans().SolvePlan(follow, q)
	if err != nil {
		return s.explain(err)
	}
	for {
		r, err := stream.Recv()
		if err != nil {
			s.progress("")
			return s.explain(err)
		}
		if p := r.GetPlan(); p != nil {
			s.progress("")
			return s.tellPlan(p)
		}
		s.progress(fmt.Sprintf("%d rounds, cost %.0f, %.0f at first", r.GetRoundCount(), r.GetCost().GetTardiness(), r.GetCost().GetStart()))
	}
}

// progress overwrites one line on a terminal; elsewhere it says nothing.
func (s *session) progress(line string) {
	f, ok := s.err.(*os.File)
	if !ok {
		return
	}
	if info, err := f.Stat(); err != nil || info.Mode()&os.ModeCharDevice == 0 {
		return
	}
	fmt.Fprintf(f, "\r\x1b[K%s", line)
}

// moveJSON is one moved order, as scripts read it.
type moveJSON struct {
	Order    string     `json:"order"`
	From     []string   `json:"from_machines"`
	To       []string   `json:"to_machines"`
	FromEnd  *time.Time `json:"from_end"`
	ToStart  *time.Time `json:"to_start"`
	ToEnd    *time.Time `json:"to_end"`
	Rule     string     `json:"rule"`
	Sentence string     `json:"sentence"`
}

type planJSON struct {
	Moves       []moveJSON    `json:"moves"` // first, so that CSV lists them
	Plan        string        `json:"plan"`
	Base        string        `json:"base"`
	State       string        `json:"state"`
	Origin      string        `json:"origin"`
	Made        *time.Time    `json:"made"`
	Applied     *time.Time    `json:"applied"`
	Undone      *time.Time    `json:"undone"`
	Machines    []lineJSON    `json:"machines"`
	Refused     []refusedJSON `json:"not_loaded"`
	Cost        costJSON      `json:"cost"`
	Free        []freeJSON    `json:"free"`
	Assumptions []string      `json:"assumptions"`
	Warnings    []string      `json:"warnings"`
}

type lineJSON struct {
	Machine string        `json:"machine"`
	Jobs    []planJobJSON `json:"jobs"`
}

type planJobJSON struct {
	Kind       string     `json:"kind"`
	Order      string     `json:"order"`
	Card       string     `json:"card"`
	Part       int64      `json:"part"`
	Parts      int64      `json:"parts"`
	Kg         float64    `json:"kg"`
	Rolls      int64      `json:"rolls"`
	SetupStart *time.Time `json:"setup_start"`
	Start      *time.Time `json:"start"`
	End        *time.Time `json:"end"`
	P10        *time.Time `json:"end_p10"`
	P90        *time.Time `json:"end_p90"`
	SetupMin   float64    `json:"setup_min"`
	LateMin    float64    `json:"late_min"`
	Frozen     bool       `json:"frozen"`
	Pinned     bool       `json:"pinned"`
	Care       string     `json:"care_kind"`
	Cylinder   string     `json:"cylinder"`
	CylMin     float64    `json:"cylinder_min"`
}

type refusedJSON struct {
	Order    string   `json:"order"`
	Sentence string   `json:"sentence"`
	Reasons  []string `json:"reasons"`
}

type costJSON struct {
	Tardiness float64 `json:"tardiness"`
	Setup     float64 `json:"setup"`
	Change    float64 `json:"change"`
	Start     float64 `json:"start"`
	Bound     float64 `json:"bound"`
}

type freeJSON struct {
	DiameterInch float64 `json:"diameter_inch"`
	GaugeNPI     float64 `json:"gauge_npi"`
	Machines     int64   `json:"machines"`
	Hours        float64 `json:"hours"`
}

func bareMachines(names []string) []string {
	out := []string{}
	for _, n := range names {
		out = append(out, strings.TrimPrefix(n, "machines/"))
	}
	return out
}

func movesFromPB(list []*pb.LoadingMove) []moveJSON {
	out := []moveJSON{}
	for _, m := range list {
		out = append(out, moveJSON{
			strings.TrimPrefix(m.GetOrder(), "orders/"), bareMachines(m.GetFromMachines()), bareMachines(m.GetToMachines()), when(m.GetFromEndTime()), when(m.GetToStartTime()), when(m.GetToEndTime()), m.GetRule(), m.GetSentence(),
		})
	}
	return out
}

func jobOfPlan(j *pb.LoadingJob) planJobJSON {
	return planJobJSON{
		j.GetKind(), strings.TrimPrefix(j.GetOrder(), "orders/"), j.GetKnitCard(), int64(j.GetPart()), int64(j.GetPartCount()), j.GetQuantityKg(), int64(j.GetRollCount()),
		when(j.GetSetupStartTime()), when(j.GetStartTime()), when(j.GetEndTime()), when(j.GetEndP10Time()), when(j.GetEndP90Time()), j.GetSetupMinutes(), j.GetLateMinutes(), j.GetFrozen(), j.GetPinned(), j.GetCareKind(), j.GetCylinder(), j.GetCylinderMinutes(),
	}
}

func planFromPB(p *pb.LoadingPlan) planJSON {
	c := p.GetCost()
	out := planJSON{
		Moves: movesFromPB(p.GetMoves()), Plan: strings.TrimPrefix(p.GetName(), "plans/"), Base: strings.TrimPrefix(p.GetBasePlan(), "plans/"),
		State: strings.ToLower(strings.TrimPrefix(p.GetState().String(), "LOADING_PLAN_STATE_")), Origin: p.GetOrigin(), Made: when(p.GetMadeTime()), Applied: when(p.GetAppliedTime()), Undone: when(p.GetUndoneTime()),
		Machines: []lineJSON{}, Refused: []refusedJSON{}, Cost: costJSON{c.GetTardiness(), c.GetSetup(), c.GetChange(), c.GetStart(), c.GetBound()}, Free: []freeJSON{},
		Assumptions: some(p.GetAssumptions()), Warnings: some(p.GetWarnings()),
	}
	for _, l := range p.GetLines() {
		line := lineJSON{strings.TrimPrefix(l.GetMachine(), "machines/"), []planJobJSON{}}
		for _, j := range l.GetJobs() {
			line.Jobs = append(line.Jobs, jobOfPlan(j))
		}
		out.Machines = append(out.Machines, line)
	}
	for _, r := range p.GetRefusals() {
		j := refusedJSON{strings.TrimPrefix(r.GetOrder(), "orders/"), r.GetSentence(), []string{}}
		for _, why := range r.GetReasons() {
			j.Reasons = append(j.Reasons, why.GetSentence())
		}
		out.Refused = append(out.Refused, j)
	}
	for _, f := range p.GetFree() {
		out.Free = append(out.Free, freeJSON{f.GetDiameterInch(), f.GetGaugeNpi(), int64(f.GetMachineCount()), f.GetHours()})
	}
	return out
}

// moves is a listing of moved orders.
func (s *session) moves(list []moveJSON) listing {
	l := listing{head: []string{"order", "from", "to", "ended", "ends", "rule", "why"}, empty: "no order moves"}
	for _, m := range list {
		at := func(machines []string) string { return cmpOr(strings.ToUpper(strings.Join(machines, " ")), "-") }
		l.add(m.Order, at(m.From), at(m.To), s.clockOf(m.FromEnd), s.forecastOf(m.ToEnd), m.Rule, m.Sentence)
	}
	return l
}

func cmpOr(a, b string) string {
	if a == "" {
		return b
	}
	return a
}

// tellPlan prints what a plan moves, what it leaves out and what it warns of.
func (s *session) tellPlan(p *pb.LoadingPlan) error {
	j := planFromPB(p)
	l := s.moves(j.Moves)
	l.data = j
	if err := s.print(&l); err != nil || s.common.Output != "table" {
		return err
	}
	var b strings.Builder
	for _, r := range j.Refused {
		fmt.Fprintf(&b, "not loaded: %s\n", r.Sentence)
		for _, why := range r.Reasons {
			fmt.Fprintf(&b, "  %s\n", why)
		}
	}
	for _, w := range j.Warnings {
		fmt.Fprintf(&b, "warning: %s\n", w)
	}
	for _, a := range j.Assumptions {
		fmt.Fprintf(&b, "assumed: %s\n", a)
	}
	up := 0.0
	for _, line := range j.Machines {
		for _, job := range line.Jobs {
			up += job.SetupMin / 60
		}
	}
	fmt.Fprintf(&b, "late %.1f h of weight 1, set-up %.1f h; cost %.1f h, %.1f h at first\n", j.Cost.Tardiness/60, up, (j.Cost.Tardiness+j.Cost.Setup+j.Cost.Change)/60, j.Cost.Start/60)
	switch {
	case j.Plan == "":
		b.WriteString("nothing was kept (dry run)\n")
	case j.State == "proposed":
		fmt.Fprintf(&b, "kept as plan %s; write it into the book with: planner plan apply %s\n", j.Plan, j.Plan)
	}
	_, err := io.WriteString(s.out, b.String())
	return err
}

type planMoveCmd struct {
	Changes []string `arg:"" help:"Changes, separated by commas." placeholder:"move SO-1052 K02"`
	DryRun  bool     `name:"dry-run" help:"Tell the plan and keep nothing."`
}

// Help has an example.
func (*planMoveCmd) Help() string {
	return "Changes: move ORDER MACHINE [BEHIND], split ORDER MACHINE [KG], add MACHINE ORDER.\n\nExample:\n  planner plan move move SO-1052 K02, split SO-1041 K05 800"
}

func (c *planMoveCmd) Run(ctx context.Context, s *session) error {
	changes, err := s.changes(strings.Join(c.Changes, " "))
	if err != nil {
		return err
	}
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().ProposePlan(ctx, &pb.ProposePlanRequest{Changes: changes, ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	return s.tellPlan(r.GetPlan())
}

type planShowCmd struct {
	Plan string `arg:"" optional:"" default:"live" help:"Number of a plan; none = the jobs as they stand."`
}

func (c *planShowCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().GetPlan(ctx, &pb.GetPlanRequest{Name: "plans/" + strings.TrimPrefix(c.Plan, "plans/")})
	if err != nil {
		return s.explain(err)
	}
	j := planFromPB(r.GetPlan())
	l := listing{head: []string{"machine", "order", ">kg", ">set-up min", "starts", "ends", "10 %", "90 %", ">late h", ""}, empty: "no machine has a job", data: j}
	for _, line := range j.Machines {
		for _, job := range line.Jobs {
			mark, what := job.Kind, job.Order
			switch {
			case job.Kind == "care":
				mark, what = "care", cmpOr(job.Care, job.Order)
			case job.Pinned:
				mark = "pinned"
			case job.Frozen && job.Kind == "order":
				mark = "frozen"
			case job.Kind == "order":
				mark = ""
			}
			if job.Cylinder != "" {
				mark = strings.TrimSpace(mark + " cylinder " + job.Cylinder)
			}
			amount := kg(job.Kg, "k")
			if job.Kind == "care" {
				amount = "-"
			}
			late := "-"
			if job.LateMin > 0 {
				late = fmt.Sprintf("%.1f", job.LateMin/60)
			}
			l.add(strings.ToUpper(line.Machine), what, amount, fmt.Sprintf("%.0fe", job.SetupMin), s.clockOf(job.Start), s.forecastOf(job.End), s.forecastOf(job.P10), s.forecastOf(job.P90), late, mark)
		}
	}
	if err := s.print(&l); err != nil || s.common.Output != "table" {
		return err
	}
	var b strings.Builder
	for _, r := range j.Refused {
		fmt.Fprintf(&b, "not loaded: %s\n", r.Sentence)
	}
	for _, w := range j.Warnings {
		fmt.Fprintf(&b, "warning: %s\n", w)
	}
	for _, f := range j.Free {
		fmt.Fprintf(&b, "free: %.0f machine-hours in 7 days on %d machines of %g inches, gauge %g\n", f.Hours, f.Machines, f.DiameterInch, f.GaugeNPI)
	}
	_, err = io.WriteString(s.out, b.String())
	return err
}

type planListCmd struct{}

func (c *planListCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().ListPlans(ctx, &pb.ListPlansRequest{PageSize: 100})
	if err != nil {
		return s.explain(err)
	}
	var plans []planJSON
	l := listing{head: []string{"plan", "made", "by", "state", ">moves", "applied", "undone"}, empty: "no plan is kept"}
	for _, p := range r.GetPlans() {
		j := planFromPB(p)
		plans = append(plans, j)
		l.add(j.Plan, s.clockOf(j.Made), j.Origin, j.State, fmt.Sprint(len(j.Moves)), s.clockOf(j.Applied), s.clockOf(j.Undone))
	}
	l.data = struct {
		Plans []planJSON `json:"plans"`
	}{some(plans)}
	return s.print(&l)
}

// newest finds the newest plan of a state when none is named.
func (s *session) newest(ctx context.Context, plan, state string) (string, error) {
	if plan != "" {
		return "plans/" + strings.TrimPrefix(plan, "plans/"), nil
	}
	r, err := s.plans().ListPlans(ctx, &pb.ListPlansRequest{PageSize: 100})
	if err != nil {
		return "", s.explain(err)
	}
	for _, p := range r.GetPlans() {
		if planFromPB(p).State == state {
			return p.GetName(), nil
		}
	}
	return "", &exitError{exitNotFound, errors.New("no plan is " + state + "; make one with: planner plan solve")}
}

type planDiffCmd struct {
	Plan string `arg:"" optional:"" help:"Number of a plan; none = the newest proposed one."`
	Base string `help:"Number of the plan to compare with; none = the jobs as they stand."`
}

func (c *planDiffCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	name, err := s.newest(ctx, c.Plan, "proposed")
	if err != nil {
		return err
	}
	q := &pb.DiffPlansRequest{Name: name}
	if c.Base != "" {
		q.Base = "plans/" + strings.TrimPrefix(c.Base, "plans/")
	}
	r, err := s.plans().DiffPlans(ctx, q)
	if err != nil {
		return s.explain(err)
	}
	moves := movesFromPB(r.GetMoves())
	l := s.moves(moves)
	l.data = struct {
		Moves []moveJSON `json:"moves"`
		Same  int64      `json:"same"`
	}{moves, int64(r.GetSameCount())}
	if err := s.print(&l); err != nil || s.common.Output != "table" {
		return err
	}
	fmt.Fprintf(s.err, "%d orders stay where they are\n", r.GetSameCount())
	return nil
}

type planApplyCmd struct {
	Plan   string `arg:"" optional:"" help:"Number of a plan; none = the newest proposed one."`
	DryRun bool   `name:"dry-run" help:"Tell what would be written and write nothing."`
}

func (c *planApplyCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	name, err := s.newest(ctx, c.Plan, "proposed")
	if err != nil {
		return err
	}
	r, err := s.plans().ApplyPlan(ctx, &pb.ApplyPlanRequest{Name: name, ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	return s.tellTurn(r.GetPlan(), r.GetChanges(), "applied", c.DryRun)
}

type planUndoCmd struct {
	Plan   string `arg:"" optional:"" help:"Number of a plan; none = the newest applied one."`
	DryRun bool   `name:"dry-run" help:"Tell what would be written and write nothing."`
}

func (c *planUndoCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	name, err := s.newest(ctx, c.Plan, "applied")
	if err != nil {
		return err
	}
	r, err := s.plans().UndoPlan(ctx, &pb.UndoPlanRequest{Name: name, ValidateOnly: c.DryRun})
	if err != nil {
		return s.explain(err)
	}
	return s.tellTurn(r.GetPlan(), r.GetChanges(), "undone", c.DryRun)
}

func (s *session) tellTurn(p *pb.LoadingPlan, changes []string, word string, dry bool) error {
	l := listing{head: []string{"change"}, empty: "no job changes"}
	for _, line := range changes {
		l.add(line)
	}
	id := strings.TrimPrefix(p.GetName(), "plans/")
	l.data = struct {
		Plan    string   `json:"plan"`
		Changes []string `json:"changes"`
		DryRun  bool     `json:"dry_run"`
	}{id, some(changes), dry}
	if err := s.print(&l); err != nil {
		return err
	}
	if dry {
		fmt.Fprintf(s.err, "plan %s is not %s (dry run)\n", id, word)
		return nil
	}
	fmt.Fprintf(s.err, "plan %s is %s", id, word)
	if word == "applied" {
		fmt.Fprintf(s.err, "; take it back with: planner plan undo %s", id)
	}
	fmt.Fprintln(s.err)
	return nil
}

type planExplainCmd struct {
	Order string `arg:"" help:"Order, for example SO-1052, or the id of a care."`
	Plan  string `help:"Number of a plan; none = the jobs as they stand."`
}

func (c *planExplainCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	q := &pb.ExplainPlanRequest{Order: "orders/" + strings.TrimPrefix(c.Order, "orders/")}
	if c.Plan != "" {
		q.Name = "plans/" + strings.TrimPrefix(c.Plan, "plans/")
	}
	r, err := s.plans().ExplainPlan(ctx, q)
	if err != nil {
		return s.explain(err)
	}
	type reason struct {
		Machine  string `json:"machine"`
		Rule     string `json:"rule"`
		Sentence string `json:"sentence"`
	}
	data := struct {
		Order     string        `json:"order"`
		Machines  []string      `json:"machines"`
		Jobs      []planJobJSON `json:"jobs"`
		Sentences []string      `json:"sentences"`
		Others    []reason      `json:"other_machines"`
	}{strings.TrimPrefix(q.GetOrder(), "orders/"), bareMachines(r.GetMachines()), []planJobJSON{}, some(r.GetSentences()), []reason{}}
	for _, j := range r.GetJobs() {
		data.Jobs = append(data.Jobs, jobOfPlan(j))
	}
	l := listing{head: []string{"machine", "rule", "why not there"}}
	for _, o := range r.GetReasons() {
		m := strings.TrimPrefix(o.GetMachine(), "machines/")
		data.Others = append(data.Others, reason{m, o.GetRule(), o.GetSentence()})
		l.add(strings.ToUpper(m), o.GetRule(), o.GetSentence())
	}
	l.data = data
	if s.common.Output == "table" {
		if _, err := io.WriteString(s.out, strings.Join(data.Sentences, "\n")+"\n\n"); err != nil {
			return err
		}
	}
	return s.print(&l)
}

type planSetupsCmd struct{}

// Help says how the table is edited.
func (*planSetupsCmd) Help() string {
	return "The table is edited in the book:\n\n  setups:\n    - { kind: yarn, from: \"*\", to: \"*\", minutes: 45 }\n    - { kind: cylinder, machine: k03, from: \"24\", to: \"28\", minutes: 540 }\n    - { kind: lot, from: \"*\", to: \"*\", remove: true }\n\nAn exchangeable cylinder is in one machine at a time; who is ready for it first has it first:\n\n  cylinders:\n    - { id: R28-1, diameter_inch: 30, gauge_npi: 28, machines: [k03, k04] }"
}

func (c *planSetupsCmd) Run(ctx context.Context, s *session) error {
	ctx, cancel := s.call(ctx)
	defer cancel()
	r, err := s.plans().ListSetups(ctx, &pb.ListSetupsRequest{})
	if err != nil {
		return s.explain(err)
	}
	type row struct {
		Kind    string  `json:"kind"`
		Machine string  `json:"machine"`
		From    string  `json:"from"`
		To      string  `json:"to"`
		Minutes float64 `json:"minutes"`
	}
	data := struct {
		Setups  []row `json:"setups"`
		Assumed bool  `json:"assumed"`
	}{[]row{}, r.GetAssumed()}
	l := listing{head: []string{"change", "machine", "from", "to", ">minutes"}}
	for _, x := range r.GetSetups() {
		data.Setups = append(data.Setups, row{x.GetKind(), x.GetMachine(), x.GetFrom(), x.GetTo(), x.GetMinutes()})
		l.add(x.GetKind(), cmpOr(strings.ToUpper(x.GetMachine()), "every"), x.GetFrom(), x.GetTo(), fmt.Sprintf("%.0fe", x.GetMinutes()))
	}
	l.data = data
	if err := s.print(&l); err != nil {
		return err
	}
	if r.GetAssumed() {
		fmt.Fprintln(s.err, "the mill has entered none: these are assumed; see planner plan setups --help")
	}
	return nil
}
