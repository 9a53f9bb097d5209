package web

import (
	"context"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
)

const (
	creelHorizon = 12 * time.Hour // a shift and the next one's first tasks
	tasksShown   = 60
	openWithin   = 2 * time.Hour     // a creel further off stays folded
	ridMark      = "\x1arequest\x1a" // replaced by each reader's own request id
)

// The creel round: what do I do next?
type creelData struct {
	Status  creelStatus
	Rows    []railRow
	Empty   string
	Sets    []choice
	Twin    []creelTwin
	Rounds  []string
	Bar     undoBar
	Actions bool
}

type creelStatus struct{ Text string }

type railRow struct {
	ID, In, Unit   string
	Machine, Name  string
	Kind           string // "stop", "doff", "creel": also the drawing
	Strong, Text   string
	Top, Act, Open bool
	Lead           *leadText
	Window         template.HTML
	First, Last    string
	WindowText     string
	Forms          []loadForm
	Recorded       bool   // a moment ago, by somebody
	Wait           string // set: this row is the white space before the next
	WaitPicture    template.HTML
}

type leadText struct {
	Cones     int
	Lot, Yarn string
	Tip       string
}

type loadForm struct {
	Word, Class, Machine, Group, Lot, Back, Task string
	Cones                                        int
}

type creelTwin struct {
	In, Name, Task, Cones, Window string
	Yarn, Lot, Tip                string
}

type undoBar struct {
	Token, Text, Back, Done string
}

func (s *site) creel(ctx context.Context, q url.Values, now time.Time) (view, error) {
	all := s.floor.Machines()
	chosen, scope, wrong := chooseMachines(all, q.Get("machines"), q.Get("set"))
	d := creelData{Actions: s.o.Load != nil, Sets: setChoices(all, q)}
	var tasks []floor.TaskView
	if wrong == "" && len(all) > 0 {
		var err error
		if tasks, err = s.floor.Tasks(ctx, chosen, creelHorizon); err != nil {
			return view{}, fmt.Errorf("web: tasks of %s: %w", scope, err)
		}
	}
	slices.SortStableFunc(tasks, func(a, b floor.TaskView) int { return a.Due.Compare(b.Due) })
	if len(tasks) > tasksShown {
		tasks = tasks[:tasksShown]
	}
	d.Status.Text = scope + ", read " + now.In(s.zone).Format("15:04")
	switch {
	case len(all) == 0:
		d.Empty = "No machine is registered yet."
	case wrong != "":
		d.Empty = wrong
	case len(tasks) == 0:
		d.Empty = "Nothing to do in the next 12 hours."
	}
	d.Rows = s.railRows(tasks, q, now)
	for _, t := range tasks {
		d.Twin = append(d.Twin, s.creelTwin(t, now))
	}
	d.Rounds = sameRounds(tasks)
	d.Bar = s.undoBar(q, now)
	v := view{Title: "Creel round", Data: d}
	ids := []string{}
	for _, r := range d.Rows {
		ids = append(ids, r.ID)
		v.Parts = append(v.Parts, part{ID: r.ID, Template: "rail-row", Data: r})
	}
	v.Parts = append(v.Parts,
		part{ID: "scope", Template: "creel-status", Data: d.Status},
		part{ID: "nothing", Template: "creel-empty", Data: d},
		part{ID: "twin", Template: "creel-twin", Data: d},
		part{ID: "rounds", Template: "creel-rounds", Data: d},
		part{ID: "bar", Template: "creel-bar", Data: d.Bar})
	v.Lists = []list{{"rail", ids}}
	return v, nil
}

// chooseMachines reads the filter: ids or names by comma, or a tender's set.
// Neither means all machines.
func chooseMachines(all []floor.MachineView, machines, set string) (ids []string, scope, wrong string) {
	var names []string
	switch {
	case machines != "":
		for _, want := range strings.Split(machines, ",") {
			want = strings.TrimSpace(want)
			i := slices.IndexFunc(all, func(m floor.MachineView) bool {
				return want != "" && (m.ID == want || strings.EqualFold(nameOf(m), want))
			})
			if i >= 0 && !slices.Contains(ids, all[i].ID) {
				ids, names = append(ids, all[i].ID), append(names, nameOf(all[i]))
			}
		}
		if len(ids) == 0 {
			return nil, machines, "No machine is called " + machines + "."
		}
	case set != "":
		for _, m := range all {
			if m.Set == set {
				ids, names = append(ids, m.ID), append(names, nameOf(m))
			}
		}
		if len(ids) == 0 {
			return nil, "set " + set, "No machine is in set " + set + "."
		}
	default:
		for _, m := range all {
			names = append(names, nameOf(m))
		}
	}
	slices.SortFunc(names, natural)
	switch n := len(names); {
	case n == 0:
		scope = "no machines"
	case n <= 3:
		scope = strings.Join(names, ", ")
	case set != "":
		scope = fmt.Sprintf("set %s, %d machines", set, n)
	default:
		scope = fmt.Sprintf("%s–%s, %d machines", names[0], names[n-1], n)
	}
	return ids, scope, ""
}

// setChoices are the links to the tenders' sets.
func setChoices(all []floor.MachineView, q url.Values) []choice {
	var sets []string
	for _, m := range all {
		if m.Set != "" && !slices.Contains(sets, m.Set) {
			sets = append(sets, m.Set)
		}
	}
	if len(sets) == 0 {
		return nil
	}
	slices.SortFunc(sets, natural)
	list := []choice{{Word: "all machines", Href: "/creel", Current: q.Get("set") == "" && q.Get("machines") == ""}}
	for _, set := range sets[:min(len(sets), 12)] {
		list = append(list, choice{Word: "set " + set, Href: "/creel" + query("set", set), Current: q.Get("set") == set && q.Get("machines") == ""})
	}
	return list
}

func (s *site) railRows(tasks []floor.TaskView, q url.Values, now time.Time) []railRow {
	var rows []railRow
	axis := windowAxis(tasks, now)
	acting, opened := false, q.Get("open") != ""
	for i, t := range tasks {
		r := s.railRow(t, axis, q, now)
		r.Top = i < 3
		if r.Act = r.In == "now" && !acting; r.Act {
			acting = true
		}
		if t.Kind == floor.TaskCreel {
			switch {
			case q.Get("open") != "":
				r.Open = q.Get("open") == t.ID
			case !opened && t.Due.Sub(now) < openWithin:
				r.Open, opened = true, true
			}
		}
		rows = append(rows, r)
		if i+1 < len(tasks) {
			wait := tasks[i+1].Due.Sub(maxTime(t.Due, now))
			if ruler := drawWait(wait); ruler != "" {
				rows = append(rows, railRow{ID: domID("w", t.ID), Wait: minutes(wait) + " to the next", WaitPicture: ruler})
			}
		}
	}
	return rows
}

func (s *site) railRow(t floor.TaskView, a axis, q url.Values, now time.Time) railRow {
	r := railRow{ID: domID("t", t.ID), Machine: t.Machine, Name: t.Name}
	if r.Name == "" {
		r.Name = t.Machine
	}
	r.In, r.Unit = until(t.Due, now)
	switch t.Kind {
	case floor.TaskDoff:
		r.Kind, r.Strong, r.Text = "doff", "Doff", doffText(t)
	case floor.TaskCreel:
		r.Kind, r.Strong = "creel", "Creel"
		if w := t.Window; w != nil {
			s.fillCreel(&r, t, w, a, q, now)
		}
	default:
		r.In, r.Unit = "now", ""
		r.Kind, r.Strong = "stop", "Stopped "+minutes(now.Sub(t.Since))
		r.Text = word(t.Cause) + " " + letter(t.Cause)
		if letter(t.Cause) == "?" {
			r.Text = "cause not given"
		}
	}
	return r
}

func (s *site) fillCreel(r *railRow, t floor.TaskView, w *outlook.CreelWindow, a axis, q url.Values, now time.Time) {
	r.Window = drawWindow(w, a, now, s.zone)
	r.First, r.Last = dayTime(w.First, now, s.zone), dayTime(w.Last, now, s.zone)
	r.WindowText = fmt.Sprintf("First cone %s, half of them by %s, last %s.", r.First, dayTime(w.P50, now, s.zone), r.Last)
	yarn := t.YarnName
	if yarn == "" {
		yarn = w.Yarn
	}
	r.Lead = &leadText{Cones: w.Cones, Lot: w.Lot, Yarn: yarn, Tip: w.Tip}
	if s.o.Load == nil || w.Cones < 1 {
		return
	}
	if r.Recorded = s.loads.ofTask(t.ID, now) != ""; r.Recorded {
		return
	}
	form := loadForm{Machine: t.Machine, Group: w.Group, Lot: w.Lot, Back: scopeQuery(q), Task: t.ID}
	form.Word, form.Class, form.Cones = fmt.Sprintf("All %d changed", w.Cones), "do", w.Cones
	r.Forms = append(r.Forms, form)
	if half := w.Cones / 2; half > 0 {
		form.Word, form.Class, form.Cones = fmt.Sprintf("Half changed, %d", half), "", half
		r.Forms = append(r.Forms, form)
	}
}

// scopeQuery keeps of a query only the filter of machines.
func scopeQuery(q url.Values) string {
	return strings.TrimPrefix(query("machines", q.Get("machines"), "set", q.Get("set")), "?")
}

func doffText(t floor.TaskView) string {
	s := ""
	if t.RollNumber > 0 {
		s = fmt.Sprintf("roll %d", t.RollNumber)
	}
	if t.RollKg > 0 {
		if s != "" {
			s += ", "
		}
		s += number(t.RollKg, 1) + " kg"
	}
	return s
}

func conesText(cones int, lot, tip string) string {
	s := fmt.Sprintf("%d %s", cones, plural(cones, "cone", "cones"))
	if lot != "" {
		s += " " + lot
	}
	if tip != "" {
		s += " " + tip
	}
	return s
}

func (s *site) creelTwin(t floor.TaskView, now time.Time) creelTwin {
	big, small := until(t.Due, now)
	row := creelTwin{In: strings.TrimSpace(big + " " + small), Name: t.Name}
	if row.Name == "" {
		row.Name = t.Machine
	}
	switch t.Kind {
	case floor.TaskDoff:
		row.Task = strings.TrimSpace("doff " + doffText(t))
	case floor.TaskCreel:
		row.Task = "creel"
		if w := t.Window; w != nil {
			row.Cones = fmt.Sprint(w.Cones)
			yarn := t.YarnName
			if yarn == "" {
				yarn = w.Yarn
			}
			row.Yarn, row.Lot, row.Tip = yarn, w.Lot, w.Tip
			row.Window = dayTime(w.First, now, s.zone) + "–" + dayTime(w.Last, now, s.zone)
		}
	default:
		row.In = "now"
		row.Task = "stopped " + minutes(now.Sub(t.Since)) + ", " + word(t.Cause)
	}
	return row
}

func nonEmpty(parts ...string) []string {
	return slices.DeleteFunc(parts, func(s string) bool { return s == "" })
}

// sameRounds finds creels that run out in the same window and take the same
// lot: one walk to the store serves them.
func sameRounds(tasks []floor.TaskView) []string {
	var rounds []string
	used := make([]bool, len(tasks))
	for i, t := range tasks {
		w := t.Window
		if used[i] || t.Kind != floor.TaskCreel || w == nil || w.Lot == "" {
			continue
		}
		names, cones := []string{t.Name}, w.Cones
		for j := i + 1; j < len(tasks); j++ {
			o := tasks[j].Window
			if used[j] || tasks[j].Kind != floor.TaskCreel || o == nil || o.Lot != w.Lot {
				continue
			}
			if o.First.Before(w.P50) { // before half of the first creel is empty
				used[j] = true
				names, cones = append(names, tasks[j].Name), cones+o.Cones
			}
		}
		if len(names) > 1 {
			last := names[len(names)-1]
			rounds = append(rounds, fmt.Sprintf("%s and %s run out together and take lot %s: fetch %d cones in one round.",
				strings.Join(names[:len(names)-1], ", "), last, w.Lot, cones))
		}
	}
	return rounds[:min(len(rounds), 6)]
}
