package fleetstate

import (
	"errors"
	"fmt"
	"math"
	"time"

	"rollcall/services/fleet"
)

// Week is the unit of time of the random walks.
const Week = 7 * 24 * time.Hour

// Prior is what is held of a standard deviation before the fleet is looked at.
type Prior struct {
	SD float64
	// Freedom is the degrees of freedom SD counts for against the data. 0: the
	// data alone, and SD is where the search starts; +Inf: SD is fixed. A
	// fixed SD of 0 takes the term out of the model.
	Freedom float64
	// AtMost says that SD is what it may well be, and that it may as well be much
	// less: its square has a χ² prior, which costs little towards 0, where the
	// scaled inverse χ² of a variance that is certainly there forbids it.
	AtMost bool
}

// Fixed returns a standard deviation that is not estimated.
func Fixed(sd float64) Prior { return Prior{SD: sd, Freedom: math.Inf(1)} }

// FaultModel is how an error of a cell behaves.
type FaultModel struct {
	Fault fleet.Fault
	Start Prior // of the error when it begins or restarts, in the fault's unit
	Walk  Prior // of its change in a week; n weeks change it by √n times that
}

// Settings rule Fit. Start from DefaultSettings.
type Settings struct {
	// Faults are the errors a cell can have, in the order of a state vector.
	// Air and Other are flat over the band; the rest show as
	// refrun.Signatures says.
	Faults []FaultModel

	// Modes is how many modes of the band are looked at, see the package
	// comment; the number of band points, or more, looks at all.
	Modes int

	Point   Prior // of one band point of one pull, ratio
	Pull    Prior // of a pull about its session, ratio
	Session Prior // of a session about its cell and car, ratio
	Tilt    Prior // of a session's shape, rms over the band in each mode, ratio
	CarWalk Prior // of a reference car's own change in a week, ratio
	// CarLevel is between reference cars: +Inf, the default, leaves their levels
	// free; a finite one takes them as drawn at random about a free mean.
	CarLevel Prior

	// RotatingSD is of a car's rotating mass beyond what its curve at its mean
	// ramp rate already holds, kg at the roller; +Inf: free. IntakeSD is of its
	// answer to 10 K of intake air temperature, ratio.
	RotatingSD float64
	IntakeSD   float64

	// KnotSpacing is between the knots of a car's own change. Where MostKnots do
	// not reach over its history, three quarters of them lie so, up to its last
	// session, and the rest share what is before.
	KnotSpacing time.Duration
	MostKnots   int

	// FarOut is how many standard deviations from its place a session or pull
	// must lie to lose weight; +Inf: none does. One at r > FarOut gets the
	// weight (FarOut/r)², so that the further out it is the less it moves
	// anything.
	FarOut float64

	// LeastFreedom is the degrees of freedom (sessions less cells and cars)
	// below which the stated standard deviations stand.
	LeastFreedom int
	// MostSessions bounds the sessions the variances are estimated from: on a
	// larger fleet a connected part of it stands for all.
	MostSessions int

	// Settle is the fall of −2·log likelihood that is not worth another step of
	// the search for the variances. One of ν degrees of freedom is then known to
	// √(2·Settle/ν) of itself, where the data know it to √(2/ν).
	Settle float64

	// Workers is how many cells are worked on at a time. It does not change any
	// result.
	Workers int
}

// DefaultSettings returns the settings Rollcall starts with. The standard
// deviations are common practice, no source; each stated one counts for about a
// season of a small fleet.
func DefaultSettings() Settings {
	const nu = 12
	is := func(sd float64) Prior { return Prior{SD: sd, Freedom: nu} }
	// Walks are known least beforehand: a cell may be as steady as a rock.
	walks := func(sd float64) Prior { return Prior{SD: sd, Freedom: 0.3, AtMost: true} }
	return Settings{
		Faults: []FaultModel{
			// Together some 0.6 % between cells, a tractive force of 3 kN taken,
			// and some 0.05 % more in a week.
			{fleet.FaultGain, is(0.004), walks(0.0004)},
			{fleet.FaultZero, is(8), walks(0.8)},
			// A base inertia value is only wrong after work on the rollers.
			{fleet.FaultInertia, is(8), walks(0.2)},
			{fleet.FaultParasitic, is(8), walks(0.8)},
			{fleet.FaultAir, is(0.003), walks(0.0003)},
			{fleet.FaultOther, is(0.002), walks(0.0002)},
		},
		Modes: 4,
		Point: is(0.003), Pull: is(0.0025), Session: is(0.004), Tilt: is(0.0003),
		CarWalk: Prior{SD: 0.0005, Freedom: 6}, CarLevel: Fixed(math.Inf(1)),
		RotatingSD: 100, IntakeSD: 0.005,
		KnotSpacing: 4 * Week, MostKnots: 18,
		FarOut: 4, LeastFreedom: 8, MostSessions: 6000, Settle: 1e-4,
		Workers: 2,
	}
}

// Validate returns all that is wrong with the settings.
func (s Settings) Validate() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf("fleetstate settings: "+format, a...)) }
	prior := func(name string, p Prior, endless bool) {
		if !(p.SD >= 0) || (math.IsInf(p.SD, 1) && !(endless && math.IsInf(p.Freedom, 1))) {
			bad("%s.SD must be finite and not negative, is %g", name, p.SD)
		}
		if !(p.Freedom >= 0) {
			bad("%s.Freedom must not be negative, is %g", name, p.Freedom)
		}
		if p.SD == 0 && !math.IsInf(p.Freedom, 1) {
			bad("%s.SD of 0 can only be fixed: give Freedom +Inf, or a standard deviation to start from", name)
		}
	}
	if len(s.Faults) == 0 || len(s.Faults) > mostFaults {
		bad("Faults must hold 1 to %d faults, holds %d", mostFaults, len(s.Faults))
	}
	seen := map[fleet.Fault]bool{}
	for _, f := range s.Faults {
		if seen[f.Fault] {
			bad("Faults holds %v twice", f.Fault)
		}
		seen[f.Fault] = true
		prior(f.Fault.String()+" Start", f.Start, false)
		prior(f.Fault.String()+" Walk", f.Walk, false)
	}
	prior("Point", s.Point, false)
	prior("Pull", s.Pull, false)
	prior("Session", s.Session, false)
	prior("Tilt", s.Tilt, false)
	prior("CarWalk", s.CarWalk, false)
	prior("CarLevel", s.CarLevel, true)
	if !(s.RotatingSD >= 0) {
		bad("RotatingSD must not be negative, is %g", s.RotatingSD)
	}
	if !(s.IntakeSD >= 0) {
		bad("IntakeSD must not be negative, is %g", s.IntakeSD)
	}
	if s.Modes < 1 {
		bad("Modes must be at least 1, is %d", s.Modes)
	}
	if s.KnotSpacing <= 0 {
		bad("KnotSpacing must be positive, is %v", s.KnotSpacing)
	}
	if s.MostKnots < 2 {
		bad("MostKnots must be at least 2, is %d", s.MostKnots)
	}
	if !(s.FarOut > 0) {
		bad("FarOut must be positive, is %g", s.FarOut)
	}
	if !(s.Settle > 0) {
		bad("Settle must be positive, is %g", s.Settle)
	}
	if s.MostSessions < 1 || s.Workers < 1 {
		bad("MostSessions and Workers must be at least 1, are %d and %d", s.MostSessions, s.Workers)
	}
	return errors.Join(errs...)
}

// mostFaults bounds the state of a cell.
const mostFaults = 8

// Variances are those of the model, squares of Settings' standard deviations.
type Variances struct {
	Point, Pull, Session, Tilt float64
	CarWalk                    float64   // per week
	CarLevel                   float64   // +Inf: levels are free
	Start, Walk                []float64 // by Settings.Faults; Walk per week
}

// Stated returns the variances the settings state.
func (s Settings) Stated() Variances {
	sq := func(p Prior) float64 { return p.SD * p.SD }
	v := Variances{
		Point: sq(s.Point), Pull: sq(s.Pull), Session: sq(s.Session), Tilt: sq(s.Tilt),
		CarWalk: sq(s.CarWalk), CarLevel: sq(s.CarLevel),
	}
	for _, f := range s.Faults {
		v.Start = append(v.Start, sq(f.Start))
		v.Walk = append(v.Walk, sq(f.Walk))
	}
	return v
}

// The variances as a vector: these, then Start and Walk of each fault.
const (
	vPoint = iota
	vPull
	vSession
	vTilt
	vCarWalk
	vCarLevel
	vFaults
)

func (v Variances) vector() []float64 {
	out := []float64{v.Point, v.Pull, v.Session, v.Tilt, v.CarWalk, v.CarLevel}
	out = append(out, v.Start...)
	return append(out, v.Walk...)
}

func variancesOf(x []float64) Variances {
	d := (len(x) - vFaults) / 2
	return Variances{
		Point: x[vPoint], Pull: x[vPull], Session: x[vSession], Tilt: x[vTilt], CarWalk: x[vCarWalk], CarLevel: x[vCarLevel],
		Start: append([]float64(nil), x[vFaults:vFaults+d]...), Walk: append([]float64(nil), x[vFaults+d:]...),
	}
}

// priors is the vector of Prior.
func (s Settings) priors() []Prior {
	out := []Prior{s.Point, s.Pull, s.Session, s.Tilt, s.CarWalk, s.CarLevel}
	for _, f := range s.Faults {
		out = append(out, f.Start)
	}
	for _, f := range s.Faults {
		out = append(out, f.Walk)
	}
	return out
}

// names is the vector's names.
func (s Settings) names() []string {
	out := []string{"Point", "Pull", "Session", "Tilt", "CarWalk", "CarLevel"}
	for _, f := range s.Faults {
		out = append(out, f.Fault.String()+" Start")
	}
	for _, f := range s.Faults {
		out = append(out, f.Fault.String()+" Walk")
	}
	return out
}
