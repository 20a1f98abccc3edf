package wire

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// Limits of what a calibration check may hold.
const (
	// MaxHeld is the longest time at a load, and the longest run, s.
	MaxHeld = 86400.0
	// MaxSpeed is the highest speed of a roller's surface, m/s.
	MaxSpeed = 250.0
	// MaxEffectiveApart is how far the moment from which a calibration holds may
	// be from the moment of its check.
	MaxEffectiveApart = 366 * 24 * time.Hour
)

// FromCalibrationCheck validates and converts m. It refuses what is wrong in
// itself: no cell, no readings, numbers that nothing on a dynamometer has, a
// quantity of another kind of check. What is merely not enough to judge by (a
// reading left out, a mass listed twice, a shunt without its force) is
// accepted: the check is kept and judged unusable, with the reason.
func FromCalibrationCheck(m *pb.CalibrationCheck) (fleet.Check, error) {
	p := problems{message: "calibration_check"}
	p.hash("check_id", m.GetCheckId())
	p.id("cell_id", "cell", m.GetCellId())
	kind := fleet.CheckKind(m.GetKind())
	if m.GetKind() < pb.CheckKind_CHECK_KIND_DEAD_WEIGHT || m.GetKind() > pb.CheckKind_CHECK_KIND_BASE_INERTIA {
		p.add("kind", "is %s; it has to be dead weight, zero, shunt, zero with rollers turning, transfer load cell, torque reference or base inertia", m.GetKind())
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
	if m.GetStandardId() != "" {
		p.id("standard_id", "reference standard", m.GetStandardId())
	}
	angle := p.number("arm_angle_rad", m.ArmAngleRad, -math.Pi/2, math.Pi/2, "give the arm's angle off the horizontal in rad")
	var effective time.Time
	if m.GetEffectiveAt() != nil {
		effective = p.time("effective_at", m.GetEffectiveAt())
		if apart := effective.Sub(at).Abs(); m.GetPerformedAt() != nil && apart > MaxEffectiveApart {
			p.add("effective_at", "is %s, more than a year from the check itself (%s); give the moment from which the calibration holds", effective.Format(time.RFC3339), at.Format(time.RFC3339))
		}
	}
	readings := p.readings(kind, m.GetReadings())
	if err := p.err(); err != nil {
		return fleet.Check{}, err
	}
	return fleet.Check{
		ID: fleet.CheckID(m.GetCheckId()), Cell: fleet.CellID(m.GetCellId()), Kind: kind, State: fleet.CheckState(m.GetState()),
		PerformedAt: at, PerformedBy: m.GetPerformedBy(), AirPressure: pressure, AirTemperature: temperature, Humidity: humidity,
		Readings: readings, Note: m.GetNote(), AgentVersion: m.GetAgentVersion(),
		Standard: fleet.StandardID(m.GetStandardId()), ArmAngle: angle, Adjusted: cloneBool(m.Adjusted), EffectiveAt: effective,
	}, nil
}

func (p *problems) readings(kind fleet.CheckKind, readings []*pb.CheckReading) []fleet.Reading {
	switch {
	case len(readings) == 0:
		p.add("readings", "is empty; a check has one reading at least")
		return nil
	case len(readings) > MaxReadings:
		p.add("readings", "has %d readings; at most %d fit one check", len(readings), MaxReadings)
		return nil
	}
	out := make([]fleet.Reading, len(readings))
	for i, r := range readings {
		out[i] = p.reading(fmt.Sprintf("readings[%d]", i), kind, r)
	}
	return out
}

func (p *problems) reading(field string, kind fleet.CheckKind, r *pb.CheckReading) fleet.Reading {
	if r.GetCycle() > MaxReadings {
		p.add(field+".cycle", "is %d; number the cycles 1, 2, 3", r.GetCycle())
	}
	if r.GetMounting() > MaxReadings {
		p.add(field+".mounting", "is %d; count how often the arm was taken off and put on again: 0, 1, 2", r.GetMounting())
	}
	switch r.GetDirection() {
	case pb.LoadDirection_LOAD_DIRECTION_UNSPECIFIED, pb.LoadDirection_LOAD_DIRECTION_RISING, pb.LoadDirection_LOAD_DIRECTION_FALLING:
	default:
		p.add(field+".direction", "is %d; known are rising and falling", r.GetDirection())
	}
	switch r.GetSense() {
	case pb.LoadSense_LOAD_SENSE_UNSPECIFIED, pb.LoadSense_LOAD_SENSE_TENSION, pb.LoadSense_LOAD_SENSE_COMPRESSION:
	default:
		p.add(field+".sense", "is %d; known are tension and compression", r.GetSense())
	}
	var masses []fleet.MassID
	if len(r.GetMassIds()) > MaxChannels {
		p.add(field+".mass_ids", "names %d masses; at most %d fit one reading", len(r.GetMassIds()), MaxChannels)
	} else {
		for j, id := range r.GetMassIds() {
			p.id(fmt.Sprintf("%s.mass_ids[%d]", field, j), "check mass", id)
			masses = append(masses, fleet.MassID(id))
		}
	}
	force := func(name string, v *float64, mend string) *float64 {
		return p.number(field+"."+name, v, -MaxMagnitude, MaxMagnitude, mend)
	}
	only := func(name string, v *float64, of fleet.CheckKind, what string) {
		if v != nil && kind != of {
			p.add(field+"."+name, "is given; only a check of kind %q has %s", of, what)
		}
	}
	out := fleet.Reading{
		Cycle: int(r.GetCycle()), Direction: fleet.Direction(r.GetDirection()), Masses: masses,
		Force:     force("reading_n", r.ReadingN, "give the force at the lever arm in N"),
		Simulated: force("simulated_n", r.SimulatedN, "give the force the shunt stands for in N"),
		Preload:   r.GetPreload(), Sense: fleet.Sense(r.GetSense()), Mounting: int(r.GetMounting()),
		Held:     p.number(field+".held_s", r.HeldS, 0, MaxHeld, "give the seconds the load had been on"),
		Speed:    p.number(field+".speed_mps", r.SpeedMps, -MaxSpeed, MaxSpeed, "give the rollers' surface speed in m/s"),
		SetForce: force("set_force_n", r.SetForceN, "give the force set at the roller surface in N"),
		From:     p.number(field+".from_mps", r.FromMps, -MaxSpeed, MaxSpeed, "give the surface speed the run began at in m/s"),
		To:       p.number(field+".to_mps", r.ToMps, -MaxSpeed, MaxSpeed, "give the surface speed the run ended at in m/s"),
		Duration: p.number(field+".duration_s", r.DurationS, 0, MaxHeld, "give the seconds from the one speed to the other"),
	}
	only("simulated_n", r.SimulatedN, fleet.CheckShunt, "a simulated force")
	only("reference_n", r.ReferenceN, fleet.CheckTransfer, "a reference in N")
	only("reference_nm", r.ReferenceNm, fleet.CheckTorque, "a reference in N·m")
	only("set_force_n", r.SetForceN, fleet.CheckBaseInertia, "timed runs")
	only("from_mps", r.FromMps, fleet.CheckBaseInertia, "timed runs")
	only("to_mps", r.ToMps, fleet.CheckBaseInertia, "timed runs")
	only("duration_s", r.DurationS, fleet.CheckBaseInertia, "timed runs")
	switch kind {
	case fleet.CheckTransfer:
		out.Reference = force("reference_n", r.ReferenceN, "give what the transfer load cell read in N")
	case fleet.CheckTorque:
		out.Reference = force("reference_nm", r.ReferenceNm, "give what the torque reference read in N·m")
	}
	return out
}

// ToCalibrationCheck returns c as its message.
func ToCalibrationCheck(c fleet.Check) *pb.CalibrationCheck {
	m := &pb.CalibrationCheck{
		CheckId: string(c.ID), CellId: string(c.Cell), Kind: pb.CheckKind(c.Kind), State: pb.CheckState(c.State),
		PerformedAt: timestamppb.New(c.PerformedAt), PerformedBy: c.PerformedBy,
		AirPressurePa: clonePtr(c.AirPressure), AirTemperatureK: clonePtr(c.AirTemperature), RelativeHumidity: clonePtr(c.Humidity),
		Note: c.Note, AgentVersion: c.AgentVersion,
		StandardId: string(c.Standard), ArmAngleRad: clonePtr(c.ArmAngle), Adjusted: cloneBool(c.Adjusted),
	}
	if !c.EffectiveAt.IsZero() {
		m.EffectiveAt = timestamppb.New(c.EffectiveAt)
	}
	for _, r := range c.Readings {
		m.Readings = append(m.Readings, toReading(c.Kind, r))
	}
	return m
}

func toReading(kind fleet.CheckKind, r fleet.Reading) *pb.CheckReading {
	var masses []string
	for _, id := range r.Masses {
		masses = append(masses, string(id))
	}
	m := &pb.CheckReading{
		Cycle: uint32(r.Cycle), Direction: pb.LoadDirection(r.Direction), MassIds: masses,
		ReadingN: clonePtr(r.Force), SimulatedN: clonePtr(r.Simulated),
		Preload: r.Preload, Sense: pb.LoadSense(r.Sense), Mounting: uint32(r.Mounting), HeldS: clonePtr(r.Held), SpeedMps: clonePtr(r.Speed),
		SetForceN: clonePtr(r.SetForce), FromMps: clonePtr(r.From), ToMps: clonePtr(r.To), DurationS: clonePtr(r.Duration),
	}
	switch kind {
	case fleet.CheckTransfer:
		m.ReferenceN = clonePtr(r.Reference)
	case fleet.CheckTorque:
		m.ReferenceNm = clonePtr(r.Reference)
	}
	return m
}

func cloneBool(v *bool) *bool {
	if v == nil {
		return nil
	}
	said := *v
	return &said
}
