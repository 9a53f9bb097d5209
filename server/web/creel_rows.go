package web

import (
	"cmp"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// railRow is one task on the rail, or the white space before the next one.
type railRow struct {
	ID, In, Unit  string
	Task, Back    string
	Machine, Name string
	Kind          string // "stop", "doff", "creel": also the drawing
	Strong, Text  string
	Top, Act      bool
	Due           int64  // ms since 1970
	State         string // of store.Task…
	Fixer         string // when the fixer was called
	CanTap        bool
	Half          int // cones of half a round; 0 = it has no half
	Lead          *leadText
	Window        template.HTML
	First, Last   string
	WindowText    string
	Wait          string // set: this row is the white space before the next
	WaitPicture   template.HTML
}

type leadText struct {
	Cones     int
	Lot, Yarn string
	Tip       string
}

// railRows draws tasks in the order in which they come.
func (s *site) railRows(tasks []floor.TaskView, a axis, q url.Values, now time.Time) []railRow {
	var rows []railRow
	acting := false
	for i, t := range tasks {
		r := s.railRow(t, a, q, now)
		r.Top = i < 3
		if r.Act = r.In == "now" && r.State != store.TaskDone && !acting; r.Act {
			acting = true
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
	r := railRow{ID: domID("t", t.ID), Task: t.ID, Back: scopeQuery(q), Machine: t.Machine, Name: cmp.Or(t.Name, t.Machine),
		Due: t.Due.UnixMilli(), State: cmp.Or(t.State.State, store.TaskDue), CanTap: s.o.Tap != nil}
	if !t.State.Fixer.IsZero() {
		r.Fixer = dayTime(t.State.Fixer, now, s.zone)
	}
	r.In, r.Unit = until(t.Due, now)
	switch t.Kind {
	case floor.TaskDoff:
		r.Kind, r.Strong, r.Text = "doff", "Doff", doffText(t)
	case floor.TaskCreel:
		r.Kind, r.Strong = "creel", "Creel"
		if w := t.Window; w != nil {
			s.fillCreel(&r, t, w, a, now)
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

func (s *site) fillCreel(r *railRow, t floor.TaskView, w *outlook.CreelWindow, a axis, now time.Time) {
	r.Window = drawWindow(w, a, now, s.zone)
	r.First, r.Last = dayTime(w.First, now, s.zone), dayTime(w.Last, now, s.zone)
	r.WindowText = fmt.Sprintf("First cone %s, half of them by %s, last %s.", r.First, dayTime(w.P50, now, s.zone), r.Last)
	r.Lead = &leadText{Cones: w.Cones, Lot: w.Lot, Yarn: cmp.Or(t.YarnName, w.Yarn), Tip: w.Tip}
	if r.State != store.TaskHalf {
		r.Half = w.Cones / 2
	}
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

func (s *site) creelTwin(t floor.TaskView, now time.Time) creelTwin {
	big, small := until(t.Due, now)
	row := creelTwin{In: strings.TrimSpace(big + " " + small), Name: cmp.Or(t.Name, t.Machine), State: cmp.Or(t.State.State, store.TaskDue)}
	switch t.Kind {
	case floor.TaskDoff:
		row.Task = strings.TrimSpace("doff " + doffText(t))
	case floor.TaskCreel:
		row.Task = "creel"
		if w := t.Window; w != nil {
			row.Cones = fmt.Sprint(w.Cones)
			row.Yarn, row.Lot, row.Tip = cmp.Or(t.YarnName, w.Yarn), w.Lot, w.Tip
			row.Window = dayTime(w.First, now, s.zone) + "–" + dayTime(w.Last, now, s.zone)
		}
	default:
		row.In = "now"
		row.Task = "stopped " + minutes(now.Sub(t.Since)) + ", " + word(t.Cause)
	}
	return row
}

// fetchRows are the cones to bring for the creels of the next hour, by lot.
func (s *site) fetchRows(tasks []floor.TaskView, now time.Time) []fetchRow {
	var rows []fetchRow
	for _, t := range tasks {
		w := t.Window
		if w == nil || w.Cones < 1 || t.Due.Sub(now) > fetchAhead || t.State.State == store.TaskDone {
			continue
		}
		cones := w.Cones
		if t.State.State == store.TaskHalf {
			cones -= w.Cones / 2
		}
		name, yarn := cmp.Or(t.Name, t.Machine), cmp.Or(t.YarnName, w.Yarn)
		i := slices.IndexFunc(rows, func(r fetchRow) bool { return r.Lot == w.Lot && r.Yarn == yarn && r.Tip == w.Tip })
		if i < 0 {
			rows = append(rows, fetchRow{Cones: cones, Lot: w.Lot, Yarn: yarn, Tip: w.Tip, At: name, By: dayTime(w.First, now, s.zone)})
			continue
		}
		rows[i].Cones += cones
		if !slices.Contains(strings.Split(rows[i].At, ", "), name) {
			rows[i].At += ", " + name
		}
	}
	return rows
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
