package sqlite

import (
	"bufio"
	"fmt"
	"os"
	"runtime"
	"strings"
	"sync"
	"testing"
	"unsafe"
)

// arenas counts what the GNU C library holds beside its first arena: each is 64 MiB
// of addresses that begin at a multiple of 64 MiB, the first part of it in use
// (glibc, malloc/arena.c: HEAP_MAX_SIZE; of 64 bit machines; from memory). Go's own
// heap grows in the same way, far from it.
func arenas(t *testing.T) (n int) {
	f, err := os.Open("/proc/self/maps")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	const span, far = 64 << 20, 64 << 30
	own := uint64(uintptr(unsafe.Pointer(new([1 << 16]byte))))
	var from, until uint64 // of the part in use
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var a, b uint64
		var rights string
		if _, err := fmt.Sscanf(strings.Replace(lines.Text(), "-", " ", 1), "%x %x %s", &a, &b, &rights); err != nil {
			t.Fatalf("%q: %v", lines.Text(), err)
		}
		switch {
		case max(a, own)-min(a, own) < far:
		case rights == "rw-p" && a%span == 0:
			from, until = a, b
		case rights == "---p" && until != 0 && a == until && b == from+span:
			n++
		}
	}
	return n
}

// Threads that use connections by turns share one arena.
func TestOneArena(t *testing.T) {
	s := open(t, t.TempDir())
	const threads = 12
	var here, done sync.WaitGroup
	here.Add(threads)
	for range threads {
		done.Go(func() {
			runtime.LockOSThread()
			defer runtime.UnlockOSThread()
			here.Done()
			here.Wait() // all at once, each on a thread of its own
			for range 20 {
				if _, err := s.read.ExecContext(t.Context(), `SELECT count(*) FROM sqlite_schema`); err != nil {
					t.Error(err)
				}
			}
		})
	}
	done.Wait()
	if n := arenas(t); n != 0 {
		t.Errorf("%d threads made %d arenas beside the first, expected none", threads, n)
	}
}
