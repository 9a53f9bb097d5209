package mill

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"time"

	"google.golang.org/grpc/status"

	pb "turnwise/proto/turnwisepb"
	"turnwise/simulator/truth"
)

// kiloTolerance is the part by which kilos may differ: both sides round.
const kiloTolerance = 1e-4

// Comparison is the ledger of the truth against the books of a server.
type Comparison struct {
	Machines          int     `json:"machines"`
	RevolutionsTruth  int64   `json:"revolutions_truth"`
	RevolutionsStored int64   `json:"revolutions_stored"`
	StopsTruth        int64   `json:"stops_truth"`
	StopsStored       int64   `json:"stops_stored"`
	KilosTruth        float64 `json:"kilos_truth"`
	KilosCounted      float64 `json:"kilos_counted"`
	UnknownSeconds    float64 `json:"unknown_seconds"`
	UnknownTruth      float64 `json:"unknown_seconds_truth"`
	// Mismatches says in words what does not agree; empty when all does.
	Mismatches []string `json:"mismatches"`
}

// compare sets the truth against the books. strict also compares unknown
// time, which restarts of agents make without the truth knowing.
func compare(t map[string]truth.Totals, r *pb.ListTotalsResponse, strict bool) Comparison {
	c := Comparison{Mismatches: []string{}}
	no := func(format string, args ...any) { c.Mismatches = append(c.Mismatches, fmt.Sprintf(format, args...)) }
	stored := map[string]*pb.MachineTotals{}
	for _, m := range r.GetMachines() {
		stored[m.GetMachine()] = m
	}
	for _, id := range slices.Sorted(maps.Keys(t)) {
		want, got := t[id], stored[id]
		c.Machines++
		c.RevolutionsTruth += want.Revolutions
		c.StopsTruth += want.Stops
		c.KilosTruth += want.Kilos
		c.UnknownTruth += float64(want.UnknownMS) / 1000
		if got == nil {
			no("%s: the server does not know it", id)
			continue
		}
		c.RevolutionsStored += got.GetRevolutions()
		c.StopsStored += got.GetStops()
		c.KilosCounted += got.GetKilosCounted()
		c.UnknownSeconds += float64(got.GetUnknownMs()) / 1000
		if got.GetRevolutions() != want.Revolutions {
			no("%s: %d revolutions stored, %d made", id, got.GetRevolutions(), want.Revolutions)
		}
		if got.GetStops() != want.Stops || !maps.Equal(nonZero(got.GetStopsByCause()), nonZero(want.ByCause)) {
			no("%s: %d stops stored %v, %d made %v", id, got.GetStops(), got.GetStopsByCause(), want.Stops, want.ByCause)
		}
		if got.GetLostMax() != 0 {
			no("%s: up to %d revolutions declared lost, none were", id, got.GetLostMax())
		}
		if got.GetRevolutionsWithoutCard() != 0 {
			no("%s: %d revolutions without a knit card", id, got.GetRevolutionsWithoutCard())
		}
		if d := math.Abs(got.GetKilosCounted() - want.Kilos); d > kiloTolerance*max(want.Kilos, 1) {
			no("%s: %.3f kg counted, %.3f kg made", id, got.GetKilosCounted(), want.Kilos)
		}
		if d := math.Abs(float64(got.GetUnknownMs() - want.UnknownMS)); strict && d > float64(pastStep.Milliseconds()) {
			no("%s: %d ms unknown, %d ms made unknown", id, got.GetUnknownMs(), want.UnknownMS)
		}
	}
	if !r.GetDrained() {
		no("records are still outstanding at an agent")
	}
	return c
}

func nonZero(m map[string]int64) map[string]int64 {
	m = maps.Clone(m)
	maps.DeleteFunc(m, func(_ string, n int64) bool { return n == 0 })
	return m
}

// CompareOptions tells what to compare.
type CompareOptions struct {
	TruthFile string
	Server    string        // HOST:PORT of gRPC
	Wait      time.Duration // how long differences may persist
}

// When the books are final although they differ: the machines have been at rest
// for so long that every word of an agent that it owes nothing (the server believes
// one for 25 seconds) was said after it told the standstill; and all that while
// the answers are the same, in which an agent that was just started has spoken.
const (
	restFor  = 40 * time.Second
	quietFor = 10 * time.Second
)

// Compare sets a truth file against a server until both agree, nothing more can
// come, or the time is over, and returns the last comparison.
func Compare(ctx context.Context, o CompareOptions) (Comparison, error) {
	conn, err := dial(o.Server)
	if err != nil {
		return Comparison{}, err
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(ctx, o.Wait+10*time.Second) // for a server that does not answer
	defer cancel()
	client := pb.NewMachineServiceClient(conn)
	return untilFinal(ctx, o.Wait, func() (Ledger, *pb.ListTotalsResponse, error) {
		l, err := readLedger(o.TruthFile)
		if err != nil {
			return l, nil, err
		}
		r, err := client.ListTotals(ctx, &pb.ListTotalsRequest{})
		if err != nil {
			return l, nil, fmt.Errorf("mill: server %s did not tell its totals: %s; start it with `server run`, or name another one with --server HOST:PORT", o.Server, status.Convert(err).Message())
		}
		return l, r, nil
	})
}

// untilFinal looks until what it sees agrees or stays as it is.
func untilFinal(ctx context.Context, wait time.Duration, look func() (Ledger, *pb.ListTotalsResponse, error)) (Comparison, error) {
	until := time.Now().Add(wait)
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	var before []string // what did not agree at the last look, and since when it is the same
	var same time.Time
	for {
		l, r, err := look()
		if err != nil {
			return Comparison{}, err
		}
		c := compare(l.Machines, r, false)
		if !l.Frozen {
			c.Mismatches = append(c.Mismatches, "the machines still turn: totals can only agree at rest; start `simulator plc` with --freeze-after")
		}
		now := time.Now()
		if !slices.Equal(before, c.Mismatches) {
			before, same = c.Mismatches, now
		}
		final := r.GetDrained() && !l.FrozenAt.IsZero() && now.Sub(l.FrozenAt) >= restFor && now.Sub(same) >= quietFor
		if len(c.Mismatches) == 0 || final || now.After(until) {
			return c, nil
		}
		select {
		case <-ctx.Done():
			return c, nil
		case <-tick.C:
		}
	}
}

func readLedger(file string) (Ledger, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return Ledger{}, fmt.Errorf("mill: read truth: %w; name the file truth.json in the data folder of `simulator plc`", err)
	}
	var l Ledger
	if err := json.Unmarshal(text, &l); err != nil {
		return Ledger{}, fmt.Errorf("mill: %s is not a truth file of `simulator plc`: %w; name truth.json in its data folder", file, err)
	}
	return l, nil
}
