package journal

import (
	"bytes"
	"fmt"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"testing"

	"google.golang.org/protobuf/proto"
)

// everything is what a journal tells of its machines, in one piece.
func everything(t testing.TB, j *Journal) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, c := range j.Channels() {
		id := c.StreamID()
		fmt.Fprintf(&b, "%s %x head %d acked %d memory %d state %x\n", c.Machine(), id, c.Head(), c.Acked(), c.Memory(), c.State())
		for _, s := range readFrom(t, c, 1) {
			fmt.Fprintf(&b, "%08x %v %x\n", s.GetCrc32C(), s.GetCoarse(), s.GetBody())
		}
		for _, r := range c.held {
			body, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintf(&b, "held %x\n", body)
		}
	}
	return b.Bytes()
}

// used is a journal with fine and coarse segments, a ballast and records in
// tail rows, on a disk that nobody has open.
func used(t testing.TB) *memDisk {
	t.Helper()
	d := newMemDisk(128 << 10)
	j, _, err := Open("memory", Options{Disk: d, Log: silent})
	if err != nil {
		t.Fatal(err)
	}
	ks := []*knitter{{id: "m01"}, {id: "m02"}}
	cs := []*Channel{mustChannel(t, j, "m01"), mustChannel(t, j, "m02")}
	j.Boot([16]byte{1})
	j.tend()
	for i := range 300 {
		for m, k := range ks {
			if err := k.step(cs[m], 40); err != nil {
				t.Fatal(err)
			}
		}
		mustSync(t, j)
		if i == 60 {
			if err := cs[0].Ack(40, 20, [16]byte{7}); err != nil {
				t.Fatal(err)
			}
		}
	}
	d.taken = d.bytes // others take all that is left
	for j.Rung() < RungTail {
		for m, k := range ks {
			if err := k.step(cs[m], 40); err != nil {
				t.Fatal(err)
			}
		}
		mustSync(t, j)
	}
	for range 8 {
		if err := ks[0].step(cs[0], 5); err != nil {
			t.Fatal(err)
		}
	}
	mustSync(t, j)
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	return d
}

// Any one bit of a journal is wrong: it is found and put right, or nothing
// reads otherwise. TURNWISE_FLIPS=N turns over N bits, each in its own
// copy; TURNWISE_FLIP_SEED chooses others.
func TestFault_09_FlippedBitInJournal(t *testing.T) {
	d := used(t)
	open := func(d *memDisk) (*Journal, Report, error) {
		return Open("memory", Options{Disk: d, Log: silent})
	}
	j, rep, err := open(d.clone())
	if err != nil || rep.Damage != nil {
		t.Fatalf("%v, %v", rep, err)
	}
	want := everything(t, j)
	if j.Rung() != RungTail || len(j.segments) < 3 || !slices.ContainsFunc(j.segments, func(s *segment) bool { return s.grade > gradeFine }) {
		t.Fatalf("rung %v with %d segments: the test wants all kinds", j.Rung(), len(j.segments))
	}
	_ = j.Close()

	names := slices.Sorted(maps.Keys(d.files))
	n, bytesAll := 400, 0
	if testing.Short() {
		n = 100
	}
	if s := os.Getenv("TURNWISE_FLIPS"); s != "" {
		if n, err = strconv.Atoi(s); err != nil || n < 1 {
			t.Fatalf("TURNWISE_FLIPS=%q: found no number of bits", s)
		}
	}
	names = slices.DeleteFunc(names, func(name string) bool { return name == ballastFile })
	for _, name := range names {
		bytesAll += len(d.files[name].now)
	}
	seed := uint64(9)
	if s := os.Getenv("TURNWISE_FLIP_SEED"); s != "" {
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatalf("TURNWISE_FLIP_SEED=%q: found no number", s)
		}
	}
	r := rand.New(rand.NewPCG(seed, 0))
	var detected, harmless, silentWrong, lost int
	for range n {
		c := d.clone()
		at := r.IntN(bytesAll)
		name := ""
		for _, name = range names {
			if at < len(c.files[name].now) {
				break
			}
			at -= len(c.files[name].now)
		}
		mask := byte(1) << r.IntN(8)
		c.files[name].now[at] ^= mask
		c.files[name].synced[at] ^= mask
		j, _, err := open(c)
		if err != nil {
			lost++
			t.Errorf("bit %d of byte %d of %s: %v", mask, at, name, err)
			continue
		}
		got := everything(t, j)
		for turn := range len(j.segments) {
			j.check(turn)
		}
		told, same := len(j.Damaged()) > 0, bytes.Equal(got, want)
		_ = j.Close()
		switch {
		case told && same:
			detected++
		case told:
			lost++
			t.Errorf("bit %d of byte %d of %s cost something: %v", mask, at, name, j.Damaged())
		case same:
			harmless++
		default:
			silentWrong++
			t.Errorf("bit %d of byte %d of %s: other contents, and nobody saw it", mask, at, name)
		}
		if t.Failed() && lost+silentWrong > 20 {
			break
		}
	}
	t.Logf("journal of %d bytes in %d files, seed %d: bits %d, detected and put right %d, harmless %d, detected and lost %d, silent %d", bytesAll, len(names), seed, n, detected, harmless, lost, silentWrong)
}
