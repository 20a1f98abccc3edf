package wire

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// FromCalibrationCheck validates and converts m.
func FromCalibrationCheck(m *pb.CalibrationCheck) (fleet.Check, error) {
	p := problems{message: "calibration_check"}
	p.hash("check_id", m.GetCheckId())
	p.id("cell_id", "cell", m.GetCellId())
	switch m.GetKind() {
	case pb.CheckKind_CHECK_KIND_DEAD_WEIGHT, pb.CheckKind_CHECK_KIND_ZERO, pb.CheckKind_CHECK_KIND_SHUNT:
	default:
		p.add("kind", "is %s; it has to be dead weight, zero or shunt", m.GetKind())
	}
	switch m.GetState() {
	case pb.CheckState_CHECK_STATE_AS_FOUND, pb.CheckState_CHECK_STATE_AS_LEFT:
	default:
		p.add("state", "is %s; say whether the cell was checked as found or as left", m.GetState())
	}
	at := p.time("performed_at", m.GetPerformedAt())
	p.text("performed_by", m.GetPerformedBy())
	p.text("note", m.GetNote())
	p.text("agent_version", m.GetAgentVersion())
	// The span of air pressure covers sites from the Dead Sea to 7000 m.
	pressure := p.number("air_pressure_pa", m.AirPressurePa, 30e3, 120e3, "give the absolute pressure in the cell in Pa")
	temperature := p.number("air_temperature_k", m.AirTemperatureK, 200, 350, "give the temperature in K")
	humidity := p.number("relative_humidity", m.RelativeHumidity, 0, 1, "give a ratio, 0.45 for 45 percent")
	readings := p.readings(m.GetKind(), m.GetReadings())
	if err := p.err(); err != nil {
		return fleet.Check{}, err
	}
	return fleet.Check{
		ID: fleet.CheckID(m.GetCheckId()), Cell: fleet.CellID(m.GetCellId()), Kind: fleet.CheckKind(m.GetKind()), State: fleet.CheckState(m.GetState()),
		PerformedAt: at, PerformedBy: m.GetPerformedBy(), AirPressure: pressure, AirTemperature: temperature, Humidity: humidity,
		Readings: readings, Note: m.GetNote(), AgentVersion: m.GetAgentVersion(),
	}, nil
}

func (p *problems) readings(kind pb.CheckKind, readings []*pb.CheckReading) []fleet.Reading {
	switch {
	case len(readings) == 0:
		p.add("readings", "is empty; a check has one reading at least")
		return nil
	case len(readings) > MaxReadings:
		p.add("readings", "has %d readings; at most %d fit one check", len(readings), MaxReadings)
		return nil
	}
	read := false
	out := make([]fleet.Reading, len(readings))
	for i, r := range readings {
		out[i] = p.reading(fmt.Sprintf("readings[%d]", i), kind, r)
		read = read || r.ReadingN != nil
	}
	if !read {
		p.add("readings", "has %d entries, none with reading_n; give what the indicator read, 0 N included", len(readings))
	}
	return out
}

func (p *problems) reading(field string, kind pb.CheckKind, r *pb.CheckReading) fleet.Reading {
	if r.GetCycle() > MaxReadings {
		p.add(field+".cycle", "is %d; number the cycles 1, 2, 3", r.GetCycle())
	}
	switch r.GetDirection() {
	case pb.LoadDirection_LOAD_DIRECTION_RISING, pb.LoadDirection_LOAD_DIRECTION_FALLING:
	case pb.LoadDirection_LOAD_DIRECTION_UNSPECIFIED:
		if kind == pb.CheckKind_CHECK_KIND_DEAD_WEIGHT {
			p.add(field+".direction", "is missing; say whether the load was rising or falling")
		}
	default:
		p.add(field+".direction", "is %d; known are rising and falling", r.GetDirection())
	}
	var masses []fleet.MassID
	if kind != pb.CheckKind_CHECK_KIND_DEAD_WEIGHT && len(r.GetMassIds()) > 0 {
		p.add(field+".mass_ids", "names masses; only a dead-weight check has masses on the arm")
	}
	if len(r.GetMassIds()) > MaxChannels {
		p.add(field+".mass_ids", "names %d masses; at most %d fit one reading", len(r.GetMassIds()), MaxChannels)
	} else {
		for j, id := range r.GetMassIds() {
			at := fmt.Sprintf("%s.mass_ids[%d]", field, j)
			p.id(at, "check mass", id)
			if slices.Contains(masses, fleet.MassID(id)) {
				p.add(at, "names %s a second time; one mass hangs on the arm once", show(id))
			}
			masses = append(masses, fleet.MassID(id))
		}
	}
	force := p.number(field+".reading_n", r.ReadingN, -MaxMagnitude, MaxMagnitude, "give the force at the lever arm in N")
	simulated := p.number(field+".simulated_n", r.SimulatedN, -MaxMagnitude, MaxMagnitude, "give the force the shunt stands for in N")
	switch {
	case kind == pb.CheckKind_CHECK_KIND_SHUNT && simulated == nil && force != nil:
		p.add(field+".simulated_n", "is missing; give the force the shunt stands for in N, 0 with the shunt off")
	case kind != pb.CheckKind_CHECK_KIND_SHUNT && simulated != nil:
		p.add(field+".simulated_n", "is given; only a shunt check has a simulated force")
	}
	return fleet.Reading{Cycle: int(r.GetCycle()), Direction: fleet.Direction(r.GetDirection()), Masses: masses, Force: force, Simulated: simulated}
}

// ToCalibrationCheck returns c as its message.
func ToCalibrationCheck(c fleet.Check) *pb.CalibrationCheck {
	m := &pb.CalibrationCheck{
		CheckId: string(c.ID), CellId: string(c.Cell), Kind: pb.CheckKind(c.Kind), State: pb.CheckState(c.State),
		PerformedAt: timestamppb.New(c.PerformedAt), PerformedBy: c.PerformedBy,
		AirPressurePa: clonePtr(c.AirPressure), AirTemperatureK: clonePtr(c.AirTemperature), RelativeHumidity: clonePtr(c.Humidity),
		Note: c.Note, AgentVersion: c.AgentVersion,
	}
	for _, r := range c.Readings {
		var masses []string
		for _, id := range r.Masses {
			masses = append(masses, string(id))
		}
		m.Readings = append(m.Readings, &pb.CheckReading{
			Cycle: uint32(r.Cycle), Direction: pb.LoadDirection(r.Direction), MassIds: masses,
			ReadingN: clonePtr(r.Force), SimulatedN: clonePtr(r.Simulated),
		})
	}
	return m
}
