package gpio

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Flags of a line, linux/gpio.h.
const (
	flagActiveLow   = 1 << 1
	flagInput       = 1 << 2
	flagRising      = 1 << 4
	flagFalling     = 1 << 5
	flagBiasUp      = 1 << 8
	flagBiasDown    = 1 << 9
	flagBiasOff     = 1 << 10
	eventBytes      = int(unsafe.Sizeof(unix.GPIOV2LineEvent{}))
	eventsInOneRead = 64
)

// system is the kernel of this host.
type system struct{}

func (system) now() int64 {
	var ts unix.Timespec
	// The call cannot fail with a clock that Linux has always had.
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts)
	return ts.Nano()
}

func (system) request(chip string, want []request, buffer int) (lines, error) {
	path := "/dev/" + chip
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("gpio: open %s: %w: %w; is the chip there (ls /dev/gpiochip*), and may this user open it (group gpio)", path, ErrLine, err)
	}
	defer unix.Close(fd) // the lines live on
	r, err := lineRequest(want, buffer)
	if err != nil {
		return nil, fmt.Errorf("gpio: %s: %w", path, err)
	}
	if err := ioctl(fd, unix.GPIO_V2_GET_LINE_IOCTL, unsafe.Pointer(r)); err != nil {
		return nil, fmt.Errorf("gpio: request %d lines of %s: %w: %w%s", len(want), path, ErrLine, err, hint(fd, want, err))
	}
	l := &lineFile{fd: int(r.Fd), mask: 1<<len(want) - 1}
	unix.CloseOnExec(l.fd)
	if err := unix.SetNonblock(l.fd, true); err != nil {
		unix.Close(l.fd)
		return nil, fmt.Errorf("gpio: %s: do not wait for events: %w: %w", path, ErrLine, err)
	}
	return l, nil
}

// lineRequest fills the kernel's form: the flags of the first line for all,
// and an attribute for every group of lines that differs.
func lineRequest(want []request, buffer int) (*unix.GPIOV2LineRequest, error) {
	r := &unix.GPIOV2LineRequest{Num_lines: uint32(len(want)), Event_buffer_size: uint32(buffer)}
	if len(want) > len(r.Offsets) {
		return nil, fmt.Errorf("%w: %d lines, at most %d on one chip", ErrConfig, len(want), len(r.Offsets))
	}
	copy(r.Consumer[:len(r.Consumer)-1], "turnwise agent")
	type key struct {
		id    uint32
		value uint64
	}
	masks := map[key]uint64{}
	var order []key
	put := func(k key, i int) {
		if masks[k] == 0 {
			order = append(order, k)
		}
		masks[k] |= 1 << i
	}
	for i, w := range want {
		r.Offsets[i] = uint32(w.offset)
		if f := w.flags(); i == 0 {
			r.Config.Flags = f
		} else if f != r.Config.Flags {
			put(key{unix.GPIO_V2_LINE_ATTR_ID_FLAGS, f}, i)
		}
		if us := w.debounce.Microseconds(); us > 0 {
			put(key{unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE, uint64(us)}, i)
		}
	}
	if len(order) > len(r.Config.Attrs) {
		return nil, fmt.Errorf("%w: lines with %d different settings on one chip, at most %d expected", ErrConfig, len(order), len(r.Config.Attrs))
	}
	for i, k := range order {
		a := &r.Config.Attrs[i]
		a.Attr.Id, a.Mask = k.id, masks[k]
		if k.id == unix.GPIO_V2_LINE_ATTR_ID_DEBOUNCE {
			// The kernel's union holds 32 bits here, at the same place.
			*(*uint32)(unsafe.Pointer(&a.Attr.Flags)) = uint32(k.value)
		} else {
			a.Attr.Flags = k.value
		}
	}
	r.Config.Num_attrs = uint32(len(order))
	return r, nil
}

func (w request) flags() uint64 {
	f := uint64(flagInput | flagRising | flagFalling)
	if w.activeLow {
		f |= flagActiveLow
	}
	return f | map[string]uint64{"up": flagBiasUp, "down": flagBiasDown, "off": flagBiasOff}[w.bias]
}

// hint looks for the reason of a refusal.
func hint(fd int, want []request, err error) string {
	switch {
	case errors.Is(err, unix.EBUSY):
		for _, w := range want {
			info := unix.GPIOV2LineInfo{Offset: uint32(w.offset)}
			if ioctl(fd, unix.GPIO_V2_GET_LINEINFO_IOCTL, unsafe.Pointer(&info)) == nil && info.Flags&1 != 0 {
				return fmt.Sprintf("; line %d is in use by %q: stop that program first", w.offset, unix.ByteSliceToString(info.Consumer[:]))
			}
		}
		return "; a line is in use: stop the other program first"
	case errors.Is(err, unix.ENOTTY):
		return "; the kernel is older than 5.10"
	case errors.Is(err, unix.EINVAL):
		return "; is every line number on this chip, and does it have pull resistors where bias is set"
	}
	return ""
}

func ioctl(fd int, req uint, arg unsafe.Pointer) error {
	for {
		_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(req), uintptr(arg))
		runtime.KeepAlive(arg)
		switch errno {
		case 0:
			return nil
		case unix.EINTR:
		default:
			return os.NewSyscallError("ioctl", errno)
		}
	}
}

// lineFile is what the kernel gave for a request.
type lineFile struct {
	fd   int
	mask uint64
}

func (l *lineFile) values() (uint64, error) {
	v := unix.GPIOV2LineValues{Mask: l.mask}
	if err := ioctl(l.fd, unix.GPIO_V2_LINE_GET_VALUES_IOCTL, unsafe.Pointer(&v)); err != nil {
		return 0, err
	}
	return v.Bits & l.mask, nil
}

func (l *lineFile) events(out []event) ([]event, error) {
	var raw [eventsInOneRead]unix.GPIOV2LineEvent
	b := unsafe.Slice((*byte)(unsafe.Pointer(&raw)), eventsInOneRead*eventBytes)
	for range MaxBuffer { // a line that rings for ever must not hold the agent
		n, err := unix.Read(l.fd, b)
		switch {
		case err == unix.EINTR:
			continue
		case err == unix.EAGAIN:
			return out, nil
		case err != nil:
			return out, os.NewSyscallError("read", err)
		case n < eventBytes || n%eventBytes != 0:
			return out, fmt.Errorf("%d bytes, events of %d expected", n, eventBytes)
		}
		for _, e := range raw[:n/eventBytes] {
			out = append(out, event{int64(e.Timestamp_ns), int(e.Offset), e.Id == unix.GPIO_V2_LINE_EVENT_RISING_EDGE, e.Line_seqno})
		}
	}
	return out, nil
}

func (l *lineFile) Close() error { return unix.Close(l.fd) }
