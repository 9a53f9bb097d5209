package api

import (
	"context"
	"crypto/rand"
	"errors"
	"log/slog"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"

	"turnwise/planner/alarm"
	"turnwise/planner/loading/board"
	"turnwise/planner/outlook"
	"turnwise/server/floor"
	"turnwise/server/store"
)

// domain of the reasons in ErrorInfo.
const domain = "turnwise.v1"

// errBusy: as much of it is under way as may be.
var errBusy = errors.New("too much at once")

// violations gathers what is wrong with a request, field by field.
type violations []*errdetails.BadRequest_FieldViolation

// add notes one fault: what was found, what was expected.
func (v *violations) add(field, description string) {
	*v = append(*v, &errdetails.BadRequest_FieldViolation{Field: field, Description: description})
}

// err is the status of the faults, nil without any.
func (v violations) err() error {
	if len(v) == 0 {
		return nil
	}
	texts := make([]string, len(v))
	for i, f := range v {
		texts[i] = f.GetField() + ": " + f.GetDescription()
	}
	return detailed(codes.InvalidArgument, "BAD_REQUEST", strings.Join(texts, "; "), &errdetails.BadRequest{FieldViolations: v})
}

// statuses turns errors into what a caller may know.
type statuses struct{ log *slog.Logger }

// of maps an error of the store, the floor or the planner. It is the only
// place that does; what it does not know is logged under an id and called
// internal.
func (s statuses) of(method string, err error) error {
	if err == nil {
		return nil
	}
	if _, ok := status.FromError(err); ok {
		return err
	}
	known := []struct {
		sentinel error
		code     codes.Code
		reason   string
	}{
		{context.Canceled, codes.Canceled, "CANCELED"},
		{context.DeadlineExceeded, codes.DeadlineExceeded, "DEADLINE_EXCEEDED"},
		{store.ErrNotFound, codes.NotFound, "NOT_FOUND"},
		{store.ErrInvalid, codes.InvalidArgument, "INVALID"},
		{floor.ErrWindow, codes.InvalidArgument, "INVALID"},
		{store.ErrUnregistered, codes.FailedPrecondition, "NOT_REGISTERED"},
		{alarm.ErrRequest, codes.InvalidArgument, "INVALID"},
		{alarm.ErrState, codes.FailedPrecondition, "ALARM_STATE"},
		{errNoAlarms, codes.FailedPrecondition, "NOT_KEPT"},
		{errNoUpkeep, codes.FailedPrecondition, "NOT_KEPT"},
		{store.ErrTask, codes.FailedPrecondition, "TASK_STATE"},
		{floor.ErrNoTaps, codes.FailedPrecondition, "NOT_KEPT"},
		{floor.ErrNoRecord, codes.FailedPrecondition, "NO_RECORD"},
		{floor.ErrLot, codes.FailedPrecondition, "LOT_MISMATCH"},
		{floor.ErrNoPlans, codes.FailedPrecondition, "NO_PLANS"},
		{store.ErrMoved, codes.FailedPrecondition, "JOBS_CHANGED"},
		{board.ErrProblem, codes.FailedPrecondition, "NO_LOADING"},
		{errBusy, codes.ResourceExhausted, "BUSY"},
		{outlook.ErrRequest, codes.FailedPrecondition, "NO_FORECAST"},
	}
	if i := slices.IndexFunc(known, func(k struct {
		sentinel error
		code     codes.Code
		reason   string
	}) bool {
		return errors.Is(err, k.sentinel)
	}); i >= 0 {
		var more []protoadapt.MessageV1
		if u, ok := errors.AsType[*store.UnknownError](err); ok {
			more = append(more, &errdetails.ResourceInfo{ResourceType: u.Kind, ResourceName: u.Name})
		}
		return detailed(known[i].code, known[i].reason, err.Error(), more...)
	}
	id := rand.Text()[:10]
	s.log.Error("request not answered", "method", method, "id", id, "err", err)
	return detailed(codes.Internal, "INTERNAL", "internal error, see the server's log under id "+id)
}

// detailed is a status with its ErrorInfo and further details.
func detailed(code codes.Code, reason, message string, more ...protoadapt.MessageV1) error {
	st := status.New(code, message)
	with, err := st.WithDetails(&errdetails.ErrorInfo{Reason: reason, Domain: domain})
	for _, m := range more {
		if err == nil {
			with, err = with.WithDetails(m)
		}
	}
	if err != nil { // details of our own that cannot be packed: the message still helps
		return st.Err()
	}
	return with.Err()
}
