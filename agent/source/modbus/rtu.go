package modbus

import (
	"encoding/binary"
	"errors"
	"fmt"

	mb "github.com/simonvetter/modbus"
)

// The frames of Modbus over Serial Line V1.02, 2.5.1: unit, function, data
// and a check sum of two bytes, low byte first.

// crcTable is of the polynomial x^16+x^15+x^2+1, bits reversed.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			if c&1 != 0 {
				c = c>>1 ^ 0xA001
			} else {
				c >>= 1
			}
		}
		t[i] = c
	}
	return t
}()

// crc16 is the check sum of a frame.
func crc16(b []byte) uint16 {
	c := uint16(0xFFFF)
	for _, v := range b {
		c = c>>8 ^ crcTable[byte(c)^v]
	}
	return c
}

func appendCRC(b []byte) []byte { return binary.LittleEndian.AppendUint16(b, crc16(b)) }

// dataBytes is how many bytes of values an answer has.
func dataBytes(b block) int {
	if b.function <= 2 {
		return (b.n + 7) / 8
	}
	return 2 * b.n
}

// answerBytes is the length of a right answer.
func answerBytes(b block) int { return 3 + dataBytes(b) + 2 }

// refusalBytes is the length of an exception: unit, function, code, check sum.
const refusalBytes = 5

// wanted tells how many bytes the answer that begins with head has, as far as
// it can be told. A head that fits no answer is read as far as an exception.
func wanted(head []byte, b block) int {
	switch {
	case len(head) < 2:
		return 3
	case head[1] == byte(b.function)|0x80:
		return refusalBytes
	case len(head) < 3:
		return 3
	case head[1] == byte(b.function) && int(head[2]) == dataBytes(b):
		return answerBytes(b)
	}
	return refusalBytes
}

// parseAnswer takes a frame that must be the answer of a unit to b.
func parseAnswer(f []byte, unit uint8, b block) (answer, error) {
	if len(f) < refusalBytes {
		return answer{}, fmt.Errorf("%d bytes: %w", len(f), mb.ErrShortFrame)
	}
	body, sum := f[:len(f)-2], binary.LittleEndian.Uint16(f[len(f)-2:])
	switch {
	case crc16(body) != sum:
		return answer{}, fmt.Errorf("check sum %04x, %04x expected: %w", sum, crc16(body), mb.ErrBadCRC)
	case body[0] != unit:
		return answer{}, fmt.Errorf("unit %d: %w", body[0], mb.ErrBadUnitId)
	case body[1] == byte(b.function)|0x80:
		return answer{}, refusal(body[2])
	case body[1] != byte(b.function) || int(body[2]) != dataBytes(b) || len(f) != answerBytes(b):
		return answer{}, fmt.Errorf("function %d with %d bytes: %w", body[1], len(f), mb.ErrProtocolError)
	}
	return b.values(body[3:]), nil
}

// values takes the values of an answer apart.
func (b block) values(data []byte) (a answer) {
	for i := range b.n {
		if b.function <= 2 {
			a.bits = append(a.bits, data[i/8]>>(i%8)&1 == 1)
		} else {
			a.words = append(a.words, binary.BigEndian.Uint16(data[2*i:]))
		}
	}
	return a
}

// refusals are the exception codes of Modbus Application Protocol V1.1b3, 7.
var refusals = map[byte]error{
	1: mb.ErrIllegalFunction, 2: mb.ErrIllegalDataAddress, 3: mb.ErrIllegalDataValue, 4: mb.ErrServerDeviceFailure,
	5: mb.ErrAcknowledge, 6: mb.ErrServerDeviceBusy, 8: mb.ErrMemoryParityError,
	10: mb.ErrGWPathUnavailable, 11: mb.ErrGWTargetFailedToRespond,
}

func refusal(code byte) error {
	if err := refusals[code]; err != nil {
		return err
	}
	return fmt.Errorf("unknown exception code %d: %w", code, mb.ErrServerDeviceFailure)
}

// isRefusal tells that the device answered in order that it will not.
func isRefusal(err error) bool {
	return isException(err) || errors.Is(err, mb.ErrIllegalFunction) || errors.Is(err, mb.ErrIllegalDataAddress)
}
