package journal

import (
	"testing"
)

// SampleTruth is what a machine of the sample did.
type SampleTruth struct {
	Counts uint64   // told, from 0 on
	Time   int64    // ns, from 0 on
	Stops  []string // ids in order; the last one may be open
	State  string
}

// WriteFormatSample writes a journal into dir that has every kind of frame, a
// coarser segment, tail rows and a restart, and tells the truth about it. It
// ends as a process that is killed.
func WriteFormatSample(t *testing.T, dir string) map[string]SampleTruth {
	t.Helper()
	o := Options{Log: silent, Ballast: -1, SegmentBytes: 32 << 10}
	ks := []*knitter{{id: "m01"}, {id: "m02"}}
	j, _ := mustOpen(t, dir, o)
	channels := func() []*Channel { return []*Channel{mustChannel(t, j, "m01"), mustChannel(t, j, "m02")} }
	cs := channels()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	work := func(steps int) {
		t.Helper()
		for range steps {
			for m, k := range ks {
				must(k.step(cs[m], 4+m))
			}
			mustSync(t, j)
		}
	}
	roll := func() {
		t.Helper()
		j.syncing.Lock()
		defer j.syncing.Unlock()
		j.mu.Lock()
		defer j.mu.Unlock()
		must(j.roll())
	}
	must(sessionOf(j))
	j.Boot([16]byte{1})
	work(9)
	roll()
	work(3)
	must(cs[0].Ack(6, 2, [16]byte{9}))
	roll()
	j.syncing.Lock()
	j.mu.Lock()
	_, err := j.coarsen(0, 1, gradeRun)
	j.mu.Unlock()
	j.syncing.Unlock()
	must(err)
	work(3)
	must(j.Close())

	j, _ = mustOpen(t, dir, o)
	cs = channels()
	for m, k := range ks {
		k.resume(t, cs[m])
	}
	j.Boot([16]byte{2}) // another boot; the knitter's records go on in the first
	must(sessionOf(j))
	must(cs[1].Ack(3, 3, [16]byte{9}))
	must(cs[1].Tick(ks[1].state()))
	work(2)
	roll()
	work(1)
	j.mu.Lock()
	j.layTail()
	j.mu.Unlock()
	for range 3 {
		for m, k := range ks {
			k.now += 10e9
			k.count += 7
			span := k.span()
			j.mu.Lock()
			err := cs[m].hold(k.state(), span)
			j.mu.Unlock()
			must(err)
			k.told, k.toldAt = k.count, k.now
		}
	}
	j.crash()
	truth := map[string]SampleTruth{}
	for _, k := range ks {
		s := SampleTruth{Counts: k.told, Time: k.toldAt, State: string(k.state())}
		for _, id := range k.stops {
			s.Stops = append(s.Stops, string(id[:]))
		}
		truth[k.id] = s
	}
	return truth
}

func sessionOf(j *Journal) error {
	_, err := j.NextSession()
	return err
}
