// Package drifttest invents the reference runs of a fleet whose truth is
// known, for the tests of drift, flag and lookback.
package drifttest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// Fleets returns how many fleets a truth test simulates: standard, a quarter of
// it under the race detector, or what ask says where it is not empty (the environment's
// ROLLCALL_FLEETS).
func Fleets(t interface{ Fatal(...any) }, ask string, standard int) int {
	if ask != "" {
		n, err := strconv.Atoi(ask)
		if err != nil || n < 1 {
			t.Fatal("ROLLCALL_FLEETS must be a positive number")
		}
		return n
	}
	if RaceDetector {
		return max(1, standard/4)
	}
	return standard
}

// Start is the Monday of week 0.
var Start = time.Date(2024, 1, 1, 8, 0, 0, 0, time.UTC)

// Fleet describes what is invented: in week w, cell c is visited by car
// (c + w) mod Cars, or as Visit says, for four pulls at two ramp rates.
type Fleet struct {
	Cells, Cars, Weeks int
	Seed               uint64

	CellSD    float64 // ratio, the cells' own offsets
	SessionSD float64
	PullSD    float64
	PointSD   float64 // of one band point

	// Visit returns the car in cell c in week w, −1 for none; nil: rotating.
	Visit func(c, w int) int
	// Fade returns the car's own change of y in week w; nil: none.
	Fade func(car, w int) float64
	// Fault returns size of the cell's fault in week w, in the signature's
	// unit; nil: none.
	Fault func(c, w int) (fleet.Fault, float64)
}

// Default is the fleet of the demonstration: twelve cells, four cars.
func Default(weeks int, seed uint64) Fleet {
	return Fleet{
		Cells: 12, Cars: 4, Weeks: weeks, Seed: seed,
		CellSD: 0.006, SessionSD: 0.004, PullSD: 0.0025, PointSD: 0.003,
	}
}

// CellID and CarID name cell c and car j.
func CellID(c int) fleet.CellID { return fleet.CellID(fmt.Sprintf("cell-%02d", c)) }

// CarID names car j.
func CarID(j int) fleet.CarID { return fleet.CarID(fmt.Sprintf("car-%c", 'a'+j)) }

// At is when cell c is visited in week w.
func At(c, w int) time.Time {
	return Start.Add(time.Duration(w)*7*24*time.Hour + time.Duration(c)*2*time.Hour)
}

// The ramp rates of the pulls, rad/s² engine side, and the acceleration they
// mean at the roller, m/s².
var (
	Ramps         = [2]float64{25, 60}
	accelerations = [2]float64{0.5, 1.2}
)

// BaseInertia is the cells' equivalent mass, kg.
const BaseInertia = 1400

// Invent returns the runs in time order and the cells' true offsets in force
// from the start.
func (f Fleet) Invent() (runs []refrun.Run, offsets []float64) {
	r := rand.New(rand.NewPCG(f.Seed, 1))
	offsets = make([]float64, f.Cells)
	for c := range offsets {
		offsets[c] = f.CellSD * r.NormFloat64()
	}
	for w := range f.Weeks {
		for c := range f.Cells {
			// The noise is drawn whether or not it is used, so that fleets with
			// one seed differ by their faults alone.
			u := f.SessionSD * r.NormFloat64()
			var e [4]float64
			var eps [4][refrun.K]float64
			for p := range e {
				e[p] = f.PullSD * r.NormFloat64()
				for k := range eps[p] {
					eps[p][k] = f.PointSD * r.NormFloat64()
				}
			}
			j := (c + w) % f.Cars
			if f.Visit != nil {
				j = f.Visit(c, w)
			}
			if j < 0 {
				continue
			}
			run := refrun.Run{
				ID:   fleet.RunID(fmt.Sprintf("%032x", uint64(w)*1000+uint64(c)+1)),
				Site: fleet.SiteID(fmt.Sprintf("site-%d", c/2)), Cell: CellID(c), Car: CarID(j),
				Session: fmt.Sprintf("w%03d", w), At: At(c, w),
			}
			for p := range e {
				run.Pulls = append(run.Pulls, f.pull(c, j, w, p, offsets[c]+u+e[p], eps[p], run.At))
			}
			runs = append(runs, run)
		}
	}
	return runs, offsets
}

// pull invents one pull: an engine's torque curve, less what the car's own
// rotating mass takes at the pull's ramp rate.
func (f Fleet) pull(c, j, w, p int, error float64, eps [refrun.K]float64, at time.Time) refrun.Pull {
	slot := p % 2
	a := accelerations[slot]
	out := refrun.Pull{
		ID: fleet.PullID(fmt.Sprintf("%032x", uint64(w)*100000+uint64(c)*100+uint64(p)+7)), At: at.Add(time.Duration(p) * 3 * time.Minute),
		RampRate: Ramps[slot] * (1 + 0.01*float64(p-1)), Signature: map[fleet.Fault][]float64{},
	}
	fault, size := fleet.FaultNone, 0.0
	if f.Fault != nil {
		fault, size = f.Fault(c, w)
	}
	fade := 0.0
	if f.Fade != nil {
		fade = f.Fade(j, w)
	}
	carMass := 45 + 10*float64(j)
	for k := range refrun.K {
		s := (float64(k) + 0.5) / refrun.K
		force := 2300 + 350*float64(j) + 900*math.Sin(math.Pi*(0.15+0.7*s)) - carMass*a
		speed := 18 + 17*s
		parasitic := 40 + 0.6*speed + 0.04*speed*speed
		brake := force - BaseInertia*a - parasitic
		sig := map[fleet.Fault]float64{
			fleet.FaultGain: brake / force, fleet.FaultZero: 1 / force, fleet.FaultInertia: a / force,
			fleet.FaultParasitic: -1 / force, fleet.FaultAir: 1,
		}
		for _, x := range []fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic, fleet.FaultAir} {
			out.Signature[x] = append(out.Signature[x], sig[x])
		}
		out.Y = append(out.Y, math.Log(force)+error+fade+size*sig[fault]+eps[k])
		out.U = append(out.U, f.PointSD)
		out.Force = append(out.Force, force)
		out.BrakeForce = append(out.BrakeForce, brake)
		out.Speed = append(out.Speed, speed)
		out.Acceleration = append(out.Acceleration, a)
	}
	return out
}
