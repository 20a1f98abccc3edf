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

// checkKinds are the kinds of check by the mapping's word.
var checkKinds = map[string]rollcallv1.CheckKind{
	"dead_weight":  rollcallv1.CheckKind_CHECK_KIND_DEAD_WEIGHT,
	"zero":         rollcallv1.CheckKind_CHECK_KIND_ZERO,
	"shunt":        rollcallv1.CheckKind_CHECK_KIND_SHUNT,
	"zero_turning": rollcallv1.CheckKind_CHECK_KIND_ZERO_TURNING,
	"transfer":     rollcallv1.CheckKind_CHECK_KIND_TRANSFER,
	"torque":       rollcallv1.CheckKind_CHECK_KIND_TORQUE,
	"base_inertia": rollcallv1.CheckKind_CHECK_KIND_BASE_INERTIA,
}

// column is a quantity's column in the file being read.
type column struct {
	key   string
	of    *Quantity
	need  bool // this kind of check cannot be without
	put   func(*rollcallv1.CheckReading) **float64
	index int // −1: the file has none
	unit  unit.Unit
}

// quantities returns the quantities that a kind of check may have.
func (r *Readings) quantities(kind string) []column {
	all := []column{
		{key: "held", of: r.Held, put: func(x *rollcallv1.CheckReading) **float64 { return &x.HeldS }},
		{key: "speed", of: r.Speed, need: kind == "zero_turning", put: func(x *rollcallv1.CheckReading) **float64 { return &x.SpeedMps }},
	}
	switch kind {
	case "transfer":
		all = append(all, column{key: "reference", of: r.Reference, need: true, put: func(x *rollcallv1.CheckReading) **float64 { return &x.ReferenceN }})
	case "torque":
		all = append(all, column{key: "reference_torque", of: r.ReferenceTorque, need: true, put: func(x *rollcallv1.CheckReading) **float64 { return &x.ReferenceNm }})
	case "base_inertia":
		all = append(all,
			column{key: "set_force", of: r.SetForce, need: true, put: func(x *rollcallv1.CheckReading) **float64 { return &x.SetForceN }},
			column{key: "from", of: r.From, need: true, put: func(x *rollcallv1.CheckReading) **float64 { return &x.FromMps }},
			column{key: "to", of: r.To, need: true, put: func(x *rollcallv1.CheckReading) **float64 { return &x.ToMps }},
			column{key: "duration", of: r.Duration, need: true, put: func(x *rollcallv1.CheckReading) **float64 { return &x.DurationS }})
	}
	return all
}

// anchors are the columns by which a check's header row is known.
func (r *Readings) anchors() []string {
	var all []string
	if r.Reading != "" {
		all = append(all, r.Reading)
	}
	if r.Duration != nil && r.Duration.Column != "" {
		all = append(all, r.Duration.Column)
	}
	return all
}

// readCheck reads a calibration check; l stands before the data.
func (m *Mapping) readCheck(l *lines, h *head, cell fleet.CellID, version string) (*rollcallv1.CalibrationCheck, error) {
	c := &rollcallv1.CalibrationCheck{CellId: string(cell), AgentVersion: version}
	r, columns := h.rule, m.Readings
	kind, rejection := h.word("the kind of check", r.CheckKind, checkKindWords)
	if rejection != nil {
		return nil, rejection
	}
	c.Kind = checkKinds[kind]
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
	if c.StandardId, _, rejection = h.take("the reference standard", r.Standard); rejection != nil {
		return nil, rejection
	}
	if c.ArmAngleRad, rejection = h.number("the arm's angle", r.ArmAngle, unit.Angle, mark); rejection != nil {
		return nil, rejection
	}
	adjusted, rejection := h.word("adjusted", r.Adjusted, adjustedWords)
	if rejection != nil {
		return nil, rejection
	}
	if adjusted != "" {
		yes := adjusted == "yes"
		c.Adjusted = &yes
	}
	effective, rejection := h.effective(r.EffectiveAt)
	if rejection != nil {
		return nil, rejection
	}
	if !effective.IsZero() {
		c.EffectiveAt = timestamppb.New(effective)
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
	// A column that a file of this kind of check need not have.
	may := func(name string, slot int) int {
		if name == "" || rejection != nil || !slices.Contains(h.names, name) {
			return -1
		}
		return find(name, slot)
	}
	cycle, direction, masses := -1, -1, -1
	switch kind {
	case "zero", "zero_turning", "shunt", "base_inertia": // no load goes up and down
		cycle, direction = may(columns.Cycle, slotText), may(columns.Direction, slotText)
	default:
		cycle, direction = find(columns.Cycle, slotText), find(columns.Direction, slotText)
	}
	if kind == "dead_weight" {
		masses = find(columns.Masses, slotText)
	} else {
		masses = may(columns.Masses, slotText)
	}
	preload := may(columns.Preload, slotText)
	sense := may(columns.Sense, slotText)
	mounting := may(columns.Mounting, slotText)
	reading := -1
	if kind == "base_inertia" {
		reading = may(columns.Reading, 0)
	} else {
		reading = find(columns.Reading, 0)
	}
	simulated := -1
	if kind == "shunt" {
		simulated = find(columns.Simulated, 1)
	}
	quantities := columns.quantities(kind)
	for i := range quantities {
		q := &quantities[i]
		switch {
		case q.of == nil && q.need:
			return nil, &Rejection{What: fmt.Sprintf("the mapping does not say which column holds %s, and a check of kind %s cannot be without", q.key, kind),
				Mend: "add readings." + q.key + " to the mapping"}
		case q.of == nil:
			q.index = -1
		case q.need:
			q.index = find(q.of.Column, 2+i)
		default:
			q.index = may(q.of.Column, 2+i)
		}
	}
	if rejection != nil {
		return nil, rejection
	}
	if len(missing) > 0 {
		return nil, h.missing(missing, "take it out of the mapping's readings where no check has it")
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
	for i := range quantities {
		q := &quantities[i]
		if q.index < 0 {
			continue
		}
		parse := func(s string) (unit.Unit, error) { return unit.ParseAs(s, q.of.dimension) }
		if q.unit, rejection = h.unitOf(q.index, q.of.Column, q.of.raw, q.of.Unit != "", parse); rejection != nil {
			return nil, rejection
		}
	}

	rows := newRowReader(&m.Format, slots, 2+len(quantities))
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
		if preload >= 0 {
			word := strings.ToLower(string(rows.texts[preload]))
			switch {
			case slices.Contains(columns.PreloadWords, word):
				x.Preload = true
			case word != "" && word != "no" && word != "n" && word != "0":
				return nil, &Rejection{What: show(word) + " does not say whether this was a preload", Line: l.number, Field: preload + 1, Column: columns.Preload,
					Mend: "write one of " + quoted(columns.PreloadWords, ", ") + " for a preload and nothing for a reading, or add the word to readings.preload_words in the mapping"}
			}
		}
		if sense >= 0 && len(rows.texts[sense]) > 0 {
			word := strings.ToLower(string(rows.texts[sense]))
			switch {
			case slices.Contains(columns.Tension, word):
				x.Sense = rollcallv1.LoadSense_LOAD_SENSE_TENSION
			case slices.Contains(columns.Compression, word):
				x.Sense = rollcallv1.LoadSense_LOAD_SENSE_COMPRESSION
			default:
				return nil, &Rejection{What: show(word) + " is no sense of a load", Line: l.number, Field: sense + 1, Column: columns.Sense,
					Mend: "write one of " + quoted(append(slices.Clone(columns.Tension), columns.Compression...), ", ") + ", or add the word to readings.tension or readings.compression in the mapping"}
			}
		}
		if mounting >= 0 && len(rows.texts[mounting]) > 0 {
			n, err := strconv.ParseUint(string(rows.texts[mounting]), 10, 16)
			if err != nil {
				return nil, &Rejection{What: show(string(rows.texts[mounting])) + " is no number of a mounting", Line: l.number, Field: mounting + 1, Column: columns.Mounting,
					Mend: "count from 0 how often the arm or the transfer load cell was taken off and put on again"}
			}
			x.Mounting = uint32(n)
		}
		var rejection *Rejection
		if reading >= 0 {
			if x.ReadingN, rejection = number(0, reading, l.number); rejection != nil {
				return nil, rejection
			}
		}
		for i, q := range quantities {
			if q.index < 0 || rows.decimals[2+i] == cellBlank {
				continue
			}
			v := q.unit.ToSI(rows.value(2 + i))
			*q.put(x) = &v
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
