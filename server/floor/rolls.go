package floor

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"turnwise/server/store"
)

const (
	// weighWithin is how long a doffed roll is asked for, and weighMost how many of a machine:
	// what was not weighed by then went another way.
	weighWithin = 8 * time.Hour
	weighMost   = 4
	tellsWithin = 7 * 24 * time.Hour
)

// RollView is a doffed roll.
type RollView struct {
	Task          string // "k01-roll-113"
	Machine, Name string
	Number, Turns int64
	Kg            float64 // by turns and card
	Order         string
	At            time.Time // of the doff
}

// rollsMemo keeps the newest doffs of machines by how many there were.
type rollsMemo struct {
	doffs int64
	list  []doffed
}

// RollTask is the name of a roll among tasks, and RollOfTask reads one. False if it is none.
func RollTask(machine string, number int64) string {
	return fmt.Sprintf("%s-roll-%d", machine, number)
}

// RollOfTask reads the name of a roll.
func RollOfTask(task string) (machine string, number int64, ok bool) {
	i := strings.LastIndex(task, "-roll-")
	if i < 1 {
		return "", 0, false
	}
	n, err := strconv.ParseInt(task[i+len("-roll-"):], 10, 64)
	return task[:i], n, err == nil && n > 0
}

// RollsToWeigh returns the rolls that machines (none = all) doffed in the last hours and that
// nobody weighed, the oldest first, and whether the mill tells weights at all these days.
func (f *Floor) RollsToWeigh(ctx context.Context, machines []string) (out []RollView, tells bool, err error) {
	if f.c.Creel == nil {
		return nil, false, nil
	}
	now := f.c.Now()
	f.mu.Lock()
	b := f.book
	counts := map[string]int64{}
	for _, m := range f.order {
		if len(machines) == 0 || slices.Contains(machines, m.id) {
			counts[m.id] = m.state.Doffs
		}
	}
	f.mu.Unlock()
	weighed := map[string]bool{}
	for _, r := range slices.Backward(b.readings) {
		age := now.Sub(r.At)
		if tells = tells || r.Kind == store.ReadRolls && age <= tellsWithin; age > tellsWithin || tells && age > 2*weighWithin {
			break
		}
		for n := r.Roll - int64(r.Rolls) + 1; r.Roll > 0 && n <= r.Roll; n++ {
			weighed[RollTask(r.Machine, n)] = true
		}
	}
	for id, count := range counts {
		list, err := f.newestDoffs(ctx, id, count)
		if err != nil {
			return nil, false, err
		}
		for i := 0; i+1 < len(list); i++ {
			end, begin := list[i], list[i+1]
			v := RollView{Task: RollTask(id, end.number), Machine: id, Name: b.name(id), Number: end.number, Turns: end.turns - begin.turns, At: end.at}
			r := store.Reading{Machine: id, Kind: store.ReadRolls, Turns: v.Turns, At: v.At}
			if v.Kg, v.Order = b.calculated(&r), b.at(id, end.at).Order; now.Sub(v.At) <= weighWithin && v.Kg > 0 && !weighed[v.Task] && b.at(id, begin.at).Card == b.at(id, end.at).Card {
				out = append(out, v)
			}
		}
	}
	slices.SortFunc(out, func(x, y RollView) int {
		if c := x.At.Compare(y.At); c != 0 {
			return c
		}
		return strings.Compare(x.Machine, y.Machine)
	})
	return out, tells, nil
}

// newestDoffs reads the newest doffs of a machine when there is one more.
func (f *Floor) newestDoffs(ctx context.Context, machine string, count int64) ([]doffed, error) {
	f.rolls.mu.Lock()
	defer f.rolls.mu.Unlock()
	k, known := f.rolls.kept[machine]
	if known && k.doffs == count {
		return k.list, nil
	}
	list, err := f.doffs(ctx, machine, 0, weighMost+1)
	if err != nil {
		return nil, err
	}
	if f.rolls.kept == nil {
		f.rolls.kept = map[string]rollsMemo{}
	}
	f.rolls.kept[machine] = rollsMemo{count, list}
	return list, nil
}

// TellReading completes a reading, has it kept, and learns from it. The same request id again gives the
// first answer. Errors: those of [Floor.ReadYarn], and [ErrNoTaps].
func (f *Floor) TellReading(ctx context.Context, r store.Reading, dryRun bool) (ReadingView, error) {
	if f.c.Creel == nil {
		return ReadingView{}, ErrNoTaps
	}
	if v, heard := f.heardReading(r.RequestID, r.Machine, r.Kind); heard {
		return v, nil
	}
	r, err := f.ReadYarn(ctx, r)
	if err != nil {
		return ReadingView{}, err
	}
	if r.ID, err = f.c.Creel.AddReading(ctx, r, dryRun); err != nil || dryRun {
		return f.viewReading(r), err
	}
	f.learnAnew(ctx, r.Machine)
	return f.viewReading(r), nil
}

// learnAnew follows readings that were told or taken back. They stand, even if this is late.
func (f *Floor) learnAnew(ctx context.Context, machine string) {
	ctx = context.WithoutCancel(ctx)
	if err := errors.Join(f.Refresh(ctx), f.KeepLearnt(ctx, machine, "")); err != nil {
		f.c.Log.Warn("what a reading tells is learnt later", "machine", machine, "err", err)
	}
}

// Weigh says what one doffed roll weighs, net.
func (f *Floor) Weigh(ctx context.Context, machine string, number int64, kg float64, requestID string) (ReadingView, error) {
	if !(kg > 0) || math.IsInf(kg, 0) || number < 1 {
		return ReadingView{}, fmt.Errorf("weight of roll %d of %s: %g kg: %w: above 0 is expected; weigh without tube, wrapping and trolley", number, machine, kg, store.ErrInvalid)
	}
	return f.TellReading(ctx, store.Reading{Machine: machine, Kind: store.ReadRolls, Measured: kg, Rolls: 1, Roll: number, RequestID: requestID, At: f.c.Now()}, false)
}

// UndoWeight takes back what was told under a request id; nothing is done when it does not stand.
func (f *Floor) UndoWeight(ctx context.Context, machine, requestID string) error {
	v, heard := f.heardReading(requestID, machine, store.ReadRolls)
	if !heard {
		return nil
	}
	return f.UndoReading(ctx, machine, v.ID)
}
