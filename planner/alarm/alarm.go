// Package alarm keeps the states of alarms and adds up what they ask of people.
//
// An alarm is a condition that needs an answer of a person in time; there are
// six classes and no more. Its states follow ANSI/ISA-18.2 and IEC 62682. The
// one rule: an alarm is acknowledged by a person or not at all, and one that
// was hidden while its condition began is told when it is shown again.
//
// The package is pure: the instant comes with each event.
package alarm

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Class says what the condition is.
type Class string

// The six classes.
const (
	NotAttended Class = "not-attended" // a machine stands and nobody came
	Silent      Class = "silent"       // a machine is not heard
	OtherLot    Class = "other-lot"    // cones of another lot at a creel
	Promise     Class = "promise"      // a promise is less sure than the mill wants
	Ratio       Class = "ratio"        // counted over weighed kilos are outside limits
	Backup      Class = "backup"       // no verified backup of the records is young enough
)

// Classes in the order in which a mill loses by them.
var Classes = []Class{OtherLot, Silent, NotAttended, Promise, Backup, Ratio}

// State of an alarm after ANSI/ISA-18.2.
type State uint8

// States. See [Point.State] for which one holds.
const (
	Normal       State = iota // the condition does not hold, nothing is owed
	Unack                     // it holds and nobody has seen it
	Acked                     // it holds and was seen
	RTNUnack                  // it cleared before anybody saw it
	Shelved                   // hidden by a person, with a reason
	Suppressed                // hidden by a rule of the mill
	OutOfService              // the machine or the sensor is off
)

var stateNames = [...]string{"NORMAL", "UNACK", "ACKED", "RTN_UNACK", "SHELVED", "SUPPRESSED", "OUT_OF_SERVICE"}

func (s State) String() string {
	if int(s) < len(stateNames) {
		return stateNames[s]
	}
	return fmt.Sprintf("State(%d)", s)
}

// Hidden tells whether people are spared the alarm.
func (s State) Hidden() bool { return s == Shelved || s == Suppressed || s == OutOfService }

// Limits of a mill. The zero value is not usable; see [DefaultLimits].
type Limits struct {
	ShelveMax  time.Duration // longest time of one shelving
	ChatterN   int           // so many rises ...
	ChatterFor time.Duration // ... within this are one; it ends after as long a rest
}

// DefaultLimits: 8 hours of shelving, three rises in a minute are one.
func DefaultLimits() Limits {
	return Limits{ShelveMax: 8 * time.Hour, ChatterN: 3, ChatterFor: time.Minute}
}

// Errors that [Point.Apply] returns, inside a sentence.
var (
	ErrState   = errors.New("alarm is not in a state for that")
	ErrRequest = errors.New("that cannot be asked of an alarm")
)

// Kind of an [Event].
type Kind uint8

// Kinds. The first five come from the mill, the others from people.
const (
	Rise     Kind = iota + 1 // the condition began
	Clear                    // the condition ended
	Tick                     // nothing but time
	Suppress                 // a rule hides it, or another rule does so now
	Release                  // no rule hides it any more
	Ack
	Shelve
	Unshelve
	TakeOut // of service
	PutBack // into service
)

var kindNames = [...]string{"", "rise", "clear", "tick", "suppress", "release", "acknowledge", "shelve", "unshelve", "take out of service", "put back"}

func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("Kind(%d)", k)
}

// Event is what happens to an alarm.
type Event struct {
	Kind   Kind
	At     time.Time
	Role   string        // of people: "shift supervisor"; never a name
	Reason string        // of Shelve, TakeOut, and the rule of Suppress
	For    time.Duration // of Shelve; 0 with Once
	Once   bool          // of Shelve: until the condition clears
}

// Shelf is why and how long an alarm is shelved.
type Shelf struct {
	From, Until  time.Time // Until zero = until the condition clears
	Role, Reason string
}

// Point is one alarm. The zero value is NORMAL. It is a value: Apply returns
// the next one.
type Point struct {
	Raw      bool        // the condition, as last told
	Active   bool        // the condition, a chattering one held
	Owed     bool        // somebody must still see it
	Fresh    bool        // it began while it was hidden
	Raised   time.Time   // Active since; zero = never
	Cleared  time.Time   // zero = it holds, or never did
	Acked    time.Time   // by whom; zero = not since it was raised
	AckedBy  string      `json:",omitempty"`
	Shelf    *Shelf      `json:",omitempty"`
	Out      *Shelf      `json:",omitempty"` // of service
	Rule     string      `json:",omitempty"` // that suppresses it
	Told     int         // times that people were told since it was NORMAL
	ToldAt   time.Time   // the newest of them
	Chatter  bool        `json:",omitempty"`
	Rises    []time.Time `json:",omitempty"` // within the time of chattering
	Changed  time.Time   // of Raw
	LastSeen time.Time   // of the newest event but a tick
}

// State tells which state holds. Out of service goes before shelved, and that
// before suppressed: what a person hid stays hidden by that person.
func (p *Point) State() State {
	switch {
	case p.Out != nil:
		return OutOfService
	case p.Shelf != nil:
		return Shelved
	case p.Rule != "":
		return Suppressed
	case p.Active && p.Owed:
		return Unack
	case p.Active:
		return Acked
	case p.Owed:
		return RTNUnack
	}
	return Normal
}

// Reason of a hidden alarm, and the role of whoever hid it.
func (p *Point) Reason() (reason, role string) {
	switch p.State() {
	case OutOfService:
		return p.Out.Reason, p.Out.Role
	case Shelved:
		return p.Shelf.Reason, p.Shelf.Role
	case Suppressed:
		return p.Rule, ""
	}
	return "", p.AckedBy
}

// Apply returns the point after an event. An event that changes nothing, such
// as a rise of a condition that holds, is no error; neither is an
// acknowledgement of what was seen already. Errors hold [ErrState] or
// [ErrRequest], and the point is then as before.
func (p Point) Apply(e Event, l Limits) (Point, error) {
	if e.Kind == Rise && p.Raw || e.Kind == Clear && !p.Raw {
		return p, nil
	}
	was := p.State().Hidden()
	q := p
	q.Rises = slices.Clone(p.Rises)
	if err := q.apply(e, l); err != nil {
		return p, err
	}
	if was && !q.State().Hidden() {
		q.emerge(e.At)
	}
	if e.Kind != Tick {
		q.LastSeen = e.At
	}
	if q.State() == Normal {
		q.Told = 0
	}
	return q, nil
}

func (p *Point) apply(e Event, l Limits) error {
	switch e.Kind {
	case Rise, Clear:
		p.condition(e, l)
	case Tick:
		p.tick(e.At, l)
	case Suppress:
		if p.Rule = strings.TrimSpace(e.Reason); p.Rule == "" {
			return fmt.Errorf("suppress: %w: the rule is expected", ErrRequest)
		}
	case Release:
		p.Rule = ""
	case Ack:
		return p.ack(e)
	case Shelve:
		return p.shelve(e, l)
	case Unshelve:
		if p.Shelf == nil {
			return fmt.Errorf("unshelve: %w: it is %s and not shelved", ErrState, p.State())
		}
		p.Shelf = nil
	case TakeOut:
		if strings.TrimSpace(e.Reason) == "" {
			return fmt.Errorf("take out of service: %w: a reason is expected, for example \"sensor in repair\"", ErrRequest)
		}
		if p.Out == nil {
			p.Out, p.Shelf = &Shelf{From: e.At, Role: e.Role, Reason: strings.TrimSpace(e.Reason)}, nil
		}
	case PutBack:
		if p.Out == nil {
			return fmt.Errorf("put back: %w: it is %s and in service", ErrState, p.State())
		}
		p.Out = nil
	default:
		return fmt.Errorf("event %v: %w", e.Kind, ErrRequest)
	}
	return nil
}

// condition takes a rise or a clear.
func (p *Point) condition(e Event, l Limits) {
	holds := e.Kind == Rise
	p.Raw, p.Changed = holds, e.At
	if !holds {
		if !p.Chatter {
			p.clear(e.At)
		}
		return
	}
	p.Rises = slices.DeleteFunc(p.Rises, func(t time.Time) bool { return e.At.Sub(t) > l.ChatterFor })
	p.Rises = append(p.Rises, e.At)
	p.Chatter = p.Chatter || len(p.Rises) >= l.ChatterN
	if !p.Active {
		p.raise(e.At)
	}
}

func (p *Point) raise(at time.Time) {
	p.Active, p.Raised, p.Cleared = true, at, time.Time{}
	if p.State().Hidden() {
		p.Fresh = true
		return
	}
	owed := p.Owed
	p.Owed, p.Acked, p.AckedBy = true, time.Time{}, ""
	if !(owed && p.Chatter) { // one that chatters and is owed has been told
		p.tell(at)
	}
}

func (p *Point) tell(at time.Time) { p.Told, p.ToldAt = p.Told+1, at }

func (p *Point) clear(at time.Time) {
	p.Active, p.Fresh, p.Cleared = false, false, at
	if p.Shelf != nil && p.Shelf.Until.IsZero() {
		p.Shelf = nil
	}
}

// tick ends what only time ends.
func (p *Point) tick(at time.Time, l Limits) {
	if p.Shelf != nil && !p.Shelf.Until.IsZero() && !at.Before(p.Shelf.Until) {
		p.Shelf = nil
	}
	if p.Chatter && at.Sub(p.Changed) >= l.ChatterFor {
		p.Chatter, p.Rises = false, nil
		if p.Active && !p.Raw {
			p.clear(at)
		}
	}
}

// emerge tells people of an alarm that holds and that nobody has seen.
func (p *Point) emerge(at time.Time) {
	if !p.Active {
		return
	}
	if p.Fresh {
		p.Fresh, p.Owed, p.Acked, p.AckedBy = false, true, time.Time{}, ""
	}
	if p.Owed {
		p.tell(at)
	}
}

func (p *Point) ack(e Event) error {
	switch s := p.State(); s {
	case Unack, RTNUnack:
		p.Owed, p.Acked, p.AckedBy = false, e.At, e.Role
		return nil
	case Acked:
		return nil // it was seen: once more changes nothing, not even when
	case Normal:
		return fmt.Errorf("acknowledge: %w: it is NORMAL, nothing waits to be seen", ErrState)
	default:
		return fmt.Errorf("acknowledge: %w: it is %s and hidden; show it again first", ErrState, s)
	}
}

func (p *Point) shelve(e Event, l Limits) error {
	reason := strings.TrimSpace(e.Reason)
	switch s := p.State(); {
	case reason == "":
		return fmt.Errorf("shelve: %w: a reason is expected, for example \"waiting for a part\"", ErrRequest)
	case s == OutOfService || s == Suppressed:
		return fmt.Errorf("shelve: %w: it is %s and hidden already", ErrState, s)
	case e.Once && e.For != 0:
		return fmt.Errorf("shelve: %w: either for a time or until it clears, not both", ErrRequest)
	case e.Once && !p.Active:
		return fmt.Errorf("shelve: %w: its condition has cleared; give a time of at most %s", ErrState, hours(l.ShelveMax))
	case !e.Once && (e.For <= 0 || e.For > l.ShelveMax):
		return fmt.Errorf("shelve: %w: for %s, expected above 0 and at most %s; an alarm that may stay hidden for longer is out of service", ErrRequest, hours(e.For), hours(l.ShelveMax))
	}
	p.Shelf = &Shelf{From: e.At, Role: e.Role, Reason: reason}
	if !e.Once {
		p.Shelf.Until = e.At.Add(e.For)
	}
	return nil
}

// hours writes a time as people say it: "8 h", "90 min", "20 s".
func hours(d time.Duration) string {
	switch {
	case d%time.Hour == 0 && d != 0:
		return fmt.Sprintf("%d h", d/time.Hour)
	case d%time.Minute == 0 && d != 0:
		return fmt.Sprintf("%d min", d/time.Minute)
	}
	return fmt.Sprintf("%g s", d.Seconds())
}
