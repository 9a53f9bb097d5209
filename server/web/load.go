package web

import (
	"crypto/sha256"
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
	undoFor     = 2 * time.Minute // how long a load can be taken back from the page
	undoKept    = 256
	mostCones   = 5000
	longestForm = 16 << 10
)

// load records that cones were changed: POST /creel/load, a plain form.
func (s *site) load(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	req, back, trouble := s.readLoad(r)
	if trouble != "" {
		s.sayProblem(w, r, http.StatusBadRequest, problem{"Not recorded", trouble + " Go back and press again.", "/creel" + mark(back)})
		return
	}
	task := r.PostForm.Get("task")
	if token := s.loads.ofTask(task, s.now()); token != "" { // somebody was quicker: the cones are on once
		back.Set("done", token)
		http.Redirect(w, r, "/creel?"+back.Encode(), http.StatusSeeOther)
		return
	}
	id, err := s.o.Load(r.Context(), req)
	if refused := refusal(err); refused != "" {
		s.sayProblem(w, r, http.StatusConflict, problem{"Not recorded: stop, look at the cones", refused, "/creel" + mark(back)})
		return
	}
	if err != nil {
		s.log.Error("load not recorded", "machine", req.Machine, "group", req.Group, "err", err)
		s.sayProblem(w, r, http.StatusServiceUnavailable, problem{"Not recorded",
			"The server could not write it down. Go back and press again; it will count once.", "/creel" + mark(back)})
		return
	}
	token := s.loads.add(recentLoad{task: task, machine: req.Machine, name: s.machineName(req.Machine), cones: req.Cones, id: id, at: s.now(), request: req.RequestID})
	s.cache.forget()
	back.Set("done", token)
	http.Redirect(w, r, "/creel?"+back.Encode(), http.StatusSeeOther)
}

// refusal is the sentence for cones that must not be put on, such as of another lot;
// empty when there was no error, or one that pressing again may cure.
func refusal(err error) string {
	if errors.Is(err, floor.ErrLot) || errors.Is(err, store.ErrInvalid) || errors.Is(err, store.ErrNotFound) {
		return err.Error()
	}
	return ""
}

// readLoad checks the form. Trouble is a sentence for the tender.
func (s *site) readLoad(r *http.Request) (req LoadRequest, back url.Values, trouble string) {
	if err := r.ParseForm(); err != nil {
		return req, back, "The form could not be read."
	}
	f := r.PostForm
	back = readBack(f.Get("back"))
	cones, err := strconv.Atoi(f.Get("cones"))
	machine := f.Get("machine")
	known := slices.ContainsFunc(s.floor.Machines(), func(m floor.MachineView) bool { return m.ID == machine })
	switch {
	case err != nil || cones < 1 || cones > mostCones:
		trouble = fmt.Sprintf("The number of cones must be 1 to %d.", mostCones)
	case !known:
		trouble = "The machine is not known any more."
	case f.Get("group") == "" || len(f.Get("group")) > 200 || len(f.Get("lot")) > 200 || len(f.Get("task")) > 500:
		trouble = "The form is not complete."
	case !goodToken(f.Get("request")):
		trouble = "The form is too old."
	}
	return LoadRequest{
		Machine: machine, Group: f.Get("group"), Cones: cones, Lot: f.Get("lot"), At: s.now(),
		RequestID: requestID(f.Get("request"), machine, f.Get("group"), f.Get("task")),
	}, back, trouble
}

// requestID is the same for a second tap on any button of the same task of the
// same page, and another one for everything else. It has the form of a UUID.
func requestID(page string, of ...string) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %q", page, of))
	sum[6] = sum[6]&0x0f | 0x80 // version 8: made by a rule of our own
	sum[8] = sum[8]&0x3f | 0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", sum[:4], sum[4:6], sum[6:8], sum[8:10], sum[10:16])
}

// undo takes a load back: POST /creel/undo.
func (s *site) undo(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	token := r.PostFormValue("token")
	back := readBack(r.PostFormValue("back"))
	l, ok := s.loads.get(token, s.now())
	if !ok {
		s.sayProblem(w, r, http.StatusGone, problem{"Too late to undo",
			"The cones stay recorded. Tell the shift supervisor if that is wrong.", "/creel" + mark(back)})
		return
	}
	if !l.undone {
		if err := s.o.Undo(r.Context(), l.machine, l.id); err != nil {
			s.log.Error("load not taken back", "machine", l.machine, "id", l.id, "err", err)
			s.sayProblem(w, r, http.StatusServiceUnavailable, problem{"Not taken back",
				"The server could not write it down. Go back and press again.", "/creel" + mark(back)})
			return
		}
		s.loads.setUndone(token)
	}
	s.cache.forget()
	back.Set("done", token)
	http.Redirect(w, r, "/creel?"+back.Encode(), http.StatusSeeOther)
}

func (s *site) machineName(id string) string {
	for _, m := range s.floor.Machines() {
		if m.ID == id {
			return nameOf(m)
		}
	}
	return id
}

// ofTask returns the token under which somebody recorded a task in the last
// minutes, or nothing. The planner may not have heard of it yet, and another
// phone may still show its button.
func (r *recentLoads) ofTask(task string, now time.Time) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	for tok, l := range r.byTok {
		if task != "" && l.task == task && !l.undone && now.Sub(l.at) <= undoFor {
			return tok
		}
	}
	return ""
}

// undoBar tells what was just recorded and offers to take it back.
func (s *site) undoBar(q url.Values, now time.Time) undoBar {
	l, ok := s.loads.get(q.Get("done"), now)
	if !ok {
		return undoBar{}
	}
	what := fmt.Sprintf("%s, %d %s", l.name, l.cones, plural(l.cones, "cone", "cones"))
	if l.undone {
		return undoBar{Done: what + " taken back"}
	}
	b := undoBar{Done: what + " recorded"}
	if s.o.Undo != nil {
		b.Token, b.Text, b.Back = q.Get("done"), what, scopeQuery(q)
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

// recentLoads are the loads that can still be taken back. They live in memory
// only: after a restart the book is right and the button is gone.
type recentLoads struct {
	mu    sync.Mutex
	byTok map[string]*recentLoad
	order []string
}

type recentLoad struct {
	machine, name, request, task string
	cones                        int
	id                           int64
	at                           time.Time
	undone                       bool
}

// add returns the token of a load, the same one for a repeated request.
func (r *recentLoads) add(l recentLoad) string {
	r.mu.Lock()
	defer r.mu.Unlock()
	for tok, old := range r.byTok {
		if old.request == l.request {
			return tok
		}
	}
	if r.byTok == nil {
		r.byTok = map[string]*recentLoad{}
	}
	if len(r.order) >= undoKept {
		delete(r.byTok, r.order[0])
		r.order = r.order[1:]
	}
	tok := newToken()
	r.byTok[tok] = &l
	r.order = append(r.order, tok)
	return tok
}

func (r *recentLoads) get(token string, now time.Time) (recentLoad, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	l, ok := r.byTok[token]
	if !ok || now.Sub(l.at) > undoFor {
		return recentLoad{}, false
	}
	return *l, true
}

func (r *recentLoads) setUndone(token string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if l, ok := r.byTok[token]; ok {
		l.undone = true
	}
}
