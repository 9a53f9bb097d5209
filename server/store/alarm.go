package store

import (
	"context"
	"time"
)

// AlarmRecord keeps alarms over a restart, what happened to them, and the calls
// that tenders got. Nobody's name is kept.
type AlarmRecord interface {
	// KeepAlarms writes alarms as they are now with the acts that made them so,
	// all or nothing. ErrInvalid: an act's request id was used before.
	KeepAlarms(ctx context.Context, alarms []Alarm, acts []AlarmAct) error
	// ForgetAlarms drops alarms; their acts stay.
	ForgetAlarms(ctx context.Context, ids []string) error
	// Alarms returns every alarm that is kept, by id.
	Alarms(ctx context.Context) ([]Alarm, error)
	// AlarmActs returns the acts of [from, to), oldest first.
	AlarmActs(ctx context.Context, from, to time.Time) ([]AlarmAct, error)
	// AlarmAsked finds the act of a request id. ErrNotFound: there is none.
	AlarmAsked(ctx context.Context, requestID string) (AlarmAct, error)
	// KeepCalls notes tasks that fell due. One of the same task is one call.
	KeepCalls(ctx context.Context, calls []TaskCall) error
	// TaskCalls returns the calls of [from, to), oldest first.
	TaskCalls(ctx context.Context, from, to time.Time) ([]TaskCall, error)
}

// CallsKept is how long calls are kept; older ones go as new ones come.
const CallsKept = 35 * 24 * time.Hour

// Alarm is one alarm as kept. The server gives the body its form; the store
// only keeps it.
type Alarm struct {
	ID   string
	Body []byte // JSON
}

// AlarmAct is one thing that happened to an alarm.
type AlarmAct struct {
	Alarm     string
	RequestID string // of a person's request; empty = none
	At        time.Time
	What      string // "rise", "acknowledge", ...
	From, To  string // states
	Role      string
	Reason    string
	// Told says who was told by it, "set A" or "planning"; empty = nobody.
	Told []string
	// After is the alarm after it, for the answer to a repeated request.
	After []byte
}

// TaskCall is a task that fell due.
type TaskCall struct {
	Task, Machine string
	Person        string // "set A"
	At            time.Time
	// Walk is the call: what tasks have in common of which the person was told as
	// one walk. Empty = the task was a call of its own.
	Walk string
}
