package wire

import (
	"testing"

	"google.golang.org/grpc/codes"

	pb "rollcall/proto/rollcall/v1"
)

// Every code of the contract has its row, and only OK deletes.
func TestDispose(t *testing.T) {
	for number, name := range pb.Code_name {
		code := pb.Code(number)
		if code == pb.Code_CODE_UNSPECIFIED {
			continue
		}
		d, ok := dispositions[code]
		if !ok {
			t.Errorf("%s has no disposition", name)
			continue
		}
		if (d.Action == Delete) != (code == pb.Code_CODE_OK) {
			t.Errorf("%s: action %s", name, d.Action)
		}
		if (d.Pace == PaceNone) != (d.Action != Retry) {
			t.Errorf("%s: action %s with pace %d", name, d.Action, d.Pace)
		}
		if d.Meaning == "" {
			t.Errorf("%s has no meaning", name)
		}
	}
	// A code from a later contract is never taken for OK.
	if got := Dispose(99); got != Dispose(pb.Code_CODE_INTERNAL) {
		t.Errorf("unknown code: %+v", got)
	}
	if got := Dispose(pb.Code_CODE_UNSPECIFIED); got.Action != Retry {
		t.Errorf("unspecified code: %+v", got)
	}
}

// The end of a stream never deletes a message and never sets one aside.
func TestStreamCode(t *testing.T) {
	for c := codes.OK; c <= codes.Unauthenticated; c++ {
		d := Dispose(StreamCode(c))
		if d.Action != Retry || d.Tries != 0 {
			t.Errorf("%s: %+v", c, d)
		}
		person := c == codes.Unauthenticated || c == codes.PermissionDenied || c == codes.Unimplemented || c == codes.FailedPrecondition ||
			c == codes.InvalidArgument || c == codes.NotFound || c == codes.OutOfRange
		if d.Alarm != person {
			t.Errorf("%s: alarm %v", c, d.Alarm)
		}
	}
}
