package spool

import (
	"errors"
	"fmt"
	"io"
	"os"
	"sort"
	"strings"

	"go.uber.org/zap"
)

// hole is a stretch of a segment that holds no valid record.
type hole struct {
	from, to int64 // offsets
	after    uint64
	reason   string
}

// scan is what a segment was found to hold.
type scan struct {
	last    uint64 // last good record below the limit; first-1: none
	bytes   int64  // up to the end of that record
	holes   []hole // between good records
	missing []span // sequence numbers lost in the holes
	tail    int64  // bytes after the last good record
	reason  string // why the tail is no record
	whole   bool   // the tail's first record is complete by its length
	header  error  // what is wrong with the segment's header
}

// scanSegment reads a segment of size bytes whose records are numbered from
// first to at most limit.
func scanSegment(r io.ReaderAt, size int64, first, limit uint64, most int) scan {
	var d decoder
	d.reset(r, size, most)
	sc := scan{last: first - 1, bytes: min(size, segmentHeaderLen)}
	if b, err := d.peek(0, int(min(size, segmentHeaderLen))); err != nil {
		sc.header = err
	} else {
		sc.header = checkSegmentHeader(b, first)
	}
	for d.off < size {
		f, err := d.check(d.off)
		if err == nil && f.sequence != sc.last+1 {
			err = fmt.Errorf("%w: sequence %d after %d", errBad, f.sequence, sc.last)
		}
		if err != nil {
			var found bool
			h := hole{from: d.off, after: sc.last, reason: err.Error()}
			if f, found = d.resync(sc.last); !found || f.sequence > limit {
				sc.tail, sc.reason = size-h.from, h.reason
				sc.whole = errors.Is(err, errBad) && !errors.Is(err, errLength)
				break
			}
			h.to = f.offset
			sc.holes = append(sc.holes, h)
			if f.sequence > sc.last+1 {
				sc.missing = append(sc.missing, span{sc.last + 1, f.sequence - 1})
			}
		} else if f.sequence > limit {
			break
		}
		sc.last, sc.bytes = f.sequence, f.end()
		d.off = f.end()
	}
	return sc
}

// restore reads the folder and mends what a crash left.
func (s *Spool) restore() error {
	names, err := s.files.list()
	if err != nil {
		return fmt.Errorf("read spool folder: %w", err)
	}
	var firsts []uint64
	for _, name := range names {
		if first, ok := parseSegmentName(name); ok {
			firsts = append(firsts, first)
			continue
		}
		switch {
		case strings.HasSuffix(name, ".tmp"):
			_ = s.files.remove(name)
		case strings.HasSuffix(name, ".bad"), strings.HasSuffix(name, ".torn"):
			s.damaged = append(s.damaged, name)
		case name == spareName:
			s.spare = true
		}
	}
	sort.Slice(firsts, func(i, j int) bool { return firsts[i] < firsts[j] })
	known := s.loadCursor()
	s.makeSpare()
	if len(firsts) > 0 && firsts[0] > 1 {
		before := span{s.acked.prefix + 1, firsts[0] - 1}
		switch {
		case !known:
			s.acked.add(1, before.to)
		case before.to >= before.from && !s.acked.has(before.from, before.to):
			s.report(before, "", "the segment is missing")
		}
	}
	s.next = s.acked.prefix + 1
	for i, first := range firsts {
		lastOne := i == len(firsts)-1
		limit := ^uint64(0)
		if !lastOne {
			limit = firsts[i+1] - 1
		}
		if err := s.restoreSegment(first, limit, lastOne); err != nil {
			return err
		}
	}
	if n := len(s.acked.spans); n > 0 {
		s.next = max(s.next, s.acked.spans[n-1].to+1)
	}
	s.next = max(s.next, s.acked.prefix+1)
	if n := len(s.segments); n > 0 && s.segments[n-1].last+1 != s.next {
		s.segments[n-1].open = false
	}
	s.dirty = true
	if err := s.finish(); err != nil {
		s.log.Warn("finished segments not deleted", zap.Error(err))
	}
	// The last segment is written on where it ended, if it can be.
	if n := len(s.segments); n > 0 && s.segments[n-1].open {
		g := s.segments[n-1]
		g.open = false
		if s.active, err = s.files.openWrite(g.name); err != nil {
			s.log.Warn("last segment not writable; the next message begins a new one", zap.String("segment", g.name), zap.Error(err))
		} else {
			g.open = true
		}
	}
	return nil
}

// report makes a gap known and counts its numbers as done with.
func (s *Spool) report(missing span, segment, reason string) {
	s.acked.add(missing.from, missing.to)
	s.dirty = true
	s.gaps = append(s.gaps, Gap{From: missing.from, To: missing.to, Segment: segment, Reason: reason})
	s.log.Error("messages lost to damage",
		zap.Uint64("from", missing.from), zap.Uint64("to", missing.to),
		zap.String("segment", segment), zap.String("reason", reason))
}

// restoreSegment takes one segment in, or removes or sets it aside. limit is
// the last number before the next segment.
func (s *Spool) restoreSegment(first, limit uint64, lastOne bool) error {
	name := segmentName(first)
	// lost reports numbers that nobody has acknowledged as a gap.
	lost := func(m span, reason string) bool {
		if m.to < m.from || s.acked.has(m.from, m.to) {
			return false
		}
		m.from = max(m.from, s.acked.prefix+1)
		s.report(m, name, reason)
		return true
	}
	f, err := s.files.openRead(name)
	var size int64
	if err == nil {
		defer func() {
			if f != nil {
				f.Close()
			}
		}()
		size, err = f.size()
	}
	if err != nil {
		// Not damage but rights: nothing can be said of what is in it.
		return fmt.Errorf("open segment %s: %w (the agent must be able to read and write everything in its spool folder)", name, err)
	}
	sc := scanSegment(f, size, first, limit, s.config.MaxRecordBytes)
	// A change of the limit must not make records unreadable.
	if sc.tail > 0 || len(sc.holes) > 0 {
		sc = scanSegment(f, size, first, limit, maxPayload)
	}
	g := &segment{name: name, first: first, last: sc.last, bytes: sc.bytes}
	for _, h := range sc.holes {
		g.damaged = true
		s.log.Error("damage in a segment", zap.String("segment", name),
			zap.Int64("offset", h.from), zap.Int64("bytes", h.to-h.from), zap.String("reason", h.reason))
	}
	for _, m := range sc.missing {
		lost(m, "damage inside the segment")
	}
	if sc.header != nil && sc.last >= first {
		g.damaged = true
		s.log.Error("damaged segment header; its records are good", zap.String("segment", name), zap.Error(sc.header))
	}
	if !lastOne {
		// Numbers up to the next segment that are not there are lost; bytes
		// after the last record are nothing when none are missing (an fsync
		// that failed, see doc.go).
		if sc.last < limit && lost(span{sc.last + 1, limit}, "damage at the end of the segment: "+sc.reason) {
			g.damaged = true
		}
	} else if err := s.cutTail(f, g, sc); err != nil {
		return err
	}
	if sc.last < first {
		f.Close()
		f = nil
		switch {
		case g.damaged:
			s.saving.Lock()
			err = s.setAside(name, ".bad")
			s.saving.Unlock()
		case lastOne && sc.header == nil:
			// Begun and nothing appended yet: go on with it.
			g.open = true
			s.segments = append(s.segments, g)
			s.next = max(s.next, first)
			return nil
		default:
			err = s.files.remove(name)
		}
		if err != nil {
			s.log.Warn("empty segment not moved", zap.String("segment", name), zap.Error(err))
		}
		s.next = max(s.next, first)
		return nil
	}
	s.segments = append(s.segments, g)
	s.next = max(s.next, g.last+1)
	g.open = lastOne && !g.damaged && g.bytes < s.config.SegmentBytes
	return nil
}

// cutTail truncates the last segment after its last record.
func (s *Spool) cutTail(r file, g *segment, sc scan) error {
	if sc.tail == 0 {
		return nil
	}
	s.torn += sc.tail
	s.log.Warn("torn end of the last segment cut off", zap.String("segment", g.name),
		zap.Int64("bytes", sc.tail), zap.String("reason", sc.reason))
	if sc.whole {
		if err := s.keepTail(r, g.name+".torn", sc.bytes, sc.tail); err != nil {
			s.log.Warn("torn end not kept", zap.Error(err))
		}
	}
	w, err := s.files.openWrite(g.name)
	if err == nil {
		err = w.Truncate(sc.bytes)
		if err == nil {
			err = w.Sync()
		}
		w.Close()
	}
	if err != nil {
		// It is not written to again; the next segment ends it.
		g.damaged = true
		s.log.Warn("torn end not cut", zap.String("segment", g.name), zap.Error(err))
	}
	return nil
}

// keepTail copies what is cut off to a file of its own.
func (s *Spool) keepTail(r io.ReaderAt, name string, off, n int64) error {
	_ = s.files.remove(name)
	f, err := s.files.create(name)
	if err != nil {
		return err
	}
	buf := make([]byte, windowLen)
	for at := int64(0); at < n && err == nil; {
		var got int
		got, err = r.ReadAt(buf[:min(n-at, windowLen)], off+at)
		if err == io.EOF {
			err = nil
		}
		if got == 0 {
			break
		}
		if err == nil {
			_, err = f.WriteAt(buf[:got], at)
		}
		at += int64(got)
	}
	if err == nil {
		err = f.Sync()
	}
	f.Close()
	if err != nil {
		_ = s.files.remove(name)
		return err
	}
	s.damaged = append(s.damaged, name)
	return nil
}

// gone says whether an error of opening a segment means it is gone.
func gone(err error) bool { return errors.Is(err, os.ErrNotExist) }
