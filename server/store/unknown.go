package store

import "fmt"

// UnknownError is the [ErrNotFound] of a name that the books do not have, for who
// can tell where the known ones are listed.
type UnknownError struct {
	Kind string // machine, order, lot, plan
	Name string
}

func (e *UnknownError) Error() string { return fmt.Sprintf("%s %q: %v", e.Kind, e.Name, ErrNotFound) }

// Unwrap is [ErrNotFound].
func (e *UnknownError) Unwrap() error { return ErrNotFound }

// Unknown is the error for a machine, order, lot or plan that is not in the books.
func Unknown(kind, name string) error { return &UnknownError{kind, name} }
