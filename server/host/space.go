package host

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"turnwise/server/store"
	"turnwise/server/store/sqlite"
)

const (
	ballastSuffix = ".ballast" // beside the database
	// ballastShare is the part of a small disk that the ballast may take.
	ballastShare = 16
	// spaceEvery is how often the room is looked at: 50 machines write about
	// 1 MB in that time, catching up included.
	spaceEvery = 10 * time.Second
	// spaceRest is the room with which the disk counts as full: what is in
	// flight still fits, and so does the journal of the database.
	spaceRest = 4 << 20
)

// errFull is inside the error about a batch that came while the disk is full.
var errFull = errors.New("disk of the records is full")

// spaceLevel says how much room there is.
type spaceLevel int

const (
	spaceOK spaceLevel = iota
	spaceLow
	spaceFull
)

// space watches the room beside the database. When the disk is full it gives
// the ballast up, so that what makes room has room to work in, and refuses
// batches until there is room for more than the ballast again: the agents keep
// what is not acknowledged. Reading goes on. It is a component of the host.
type space struct {
	c    DatabaseConfig
	log  *slog.Logger
	room func() (free, size int64, ok bool)
	// tidy gives room back that the database does not need; nil = nothing.
	tidy func(context.Context) error
	// ingest is told whether batches are taken; nil = nobody is.
	ingest func(taken bool)

	mu         sync.Mutex
	level      spaceLevel
	free, size int64
	ballast    int64 // bytes of it
	wake       chan struct{}
}

func newSpace(c DatabaseConfig, log *slog.Logger) *space {
	dir := filepath.Dir(c.File)
	return &space{c: c, log: log, room: func() (int64, int64, bool) { return deviceRoom(dir) }, wake: make(chan struct{}, 1)}
}

// run looks until ctx ends.
func (s *space) run(ctx context.Context) error {
	t := time.NewTicker(spaceEvery)
	defer t.Stop()
	for {
		s.look(ctx)
		select {
		case <-t.C:
		case <-s.wake:
		case <-ctx.Done():
			return nil
		}
	}
}

// wanted is the size of the ballast on a disk.
func (s *space) wanted(size int64) int64 { return min(int64(s.c.Ballast), size/ballastShare) }

// rest is the room with which a disk counts as full.
func rest(size int64) int64 { return min(spaceRest, size/ballastShare/2) }

// look decides on the level.
func (s *space) look(ctx context.Context) {
	free, size, ok := s.room()
	if !ok {
		return
	}
	file := s.c.File + ballastSuffix
	held := int64(0)
	if st, err := os.Stat(file); err == nil {
		held = st.Size()
	}
	want := s.wanted(size)
	s.mu.Lock()
	was := s.level
	s.mu.Unlock()
	level := spaceOK
	switch {
	case free < rest(size), was == spaceFull && free+held < want+4*rest(size):
		level = spaceFull
	case free < int64(s.c.LowSpace), float64(free) < s.c.LowSpacePercent/100*float64(size):
		level = spaceLow
	}
	switch {
	case level == spaceFull && held > 0:
		if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
			s.log.Error("ballast not removed", "file", file, "error", err)
		} else {
			held = 0
		}
	case level != spaceFull && held != want && free+held >= want+4*rest(size):
		if err := layBallast(file, want); err != nil {
			s.log.Warn("ballast not laid", "file", file, "bytes", want, "error", err)
		} else {
			held = want
		}
	}
	s.set(level, free, size, held)
	if level == spaceFull && s.tidy != nil {
		if err := s.tidy(ctx); err != nil && ctx.Err() == nil {
			s.log.Debug("journal of the database not shortened", "error", err)
		}
	}
}

func (s *space) set(level spaceLevel, free, size, ballast int64) {
	s.mu.Lock()
	was := s.level
	s.level, s.free, s.size, s.ballast = level, free, size, ballast
	s.mu.Unlock()
	if level == was {
		return
	}
	dir := filepath.Dir(s.c.File)
	switch level {
	case spaceFull:
		s.log.Error("disk of the records is full: nothing is taken from the agents until there is room, they keep everything; free space there", "dir", dir, "free", free, "size", size)
	case spaceLow:
		s.log.Warn("disk of the records is nearly full: free space there before nothing can be taken any more", "dir", dir, "free", free, "size", size,
			"low_space", s.c.LowSpace.String(), "low_space_percent", s.c.LowSpacePercent)
	default:
		s.log.Info("disk of the records has room again", "dir", dir, "free", free)
	}
	if s.ingest != nil && (level == spaceFull) != (was == spaceFull) {
		s.ingest(level != spaceFull)
	}
}

// refuse is nil while batches are taken.
func (s *space) refuse() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.level == spaceFull {
		return fmt.Errorf("host: %w: %d bytes free in %s; free space there, the agents send again by themselves", errFull, s.free, filepath.Dir(s.c.File))
	}
	return nil
}

// enough tells whether so many bytes can be written without filling the disk.
func (s *space) enough(bytes int64) bool {
	free, size, ok := s.room()
	return !ok || free-bytes >= 2*rest(size)
}

// failed looks at once when a write found no room.
func (s *space) failed(err error) {
	if err == nil || !sqlite.IsFull(err) {
		return
	}
	select {
	case s.wake <- struct{}{}:
	default:
	}
}

// watched is a store whose commits tell when there is no room.
type watched struct {
	store.Store
	space *space
}

func (w watched) Commit(ctx context.Context, batches []store.Batch) ([]store.Outcome, error) {
	out, err := w.Store.Commit(ctx, batches)
	w.space.failed(err)
	return out, err
}

// layBallast makes the file with its blocks taken, whole or not at all. Size 0
// removes it.
func layBallast(file string, size int64) (err error) {
	if err := os.Remove(file); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if size <= 0 {
		return nil
	}
	f, err := os.OpenFile(file, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	if err = reserveBlocks(f, size); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		_ = os.Remove(file)
	}
	return err
}

var (
	diskFreeDesc  = prometheus.NewDesc("turnwise_disk_free_bytes", "Room on the disk of the records.", nil, nil)
	diskSizeDesc  = prometheus.NewDesc("turnwise_disk_size_bytes", "Size of the disk of the records.", nil, nil)
	diskLevelDesc = prometheus.NewDesc("turnwise_disk_level", "0: there is room; 1: below database.low_space or low_space_percent; 2: full, nothing is taken from the agents.", nil, nil)
	ballastDesc   = prometheus.NewDesc("turnwise_disk_ballast_bytes", "Size of the file that is given up when the disk is full; 0: it has been.", nil, nil)
)

// Describe and Collect make space a collector of metrics.
func (s *space) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{diskFreeDesc, diskSizeDesc, diskLevelDesc, ballastDesc} {
		ch <- d
	}
}

// Collect tells how it was at the newest look.
func (s *space) Collect(ch chan<- prometheus.Metric) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for d, v := range map[*prometheus.Desc]int64{diskFreeDesc: s.free, diskSizeDesc: s.size, diskLevelDesc: int64(s.level), ballastDesc: s.ballast} {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, float64(v))
	}
}
