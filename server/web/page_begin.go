package web

import (
	"errors"
	"net/http"
	"slices"
	"time"

	"turnwise/planner/loading/board"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// beginRow is a planned job that a machine begins next: somebody says when it does.
type beginRow struct {
	Machine, Name, Order, Before, Expected string
	Over                                   bool // it was expected to have begun
	at                                     time.Time
}

// Planned jobs are listed that are expected within so long, and no more than so many.
const (
	beginsWithin = 12 * time.Hour
	mostBegins   = 12
)

// begins lists the planned jobs that are to begin soon, what is overdue in front.
func (s *site) begins(live *floor.LoadingPlan, now time.Time) []beginRow {
	if s.o.BeginJob == nil {
		return nil
	}
	names := map[string]string{}
	for _, m := range s.floor.Machines() {
		names[m.ID] = nameOf(m)
	}
	var out []beginRow
	for _, l := range live.Lines {
		row := beginRow{Machine: l.Machine, Name: names[l.Machine]}
		for _, j := range l.Jobs {
			if j.Kind == board.JobRunning {
				row.Before = j.Order
			}
			if !j.Waits {
				continue
			}
			if row.at = j.Expected; row.at.IsZero() {
				row.at = j.SetupStart
			}
			if row.at.After(now.Add(beginsWithin)) {
				break
			}
			row.Order, row.Over, row.Expected = j.Order, !row.at.After(now), dayTime(row.at, now, s.zone)
			out = append(out, row)
			break
		}
	}
	slices.SortStableFunc(out, func(a, b beginRow) int { return a.at.Compare(b.at) })
	return out[:min(len(out), mostBegins)]
}

// beginJob says that a machine knits a planned job now: POST /loading/begin, a plain form.
func (s *site) beginJob(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	machine, order := r.PostFormValue("machine"), r.PostFormValue("order")
	s.begun(w, r, machine, s.o.BeginJob(r.Context(), machine, order), query("begun", order, "on", machine))
}

// waitJob takes that back: POST /loading/wait.
func (s *site) waitJob(w http.ResponseWriter, r *http.Request) {
	r.Body = http.MaxBytesReader(w, r.Body, longestForm)
	machine := r.PostFormValue("machine")
	s.begun(w, r, machine, s.o.BeginJob(r.Context(), machine, ""), query("waits", "1"))
}

func (s *site) begun(w http.ResponseWriter, r *http.Request, machine string, err error, on string) {
	switch {
	case err == nil:
		s.cache.forget()
		http.Redirect(w, r, "/loading"+on, http.StatusSeeOther)
	case errors.Is(err, store.ErrInvalid) || errors.Is(err, store.ErrNotFound):
		s.sayProblem(w, r, http.StatusConflict, problem{"Nothing was written", sentence(capital(err.Error())), "/loading"})
	default:
		s.log.Error("beginning of a job not written", "machine", machine, "err", err)
		http.Error(w, "The server could not write it down. Go back and press again; it counts once.", http.StatusServiceUnavailable)
	}
}
