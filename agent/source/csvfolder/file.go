package csvfolder

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"

	"rollcall/agent/source"
	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// sinkError is an error of the sink, which is no fault of the file.
type sinkError struct{ err error }

func (e *sinkError) Error() string { return "put record into the spool: " + e.err.Error() }
func (e *sinkError) Unwrap() error { return e.err }

// Take reads one file and gives its messages to the sink. When it returns nil
// the whole record is durable. A *Rejection says why the file cannot be taken;
// nothing of it was given to the sink then. Any other error is of the disk, the
// sink or the context: the file may be taken again, with the same ids.
func (m *Mapping) Take(ctx context.Context, name string, file content, cell fleet.CellID, version string, sink source.Sink) error {
	first := make([]byte, 4096)
	n, err := file.ReadAt(first, 0)
	if err != nil && err != io.EOF {
		return fmt.Errorf("read file: %w", err)
	}
	if n == 0 {
		return emptyFile()
	}
	if r := sniff(first[:n]); r != nil {
		return r
	}
	h, err := m.readHead(newLines(file, nil), name)
	if err != nil {
		return err
	}
	if r := h.cell(m, string(cell)); r != nil {
		return r
	}
	if h.rule.Kind == kindCheck {
		return m.takeCheck(ctx, file, h, cell, version, sink)
	}

	s, err := newSamplesReader(m, h, cell, version)
	if err != nil {
		return err
	}
	sum := idHash("pull", cell, h.rule.Kind)
	l, err := rewind(file, h, sum)
	if err != nil {
		return err
	}
	if err := s.scan(ctx, l); err != nil {
		return err
	}
	id := idOf(sum)
	if _, rejection := s.begun(id); rejection != nil {
		return rejection
	}

	sum = idHash("pull", cell, h.rule.Kind)
	if l, err = rewind(file, h, sum); err != nil {
		return err
	}
	end, err := s.emit(ctx, l, sink)
	if err != nil {
		return err
	}
	if idOf(sum) != id {
		return errChanged
	}
	requests := append(s.group, &rollcallv1.StreamRequest{Body: &rollcallv1.StreamRequest_PullEnd{PullEnd: end}})
	if err := sink.Append(ctx, requests...); err != nil {
		return &sinkError{err}
	}
	return nil
}

// takeCheck reads a calibration check and gives it to the sink.
func (m *Mapping) takeCheck(ctx context.Context, file content, h *head, cell fleet.CellID, version string, sink source.Sink) error {
	kind, rejection := h.word("the kind of check", h.rule.CheckKind, checkKindWords)
	if rejection != nil {
		return rejection
	}
	sum := idHash("check", cell, kind)
	l, err := rewind(file, h, sum)
	if err != nil {
		return err
	}
	c, err := m.readCheck(l, h, cell, version)
	if err != nil {
		return err
	}
	c.CheckId = idOf(sum)
	if _, err := wire.FromCalibrationCheck(c); err != nil {
		_, reason, ok := wire.Explain(err)
		if !ok {
			reason = err.Error()
		}
		return &Rejection{What: "the check would be refused: " + reason, Mend: "mend the file's header or readings, or the mapping"}
	}
	if err := sink.Append(ctx, &rollcallv1.StreamRequest{Body: &rollcallv1.StreamRequest_CalibrationCheck{CalibrationCheck: c}}); err != nil {
		return &sinkError{err}
	}
	return nil
}

// idHash begins the hash of a record's id.
func idHash(class string, cell fleet.CellID, kind string) hash.Hash {
	h := sha256.New()
	io.WriteString(h, class+"\n"+string(cell)+"\n"+kind+"\n")
	return h
}

// idOf ends it.
func idOf(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)[:16]) }

// rewind goes back to the beginning of the file and skips what is before the
// data; all bytes read go into sum.
func rewind(file content, h *head, sum hash.Hash) (*lines, error) {
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return nil, fmt.Errorf("read file: %w", err)
	}
	l := newLines(file, sum)
	for l.number < h.lines {
		if _, _, err := l.next(); err != nil {
			if errors.Is(err, io.EOF) {
				return nil, errChanged
			}
			return nil, err
		}
	}
	return l, nil
}
