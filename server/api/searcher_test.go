package api

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"turnwise/planner/loading/board"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/floor"
)

// searcher runs until the test ends.
func searcher(t *testing.T, m *mill) *floor.Searcher {
	t.Helper()
	s := floor.NewSearcher(m.floor)
	ctx, end := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	t.Cleanup(func() {
		end()
		if err := <-ended; !errors.Is(err, context.Canceled) {
			t.Errorf("the searcher ended with %v", err)
		}
	})
	return s
}

// await looks until a search fits.
func await(t *testing.T, s *floor.Searcher, id string, fits func(floor.Search) bool) floor.Search {
	t.Helper()
	look, late := time.NewTicker(5*time.Millisecond), time.After(time.Minute)
	defer look.Stop()
	for {
		x, ok := s.Look(id)
		if !ok {
			t.Fatal("the search is not known")
		}
		if fits(x) {
			return x
		}
		select {
		case <-look.C:
		case <-late:
			t.Fatalf("never so: %+v", x)
		}
	}
}

// TestSearchIsStoppedAndKept: a search of ten minutes is told, stopped, and its plan is kept as
// proposed and can be written and taken back.
func TestSearchIsStoppedAndKept(t *testing.T) {
	m := loadedMill(t)
	s := searcher(t, m)
	before := m.where(t)
	id, err := s.Start(floor.SolveRequest{Seed: 1, For: 10 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	done := func(x floor.Search) bool { return x.State == floor.SearchDone }
	await(t, s, id, func(x floor.Search) bool { return x.Rounds > 0 })
	if !s.Stop(id) {
		t.Fatal("the search cannot be stopped")
	}
	x := await(t, s, id, done)
	if x.Err != nil || x.Plan == 0 || x.Bound > x.Cost {
		t.Fatalf("%+v, want a plan", x)
	}
	if now := m.where(t); now["SO-2"] != before["SO-2"] {
		t.Errorf("the search wrote into the book: %v", now)
	}
	if p, err := m.floor.KeptPlan(t.Context(), x.Plan); err != nil || p.Origin != floor.OriginSolve || len(p.Moves) == 0 {
		t.Errorf("kept: %+v, %v", p, err)
	}
	if _, _, err := m.floor.ApplyPlan(t.Context(), x.Plan, false); err != nil {
		t.Fatal(err)
	}
	if now := m.where(t); now["SO-2"] != "k02" {
		t.Errorf("after the plan %v", now)
	}
	if s.Stop("nobody") {
		t.Error("a search that is not there was stopped")
	}
}

// TestSearchesWait: no more than a few wait, and a search in a book with a hole tells why.
func TestSearchesWait(t *testing.T) {
	m := loadedMill(t)
	m.apply(t, &pb.Book{Setups: []*pb.BookSetup{{Kind: "cylinder", From: "99", To: "98", Minutes: 10}}})
	idle := floor.NewSearcher(m.floor)
	started := 0
	for range 10 {
		if _, err := idle.Start(floor.SolveRequest{Rounds: 10}); errors.Is(err, floor.ErrBusy) {
			break
		}
		started++
	}
	if started == 0 || started > 5 {
		t.Errorf("%d searches wait", started)
	}
	m.apply(t, &pb.Book{
		Yarns:    []*pb.BookYarn{{Id: "y2", Count: "30 tex"}},
		Articles: []*pb.BookArticle{{Id: "SJ2"}},
		Cards:    []*pb.BookCard{{Id: "sj2y", Article: "SJ2", Machine: "k01", SpeedRpm: 28, Feeds: []*pb.BookFeedGroup{{Id: "g", Yarn: "y2", FeederCount: 100, CourseLengthM: 5}}}},
		Orders:   []*pb.BookOrder{{Id: "SO-9", Article: "SJ2", QuantityKg: 100}},
	})
	s := searcher(t, m)
	id, err := s.Start(floor.SolveRequest{Rounds: 10})
	if err != nil {
		t.Fatal(err)
	}
	x := await(t, s, id, func(x floor.Search) bool { return x.State == floor.SearchDone })
	if !errors.Is(x.Err, board.ErrProblem) || !strings.Contains(x.Err.Error(), "no row for yarn from y to y2 on k01") {
		t.Errorf("a hole in the table of set-ups: %v", x.Err)
	}
}
