package web

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnwise/planner/alarm"
	"turnwise/server/calls"
)

// Calls is what the page of alarms needs of the desk.
type Calls interface {
	List(normal bool) []calls.Alarm
	// Subscribe returns a channel that wakes after changes and closes when ctx ends.
	Subscribe(ctx context.Context) <-chan struct{}
	Load(ctx context.Context, from, to time.Time) (calls.Load, error)
	// Do answers an alarm; errors hold calls.ErrAlarm, alarm.ErrState or alarm.ErrRequest.
	Do(ctx context.Context, r calls.Request) (calls.Alarm, error)
}

const (
	alarmsBack  = 8 * time.Hour // that the lines of alarms show
	askedBack   = 24 * time.Hour
	alarmsShown = 60
)

// The page of alarms: what needs an answer?
type alarmsData struct {
	Head    alarmsHead
	Axis    template.HTML
	Rows    []alarmRow
	Hidden  []alarmRow
	Empty   string
	More    string
	Actions bool
	Roles   []string
	Asked   askedData
}

type alarmsHead struct{ Number, Note string }

type alarmRow struct {
	ID, Alarm, Asked        string
	Machines                []string
	Order                   string
	Sign                    string // "r" danger to goods or blindness, "y" look at it; empty = none
	Sentence                string
	Picture                 template.HTML
	Seen, Aside, Show, Back bool // what may be answered
	Actions                 bool
	Request                 string // of an answer to just this state
	Since, StateWord        string
}

type askedData struct {
	Rows     []askedRow
	Standing string
	Note     string
}

type askedRow struct {
	Person, Calls, MeanCalls, Tasks, Alarms, MeanAlarms, Worst, WorstAt, Floods string
	Over                                                                        bool
}

// rolesOf may answer an alarm; nobody's name is asked.
var rolesOf = []string{"shift supervisor", "creel tender", "fixer", "planner", "engineer", "quality"}

func (s *site) alarms(ctx context.Context, _ url.Values, now time.Time) (view, error) {
	d := alarmsData{Actions: s.o.Calls != nil, Roles: rolesOf}
	v := view{Title: "Alarms"}
	if s.o.Calls == nil {
		d.Head = alarmsHead{"0", "alarms are not kept here"}
		d.Empty = "This server keeps no alarms."
		v.Data = d
		return v, nil
	}
	alarms := s.o.Calls.List(false)
	waiting := 0
	for i := range alarms {
		a := &alarms[i]
		row := s.alarmRow(a, now)
		switch st := a.State(); {
		case st.Hidden():
			d.Hidden = append(d.Hidden, row)
			continue
		case st == alarm.Unack || st == alarm.RTNUnack:
			waiting++
		}
		if len(d.Rows) < alarmsShown {
			d.Rows = append(d.Rows, row)
		}
	}
	d.Head = alarmsHead{strconv.Itoa(waiting), plural(waiting, "alarm waits to be seen", "alarms wait to be seen")}
	if len(d.Rows) == 0 {
		d.Empty = "Nothing needs an answer."
	}
	if n := len(alarms) - len(d.Hidden) - len(d.Rows); n > 0 {
		d.More = fmt.Sprintf("%d more are left out; `planner alarms` lists them.", n)
	}
	d.Axis = alarmAxis(now, s.zone)
	var err error
	if d.Asked, err = s.askedData(ctx, now); err != nil {
		return view{}, err
	}
	v.Data = d
	v.Parts = []part{{ID: "sum", Template: "alarms-head", Data: d.Head}, {ID: "axis", Template: "alarms-axis", Data: d}, {ID: "nothing", Template: "alarms-empty", Data: d},
		{ID: "hiddens", Template: "alarms-hidden", Data: d}, {ID: "asked", Template: "alarms-asked", Data: d.Asked, Slow: true}, {ID: "twin", Template: "alarms-twin", Data: d}}
	ids := []string{}
	for _, r := range d.Rows {
		ids = append(ids, r.ID)
		v.Parts = append(v.Parts, part{ID: r.ID, Template: "alarm-row", Data: r})
	}
	v.Lists = []list{{"needs", ids}}
	return v, nil
}

func (s *site) alarmRow(a *calls.Alarm, now time.Time) alarmRow {
	r := alarmRow{
		ID: domID("al", a.ID), Alarm: a.ID, Asked: strings.Join(a.Asked, ", "), Machines: a.Machines, Order: a.Order, Sentence: a.Sentence,
		Actions: true, Since: dayTime(a.Raised, now, s.zone), Picture: drawAlarm(a, now),
		Request: fmt.Sprintf("page-%s-%d-%d", a.ID, a.Told, a.LastSeen.UnixMilli()),
	}
	if len(r.Machines) > 6 {
		r.Machines = r.Machines[:6]
	}
	stands := minutes(now.Sub(a.Raised))
	switch a.State() {
	case alarm.Unack:
		r.Sign = "y"
		if a.Class == alarm.OtherLot || a.Class == alarm.Silent {
			r.Sign = "r"
		}
		r.StateWord = "Nobody has seen it for " + stands + "."
		r.Seen, r.Aside = true, true
	case alarm.RTNUnack:
		r.Sign, r.StateWord = "y", "Cleared "+dayTime(a.Cleared, now, s.zone)+", nobody has seen it."
		r.Seen = true
	case alarm.Acked:
		r.StateWord = "Seen " + dayTime(a.Acked, now, s.zone) + ", it still holds."
		if a.AckedBy != "" {
			r.StateWord = "Seen " + dayTime(a.Acked, now, s.zone) + " by a " + a.AckedBy + ", it still holds."
		}
		r.Aside = true
	case alarm.Shelved:
		r.StateWord = "Shelved until it clears: " + a.Shelf.Reason
		if !a.Shelf.Until.IsZero() {
			r.StateWord = "Shelved until " + dayTime(a.Shelf.Until, now, s.zone) + ": " + a.Shelf.Reason
		}
		r.StateWord, r.Show = sentence(r.StateWord), true
	case alarm.Suppressed:
		r.StateWord = sentence("Hidden by rule: " + a.Rule)
	case alarm.OutOfService:
		r.StateWord, r.Back = sentence("Out of service: "+a.Out.Reason), true
	}
	if a.Chatter {
		r.StateWord += " It comes and goes; all of it is one alarm."
	}
	return r
}

// alarmAt is where an instant lies on the axis, in per cent.
func alarmAt(t, now time.Time) float64 {
	return min(100, max(0, 100*(1-float64(now.Sub(t))/float64(alarmsBack))))
}

// drawAlarm draws an alarm along the last hours: dotted from what it is about to
// the limit, thick while it holds, hollow while it is hidden, a post where
// somebody has seen it.
func drawAlarm(a *calls.Alarm, now time.Time) template.HTML {
	d := newDrawing("alarm", 20)
	d.line("hr", 0, 10, 100, 10)
	from, to := alarmAt(a.Raised, now), 100.0
	if !a.Active {
		to = alarmAt(a.Cleared, now)
	}
	if !a.Raised.IsZero() {
		if begin := alarmAt(a.Begin, now); begin < from {
			d.line("unk", begin, 10, from, 10)
		}
		class := "run"
		if a.State().Hidden() {
			class = "off"
		}
		d.rect(class, from, max(to-from, .4), 6, 8)
	}
	if !a.Acked.IsZero() && now.Sub(a.Acked) < alarmsBack {
		d.post("pr", alarmAt(a.Acked, now), 2.5, 1, 18)
	}
	return d.html()
}

// alarmAxis has the full hours.
func alarmAxis(now time.Time, zone *time.Location) template.HTML {
	d := newDrawing("alarm", 20)
	for t := now.In(zone).Truncate(time.Hour); now.Sub(t) < alarmsBack; t = t.Add(-time.Hour) {
		x := alarmAt(t, now)
		d.tick("hr", x, 14, 20)
		if h := t.Hour(); h%2 == 0 && x < 82 && x > 3 {
			d.text("ax", "middle", x, 11, "", t.Format("15:04"))
		}
	}
	d.text("ax now", "end", 100, 11, "", "now")
	return d.html()
}

func (s *site) askedData(ctx context.Context, now time.Time) (askedData, error) {
	l, err := s.o.Calls.Load(ctx, now.Add(-askedBack), now)
	if err != nil {
		return askedData{}, fmt.Errorf("web: calls and alarms: %w", err)
	}
	d := askedData{Note: fmt.Sprintf("Last 24 hours. A call is a walk with its tasks. The aim is at most %s in 10 minutes a person, on average.", plural(int(l.Aim), "one alarm", strconv.FormatFloat(l.Aim, 'g', 3, 64)+" alarms"))}
	for _, p := range l.Persons {
		r := askedRow{Person: p.Person, Calls: strconv.Itoa(p.Calls), MeanCalls: number(p.MeanCalls, 2), Tasks: strconv.Itoa(p.Tasks), Alarms: strconv.Itoa(p.Alarms), MeanAlarms: number(p.MeanAlarms, 2),
			Worst: strconv.Itoa(p.Worst), WorstAt: dayTime(p.WorstAt, now, s.zone), Floods: strconv.Itoa(len(p.Floods)), Over: p.Person != calls.Everybody && (p.MeanAlarms > l.Aim || len(p.Floods) > 0)}
		d.Rows = append(d.Rows, r)
	}
	if n := len(l.Standing); n > 0 {
		d.Standing = fmt.Sprintf("%d %s for more than a day: mend what is behind, shelve it, or take it out of service.", n, plural(n, "alarm holds", "alarms hold"))
	}
	return d, nil
}

// asideTimes are the choices of the page; "once" is until it clears.
var asideTimes = map[string]time.Duration{"15": 15 * time.Minute, "60": time.Hour, "240": 4 * time.Hour, "480": 8 * time.Hour}

// answerAlarm is POST /alarms: an answer to one alarm.
func (s *site) answerAlarm(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	kinds := map[string]alarm.Kind{"seen": alarm.Ack, "aside": alarm.Shelve, "show": alarm.Unshelve, "back": alarm.PutBack}
	kind, ok := kinds[r.PostFormValue("act")]
	role := r.PostFormValue("role")
	q := calls.Request{Alarm: r.PostFormValue("alarm"), Kind: kind, Role: role, Reason: r.PostFormValue("reason"), RequestID: r.PostFormValue("request")}
	if q.RequestID != "" {
		q.RequestID += "-" + r.PostFormValue("act")
	}
	if kind == alarm.Shelve {
		q.Once = r.PostFormValue("for") == "once"
		q.For = asideTimes[r.PostFormValue("for")]
	}
	if !ok || role != "" && !slices.Contains(rolesOf, role) || len(q.Reason) > 200 || len(q.RequestID) > 200 {
		s.sayProblem(w, r, http.StatusBadRequest, problem{"Nothing was changed", "The form was not whole. Go back and try again.", "/alarms"})
		return
	}
	_, err := s.o.Calls.Do(r.Context(), q)
	switch {
	case err == nil:
		s.cache.forget()
		http.Redirect(w, r, "/alarms", http.StatusSeeOther)
	case errors.Is(err, calls.ErrAlarm), errors.Is(err, alarm.ErrState):
		s.sayProblem(w, r, http.StatusConflict, problem{"Nothing was changed", "The alarm is over, or somebody else has answered it. Look at the list again.", "/alarms"})
	case errors.Is(err, alarm.ErrRequest):
		s.sayProblem(w, r, http.StatusBadRequest, problem{"Nothing was changed", "To shelve an alarm, give a reason and a time of at most 8 hours.", "/alarms"})
	default:
		s.fail(w, r, err)
	}
}
