package web

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/server/floor"
)

// Searches look for better plans while pages come and look: *floor.Searcher.
type Searches interface {
	Start(r floor.SolveRequest) (id string, err error)
	Look(id string) (floor.Search, bool)
	Stop(id string) bool
}

// trialKeys name up to three trials in an address.
var trialKeys = []string{"c", "c2", "c3"}

// Bounds of a search from the page.
const (
	longestSeconds = 600
	longestFrozen  = 24 * 60 // hours
)

func (s *site) searchable() bool {
	return s.o.Searches != nil && s.o.ApplyPlan != nil && s.o.KeepPlan != nil && s.o.UndoPlan != nil
}

// searchData is the page of one search.
type searchData struct {
	ID, Head, Best, First, Least, Rounds, Time, Fault string
	Share, Whole                                      int // seconds, of a progress bar
	Runs                                              bool
	Trials                                            []formField // that it will stand beside
	Back, Self, Script                                string
}

type formField struct{ Name, Value string }

// startSearch begins a search: POST /loading/search, a plain form.
func (s *site) startSearch(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	back := readTrials(r.PostFormValue)
	no := func(status int, text string) {
		s.sayProblem(w, r, status, problem{"No search was begun", text, "/loading" + mark(back)})
	}
	seconds, err := strconv.Atoi(cmp.Or(r.PostFormValue("seconds"), "5"))
	if err != nil || seconds < 1 || seconds > longestSeconds {
		no(http.StatusBadRequest, fmt.Sprintf("The time must be 1 to %d seconds.", longestSeconds))
		return
	}
	q := floor.SolveRequest{Seed: uint64(len(back) + 1), For: time.Duration(seconds) * time.Second}
	if text := strings.ReplaceAll(strings.TrimSpace(r.PostFormValue("frozen")), ",", "."); text != "" {
		hours, err := strconv.ParseFloat(text, 64)
		if err != nil || !(hours >= 0 && hours <= longestFrozen) {
			no(http.StatusBadRequest, fmt.Sprintf("The hours that nothing is moved in must be 0 to %d.", longestFrozen))
			return
		}
		if q.Frozen = time.Duration(hours * float64(time.Hour)); hours == 0 {
			q.Frozen = -1 // only what runs stays
		}
	}
	if len(back) >= len(trialKeys) {
		no(http.StatusConflict, "Three trials stand side by side already. Begin anew to make room.")
		return
	}
	id, err := s.o.Searches.Start(q)
	if err != nil {
		no(http.StatusServiceUnavailable, "Other searches wait already. Try again when they are done.")
		return
	}
	http.Redirect(w, r, "/loading/search/"+id+mark(back), http.StatusSeeOther)
}

// stopSearch ends a search with its best plan: POST /loading/stop.
func (s *site) stopSearch(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	id, back := r.PostFormValue("search"), readTrials(r.PostFormValue)
	if !goodToken(id) || !s.o.Searches.Stop(id) {
		s.sayProblem(w, r, http.StatusGone, problem{"This search is not known any more", "Begin another one.", "/loading" + mark(back)})
		return
	}
	s.cache.forget()
	http.Redirect(w, r, "/loading/search/"+id+mark(back), http.StatusSeeOther)
}

// readTrials reads the trials of a form in their order; gaps close.
func readTrials(value func(string) string) url.Values {
	out := url.Values{}
	for _, k := range trialKeys {
		if v := strings.TrimSpace(value(k)); v != "" && len(v) <= longestParameter {
			out.Set(trialKeys[len(out)], v)
		}
	}
	return out
}

// searchPage shows a search; once it is done it leads to the plan.
func (s *site) searchPage(w http.ResponseWriter, r *http.Request) {
	found, ok := s.o.Searches.Look(r.PathValue("search"))
	back := readTrials(r.URL.Query().Get)
	if !ok {
		s.sayProblem(w, r, http.StatusNotFound, problem{"This search is not known any more", "Its plan, if it was done, is among the kept ones.", "/loading" + mark(back)})
		return
	}
	if found.State == floor.SearchDone && found.Err == nil {
		if len(back) < len(trialKeys) {
			back.Set(trialKeys[len(back)], fmt.Sprint("plan ", found.Plan))
		}
		s.cache.forget()
		http.Redirect(w, r, "/loading?"+back.Encode(), http.StatusSeeOther)
		return
	}
	s.page("search")(w, r)
}

// search draws how far a search is.
func (s *site) search(_ context.Context, q url.Values, now time.Time) (view, error) {
	if s.o.Searches == nil {
		return view{}, errNoPage
	}
	x, ok := s.o.Searches.Look(q.Get("search"))
	if !ok {
		return view{}, errNoPage
	}
	trials := readTrials(q.Get)
	d := searchData{ID: x.ID, Runs: x.State != floor.SearchDone, Back: "/loading" + mark(trials), Self: "/loading/search/" + x.ID + mark(trials), Script: s.files.path("loading.js")}
	for _, k := range trialKeys {
		if v := trials.Get(k); v != "" {
			d.Trials = append(d.Trials, formField{k, v})
		}
	}
	switch {
	case x.Err != nil && errors.Is(x.Err, board.ErrProblem):
		d.Head, d.Fault = "No plan", sentence(capital(x.Err.Error()))
	case x.Err != nil:
		d.Head, d.Fault = "No plan", "The server has noted why. Try again in a minute."
	case x.State == floor.SearchWaits:
		d.Head = "Waiting for another search"
	default:
		d.Head = "Searching a plan"
	}
	d.Whole = int(x.For / time.Second)
	if !x.Begun.IsZero() {
		d.Share = min(max(int(now.Sub(x.Begun)/time.Second), 0), d.Whole)
	}
	d.Time = fmt.Sprintf("%d of %d seconds", d.Share, d.Whole)
	if x.Rounds > 0 {
		hours := func(minutes float64) string { return fmt.Sprintf("%.1f", minutes/60) }
		d.Best, d.First, d.Least, d.Rounds = hours(x.Cost), hours(x.Start), hours(x.Bound), fmt.Sprint(x.Rounds)
	}
	return view{Title: d.Head, Data: d, Still: true, Again: d.Runs}, nil
}
