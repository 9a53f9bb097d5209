package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"turnwise/planner/knit"
	"turnwise/planner/knit/chart"
	"turnwise/server/floor"
	"turnwise/server/store"
)

const stopsListed = 12 // rows of the table of last stops

// The page of one machine: all about it, from its plate on.
type machineData struct {
	ID, Name, Label string
	Top             machineTop
	Axis            template.HTML
	Thread          template.HTML
	Sentence        string
	Shift           string
	Stops           []stopRow
	Next            []nextRow
	Plate           []fact
	Repeat          repeat
	Creel           string // link
}

// repeat is the loop notation of the structure on the machine.
type repeat struct {
	Name, Text string
	Picture    template.HTML // "" = the structure has no known repeat
}

// machineTop is what changes with every look.
type machineTop struct {
	Figure, Origin, Unit, Note, NoteOrigin string
	State                                  stateLine
	Facts                                  []fact
	Roll                                   template.HTML
	RollText                               string
}

// stateLine tells the state in one line; at most one of the signs is set.
type stateLine struct {
	Word, Rest string
	Act        bool // somebody must act now
	Alarm      bool // we are blind
	Look       bool // abnormal
}

type fact struct {
	Word, Value, Unit, Origin, Href string
}

type stopRow struct {
	At, Cause, Letter, Lasted string
	Open                      bool
}

type nextRow struct {
	In, Task, Detail string
	Origin           string
}

func (s *site) machine(ctx context.Context, q url.Values, now time.Time) (view, error) {
	id := q.Get("machine")
	m, err := s.floor.Machine(id)
	if errors.Is(err, store.ErrNotFound) {
		return view{}, errNoPage
	}
	if err != nil {
		return view{}, fmt.Errorf("web: machine %q: %w", id, err)
	}
	sh, err := s.floor.Shift(ctx, now)
	if err != nil {
		return view{}, fmt.Errorf("web: shift of machine %q: %w", id, err)
	}
	from := sh.From
	if from.IsZero() || now.Sub(from) > 26*time.Hour {
		from = now.Add(-8 * time.Hour)
	}
	// The stops of a day, the thread of the shift: a table may look further back.
	day, err := s.floor.MachineThread(ctx, id, now.Add(-24*time.Hour), now)
	if err != nil {
		return view{}, fmt.Errorf("web: last day of machine %q: %w", id, err)
	}
	t, err := s.floor.MachineThread(ctx, id, from, now)
	if err != nil {
		return view{}, fmt.Errorf("web: thread of machine %q: %w", id, err)
	}
	tasks, err := s.floor.Tasks(ctx, []string{id}, 12*time.Hour)
	if err != nil {
		return view{}, fmt.Errorf("web: tasks of machine %q: %w", id, err)
	}
	a := shiftAxis(from, sh.To, now)
	hours := hourMarks(a, s.zone)
	d := machineData{
		ID: m.ID, Name: nameOf(m), Label: m.Label,
		Top:    s.machineTop(m, now),
		Axis:   drawAxis(a, now, s.zone, hours, nil, nil),
		Thread: drawThread(t, a, now, hours, nil), Sentence: threadSentence(t),
		Shift: "Since " + from.In(s.zone).Format("15:04"),
		Stops: s.stopRows(day.Segments, now),
		Plate: plate(m.Entry), Repeat: repeatOf(m.Structure),
		Creel: "/creel" + query("machines", m.ID),
	}
	if sh.Name != "" {
		d.Shift = capital(sh.Name) + " shift " + from.In(s.zone).Format("15:04") + "–" + sh.To.In(s.zone).Format("15:04")
	}
	for _, t := range tasks {
		d.Next = append(d.Next, s.nextRow(t, now))
	}
	return view{Title: d.Name, Data: d, Parts: []part{
		{ID: "top", Template: "machine-top", Data: d.Top},
		{ID: "thread", Template: "machine-thread", Data: d},
		{ID: "stops", Template: "machine-stops", Data: d},
		{ID: "next", Template: "machine-next", Data: d},
	}}, nil
}

// repeatOf draws the repeat of a structure that the trade has a name for. The
// name is only a start: the book does not hold the mill's own repeat yet.
func repeatOf(structure string) repeat {
	k, err := knit.FindStructure(structure)
	if err != nil {
		return repeat{}
	}
	svg, err := chart.SVG(k.Program, chart.Options{ID: "repeat", Title: k.Name})
	if err != nil {
		return repeat{}
	}
	return repeat{Name: k.Name, Text: k.Program.String(), Picture: template.HTML(svg)}
}

func nameOf(m floor.MachineView) string {
	if m.Name != "" {
		return m.Name
	}
	return m.ID
}

func (s *site) machineTop(m floor.MachineView, now time.Time) machineTop {
	t := machineTop{State: s.stateLine(m, now)}
	switch {
	case m.Heard.IsZero():
		t.Figure, t.Origin, t.Unit = "–", unknown, "revolutions to doff"
		t.Note = "Nothing counted yet."
	case m.RollKg == 0 && m.ToDoff == 0:
		t.Figure, t.Origin, t.Unit = "–", unknown, "revolutions to doff"
		t.Note = "The book has no roll mass for what runs here."
	default:
		t.Figure, t.Origin, t.Unit = thousands(max(0, m.ToDoff)), calculated, "revolutions to doff"
		if m.State == floor.Unknown { // it may have run on
			t.Origin, t.Note = unknown, "As counted until "+dayTime(m.Heard, now, s.zone)+"."
		} else if m.ToDoff <= 0 {
			t.Note = "The roll is full."
		} else if !m.DoffDue.IsZero() {
			t.Note, t.NoteOrigin = "About "+dayTime(m.DoffDue, now, s.zone), forecasted
		}
		t.Roll, t.RollText = drawRoll(m)
	}
	add := func(f fact) {
		if f.Value != "" {
			t.Facts = append(t.Facts, f)
		}
	}
	if m.State == floor.Running {
		add(fact{Word: "speed", Value: number1(m.SpeedRPM), Unit: "rpm", Origin: counted})
	}
	if m.CardRPM > 0 {
		add(fact{Word: "card speed", Value: number(m.CardRPM, 1), Unit: "rpm", Origin: entered})
	}
	if m.Order != "" {
		add(fact{Word: "order", Value: m.Order, Origin: entered, Href: "/promises" + query("order", m.Order) + "#order"})
	}
	if m.Card != "" {
		add(fact{Word: "knit card", Value: m.Card, Origin: entered})
	}
	if m.GramsPerRev > 0 {
		add(fact{Word: "one revolution", Value: number(m.GramsPerRev, 2), Unit: "g", Origin: calculated})
		add(fact{Word: "knitted", Value: kilos(m.KilosCounted), Unit: "kg", Origin: calculated})
	}
	if !m.Heard.IsZero() {
		add(fact{Word: "revolutions", Value: thousands(m.Revolutions), Origin: counted})
		if m.Inched > 0 {
			add(fact{Word: "of them inched", Value: thousands(m.Inched), Origin: counted})
		}
		add(fact{Word: "heard", Value: dayTime(m.Heard, now, s.zone)})
	}
	return t
}

// stateLine never calls a machine stopped that is only not heard.
func (s *site) stateLine(m floor.MachineView, now time.Time) stateLine {
	since := ""
	if !m.Since.IsZero() {
		since = " since " + dayTime(m.Since, now, s.zone)
	}
	line := stateLine{}
	switch m.State {
	case floor.Running:
		line.Word, line.Rest = "Running", since
		if m.CardRPM > 0 && m.SpeedRPM > 0 && m.SpeedRPM < slowFrom*m.CardRPM {
			line.Look = true
			line.Rest += ", slow: " + number1(m.SpeedRPM) + " of " + number(m.CardRPM, 1) + " rpm"
		}
	case floor.Stopped:
		line.Word, line.Act = "Stopped "+minutes(now.Sub(m.Since)), true
		line.Rest = ", " + word(m.Cause) + " " + letter(m.Cause)
	case floor.Standing:
		line.Word, line.Act = "Stands still "+minutes(now.Sub(m.Since)), true
		line.Rest = ", cause not given ?"
	default:
		line.Word, line.Alarm = "No data", true
		if m.Heard.IsZero() {
			line.Word, line.Alarm, line.Look = "Never heard", false, true
			line.Rest = ". Nothing was read of it yet"
		} else {
			line.Rest = " since " + dayTime(m.Heard, now, s.zone)
		}
	}
	if m.Problem != "" {
		line.Rest += ". What is wrong: " + m.Problem
	}
	return line
}

// drawRoll is the roll as a length: on the roller, and to come.
func drawRoll(m floor.MachineView) (template.HTML, string) {
	whole := m.SinceDoff + max(0, m.ToDoff)
	if whole <= 0 || m.RollKg <= 0 {
		return "", ""
	}
	d := newDrawing("roll", 26)
	done := 100 * float64(m.SinceDoff) / float64(whole)
	d.rect("bw", 0, done, 2, 22)
	d.rect("bf", done, 100-done, 2, 22)
	onRoll := m.RollKg * float64(m.SinceDoff) / float64(whole)
	return d.html(), fmt.Sprintf("roll %d: %s of %s kg knitted", m.RollNumber, number1(onRoll), number(m.RollKg, 1))
}

// stopRows are the stops of a thread, newest first.
func (s *site) stopRows(segs []floor.Segment, now time.Time) []stopRow {
	var rows []stopRow
	for i, g := range slices.Backward(segs) {
		if g.Kind != floor.Stop {
			continue
		}
		if len(rows) == stopsListed {
			break
		}
		row := stopRow{At: dayTime(g.From, now, s.zone), Cause: word(g.Cause), Letter: letter(g.Cause)}
		if row.Open = i == len(segs)-1 && now.Sub(g.To) < time.Minute; row.Open {
			row.Lasted = minutes(now.Sub(g.From)) + " so far"
		} else if d := g.To.Sub(g.From); d < 2*time.Minute {
			row.Lasted = fmt.Sprintf("%d s", int(d.Round(time.Second)/time.Second))
		} else {
			row.Lasted = minutes(d)
		}
		rows = append(rows, row)
	}
	return rows
}

func (s *site) nextRow(t floor.TaskView, now time.Time) nextRow {
	big, small := until(t.Due, now)
	r := nextRow{In: strings.TrimSpace(big + " " + small), Origin: forecasted}
	switch t.Kind {
	case floor.TaskDoff:
		r.Task, r.Detail = "doff", doffText(t)
	case floor.TaskCreel:
		r.Task = "creel"
		if w := t.Window; w != nil {
			r.Detail = fmt.Sprintf("%s, %s to %s", conesText(w.Cones, w.Lot, w.Tip), dayTime(w.First, now, s.zone), dayTime(w.Last, now, s.zone))
		}
	default:
		r.Task, r.Detail, r.Origin = "stopped", word(t.Cause), counted
	}
	return r
}

// plate is what the machine is, as entered.
func plate(e floor.MachineEntry) []fact {
	var p []fact
	add := func(word, value, unit string) {
		if value != "" && value != "0" {
			p = append(p, fact{Word: word, Value: value, Unit: unit, Origin: entered})
		}
	}
	add("diameter", number(e.DiameterInch, 2), "inch")
	add("needles per inch", number(e.GaugeNPI, 2), "")
	add("cylinder needles", thousands(int64(e.CylinderNeedles)), "")
	add("dial needles", thousands(int64(e.DialNeedles)), "")
	add("needle beds", thousands(int64(e.Beds)), "")
	add("feeders", fmt.Sprint(e.Feeders), "")
	add("speed at most", number(e.MaxRPM, 1), "rpm")
	add("structures", strings.Join(e.Structures, ", "), "")
	add("year", fmt.Sprint(e.Year), "")
	return p
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

func (s *site) machineName(id string) string {
	for _, m := range s.floor.Machines() {
		if m.ID == id {
			return nameOf(m)
		}
	}
	return id
}
