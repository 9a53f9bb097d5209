package ingest_test

import (
	"testing"
	"testing/synctest"
	"time"

	"turnwise/server/ingest"
)

// A server that is asked too much makes backlog wait and takes what is new;
// when it has room again it says so itself.
func TestFault_23_OverloadPausesBacklogOnly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		st, s := &fakeStore{hold: make(chan struct{})}, &said{}
		g := run(t, st, ingest.Options{Ack: s.ack, Queue: 16, GroupMax: 4})
		submit(t, g, "back", "k01", payload(t, 0, 1, 100))
		synctest.Wait() // it is being committed, what follows waits
		for i := range 15 {
			submit(t, g, "back", "k01", payload(t, 1+i, 1, 100))
		}
		submit(t, g, "fresh", "k02", payload(t, 100, 1, 1))
		st.hold <- struct{}{}
		synctest.Wait()
		for i := range 11 { // one queue looked at, another one waits
			submit(t, g, "back", "k01", payload(t, 30+i, 1, 100))
		}
		st.hold <- struct{}{}
		synctest.Wait()
		least := map[string]uint32{"back": 9, "fresh": 9}
		s.mu.Lock()
		for i, a := range s.acks {
			least[s.to[i]] = min(least[s.to[i]], a.GetCredit())
		}
		s.mu.Unlock()
		if least["back"] != 0 || least["fresh"] != 1 {
			t.Errorf("least credit %d for backlog, %d for what is new; want 0 and 1", least["back"], least["fresh"])
		}
		close(st.hold)
		time.Sleep(10 * time.Second) // of the bubble
		last := map[string]uint32{}
		s.mu.Lock()
		defer s.mu.Unlock()
		for _, a := range s.acks {
			last[string(a.GetStreamId())] = a.GetCredit()
		}
		if len(last) != 28 {
			t.Errorf("%d streams answered, want 28", len(last))
		}
		for id, c := range last {
			if c == 0 {
				t.Errorf("stream %x was never told to go on", id)
			}
		}
	})
}
