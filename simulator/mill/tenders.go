package mill

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "turnwise/proto/turnwisepb"
	"turnwise/simulator/truth"
)

// What tenders do, as shares. Settings of the simulator: common practice, no
// source; those of taps are what the server must stay useful with.
const (
	earlyShare = 0.20 // rounds put on before they are due
	lateShare  = 0.10 // taps that come ten minutes to an hour late
	noTapShare = 0.10 // taps that never come
	mixShare   = 0.05 // rounds for which wrong cones are fetched first
)

// A tender walks about 4 km/h along machines that stand 6 m apart.
const (
	stepTime  = 5500 * time.Millisecond // from one machine to the next
	reaction  = 4 * time.Second         // to look at the list and go
	fetchTime = 90 * time.Second        // for other cones, after a refusal
	lateFrom  = 10 * time.Minute        // a tap that comes later is late
)

// storyLot is creeled on K07 by mistake in the story; the supervisor lets it
// knit. No other lot is ever released.
const storyLot, storyMachine = "L-433", "k07"

// Mixup is one time that wrong cones came to a creel.
type Mixup struct {
	Machine string    `json:"machine"`
	Group   string    `json:"feed_group"`
	Lot     string    `json:"lot"`   // that came
	Wants   string    `json:"wants"` // that belongs there
	At      time.Time `json:"at"`
	// Told says that the tender scanned or tapped the lot. What nobody tells
	// nobody can know.
	Told    bool `json:"told"`
	Refused bool `json:"refused"` // by the server, before the cones counted
	Alarm   bool `json:"alarm"`   // that the server raised
	Mended  bool `json:"mended"`  // the right cones were then taken
}

// Tending is what the tenders did.
type Tending struct {
	Rounds  int     `json:"rounds"`
	Early   float64 `json:"early_share"` // of the mill, as set
	Late    int     `json:"late_taps"`
	NoTap   int     `json:"missing_taps"`
	Taken   int     `json:"tasks_taken"`
	Mixups  []Mixup `json:"mixups"`
	Told    int     `json:"mixups_told"`
	Caught  int     `json:"mixups_caught"` // told, refused and raised as an alarm
	Release int     `json:"lots_released"`
	Weighed int     `json:"rolls_weighed"`
	// Unweighed says which weights the server refused, and why.
	Unweighed []string `json:"weights_refused,omitempty"`
}

// rounds is the ledger of tenders. It is theirs alone: nothing of the
// server goes into it but the answers that they got.
type rounds struct {
	mu   sync.Mutex
	t    Tending
	file string
}

func (r *rounds) change(f func(*Tending)) {
	r.mu.Lock()
	defer r.mu.Unlock()
	f(&r.t)
	r.t.Told, r.t.Caught = 0, 0
	for _, m := range r.t.Mixups {
		if m.Told {
			r.t.Told++
		}
		if m.Told && m.Refused && m.Alarm {
			r.t.Caught++
		}
	}
}

func (r *rounds) look() Tending {
	r.mu.Lock()
	defer r.mu.Unlock()
	t := r.t
	t.Mixups, t.Unweighed = slices.Clone(t.Mixups), slices.Clone(t.Unweighed)
	return t
}

// write puts the ledger into the data folder.
func (r *rounds) write() error {
	t := r.look()
	text, err := json.MarshalIndent(t, "", "  ")
	if err != nil {
		return fmt.Errorf("mill: write the ledger of tenders: %w", err)
	}
	return truth.WriteFile(r.file, text)
}

// Tenders are the tenders of the mill, in front of a server.
type Tenders struct {
	o       tendersOptions
	rounds  *rounds
	waiting []told
	weights []weight
}

type tendersOptions struct {
	Conn       grpc.ClientConnInterface
	Machines   []*truth.Machine
	Seed       uint64
	Begun      time.Duration // what was put on by then is past
	PastMixups bool
	Wall       func(time.Duration) time.Time
	FirstCard  func(machine string) time.Duration
	Drawn      func(machine string) float64 // of the yarn that the card says
	ScaleFrom  time.Duration                // rolls of before are not weighed
	Now        func() time.Time
}

// Tending tells what the tenders did since the start.
func (d *Demo) Tending() Tending { return d.tenders.rounds.look() }

func newRounds(dir string, early float64) *rounds {
	return &rounds{t: Tending{Early: early, Mixups: []Mixup{}}, file: filepath.Join(dir, "tenders.json")}
}

// round is what a tender does about one round of cones, drawn from the seed:
// the same whoever asks and whenever.
type round struct {
	delay time.Duration // until it is told
	never bool          // it is not
	wrong string        // lot fetched first; empty = the right one
}

func (d *Tenders) round(machine string, l truth.Load) round {
	r := rand.New(rand.NewPCG(d.o.Seed, hash(fmt.Sprintf("%s/%s/%d/tender", machine, l.Group, l.At))))
	out := round{delay: 15*time.Second + time.Duration(r.Float64()*float64(75*time.Second))}
	switch tap := r.Float64(); {
	case tap < noTapShare:
		out.never = true
	case tap < noTapShare+lateShare:
		out.delay = lateFrom + time.Duration(r.Float64()*float64(50*time.Minute))
	}
	if r.Float64() < mixShare {
		out.wrong = wrongLot(r, l.Lot)
	}
	return out
}

// wrongLot is one that looks alike to whoever does not read the label: another
// of the same yarn if there is one, else any.
func wrongLot(r *rand.Rand, right string) string {
	var same, any []string
	for _, l := range lots {
		// The story's lot knits by release beside the card's, so that neither is
		// wrong there.
		if l.id == right || right == storyLot && l.yarn == lotOf(right).yarn {
			continue
		}
		if any = append(any, l.id); l.yarn == lotOf(right).yarn {
			same = append(same, l.id)
		}
	}
	if len(same) > 0 {
		return same[r.IntN(len(same))]
	}
	return any[r.IntN(len(any))]
}

// hear takes the rounds that were put on in (from, to].
func (d *Tenders) hear(from, to time.Duration) {
	for _, m := range d.o.Machines {
		for _, l := range m.Loads(from, to) {
			past := l.At <= d.o.Begun
			t := told{machine: m, load: l, round: d.round(m.Plan.ID, l), mayMix: !past || d.o.PastMixups}
			if past && t.delay <= to-l.At { // what was late is told by now
				t.late, t.delay = t.delay >= lateFrom, 0
			}
			d.waiting = append(d.waiting, t)
			d.rounds.change(func(t *Tending) { t.Rounds++ })
		}
	}
}

// say tells the server of the rounds whose time has come.
func (d *Tenders) say(ctx context.Context, now time.Duration) error {
	var left []told
	for _, t := range d.waiting {
		if max(t.load.At+t.delay, d.o.FirstCard(t.machine.Plan.ID)) > now { // no creel before there is a card
			left = append(left, t)
			continue
		}
		again, err := d.tell(ctx, t)
		if err != nil {
			return err
		}
		if again {
			t.wrong, t.mixed = "", true
			if t.load.At > d.o.Begun {
				t.delay = now - t.load.At + fetchTime
			}
			left = append(left, t)
		}
	}
	d.waiting = left
	return nil
}

// tend lets the tenders tell of rounds of cones until ctx ends: most within two
// minutes, some late, some never. Each has a request id of its own, so telling
// of one again after a restart changes nothing.
func (d *Demo) tend(ctx context.Context, fresh bool) error {
	const again = 24 * time.Hour // of rounds are told once more after a restart
	from := d.floor.clock.At(d.floor.clock.Now()) - again
	if fresh {
		from = -1
	}
	tick := time.NewTicker(5 * time.Second)
	defer tick.Stop()
	for first := true; ; first = false {
		to := d.floor.clock.At(d.floor.clock.Now())
		d.tenders.hear(from, to)
		d.tenders.scale(from, to)
		from = to
		if err := errors.Join(d.tenders.say(ctx, to), d.tenders.weigh(ctx, to)); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		if err := d.tenders.rounds.write(); err != nil {
			return err
		}
		if first {
			close(d.pastTold)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// told is a round on its way to the server.
type told struct {
	machine *truth.Machine
	load    truth.Load
	round
	mayMix bool
	late   bool // though it is told at once now
	mixed  bool // wrong cones came first, and went back
}

// tell tells of one round. Wrong cones are scanned first: when the server
// refuses them, the tender goes for the right ones and tells again; if it takes
// them, they stay on, and the mix-up was not caught. A lot is released in the
// story alone.
func (d *Tenders) tell(ctx context.Context, t told) (again bool, err error) {
	id, l := t.machine.Plan.ID, t.load
	wall := d.o.Wall(max(l.At, d.o.FirstCard(id)))
	d.rounds.change(func(r *Tending) {
		switch {
		case t.mixed:
		case t.never:
			r.NoTap++
		case t.late || t.delay >= lateFrom:
			r.Late++
		}
	})
	if wrong := t.wrong; wrong != "" && t.mayMix {
		m := Mixup{Machine: id, Group: l.Group, Lot: wrong, Wants: l.Lot, At: wall, Told: !t.never}
		if m.Told {
			err := d.enterLoad(ctx, id, l, wrong, wall, "wrong-")
			if m.Refused = status.Code(err) == codes.FailedPrecondition; err != nil && !m.Refused {
				return false, fmt.Errorf("mill: enter cones of %s on %s, group %s: %w", wrong, id, l.Group, err)
			}
			if m.Alarm, err = d.raised(ctx, id, l.Group); err != nil {
				return false, err
			}
		}
		d.rounds.change(func(r *Tending) { r.Mixups = append(r.Mixups, m) })
		return m.Refused, nil
	}
	if t.never {
		return false, nil
	}
	err = d.enterLoad(ctx, id, l, l.Lot, wall, "round-")
	if status.Code(err) == codes.FailedPrecondition && id == storyMachine && l.Lot == storyLot {
		err = d.release(ctx, id, l, wall)
	}
	if err != nil {
		return false, fmt.Errorf("mill: enter the cones of %s, group %s: %w", id, l.Group, err)
	}
	if t.mixed {
		d.rounds.change(func(r *Tending) {
			for i := range r.Mixups {
				if m := &r.Mixups[i]; m.Machine == id && m.Group == l.Group && m.At.Equal(wall) {
					m.Mended = true
				}
			}
		})
	}
	return false, nil
}

func (d *Tenders) enterLoad(ctx context.Context, machine string, l truth.Load, lot string, wall time.Time, request string) error {
	turns := l.Turns
	_, err := pb.NewCreelServiceClient(d.o.Conn).LoadCreel(ctx, &pb.LoadCreelRequest{Machine: machine, FeedGroup: l.Group, Lot: lot,
		ConeNetKg: l.Left * yarnOf(lotOf(l.Lot).yarn).coneKg, LoadTime: timestamppb.New(wall), RevolutionCount: &turns,
		RequestId: fmt.Sprintf("%s%s-%s-%d", request, machine, l.Group, l.At)})
	return err
}

// release is the one of the story: L-433 on K07, which is a mix-up too.
func (d *Tenders) release(ctx context.Context, id string, l truth.Load, wall time.Time) error {
	alarm, err := d.raised(ctx, id, l.Group)
	if err != nil {
		return err
	}
	_, err = pb.NewCreelServiceClient(d.o.Conn).ReleaseLot(ctx, &pb.ReleaseLotRequest{Lot: l.Lot, Machine: id, Role: "shift supervisor",
		Reason: "same spinning mill, one order only", RequestId: "release-" + l.Lot + "-" + id})
	if err == nil {
		err = d.enterLoad(ctx, id, l, l.Lot, wall, "round-")
	}
	if err == nil {
		d.rounds.change(func(r *Tending) {
			r.Release++
			r.Mixups = append(r.Mixups, Mixup{Machine: id, Group: l.Group, Lot: l.Lot, Wants: "L-402", At: wall, Told: true, Refused: true, Alarm: alarm})
		})
	}
	return err
}

// raised tells whether the server has an alarm about a creel, whatever became
// of it since.
func (d *Tenders) raised(ctx context.Context, machine, group string) (bool, error) {
	client := pb.NewAlarmServiceClient(d.o.Conn)
	for token := ""; ; {
		r, err := client.ListAlarms(ctx, &pb.ListAlarmsRequest{ShowNormal: true, PageSize: 1000, PageToken: token})
		if err != nil {
			return false, fmt.Errorf("mill: list alarms: %w", err)
		}
		for _, a := range r.GetAlarms() {
			if a.GetName() == "alarms/other-lot-"+machine+"-"+group && a.GetState() == pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED {
				return true, nil
			}
		}
		if token = r.GetNextPageToken(); token == "" {
			return false, nil
		}
	}
}

// sets of machines that have a tender each.
func sets() []string {
	var out []string
	for _, p := range plates {
		if !slices.Contains(out, p.set) {
			out = append(out, p.set)
		}
	}
	return out
}

// walker is the tender of one set of machines.
type walker struct {
	set   string
	mine  []string // "machines/k01", as they stand in the hall
	place int
	busy  time.Time // on the way until then
}

func newWalker(set string) *walker {
	w := &walker{set: set}
	for _, p := range plates {
		if p.set == set {
			w.mine = append(w.mine, "machines/"+p.id)
		}
	}
	return w
}

// step lets a tender go to the first task that is due, by foot, once the last
// way is done. What is done there is the truth of the machine; the tender tells
// that somebody goes, and says of the alarms of the set that they were seen.
func (d *Tenders) step(ctx context.Context, w *walker) error {
	if err := d.see(ctx, w.set); err != nil || d.o.Now().Before(w.busy) {
		return err
	}
	client := pb.NewCreelServiceClient(d.o.Conn)
	r, err := client.ListTasks(ctx, &pb.ListTasksRequest{Machines: w.mine, HorizonMinutes: 1})
	if err != nil {
		return fmt.Errorf("mill: tasks of set %s: %w", w.set, err)
	}
	i := slices.IndexFunc(r.GetTasks(), func(t *pb.Task) bool {
		return t.GetState() == pb.TaskState_TASK_STATE_DUE && !d.forgets(t.GetName())
	})
	if i < 0 {
		return nil
	}
	task := r.GetTasks()[i]
	next := max(0, slices.Index(w.mine, "machines/"+strings.TrimPrefix(task.GetMachine(), "machines/")))
	w.busy = d.o.Now().Add(reaction + time.Duration(max(next-w.place, w.place-next))*stepTime)
	w.place = next
	// Somebody goes: the tap comes before the walk. A task that ended in between
	// is refused, which is no fault of anybody. One that came back is taken anew.
	request := "take-" + task.GetName()
	if lapsed := task.GetLapsedTime(); lapsed != nil {
		request += fmt.Sprintf("-%d", lapsed.GetSeconds())
	}
	_, err = client.ReportTask(ctx, &pb.ReportTaskRequest{Task: task.GetName(), Act: pb.TaskAct_TASK_ACT_TAKE, RequestId: request})
	switch c := status.Code(err); {
	case err == nil:
		d.rounds.change(func(t *Tending) { t.Taken++ })
	case c != codes.FailedPrecondition && c != codes.NotFound:
		return fmt.Errorf("mill: take task %s: %w", task.GetName(), err)
	}
	return nil
}

// tender lets the tender of a set work until ctx ends.
func (d *Demo) tender(ctx context.Context, set string) error {
	tick := time.NewTicker(2 * time.Second)
	defer tick.Stop()
	for w := newWalker(set); ; {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		if err := d.tenders.step(ctx, w); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
	}
}

// forgets tells whether the tender goes to a task without saying so.
func (d *Tenders) forgets(task string) bool {
	r := rand.New(rand.NewPCG(d.o.Seed, hash(task+"/take")))
	return r.Float64() < noTapShare+lateShare
}

// see acknowledges the alarms of a set, as somebody does who walks by.
func (d *Tenders) see(ctx context.Context, set string) error {
	client := pb.NewAlarmServiceClient(d.o.Conn)
	r, err := client.ListAlarms(ctx, &pb.ListAlarmsRequest{})
	if err != nil {
		return fmt.Errorf("mill: list alarms: %w", err)
	}
	for _, a := range r.GetAlarms() {
		if !slices.Contains(a.GetAsked(), "set "+set) || a.GetRaiseTime() == nil || d.o.Now().Sub(a.GetRaiseTime().AsTime()) < fetchTime {
			continue
		}
		if s := a.GetState(); s != pb.AlarmState_ALARM_STATE_UNACKNOWLEDGED && s != pb.AlarmState_ALARM_STATE_RETURNED_UNACKNOWLEDGED {
			continue
		}
		_, err := client.AcknowledgeAlarm(ctx, &pb.AcknowledgeAlarmRequest{Name: a.GetName(), Role: "creel tender", RequestId: fmt.Sprintf("seen-%s-%d", a.GetName(), a.GetRaiseTime().AsTime().UnixMilli())})
		if c := status.Code(err); err != nil && c != codes.FailedPrecondition && c != codes.NotFound {
			return fmt.Errorf("mill: acknowledge %s: %w", a.GetName(), err)
		}
	}
	return nil
}
