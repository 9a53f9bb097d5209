package ingest

import "turnwise/server/store"

const (
	// smallBatch is the most records of a batch that goes first: what is new
	// comes in small batches, what was kept for days in full ones.
	smallBatch = 20
	// groupRecords bounds the records of full batches in one commit, and with
	// them the time that everything new has to wait.
	groupRecords = 4000
)

// pick divides what waits into what is committed now, at most a number of
// messages, and the rest. Small batches go before full ones, so that agents
// that come back with the records of days hold nobody up; within a stream the
// order stays, and the oldest full batch always goes.
func pick(waiting []Message, most int) (group, rest []Message) {
	take := func(from []Message, fits func(records int) bool) (left []Message) {
		passed := map[store.ID]bool{} // streams with a message that is left
		for _, m := range from {
			s := m.stream
			if m.bad == nil {
				s = m.batch.Stream
			}
			if len(group) < most && !passed[s] && fits(len(m.batch.Records)) {
				group = append(group, m)
				continue
			}
			passed[s] = true
			left = append(left, m)
		}
		return left
	}
	rest = take(waiting, func(n int) bool { return n <= smallBatch })
	full, sum := 0, 0
	rest = take(rest, func(n int) bool {
		if full > 0 && sum+n > groupRecords {
			return false
		}
		full, sum = full+1, sum+n
		return true
	})
	return group, rest
}
