package csvfolder

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/unit"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// readCheck reads a calibration check; l stands before the data.
func (m *Mapping) readCheck(l *lines, h *head, cell fleet.CellID, version string) (*rollcallv1.CalibrationCheck, error) {
	c := &rollcallv1.CalibrationCheck{CellId: string(cell), AgentVersion: version}
	r, columns := h.rule, m.Readings
	kind, rejection := h.word("the kind of check", r.CheckKind, checkKindWords)
	if rejection != nil {
		return nil, rejection
	}
	c.Kind = map[string]rollcallv1.CheckKind{"dead_weight": rollcallv1.CheckKind_CHECK_KIND_DEAD_WEIGHT,
		"zero": rollcallv1.CheckKind_CHECK_KIND_ZERO, "shunt": rollcallv1.CheckKind_CHECK_KIND_SHUNT}[kind]
	state, rejection := h.word("the state (as found or as left)", r.State, stateWords)
	if rejection != nil {
		return nil, rejection
	}
	c.State = map[string]rollcallv1.CheckState{"as_found": rollcallv1.CheckState_CHECK_STATE_AS_FOUND,
		"as_left": rollcallv1.CheckState_CHECK_STATE_AS_LEFT}[state]
	if c.PerformedBy, _, rejection = h.take("who made the check", r.PerformedBy); rejection != nil {
		return nil, rejection
	}
	if c.Note, _, rejection = h.take("the note", r.Note); rejection != nil {
		return nil, rejection
	}
	mark := m.Format.mark
	if c.AirPressurePa, rejection = h.number("the air pressure", r.AirPressure, unit.Pressure, mark); rejection != nil {
		return nil, rejection
	}
	if c.AirTemperatureK, rejection = h.number("the air temperature", r.AirTemperature, unit.Temperature, mark); rejection != nil {
		return nil, rejection
	}
	if c.RelativeHumidity, rejection = h.number("the humidity", r.Humidity, unit.Ratio, mark); rejection != nil {
		return nil, rejection
	}
	at, rejection := h.started(m.startedAt(r))
	if rejection != nil {
		return nil, rejection
	}
	c.PerformedAt = timestamppb.New(at)

	slots := make([]int, len(h.names))
	for i := range slots {
		slots[i] = slotIgnored
	}
	var missing []string
	find := func(name string, slot int) int {
		if name == "" || rejection != nil {
			return -1
		}
		var i int
		if i, rejection = h.find(name); rejection != nil {
			return -1
		}
		if i < 0 {
			missing = append(missing, name)
			return -1
		}
		slots[i] = slot
		return i
	}
	cycle := find(columns.Cycle, slotText)
	direction := find(columns.Direction, slotText)
	masses := find(columns.Masses, slotText)
	reading := find(columns.Reading, 0)
	simulated := -1
	if kind == "shunt" {
		simulated = find(columns.Simulated, 1)
	}
	if rejection != nil {
		return nil, rejection
	}
	if len(missing) > 0 {
		return nil, h.missing(missing)
	}
	parse := func(s string) (unit.Unit, error) { return unit.ParseAs(s, unit.Force) }
	if columns.Scale != nil {
		parse = unit.Parse // of another quantity than force
	}
	for _, q := range []struct {
		index int
		name  string
	}{{reading, columns.Reading}, {simulated, columns.Simulated}} {
		if q.index < 0 {
			continue
		}
		if _, rejection = h.unitOf(q.index, q.name, columns.raw, true, parse); rejection != nil {
			return nil, rejection
		}
	}

	rows := newRowReader(&m.Format, slots, 2)
	limit := limitOf(fleet.LoadCellForce)
	number := func(slot, field, line int) (*float64, *Rejection) {
		if rows.decimals[slot] == cellBlank {
			return nil, nil
		}
		x := columns.unit.ToSI(rows.value(slot))
		if !(x >= limit.low && x <= limit.high) {
			return nil, &Rejection{What: fmt.Sprintf("%g N is no possible force at the lever arm (%s)", x, limit.why), Line: line, Field: field + 1,
				Column: h.fieldName(field + 1), Mend: "check the unit of the readings in the mapping"}
		}
		return &x, nil
	}
	for {
		line, ended, err := l.next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		if len(bytes.TrimSpace(line)) == 0 || (len(line) == 1 && line[0] == 0x1a) {
			continue
		}
		if p := m.Format.Comment; p != "" && bytes.HasPrefix(line, []byte(p)) {
			continue
		}
		if !ended && m.Format.LastLineEnd == "required" {
			return nil, torn(l.number)
		}
		if len(c.Readings) == wire.MaxReadings {
			return nil, &Rejection{What: fmt.Sprintf("the check has more than %d readings", wire.MaxReadings), Line: l.number,
				Mend: "this looks like a record of samples; mend the rule that took it for a check"}
		}
		if rejection := rows.read(line); rejection != nil {
			if !ended {
				return nil, torn(l.number)
			}
			rejection.Line = l.number
			if rejection.Field > 0 {
				rejection.Column = h.fieldName(rejection.Field)
			}
			return nil, rejection
		}
		x := &rollcallv1.CheckReading{Cycle: 1, Direction: rollcallv1.LoadDirection_LOAD_DIRECTION_RISING}
		if cycle >= 0 {
			n, err := strconv.ParseUint(string(rows.texts[cycle]), 10, 16)
			if err != nil || n == 0 {
				return nil, &Rejection{What: show(string(rows.texts[cycle])) + " is no number of a cycle", Line: l.number, Field: cycle + 1, Column: columns.Cycle,
					Mend: "number the cycles from 1"}
			}
			x.Cycle = uint32(n)
		}
		if direction >= 0 {
			word := strings.ToLower(string(rows.texts[direction]))
			switch {
			case slices.Contains(columns.Rising, word):
			case slices.Contains(columns.Falling, word):
				x.Direction = rollcallv1.LoadDirection_LOAD_DIRECTION_FALLING
			default:
				return nil, &Rejection{What: show(word) + " is no direction", Line: l.number, Field: direction + 1, Column: columns.Direction,
					Mend: "write one of " + quoted(append(slices.Clone(columns.Rising), columns.Falling...), ", ") + ", or add the word to readings.rising or readings.falling in the mapping"}
			}
		}
		if masses >= 0 && len(rows.texts[masses]) > 0 {
			for id := range strings.SplitSeq(string(rows.texts[masses]), columns.MassSeparator) {
				x.MassIds = append(x.MassIds, strings.TrimSpace(id))
			}
		}
		var rejection *Rejection
		if x.ReadingN, rejection = number(0, reading, l.number); rejection != nil {
			return nil, rejection
		}
		if simulated >= 0 {
			if x.SimulatedN, rejection = number(1, simulated, l.number); rejection != nil {
				return nil, rejection
			}
		}
		c.Readings = append(c.Readings, x)
	}
	if len(c.Readings) == 0 {
		return nil, headerOnly(l.number)
	}
	return c, nil
}
