package calls

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"turnwise/planner/alarm"
	"turnwise/server/store"
)

// What a tower lamp shows.
const (
	LampDark    = "dark"  // nothing is due
	LampCall    = "call"  // a task is due and nobody goes
	LampAlarm   = "alarm" // an alarm that nobody has seen
	LampUnknown = "unknown"
)

// Lamp is what the lamp of a machine or a hall shows.
type Lamp struct {
	State         string
	Calls, Alarms int
	Since         time.Time // of the oldest of them; zero = none
}

// Lamps tells what the lamp of every machine and every hall shows, by the name
// that it has in topics: a machine's id, or a hall's in letters that topics have.
func (d *Desk) Lamps(ctx context.Context) (map[string]Lamp, error) {
	tasks, err := d.floor.Tasks(ctx, nil, 0)
	if err != nil {
		return nil, fmt.Errorf("calls: tasks: %w", err)
	}
	hall := map[string]string{}
	out := map[string]Lamp{}
	for _, m := range d.floor.Attention() {
		out[m.ID] = Lamp{State: LampDark}
		if hall[m.ID] = LampName(m.Area); hall[m.ID] != "" {
			out[hall[m.ID]] = Lamp{State: LampDark}
		}
	}
	light := func(names []string, state string, since time.Time) {
		for _, name := range names {
			l, ok := out[name]
			if !ok {
				continue
			}
			if l.State != LampAlarm {
				l.State = state
			}
			if state == LampAlarm {
				l.Alarms++
			} else {
				l.Calls++
			}
			if l.Since.IsZero() || since.Before(l.Since) {
				l.Since = since
			}
			out[name] = l
		}
	}
	for _, t := range tasks {
		if (t.State.State == store.TaskDue || t.State.State == "") && !t.Unsaid {
			light(nonEmpty(t.Machine, hall[t.Machine]), LampCall, t.Due)
		}
	}
	for _, a := range d.List(false) {
		if a.State() != alarm.Unack {
			continue
		}
		var names []string
		for _, m := range a.Machines {
			for _, n := range nonEmpty(m, hall[m]) {
				if !slices.Contains(names, n) { // one alarm of many machines is one in their hall
					names = append(names, n)
				}
			}
		}
		light(names, LampAlarm, a.Raised)
	}
	return out, nil
}

func nonEmpty(names ...string) []string {
	return slices.DeleteFunc(names, func(s string) bool { return s == "" })
}

// LampName writes the name of a hall in lower-case letters, digits, - and _.
func LampName(area string) string {
	return strings.Trim(strings.Map(func(r rune) rune {
		switch {
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r == '-', r == '_':
			return r
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		}
		return '-'
	}, area), "-")
}
