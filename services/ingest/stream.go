package ingest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// item is one message on its way, with its answer once done is closed.
type item struct {
	sequence uint64
	message  string // its field in StreamRequest
	size     int64  // bytes it is counted with

	// One of these, for what is to be committed.
	pull  *store.PullRow
	block *store.BlockRow
	end   *store.PullEndRow
	check *store.CheckRow

	done   chan struct{}
	code   pb.Code
	field  string
	reason string
	retry  time.Duration
}

// answered is the done of items answered by the reader.
var answered = func() chan struct{} { c := make(chan struct{}); close(c); return c }()

// stream is one agent's connection after its hello.
type stream struct {
	cell    fleet.CellID
	hello   wire.Hello
	helloAt time.Time // by the service's clock
}

// clock returns the agent's clock at now of the service's.
func (st *stream) clock(now time.Time) time.Time { return st.hello.SentAt.Add(now.Sub(st.helloAt)) }

var errStopping = status.Error(codes.Unavailable, "the service is stopping; connect again in a moment")

// Stream answers the messages of one agent, in their order.
func (s *Server) Stream(conn grpc.BidiStreamingServer[pb.StreamRequest, pb.StreamResponse]) error {
	if !s.enter() {
		return errStopping
	}
	defer s.leave()
	// The context ends when this function returns, which ends the reader.
	ctx := conn.Context()
	pending := make(chan *item, s.config.Ahead)
	var readErr error
	go func() {
		defer close(pending)
		readErr = s.read(ctx, conn, pending)
	}()
	for {
		select {
		case it, more := <-pending:
			if !more {
				return readErr
			}
			if err := s.answer(ctx, conn, it); err != nil {
				return err
			}
		case <-s.stopping:
			for {
				select {
				case it, more := <-pending:
					if !more {
						return errStopping
					}
					if err := s.answer(ctx, conn, it); err != nil {
						return err
					}
				default:
					return errStopping
				}
			}
		}
	}
}

// answer waits for an item's answer and sends it.
func (s *Server) answer(ctx context.Context, conn grpc.BidiStreamingServer[pb.StreamRequest, pb.StreamResponse], it *item) error {
	select {
	case <-it.done:
	case <-ctx.Done():
		return status.FromContextError(ctx.Err()).Err()
	}
	s.metrics.messages.WithLabelValues(it.message, it.code.String()).Inc()
	response := &pb.StreamResponse{Id: it.sequence, Code: it.code, Field: it.field, Reason: it.reason, AnsweredAt: timestamppb.New(s.now())}
	if it.retry > 0 {
		response.RetryAfter = durationpb.New(it.retry)
	}
	return conn.Send(response)
}

// read takes messages until the agent ends its side, the connection breaks or
// the server stops.
func (s *Server) read(ctx context.Context, conn grpc.BidiStreamingServer[pb.StreamRequest, pb.StreamResponse], pending chan<- *item) error {
	var st *stream
	for {
		m, err := conn.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		select {
		case <-s.stopping:
			return errStopping
		default:
		}
		var it *item
		if st == nil {
			if st, err = s.open(ctx, m); err != nil {
				return err
			}
			it = ok("hello")
		} else {
			it = s.take(st, m)
		}
		if it.done == nil {
			if err := s.enqueue(ctx, it); err != nil {
				return err
			}
		} else if it.code != pb.Code_CODE_OK {
			it.size = int64(proto.Size(m))
			s.keeper.refused(st.cell, it)
		}
		select {
		case pending <- it:
		case <-ctx.Done():
			return status.FromContextError(ctx.Err()).Err()
		}
	}
}

// enqueue hands an item to the committer once the queue has room for it.
func (s *Server) enqueue(ctx context.Context, it *item) error {
	it.done = make(chan struct{})
	it.size = min(it.size, s.config.QueueBytes)
	s.held.Add(it.size)
	if err := s.room.Acquire(ctx, it.size); err != nil {
		s.held.Add(-it.size)
		return status.FromContextError(err).Err()
	}
	select {
	case s.queue <- it:
		return nil
	case <-s.closed:
		s.room.Release(it.size)
		s.held.Add(-it.size)
		return errStopping
	}
}

// open judges the first message of a stream. Whatever is wrong with it ends
// the stream: it concerns the sender, not a measurement.
func (s *Server) open(ctx context.Context, m *pb.StreamRequest) (*stream, error) {
	body, is := m.GetBody().(*pb.StreamRequest_Hello)
	if !is {
		return nil, status.Error(codes.FailedPrecondition, "the first message has to be a hello")
	}
	hello, err := wire.FromHello(body.Hello)
	if err != nil {
		_, reason, _ := wire.Explain(err)
		return nil, status.Error(codes.FailedPrecondition, reason)
	}
	if id := access.FromContext(ctx); !id.MayWrite(hello.Cell) {
		return nil, access.Denied("%s may not write for cell %q; use the certificate issued for that cell, or set the agent's cell to the certificate's", id, hello.Cell)
	}
	now := s.now()
	s.clockSeen(hello.Cell, hello.SentAt, now)
	return &stream{cell: hello.Cell, hello: hello, helloAt: now}, nil
}

// take judges one message: an item with its answer, or one to be committed,
// whose done is nil.
func (s *Server) take(st *stream, m *pb.StreamRequest) *item {
	now := s.now()
	var it *item
	switch body := m.GetBody().(type) {
	case *pb.StreamRequest_SampleBlock:
		it = s.takeBlock(st, now, body.SampleBlock)
	case *pb.StreamRequest_PullBegin:
		it = s.takeBegin(st, now, body.PullBegin)
	case *pb.StreamRequest_PullEnd:
		it = s.takeEnd(st, now, body.PullEnd)
	case *pb.StreamRequest_CalibrationCheck:
		it = s.takeCheck(st, now, body.CalibrationCheck)
	case *pb.StreamRequest_Heartbeat:
		it = s.takeHeartbeat(st, now, body.Heartbeat)
	case *pb.StreamRequest_Hello:
		it = s.takeHello(st, now, body.Hello)
	default:
		it = refuse("none", pb.Code_CODE_INVALID_ARGUMENT, "body", "the message holds nothing this service knows; install the agent that belongs to the service")
	}
	if it.done == nil && m.GetSequence() == 0 {
		it = refuse(it.message, pb.Code_CODE_INVALID_ARGUMENT, "sequence", "sequence: is 0; number the messages of the spool from 1")
	}
	it.sequence = m.GetSequence()
	return it
}

func ok(message string) *item {
	return &item{message: message, code: pb.Code_CODE_OK, done: answered}
}

func refuse(message string, code pb.Code, field, reason string) *item {
	return &item{message: message, code: code, field: field, reason: reason, done: answered}
}

func invalid(message string, err error) *item {
	field, reason, explained := wire.Explain(err)
	if !explained {
		reason = err.Error()
	}
	return refuse(message, pb.Code_CODE_INVALID_ARGUMENT, field, reason)
}

// rowSize is what an item counts for beside its numbers: the row, its strings
// and what the database's client adds.
const rowSize = 1024

// permit refuses what is of another cell than the stream's, or of a cell the
// registry does not have; nil: neither. at is when the event was; zero: not
// said.
func (s *Server) permit(st *stream, message string, cell fleet.CellID, at, now time.Time) *item {
	if cell != st.cell {
		return refuse(message, pb.Code_CODE_PERMISSION_DENIED, message+".cell_id",
			fmt.Sprintf("%s.cell_id: is %q, but this stream writes for cell %q; open a stream for each cell", message, cell, st.cell))
	}
	if !s.known(at, now, func(r fleet.Registry) bool { _, is := r.Cells[cell]; return is }) {
		return unknown(message, "cell_id", "cell", string(cell))
	}
	return nil
}

// known asks the registry in force now, and the one of the event.
func (s *Server) known(at, now time.Time, has func(fleet.Registry) bool) bool {
	return has(s.registryNow(now)) || !at.IsZero() && has(s.registry.At(at))
}

func unknown(message, field, what, id string) *item {
	return refuse(message, pb.Code_CODE_FAILED_PRECONDITION, message+"."+field,
		fmt.Sprintf("%s.%s: %s %q is not in the registry; add it with rollcall fleet apply", message, field, what, id))
}

func (s *Server) takeBlock(st *stream, now time.Time, m *pb.SampleBlock) *item {
	const message = "sample_block"
	b, err := wire.FromSampleBlock(m)
	if err != nil {
		return invalid(message, err)
	}
	if it := s.permit(st, message, b.Cell, time.Time{}, now); it != nil {
		return it
	}
	row := store.FromBlock(b)
	size := rowSize + 4*int64(len(row.Counts)+len(row.TimesCounts)) + 8*int64(len(row.Values)+len(row.TimesValues))
	return &item{message: message, size: size, block: &row}
}

func (s *Server) takeBegin(st *stream, now time.Time, m *pb.PullBegin) *item {
	const message = "pull_begin"
	p, err := wire.FromPullBegin(m)
	if err == nil {
		err = wire.NotAhead("pull_begin.started_at", p.StartedAt, st.clock(now))
	}
	if err != nil {
		return invalid(message, err)
	}
	if it := s.permit(st, message, p.Cell, p.StartedAt, now); it != nil {
		return it
	}
	if p.Car != "" && !s.known(p.StartedAt, now, func(r fleet.Registry) bool { _, is := r.Cars[p.Car]; return is }) {
		return unknown(message, "car_id", "reference car", string(p.Car))
	}
	row := store.FromPull(p, now)
	size := int64(rowSize)
	for k, v := range p.Header {
		size += int64(len(k) + len(v))
	}
	return &item{message: message, size: size, pull: &row}
}

func (s *Server) takeEnd(st *stream, now time.Time, m *pb.PullEnd) *item {
	const message = "pull_end"
	e, err := wire.FromPullEnd(m)
	if err != nil {
		return invalid(message, err)
	}
	if it := s.permit(st, message, e.Cell, time.Time{}, now); it != nil {
		return it
	}
	row := store.FromEnd(e, now)
	return &item{message: message, size: rowSize, end: &row}
}

func (s *Server) takeCheck(st *stream, now time.Time, m *pb.CalibrationCheck) *item {
	const message = "calibration_check"
	c, err := wire.FromCalibrationCheck(m)
	if err == nil {
		err = wire.NotAhead("calibration_check.performed_at", c.PerformedAt, st.clock(now))
	}
	if err != nil {
		return invalid(message, err)
	}
	if it := s.permit(st, message, c.Cell, c.PerformedAt, now); it != nil {
		return it
	}
	for i, r := range c.Readings {
		for j, id := range r.Masses {
			if !s.known(c.PerformedAt, now, func(r fleet.Registry) bool { _, is := r.Masses[id]; return is }) {
				return unknown(message, fmt.Sprintf("readings[%d].mass_ids[%d]", i, j), "check mass", string(id))
			}
		}
	}
	if id := c.Standard; id != "" && !s.known(c.PerformedAt, now, func(r fleet.Registry) bool { _, is := r.Standards[id]; return is }) {
		return unknown(message, "standard_id", "reference standard", string(id))
	}
	row := store.FromCheck(c, now)
	return &item{message: message, size: rowSize + 256*int64(len(c.Readings)), check: &row}
}

// takeHeartbeat answers at once: a heartbeat lost is made up by the next.
func (s *Server) takeHeartbeat(st *stream, now time.Time, m *pb.Heartbeat) *item {
	const message = "heartbeat"
	h, err := wire.FromHeartbeat(m)
	if err != nil {
		return invalid(message, err)
	}
	if it := s.permit(st, message, h.Cell, time.Time{}, now); it != nil {
		return it
	}
	s.clockSeen(h.Cell, h.SentAt, now)
	s.keeper.heartbeat(h, now)
	return ok(message)
}

// takeHello lets an agent say its clock again; a stream keeps its cell.
func (s *Server) takeHello(st *stream, now time.Time, m *pb.Hello) *item {
	const message = "hello"
	h, err := wire.FromHello(m)
	if err != nil {
		return invalid(message, err)
	}
	if h.Cell != st.cell {
		return refuse(message, pb.Code_CODE_PERMISSION_DENIED, "hello.cell_id",
			fmt.Sprintf("hello.cell_id: is %q, but this stream writes for cell %q; open a stream for each cell", h.Cell, st.cell))
	}
	st.hello, st.helloAt = h, now
	s.clockSeen(h.Cell, h.SentAt, now)
	return ok(message)
}
