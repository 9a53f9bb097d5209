package host

import (
	"context"
	"encoding/json"
	"time"

	"turnwise/server/calls"
)

// lampPeriod is the least time between two messages of one lamp.
const lampPeriod = time.Second

// lampMessage is the payload of a lamp's topic; see server/calls/LAMP.md.
type lampMessage struct {
	Version int        `json:"v"`
	Lamp    string     `json:"lamp"`
	Calls   int        `json:"calls"`
	Alarms  int        `json:"alarms"`
	Since   *time.Time `json:"since,omitempty"`
}

// lamps tells tower lamps what waits at their machines, until ctx ends. Then it
// tells that nobody knows any more.
func (h *Host) lamps(ctx context.Context) error {
	if h.broker == nil || h.c.Push.TowerLampTopic == "" {
		return nil
	}
	shown := map[string]calls.Lamp{}
	tick := time.NewTicker(lampPeriod)
	defer tick.Stop()
	for broken := false; ; {
		lamps, err := h.calls.Lamps(ctx)
		switch {
		case ctx.Err() != nil:
		case err != nil && !broken:
			h.o.Log.Error("lamps are not told", "error", err)
		case err == nil:
			for name, l := range lamps {
				if was, told := shown[name]; told && was.State == l.State && was.Calls == l.Calls && was.Alarms == l.Alarms {
					continue
				}
				if h.tellLamp(name, l) {
					shown[name] = l
				}
			}
		}
		broken = err != nil
		select {
		case <-ctx.Done():
			for name := range shown {
				h.tellLamp(name, calls.Lamp{State: calls.LampUnknown})
			}
			return nil
		case <-tick.C:
		}
	}
}

func (h *Host) tellLamp(name string, l calls.Lamp) bool {
	m := lampMessage{Version: 1, Lamp: l.State, Calls: l.Calls, Alarms: l.Alarms}
	if !l.Since.IsZero() {
		since := l.Since.UTC().Truncate(time.Second)
		m.Since = &since
	}
	payload, err := json.Marshal(m)
	if err == nil {
		err = h.broker.Publish(h.c.Push.TowerLampTopic+"/"+name, payload, true)
	}
	if err != nil {
		h.o.Log.Debug("lamp not told", "lamp", name, "error", err)
	}
	return err == nil
}
