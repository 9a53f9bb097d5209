package chaos

import (
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"math/rand/v2"
)

// The form of a segment, from agent/journal/FORMAT.md; nothing of the
// agent's code is used, which would be wrong in the same way.
const (
	segmentHeader = 44
	frameHeader   = 12
	kindOpened    = 5
)

// newest is the segment that an agent writes to.
func newest(dir string) (string, int64, error) {
	files, err := filepath.Glob(filepath.Join(dir, "*.twj"))
	if err != nil || len(files) == 0 {
		return "", 0, fmt.Errorf("chaos: no segment in %s (%v)", dir, err)
	}
	slices.Sort(files)
	file := files[len(files)-1]
	info, err := os.Stat(file)
	if err != nil {
		return "", 0, err
	}
	return file, info.Size(), nil
}

// tear cuts the newest segment somewhere after a length that was on the disk
// before anything could no longer be sent. It reports the bytes cut off.
func tear(dir, file string, least int64, rng *rand.Rand) (int64, error) {
	now, size, err := newest(dir)
	if err != nil || now != file || size <= least {
		return 0, err
	}
	at := least + rng.Int64N(size-least)
	return size - at, os.Truncate(file, at)
}

// flip turns one bit of a frame of the newest segment that a later frame
// vouches for. It reports false where there is none yet.
func flip(dir string, rng *rand.Rand) (bool, error) {
	file, _, err := newest(dir)
	if err != nil {
		return false, err
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return false, err
	}
	type place struct{ off, end int64 }
	var frames []place
	durable, opened := int64(0), false
	for off := int64(segmentHeader); off+frameHeader < int64(len(b)); {
		n := int64(binary.LittleEndian.Uint32(b[off:]))
		end := off + frameHeader + n
		if n == 0 || end > int64(len(b)) {
			break
		}
		if opened {
			frames = append(frames, place{off, end})
		}
		opened = opened || b[off+frameHeader] == kindOpened
		durable = max(durable, int64(binary.LittleEndian.Uint32(b[off+8:])))
		off = end
	}
	frames = slices.DeleteFunc(frames, func(p place) bool { return p.end > durable })
	if len(frames) == 0 {
		return false, nil
	}
	p := frames[rng.IntN(len(frames))]
	at := p.off + rng.Int64N(p.end-p.off)
	b[at] ^= 1 << rng.IntN(8)
	return true, os.WriteFile(file, b, 0o600)
}

// copyJournal makes a copy as an image of a disk would be, but for the file
// that fills the disk.
func copyJournal(from, to string) error {
	if err := os.MkdirAll(to, 0o700); err != nil {
		return err
	}
	entries, err := os.ReadDir(from)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if !e.Type().IsRegular() || e.Name() == fullName || e.Name() == "lock" || e.Name() == "ballast" {
			continue
		}
		b, err := os.ReadFile(filepath.Join(from, e.Name()))
		if errors.Is(err, os.ErrNotExist) {
			continue // the agent has just given it up
		}
		if err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(to, e.Name()), b, 0o600); err != nil {
			return err
		}
	}
	return nil
}

// empty removes what is in a folder and keeps the folder: it may be a mount.
func empty(dir string) error {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if err := os.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			return err
		}
	}
	return nil
}

// fill takes all room of a small file system; the file given back frees it.
func fill(dir string) (string, error) {
	file := filepath.Join(dir, fullName)
	f, err := os.OpenFile(file, os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return "", err
	}
	defer f.Close()
	for block := make([]byte, 64<<10); len(block) > 0; {
		if _, err := f.Write(block); err != nil {
			block = block[:len(block)/2] // the disk is full, or nearly so
		}
	}
	return file, nil
}

// unfill makes room again, for good: a power cut must not bring the file back.
func unfill(file string) error {
	if err := os.Remove(file); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err // it may be gone: the power went before it was on the disk
	}
	dir, err := os.Open(filepath.Dir(file))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// fullName is the file that fills a small disk.
const fullName = "full"

// diskBytes is the room of a small disk: some segments of a journal.
const diskBytes = 16 << 20

// serverDiskBytes is the room of a server's small disk.
const serverDiskBytes = 64 << 20

// fullFor is how long a disk stays full at the least.
const fullFor = 1200 * time.Millisecond
