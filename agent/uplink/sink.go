package uplink

import (
	"context"
	"fmt"
	"sync"

	"google.golang.org/protobuf/proto"

	"rollcall/agent/spool"
	pb "rollcall/proto/rollcall/v1"
)

// Sink takes messages from a source into a spool. It is a source.Sink.
type Sink struct {
	spool *spool.Spool

	mu       sync.Mutex
	buffer   []byte
	payloads [][]byte
}

// NewSink returns a Sink into s.
func NewSink(s *spool.Spool) *Sink { return &Sink{spool: s} }

// keepBuffer is the largest buffer kept from one Append to the next.
const keepBuffer = 1 << 20

// Append returns when all requests are durable, together or not at all. The
// error is spool.ErrFull when there is no space. The requests' sequence is not
// looked at: the spool gives its own.
func (s *Sink) Append(ctx context.Context, requests ...*pb.StreamRequest) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	options := proto.MarshalOptions{Deterministic: true}
	total := 0
	for _, r := range requests {
		total += options.Size(r)
	}
	if cap(s.buffer) < total {
		s.buffer = make([]byte, 0, total)
	}
	b, payloads := s.buffer[:0], s.payloads[:0]
	for i, r := range requests {
		if r.GetBody() == nil {
			return fmt.Errorf("spool message %d of %d: it has no body", i+1, len(requests))
		}
		start := len(b)
		var err error
		if b, err = options.MarshalAppend(b, &pb.StreamRequest{Body: r.Body}); err != nil {
			return fmt.Errorf("encode message %d of %d: %w", i+1, len(requests), err)
		}
		payloads = append(payloads, b[start:len(b):len(b)])
	}
	_, err := s.spool.Append(payloads...)
	if s.buffer = b; cap(b) > keepBuffer {
		s.buffer = nil
	}
	clear(payloads)
	s.payloads = payloads
	return err
}
