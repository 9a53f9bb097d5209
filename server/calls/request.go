package calls

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/alarm"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Request is what a person does about an alarm.
type Request struct {
	Alarm     string // id
	Kind      alarm.Kind
	Role      string
	Reason    string
	For       time.Duration
	Once      bool
	RequestID string
	DryRun    bool
}

// Do does what a person asked. The same request id again gives the first
// answer. Errors: [ErrAlarm], alarm.ErrState, alarm.ErrRequest, [store.ErrInvalid].
func (d *Desk) Do(ctx context.Context, r Request) (Alarm, error) {
	if r.RequestID == "" {
		return Alarm{}, fmt.Errorf("alarm %.60q: %w: a request id is expected, a new one for each request", r.Alarm, store.ErrInvalid)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch act, err := d.rec.AlarmAsked(ctx, r.RequestID); {
	case err == nil && (act.Alarm != r.Alarm || act.What != r.Kind.String()):
		return Alarm{}, fmt.Errorf("alarm %.60q: %w: request id %.40q was used to %s alarm %s; make a new one", r.Alarm, store.ErrInvalid, r.RequestID, act.What, act.Alarm)
	case err == nil:
		var a Alarm
		if err := json.Unmarshal(act.After, &a); err != nil {
			return Alarm{}, fmt.Errorf("calls: answer to request %s: %w: %w", r.RequestID, store.ErrDamaged, err)
		}
		return a, nil
	case !errors.Is(err, store.ErrNotFound):
		return Alarm{}, err
	}
	a, err := d.find(r)
	if err != nil {
		return Alarm{}, err
	}
	e := alarm.Event{Kind: r.Kind, At: d.o.Now(), Role: r.Role, Reason: r.Reason, For: r.For, Once: r.Once}
	p, err := a.Point.Apply(e, d.limits)
	if err != nil {
		return Alarm{}, fmt.Errorf("alarm %s: %w", a.ID, err)
	}
	c := changes{d: d, now: e.At, next: map[string]Alarm{}}
	c.note(a, p, e, r.RequestID)
	if r.DryRun {
		return c.next[a.ID], nil
	}
	if err := c.keep(ctx); err != nil {
		return Alarm{}, err
	}
	return d.alarms[a.ID], nil
}

// find is the alarm of a request. One of a machine may be shelved or taken out
// of service before its condition ever held. It needs d.mu.
func (d *Desk) find(r Request) (Alarm, error) {
	if a, ok := d.alarms[r.Alarm]; ok {
		return a, nil
	}
	unknown := fmt.Errorf("alarm %.60q: %w: it is over for a day, or never was; list the alarms again", r.Alarm, ErrAlarm)
	if r.Kind != alarm.Shelve && r.Kind != alarm.TakeOut {
		return Alarm{}, unknown
	}
	for _, class := range []alarm.Class{alarm.NotAttended, alarm.Silent} {
		id, ok := strings.CutPrefix(r.Alarm, string(class)+"-")
		if !ok {
			continue
		}
		machines := d.floor.Attention()
		if i := slices.IndexFunc(machines, func(m floor.Attention) bool { return m.ID == id }); i >= 0 {
			return Alarm{ID: r.Alarm, Class: class, Machines: []string{id}, Asked: []string{personOf(machines[i].Set)},
				Sentence: machines[i].Name + ": nothing has been wrong yet."}, nil
		}
	}
	return Alarm{}, unknown
}

// Refused raises the alarm of cones that a creel must not take. An error that
// is no [floor.LotRefused] is not about that, and nothing is done.
func (d *Desk) Refused(ctx context.Context, err error) error {
	var r *floor.LotRefused
	if !errors.As(err, &r) {
		return nil
	}
	name, asked := strings.ToUpper(r.Machine), noSet
	for _, m := range d.floor.Attention() {
		if m.ID == r.Machine {
			name, asked = m.Name, personOf(m.Set)
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	c := changes{d: d, now: d.o.Now(), next: map[string]Alarm{}}
	id := string(alarm.OtherLot) + "-" + r.Machine + "-" + r.Group
	a := d.alarms[id]
	a.ID, a.Class, a.Machines, a.Asked, a.Group, a.Lot, a.Begin = id, alarm.OtherLot, []string{r.Machine}, []string{asked}, r.Group, r.Lot, r.At
	a.Sentence = fmt.Sprintf("Cones of lot %s came to %s, %s, and do not belong there. Take them off before they knit; cones that do, or a release by a role with a reason, end this.", r.Lot, name, r.Group)
	c.next[id] = a
	c.apply(id, alarm.Event{Kind: alarm.Rise})
	return c.keep(context.WithoutCancel(ctx))
}

// Passed raises the alarm of cones that the mill's rule let pass with a warning;
// cones that belong there, put on later, end it. An empty warning is none.
func (d *Desk) Passed(ctx context.Context, l *store.Load, warning string) error {
	if l == nil || warning == "" {
		return nil
	}
	return d.Refused(ctx, &floor.LotRefused{Machine: l.Machine, Group: l.Group, Lot: l.Lot, At: l.At.Add(time.Millisecond), Err: errors.New(warning)})
}

// Load is what each person was asked in a time.
type Load struct {
	From, To time.Time
	Persons  []PersonLoad // all of them last
	Standing []string     // alarms of now that hold for more than a day, not hidden
	Aim      float64
}

// PersonLoad is the load of one person; "all" is everything once.
type PersonLoad struct {
	Person string
	alarm.Load
}

// Everybody is the name of the sum of all persons.
const Everybody = "all"

const standsTooLong = 24 * time.Hour

// Load adds up [from, to).
func (d *Desk) Load(ctx context.Context, from, to time.Time) (Load, error) {
	l := Load{From: from, To: to, Aim: d.o.Aim}
	acts, err := d.rec.AlarmActs(ctx, from, to)
	if err != nil {
		return l, err
	}
	tasks, err := d.rec.TaskCalls(ctx, from, to)
	if err != nil {
		return l, err
	}
	by := map[string][]alarm.Call{}
	for _, m := range d.floor.Attention() {
		by[personOf(m.Set)] = nil // who was asked nothing is told too
	}
	var all []alarm.Call
	for _, a := range acts {
		for i, who := range a.Told {
			call := alarm.Call{At: a.At, Person: who, Alarm: true}
			if by[who] = append(by[who], call); i == 0 {
				all = append(all, call)
			}
		}
	}
	for _, t := range tasks {
		call := alarm.Call{At: t.At, Person: t.Person, Walk: t.Walk}
		by[t.Person] = append(by[t.Person], call)
		all = append(all, call)
	}
	for who, calls := range by {
		l.Persons = append(l.Persons, PersonLoad{who, alarm.LoadOf(calls, from, to)})
	}
	slices.SortFunc(l.Persons, func(a, b PersonLoad) int { return strings.Compare(a.Person, b.Person) })
	l.Persons = append(l.Persons, PersonLoad{Everybody, alarm.LoadOf(all, from, to)})
	now := d.o.Now()
	for _, a := range d.List(false) {
		if a.Standing(now, standsTooLong) {
			l.Standing = append(l.Standing, a.ID)
		}
	}
	return l, nil
}
