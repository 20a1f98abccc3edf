package spool

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"time"
)

const (
	magic            = "RCSPOOL1"
	segmentHeaderLen = 24
	frameHeaderLen   = 24
	// maxPayload is the format's own limit on a record, whatever the
	// configuration says: a larger length is damage.
	maxPayload = 16 << 20
	// windowLen is how much of a segment is in memory while it is read.
	windowLen = 64 << 10
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

var zeros [8]byte

var (
	// errBad says that there is no record where one was looked for.
	errBad = errors.New("no valid record")
	// errLength is errBad where not even the length can be one.
	errLength = fmt.Errorf("%w: impossible length", errBad)
)

// frameLen returns the bytes on disk of a record with n bytes of payload.
func frameLen(n int) int64 { return frameHeaderLen + (int64(n)+7)&^7 }

// putSegmentHeader writes a segment's header to dst.
func putSegmentHeader(dst []byte, first uint64) {
	copy(dst, magic)
	binary.LittleEndian.PutUint64(dst[8:], first)
	binary.LittleEndian.PutUint32(dst[16:], 0)
	binary.LittleEndian.PutUint32(dst[20:], crc32.Checksum(dst[:20], castagnoli))
}

// checkSegmentHeader says whether b is the header of the segment named first.
func checkSegmentHeader(b []byte, first uint64) error {
	switch {
	case len(b) < segmentHeaderLen || string(b[:8]) != magic:
		return errors.New("no segment header")
	case binary.LittleEndian.Uint32(b[20:]) != crc32.Checksum(b[:20], castagnoli):
		return errors.New("wrong checksum in the segment header")
	case binary.LittleEndian.Uint64(b[8:]) != first || binary.LittleEndian.Uint32(b[16:]) != 0:
		return errors.New("the segment header does not belong to this file name")
	}
	return nil
}

// putFrameHeader writes the header of a record to dst; the caller writes the
// payload and padLen(len(payload)) zeros after it.
func putFrameHeader(dst []byte, sequence uint64, at time.Time, payload []byte) {
	binary.LittleEndian.PutUint32(dst, uint32(len(payload)))
	binary.LittleEndian.PutUint64(dst[8:], sequence)
	binary.LittleEndian.PutUint64(dst[16:], uint64(at.UnixNano()))
	c := crc32.Update(0, castagnoli, dst[:4])
	c = crc32.Update(c, castagnoli, dst[8:frameHeaderLen])
	c = crc32.Update(c, castagnoli, payload)
	c = crc32.Update(c, castagnoli, zeros[:padLen(len(payload))])
	binary.LittleEndian.PutUint32(dst[4:], c)
}

func padLen(n int) int { return -n & 7 }

// frame is a record found in a segment.
type frame struct {
	sequence uint64
	at       int64 // ns since 1970 UTC
	offset   int64 // of the record in its segment
	length   int   // of the payload
}

func (f frame) end() int64 { return f.offset + frameLen(f.length) }

// decoder reads the records of a segment through a small window, so that no
// segment is ever whole in memory.
type decoder struct {
	r      io.ReaderAt
	off    int64 // of the next record
	end    int64 // bytes of the segment that may be read
	limit  int   // largest payload accepted
	win    []byte
	winOff int64
}

// reset points the decoder at the first record of a segment of end bytes,
// keeping its window's memory.
func (d *decoder) reset(r io.ReaderAt, end int64, limit int) {
	d.r, d.off, d.end, d.limit = r, segmentHeaderLen, end, limit
	d.win, d.winOff = d.win[:0], 0
}

// peek returns n bytes at off, n ≤ windowLen, valid until the next peek.
func (d *decoder) peek(off int64, n int) ([]byte, error) {
	if off >= d.winOff && off+int64(n) <= d.winOff+int64(len(d.win)) {
		return d.win[off-d.winOff:][:n], nil
	}
	if cap(d.win) < windowLen {
		d.win = make([]byte, windowLen)
	}
	want := min(int64(windowLen), d.end-off)
	if want < int64(n) {
		return nil, io.ErrUnexpectedEOF
	}
	got, err := d.r.ReadAt(d.win[:want], off)
	d.win, d.winOff = d.win[:got], off
	if got < n {
		if err == nil || err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		return nil, err
	}
	return d.win[:n], nil
}

// header reads the header of a record at off without checking the checksum.
// io.EOF means the segment ends exactly there; io.ErrUnexpectedEOF that it
// ends inside the record.
func (d *decoder) header(off int64) (f frame, crc uint32, err error) {
	if off >= d.end {
		return frame{}, 0, io.EOF
	}
	b, err := d.peek(off, int(min(frameHeaderLen, d.end-off)))
	if err != nil {
		return frame{}, 0, err
	}
	if len(b) < frameHeaderLen {
		return frame{}, 0, io.ErrUnexpectedEOF
	}
	n := binary.LittleEndian.Uint32(b)
	if n == 0 || n > uint32(d.limit) {
		return frame{}, 0, fmt.Errorf("%w %d", errLength, n)
	}
	f = frame{
		sequence: binary.LittleEndian.Uint64(b[8:]),
		at:       int64(binary.LittleEndian.Uint64(b[16:])),
		offset:   off,
		length:   int(n),
	}
	if f.end() > d.end {
		return frame{}, 0, io.ErrUnexpectedEOF
	}
	return f, binary.LittleEndian.Uint32(b[4:]), nil
}

// check reads the record at off and verifies its checksum.
func (d *decoder) check(off int64) (frame, error) {
	f, want, err := d.header(off)
	if err != nil {
		return frame{}, err
	}
	// A record that fits the window is read into it whole, so that payload
	// finds it there.
	b, err := d.peek(off, int(min(frameLen(f.length), windowLen)))
	if err != nil {
		return frame{}, err
	}
	b = b[:frameHeaderLen]
	c := crc32.Update(0, castagnoli, b[:4])
	c = crc32.Update(c, castagnoli, b[8:])
	for at, end := off+frameHeaderLen, f.end(); at < end; {
		n := int(min(end-at, windowLen))
		// What the window has left is used before it is filled again.
		if left := d.winOff + int64(len(d.win)) - at; left > 0 && left < int64(n) {
			n = int(left)
		}
		if b, err = d.peek(at, n); err != nil {
			return frame{}, err
		}
		c = crc32.Update(c, castagnoli, b)
		at += int64(n)
	}
	if c != want {
		return frame{}, fmt.Errorf("%w: checksum", errBad)
	}
	return f, nil
}

// payload reads a checked record's payload into dst, which grows if need be.
func (d *decoder) payload(dst []byte, f frame) ([]byte, error) {
	if cap(dst) < f.length {
		dst = make([]byte, f.length)
	}
	dst = dst[:f.length]
	at := f.offset + frameHeaderLen
	if at >= d.winOff && at+int64(f.length) <= d.winOff+int64(len(d.win)) {
		copy(dst, d.win[at-d.winOff:])
		return dst, nil
	}
	if n, err := d.r.ReadAt(dst, at); n < len(dst) {
		return dst, err
	}
	return dst, nil
}

// resync looks for the next valid record after a bad one at d.off. last is the
// sequence number of the last good record before it. A record found has a
// number above last, and not further above than the bytes between could hold
// records, so chance alone does not make one.
func (d *decoder) resync(last uint64) (frame, bool) {
	for off := d.off + 8; off+frameHeaderLen < d.end; off += 8 {
		b, err := d.peek(off, frameHeaderLen)
		if err != nil {
			// The disk cannot read here: on with the next page.
			off = (off+4096)&^4095 - 8
			continue
		}
		n := binary.LittleEndian.Uint32(b)
		if n == 0 || n > uint32(d.limit) {
			continue
		}
		sequence := binary.LittleEndian.Uint64(b[8:])
		if sequence <= last || sequence-last > 1+uint64(off-d.off)/(frameHeaderLen+8) {
			continue
		}
		if f, err := d.check(off); err == nil {
			return f, true
		}
	}
	return frame{}, false
}
