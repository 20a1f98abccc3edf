package wire

import (
	"google.golang.org/grpc/codes"

	pb "rollcall/proto/rollcall/v1"
)

// Action is what an agent does with a message once it has its answer.
type Action uint8

// The actions.
const (
	// Delete the message from the spool: it is durable in the store.
	Delete Action = iota + 1
	// SetAside moves the message out of the queue, keeps and shows it with the
	// reason, and goes on with the next.
	SetAside
	// Retry keeps the message and everything after it, and sends again from
	// the first unanswered message at the disposition's pace.
	Retry
)

// String returns the action's name.
func (a Action) String() string {
	switch a {
	case Delete:
		return "delete"
	case SetAside:
		return "set aside"
	case Retry:
		return "retry"
	}
	return "unknown action"
}

// Pace is how soon a message is sent again.
type Pace uint8

// The paces.
const (
	// PaceNone: not sent again.
	PaceNone Pace = iota
	// PaceBackoff: jittered exponential backoff, or the answer's retry_after
	// when that is longer.
	PaceBackoff
	// PaceSlow: once in some minutes, until somebody mends what is wrong.
	PaceSlow
)

// MaxUnexplained is how often one message may be answered CODE_INTERNAL before
// the agent sets it aside as unexplained.
const MaxUnexplained = 5

// Disposition is what an agent does with an answer.
type Disposition struct {
	Action Action
	Pace   Pace
	// Alarm: somebody has to act; show it until the message goes through.
	Alarm bool
	// Tries is after how many such answers to the same message it is set aside
	// as unexplained; 0: never.
	Tries int
	// Meaning is one phrase for screens.
	Meaning string
}

// dispositions is the one table of answers.
var dispositions = map[pb.Code]Disposition{
	pb.Code_CODE_OK:                  {Action: Delete, Meaning: "stored"},
	pb.Code_CODE_INVALID_ARGUMENT:    {Action: SetAside, Alarm: true, Meaning: "the message is wrong in itself"},
	pb.Code_CODE_FAILED_PRECONDITION: {Action: Retry, Pace: PaceSlow, Alarm: true, Meaning: "the registry does not know it yet"},
	pb.Code_CODE_UNAUTHENTICATED:     {Action: Retry, Pace: PaceSlow, Alarm: true, Meaning: "no valid certificate"},
	pb.Code_CODE_PERMISSION_DENIED:   {Action: Retry, Pace: PaceSlow, Alarm: true, Meaning: "the certificate is not for this cell"},
	pb.Code_CODE_RESOURCE_EXHAUSTED:  {Action: Retry, Pace: PaceBackoff, Meaning: "too much at once"},
	pb.Code_CODE_UNAVAILABLE:         {Action: Retry, Pace: PaceBackoff, Meaning: "the service is not there now"},
	pb.Code_CODE_INTERNAL:            {Action: Retry, Pace: PaceBackoff, Tries: MaxUnexplained, Meaning: "a fault of the service"},
}

// Dispose returns what an agent does with an answer of this code. A code this
// version does not know is treated as CODE_INTERNAL.
func Dispose(code pb.Code) Disposition {
	if d, ok := dispositions[code]; ok {
		return d
	}
	return dispositions[pb.Code_CODE_INTERNAL]
}

// StreamCode returns the answer code that stands for the end of a whole stream
// with a gRPC status. A stream that ends says something of the link or of the
// sender, never of one message: nothing is deleted or set aside for it, so
// Dispose of the result always retries, for ever.
func StreamCode(c codes.Code) pb.Code {
	switch c {
	case codes.Unauthenticated:
		return pb.Code_CODE_UNAUTHENTICATED
	case codes.PermissionDenied:
		return pb.Code_CODE_PERMISSION_DENIED
	case codes.ResourceExhausted:
		return pb.Code_CODE_RESOURCE_EXHAUSTED
	// A refused hello or a service without this contract: somebody must act.
	case codes.InvalidArgument, codes.FailedPrecondition, codes.NotFound, codes.OutOfRange, codes.Unimplemented:
		return pb.Code_CODE_FAILED_PRECONDITION
	}
	return pb.Code_CODE_UNAVAILABLE
}
