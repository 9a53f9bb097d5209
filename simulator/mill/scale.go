package mill

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/simulator/stops"
	"turnwise/simulator/truth"
)

// The scale of the mill. Settings of the simulator: common practice, no source.
const (
	rollSpread = 0.004 // of a roll about what its turns make, a share
	scaleStep  = 0.05  // kg that the scale shows
	weighFrom  = 40 * time.Second
	weighMost  = 100 * time.Second // more, until a roll is on the scale
	slip       = 8 * time.Hour     // past rolls come on the slip of a shift, weighed together
)

// storySlim is by how much the card of slimMachine is too long: its yarn was never
// measured. The machine draws less than the card says, so its rolls weigh less and its cones last longer.
const (
	storySlim   = 0.034
	slimMachine = "k03"
)

// drawn is what a machine draws of the yarn that its card says.
func (s *scenario) drawn(machine string) float64 {
	if machine == slimMachine {
		return 1 / (1 + s.Slim)
	}
	return 1
}

// slimmed lets cones last as long as the machine really draws.
func (s *scenario) slimmed(machine string, w stops.Work) stops.Work {
	w.Creels = slices.Clone(w.Creels)
	for i := range w.Creels {
		w.Creels[i].ConeTurns /= s.drawn(machine)
	}
	return w
}

// weight is rolls of one machine that are weighed together.
type weight struct {
	m       *truth.Machine
	machine string
	rolls   int32
	kg      float64
	from    time.Duration // doff before the first
	at      time.Duration // of the last doff
	say     time.Duration
}

// rollsOf are the whole rolls that a machine doffed in (from, to], each weighed by itself.
// Machines that only say that they stand tell of no doff.
func (d *Tenders) rollsOf(m *truth.Machine, from, to time.Duration) []weight {
	var out []weight
	job := func(at time.Duration) int {
		i := slices.IndexFunc(m.Plan.Jobs, func(j truth.Job) bool { return j.From > at })
		if i < 0 {
			i = len(m.Plan.Jobs)
		}
		return i - 1
	}
	// The roll that ends first may have begun long ago.
	const longest = 24 * time.Hour
	var began *truth.Moment
	for _, c := range m.Changes(max(-1, from-longest), to) {
		if c.Doing != stops.Stopped || c.Cause != stops.Doff {
			continue
		}
		if began != nil && c.At > from && job(began.At) == job(c.At) {
			r := rand.New(rand.NewPCG(d.o.Seed, hash(fmt.Sprintf("%s/%d/scale", m.Plan.ID, c.At))))
			grams := float64(m.Plan.Jobs[job(c.At)].Article.GramsPerTurn()) * d.o.Drawn(m.Plan.ID)
			kg := float64(c.Turns-began.Turns) * grams / 1000 * (1 + rollSpread*r.NormFloat64())
			out = append(out, weight{m: m, machine: m.Plan.ID, rolls: 1, kg: kg, from: began.At, at: c.At, say: c.At + weighFrom + time.Duration(r.Float64()*float64(weighMost))})
		}
		began = &c
	}
	return out
}

// scale takes the rolls that were doffed in (from, to]: those of the past as slips of shifts.
func (d *Tenders) scale(from, to time.Duration) {
	for _, m := range d.o.Machines {
		var last *weight
		for _, w := range d.rollsOf(m, max(from, d.o.ScaleFrom), to) {
			if past := w.at <= d.o.Begun; last != nil && past && last.at == w.from && last.at/slip == w.at/slip {
				last.rolls, last.kg, last.at, last.say = last.rolls+1, last.kg+w.kg, w.at, w.say
				continue
			}
			d.weights = append(d.weights, w)
			last = &d.weights[len(d.weights)-1]
		}
	}
}

// weigh tells the server of the rolls whose time has come.
func (d *Tenders) weigh(ctx context.Context, now time.Duration) error {
	var left []weight
	for _, w := range d.weights {
		if w.say > now || len(w.m.Changes(w.at, now-weighFrom)) == 0 { // the roll is still on the machine
			left = append(left, w)
			continue
		}
		kg := scaleStep * float64(int64(w.kg/scaleStep+0.5))
		_, err := pb.NewCreelServiceClient(d.o.Conn).RecordReading(ctx, &pb.RecordReadingRequest{Machine: w.machine, Kind: pb.ReadingKind_READING_KIND_ROLLS,
			NetKg: kg, RollCount: w.rolls, ReadingTime: timestamppb.New(d.o.Wall(w.at).Add(weighFrom / 4)), RequestId: fmt.Sprintf("roll-%s-%d", w.machine, w.at)})
		switch c := status.Code(err); {
		case err == nil:
			d.rounds.change(func(t *Tending) { t.Weighed += int(w.rolls) })
		case c == codes.InvalidArgument: // nobody weighs again what the server does not believe
			d.rounds.change(func(t *Tending) {
				t.Unweighed = append(t.Unweighed, fmt.Sprintf("%s, %d rolls of %.2f kg: %s", strings.ToUpper(w.machine), w.rolls, kg, status.Convert(err).Message()))
			})
		default:
			return fmt.Errorf("mill: weigh %d rolls of %s: %w", w.rolls, w.machine, err)
		}
	}
	d.weights = left
	return nil
}
