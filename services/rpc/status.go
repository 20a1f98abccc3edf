package rpc

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"

	"go.uber.org/zap"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	"rollcall/services/access"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// rule says which status an error becomes.
type rule struct {
	matches func(error) bool
	code    codes.Code
	// text is what the caller reads; nil: the error's own words.
	text func(error) string
}

func is(target error) func(error) bool {
	return func(err error) bool { return errors.Is(err, target) }
}

func as[T error](err error) bool {
	var target T
	return errors.As(err, &target)
}

func say(text string) func(error) string { return func(error) string { return text } }

// rules is the one mapping from errors to statuses, first match first. Only
// errors made to be read by people give their own words.
var rules = []rule{
	{as[wire.FieldErrors], codes.InvalidArgument, explained},
	{as[*wire.FieldError], codes.InvalidArgument, explained},
	{is(access.ErrUnauthenticated), codes.Unauthenticated, accessReason},
	{is(access.ErrDenied), codes.PermissionDenied, accessReason},
	{is(store.ErrNotFound), codes.NotFound, nil},
	{is(store.ErrUnavailable), codes.Unavailable, say("the store is not reachable now; try again in a moment")},
	{is(context.DeadlineExceeded), codes.DeadlineExceeded, say("the call took longer than its deadline; ask for less or try again")},
	{is(context.Canceled), codes.Canceled, say("the call was cancelled")},
}

func explained(err error) string {
	_, reason, _ := wire.Explain(err)
	return reason
}

func accessReason(err error) string {
	var e *access.Error
	if errors.As(err, &e) {
		return e.Reason
	}
	return err.Error()
}

// Status returns err as the status a client would get for it, for the pages
// that ask the services without a connection between. what names the caller in
// the log.
func Status(log *zap.Logger, what string, err error) error { return toStatus(log, what, err) }

// toStatus returns err as a status error: a status a handler made itself as it
// is, a typed error by the rules, everything else as Internal with an id that
// stands beside the error in the log.
func toStatus(log *zap.Logger, method string, err error) error {
	if err == nil {
		return nil
	}
	for _, r := range rules {
		if !r.matches(err) {
			continue
		}
		text := err.Error()
		if r.text != nil {
			text = r.text(err)
		}
		return withDetails(status.New(r.code, text), err)
	}
	// Only a status at the top is a handler's own word; one wrapped inside came
	// from somewhere else and may tell what is not the caller's business.
	if s, ok := err.(interface{ GRPCStatus() *status.Status }); ok {
		if code := s.GRPCStatus().Code(); code != codes.Unknown && code != codes.Internal {
			return err
		}
	}
	return internal(log, method, err)
}

// withDetails adds the wrong fields to an InvalidArgument and a retry delay to
// an Unavailable.
func withDetails(s *status.Status, err error) error {
	var detailed *status.Status
	var wrong error
	switch s.Code() {
	case codes.InvalidArgument:
		request := &errdetails.BadRequest{}
		var all wire.FieldErrors
		var one *wire.FieldError
		if !errors.As(err, &all) && errors.As(err, &one) {
			all = wire.FieldErrors{one}
		}
		for _, f := range all {
			request.FieldViolations = append(request.FieldViolations, &errdetails.BadRequest_FieldViolation{Field: f.Field, Description: f.Reason})
		}
		detailed, wrong = s.WithDetails(request)
	case codes.Unavailable:
		detailed, wrong = s.WithDetails(&errdetails.RetryInfo{RetryDelay: durationpb.New(RetryAfter)})
	default:
		return s.Err()
	}
	if wrong != nil {
		return s.Err()
	}
	return detailed.Err()
}

// internal logs err under a new id and returns the status that names the id.
func internal(log *zap.Logger, method string, err error) error {
	id := newErrorID()
	log.Error("internal error", zap.String("error_id", id), zap.String("method", method), zap.Error(err))
	return status.Errorf(codes.Internal, "internal error %s; the service's log says more under this id", id)
}

func newErrorID() string {
	var id [6]byte
	rand.Read(id[:]) // never fails
	return hex.EncodeToString(id[:])
}
