package chaos

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
	"testing"
	"time"

	pb "turnwise/proto/turnwisepb"
)

// exactWithin is how soon the books must be whole again after a server with an
// old backup has started.
const exactWithin = 5 * time.Minute

// TestFault_39_RestoredFromBackup takes a backup at a random second of a
// running mill, goes on, kills the server later, restores the backup and lets
// the server start: the agents bring back what it lacks, while machines turn
// and while they stand, and the books are exact. CHAOS_RESTORES=n runs n
// seeds, CHAOS_RESTORE_SEED begins with another one.
func TestFault_39_RestoredFromBackup(t *testing.T) {
	if testing.Short() {
		t.Skip("builds and runs agents and a server for about 30 seconds")
	}
	number := func(key string, otherwise int) int {
		if n, err := strconv.Atoi(os.Getenv(key)); err == nil {
			return n
		}
		return otherwise
	}
	bin, err := build(t.Context(), "", t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	first := number("CHAOS_RESTORE_SEED", 1)
	for seed := first; seed < first+number("CHAOS_RESTORES", 1); seed++ {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) { restored(t, bin, uint64(seed)) })
	}
}

func restored(t *testing.T, bin string, seed uint64) {
	m, err := openMill(t.Context(), millOptions{bin: bin, dir: t.TempDir(), seed: seed, told: func(s string) { t.Log(s) }})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := m.close(); err != nil {
			t.Error(err)
		}
	}()
	rng := rand.New(rand.NewPCG(seed, 39))
	upTo := func(most time.Duration) { pause(t.Context().Done(), time.Duration(rng.Int64N(int64(most)))) }
	upTo(10 * time.Second)
	backup, taken := filepath.Join(m.dir, "old.db"), m.now()
	if err := m.run(t.Context(), "backup", "-c", m.serverConf, "--to", backup); err != nil {
		t.Fatal(err)
	}
	time0 := m.now()
	upTo(6 * time.Second)
	pause(t.Context().Done(), time.Second) // something to bring back

	turns := map[string]int64{}
	for _, c := range m.all {
		c.mu.Lock()
		turns[c.id] = c.turns
		c.mu.Unlock()
	}
	turning := comeBack(t, m, backup, func(books map[string]*pb.MachineTotals) bool {
		for id, n := range turns {
			if books[id].GetRevolutions() < n {
				return false
			}
		}
		return true
	})
	last, err := m.settle(t.Context(), exactWithin)
	if err != nil {
		t.Fatal(err)
	}
	whole, _, err := m.totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// Now nothing turns, and no agent has anything new to tell.
	standing := comeBack(t, m, backup, func(books map[string]*pb.MachineTotals) bool {
		return maps.EqualFunc(books, whole, func(a, b *pb.MachineTotals) bool {
			return a.GetRevolutions() == b.GetRevolutions() && a.GetStops() == b.GetStops() && watched(a) == watched(b)
		})
	})
	books, _, err := m.totals(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	v, err := m.judge(t.Context(), books, last)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range append(v.mismatches, m.notes...) {
		t.Error(x)
	}
	if v.lost+v.stopsLost != 0 || v.doubled+v.stopsDoubled != 0 || v.turns == 0 {
		t.Errorf("%d turns made, %d stored, %d lost, %d doubled", v.turns, v.stored, v.lost, v.doubled)
	}
	t.Logf("seed %d: backup at %.1f s (took %.1f s), %d turns and %d stops in all; whole again %.1f s after the start while machines turn, %.1f s while they stand",
		seed, taken.Seconds(), (time0 - taken).Seconds(), v.turns, v.stopsStored, turning.Seconds(), standing.Seconds())
}

// comeBack kills the server, puts a backup in the place of its records, starts
// it and returns how long it takes until the books are so.
func comeBack(t *testing.T, m *mill, backup string, so func(map[string]*pb.MachineTotals) bool) time.Duration {
	t.Helper()
	m.endServer(syscall.SIGKILL)
	if err := m.run(t.Context(), "restore", "-c", m.serverConf, "--verify", "--from", backup); err != nil {
		t.Fatal(err)
	}
	begun := time.Now()
	if err := m.startServer(); err != nil {
		t.Fatal(err)
	}
	if err := m.until(t.Context(), exactWithin, so); err != nil {
		t.Fatalf("the books are not whole again: %v\n%s", err, tail(m.log("server"), 20))
	}
	return time.Since(begun)
}
