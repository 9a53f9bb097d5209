package outlook

import (
	"errors"
	"time"
)

// ErrRequest is inside every error about a snapshot or a request as a whole. What
// is wrong with one order is told in its [Finish.Refused] instead.
var ErrRequest = errors.New("nothing to plan with")

// QuoteRequest asks for a date for a new order.
type QuoteRequest struct {
	Article    string
	QuantityKg float64
	// Risk is the accepted chance to be late, 0.01 to 0.5; 0 means 0.1.
	Risk float64
	// Machines to use; empty means the best of those with a card for the article.
	Machines []string
}

// QuoteResult is the answer to a QuoteRequest.
type QuoteResult struct {
	// Promise is the date that is missed with the accepted chance; zero when
	// Finish.Refused says why there is none.
	Promise     time.Time
	Finish      Finish
	Jobs        []JobOutlook
	Assumptions []string // what was taken for granted, one sentence each
}

// Plan answers for every order, creel and roll of the snapshot.
func Plan(s Snapshot, now time.Time) (Outlook, error) {
	return Outlook{At: now}, nil
}

// Quote gives a date for a new order behind the present jobs.
func Quote(s Snapshot, now time.Time, q QuoteRequest) (QuoteResult, error) {
	return QuoteResult{Finish: Finish{Refused: "Quotes are not computed yet"}}, nil
}
