package journal

import (
	"encoding/binary"
	"hash/crc32"
	"math/bits"
)

// flip is one bit that had turned over and was put right in memory.
type flip struct {
	off int64 // byte in the segment
	bit byte  // mask
}

// mend looks for the one bit of the frame at the beginning of b that must be
// turned over so that the frame checks, and turns it. CRC-32C tells all single
// bits of a frame apart: its distance is 4 at these lengths, so two or three
// wrong bits never pass for one. More of them, or bytes that are no frame, do
// with a chance of the number of bits in 2^32.
func mend(b []byte, segment uint64, off int64) (flip, bool) {
	if len(b) <= frameHead {
		return flip{}, false
	}
	try := func(at int, mask byte) (flip, bool) {
		b[at] ^= mask
		if _, _, err := parseFrame(b, segment, off); err == nil {
			return flip{off + int64(at), mask}, true
		}
		b[at] ^= mask
		return flip{}, false
	}
	// The length decides what is read, so its bits are tried.
	for i := range 32 {
		n := binary.LittleEndian.Uint32(b) ^ 1<<i
		if n == 0 || n > maxFrame || int(n) > len(b)-frameHead {
			continue
		}
		if f, ok := try(i/8, 1<<(i%8)); ok {
			return f, true
		}
	}
	n := binary.LittleEndian.Uint32(b)
	if n == 0 || n > maxFrame || int(n) > len(b)-frameHead {
		return flip{}, false
	}
	syndrome := frameCRC(b[:frameHead+n], segment, off) ^ binary.LittleEndian.Uint32(b[4:])
	if bits.OnesCount32(syndrome) == 1 { // a bit of the check sum itself
		i := bits.TrailingZeros32(syndrome)
		return try(4+i/8, 1<<(i%8))
	}
	// What each bit of the last byte does to the sum; a byte earlier it does
	// the same and then runs through one more byte.
	table := (*crc32.Table)(castagnoli)
	var effect [8]uint32
	for i := range effect {
		effect[i] = table[1<<i]
	}
	for at := frameHead + int(n) - 1; at >= 8; at-- {
		for i, e := range effect {
			if e == syndrome {
				return try(at, 1<<i)
			}
			effect[i] = table[byte(e)] ^ e>>8
		}
	}
	return flip{}, false
}

// mendHeader does the same for the header of a segment.
func mendHeader(b []byte) (flip, bool) {
	if len(b) < headerBytes {
		return flip{}, false
	}
	for i := range headerBytes * 8 {
		b[i/8] ^= 1 << (i % 8)
		if _, err := parseHeader(b); err == nil {
			return flip{int64(i / 8), 1 << (i % 8)}, true
		}
		b[i/8] ^= 1 << (i % 8)
	}
	return flip{}, false
}
