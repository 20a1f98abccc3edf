package simulator

import (
	"fmt"

	"rollcall/services/fleet"
)

// Truth is what is really wrong in a cell in a week, in SI units, from the
// week's session on (after a recalibration of that week).
type Truth struct {
	// Gain and Zero are the load cell's: reading = Zero + (1 + Gain)·force,
	// ratio and N at the lever arm.
	Gain, Zero float64
	// RollerRadius and LeverArm are errors as ratios: true = (1 + error)·registry's.
	RollerRadius, LeverArm float64
	// BaseInertia is the registry's value less the true one, kg: positive
	// when the cell, believing it, reads high.
	BaseInertia float64
	// Drag is the true parasitic loss less the registry's at 20 m/s, N.
	Drag float64
	// Pressure, Temperature and Humidity are sensor readings less the truth.
	Pressure, Temperature, Humidity float64
	// Car is the reference car of the week, CarForce its tractive force
	// against the first week's, ratio − 1.
	Car      fleet.CarID
	CarForce float64
}

// Truth returns what is wrong in a cell in a week.
func (s Scenario) Truth(cell fleet.CellID, week int) (Truth, error) {
	if s.world == nil {
		return Truth{}, fmt.Errorf("truth of %s: the scenario was not made by Load or Parse", cell)
	}
	i, ok := s.world.cells[cell]
	if !ok {
		return Truth{}, fmt.Errorf("truth of %s: the scenario has no such cell", cell)
	}
	if week < 1 || week > s.Weeks {
		return Truth{}, fmt.Errorf("truth of %s: week %d is not one of 1 to %d", cell, week, s.Weeks)
	}
	c := s.Cells[i]
	t := s.truth(c, week)
	t.Car = c.carOf(week)
	t.CarForce = s.carForce(t.Car, week)
	return t, nil
}

// size is what a fault amounts to in a week.
func (f Fault) size(week int) float64 {
	if week < f.FromWeek {
		return 0
	}
	return f.Step + f.PerWeek*float64(week-f.FromWeek)
}

func (s *Scenario) truth(c Cell, week int) Truth {
	recalibrated := s.recalibrationBefore(c.ID, week)
	return s.truthSince(c, week, recalibrated)
}

// truthSince is truth when the last recalibration was the given one (nil: none).
func (s *Scenario) truthSince(c Cell, week int, recalibrated *Recalibration) Truth {
	t := Truth{
		Gain: c.True.Gain, Zero: c.True.Zero,
		RollerRadius: c.True.RollerRadius, LeverArm: c.True.LeverArm,
		BaseInertia: -c.True.BaseInertia * c.BaseInertia,
		Drag:        c.True.Parasitic * c.Parasitic.fleet().At(20),
		Pressure:    c.True.Pressure, Temperature: c.True.Temperature, Humidity: c.True.Humidity,
	}
	since := 0
	if recalibrated != nil {
		t.Gain, t.Zero, since = recalibrated.Gain, recalibrated.Zero, recalibrated.Week
	}
	for _, f := range s.Faults {
		if f.Cell != c.ID {
			continue
		}
		switch f.Kind {
		case faultGain:
			if f.FromWeek >= since {
				t.Gain += f.size(week)
			}
		case faultZero:
			if f.FromWeek >= since {
				t.Zero += f.size(week)
			}
		case faultDrag:
			t.Drag += f.size(week)
		case faultInertia:
			t.BaseInertia += f.size(week)
		case faultPressure:
			t.Pressure += f.size(week)
		}
	}
	return t
}

// recalibrationBefore returns the last recalibration up to and with a week.
func (s *Scenario) recalibrationBefore(cell fleet.CellID, week int) *Recalibration {
	var last *Recalibration
	for i := range s.Recalibrations {
		if r := &s.Recalibrations[i]; r.Cell == cell && r.Week <= week && (last == nil || r.Week > last.Week) {
			last = r
		}
	}
	return last
}

// carForce is the reference car's own change of tractive force, ratio − 1.
func (s *Scenario) carForce(car fleet.CarID, week int) float64 {
	sum := 0.0
	for _, f := range s.Faults {
		if f.Car == car && f.Kind == faultForce {
			sum += f.size(week)
		}
	}
	return sum
}

// carOf is the reference car at the cell in a week.
func (c Cell) carOf(week int) fleet.CarID {
	return c.Cars[(week-1)/max(c.CarWeeks, 1)%len(c.Cars)]
}
