package mill

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"google.golang.org/grpc"

	"turnwise/planner/calendar"
	pb "turnwise/proto/turnwisepb"
	"turnwise/server/host"
	"turnwise/simulator/truth"
)

// Play is the mill without its network, for whoever plays it by a clock of
// their own: the truth of every machine from day 1 06:00 on, and the tenders.
type Play struct {
	Origin   time.Time
	Zone     *time.Location
	Calendar calendar.Calendar
	Machines []*truth.Machine
	Agents   map[string]string // by machine
	Book     *pb.Book

	s *scenario
}

// NewPlay begins the mill of a seed; day 1 is five days before first.
func NewPlay(seed uint64, first time.Time) (*Play, error) {
	s := &scenario{Seed: seed, Zone: DefaultZone, First: first, Story: true, Early: earlyShare, Slim: storySlim, Ahead: openAhead}
	if err := s.init(); err != nil {
		return nil, err
	}
	p := &Play{Origin: s.origin(), Zone: s.zone, Agents: map[string]string{}, Book: s.book(), s: s}
	every := [7]bool{true, true, true, true, true, true, true}
	p.Calendar = calendar.Calendar{Zone: s.zone, DayStarts: 6 * 60, Shifts: []calendar.Shift{
		{Name: "morning", From: 6 * 60, To: 14 * 60, Days: every}, {Name: "evening", From: 14 * 60, To: 22 * 60, Days: every}, {Name: "night", From: 22 * 60, To: 6 * 60, Days: every},
	}}
	for i, plate := range plates {
		m, err := truth.NewMachine(s.plan(i))
		if err != nil {
			return nil, fmt.Errorf("mill: %w", err)
		}
		p.Machines = append(p.Machines, m)
		p.Agents[plate.id] = plate.agent
	}
	return p, nil
}

// Records opens what a server of the mill keeps.
func (p *Play) Records(ctx context.Context, dir string, log *slog.Logger, now func() time.Time) (host.Records, error) {
	return host.OpenRecords(ctx, filepath.Join(dir, "mill.db"), log, now)
}

// Crew are the tenders of a Play.
type Crew struct {
	t       *Tenders
	walkers []*walker
	from    time.Duration
}

// Crew begins work in front of a server. now is the clock of the play.
func (p *Play) Crew(conn grpc.ClientConnInterface, now func() time.Time) *Crew {
	c := &Crew{from: -1, t: &Tenders{rounds: newRounds("", p.s.Early), o: tendersOptions{
		Conn: conn, Machines: p.Machines, Seed: p.s.Seed, Begun: -1, Now: now,
		Wall: func(at time.Duration) time.Time { return p.Origin.Add(at) }, FirstCard: p.s.firstCard,
		Drawn: p.s.drawn, ScaleFrom: -1}}}
	for _, set := range sets() {
		c.walkers = append(c.walkers, newWalker(set))
	}
	return c
}

// Step lets everybody work until an instant of the play.
func (c *Crew) Step(ctx context.Context, to time.Duration) error {
	c.t.hear(c.from, to)
	c.t.scale(c.from, to)
	c.from = to
	if err := errors.Join(c.t.say(ctx, to), c.t.weigh(ctx, to)); err != nil {
		return err
	}
	for _, w := range c.walkers {
		if err := c.t.step(ctx, w); err != nil {
			return err
		}
	}
	return nil
}

// Tending tells what they did.
func (c *Crew) Tending() Tending { return c.t.rounds.look() }

// Missed says which mix-ups that were told a server did not catch.
func (t Tending) Missed() []string { return t.missedMixups() }
