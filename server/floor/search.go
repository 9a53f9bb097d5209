package floor

import (
	"context"
	"crypto/rand"
	"errors"
	"sync"
	"time"

	"turnwise/planner/loading/board"
)

// States of a Search.
const (
	SearchWaits = "waits"
	SearchRuns  = "runs"
	SearchDone  = "done"
)

// Bounds of the searches that run without somebody who waits for them.
const (
	mostWaiting = 3 // behind the one that runs
	mostKept    = 16
)

// ErrBusy: as many searches wait as may.
var ErrBusy = errors.New("searches wait already")

// Search is a search for a plan as it stands now.
type Search struct {
	ID, State          string
	Asked, Begun       time.Time // Begun zero while it waits
	For                time.Duration
	Rounds             int
	Cost, Start, Bound float64 // of the best so far; 0 before the first
	Plan               int64   // kept as proposed, when it is done
	Err                error   // why there is none
}

// Searcher searches one plan after the other, for pages that come and look.
type Searcher struct {
	f     *Floor
	queue chan *searching

	mu   sync.Mutex
	list []*searching // oldest first
}

type searching struct {
	told    Search // guarded by Searcher.mu
	stopped bool   // too
	r       SolveRequest
}

// NewSearcher returns a searcher that works once Run is called.
func NewSearcher(f *Floor) *Searcher {
	return &Searcher{f: f, queue: make(chan *searching, mostWaiting)}
}

// Run searches until ctx ends. A search under way then is given up; nothing of
// it is kept.
func (s *Searcher) Run(ctx context.Context) error {
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case x := <-s.queue:
			s.search(ctx, x)
		}
	}
}

// Start asks for a search and returns its id. It holds [ErrBusy] when too many
// wait.
func (s *Searcher) Start(r SolveRequest) (string, error) {
	x := &searching{r: r, told: Search{ID: rand.Text(), State: SearchWaits, Asked: s.f.c.Now(), For: r.For}}
	id := x.told.ID
	s.mu.Lock()
	defer s.mu.Unlock()
	select {
	case s.queue <- x:
	default:
		return "", ErrBusy
	}
	if s.list = append(s.list, x); len(s.list) > mostKept {
		s.list = s.list[1:]
	}
	return id, nil
}

// Look tells how far a search is; false when it is not known any more.
func (s *Searcher) Look(id string) (Search, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.list {
		if x.told.ID == id {
			return x.told, true
		}
	}
	return Search{}, false
}

// Stop ends a search with the best plan that it has; false when it is not
// known any more.
func (s *Searcher) Stop(id string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, x := range s.list {
		if x.told.ID == id {
			x.stopped = true
			return true
		}
	}
	return false
}

func (s *Searcher) search(ctx context.Context, x *searching) {
	tell := func(change func(*Search)) {
		s.mu.Lock()
		defer s.mu.Unlock()
		change(&x.told)
	}
	tell(func(t *Search) { t.State, t.Begun = SearchRuns, s.f.c.Now() })
	r := x.r
	r.Continue = func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return !x.stopped
	}
	r.Progress = func(p board.Progress) {
		tell(func(t *Search) { t.Rounds, t.Cost, t.Start, t.Bound = p.Iterations, p.Cost, p.Start, p.Bound })
	}
	plan, err := s.f.Solve(ctx, r)
	if err == nil {
		plan, err = s.f.Keep(ctx, plan)
	}
	if err != nil && !errors.Is(err, board.ErrProblem) && ctx.Err() == nil {
		s.f.c.Log.Error("plan not found", "err", err)
	}
	tell(func(t *Search) { t.State, t.Plan, t.Err = SearchDone, plan.ID, err })
}
