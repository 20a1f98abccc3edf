package spool

import (
	"errors"
	"fmt"
	"io"
	"sort"
	"time"

	"go.uber.org/zap"
)

// Record is one message as it was appended.
type Record struct {
	Sequence uint64
	At       time.Time // when it was appended
	Payload  []byte
}

// Reader reads messages in order through a small window: no segment is ever
// whole in memory. It belongs to one goroutine; a spool can have several.
type Reader struct {
	s       *Spool
	next    uint64 // no record below it is wanted
	segment *segment
	file    file
	d       decoder
	// failed counts reads that the disk refused at the same place.
	failed   int
	failedAt int64
	// found is the frame Peek found and Read has not taken; nil: none.
	found *frame
}

// failedMost is how often a place is read that the disk refuses before it
// counts as damage.
const failedMost = 3

// NewReader returns a reader of the messages from sequence on that are not
// acknowledged. NewReader(0) starts at the first.
func (s *Spool) NewReader(from uint64) *Reader { return &Reader{s: s, next: from} }

// Seek sets the reader to the first message from sequence on.
func (r *Reader) Seek(sequence uint64) {
	if sequence < r.next {
		r.Close()
	}
	r.found = nil
	r.next = sequence
}

// Close lets go of the file. The reader can be used again.
func (r *Reader) Close() {
	if r.file != nil {
		r.file.Close()
	}
	r.file, r.segment, r.found = nil, nil, nil
}

// Read returns the next message that is not acknowledged, its payload in dst
// when that is large enough. ok is false when there is none yet: wait for
// Changed, asked for before Read. Damage is passed over and reported as a Gap
// of the spool; an error is of the disk, and the same message is tried again
// at the next Read.
func (r *Reader) Read(dst []byte) (record Record, ok bool, err error) {
	if r.found == nil {
		f, ok, err := r.find()
		if !ok || err != nil {
			return Record{}, false, err
		}
		r.found = &f
	}
	f := *r.found
	r.found = nil
	payload, err := r.d.payload(dst, f)
	if err != nil {
		err = fmt.Errorf("read segment %s: %w", r.segment.name, err)
		r.Close()
		return Record{}, false, err
	}
	r.d.off = f.end()
	r.next = f.sequence + 1
	r.failed = 0
	return Record{Sequence: f.sequence, At: time.Unix(0, f.at), Payload: payload}, true, nil
}

// Peek says what the next Read returns, without its payload but with its size.
func (r *Reader) Peek() (record Record, size int, ok bool, err error) {
	if r.found == nil || r.s.Acked(r.found.sequence) {
		f, ok, err := r.find()
		if !ok || err != nil {
			return Record{}, 0, false, err
		}
		r.found = &f
	}
	return Record{Sequence: r.found.sequence, At: time.Unix(0, r.found.at)}, r.found.length, true, nil
}

// find sets the decoder on the next record wanted.
func (r *Reader) find() (frame, bool, error) {
	for {
		g, end, sealed := r.position()
		if g == nil {
			return frame{}, false, nil
		}
		if g != r.segment {
			r.Close()
			f, err := r.s.files.openRead(g.name)
			if gone(err) && !r.s.holds(g) {
				continue
			}
			if err != nil {
				return frame{}, false, fmt.Errorf("read segment %s: %w", g.name, err)
			}
			r.segment, r.file = g, f
			r.d.reset(f, end, maxPayload)
		}
		r.d.end = end
		for r.d.off < end {
			f, err := r.d.check(r.d.off)
			if err != nil {
				if !errors.Is(err, errBad) && err != io.ErrUnexpectedEOF && r.retry() && r.s.holds(g) {
					r.Close()
					return frame{}, false, fmt.Errorf("read segment %s: %w", g.name, err)
				}
				var found bool
				if f, found = r.skip(err); !found {
					break
				}
			}
			r.d.off = f.offset
			if f.sequence >= r.next && !r.s.Acked(f.sequence) {
				return f, true, nil
			}
			r.d.off = f.end()
		}
		// All of this segment's records are behind: the next one is looked
		// for, unless this one can still grow.
		r.s.mu.Lock()
		r.next = max(r.next, g.last+1)
		r.s.mu.Unlock()
		if sealed {
			r.Close()
		}
	}
}

// retry says whether a place that the disk refuses is to be tried again.
func (r *Reader) retry() bool {
	if r.failedAt != r.d.off {
		r.failed, r.failedAt = 0, r.d.off
	}
	r.failed++
	return r.failed < failedMost
}

// position returns the segment with the first record wanted and how much of it
// is durable.
func (r *Reader) position() (g *segment, end int64, sealed bool) {
	s := r.s
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.acked.prefix >= r.next {
		r.next = s.acked.prefix + 1
	}
	i := sort.Search(len(s.segments), func(i int) bool { return s.segments[i].last >= r.next })
	if i == len(s.segments) {
		return nil, 0, false
	}
	return s.segments[i], s.segments[i].bytes, !s.segments[i].open
}

// holds says whether a segment is still part of the spool.
func (s *Spool) holds(g *segment) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, h := range s.segments {
		if h == g {
			return true
		}
	}
	return false
}

// skip passes over damage found at the decoder's place, and reports what is
// lost with it.
func (r *Reader) skip(cause error) (frame, bool) {
	s, g := r.s, r.segment
	// The number before the damage: of the record that ended here.
	last := g.first - 1
	var d decoder
	d.reset(r.file, r.d.off, maxPayload)
	for d.off < d.end {
		f, err := d.check(d.off)
		if err != nil {
			var found bool
			if f, found = d.resync(last); !found {
				break
			}
		}
		last, d.off = f.sequence, f.end()
	}
	f, found := r.d.resync(last)
	s.mu.Lock()
	defer s.mu.Unlock()
	lost := span{last + 1, g.last}
	if found {
		lost.to = f.sequence - 1
	}
	first := !g.damaged
	g.damaged = true
	if lost.to >= lost.from && !s.acked.has(lost.from, lost.to) {
		s.report(lost, g.name, cause.Error())
	} else if first {
		s.log.Error("damage in a segment", zap.String("segment", g.name), zap.Int64("offset", r.d.off), zap.Error(cause))
	}
	return f, found
}
