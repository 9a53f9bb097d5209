package storetest

import (
	"errors"
	"slices"
	"testing"

	"turnwise/server/store"
)

// RunAlarms runs the suite of [store.AlarmRecord]. open opens the store in dir: a
// new, empty one the first time, the same one again after a Close.
func RunAlarms(t *testing.T, open func(t *testing.T, dir string) interface {
	store.Store
	store.AlarmRecord
}) {
	dir := t.TempDir()
	r := open(t, dir)
	defer func() {
		if err := r.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
	}()
	ctx := t.Context()
	act := func(alarm, request, what string, second float64, told ...string) store.AlarmAct {
		return store.AlarmAct{Alarm: alarm, RequestID: request, At: at(second), What: what, From: "NORMAL", To: "UNACK", Role: "supervisor", Reason: "r", Told: told, After: []byte(`{"n":1}`)}
	}
	alarm := func(id, body string) store.Alarm { return store.Alarm{ID: id, Body: []byte(body)} }
	keep := func(want error, alarms []store.Alarm, acts ...store.AlarmAct) {
		t.Helper()
		if err := r.KeepAlarms(ctx, alarms, acts); !errors.Is(err, want) || want == nil && err != nil {
			t.Errorf("KeepAlarms(%v, %v): %v, want %v", alarms, acts, err, want)
		}
	}
	keep(nil, []store.Alarm{alarm("silent-k01", `{"n":1}`), alarm("silent-k02", `{}`)}, act("silent-k01", "", "rise", 10, "set A", "set B"), act("silent-k02", "", "rise", 10))
	keep(nil, []store.Alarm{alarm("silent-k01", `{"n":2}`)}, act("silent-k01", "q1", "acknowledge", 20))
	// All or nothing: the request id is used, so that the alarm stays as it is.
	keep(store.ErrInvalid, []store.Alarm{alarm("silent-k01", `{"n":3}`)}, act("silent-k01", "q2", "shelve", 30), act("silent-k01", "q1", "shelve", 30))
	keep(store.ErrInvalid, []store.Alarm{alarm("silent-k01", `{`)})
	keep(store.ErrInvalid, []store.Alarm{alarm("", `{}`)})
	keep(store.ErrInvalid, nil, store.AlarmAct{Alarm: "silent-k01", What: "rise", After: []byte(`{}`)}) // no instant

	call := func(task string, second float64) store.TaskCall {
		return store.TaskCall{Task: task, Machine: "k01", Person: "set A", At: at(second), Walk: "A-" + task}
	}
	old := store.CallsKept.Seconds()
	for _, calls := range [][]store.TaskCall{nil, {call("k01-stop-1", 5), call("k01-doff-2", 3)}, {call("k01-stop-1", 9)}} {
		if err := r.KeepCalls(ctx, calls); err != nil {
			t.Fatal(err)
		}
	}
	if err := r.KeepCalls(ctx, []store.TaskCall{{Task: "x"}}); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("a call without an instant: %v", err)
	}

	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	r = open(t, dir)
	alarms, err := r.Alarms(ctx)
	if err != nil || len(alarms) != 2 || alarms[0].ID != "silent-k01" || string(alarms[0].Body) != `{"n":2}` {
		t.Errorf("alarms after reopening: %+v, %v", alarms, err)
	}
	acts, err := r.AlarmActs(ctx, at(10), at(20))
	if err != nil || len(acts) != 2 || !slices.Equal(acts[0].Told, []string{"set A", "set B"}) || acts[1].Told != nil || !acts[0].At.Equal(at(10)) {
		t.Errorf("acts from 10 to 20: %+v, %v", acts, err)
	}
	if a, err := r.AlarmAsked(ctx, "q1"); err != nil || a.What != "acknowledge" || a.To != "UNACK" || string(a.After) != `{"n":1}` {
		t.Errorf("AlarmAsked(q1): %+v, %v", a, err)
	}
	if _, err := r.AlarmAsked(ctx, "q2"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("AlarmAsked(q2): %v; it was refused", err)
	}
	calls, err := r.TaskCalls(ctx, at(0), at(100))
	if err != nil || len(calls) != 2 || calls[0].Task != "k01-doff-2" || calls[0].Walk != "A-k01-doff-2" || !calls[1].At.Equal(at(5)) {
		t.Errorf("calls: %+v, %v; the first of each task is expected", calls, err)
	}
	if err := r.KeepCalls(ctx, []store.TaskCall{call("k01-stop-3", old+4)}); err != nil {
		t.Fatal(err)
	}
	if calls, err := r.TaskCalls(ctx, at(0), at(old+9)); err != nil || len(calls) != 2 || calls[0].Task != "k01-stop-1" {
		t.Errorf("calls 35 days later: %+v, %v", calls, err)
	}
	if err := r.ForgetAlarms(ctx, []string{"silent-k02", "never-was"}); err != nil {
		t.Fatal(err)
	}
	if alarms, err := r.Alarms(ctx); err != nil || len(alarms) != 1 {
		t.Errorf("after one was forgotten: %+v, %v", alarms, err)
	}
	if acts, err := r.AlarmActs(ctx, at(0), at(100)); err != nil || len(acts) != 3 {
		t.Errorf("its acts stay: %+v, %v", acts, err)
	}
}
