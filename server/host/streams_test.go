package host

import (
	"encoding/hex"
	"errors"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"turnwise/server/ingest"
	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

// An engineer sees which stream is frozen and lets it go on, beside the server.
func TestFrozenStreamIsReleased(t *testing.T) {
	var c Config
	c.Database.File = filepath.Join(t.TempDir(), "records.db")
	log := slog.New(slog.DiscardHandler)
	if _, err := FrozenStreams(t.Context(), c, log); err == nil {
		t.Error("a database that is not there was made")
	}
	st, err := sqlite.Open(t.Context(), c.Database.File, sqlite.Options{Log: log})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	day := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	if _, err := st.RegisterAgent(t.Context(), "a1", []string{"k01"}, day, false); err != nil {
		t.Fatal(err)
	}
	stream := store.ID{1}
	send := func(first uint64, to uint64) store.Verdict {
		b := store.Batch{
			Stream: stream, Run: store.ID{2}, FirstSeq: first, HeadSeq: first, Boots: map[uint32]store.ID{1: {3}},
			Clock:   store.Clock{Boot: 1, Boottime: 10e9, Wall: day.UnixNano()},
			Records: []store.Record{{Boot: 1, Boottime: int64(first) * 1e9, Kind: &store.CountSpan{Life: store.ID{4}, From: first - 1, To: to, RawTo: to, RawBits: 32, FromBoottime: int64(first-1) * 1e9, PerRev: 1}}},
		}
		p, err := ingest.Wire(b)
		if err != nil {
			t.Fatal(err)
		}
		out, err := st.Commit(t.Context(), []store.Batch{ingest.Batch("a1", "k01", p, day)})
		if err != nil {
			t.Fatal(err)
		}
		return out[0].Verdict
	}
	if a, b, c := send(1, 1), send(1, 2), send(2, 2); a != store.OK || b != store.Frozen || c != store.Frozen {
		t.Fatalf("verdicts %d, %d, %d", a, b, c)
	}
	list, err := FrozenStreams(t.Context(), c, log)
	if err != nil || len(list) != 1 || list[0].Stream != stream || list[0].Machine != "k01" || list[0].HandedOver {
		t.Fatalf("%+v, %v", list, err)
	}
	if err := ReleaseStream(t.Context(), c, "none", log); !errors.Is(err, store.ErrInvalid) {
		t.Errorf("%v", err)
	}
	if err := ReleaseStream(t.Context(), c, hex.EncodeToString(stream[:]), log); err != nil {
		t.Fatal(err)
	}
	if v := send(2, 2); v != store.OK {
		t.Errorf("verdict %d after the release", v)
	}
}
