package knit

import (
	"errors"
	"fmt"
	"strings"
)

// ErrCard is inside every error about a knit card.
var ErrCard = errors.New("knit card is not usable")

// ErrQuantity is inside every error about a speed, mass or share given with a card.
var ErrQuantity = errors.New("quantity is not usable")

// ErrProgram is inside every error about the notation or the feeds of a program.
var ErrProgram = errors.New("feed program is not usable")

// ErrMachine is inside every error about a machine's plate.
var ErrMachine = errors.New("machine is not usable")

// InputError tells a person what to repair in one field.
type InputError struct {
	Where    string // what was read or calculated: `feed group "ground"`
	Field    string
	Found    string
	Expected string
	Repair   string
	kind     error
}

func (e *InputError) Error() string {
	head := e.kind.Error() // "machine is not usable" needs no "machine:" before it
	if !strings.HasPrefix(head, e.Where+" ") {
		head = e.Where + ": " + head
	}
	return fmt.Sprintf("%s: %s is %s, expected %s; %s", head, e.Field, e.Found, e.Expected, e.Repair)
}

// Unwrap gives ErrCard, ErrQuantity, ErrProgram or ErrMachine.
func (e *InputError) Unwrap() error { return e.kind }

func bad(kind error, where, field string, found any, expected, repair string) error {
	return &InputError{Where: where, Field: field, Found: clip(fmt.Sprint(found)), Expected: expected, Repair: repair, kind: kind}
}

// clip keeps what a person typed short enough for a sentence.
func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// within says that v is a number from low to high, both included; NaN is not.
func within(v, low, high float64) bool { return v >= low && v <= high }
