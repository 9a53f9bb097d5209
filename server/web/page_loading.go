package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"html"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// The page of loading: what runs where next. A machine is a line of kilo
// lengths on a time ruler, the right end of each carries its spread. Moves are
// gathered in the address; they are written only when somebody keeps them.
type loadingData struct {
	Free                     string // machine-hours of a week
	FreeBy                   []freeRow
	Axis                     template.HTML
	Rows                     []loadingRow
	Jobs                     []loadingJob
	Waiting, Warnings, Notes []string
	Trials                   []trial
	Table                    []trialRow
	Machines                 []choice
	Movable                  []string
	CanKeep                  bool
	Token                    string
	Done                     string // what was just written
	UndoID                   string
	BegunOn                  string // machine whose last beginning can be taken back
	Begins                   []beginRow
	CanSearch                bool
	Moves                    []loadingMove // of the trial that is drawn
	Shown                    string        // its name
	Fields                   []formField   // the trials, for a form
	Plans                    []keptPlanRow
	Script                   string
	C                        []string
}

type loadingRow struct {
	ID, Name, Label string
	Picture, Was    template.HTML // Was: as things are, where the trial differs
	Words           string
	Changed         bool
}

// freeRow is the free machine-hours of one diameter and gauge, of those there are.
type freeRow struct {
	What, Words string
	Picture     template.HTML
}

// loadingMove is one order that a trial moves, with the rule that binds.
type loadingMove struct{ Order, From, To, FromEnd, ToEnd, Rule, Sentence string }

// keptPlanRow is a plan that was kept.
type keptPlanRow struct {
	ID, Made, By, State, Href string
	Moves                     int
	Undo                      bool
}

type loadingJob struct {
	Machine, Order, Kg, Setup, Start, End, Spread, Mark string
	Late, Care                                          bool
}

// trial is one supposed loading: nothing of it is written.
type trial struct {
	Name, C, Words, Fault, Cost, Show string
	Shown                             bool // it is the one on the lines
	Same                              int
}

type trialRow struct {
	Order, Promise, Now string
	Then                []string
}

func (s *site) loading(ctx context.Context, q url.Values, now time.Time) (view, error) {
	d := loadingData{CanKeep: s.o.KeepPlan != nil, CanSearch: s.searchable(), Token: newToken(), Script: s.files.path("loading.js")}
	plan, err := s.floor.LoadingNow(ctx)
	if errors.Is(err, board.ErrProblem) {
		d.Notes = append(d.Notes, sentence(capital(err.Error())))
	} else if err != nil {
		return view{}, fmt.Errorf("web: loading: %w", err)
	}
	shown, changed := plan, map[string]bool{}
	addr := url.Values{}
	var plans []floor.LoadingPlan
	for _, text := range trialTexts(q) {
		t, p := s.try(ctx, text, len(d.Trials))
		d.C = append(d.C, t.C)
		addr.Set(trialKeys[len(d.Trials)], t.C)
		d.Fields = append(d.Fields, formField{trialKeys[len(d.Trials)], t.C})
		if t.Fault == "" {
			t.Cost = costWords(&p, &plan)
			d.addTrial(&p, len(d.Trials), s.zone)
		}
		d.Trials, plans = append(d.Trials, t), append(plans, p)
	}
	for i := range d.Trials {
		t := &d.Trials[i]
		addr.Set("show", t.Name)
		t.Show = "/loading?" + addr.Encode()
		if t.Fault != "" || d.Shown != "" || q.Get("show") != "" && q.Get("show") != t.Name {
			continue
		}
		t.Shown, d.Shown, shown = true, t.Name, plans[i]
		for _, m := range shown.Moves {
			changed[m.Order] = true
		}
		d.Moves = s.loadingMoves(&shown)
	}
	s.loadingHead(&d, &shown, now)
	s.loadingRows(&d, &shown, &plan, changed, now)
	if err := s.keptPlans(ctx, &d); err != nil {
		return view{}, err
	}
	if id, err := strconv.ParseInt(q.Get("kept"), 10, 64); err == nil && id > 0 {
		d.Done, d.UndoID = fmt.Sprintf("Plan %d is in the book.", id), q.Get("kept")
	}
	if q.Get("undone") != "" {
		d.Done = "The plan is taken back."
	}
	if len(d.Trials) == 0 {
		d.Begins = s.begins(&plan, now)
	}
	switch order, on := q.Get("begun"), q.Get("on"); {
	case order != "" && on != "":
		d.Done, d.BegunOn = fmt.Sprintf("%s begins on %s: kilos count for it from now on.", order, strings.ToUpper(on)), on
	case q.Get("waits") != "":
		d.Done = "The job waits again; what is knitted counts for the order before."
	}
	return view{Title: "Loading", Data: d, Still: true}, nil
}

// trialTexts are the trials of an address; what a form asks for more goes to the first that is
// made by hand, or is the next one.
func trialTexts(q url.Values) []string {
	trials := readTrials(q.Get)
	var out []string
	for _, k := range trialKeys {
		if v := trials.Get(k); v != "" {
			out = append(out, v)
		}
	}
	phrase := loadingPhrase(q)
	if phrase == "" {
		return out
	}
	for i, v := range out {
		if _, plan := planWord(v); !plan {
			out[i] = joined(v, phrase)
			return out
		}
	}
	if len(out) < len(trialKeys) {
		out = append(out, phrase)
	}
	return out
}

func joined(a, b string) string { return strings.Trim(strings.TrimSpace(a)+", "+b, ", ") }

// loadingPhrase is the change that a form asks for.
func loadingPhrase(q url.Values) string {
	word := func(name string) string { return strings.Join(strings.Fields(q.Get(name)), "_") }
	switch q.Get("add") {
	case "move":
		return "move " + word("order") + " " + word("machine")
	case "split":
		return strings.TrimSpace("split " + word("order") + " " + word("machine") + " " + strings.ReplaceAll(word("kg"), ",", "."))
	}
	return ""
}

// try asks what changes would do. A fault is a sentence for the planner.
func (s *site) try(ctx context.Context, text string, n int) (trial, floor.LoadingPlan) {
	t := trial{Name: string(rune('A' + n)), C: text}
	if id, ok := planWord(text); ok {
		return s.tryPlan(ctx, t, id)
	}
	changes, err := outlook.ParseChanges(text, s.zone)
	var p floor.LoadingPlan
	if err == nil {
		t.C = phrases(changes, s.zone)
		var said []string
		for _, c := range changes {
			said = append(said, outlook.Say(c, s.zone))
		}
		t.Words = capital(strings.Join(said, ", "))
		p, err = s.floor.Propose(ctx, changes...)
		t.Same = p.Same
	}
	if err != nil {
		t.Words, t.Fault = cmp.Or(t.Words, text), sentence(capital(err.Error()))
		if !errors.Is(err, outlook.ErrRequest) && !errors.Is(err, board.ErrProblem) {
			s.log.Error("trial not made", "err", err)
			t.Fault = "This cannot be looked at now. Load the page again in a minute."
		}
	}
	return t, p
}

// planWord reads "plan 12", a plan that is kept.
func planWord(text string) (int64, bool) {
	word, rest, _ := strings.Cut(strings.TrimSpace(text), " ")
	id, err := strconv.ParseInt(strings.TrimSpace(rest), 10, 64)
	return id, word == "plan" && err == nil && id > 0
}

// tryPlan shows a plan that is kept as a trial.
func (s *site) tryPlan(ctx context.Context, t trial, id int64) (trial, floor.LoadingPlan) {
	p, err := s.floor.KeptPlan(ctx, id)
	switch {
	case errors.Is(err, store.ErrNotFound) || errors.Is(err, floor.ErrNoPlans):
		t.Words, t.Fault = t.C, fmt.Sprintf("There is no plan %d.", id)
	case err != nil:
		s.log.Error("plan not read", "plan", id, "err", err)
		t.Words, t.Fault = t.C, "This cannot be looked at now. Load the page again in a minute."
	case p.State != store.PlanProposed:
		t.Words, t.Fault = t.C, fmt.Sprintf("Plan %d is %s; it cannot be kept again.", id, p.State)
	}
	if t.Fault == "" {
		t.C, t.Same = fmt.Sprint("plan ", id), p.Same
		t.Words = fmt.Sprintf("Plan %d of %s: %d %s", id, p.Made.In(s.zone).Format("15:04"), len(p.Moves), plural(len(p.Moves), "order moves", "orders move"))
	}
	return t, p
}

// costWords sets what a trial costs beside what the present jobs do.
func costWords(p, now *floor.LoadingPlan) string {
	up := func(p *floor.LoadingPlan) (h float64) {
		for _, l := range p.Lines {
			for _, j := range l.Jobs {
				h += j.SetupMinutes / 60
			}
		}
		return h
	}
	return fmt.Sprintf("Late %.1f h of weight 1, now %.1f h; set-up %.1f h, now %.1f h", p.Cost.Tardiness/60, now.Cost.Tardiness/60, up(p), up(now))
}

// loadingMoves tells every order that a trial moves, and why.
func (s *site) loadingMoves(p *floor.LoadingPlan) []loadingMove {
	names := map[string]string{}
	for _, m := range s.floor.Machines() {
		names[m.ID] = nameOf(m)
	}
	on := func(ids []string) string {
		var out []string
		for _, id := range ids {
			out = append(out, cmp.Or(names[id], strings.ToUpper(id)))
		}
		return cmp.Or(strings.Join(out, " "), "–")
	}
	day := func(t time.Time) string {
		if t.IsZero() {
			return "–"
		}
		return t.In(s.zone).Format("Mon 2 Jan 15:04")
	}
	var out []loadingMove
	for _, m := range p.Moves {
		out = append(out, loadingMove{m.Order, on(m.FromMachine), on(m.ToMachine), day(m.FromEnd), day(m.ToEnd), m.Rule, m.Sentence})
	}
	return out
}

// keptPlans lists the newest plans that are kept.
func (s *site) keptPlans(ctx context.Context, d *loadingData) error {
	list, err := s.floor.KeptPlans(ctx, 0, 5)
	if err != nil && !errors.Is(err, floor.ErrNoPlans) {
		return fmt.Errorf("web: loading: %w", err)
	}
	undo := s.o.UndoPlan != nil && s.o.KeepPlan != nil
	for _, p := range list {
		row := keptPlanRow{ID: fmt.Sprint(p.ID), Made: p.Made.In(s.zone).Format("Mon 2 Jan 15:04"), By: map[string]string{floor.OriginSolve: "searched", floor.OriginHand: "by hand"}[p.Origin], State: p.State, Moves: len(p.Moves)}
		switch p.State {
		case store.PlanProposed:
			row.Href = "/loading" + query("c", fmt.Sprint("plan ", p.ID))
		case store.PlanApplied:
			row.Undo, undo = undo, false // only the newest can be taken back
		}
		d.Plans = append(d.Plans, row)
	}
	return nil
}

// addTrial puts the effects of a trial into the table that sets trials side by side.
func (d *loadingData) addTrial(p *floor.LoadingPlan, n int, zone *time.Location) {
	day := func(t time.Time) string {
		if t.IsZero() {
			return "–"
		}
		return t.In(zone).Format("Mon 2 Jan 15:04")
	}
	for _, e := range p.Effects {
		i := slices.IndexFunc(d.Table, func(r trialRow) bool { return r.Order == e.Order })
		if i < 0 {
			i = len(d.Table)
			d.Table = append(d.Table, trialRow{e.Order, day(e.Promise), day(e.Before), []string{"same", "same", "same"}})
		}
		d.Table[i].Then[n] = day(e.After)
	}
}

func (s *site) loadingHead(d *loadingData, p *floor.LoadingPlan, now time.Time) {
	total, week := 0.0, s.o.Calendar.Working(now, now.AddDate(0, 0, 7)).Hours()
	for _, f := range p.Free {
		total += float64(f.Hours)
		what := "machines without a plate"
		if f.Diameter > 0 {
			what = fmt.Sprintf("%g″ E%g", float64(f.Diameter), float64(f.Gauge))
		}
		whole := float64(f.Machines) * week
		bar := newDrawing("fr", 10)
		bar.rect("be", 0, 100, 1, 8)
		bar.rect("bw", 0, 100*min(float64(f.Hours)/max(whole, 1), 1), 1, 8)
		d.FreeBy = append(d.FreeBy, freeRow{what, fmt.Sprintf("%s of %s h on %d %s", kilos(float64(f.Hours)), kilos(whole), f.Machines, plural(f.Machines, "machine", "machines")), bar.html()})
	}
	d.Free = thousands(int64(math.Round(total)))
	for _, r := range p.Refused {
		d.Waiting = append(d.Waiting, r.Why)
	}
	d.Warnings = p.Warnings
	d.Notes = append(d.Notes, p.Assumptions...)
}

// loadingRows draws every machine and lists every job.
func (s *site) loadingRows(d *loadingData, p, live *floor.LoadingPlan, changed map[string]bool, now time.Time) {
	var until []time.Time
	for _, l := range slices.Concat(p.Lines, live.Lines) {
		for _, j := range l.Jobs {
			until = append(until, j.End, j.P90)
		}
	}
	a := dateAxis(now, s.zone, until)
	plot := datePlot{axis: a, now: now.Truncate(time.Hour), zone: s.zone, days: a.days(s.zone), closed: closedTimes(s.o.Calendar, a)}
	d.Axis = plot.head()
	views := map[string]floor.MachineView{}
	for _, m := range s.floor.Machines() {
		views[m.ID] = m
		d.Machines = append(d.Machines, choice{Word: nameOf(m), Href: m.ID})
	}
	slices.SortFunc(d.Machines, func(a, b choice) int { return natural(a.Word, b.Word) })
	lines, before := map[string]floor.LoadingLine{}, map[string]floor.LoadingLine{}
	for _, l := range p.Lines {
		lines[l.Machine] = l
	}
	for _, l := range live.Lines {
		before[l.Machine] = l
	}
	movable := map[string]bool{}
	for _, m := range d.Machines {
		l := lines[m.Href]
		r := loadingRow{ID: m.Href, Name: m.Word, Label: views[m.Href].Label, Changed: d.Shown != "" && !sameJobs(l, before[m.Href])}
		mark := changed
		if !r.Changed {
			mark = nil
		}
		r.Picture = drawLoading(l, a, plot, mark)
		var words []string
		for _, j := range l.Jobs {
			row := s.loadingJob(m.Word, j)
			d.Jobs = append(d.Jobs, row)
			if row.Care {
				words = append(words, fmt.Sprintf("%s, from %s to %s", row.Order, row.Start, row.End))
				continue
			}
			words = append(words, fmt.Sprintf("%s, %s kilos, ends %s, %s", j.Order, row.Kg, row.End, row.Spread))
			movable[j.Order] = true
		}
		if r.Changed {
			r.Was = drawWas(before[m.Href], a)
		}
		if r.Words = m.Word + ": " + strings.Join(words, "; "); len(words) == 0 {
			r.Words = m.Word + ": free"
		}
		d.Rows = append(d.Rows, r)
	}
	for id := range movable {
		d.Movable = append(d.Movable, id)
	}
	for _, r := range p.Refused {
		if !movable[r.Order] {
			d.Movable = append(d.Movable, r.Order)
		}
	}
	slices.SortFunc(d.Movable, natural)
}

func (s *site) loadingJob(machine string, j floor.LoadingJob) loadingJob {
	day := func(t time.Time) string { return t.In(s.zone).Format("Mon 2 Jan 15:04") }
	row := loadingJob{Machine: machine, Order: j.Order, Kg: kilos(j.Kg), Start: day(j.Start), End: day(j.End), Spread: "spread not known", Late: j.LateMinutes > 0}
	if !j.P10.IsZero() && !j.P90.IsZero() {
		row.Spread = day(j.P10) + " to " + day(j.P90)
	}
	if j.SetupMinutes > 0 {
		row.Setup = fmt.Sprintf("%.0f", j.SetupMinutes)
	}
	switch {
	case j.Kind == board.JobRunning:
		row.Mark, row.Start = "runs", "runs"
	case j.Kind == board.JobCare:
		row.Mark, row.Care, row.Order, row.Kg, row.Spread = "care", true, cmp.Or(j.Care, j.Order), "", ""
	case j.Pinned:
		row.Mark = "pinned"
	}
	if j.Cylinder != "" {
		row.Mark = strings.TrimPrefix(row.Mark+", cylinder "+j.Cylinder, ", ")
	}
	if row.Late {
		row.Mark = strings.TrimPrefix(row.Mark+fmt.Sprintf(", %.0f h late", max(j.LateMinutes/60, 1)), ", ")
	}
	return row
}

// Measures of a line of kilo lengths, in pixels.
const (
	kiloTall = 46.0
	kiloBase = 31.0 // middle of the line
	// Room for a name, in per cent of the line, and in letters.
	deskName, phoneName = 9.0, 36.0
	nameLong            = 12
)

// drawLoading draws one machine: a length for each job from its first to its
// last kilo, set-ups as dots before it, and a tapering end from P10 to P90.
func drawLoading(l floor.LoadingLine, a axis, p datePlot, changed map[string]bool) template.HTML {
	d := newDrawing("ldg", kiloTall)
	for _, c := range p.closed {
		d.rect("sun", a.x(c.from), a.share(c.to.Sub(c.from)), 0, kiloTall)
	}
	for _, t := range p.days {
		d.tick("day", a.x(t), 0, kiloTall)
	}
	d.tick("now", a.x(p.now), 0, kiloTall)
	labelled := -100.0
	for _, j := range l.Jobs {
		up, from, to := a.x(j.SetupStart), a.x(j.Start), a.x(j.End)
		if j.Kind == board.JobCare {
			d.rect("ld-care", from, max(to-from, 0.4), kiloBase-7, 14)
			if j.LateMinutes > 0 {
				d.dot("bd lt", to, kiloBase, 4.5)
			}
			anchor, at, left := "start", from, from
			if from+deskName > 100 { // or its end would be cut off
				anchor, at, left = "end", min(to, 100), min(to, 100)-deskName
			}
			if left >= labelled {
				d.text("ld-t desk", anchor, at, kiloBase-12, clip(cmp.Or(j.Care, j.Order), nameLong), fmt.Sprintf("%.0f min", j.Minutes))
				labelled = left + deskName
			}
			continue
		}
		if from > up {
			d.line("ld-up", up, kiloBase, from, kiloBase)
		}
		class := "ld"
		if j.Kind == board.JobRunning {
			class = "ld on"
		}
		early, late := to, to
		if !j.P10.IsZero() && !j.P90.IsZero() {
			early, late = max(a.x(j.P10), from), a.x(j.P90)
		}
		d.line(class, from, kiloBase, max(early, from), kiloBase)
		// Thinner with every quarter of the spread: less and less sure.
		for k, w := range []string{"e1", "e2", "e3", "e4"} {
			step := (late - early) / 4
			d.line("ld "+w, early+float64(k)*step, kiloBase, early+float64(k+1)*step, kiloBase)
		}
		d.tick("ld-at", from, kiloBase-7, kiloBase+7)
		if j.LateMinutes > 0 {
			d.dot("bd lt", to, kiloBase, 4.5)
		}
		if from >= labelled { // names that would run into each other are in the table
			name := clip(j.Order, nameLong)
			if changed[j.Order] {
				name = "→ " + name
			}
			class := "ld-t"
			if from < labelled+phoneName-deskName {
				class = "ld-t desk"
			}
			d.text(class, "start", from, kiloBase-12, name, kilos(j.Kg)+" kg")
			labelled = from + deskName
		}
		if j.Kind == board.JobOrder {
			fmt.Fprintf(&d.b, `<rect class="ld-hit" data-order="%s" x="%s" width="%s" y="4" height="40"><title>%s</title></rect>`,
				html.EscapeString(j.Order), pct(from), pct(max(to-from, 0.6)), html.EscapeString(fmt.Sprintf("%s, %s kg", j.Order, kilos(j.Kg))))
		}
	}
	return d.html()
}

// sameJobs tells whether two lines have the same jobs with the same kilos in the same order.
func sameJobs(a, b floor.LoadingLine) bool {
	return slices.EqualFunc(a.Jobs, b.Jobs, func(x, y floor.LoadingJob) bool {
		return x.Order == y.Order && x.Kind == y.Kind && math.Abs(x.Kg-y.Kg) < 1
	})
}

const wasTall = 20.0

// drawWas draws the jobs of a machine as they stand, slim, above what a trial makes of them.
func drawWas(l floor.LoadingLine, a axis) template.HTML {
	d := newDrawing("ldg was", wasTall)
	labelled := -100.0
	if len(l.Jobs) == 0 {
		d.text("ld-t", "start", 0, wasTall-5, "", "free")
	}
	for _, j := range l.Jobs {
		from, to := a.x(j.Start), a.x(j.End)
		d.line("ld w", from, wasTall-4, to, wasTall-4)
		d.tick("ld-at", from, wasTall-7, wasTall-1)
		if from >= labelled {
			class := "ld-t"
			if from < labelled+phoneName-deskName {
				class = "ld-t desk"
			}
			d.text(class, "start", from, wasTall-9, "", clip(cmp.Or(j.Care, j.Order), nameLong))
			labelled = from + deskName
		}
	}
	return d.html()
}

// keepPlan writes a trial into the book: POST /loading/keep, a plain form.
func (s *site) keepPlan(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	text := r.PostFormValue("c")
	back := "/loading" + query("c", text)
	if id, ok := planWord(text); ok && s.o.ApplyPlan != nil {
		err := s.o.ApplyPlan(r.Context(), id)
		s.afterPlan(w, r, err, back, "/loading"+query("kept", strconv.FormatInt(id, 10)))
		return
	}
	changes, err := outlook.ParseChanges(text, s.zone)
	var id int64
	if err == nil {
		id, err = s.o.KeepPlan(r.Context(), changes...)
	}
	s.afterPlan(w, r, err, back, "/loading"+query("kept", strconv.FormatInt(id, 10)))
}

// undoPlan takes a plan back: POST /loading/undo.
func (s *site) undoPlan(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	id, err := strconv.ParseInt(r.PostFormValue("plan"), 10, 64)
	if err == nil {
		err = s.o.UndoPlan(r.Context(), id)
	}
	s.afterPlan(w, r, err, "/loading", "/loading"+query("undone", "1"))
}

// afterPlan goes on after a plan was written, or says why it was not.
func (s *site) afterPlan(w http.ResponseWriter, r *http.Request, err error, back, on string) {
	if err != nil {
		s.log.Error("plan not written", "path", r.URL.Path, "err", err)
		s.sayProblem(w, r, http.StatusConflict, problem{"Nothing was written", "The jobs have changed since, or it cannot be. Go back, look again, and keep it again.", back})
		return
	}
	s.cache.forget()
	http.Redirect(w, r, on, http.StatusSeeOther)
}
