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
	Lapsed        string // when somebody took it who did not finish in reason
	Overdue       string // since when its cones run out
	Past          string // it ran past its last cone then: somebody has changed them without a word
	CanTap        bool
	Half          int // cones of half a round; 0 = it has no half
	Lead          *leadText
	Window        template.HTML
	First, Last   string // run-out of the first and the last cone; First empty = the same minute
	Latest        string // latest visit; empty = not known
	WindowText    string
	MayBeOut      bool     // it may stand because a cone has run out
	Groups        []string // of which one may have run out; none = there is only one
	WalkID        string   // told as one call; empty = the machine stands
	Tie           bool     // the next reserve is to be tied
	Walk          *walkHead
	Wait          string // set: this row is the white space before the next walk
	WaitPicture   template.HTML
}

type walkHead struct {
	Set, Leave, Back string
	Now              bool
	Machines, Bring  []string
}

type leadText struct {
	Cones     int
	Lot, Yarn string
	Tip       string
}

// railWork is the work of one rail in the order in which it is done: machines
// that stand, then walks.
type railWork struct {
	stops []floor.TaskView
	walks []floor.WalkView
}

// workOf takes machines that stand out of their walks: they come first.
func workOf(v floor.RoundsView) railWork {
	var w railWork
	for _, walk := range v.Walks {
		rest := walk
		rest.Stops = nil
		for _, st := range walk.Stops {
			var own []floor.TaskView
			for _, t := range st.Tasks {
				if t.Kind == floor.TaskStop {
					w.stops = append(w.stops, t)
				} else {
					own = append(own, t)
				}
			}
			if st.Tasks = own; len(own) > 0 {
				rest.Stops = append(rest.Stops, st)
			}
		}
		if len(rest.Stops) > 0 {
			w.walks = append(w.walks, rest)
		}
	}
	slices.SortStableFunc(w.stops, func(a, b floor.TaskView) int { return a.Since.Compare(b.Since) })
	return w
}

// tasks in the order in which they are done.
func (w railWork) tasks() []floor.TaskView {
	list := slices.Clone(w.stops)
	for _, walk := range w.walks {
		for _, st := range walk.Stops {
			list = append(list, st.Tasks...)
		}
	}
	return list
}

// railRows draws the work in its order: a head over each walk of several
// machines, white space for the time between two walks.
func (s *site) railRows(work railWork, a axis, q url.Values, now time.Time) []railRow {
	var rows []railRow
	shown, acting := 0, false
	add := func(t floor.TaskView, walk string) {
		r := s.railRow(t, a, q, now)
		r.WalkID = walk
		r.Top = shown < 3
		if r.Act = r.In == "now" && r.State != store.TaskDone && !acting; r.Act {
			acting = true
		}
		if shown++; shown <= tasksShown {
			rows = append(rows, r)
		}
	}
	for _, t := range work.stops {
		add(t, "")
	}
	free := now
	for _, walk := range work.walks {
		if shown >= tasksShown {
			break
		}
		if wait := walk.From.Sub(free); len(rows) > 0 {
			if ruler := drawWait(wait); ruler != "" {
				rows = append(rows, railRow{ID: domID("w", walk.ID), Wait: minutes(wait) + " to the next walk", WaitPicture: ruler})
			}
		}
		if len(walk.Stops) > 1 {
			rows = append(rows, railRow{ID: domID("k", walk.ID), Walk: s.walkHead(walk, now)})
		}
		for _, st := range walk.Stops {
			for _, t := range st.Tasks {
				add(t, walk.ID)
			}
		}
		free = maxTime(free, walk.To)
	}
	return rows
}

// walkHead says when to go, where to and what to bring.
func (s *site) walkHead(w floor.WalkView, now time.Time) *walkHead {
	h := &walkHead{Set: w.Set, Leave: dayTime(w.LatestFrom, now, s.zone), Now: !w.LatestFrom.After(now.Add(time.Minute)), Back: dayTime(w.To, now, s.zone)}
	for _, st := range w.Stops {
		if name := cmp.Or(st.Name, st.Machine); !slices.Contains(h.Machines, name) {
			h.Machines = append(h.Machines, name)
		}
	}
	for _, f := range w.Fetch {
		h.Bring = append(h.Bring, conesText(f.Cones, f.Lot, f.Tip))
	}
	return h
}

func (s *site) railRow(t floor.TaskView, a axis, q url.Values, now time.Time) railRow {
	r := railRow{ID: domID("t", t.ID), Task: t.ID, Back: scopeQuery(q), Machine: t.Machine, Name: cmp.Or(t.Name, t.Machine),
		Due: t.Due.UnixMilli(), State: cmp.Or(t.State.State, store.TaskDue), CanTap: s.o.Tap != nil}
	if !t.State.Fixer.IsZero() {
		r.Fixer = dayTime(t.State.Fixer, now, s.zone)
	}
	if !t.Lapsed.IsZero() {
		r.Lapsed = dayTime(t.Lapsed, now, s.zone)
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
	case floor.TaskStyle, floor.TaskEnd:
		r.Kind, r.Strong, r.Text = "end", endWord(t), endText(t)
	default:
		r.In, r.Unit = "now", ""
		r.Kind, r.Strong = "stop", "Stopped "+minutes(now.Sub(t.Since))
		r.Text = word(t.Cause) + " " + letter(t.Cause)
		r.MayBeOut, r.Groups = t.Cause.ID == "yarn" || letter(t.Cause) == "?", t.Groups
		if letter(t.Cause) == "?" {
			r.Text = "cause not given"
		}
	}
	return r
}

func (s *site) fillCreel(r *railRow, t floor.TaskView, w *outlook.CreelWindow, a axis, now time.Time) {
	r.Window = drawWindow(w, t.Open, t.Latest, a, now, s.zone)
	r.First, r.Last = dayTime(w.First, now, s.zone), dayTime(w.Last, now, s.zone)
	if r.First == r.Last {
		r.First = ""
	}
	if !t.Latest.IsZero() {
		if r.Latest = dayTime(t.Latest, now, s.zone); r.First == "" && r.Last == r.Latest {
			r.Last = ""
		}
	}
	switch {
	case t.Unsaid:
		r.In, r.Window, r.Past, r.First, r.Last, r.Latest = "look", "", r.Last, "", "", ""
	case !t.Overdue.IsZero():
		r.Overdue, r.First, r.Latest = dayTime(t.Overdue, now, s.zone), "", ""
	}
	if t.Tie {
		r.Strong, r.Tie = "Tie reserve", true
	}
	r.WindowText = fmt.Sprintf("First cone %s, half of them by %s, last %s.", dayTime(w.First, now, s.zone), dayTime(w.P50, now, s.zone), dayTime(w.Last, now, s.zone))
	r.Lead = &leadText{Cones: w.Cones, Lot: w.Lot, Yarn: cmp.Or(t.YarnName, w.Yarn), Tip: w.Tip}
	if r.State != store.TaskHalf {
		r.Half = w.Cones / 2
	}
}

func endWord(t floor.TaskView) string {
	switch {
	case t.Order == "":
		return "Begin"
	case t.Kind == floor.TaskStyle:
		return "Style change"
	}
	return "End of the order"
}

// endText is what follows, and the cones that are left then.
func endText(t floor.TaskView) string {
	var parts []string
	next := strings.Join(nonEmpty(t.NextOrder, t.NextArticle), ", ")
	switch {
	case t.Order == "":
		parts = append(parts, next+"; done when it knits")
	case t.Begins != "":
		parts = append(parts, "then "+next+"; done when that knits")
	case next != "":
		parts = append(parts, "then "+next)
	}
	for _, r := range t.Remnants {
		if r.Cones > 0 {
			parts = append(parts, "take off "+conesText(r.Cones, r.Lot, ""))
		}
	}
	return strings.Join(parts, "; ")
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
	row := creelTwin{In: strings.TrimSpace(big + " " + small), At: dayTime(t.Due, now, s.zone), Name: cmp.Or(t.Name, t.Machine), State: cmp.Or(t.State.State, store.TaskDue)}
	switch t.Kind {
	case floor.TaskDoff:
		row.Task = strings.TrimSpace("doff " + doffText(t))
	case floor.TaskCreel:
		if row.Task = "creel"; t.Tie {
			row.Task = "tie reserve"
		}
		if w := t.Window; w != nil {
			row.Cones = fmt.Sprint(w.Cones)
			row.Yarn, row.Lot, row.Tip = cmp.Or(t.YarnName, w.Yarn), w.Lot, w.Tip
			row.Window = strings.Join(slices.Compact([]string{dayTime(w.First, now, s.zone), dayTime(w.Last, now, s.zone)}), "–")
			switch {
			case t.Unsaid:
				row.In, row.Window = "look", "past its last cone since "+dayTime(w.Last, now, s.zone)
			case !t.Overdue.IsZero():
				row.Window = "overdue since " + row.Window
			}
		}
	case floor.TaskStyle, floor.TaskEnd:
		row.Task = strings.ToLower(endWord(t)) + " " + endText(t)
	default:
		row.In, row.Counted = "now", true
		row.Task = "stopped " + minutes(now.Sub(t.Since)) + ", " + word(t.Cause)
	}
	return row
}

// fetchRows are the cones to bring within the next hour, with the machines
// that they are for.
func (s *site) fetchRows(v floor.RoundsView, now time.Time) []fetchRow {
	var rows []fetchRow
	for _, f := range v.NextHour {
		row := fetchRow{Cones: f.Cones, Lot: f.Lot, Yarn: cmp.Or(f.YarnName, f.Yarn), Tip: f.Tip}
		for _, walk := range v.Walks {
			for _, st := range walk.Stops {
				name := cmp.Or(st.Name, st.Machine)
				if !st.Start.After(now.Add(fetchAhead)) && !slices.Contains(row.At, name) && slices.ContainsFunc(st.Fetch, func(o floor.FetchView) bool { return o.Lot == f.Lot && o.Yarn == f.Yarn }) {
					row.At = append(row.At, name)
					if row.By == "" {
						row.By = dayTime(st.Start, now, s.zone)
					}
				}
			}
		}
		rows = append(rows, row)
	}
	return rows
}

// addFetchRows joins the lists of several tenders.
func addFetchRows(to, more []fetchRow) []fetchRow {
	for _, r := range more {
		i := slices.IndexFunc(to, func(o fetchRow) bool { return o.Lot == r.Lot && o.Yarn == r.Yarn })
		if i < 0 {
			to = append(to, r)
			continue
		}
		to[i].Cones += r.Cones
		to[i].At = append(to[i].At, r.At...)
	}
	return to
}

// shareLines tell what one person cannot do at once, and a better share.
func (s *site) shareLines(title string, v floor.RoundsView) []string {
	var lines []string
	if title != "" {
		title += ": "
	}
	if v.BothMin >= 1 {
		lines = append(lines, capital(fmt.Sprintf("%sin %s of the next 2 hours two machines or more stand for one person.", title, minutes(time.Duration(v.BothMin*float64(time.Minute))))))
	}
	if v.Split != nil {
		lines = append(lines, "A better share of the machines:")
		for i, p := range v.Split.Proposed {
			was := v.Split.Now[i]
			var machines []string
			for _, id := range p.Machines {
				machines = append(machines, s.machineName(id))
			}
			slices.SortFunc(machines, natural)
			lines = append(lines, fmt.Sprintf("Set %s: %s. Machines stand %.0f min in place of %.0f.", p.Set, strings.Join(machines, ", "), p.LateMin, was.LateMin))
		}
	}
	return lines
}
