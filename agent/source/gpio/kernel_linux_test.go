package gpio

import (
	"errors"
	"strings"
	"testing"
	"time"
	"unsafe"

	"golang.org/x/sys/unix"
)

func TestLineRequest(t *testing.T) {
	want := []request{{17, false, "", 2 * time.Millisecond}, {27, false, "", 5 * time.Millisecond}, {3, true, "up", 5 * time.Millisecond}, {4, false, "", 0}}
	r, err := lineRequest(want, 512)
	if err != nil {
		t.Fatal(err)
	}
	if r.Num_lines != 4 || r.Event_buffer_size != 512 || r.Offsets[2] != 3 || unix.ByteSliceToString(r.Consumer[:]) != "turnwise agent" {
		t.Errorf("request %+v", r)
	}
	// Input and both edges: bits 2, 4 and 5 of enum gpio_v2_line_flag.
	if r.Config.Flags != 0x34 || r.Config.Num_attrs != 3 {
		t.Errorf("flags %#x with %d attributes, want 0x34 with 3", r.Config.Flags, r.Config.Num_attrs)
	}
	a := r.Config.Attrs
	if a[0].Attr.Id != unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE || *(*uint32)(unsafe.Pointer(&a[0].Attr.Flags)) != 2000 || a[0].Mask != 1 {
		t.Errorf("first attribute %+v, want 2000 us for line 0", a[0])
	}
	if *(*uint32)(unsafe.Pointer(&a[1].Attr.Flags)) != 5000 || a[1].Mask != 0b110 {
		t.Errorf("second attribute %+v, want 5000 us for lines 1 and 2", a[1])
	}
	if a[2].Attr.Id != unix.GPIO_V2_LINE_ATTR_ID_FLAGS || a[2].Attr.Flags != 0x136 || a[2].Mask != 0b100 {
		t.Errorf("third attribute %+v, want active low with a pull-up for line 2", a[2])
	}
	if r.Config.Flags&(1<<3) != 0 || a[2].Attr.Flags&(1<<3) != 0 {
		t.Error("a line was asked for as an output: the agent only reads")
	}
}

// TestLayout: sizes that the numbers of the calls carry, linux/gpio.h.
func TestLayout(t *testing.T) {
	for _, tt := range []struct {
		name string
		got  uintptr
		call uint
	}{
		{"line_request", unsafe.Sizeof(unix.GPIOV2LineRequest{}), unix.GPIO_V2_GET_LINE_IOCTL},
		{"line_values", unsafe.Sizeof(unix.GPIOV2LineValues{}), unix.GPIO_V2_LINE_GET_VALUES_IOCTL},
		{"line_info", unsafe.Sizeof(unix.GPIOV2LineInfo{}), unix.GPIO_V2_GET_LINEINFO_IOCTL},
	} {
		if want := uintptr(tt.call >> 16 & 0x3fff); tt.got != want {
			t.Errorf("%s has %d bytes, its call says %d", tt.name, tt.got, want)
		}
	}
	if eventBytes != 48 {
		t.Errorf("an event has %d bytes, 48 expected: 8 + 4*4 + 6*4", eventBytes)
	}
}

func TestChipThatIsNotThere(t *testing.T) {
	s := open(t, Config{Revolution: Line{Chip: "gpiochip9999", Offset: 1}, PulsesPerRevolution: 1, MaxRPM: 40})
	if _, err := s.Read(t.Context()); !errors.Is(err, ErrLine) || !strings.Contains(err.Error(), "/dev/gpiochip9999") {
		t.Errorf("got %v, want ErrLine with the device", err)
	}
}

// TestEventsFromAPipe: the bytes of the kernel are read as they come, and a
// file that has nothing more does not make the reader wait.
func TestEventsFromAPipe(t *testing.T) {
	var p [2]int
	if err := unix.Pipe2(p[:], unix.O_NONBLOCK|unix.O_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	defer unix.Close(p[1])
	l := &lineFile{fd: p[0]}
	defer l.Close()
	if got, err := l.events(nil); len(got) != 0 || err != nil {
		t.Fatalf("nothing waits: %v, %v", got, err)
	}
	for i := range 100 {
		e := unix.GPIOV2LineEvent{Timestamp_ns: uint64(i) * 1000, Id: uint32(i%2 + 1), Offset: 17, Seqno: uint32(i + 9), Line_seqno: uint32(i + 1)}
		if _, err := unix.Write(p[1], unsafe.Slice((*byte)(unsafe.Pointer(&e)), eventBytes)); err != nil {
			t.Fatal(err)
		}
	}
	got, err := l.events(nil)
	if err != nil || len(got) != 100 || got[99] != (event{99_000, 17, false, 100}) || !got[0].active {
		t.Errorf("%d events, %v; the last %+v", len(got), err, got[len(got)-1])
	}
	if _, err := unix.Write(p[1], []byte{1, 2, 3}); err != nil {
		t.Fatal(err)
	}
	if _, err := l.events(nil); err == nil {
		t.Error("3 bytes passed for an event")
	}
}
