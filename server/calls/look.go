package calls

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"time"

	"turnwise/planner/alarm"
	"turnwise/server/floor"
	"turnwise/server/store"
)

const (
	ordersPeriod = 15 * time.Second
	// silentWithin is how far apart the last words of machines may be that fell
	// silent together: agents speak every ten seconds.
	silentWithin = 30 * time.Second
	// calmer is the share of the limit below which a promise is safe again, so
	// that a chance at the limit does not come and go.
	calmer = 0.8
	// promiseHolds is how long a promise must be too unsure before people are
	// told: a forecast moves while records of a lost hour come in.
	promiseHolds = 5 * time.Minute
	// normalKept is how long an alarm that is over can still be asked about.
	normalKept = 24 * time.Hour
)

// Look compares the floor with the limits once, and keeps what changed.
func (d *Desk) Look(ctx context.Context) error {
	machines := d.floor.Attention()
	conds := d.machineConditions(machines)
	now := d.o.Now()
	var orders []condition
	ordersSeen := false
	if !now.Before(d.nextOrders()) {
		var err error
		if orders, err = d.orderConditions(ctx); err != nil {
			return err
		}
		ordersSeen = true
	}
	if err := d.keepCalls(ctx, machines, now); err != nil {
		return err
	}

	d.mu.Lock()
	defer d.mu.Unlock()
	conds = d.grouped(conds)
	c := changes{d: d, now: now, next: map[string]Alarm{}}
	seen := map[string]bool{}
	for _, cond := range slices.Concat(conds, orders, d.backupConditions(now)) {
		if seen[cond.id()] = true; cond.holds {
			c.holds(cond)
		}
	}
	for id, a := range d.alarms {
		switch {
		case a.Class == alarm.OtherLot:
			if a.Raw && d.floor.LotSettled(a.Machines[0], a.Group, a.Lot, a.Begin) {
				c.over(id)
			}
		case (a.Class == alarm.Promise || a.Class == alarm.Ratio) && !ordersSeen:
		default:
			if _, holds := c.held[id]; !holds {
				c.over(id)
			}
		}
		c.apply(id, alarm.Event{Kind: alarm.Tick})
	}
	if ordersSeen {
		d.nextOr = now.Add(ordersPeriod)
	}
	if err := c.keep(ctx); err != nil {
		return err
	}
	return d.forget(ctx, now)
}

func (d *Desk) nextOrders() time.Time {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.nextOr
}

// condition is what a look found of one machine, order or event.
type condition struct {
	alarm Alarm // what it is about; its point is zero
	holds bool  // the limit is passed; else it will be soon, and counts among an event of many
	rule  string
	agent string
	cause floor.Cause // of a stop
}

func (c *condition) id() string { return c.alarm.ID }

func (d *Desk) clock(t time.Time) string {
	t = t.In(d.o.Zone)
	if d.o.Now().Sub(t) > 20*time.Hour {
		return t.Format("Mon 2 Jan 15:04")
	}
	return t.Format("15:04")
}

func personOf(set string) string {
	if set == "" {
		return noSet
	}
	return "set " + set
}

// machineConditions are the two classes that every machine may have.
func (d *Desk) machineConditions(machines []floor.Attention) []condition {
	now := d.o.Now()
	var out []condition
	for _, m := range machines {
		about := Alarm{Machines: []string{m.ID}, Asked: []string{personOf(m.Set)}}
		if m.Waits && m.Waited > d.o.NotAttended-max(d.o.GroupWithin, m.Cause.Group.Within) {
			about.Class, about.ID, about.Begin = alarm.NotAttended, string(alarm.NotAttended)+"-"+m.ID, m.Since
			cause := m.Cause.Word
			if cause == "" || m.Cause.ID == "" {
				cause = "cause not given"
			}
			about.Sentence = fmt.Sprintf("%s stands since %s, %s, and nobody said that somebody is there. Send somebody, or take the task.", m.Name, d.clock(m.Since), cause)
			out = append(out, condition{alarm: about, holds: m.Waited > d.o.NotAttended, rule: m.Rule, cause: m.Cause})
		}
		// Nobody is heard by a server that does not run.
		heard := m.Heard
		if heard.Before(d.started) {
			heard = d.started
		}
		if quiet := now.Sub(heard); !m.Heard.IsZero() && m.State == floor.Unknown && quiet > d.o.Silent-silentWithin {
			about.Class, about.ID, about.Begin = alarm.Silent, string(alarm.Silent)+"-"+m.ID, m.Heard
			about.Sentence = fmt.Sprintf("%s is not heard since %s: nobody knows whether it runs. Look at the agent %s and its network.", m.Name, d.clock(m.Heard), m.Agent)
			out = append(out, condition{alarm: about, holds: quiet > d.o.Silent, rule: m.Rule, agent: m.Agent})
		}
	}
	return out
}

// orderConditions are promises and ratios outside their limits.
func (d *Desk) orderConditions(ctx context.Context) ([]condition, error) {
	orders, err := d.floor.Orders(ctx)
	if err != nil {
		return nil, fmt.Errorf("calls: orders: %w", err)
	}
	ratios, err := d.floor.Ratios(ctx)
	if err != nil {
		return nil, fmt.Errorf("calls: weighed rolls: %w", err)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []condition
	now, unsure := d.o.Now(), map[string]time.Time{}
	for _, o := range orders {
		f := o.Outlook.Finish
		if o.Promise.IsZero() || f.Refused != "" || !(o.Outlook.RemainingKg > 0) {
			continue
		}
		id := string(alarm.Promise) + "-" + o.ID
		limit, stands := d.o.Risk, d.alarms[id].Raw
		if stands {
			limit *= calmer
		}
		if f.MissChance <= limit {
			continue
		}
		begin, ok := d.unsure[id]
		if !ok {
			begin = now
		}
		unsure[id] = begin
		if stands || now.Sub(begin) >= promiseHolds {
			out = append(out, condition{holds: true, alarm: Alarm{ID: id, Class: alarm.Promise, Order: o.ID, Asked: []string{planning}, Begin: begin,
				Sentence: fmt.Sprintf("The promise of %s for %s is kept with less than %.0f %%. Look at its causes, and tell the customer or move the job.", o.ID, o.Promise.In(d.o.Zone).Format("Mon 2 Jan 15:04"), 100*(1-d.o.Risk))}})
		}
	}
	d.unsure = unsure
	return append(out, d.ratioConditions(ratios, now)...), nil
}

// ratioConditions are machines whose counted kilos are not those of the scale. A ratio is outside when its
// whole interval is, and inside again only well within the limits, so that rolls about a limit
// do not come and go. It needs d.mu.
func (d *Desk) ratioConditions(ratios []floor.RatioView, now time.Time) []condition {
	var out []condition
	for _, r := range ratios {
		if !r.Running { // of what it knitted before nothing can be measured
			continue
		}
		id := string(alarm.Ratio) + "-" + r.Machine
		few, low, high := r.Used < d.o.MinRolls, d.o.RatioLow, d.o.RatioHigh
		holds := !few && (r.High < low || r.Low > high)
		if d.alarms[id].Raw { // until enough rolls say that it is well
			holds = few || r.Ratio < 1-calmer*(1-low) || r.Ratio > 1+calmer*(high-1)
		}
		if !holds {
			continue
		}
		sentence := fmt.Sprintf("%s: counted over weighed kilos are %.3f (%.3f to %.3f) over %d rolls, outside %.2f to %.2f.", r.Name, r.Ratio, r.Low, r.High, r.Used, low, high)
		if r.Sentence != "" {
			sentence += " " + r.Sentence
		}
		out = append(out, condition{holds: true, alarm: Alarm{ID: id, Class: alarm.Ratio, Machines: []string{r.Machine}, Order: r.Order, Asked: []string{quality}, Begin: now,
			Sentence: sentence + " Measure the course length and check the scale, then put the card right."}})
	}
	return out
}

// backupConditions are that there is no young copy of the records, and that the
// folder where the next one would go is not there, which is told before one is due.
func (d *Desk) backupConditions(now time.Time) (out []condition) {
	if d.o.Backup == nil {
		return nil
	}
	b := d.o.Backup()
	tell := func(id string, begin time.Time, sentence string) {
		out = append(out, condition{holds: true, alarm: Alarm{ID: id, Class: alarm.Backup, Asked: []string{engineering}, Begin: begin, Sentence: sentence}})
	}
	if !b.Gone.IsZero() {
		tell(string(alarm.Backup)+"-folder", b.Gone, "No backup of the records can be taken: "+b.GoneWords+".")
	}
	if b.Since.IsZero() || now.Sub(b.Since) <= b.Limit {
		return out
	}
	why := "None was taken."
	if b.Failed {
		why = "The newest attempt failed; the page of records says why."
	}
	tell(string(alarm.Backup), b.Since, fmt.Sprintf("There is no verified backup of the records since %s: a broken disk would lose what agents no longer hold. %s Look at the folder of the backups and take one: server backup.", d.clock(b.Since), why))
	return out
}

// changes gathers what a look or a request does to alarms.
type changes struct {
	d    *Desk
	now  time.Time
	next map[string]Alarm
	held map[string]bool
	acts []store.AlarmAct
}

func (c *changes) get(id string) Alarm {
	if a, ok := c.next[id]; ok {
		return a
	}
	return c.d.alarms[id]
}

// holds takes a condition that is there: first the rule that hides it, then the
// condition, so that nobody is told of what is hidden.
func (c *changes) holds(cond condition) {
	id := cond.id()
	a := c.get(id)
	if !a.Raw { // a standing alarm keeps its words
		p := a.Point
		a = cond.alarm
		a.Point = p
	} else if len(cond.alarm.Members) > 0 {
		a.Machines, a.Members, a.Asked, a.Sentence = cond.alarm.Machines, cond.alarm.Members, cond.alarm.Asked, cond.alarm.Sentence
	}
	c.next[id] = a
	if c.held == nil {
		c.held = map[string]bool{}
	}
	c.held[id] = true
	switch {
	case cond.rule == a.Rule:
	case cond.rule == "":
		c.apply(id, alarm.Event{Kind: alarm.Release})
	default:
		c.apply(id, alarm.Event{Kind: alarm.Suppress, Reason: cond.rule})
	}
	c.apply(id, alarm.Event{Kind: alarm.Rise})
}

// over takes a condition that is gone: what hides it goes after it.
func (c *changes) over(id string) {
	c.apply(id, alarm.Event{Kind: alarm.Clear})
	if c.get(id).Rule != "" {
		c.apply(id, alarm.Event{Kind: alarm.Release})
	}
}

// apply puts an event of the mill to an alarm. Such events are never refused.
func (c *changes) apply(id string, e alarm.Event) {
	e.At = c.now
	a := c.get(id)
	p, err := a.Point.Apply(e, c.d.limits)
	if err != nil {
		c.d.o.Log.Error("an event of the mill was refused", "alarm", id, "err", err)
		return
	}
	c.note(a, p, e, "")
}

// note remembers the next point of an alarm, and the act if its state changed
// or people were told.
func (c *changes) note(a Alarm, p alarm.Point, e alarm.Event, request string) {
	was := a.Point
	a.Point = p
	c.next[a.ID] = a
	if was.State() == p.State() && !p.ToldAt.After(was.ToldAt) && request == "" {
		return
	}
	act := store.AlarmAct{Alarm: a.ID, RequestID: request, At: c.now, What: e.Kind.String(), From: was.State().String(), To: p.State().String(), Role: e.Role, Reason: e.Reason}
	if p.ToldAt.After(was.ToldAt) {
		act.Told = a.Asked
	}
	act.After, _ = json.Marshal(a) // plain fields
	c.acts = append(c.acts, act)
}

// keep writes what changed, and then lets people see it. It needs d.mu.
func (c *changes) keep(ctx context.Context) error {
	var write []store.Alarm
	for _, id := range slices.Sorted(maps.Keys(c.next)) {
		a := c.next[id]
		if old, ok := c.d.alarms[id]; ok && reflect.DeepEqual(old, a) {
			continue
		}
		body, err := json.Marshal(a)
		if err != nil {
			return fmt.Errorf("calls: alarm %s: %w", id, err)
		}
		write = append(write, store.Alarm{ID: id, Body: body})
	}
	if len(write) == 0 && len(c.acts) == 0 {
		return nil
	}
	if err := c.d.rec.KeepAlarms(ctx, write, c.acts); err != nil {
		return err
	}
	maps.Copy(c.d.alarms, c.next)
	c.d.tell()
	return nil
}

// forget drops alarms that are over for a day. It needs d.mu.
func (d *Desk) forget(ctx context.Context, now time.Time) error {
	var ids []string
	for id, a := range d.alarms {
		if a.State() == alarm.Normal && !a.Raw && !a.Chatter && now.Sub(a.LastSeen) > normalKept {
			ids = append(ids, id)
		}
	}
	if len(ids) == 0 {
		return nil
	}
	if err := d.rec.ForgetAlarms(ctx, ids); err != nil {
		return err
	}
	for _, id := range ids {
		delete(d.alarms, id)
	}
	return nil
}
