// Package certificatetest is a small invented cell with its masses and checks,
// for the tests of whatever makes or shows certificates.
package certificatetest

import (
	"math"
	"strconv"
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Performed is when the first check was made.
var Performed = time.Date(2026, 6, 9, 8, 30, 0, 0, time.UTC)

func is(x float64) *float64 { return &x }

// Cell returns an invented cell.
func Cell() fleet.Cell {
	c := fleet.Cell{ID: "fen-2", Site: "fen", Name: "Fenwater 2", RollerRadius: 0.3175, LeverArm: 0.46, BrakeRatio: 1, BaseInertia: 592,
		LoadCellRange: 6500, CalibrationArm: 1.2, Tolerance: 0.01, CheckTolerance: 0.005, ZeroTolerance: 5}
	c.U.LeverArm, c.U.CalibrationArm, c.U.AirPressure, c.U.AirTemperature, c.U.Humidity = 0.0001, 0.0003, 100, 0.5, 0.03
	return c
}

// Site returns its site.
func Site() fleet.Site {
	return fleet.Site{ID: "fen", Name: "Fenwater", Latitude: 52.61 * math.Pi / 180, Height: 6, Zone: "Europe/London"}
}

// Masses returns nine masses of 20 kg.
func Masses() map[fleet.MassID]fleet.Mass {
	m := map[fleet.MassID]fleet.Mass{}
	for i := 1; i <= 9; i++ {
		id := fleet.MassID("m" + strconv.Itoa(i))
		m[id] = fleet.Mass{ID: id, Mass: 20, U: 0.0005, Density: 7850, Certificate: "K-2025-" + strconv.Itoa(100+i), Due: Performed.AddDate(1, 0, 0)}
	}
	return m
}

// Weigh returns a check of cycles of n masses, up and down, of a load cell with
// this zero and gain, with a scatter that repeats.
func Weigh(id fleet.CheckID, state fleet.CheckState, at time.Time, n, cycles int, zero, gain float64) fleet.Check {
	c := fleet.Check{ID: id, Cell: "fen-2", Kind: fleet.CheckDeadWeight, State: state, PerformedAt: at, PerformedBy: "A. Ferris",
		AirPressure: is(101200), AirTemperature: is(293.4), Humidity: is(0.48)}
	g := gum.Gravity(Site().Latitude, Site().Height)
	add := func(cycle, k int, way fleet.Direction) {
		r := fleet.Reading{Cycle: cycle, Direction: way}
		force := 0.0
		for i := 1; i <= k; i++ {
			id := fleet.MassID("m" + strconv.Itoa(i))
			r.Masses = append(r.Masses, id)
			force += loadcell.Weight(20, 7850, g, 1.2) * 1.2 / 0.46
		}
		i := len(c.Readings)
		r.Force = is(zero + (1+gain)*force + 0.4*math.Sin(float64(7*i+3)))
		c.Readings = append(c.Readings, r)
	}
	for cycle := 1; cycle <= cycles; cycle++ {
		for k := 0; k <= n; k++ {
			add(cycle, k, fleet.Rising)
		}
		for k := n; k >= 0; k-- {
			add(cycle, k, fleet.Falling)
		}
	}
	return c
}
