package floor

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"turnwise/planner/forecast/score"
	"turnwise/server/store"
)

// KeptQuery selects what a calibration is made of.
type KeptQuery struct {
	Since              time.Time // zero = all that is kept
	Article, Structure string    // empty = all
	Order              string    // empty = all
}

// CalibrationView is what was promised and what happened.
type CalibrationView struct {
	Groups   []CalibrationGroup
	Outcomes []store.Kept // the newest first
	Places   []float64    // of each outcome in its law; -1 = not known
}

// CalibrationGroup is the report of one group of forecasts.
type CalibrationGroup struct {
	Name string // "all", "structure X", "article Y"
	score.Report
}

// ErrNoRecord says that this server keeps no forecasts.
var ErrNoRecord = errors.New("no forecasts are kept")

// reports keeps the newest calibrations: forecasts are kept and settled once a minute,
// and a large record takes its time to score.
type reports struct {
	mu   sync.Mutex
	made map[KeptQuery]report
}

type report struct {
	at   time.Time
	view CalibrationView
}

const (
	reportPeriod = time.Minute
	mostReports  = 32
)

// Calibration compares kept forecasts with what happened: all together, by
// structure and by article. A report may be a minute old; it is for reading only.
func (f *Floor) Calibration(ctx context.Context, q KeptQuery) (CalibrationView, error) {
	if f.c.Promises == nil {
		return CalibrationView{}, ErrNoRecord
	}
	if q.Order != "" {
		return f.calibrate(ctx, q) // few rows, and people look at it after a change
	}
	f.reports.mu.Lock()
	defer f.reports.mu.Unlock() // the second who asks waits for the first one's answer
	now := f.c.Now()
	if r, ok := f.reports.made[q]; ok && now.Sub(r.at).Abs() < reportPeriod {
		return r.view, nil
	}
	v, err := f.calibrate(ctx, q)
	if err != nil {
		return v, err
	}
	if len(f.reports.made) >= mostReports || f.reports.made == nil {
		f.reports.made = make(map[KeptQuery]report)
	}
	f.reports.made[q] = report{now, v}
	return v, nil
}

func (f *Floor) calibrate(ctx context.Context, q KeptQuery) (CalibrationView, error) {
	kept, err := f.c.Promises.KeptForecasts(ctx, store.KeptQuery{Since: q.Since, Order: q.Order})
	if err != nil {
		return CalibrationView{}, fmt.Errorf("floor: read kept forecasts: %w", err)
	}
	kept = slices.DeleteFunc(kept, func(k store.Kept) bool {
		return q.Article != "" && k.Article != q.Article || q.Structure != "" && k.Structure != q.Structure
	})
	v := CalibrationView{Outcomes: kept}
	var all []score.Outcome
	by := map[string][]score.Outcome{}
	for _, k := range kept {
		if k.Settled.Ended.IsZero() {
			v.Places = append(v.Places, -1)
			continue
		}
		o := score.Outcome{Minutes: k.Minutes, Happened: k.Settled.Minutes}
		v.Places = append(v.Places, o.Place(0.5))
		all = append(all, o)
		by["structure "+cmp.Or(k.Structure, "not entered")] = append(by["structure "+cmp.Or(k.Structure, "not entered")], o)
		by["article "+k.Article] = append(by["article "+k.Article], o)
	}
	if len(all) == 0 {
		return v, nil
	}
	v.Groups = append(v.Groups, CalibrationGroup{"all", score.Of(all)})
	names := slices.SortedFunc(maps.Keys(by), func(a, b string) int { return cmp.Compare(b[:1], a[:1])*2 + cmp.Compare(a, b) }) // structures first
	for _, name := range names {
		v.Groups = append(v.Groups, CalibrationGroup{name, score.Of(by[name])})
	}
	return v, nil
}
