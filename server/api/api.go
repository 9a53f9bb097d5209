// Package api answers gRPC from the floor and the store. Wire types stop here:
// convert.go turns them into native ones and back, status.go turns errors into
// codes. The one rule: it decides nothing about the mill, and what it tells
// strangers about an error of its own is an id.
package api

import (
	"context"
	"log/slog"
	"time"

	"google.golang.org/grpc"

	"turnwise/proto/turnwisepb"
	"turnwise/server/calls"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// Options tunes the services. The zero value works.
type Options struct {
	Now func() time.Time // nil = time.Now
	Log *slog.Logger     // nil = silent
	// Creel keeps what people tell of tasks and lots. Nil = they cannot tell.
	Creel store.CreelRecord
	// Calls keeps the alarms. Nil = there are none.
	Calls *calls.Desk
	// Upkeep tells how the records are kept. Nil = nobody knows.
	Upkeep func(context.Context) (store.Upkeep, error)
}

// api is what all services share.
type api struct {
	floor  *floor.Floor
	st     store.Store
	now    func() time.Time
	log    *slog.Logger
	told   store.CreelRecord
	desk   *calls.Desk
	upkeep func(context.Context) (store.Upkeep, error)
	status statuses
}

// Register adds the services of turnwise.v1 to a server.
func Register(s *grpc.Server, f *floor.Floor, st store.Store, o Options) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	a := &api{floor: f, st: st, now: o.Now, log: o.Log, told: o.Creel, desk: o.Calls, upkeep: o.Upkeep, status: statuses{o.Log}}
	turnwisepb.RegisterMachineServiceServer(s, &machineService{api: a})
	turnwisepb.RegisterOrderServiceServer(s, &orderService{api: a})
	turnwisepb.RegisterCreelServiceServer(s, &creelService{api: a})
	turnwisepb.RegisterAgentServiceServer(s, &agentService{api: a})
	turnwisepb.RegisterBookServiceServer(s, &bookService{api: a})
	turnwisepb.RegisterPlanServiceServer(s, &planService{api: a})
	turnwisepb.RegisterAlarmServiceServer(s, &alarmService{api: a})
	turnwisepb.RegisterUpkeepServiceServer(s, &upkeepService{api: a})
}

// knows is nil when the books have all these machines, else the status of the first that they lack.
func (a *api) knows(method string, machines ...string) error {
	for _, id := range machines {
		if _, err := a.floor.Machine(id); err != nil {
			return a.status.of(method, err)
		}
	}
	return nil
}
