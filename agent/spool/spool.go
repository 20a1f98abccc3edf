package spool

import (
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"os"
	"sort"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
)

var (
	// ErrFull says that a group was refused whole because MaxBytes is reached
	// or the disk has no space. Nothing was dropped.
	ErrFull = errors.New("the spool is full")
	// ErrTooLarge says that a record or group can never be taken.
	ErrTooLarge = errors.New("too large for the spool")
	// ErrClosed says that the spool has been closed.
	ErrClosed = errors.New("the spool is closed")
)

// Config says where a spool is and how large it may grow.
type Config struct {
	// Dir is the folder; it is made when it is not there. Nothing else may
	// live in it.
	Dir string
	// MaxBytes bounds what the segments take on disk. Default 10 GiB: more
	// than a month of a busy cell.
	MaxBytes int64
	// SegmentBytes is how large a segment grows before the next is begun; a
	// group is never split, so a segment can end larger by one group.
	// Default 16 MiB.
	SegmentBytes int64
	// MaxRecordBytes is the largest record taken. Default 4 MiB less 64 KiB,
	// so that a record with its envelope stays under the 4 MiB that gRPC
	// receives by default.
	MaxRecordBytes int
}

// DefaultConfig returns the defaults; Dir is left to the caller.
func DefaultConfig() Config {
	return Config{MaxBytes: 10 << 30, SegmentBytes: 16 << 20, MaxRecordBytes: 4<<20 - 64<<10}
}

// Validate returns all that is wrong with a configuration.
func (c Config) Validate() error {
	var errs []error
	if c.Dir == "" {
		errs = append(errs, errors.New("spool.dir is empty: name a folder on a disk that stays"))
	}
	if c.SegmentBytes < 4<<10 || c.SegmentBytes > 1<<30 {
		errs = append(errs, fmt.Errorf("spool segment size is %d bytes: must be 4 KiB to 1 GiB", c.SegmentBytes))
	}
	// Space comes back a segment at a time: with fewer than four the spool
	// would be full while most of it is acknowledged.
	if c.MaxBytes < 4*c.SegmentBytes {
		errs = append(errs, fmt.Errorf("spool.max_bytes is %d: must be at least %d, four segments", c.MaxBytes, 4*c.SegmentBytes))
	}
	if c.MaxRecordBytes < 1 || c.MaxRecordBytes > maxPayload {
		errs = append(errs, fmt.Errorf("largest spool record is %d bytes: must be 1 to %d", c.MaxRecordBytes, maxPayload))
	}
	return errors.Join(errs...)
}

// Gap is a run of messages that were taken and cannot be read any more.
type Gap struct {
	From, To uint64 // sequence numbers, both inclusive
	Segment  string // the damaged file; empty: the file itself is missing
	Reason   string
}

// Stats is how a spool is.
type Stats struct {
	Messages int64     // not yet acknowledged
	Bytes    int64     // the segments' size on disk
	MaxBytes int64     // the bound
	Oldest   time.Time // when the oldest message not acknowledged was appended; zero: none
	Acked    uint64    // everything up to here is acknowledged
	Last     uint64    // the last sequence number given

	Full      bool     // the last group offered did not fit, and would not now
	Fault     string   // why the last group offered failed, other than Full; empty: it did not
	TornBytes int64    // cut from the end at Open
	Gaps      []Gap    // found since Open
	Damaged   []string // files set aside: .bad, .torn
}

// segment is one file. Its numbers are under Spool.mu.
type segment struct {
	name    string
	first   uint64
	last    uint64 // first-1: no record
	bytes   int64  // durable; nothing after it is read
	open    bool   // being appended to
	damaged bool
}

func segmentName(first uint64) string { return fmt.Sprintf("%020d.seg", first) }

func parseSegmentName(name string) (uint64, bool) {
	var first uint64
	if len(name) != 24 || !strings.HasSuffix(name, ".seg") {
		return 0, false
	}
	for _, r := range name[:20] {
		if r < '0' || r > '9' {
			return 0, false
		}
		first = first*10 + uint64(r-'0')
	}
	return first, first > 0 && segmentName(first) == name
}

// Spool is an open spool. Its methods may be called from any goroutine.
type Spool struct {
	config Config
	files  files
	log    *zap.Logger
	now    func() time.Time
	lock   *os.File

	// writing is held through an Append with its fsync, so that readers and
	// acknowledgements need not wait for the disk. Order: writing, saving, mu.
	writing  sync.Mutex
	active   file   // open for writing; nil: none
	reserved int64  // bytes of active that have their space
	buffer   []byte // of small records, written together

	// saving is held while cursor and finished segments are worked on.
	saving sync.Mutex
	doomed []string // finished files still to be removed
	spare  bool     // the reserve file is there

	mu       sync.Mutex
	closed   bool
	segments []*segment // only the last can be open
	next     uint64     // sequence number of the next record
	acked    ackedSet
	dirty    bool // acked is ahead of cursor.json
	changed  chan struct{}
	refused  int64 // bytes of the group last refused as full; 0: none
	diskFull bool  // it was refused by the disk, not by MaxBytes
	fault    string
	torn     int64
	gaps     []Gap
	damaged  []string

	oldest struct {
		sync.Mutex
		reader   *Reader
		sequence uint64
		at       time.Time
	}
}

// Open opens the spool in config.Dir for this process alone, reading every
// segment and mending what a crash left. ErrLocked: another process has it.
func Open(config Config, log *zap.Logger) (*Spool, error) {
	if err := config.Validate(); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(config.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("make spool folder: %w", err)
	}
	lock, err := lockDir(config.Dir)
	if err != nil {
		return nil, err
	}
	s, err := open(config, osFiles{config.Dir}, log, time.Now)
	if err != nil {
		lock.Close()
		return nil, err
	}
	s.lock = lock
	return s, nil
}

func open(config Config, fs files, log *zap.Logger, now func() time.Time) (*Spool, error) {
	s := &Spool{config: config, files: fs, log: log.Named("spool"), now: now, changed: make(chan struct{})}
	if err := s.restore(); err != nil {
		return nil, err
	}
	return s, nil
}

// Append makes payloads durable, in this order, with one fsync, and returns
// the first one's sequence number; the others follow by one. It is all or
// nothing. ErrFull: nothing was taken, try again later; ErrTooLarge: never.
// After any other error the group may or may not be there after a restart.
func (s *Spool) Append(payloads ...[]byte) (first uint64, err error) {
	if len(payloads) == 0 {
		return 0, nil
	}
	s.writing.Lock()
	defer s.writing.Unlock()

	var total int64
	for _, p := range payloads {
		if len(p) == 0 {
			panic("spool: empty record")
		}
		if len(p) > s.config.MaxRecordBytes {
			return 0, fmt.Errorf("append record of %d bytes: %w: at most %d", len(p), ErrTooLarge, s.config.MaxRecordBytes)
		}
		total += frameLen(len(p))
	}
	if total+2*segmentHeaderLen > s.config.MaxBytes {
		return 0, fmt.Errorf("append group of %d bytes: %w: spool.max_bytes is %d", total, ErrTooLarge, s.config.MaxBytes)
	}
	s.mu.Lock()
	closed := s.closed
	s.mu.Unlock()
	if closed {
		return 0, ErrClosed
	}

	first, err = s.append(payloads, total)
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case err == nil:
		s.refused, s.diskFull, s.fault = 0, false, ""
	case errors.Is(err, ErrFull):
		s.refused, s.fault = total, ""
	default:
		s.refused, s.diskFull, s.fault = 0, false, err.Error()
	}
	return first, err
}

// append is Append under writing, for a group of total bytes on disk.
func (s *Spool) append(payloads [][]byte, total int64) (uint64, error) {
	// One more try on a new segment after a failure, one more after space was
	// made.
	var err error
	reclaimed := false
	for range 3 {
		if !s.fits(total) {
			if !reclaimed && s.reclaim() {
				reclaimed = true
				continue
			}
			return 0, fmt.Errorf("append group of %d bytes: %w: spool.max_bytes is %d", total, ErrFull, s.config.MaxBytes)
		}
		var first uint64
		if first, err = s.write(payloads, total); err == nil {
			return first, nil
		}
		if noSpace(err) {
			if !reclaimed && s.reclaim() {
				reclaimed = true
				continue
			}
			s.mu.Lock()
			s.diskFull = true
			s.mu.Unlock()
			return 0, fmt.Errorf("append group of %d bytes: %w: %w", total, ErrFull, err)
		}
		s.log.Error("append failed; trying again", zap.Error(err))
	}
	return 0, fmt.Errorf("append group of %d bytes: %w", total, err)
}

// fits says whether a group keeps the segments within MaxBytes.
func (s *Spool) fits(total int64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	used := s.used()
	if s.active == nil || s.segments[len(s.segments)-1].bytes >= s.config.SegmentBytes {
		used += segmentHeaderLen
	}
	return used+total <= s.config.MaxBytes
}

// used returns the segments' bytes on disk, under mu.
func (s *Spool) used() int64 {
	var n int64
	for _, g := range s.segments {
		n += g.bytes
	}
	return n
}

// reclaim frees the active segment when all of it is acknowledged; the others
// are freed as they are acknowledged.
func (s *Spool) reclaim() bool {
	s.mu.Lock()
	var g *segment
	if n := len(s.segments); n > 0 {
		g = s.segments[n-1]
	}
	free := g != nil && g.last >= g.first && s.acked.has(g.first, g.last)
	s.mu.Unlock()
	if !free {
		return false
	}
	s.retire()
	if err := s.finish(); err != nil {
		s.log.Warn("finished segments not deleted", zap.Error(err))
	}
	return true
}

// write writes a group to the active segment and syncs it. After an error
// nothing of the group is visible, and either the active segment ends as
// before or there is none.
func (s *Spool) write(payloads [][]byte, total int64) (uint64, error) {
	if s.active != nil && s.current().bytes >= s.config.SegmentBytes {
		s.retire()
		// It may have been acknowledged while it was open.
		if err := s.finish(); err != nil {
			s.log.Warn("finished segments not deleted", zap.Error(err))
		}
	}
	if s.active == nil {
		if err := s.begin(); err != nil {
			return 0, err
		}
	}
	g := s.current()
	start := g.bytes
	if start+total > s.reserved {
		if err := s.active.reserve(start, total); err != nil {
			return 0, fmt.Errorf("reserve space in segment %s: %w", g.name, err)
		}
		s.reserved = start + total
	}
	first := s.next
	if err := s.writeFrames(payloads, start, first); err != nil {
		if e := s.active.Truncate(start); e != nil {
			s.retire()
		}
		s.reserved = 0
		return 0, fmt.Errorf("write segment %s: %w", g.name, err)
	}
	if err := s.active.Sync(); err != nil {
		// The system may have dropped the pages: this file is not written to
		// again, and what is in it after start does not count.
		s.retire()
		return 0, fmt.Errorf("sync segment %s: %w", g.name, err)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	g.bytes = start + total
	g.last = first + uint64(len(payloads)) - 1
	s.next = g.last + 1
	close(s.changed)
	s.changed = make(chan struct{})
	return first, nil
}

// current returns the active segment. Only Append changes which it is.
func (s *Spool) current() *segment {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.segments[len(s.segments)-1]
}

func (s *Spool) writeFrames(payloads [][]byte, off int64, sequence uint64) error {
	if s.buffer == nil {
		s.buffer = make([]byte, 0, 128<<10)
	}
	b := s.buffer[:0]
	flush := func() error {
		if len(b) == 0 {
			return nil
		}
		n, err := s.active.WriteAt(b, off)
		off += int64(n)
		b = b[:0]
		return err
	}
	at := s.now()
	for i, p := range payloads {
		if n := frameLen(len(p)); int64(len(b))+n > int64(cap(b)) {
			if err := flush(); err != nil {
				return err
			}
			if n > int64(cap(b)) {
				var h [frameHeaderLen]byte
				putFrameHeader(h[:], sequence+uint64(i), at, p)
				if _, err := s.active.WriteAt(h[:], off); err != nil {
					return err
				}
				if _, err := s.active.WriteAt(p, off+frameHeaderLen); err != nil {
					return err
				}
				off += frameHeaderLen + int64(len(p))
				b = append(b, zeros[:padLen(len(p))]...)
				continue
			}
		}
		h := len(b)
		b = b[:h+frameHeaderLen]
		putFrameHeader(b[h:], sequence+uint64(i), at, p)
		b = append(b, p...)
		b = append(b, zeros[:padLen(len(p))]...)
	}
	return flush()
}

// begin makes a new active segment, durable with its name.
func (s *Spool) begin() error {
	s.mu.Lock()
	first := s.next
	name := segmentName(first)
	room := s.config.MaxBytes - s.used()
	s.mu.Unlock()

	var f file
	s.saving.Lock()
	err := s.withSpare(func() error {
		// What has this name is left of a begin that failed, or of an empty
		// segment given up: no segment in use has it.
		if err := s.files.remove(name); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		var err error
		if f, err = s.files.create(name); err != nil {
			return err
		}
		var h [segmentHeaderLen]byte
		putSegmentHeader(h[:], first)
		if _, err = f.WriteAt(h[:], 0); err == nil {
			err = f.Sync()
		}
		if err == nil {
			err = s.files.syncDir()
		}
		if err != nil {
			f.Close()
			_ = s.files.remove(name)
		}
		return err
	})
	s.saving.Unlock()
	if err != nil {
		return fmt.Errorf("create segment %s: %w", name, err)
	}
	s.active = f
	s.reserved = 0
	// A whole segment at once when there is space for it; else each group
	// asks for its own.
	if n := min(s.config.SegmentBytes, room); n > 0 && f.reserve(0, n) == nil {
		s.reserved = n
	}
	s.mu.Lock()
	s.segments = append(s.segments, &segment{name: name, first: first, last: first - 1, bytes: segmentHeaderLen, open: true})
	s.mu.Unlock()
	return nil
}

// retire closes the active segment at what is durable of it.
func (s *Spool) retire() {
	if s.active == nil {
		return
	}
	g := s.current()
	// Lets go of space reserved and of bytes that do not count. When it fails
	// they are ignored: the segment ends where the next begins.
	if err := s.active.Truncate(g.bytes); err != nil {
		s.log.Warn("segment not cut to its size", zap.String("segment", g.name), zap.Error(err))
	}
	if err := s.active.Close(); err != nil {
		s.log.Warn("segment not closed cleanly", zap.String("segment", g.name), zap.Error(err))
	}
	s.active = nil
	s.mu.Lock()
	g.open = false
	empty := g.last < g.first
	if empty {
		// It would have the next one's name.
		s.segments = s.segments[:len(s.segments)-1]
	}
	s.mu.Unlock()
	if !empty {
		return
	}
	if err := s.files.remove(g.name); err != nil {
		s.log.Warn("empty segment not removed", zap.String("segment", g.name), zap.Error(err))
	}
}

// Ack marks a message as done with, in any order. Segments of which every
// message is done with are deleted. An error concerns the disk: the mark
// stands, but may be forgotten at a restart, and the message sent again.
func (s *Spool) Ack(sequence uint64) error {
	s.mu.Lock()
	if sequence == 0 || sequence >= s.next {
		s.mu.Unlock()
		panic("spool: acknowledged a message that was never given")
	}
	s.acked.add(sequence, sequence)
	s.dirty = true
	done := s.doneAt(sequence)
	s.mu.Unlock()
	if !done {
		return nil
	}
	return s.finish()
}

// doneAt says whether the segment that holds a sequence number can be deleted,
// under mu.
func (s *Spool) doneAt(sequence uint64) bool {
	i := sort.Search(len(s.segments), func(i int) bool { return s.segments[i].last >= sequence })
	return i < len(s.segments) && !s.segments[i].open && s.acked.has(s.segments[i].first, s.segments[i].last)
}

// finish deletes segments that are done with.
func (s *Spool) finish() error {
	s.saving.Lock()
	defer s.saving.Unlock()
	s.mu.Lock()
	var done, bad []string
	kept := s.segments[:0:0]
	for _, g := range s.segments {
		if !g.open && s.acked.has(g.first, g.last) {
			if g.damaged {
				bad = append(bad, g.name)
			} else {
				done = append(done, g.name)
			}
		} else {
			kept = append(kept, g)
		}
	}
	s.segments = kept
	s.mu.Unlock()
	if len(done) == 0 && len(bad) == 0 && len(s.doomed) == 0 {
		return nil
	}
	// First the cursor, so that after a crash missing segments are known to be
	// done with. When it cannot be written they are deleted all the same:
	// their space is what may be missing.
	err := s.save()
	for _, name := range bad {
		if e := s.setAside(name, ".bad"); e != nil {
			err = errors.Join(err, e)
		}
	}
	s.doomed = append(s.doomed, done...)
	left := s.doomed[:0]
	for _, name := range s.doomed {
		if e := s.files.remove(name); e != nil && !errors.Is(e, os.ErrNotExist) {
			// Windows: somebody has it open. Next time.
			left = append(left, name)
			s.log.Debug("finished segment not removed yet", zap.String("segment", name), zap.Error(e))
		}
	}
	s.doomed = left
	if e := s.files.syncDir(); e != nil {
		err = errors.Join(err, fmt.Errorf("sync spool folder: %w", e))
	}
	s.makeSpare()
	return err
}

// setAside renames a file to be kept, under saving.
func (s *Spool) setAside(name, suffix string) error {
	to := name + suffix
	if err := s.files.rename(name, to); err != nil {
		return fmt.Errorf("set segment %s aside: %w", name, err)
	}
	s.mu.Lock()
	s.damaged = append(s.damaged, to)
	s.mu.Unlock()
	return nil
}

// Save writes down what has been acknowledged. Without it the messages
// acknowledged since the last segment was deleted are sent again after a
// crash, harmlessly. Close does it too.
func (s *Spool) Save() error {
	s.saving.Lock()
	defer s.saving.Unlock()
	return s.save()
}

type cursor struct {
	Acked uint64      `json:"acked"`
	Also  [][2]uint64 `json:"also,omitempty"`
	// CRC is CRC-32C over the JSON of a cursor without it. A wrong cursor
	// would make messages disappear.
	CRC uint32 `json:"crc32c,omitempty"`
}

func (c cursor) checksum() uint32 {
	c.CRC = 0
	data, _ := json.Marshal(c) // Numbers only: it cannot fail.
	return crc32.Checksum(data, castagnoli)
}

const cursorName = "cursor.json"

func (s *Spool) save() error {
	s.mu.Lock()
	if !s.dirty {
		s.mu.Unlock()
		return nil
	}
	c := cursor{Acked: s.acked.prefix}
	for _, p := range s.acked.spans {
		c.Also = append(c.Also, [2]uint64{p.from, p.to})
	}
	s.dirty = false
	s.mu.Unlock()
	c.CRC = c.checksum()
	data, err := json.Marshal(c)
	if err == nil {
		err = s.withSpare(func() error { return writeWhole(s.files, cursorName, append(data, '\n')) })
	}
	if err != nil {
		s.mu.Lock()
		s.dirty = true
		s.mu.Unlock()
		return fmt.Errorf("write spool cursor: %w", err)
	}
	return nil
}

// loadCursor reads the cursor; without a usable one (false) nothing is
// acknowledged.
func (s *Spool) loadCursor() bool {
	data, err := readWhole(s.files, cursorName, 16<<20)
	if errors.Is(err, os.ErrNotExist) {
		return false
	}
	var c cursor
	if err == nil {
		err = json.Unmarshal(data, &c)
	}
	if err == nil && c.CRC != c.checksum() {
		err = errors.New("wrong checksum")
	}
	if err != nil {
		s.log.Warn("cursor unreadable; everything in the spool is sent again", zap.Error(err))
		return false
	}
	s.acked.prefix = c.Acked
	sort.Slice(c.Also, func(i, j int) bool { return c.Also[i][0] < c.Also[j][0] })
	for _, p := range c.Also {
		s.acked.add(p[0], p[1])
	}
	return true
}

const (
	spareName  = "reserve"
	spareBytes = 64 << 10
)

// makeSpare keeps a little space for the cursor and a segment's header.
func (s *Spool) makeSpare() {
	if s.spare {
		return
	}
	_ = s.files.remove(spareName)
	f, err := s.files.create(spareName)
	if err != nil {
		return
	}
	_, err = f.WriteAt(make([]byte, spareBytes), 0)
	if err == nil {
		err = f.Sync()
	}
	f.Close()
	if err != nil {
		_ = s.files.remove(spareName)
		return
	}
	s.spare = true
}

// withSpare runs a small write; when the disk is full it gives the reserve back
// and runs it once more.
func (s *Spool) withSpare(op func() error) error {
	err := op()
	if !noSpace(err) || s.files.remove(spareName) != nil {
		return err
	}
	s.spare = false
	return op()
}

// Changed returns a channel that is closed at the next Append.
func (s *Spool) Changed() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.changed
}

// Acked says whether a message is done with.
func (s *Spool) Acked(sequence uint64) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.acked.has(sequence, sequence)
}

// Waiting returns how many messages are not yet acknowledged. Unlike Stats it
// costs next to nothing.
func (s *Spool) Waiting() int64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return int64(s.next - 1 - s.acked.prefix - s.acked.beyond)
}

// Stats returns how the spool is.
func (s *Spool) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	used := s.used()
	st := Stats{
		Messages:  int64(s.next - 1 - s.acked.prefix - s.acked.beyond),
		Bytes:     used,
		MaxBytes:  s.config.MaxBytes,
		Acked:     s.acked.prefix,
		Last:      s.next - 1,
		Full:      s.refused > 0 && (s.diskFull || used+s.refused+segmentHeaderLen > s.config.MaxBytes),
		Fault:     s.fault,
		TornBytes: s.torn,
		Gaps:      append([]Gap(nil), s.gaps...),
		Damaged:   append([]string(nil), s.damaged...),
	}
	if st.Messages > 0 {
		s.mu.Unlock()
		st.Oldest = s.oldestAt(st.Acked + 1)
		s.mu.Lock()
	}
	return st
}

// oldestAt returns when the first message from sequence on that is not
// acknowledged was appended.
func (s *Spool) oldestAt(sequence uint64) time.Time {
	o := &s.oldest
	o.Lock()
	defer o.Unlock()
	if o.sequence >= sequence && !s.Acked(o.sequence) {
		return o.at
	}
	if o.reader == nil {
		o.reader = s.NewReader(sequence)
	}
	record, _, ok, err := o.reader.Peek()
	if err != nil || !ok {
		return time.Time{}
	}
	o.sequence, o.at = record.Sequence, record.At
	return o.at
}

// Close writes down what is acknowledged and lets the folder go. Messages not
// acknowledged stay for the next Open.
func (s *Spool) Close() error {
	s.writing.Lock()
	defer s.writing.Unlock()
	s.mu.Lock()
	if s.closed {
		s.mu.Unlock()
		return nil
	}
	s.closed = true
	s.mu.Unlock()
	s.oldest.Lock()
	if s.oldest.reader != nil {
		s.oldest.reader.Close()
	}
	s.oldest.Unlock()
	if s.active != nil {
		g := s.current()
		_ = s.active.Truncate(g.bytes)
		_ = s.active.Close()
	}
	err := s.Save()
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close())
	}
	return err
}
