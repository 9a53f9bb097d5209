package sqlite

import (
	"context"
	"database/sql"
	"fmt"
	"sync"

	"turnwise/server/store"
)

// head is what is known of the newest record of one stream.
type head struct {
	agent  string
	told   uint64 // newest that the agent told of
	stored uint64 // of it, in the database
	acked  uint64 // newest in the store
}

// heads remembers the newest record of every stream that an agent ever told
// of. Agents repeat themselves every few seconds, so that not every word is
// worth a transaction: written down is the first word of something outstanding;
// while it is outstanding the rest goes along with the commits.
type heads struct {
	mu sync.Mutex
	by map[store.ID]*head
}

// maxHeads bounds the streams of which only heads are known.
const maxHeads = 100_000

func (h *heads) load(ctx context.Context, q querier) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.by = map[store.ID]*head{}
	return each(ctx, q, func(rows *sql.Rows) error {
		var b []byte
		var agent string
		var seq, acked int64
		if err := rows.Scan(&b, &agent, &seq, &acked); err != nil {
			return err
		}
		h.by[id(b)] = &head{agent, uint64(seq), uint64(seq), uint64(acked)}
		return nil
	}, `SELECT id, agent, max(seq), max(acked) FROM (
			SELECT id, agent, 0 AS seq, acked FROM stream UNION ALL SELECT stream, agent, seq, 0 FROM head)
		GROUP BY id`)
}

// tell notes a word and returns whether it has to be written down at once.
func (h *heads) tell(agent string, stream store.ID, seq uint64) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	x := h.by[stream]
	if x == nil {
		if len(h.by) >= maxHeads {
			return false
		}
		x = &head{agent: agent}
		h.by[stream] = x
	}
	if x.agent != agent { // only the owner knows
		return false
	}
	x.told = max(x.told, seq)
	return x.told > x.acked && x.stored <= x.acked
}

// write stores the heads of streams that are behind, acked being what the
// transaction makes of them. It returns what it wrote.
func (h *heads) write(ctx context.Context, w *writer, streams map[store.ID]bool) (map[store.ID]uint64, error) {
	wrote := map[store.ID]uint64{}
	h.mu.Lock()
	defer h.mu.Unlock()
	for stream := range streams {
		x, acked := h.by[stream], uint64(0)
		if st := w.Streams[stream]; st != nil {
			acked = st.Acked
		}
		if x == nil || x.told <= acked || x.stored > acked {
			continue
		}
		if _, err := w.exec(ctx, `INSERT INTO head (stream, agent, seq) VALUES (?, ?, ?)
			ON CONFLICT (stream) DO UPDATE SET seq = excluded.seq`, stream[:], x.agent, int64(x.told)); err != nil {
			return nil, fmt.Errorf("store the head of stream %x: %w", stream, err)
		}
		wrote[stream] = x.told
	}
	return wrote, nil
}

// committed notes what a transaction has made durable.
func (h *heads) committed(wrote, acked map[store.ID]uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for stream, seq := range wrote {
		h.by[stream].stored = max(h.by[stream].stored, seq)
	}
	for stream, seq := range acked {
		if x := h.by[stream]; x != nil {
			x.acked = max(x.acked, seq)
		}
	}
}

// outstanding tells how many records are known to be at the agents only.
func (h *heads) outstanding() (total int64, byAgent map[string]int64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	byAgent = map[string]int64{}
	for _, x := range h.by {
		if x.told > x.acked {
			byAgent[x.agent] += int64(x.told - x.acked)
			total += int64(x.told - x.acked)
		}
	}
	return total, byAgent
}
