package web

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"turnwise/server/floor"
	"turnwise/server/store"
)

const (
	tapsKept    = 256
	mostCones   = 5000
	mostRollKg  = 2000
	longestForm = 16 << 10
)

// Tap is what somebody pressed about a task.
type Tap struct {
	Task, Act string  // Act is one of store.Act…, or ActWeigh with the task of a roll
	Lot       string  // on the cones as read; empty = the one that the task names
	Group     string  // feed group of a cone that had run out; empty = the only one
	Cones     int     // of a half; 0 = half of the task's
	Kg        float64 // of a roll on the scale, net
	Of        string  // request id of what an undo of a weight takes back
	At        time.Time
	RequestID string // a UUID, the same for a repeated tap
}

// Heard is what became of a tap.
type Heard struct {
	State   store.TaskState
	Warning string // what the mill's rule lets pass, in words; empty = nothing
}

// actOut is a press of a page only: a machine stood because a cone had run out,
// and runs again. With several feed groups one of them follows a colon.
const actOut = "out"

// ActWeigh says what a doffed roll weighs.
const ActWeigh = "weigh"

// A tapAnswer is what a device gets for a tap. It names the request, so that
// nothing in between can be taken for our answer.
type tapAnswer struct {
	Request string   `json:"request"`
	Now     int64    `json:"now"` // of the mill, ms since 1970
	State   string   `json:"state,omitempty"`
	Fixer   string   `json:"fixer,omitempty"` // when the fixer was called
	Warning string   `json:"warning,omitempty"`
	Refused *refused `json:"refused,omitempty"`
}

// refused says why a tap was not taken and what to do. Nothing was changed.
type refused struct {
	Head string `json:"head"`
	Text string `json:"text"`
	Have string `json:"have,omitempty"` // the lot on the cones, if that is wrong
	Want string `json:"want,omitempty"` // the lot that belongs there
}

// tap records what was done about a task: POST /creel/tap. A form without
// script is led back to the page; a script that asks for JSON gets that.
func (s *site) tap(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	tap, back, trouble := s.readTap(r)
	answer := tapAnswer{Request: tap.RequestID, Now: s.now().UnixMilli()}
	status := http.StatusOK
	if trouble != "" {
		status, answer.Refused = http.StatusBadRequest, &refused{Head: "Not recorded", Text: trouble}
		s.answerTap(w, r, status, answer, back)
		return
	}
	task := s.taskOf(r.Context(), tap.Task)
	heard, err := s.o.Tap(r.Context(), tap)
	switch {
	case err == nil:
		answer.State, answer.Warning = heard.State.State, heard.Warning
		if at := heard.State.Fixer; !at.IsZero() {
			answer.Fixer = at.In(s.zone).Format("15:04")
		}
		s.cache.forget()
		back.Set("told", s.taps.add(recentTap{task: tap.Task, name: s.nameOfTap(tap, task), act: tap.Act, request: tap.RequestID, warning: heard.Warning, at: s.now(), cones: conesOf(task, tap), kg: tap.Kg}))
	default:
		if status, answer.Refused = refusalOf(err, tap, task); answer.Refused == nil {
			s.log.Error("tap not recorded", "task", tap.Task, "act", tap.Act, "err", err)
			http.Error(w, "The server could not write it down. Go back and press again; it will count once.", http.StatusServiceUnavailable)
			return
		}
	}
	s.answerTap(w, r, status, answer, back)
}

func (s *site) answerTap(w http.ResponseWriter, r *http.Request, status int, a tapAnswer, back url.Values) {
	if strings.Contains(r.Header.Get("Accept"), "application/json") {
		w.Header().Set("Content-Type", "application/json")
		w.Header().Set("Cache-Control", "no-store")
		w.WriteHeader(status)
		if err := json.NewEncoder(w).Encode(a); err != nil {
			s.log.Debug("answer to a tap not sent", "err", err) // the device asks again
		}
		return
	}
	if f := a.Refused; f != nil {
		text := f.Text
		if f.Want != "" {
			text = fmt.Sprintf("On the cones: %s. The machine takes: %s. %s", f.Have, f.Want, text)
		}
		s.sayProblem(w, r, status, problem{f.Head, text, "/creel" + mark(back)})
		return
	}
	http.Redirect(w, r, "/creel?"+back.Encode(), http.StatusSeeOther)
}

// readTap checks the form. Trouble is a sentence for the tender.
func (s *site) readTap(r *http.Request) (tap Tap, back url.Values, trouble string) {
	back = url.Values{}
	if err := r.ParseForm(); err != nil {
		return tap, back, "The form could not be read. Go back and press again."
	}
	f := r.PostForm
	back = readBack(f.Get("back"))
	tap = Tap{Task: f.Get("task"), Act: f.Get("act"), Lot: strings.TrimSpace(f.Get("lot")), At: s.now(), RequestID: strings.ToLower(f.Get("request"))}
	if page := f.Get("page"); tap.RequestID == "" && goodToken(page) {
		tap.RequestID = requestID(page, tap.Task, tap.Act)
	}
	if act, group, _ := strings.Cut(tap.Act, ":"); act == actOut {
		tap.Act, tap.Group, tap.Cones = store.ActDone, group, 1
	}
	var err1, err2, err3 error
	_, _, roll := floor.RollOfTask(tap.Task)
	if tap.Act == ActWeigh {
		tap.Kg, err3 = strconv.ParseFloat(strings.Replace(strings.TrimSpace(f.Get("kg")), ",", ".", 1), 64)
	}
	if tap.Of = strings.ToLower(f.Get("of")); !isUUID(tap.Of) {
		tap.Of = ""
	}
	if n := strings.TrimSpace(f.Get("cones")); n != "" && tap.Act == store.ActHalf {
		tap.Cones, err1 = strconv.Atoi(n)
	}
	if at := f.Get("at"); at != "" {
		var ms int64
		ms, err2 = strconv.ParseInt(at, 10, 64)
		tap.At = time.UnixMilli(ms)
	}
	switch {
	case tap.Act == ActWeigh && (err3 != nil || !(tap.Kg > 0 && tap.Kg < mostRollKg)):
		trouble = fmt.Sprintf("The weight must be kilos above 0 and below %d, for example 25.3. Read the scale again.", mostRollKg)
	case tap.Act == ActWeigh && !roll, roll && tap.Act != ActWeigh && (tap.Act != store.ActUndo || tap.Of == ""):
		trouble = "The form is incomplete. Go back and press again."
	case err1 != nil || tap.Cones < 0 || tap.Cones > mostCones:
		trouble = fmt.Sprintf("The number of cones must be 1 to %d. Count again.", mostCones)
	case !slices.Contains([]string{store.ActTake, store.ActDone, store.ActHalf, store.ActUndo, store.ActFixer, ActWeigh}, tap.Act),
		tap.Task == "", len(tap.Task) > 500, len(tap.Lot) > 200, len(tap.Group) > 200, err2 != nil:
		trouble = "The form is not complete. Go back and press again."
	case !isUUID(tap.RequestID):
		trouble = "The form is too old. Go back and press again."
	}
	return tap, back, trouble
}

// taskOf finds a task that still stands; without one only its words are poorer.
func (s *site) taskOf(ctx context.Context, id string) floor.TaskView {
	all, err := s.floor.Tasks(ctx, nil, creelHorizon)
	if err != nil {
		return floor.TaskView{}
	}
	if i := slices.IndexFunc(all, func(t floor.TaskView) bool { return t.ID == id }); i >= 0 {
		return all[i]
	}
	return floor.TaskView{}
}

// nameOfTap is where a tap was: the machine, of a weight with its roll.
func (s *site) nameOfTap(tap Tap, t floor.TaskView) string {
	id, n, roll := floor.RollOfTask(tap.Task)
	if !roll {
		return cmp.Or(t.Name, t.Machine)
	}
	m, err := s.floor.Machine(id)
	if err != nil {
		return fmt.Sprintf("roll %d", n)
	}
	return fmt.Sprintf("%s, roll %d", nameOf(m), n)
}

func conesOf(t floor.TaskView, tap Tap) int {
	switch {
	case t.Window == nil:
		return 0
	case tap.Act == store.ActHalf && tap.Cones > 0:
		return tap.Cones
	case tap.Act == store.ActHalf:
		return t.Window.Cones / 2
	}
	return t.Window.Cones
}

// refusalOf is the answer to a tap that cannot be, nil when pressing again may cure it.
func refusalOf(err error, tap Tap, t floor.TaskView) (int, *refused) {
	at := ""
	if name := cmp.Or(t.Name, t.Machine); name != "" {
		at = " at " + name
	}
	if machine, n, roll := floor.RollOfTask(tap.Task); roll {
		at = fmt.Sprintf(" for roll %d of %s", n, strings.ToUpper(machine))
	}
	tail := func(sentinel error) string {
		_, rest, ok := strings.Cut(err.Error(), sentinel.Error()+": ")
		if !ok {
			rest = err.Error()
		}
		return capital(rest) + "."
	}
	switch {
	case errors.Is(err, floor.ErrLot):
		r := &refused{Head: "Wrong lot" + at, Text: tail(floor.ErrLot), Have: tap.Lot}
		if w := t.Window; w != nil && w.Lot != "" && w.Lot != tap.Lot {
			r.Want = w.Lot
			r.Text = fmt.Sprintf("Do not start. Take these cones off and fetch lot %s. Only the shift supervisor can release lot %s.", w.Lot, tap.Lot)
		}
		return http.StatusConflict, r
	case errors.Is(err, store.ErrTask):
		return http.StatusConflict, &refused{Head: "Not recorded" + at, Text: tail(store.ErrTask)}
	case errors.Is(err, store.ErrInvalid):
		return http.StatusConflict, &refused{Head: "Not recorded" + at, Text: tail(store.ErrInvalid)}
	case errors.Is(err, store.ErrNotFound) && t.Window != nil && tap.Lot != "":
		return http.StatusConflict, &refused{Head: "Lot not known" + at, Have: tap.Lot, Want: t.Window.Lot,
			Text: "Do not start. Read the label again. Ask the shift supervisor to enter the lot if it is new."}
	case errors.Is(err, store.ErrNotFound):
		return http.StatusGone, &refused{Head: "Not recorded" + at, Text: "This task is over, or was never there. Look at the list as it is now."}
	case errors.Is(err, floor.ErrNoTaps):
		return http.StatusNotImplemented, &refused{Head: "Not recorded" + at, Text: "This server does not keep what tenders tell. Tell the shift supervisor."}
	}
	return 0, nil
}

// requestID is the same for a second press of a button of the same page, and
// another one for everything else. It has the form of a UUID.
func requestID(page string, of ...string) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q", page, of))
	sum[6] = sum[6]&0x0f | 0x80 // version 8: made by a rule of our own
	sum[8] = sum[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", sum[:4], sum[4:6], sum[6:8], sum[8:10], sum[10:16])
}

// isUUID checks the form of RFC 9562, section 4.
func isUUID(s string) bool {
	if len(s) != 36 {
		return false
	}
	for i, c := range s {
		if dash := i == 8 || i == 13 || i == 18 || i == 23; dash != (c == '-') || !dash && !strings.ContainsRune("0123456789abcdef", c) {
			return false
		}
	}
	return true
}

// told is the strip after a press without script.
type told struct{ Text, Task, Back, Of string }

// toldBar tells what was just recorded and offers to take it back.
func (s *site) toldBar(q url.Values, now time.Time) told {
	l, ok := s.taps.get(q.Get("told"), now)
	if !ok {
		return told{}
	}
	if l.act == store.ActUndo {
		return told{Text: l.name + " taken back"}
	}
	what := map[string]string{store.ActDone: "done", store.ActHalf: "half done", store.ActTake: "taken", store.ActFixer: "fixer called", ActWeigh: "weighed"}[l.act]
	b := told{Text: l.name + " " + what, Task: l.task, Back: scopeQuery(q)}
	if l.cones > 0 && (l.act == store.ActDone || l.act == store.ActHalf) {
		b.Text += fmt.Sprintf(", %d %s", l.cones, plural(l.cones, "cone", "cones"))
	}
	if l.act == ActWeigh {
		b.Text, b.Of = b.Text+", "+number(l.kg, 2)+" kg", l.request
	}
	if l.warning != "" {
		b.Text += ". Look at the lot: " + l.warning
	}
	return b
}

// readBack reads the filter that the form came from. It can only lead back to
// the creel round.
func readBack(s string) url.Values {
	q, err := url.ParseQuery(s)
	if err != nil || len(s) > 2*longestParameter {
		return url.Values{}
	}
	back := url.Values{}
	for _, k := range []string{"machines", "set"} {
		if v := q.Get(k); v != "" {
			back.Set(k, v)
		}
	}
	return back
}

func mark(q url.Values) string {
	if len(q) == 0 {
		return ""
	}
	return "?" + q.Encode()
}

func goodToken(s string) bool {
	return len(s) >= 16 && len(s) <= 64 && strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ234567") == ""
}

// recentTaps are the taps of the last seconds, for the strip of a reader
// without script. They live in memory only: the record is elsewhere.
type recentTaps struct {
	mu    sync.Mutex
	byTok map[string]recentTap
	order []string
}

type recentTap struct {
	task, name, act, request, warning string
	cones                             int
	kg                                float64
	at                                time.Time
}

// add returns the token of a tap, the same one for a repeated request.
func (r *recentTaps) add(t recentTap) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	for tok, old := range r.byTok {
		if old.request == t.request {
			return tok
		}
	}
	if r.byTok == nil {
		r.byTok = map[string]recentTap{}
	}
	if len(r.order) >= tapsKept {
		delete(r.byTok, r.order[0])
		r.order = r.order[1:]
	}
	tok := newToken()
	r.byTok[tok] = t
	r.order = append(r.order, tok)
	return tok
}

func (r *recentTaps) get(token string, now time.Time) (recentTap, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	t, ok := r.byTok[token]
	return t, ok && now.Sub(t.at) <= store.UndoFor
}
