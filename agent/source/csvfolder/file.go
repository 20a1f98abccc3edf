package csvfolder

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

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
	_, err := m.take(ctx, name, file, cell, version, nil, sink)
	return err
}

// take is Take; it asks refuse about the record before any of it is given on
// (nil: nothing is asked), and returns what the record is known by.
func (m *Mapping) take(ctx context.Context, name string, file content, cell fleet.CellID, version string, refuse func(record) *Rejection, sink source.Sink) (record, error) {
	first := make([]byte, 4096)
	n, err := file.ReadAt(first, 0)
	if err != nil && err != io.EOF {
		return record{}, fmt.Errorf("read file: %w", err)
	}
	if n == 0 {
		return record{}, emptyFile()
	}
	if r := sniff(first[:n]); r != nil {
		return record{}, r
	}
	h, err := m.readHead(newLines(file, nil), name)
	if err != nil {
		return record{}, err
	}
	if r := h.cell(m, string(cell)); r != nil {
		return record{}, r
	}
	if h.rule.Kind == kindCheck {
		return m.takeCheck(ctx, file, h, cell, version, refuse, sink)
	}

	s, err := newSamplesReader(m, h, cell, version)
	if err != nil {
		return record{}, err
	}
	sum := sha256.New()
	l, err := rewind(file, h, sum)
	if err != nil {
		return record{}, err
	}
	if err := s.scan(ctx, l); err != nil {
		return record{}, err
	}
	whole := sum.Sum(nil)
	r := pullRecord(s.begin, h.rule.Kind, whole)
	if _, rejection := s.begun(r.id.String()); rejection != nil {
		return record{}, rejection
	}
	if refuse != nil {
		if rejection := refuse(r); rejection != nil {
			return record{}, rejection
		}
	}

	sum = sha256.New()
	if l, err = rewind(file, h, sum); err != nil {
		return record{}, err
	}
	end, err := s.emit(ctx, l, sink)
	if err != nil {
		return record{}, err
	}
	if !bytes.Equal(sum.Sum(nil), whole) {
		return record{}, errChanged
	}
	requests := append(s.group, &rollcallv1.StreamRequest{Body: &rollcallv1.StreamRequest_PullEnd{PullEnd: end}})
	if err := sink.Append(ctx, requests...); err != nil {
		return record{}, &sinkError{err}
	}
	return r, nil
}

// takeCheck reads a calibration check and gives it to the sink.
func (m *Mapping) takeCheck(ctx context.Context, file content, h *head, cell fleet.CellID, version string, refuse func(record) *Rejection, sink source.Sink) (record, error) {
	kind, rejection := h.word("the kind of check", h.rule.CheckKind, checkKindWords)
	if rejection != nil {
		return record{}, rejection
	}
	sum := sha256.New()
	l, err := rewind(file, h, sum)
	if err != nil {
		return record{}, err
	}
	c, err := m.readCheck(l, h, cell, version)
	if err != nil {
		return record{}, err
	}
	r := checkRecord(c, kind, sum.Sum(nil))
	c.CheckId = r.id.String()
	if _, err := wire.FromCalibrationCheck(c); err != nil {
		_, reason, ok := wire.Explain(err)
		if !ok {
			reason = err.Error()
		}
		return record{}, &Rejection{What: "the check would be refused: " + reason, Mend: "mend the file's header or readings, or the mapping"}
	}
	if refuse != nil {
		if rejection := refuse(r); rejection != nil {
			return record{}, rejection
		}
	}
	if err := sink.Append(ctx, &rollcallv1.StreamRequest{Body: &rollcallv1.StreamRequest_CalibrationCheck{CalibrationCheck: c}}); err != nil {
		return record{}, &sinkError{err}
	}
	return r, nil
}

// pullRecord returns what a pull or coast-down is known by; sum is the SHA-256
// of the file.
func pullRecord(b *rollcallv1.PullBegin, kind string, sum []byte) record {
	pairs := []string{
		"cell_id", b.GetCellId(), "kind", kind, "started_at", instant(b.GetStartedAt()), "car_id", b.GetCarId(), "label", b.GetLabel(),
		"session", b.GetSession(), "customer_car", b.GetCustomerCar(), "ramp_rate_rad_s2", optional(b.RampRateRadS2),
		"rotating_mass_kg", optional(b.RotatingMassKg), "coasting_mass_kg", optional(b.CoastingMassKg), "correction", b.GetCorrection(),
	}
	// Those that came later stand in the text only where there is something to
	// say, so that a record without them keeps the id it had.
	for _, later := range [][2]string{{"set_up", b.GetSetUp()}, {"charging", b.GetCharging()}, {"displacement_m3", optional(b.DisplacementM3)}} {
		if later[1] != "" {
			pairs = append(pairs, later[0], later[1])
		}
	}
	return record{content: digest(sum[:16]), id: digestOf("pull", pairs, sum)}
}

// checkRecord returns what a check is known by. Two checks may well read the
// same, so the time, which the file's name may hold alone, is of its content.
func checkRecord(c *rollcallv1.CalibrationCheck, kind string, sum []byte) record {
	state := "as_found"
	if c.GetState() == rollcallv1.CheckState_CHECK_STATE_AS_LEFT {
		state = "as_left"
	}
	at := instant(c.GetPerformedAt())
	pairs := []string{
		"cell_id", c.GetCellId(), "kind", kind, "state", state, "performed_at", at, "performed_by", c.GetPerformedBy(),
		"air_pressure_pa", optional(c.AirPressurePa), "air_temperature_k", optional(c.AirTemperatureK),
		"relative_humidity", optional(c.RelativeHumidity), "note", c.GetNote(),
	}
	// Only when given: the ids of files that say nothing of it stay.
	said := func(name, value string) {
		if value != "" {
			pairs = append(pairs, name, value)
		}
	}
	said("standard_id", c.GetStandardId())
	said("arm_angle_rad", optional(c.ArmAngleRad))
	if c.Adjusted != nil {
		said("adjusted", strconv.FormatBool(c.GetAdjusted()))
	}
	if c.EffectiveAt != nil {
		said("effective_at", instant(c.GetEffectiveAt()))
	}
	return record{content: digestOf("content of check", []string{"performed_at", at}, sum), id: digestOf("check", pairs, sum)}
}

// digestOf digests what the package's comment says: the class, one line for
// each name and value, and the file's SHA-256.
func digestOf(class string, pairs []string, sum []byte) digest {
	h := sha256.New()
	io.WriteString(h, class+"\n")
	for i := 0; i < len(pairs); i += 2 {
		io.WriteString(h, pairs[i]+" "+strconv.Quote(pairs[i+1])+"\n")
	}
	io.WriteString(h, "file "+hex.EncodeToString(sum)+"\n")
	return digest(h.Sum(nil)[:16])
}

// instant writes a time as the ids have it.
func instant(t *timestamppb.Timestamp) string { return t.AsTime().UTC().Format(time.RFC3339Nano) }

// optional writes a number as the ids have it; nothing for none.
func optional(x *float64) string {
	if x == nil {
		return ""
	}
	return strconv.FormatFloat(*x, 'g', 12, 64)
}

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
