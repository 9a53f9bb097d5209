// Package calls is the desk where what needs an answer comes in: it raises
// alarms of the six classes from what the floor shows, keeps their states over
// a restart, and adds up what each person was asked. A person is a set of
// machines; nobody's name is known here.
//
// The one rule: a state is in the store before anybody is told of it. What an
// alarm may become is decided by planner/alarm alone.
package calls

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"turnwise/planner/alarm"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Who is asked, besides sets of machines.
const (
	planning    = "planning"
	quality     = "quality"
	engineering = "engineering"
	noSet       = "no set"
)

// Floor is what the desk looks at.
type Floor interface {
	Attention() []floor.Attention
	Orders(ctx context.Context) ([]floor.OrderView, error)
	Tasks(ctx context.Context, machines []string, horizon time.Duration) ([]floor.TaskView, error)
	Rounds(ctx context.Context, machines []string, horizon time.Duration) (floor.RoundsView, error)
	LotSettled(machine, group, lot string, since time.Time) bool
	Ratios(ctx context.Context) ([]floor.RatioView, error)
}

// Options are the limits of the mill. The zero value of a field means what the
// field says.
type Options struct {
	NotAttended time.Duration // a stop may wait so long; 0 = 10 min
	Silent      time.Duration // a machine may be unheard so long; 0 = 2 min
	ShelveMax   time.Duration // 0 = 8 h, which is also the most
	// GroupMachines that stop within GroupWithin are one event, whatever their
	// inputs tell; 0 = 5 in 3 s. Causes may have a rule of their own besides.
	GroupMachines int
	GroupWithin   time.Duration
	Risk          float64       // accepted chance to miss a promise; 0 = 0.1
	WarnBefore    time.Duration // a task is called so long before it is due; 0 = at once
	// RatioLow and RatioHigh bound counted over weighed kilos of at least
	// MinRolls rolls; 0 = 0.98, 1.02 and 5.
	RatioLow, RatioHigh float64
	MinRolls            int
	// Backup tells of the copies of the records; nil = nobody is told of them.
	Backup func() Backup
	// Aim is how many alarms a person should get in ten minutes, on average.
	Aim    float64
	Zone   *time.Location   // of times in sentences; nil = UTC
	Period time.Duration    // of looking; 0 = 2 s
	Now    func() time.Time // nil = time.Now
	Log    *slog.Logger     // nil = silent
}

func (o *Options) defaults() {
	set := func(d *time.Duration, v time.Duration) {
		if *d <= 0 {
			*d = v
		}
	}
	set(&o.NotAttended, 10*time.Minute)
	set(&o.Silent, 2*time.Minute)
	set(&o.ShelveMax, alarm.DefaultLimits().ShelveMax)
	o.ShelveMax = min(o.ShelveMax, alarm.DefaultLimits().ShelveMax)
	set(&o.GroupWithin, 3*time.Second)
	set(&o.Period, 2*time.Second)
	if o.GroupMachines <= 0 {
		o.GroupMachines = 5
	}
	if o.Risk <= 0 {
		o.Risk = 0.1
	}
	if o.RatioLow <= 0 {
		o.RatioLow = 0.98
	}
	if o.RatioHigh <= 0 {
		o.RatioHigh = 1.02
	}
	if o.MinRolls <= 0 {
		o.MinRolls = 5
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
}

// Backup is how old the copies of the records are.
type Backup struct {
	Since  time.Time     // instant of the newest verified one, or of the database where there is none; zero = not known
	Limit  time.Duration // that one may be old
	Failed bool          // the newest attempt

	Gone      time.Time // since when the named folder of the backups is not there; zero = it is there
	GoneWords string    // which, and what to do
}

// Alarm is one alarm with what it is about.
type Alarm struct {
	ID       string
	Class    alarm.Class
	Machines []string // several for one event of many
	Order    string
	Asked    []string // who: "set A", "planning"
	Sentence string   // the condition, and what to do
	Begin    time.Time
	Group    string   `json:",omitempty"` // feed group of other-lot
	Lot      string   `json:",omitempty"`
	Agent    string   `json:",omitempty"` // of an event of its machines
	Cause    string   `json:",omitempty"` // of an event by the rule of a cause
	Members  []string `json:",omitempty"` // machines of one event, also those that are over it
	alarm.Point
}

// Desk keeps the alarms. Its methods may be called from any goroutine.
type Desk struct {
	floor   Floor
	rec     store.AlarmRecord
	o       Options
	limits  alarm.Limits
	started time.Time

	mu     sync.Mutex
	alarms map[string]Alarm
	called map[string]called // tasks that were called
	told   map[string]string // calls of tasks that a walk has and that are not due yet
	subs   map[chan struct{}]struct{}
	unsure map[string]time.Time // promises that are too unsure, by alarm, since when
	nextOr time.Time            // when orders are looked at again
}

// ErrAlarm is inside the error about an alarm that is not known.
var ErrAlarm = fmt.Errorf("no such alarm: %w", store.ErrNotFound)

// New reads the alarms as they were kept.
func New(ctx context.Context, f Floor, rec store.AlarmRecord, o Options) (*Desk, error) {
	o.defaults()
	d := &Desk{floor: f, rec: rec, o: o, limits: alarm.DefaultLimits(), started: o.Now(),
		alarms: map[string]Alarm{}, called: map[string]called{}, told: map[string]string{}, subs: map[chan struct{}]struct{}{}}
	d.limits.ShelveMax = o.ShelveMax
	kept, err := rec.Alarms(ctx)
	if err != nil {
		return nil, fmt.Errorf("calls: %w", err)
	}
	for _, k := range kept {
		var a Alarm
		if err := json.Unmarshal(k.Body, &a); err != nil {
			return nil, fmt.Errorf("calls: alarm %s: %w: %w", k.ID, store.ErrDamaged, err)
		}
		d.alarms[k.ID] = a
	}
	past, err := rec.TaskCalls(ctx, d.started.Add(-callsRemembered), d.started.Add(time.Hour))
	if err != nil {
		return nil, fmt.Errorf("calls: %w", err)
	}
	for _, c := range past {
		d.called[c.Task] = called{c.At, c.Walk}
	}
	return d, nil
}

// MinRolls is how many rolls must be weighed before their ratio is judged.
func (d *Desk) MinRolls() int { return d.o.MinRolls }

// callsRemembered is how long a task that was called may be listed.
const callsRemembered = 8 * 24 * time.Hour

// Run looks every period until ctx ends. It returns nil then.
func (d *Desk) Run(ctx context.Context) error {
	tick := time.NewTicker(d.o.Period)
	defer tick.Stop()
	for broken := false; ; {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err := d.Look(ctx)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil && !broken {
			d.o.Log.Error("alarms are not kept", "err", err)
		} else if err == nil && broken {
			d.o.Log.Info("alarms are kept again")
		}
		broken = err != nil
	}
}

// List returns the alarms: those that need an answer first, of them what a mill
// loses most by, the oldest first. normal adds those that were over within a day.
func (d *Desk) List(normal bool) []Alarm {
	d.mu.Lock()
	out := slices.Collect(maps.Values(d.alarms))
	d.mu.Unlock()
	out = slices.DeleteFunc(out, func(a Alarm) bool { return !normal && a.State() == alarm.Normal })
	slices.SortFunc(out, func(a, b Alarm) int {
		return cmp.Or(slices.Index(stateOrder, a.State())-slices.Index(stateOrder, b.State()),
			slices.Index(alarm.Classes, a.Class)-slices.Index(alarm.Classes, b.Class), a.Raised.Compare(b.Raised), strings.Compare(a.ID, b.ID))
	})
	return out
}

// stateOrder is how a list begins with what needs an answer.
var stateOrder = []alarm.State{alarm.Unack, alarm.RTNUnack, alarm.Acked, alarm.Shelved, alarm.OutOfService, alarm.Suppressed, alarm.Normal}

// Subscribe returns a channel that gets a value after changes, many changes
// giving one value, and is closed when ctx ends.
func (d *Desk) Subscribe(ctx context.Context) <-chan struct{} {
	sub := make(chan struct{}, 1)
	d.mu.Lock()
	d.subs[sub] = struct{}{}
	d.mu.Unlock()
	context.AfterFunc(ctx, func() {
		d.mu.Lock()
		defer d.mu.Unlock()
		delete(d.subs, sub)
		close(sub)
	})
	return sub
}

// tell wakes subscribers. It needs d.mu.
func (d *Desk) tell() {
	for sub := range d.subs {
		select {
		case sub <- struct{}{}:
		default: // it has not taken the last one yet
		}
	}
}
