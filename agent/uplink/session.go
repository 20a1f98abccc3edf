package uplink

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	"rollcall/agent/spool"
	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/wire"
)

// contractVersion is the version of the wire contract this agent speaks.
const contractVersion = 1

// answer is a StreamResponse.
type answer struct {
	id         uint64
	code       pb.Code
	reason     string
	field      string
	retryAfter time.Duration
}

// session is one stream. It belongs to one goroutine, which sends and handles
// answers; another one receives.
type session struct {
	u       *Uplink
	stream  grpc.ClientStream
	cancel  context.CancelCauseFunc
	silence *time.Timer
	answers chan answer
	gone    chan error // why receiving ended; one value
	reader  *spool.Reader

	underWay map[uint64]int // sequence: bytes
	bytes    int
	single   bool // one message at a time
	through  bool // a message got through on this stream

	// Of the pass.
	stopped bool      // nothing more is sent in it
	again   time.Time // when the next begins; zero: not asked for
	held    int       // messages the registry does not know
	faulted bool      // a fault of the service was answered
}

func newSession(u *Uplink, stream grpc.ClientStream, cancel context.CancelCauseFunc) *session {
	s := &session{
		u: u, stream: stream, cancel: cancel,
		silence: time.AfterFunc(u.config.AnswerTimeout, func() { cancel(errSilent) }),
		// Room for every answer that can come, so that receiving never waits for
		// sending.
		answers:  make(chan answer, u.config.WindowMessages+64),
		gone:     make(chan error, 1),
		reader:   u.spool.NewReader(0),
		underWay: map[uint64]int{},
		single:   u.barren >= 2,
	}
	go s.receive(stream.Context())
	return s
}

func (s *session) close() {
	s.silence.Stop()
	s.reader.Close()
	s.cancel(nil)
	// The receiver ends with the stream.
	for range s.answers {
	}
	s.u.mu.Lock()
	s.u.state.UnderWay = 0
	s.u.mu.Unlock()
}

func (s *session) receive(ctx context.Context) {
	defer close(s.answers)
	var m pb.StreamResponse
	for {
		if err := s.stream.RecvMsg(&m); err != nil {
			s.gone <- err
			return
		}
		a := answer{id: m.Id, code: m.Code, reason: m.Reason, field: m.Field}
		if m.RetryAfter.IsValid() {
			a.retryAfter = m.RetryAfter.AsDuration()
		}
		select {
		case s.answers <- a:
		case <-ctx.Done():
			s.gone <- ctx.Err()
			return
		}
	}
}

// explain puts the reason for which we ended the stream in the place of
// "canceled".
func (s *session) explain(ctx context.Context, err error) error {
	if errors.Is(context.Cause(ctx), errSilent) {
		return status.Errorf(codes.Unavailable, "%v for %v", errSilent, s.u.config.AnswerTimeout)
	}
	if errors.Is(err, io.EOF) {
		return status.Error(codes.Unavailable, "the service ended the stream")
	}
	return err
}

// hello opens the stream and waits for its answer.
func (s *session) hello(ctx context.Context) error {
	o, err := encoded(&pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: &pb.Hello{
		CellId: s.u.config.Cell, AgentVersion: s.u.config.Version,
		SentAt: timestamppb.New(s.u.now()), ContractVersion: contractVersion,
	}}})
	if err != nil {
		return fmt.Errorf("encode hello: %w", err)
	}
	if err := s.send(o); err != nil {
		return err
	}
	select {
	case a, ok := <-s.answers:
		if !ok {
			return <-s.gone
		}
		s.silence.Stop()
		if a.code != pb.Code_CODE_OK {
			return refused("hello", a)
		}
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// refused makes an error of an answer that concerns the sender.
func refused(what string, a answer) error {
	code := map[pb.Code]codes.Code{
		pb.Code_CODE_INVALID_ARGUMENT:    codes.InvalidArgument,
		pb.Code_CODE_FAILED_PRECONDITION: codes.FailedPrecondition,
		pb.Code_CODE_UNAUTHENTICATED:     codes.Unauthenticated,
		pb.Code_CODE_PERMISSION_DENIED:   codes.PermissionDenied,
		pb.Code_CODE_RESOURCE_EXHAUSTED:  codes.ResourceExhausted,
	}[a.code]
	if code == codes.OK {
		code = codes.Unavailable
	}
	return status.Errorf(code, "%s refused (%s): %s", what, codeName(a.code), a.reason)
}

// send sends one encoded message. When the stream has ended it returns why.
func (s *session) send(o outgoing) error {
	err := s.stream.SendMsg(o)
	if errors.Is(err, io.EOF) {
		// Answers that came before the end are handled first, by whoever waits
		// for gone.
		return nil
	}
	return err
}

// settled is how long nothing must have waited before the service is told so.
const settled = 500 * time.Millisecond

// work sends and handles answers until the stream or ctx ends.
func (s *session) work(ctx context.Context) error {
	heartbeat := time.NewTicker(s.u.config.Heartbeat)
	defer heartbeat.Stop()
	if err := s.heartbeat(); err != nil {
		return err
	}
	begin := time.NewTimer(0)
	defer begin.Stop()
	waited := false
	for {
		// When nothing waits any more the service hears of it, so that it does
		// not show a backlog that is gone.
		if waits := s.u.spool.Waiting() > 0; waits != waited {
			if waited = waits; !waits {
				heartbeat.Reset(min(settled, s.u.config.Heartbeat))
			}
		}
		if s.due() && len(s.underWay) == 0 {
			s.newPass()
		}
		var changed <-chan struct{}
		if s.maySend() {
			// Asked for before looking, so that nothing is missed.
			changed = s.u.spool.Changed()
			sent, err := s.sendNext()
			if err != nil {
				return err
			}
			if sent {
				// Answers go first; else on with the next.
				select {
				case a, ok := <-s.answers:
					if err := s.handle(a, ok); err != nil {
						return err
					}
				case <-heartbeat.C:
					heartbeat.Reset(s.u.config.Heartbeat)
					if err := s.heartbeat(); err != nil {
						return err
					}
				case <-ctx.Done():
					return s.leave()
				default:
				}
				continue
			}
		}
		if !s.again.IsZero() && len(s.underWay) == 0 {
			begin.Reset(max(0, s.again.Sub(s.u.now())))
		}
		select {
		case a, ok := <-s.answers:
			if err := s.handle(a, ok); err != nil {
				return err
			}
		case <-changed:
		case <-begin.C:
		case <-heartbeat.C:
			heartbeat.Reset(s.u.config.Heartbeat)
			if err := s.heartbeat(); err != nil {
				return err
			}
		case <-ctx.Done():
			return s.leave()
		}
	}
}

// leave ends our side and takes the answers that still come.
func (s *session) leave() error {
	if err := s.stream.CloseSend(); err != nil {
		return err
	}
	last := time.NewTimer(s.u.config.LastWait)
	defer last.Stop()
	for len(s.underWay) > 0 {
		select {
		case a, ok := <-s.answers:
			if err := s.handle(a, ok); err != nil {
				return err
			}
		case <-last.C:
			return nil
		}
	}
	return nil
}

// due says whether it is time for the next pass.
func (s *session) due() bool { return !s.again.IsZero() && !s.u.now().Before(s.again) }

func (s *session) maySend() bool { return !s.stopped && !s.due() && !(s.single && len(s.underWay) > 0) }

// newPass begins again at the first message that is not acknowledged.
func (s *session) newPass() {
	s.stopped, s.again, s.held, s.faulted = false, time.Time{}, 0, false
	s.u.mu.Lock()
	s.u.state.HeldAgain = time.Time{}
	s.u.mu.Unlock()
	s.reader.Seek(0)
}

// sendNext sends the next message; false: there is none, or the window is full.
func (s *session) sendNext() (bool, error) {
	record, size, ok, err := s.reader.Peek()
	if err != nil {
		return false, s.unreadable(err)
	}
	if !ok {
		s.passed()
		return false, nil
	}
	if n := len(s.underWay); n > 0 && (n >= s.u.config.WindowMessages || s.bytes+size > s.u.config.WindowBytes) {
		return false, nil
	}
	buffer := buffers.Get(size + sequenceRoom)
	record, ok, err = s.reader.Read((*buffer)[:0])
	if err != nil || !ok {
		buffers.Put(buffer)
		if err != nil {
			return false, s.unreadable(err)
		}
		return false, nil
	}
	*buffer = appendSequence(record.Payload, record.Sequence)
	if len(s.underWay) == 0 {
		s.silence.Reset(s.u.config.AnswerTimeout)
	}
	s.underWay[record.Sequence] = size
	s.bytes += size
	return true, s.send(outgoing{buffer})
}

// unreadable stops the pass: the disk refused. Damage is no error here.
func (s *session) unreadable(err error) error {
	s.u.log.Error("spool not readable", zap.Error(err))
	s.u.raise(AlarmSpool, err.Error())
	s.stop(0)
	return nil
}

// passed is called when everything there is has been sent.
func (s *session) passed() {
	if s.held == 0 && len(s.underWay) == 0 && s.again.IsZero() {
		s.u.slow.reset()
		s.u.lower(AlarmRegistry, AlarmAside, AlarmSpool)
		clear(s.u.byHand)
	}
}

// stop ends sending in this pass; the next begins after backoff, and not
// before atLeast.
func (s *session) stop(atLeast time.Duration) {
	if !s.stopped {
		s.stopped = true
		s.again = s.u.now().Add(s.u.fast.next())
	}
	if t := s.u.now().Add(atLeast); atLeast > 0 && t.After(s.again) {
		s.again = t
	}
}

// hold keeps a message for a later pass and goes on with the others.
func (s *session) hold(atLeast time.Duration) {
	s.held++
	defer func() {
		s.u.mu.Lock()
		s.u.state.HeldAgain = s.again
		s.u.mu.Unlock()
	}()
	if s.stopped {
		return
	}
	if s.held == 1 {
		s.again = s.u.now().Add(max(atLeast, s.u.slow.next()))
	}
	if s.held >= s.u.config.HeldMost {
		s.stopped = true
	}
}

// handle does what an answer says. ok false: there are no more, the stream is
// gone.
func (s *session) handle(a answer, ok bool) error {
	if !ok {
		return <-s.gone
	}
	size, sent := s.underWay[a.id]
	if !sent {
		// Of a heartbeat: nothing follows from it.
		if a.code != pb.Code_CODE_OK || a.id != 0 {
			s.u.log.Warn("answer to no message under way", zap.Uint64("id", a.id), zap.String("code", codeName(a.code)), zap.String("reason", a.reason))
		}
		return nil
	}
	delete(s.underWay, a.id)
	s.bytes -= size
	if len(s.underWay) > 0 {
		s.silence.Reset(s.u.config.AnswerTimeout)
	} else {
		s.silence.Stop()
	}
	s.u.note(a, len(s.underWay))
	d := wire.Dispose(a.code)
	switch d.Action {
	case wire.Delete:
		s.u.done(a.id)
		s.u.mu.Lock()
		s.u.state.Stored++
		s.u.mu.Unlock()
		s.u.fast.reset()
		s.through, s.single, s.u.barren = true, false, 0
		return nil
	case wire.SetAside:
		s.aside(a)
		return nil
	}
	s.u.log.Warn("message not taken", zap.Uint64("sequence", a.id), zap.String("code", codeName(a.code)),
		zap.String("field", a.field), zap.String("reason", a.reason))
	switch {
	case a.code == pb.Code_CODE_UNAUTHENTICATED, a.code == pb.Code_CODE_PERMISSION_DENIED:
		// The sender is not accepted: nothing of it would be. A new connection
		// reads the certificate again.
		return refused("message", a)
	case d.Tries > 0:
		// Counted for the first message only: those after it may fail for
		// whatever the first one fails for.
		if !s.faulted {
			s.faulted = true
			if s.u.tries[a.id]++; s.u.tries[a.id] >= d.Tries {
				s.aside(a)
				return nil
			}
		}
		s.stop(a.retryAfter)
	case d.Pace == wire.PaceSlow:
		h := s.u.heldNow(a)
		if s.u.byHand[h.Of] || s.u.byHand[strconv.FormatUint(a.id, 10)] {
			s.aside(a)
			return nil
		}
		if d.Alarm {
			s.u.raise(AlarmRegistry, fmt.Sprintf("%s: %s", d.Meaning, a.reason))
		}
		s.hold(a.retryAfter)
	default:
		s.stop(a.retryAfter)
	}
	return nil
}

// heldNow notes a message the registry does not know for State.
func (u *Uplink) heldNow(a answer) Held {
	u.mu.Lock()
	h, is := u.held[a.id]
	u.mu.Unlock()
	if !is {
		h = Held{Sequence: a.id}
		if record, err := u.read(a.id); err == nil {
			var about Aside
			h.File = describe(&about, record.Payload)
			h.Message, h.Of = about.Message, about.Of
		}
	}
	h.Reason = a.reason
	u.mu.Lock()
	defer u.mu.Unlock()
	u.held[a.id] = h
	return h
}

// done acknowledges a message to the spool.
func (u *Uplink) done(sequence uint64) {
	delete(u.tries, sequence)
	u.mu.Lock()
	delete(u.held, sequence)
	u.mu.Unlock()
	if err := u.spool.Ack(sequence); err != nil {
		u.log.Error("message not acknowledged on disk", zap.Uint64("sequence", sequence), zap.Error(err))
		u.raise(AlarmSpool, err.Error())
	}
}

// aside sets a message aside, or stops the pass when it cannot.
func (s *session) aside(a answer) {
	if err := s.u.setAside(a); err != nil {
		s.u.log.Error("message not set aside", zap.Uint64("sequence", a.id), zap.Error(err))
		s.u.raise(AlarmAside, err.Error())
		s.stop(0)
	}
}

// read reads a message from the spool.
func (u *Uplink) read(sequence uint64) (spool.Record, error) {
	r := u.spool.NewReader(sequence)
	defer r.Close()
	record, ok, err := r.Read(nil)
	if err == nil && (!ok || record.Sequence != sequence) {
		err = fmt.Errorf("message %d is not in the spool any more", sequence)
	}
	return record, err
}

// setAside moves a message from the spool to the aside folder.
func (u *Uplink) setAside(a answer) error {
	record, err := u.read(a.id)
	if err != nil {
		return err
	}
	reason := a.reason
	switch d := wire.Dispose(a.code); {
	case d.Action == wire.SetAside:
	case d.Pace == wire.PaceSlow:
		reason = "by hand, after: " + a.reason
	default:
		reason = fmt.Sprintf("unexplained after %d tries: %s", u.tries[a.id], a.reason)
	}
	err = setAside(u.config.AsideDir, Aside{
		Sequence: a.id, Code: codeName(a.code), Reason: reason, Field: a.field,
		Tries: max(1, u.tries[a.id]), SetAsideAt: u.now().UTC(), AppendedAt: record.At.UTC(),
	}, record.Payload)
	if err != nil {
		return err
	}
	u.log.Error("message set aside", zap.Uint64("sequence", a.id), zap.String("code", codeName(a.code)),
		zap.String("field", a.field), zap.String("reason", reason))
	u.done(a.id)
	u.mu.Lock()
	u.state.SetAside++
	u.mu.Unlock()
	return nil
}

// judge looks at how a stream ended that had begun well.
func (s *session) judge(err error) {
	u := s.u
	if s.through || len(s.underWay) == 0 {
		u.barren = 0
		return
	}
	u.barren++
	if !s.single || len(s.underWay) != 1 || !ownFault(err) {
		return
	}
	for sequence := range s.underWay {
		if u.tries[sequence]++; u.tries[sequence] < wire.MaxUnexplained {
			return
		}
		a := answer{id: sequence, code: pb.Code_CODE_INTERNAL, reason: "sent alone, it ended the stream every time: " + status.Convert(err).Message()}
		if err := u.setAside(a); err != nil {
			u.log.Error("message not set aside", zap.Uint64("sequence", sequence), zap.Error(err))
			u.raise(AlarmAside, err.Error())
		}
		u.barren = 0
	}
}

// ownFault says whether a stream's end speaks of the message and not of the
// link: a fault inside the service, or a message above gRPC's limit there.
func ownFault(err error) bool {
	switch st := status.Convert(err); st.Code() {
	case codes.Internal, codes.Unknown:
		return true
	case codes.ResourceExhausted:
		return strings.Contains(st.Message(), "larger than max")
	}
	return false
}

// heartbeat tells the service how this agent is, and writes down what is
// acknowledged.
func (s *session) heartbeat() error {
	if s.u.takeRequests() && !s.again.IsZero() {
		s.again = s.u.now()
	}
	if err := s.u.spool.Save(); err != nil {
		s.u.log.Error("spool cursor not written", zap.Error(err))
		s.u.raise(AlarmSpool, err.Error())
	}
	st := s.u.spool.Stats()
	h := &pb.Heartbeat{
		CellId: s.u.config.Cell, SentAt: timestamppb.New(s.u.now()), AgentVersion: s.u.config.Version,
		SpoolMessages: uint64(st.Messages), SpoolBytes: uint64(st.Bytes),
	}
	if !st.Oldest.IsZero() {
		h.SpoolOldestAt = timestamppb.New(st.Oldest)
	}
	if s.u.Rejected != nil {
		h.RejectedFiles = uint64(s.u.Rejected())
	}
	if n, err := CountAside(s.u.config.AsideDir); err == nil {
		h.SetAsideMessages = uint64(n)
	}
	o, err := encoded(&pb.StreamRequest{Body: &pb.StreamRequest_Heartbeat{Heartbeat: h}})
	if err != nil {
		return fmt.Errorf("encode heartbeat: %w", err)
	}
	return s.send(o)
}
