package outlook

import (
	"errors"
	"fmt"
)

// ErrRequest is inside every error about a snapshot or a request as a whole. What
// is wrong with one order is told in its [Finish.Refused] instead.
var ErrRequest = errors.New("nothing to plan with")

// request is an error that holds [ErrRequest] without saying so: what it says is for the
// person who asked.
type request struct{ error }

func (request) Is(target error) bool { return target == ErrRequest }
func (r request) Unwrap() error      { return r.error }

// refuse tells the place, what was found, what was expected, and what to do.
func refuse(format string, args ...any) error { return request{fmt.Errorf(format, args...)} }
