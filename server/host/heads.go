package host

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"turnwise/proto/turnwisepb/wirepb"
	"turnwise/server/store"
)

// Bounds of what agents may leave here: as many agents as the broker lets in,
// with as many streams as a state may name.
const maxHeadAgents = 1024

// headsPeriod joins the words of many agents into one write.
const headsPeriod = time.Second

// heads notes what agents say of their newest records, without making a
// connection wait for the disk. Only the newest word of an agent is kept.
type heads struct {
	st   store.Store
	log  *slog.Logger
	mu   sync.Mutex
	news map[string]map[store.ID]uint64
}

func newHeads(st store.Store, log *slog.Logger) *heads {
	return &heads{st: st, log: log, news: make(map[string]map[store.ID]uint64)}
}

// saw takes an agent's state.
func (h *heads) saw(agent string, st *wirepb.AgentState) {
	news := make(map[store.ID]uint64)
	for _, m := range st.GetMachines() {
		if m.GetHeadSeq() > 0 && len(m.GetStreamId()) == len(store.ID{}) {
			news[store.ID(m.GetStreamId())] = m.GetHeadSeq()
		}
	}
	if len(news) == 0 {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	if _, known := h.news[agent]; known || len(h.news) < maxHeadAgents {
		h.news[agent] = news // a head that is missed comes with the next state
	}
}

// run writes what was seen, once a period, until ctx ends.
func (h *heads) run(ctx context.Context) error {
	tick := time.NewTicker(headsPeriod)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		h.mu.Lock()
		news := h.news
		h.news = make(map[string]map[store.ID]uint64)
		h.mu.Unlock()
		for agent, streams := range news {
			if err := h.st.SawHead(ctx, agent, streams); err != nil && ctx.Err() == nil {
				h.log.Warn("newest sequence numbers not noted", "agent", agent, "error", err)
			}
		}
	}
}
