// Package powercurve reduces the samples of one pull to tractive force, wheel
// power and engine power over engine speed, each with its standard uncertainty.
//
// In: a pull's channels, the cell and the load-cell calibration in force, the
// car. Out: a Curve. It follows channel and coastdown and is read by finding
// and refrun.
//
//	F_brake  = S(x)·L·n/r
//	F_trac   = F_brake + M_base·dv/dt + F_par(v)
//	P_wheel  = F_trac·v
//	F_cd(v)  = −(M_base + M_coast)·dv/dt − F_brake        coast-down, neutral
//	F_dl(v)  = F_cd(v) − F_par(v)
//	P_engine = (F_trac + F_dl)·v + M_rot·(dv/dt)·v
//
// S load-cell calibration, x reading (N at the arm), L lever arm (m), n
// brake-to-roller ratio, r roller radius (m), v roller-surface speed (m/s),
// M_base base inertia (kg), F_par parasitic loss (N), M_coast and M_rot the
// car's parts that turn in neutral and in gear (kg), F_dl driveline and tyres
// (N).
//
// # Why there is no percentage loss
//
// A percentage cannot be asked for. What tyres, gears and bearings take is set by
// how fast they turn and how hard the car is strapped down, and hardly by what
// the engine gives. A car with 480 hp at the wheels and 510 hp at the engine
// loses 30 hp. Tuned to 600 hp at the wheels, in the same gear at the same speed
// on the same tyres, it still loses 30 hp: it has 630 hp. A rule of 20 % says 576
// hp before and 720 hp after: 66 hp and 90 hp too much, and of 120 hp gained it
// makes 144 hp. The car's own ratio before, 6.25 %, does no better afterwards in
// kind: 637.5 hp. (Common practice, no source; the tests hold these numbers.)
// Without a coast-down there is therefore no engine power, unless the loss of the
// same car and set-up is carried over from a baseline pull that had one (see
// CarriedLoss).
//
// # Uncertainty
//
// Every figure is worked out together with its partial derivative with respect
// to every input (terms.go). Points share the errors of geometry, calibration,
// masses and loss; only noise is a point's own, and that of its near neighbours.
// Curve.Trace gives both parts, so that what two curves have in common cancels in
// their difference; Curve.Budget writes them out as a table.
//
// Values and slopes at a grid point come from local cubics over the time around
// it (channel.FitLocal). Brake force and inertia force are not smoothed apart:
// the slope is taken of the momentum
//
//	G(t) = M_base·v + ∫F_brake dt
//
// at once, so that a brake whose control hunts, and the speed that hunts with
// it, cancel before the filter, which passes a value and a slope differently.
// What is left to smooth is the tractive force, as slow as the engine's torque
// curve, and its window is chosen from the pull's own noise so that it bends the
// force by a quarter of what the noise makes uncertain (channel.Balanced).
package powercurve

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/air"
	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/correction"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// Vehicle is what has to be known of the car on the rollers.
type Vehicle struct {
	// Engine revolutions per driven-wheel revolution and rolling radius, m:
	// the engine speed when it is not logged. 0: not known.
	GearRatio, TyreRadius float64
	// Equivalent mass at the roller surface, kg, of the parts that turn in the
	// gear of the pull, and of those that still turn in neutral. nil: not
	// known, and then engine power is not stated.
	RotatingMass, CoastingMass *float64
	// Standard uncertainties of the masses, kg, and ratios of the engine speed
	// (its scale where it is logged, else of gear ratio over tyre radius) and of
	// the tyre radius. 0: taken as exact.
	URotatingMass, UCoastingMass float64
	UEngineSpeed, UTyreRadius    float64
	// How the engine is charged, as declared: by the exhaust, or in any way. A
	// boost channel above the air pressure says so too.
	Turbocharged, Charged bool
	// For the compression-ignition corrections, see correction.Conditions.
	// Where they are nil the channels say: FuelDelivery, or FuelFlow with
	// Displacement; Boost.
	FuelDelivery        *float64 // mg per litre per cycle
	ChargePressureRatio *float64
	Displacement        float64 // m³, swept volume; 0: not known
}

// VehicleOf returns the vehicle that a reference car is.
func VehicleOf(c fleet.Car) Vehicle {
	rot, coast := c.RotatingMass, c.CoastingMass
	return Vehicle{
		GearRatio: c.GearRatio, TyreRadius: c.TyreRadius, RotatingMass: &rot, CoastingMass: &coast,
		Turbocharged: c.Charging == fleet.ChargingTurbo,
		Charged:      c.Charging == fleet.ChargingTurbo || c.Charging == fleet.ChargingMechanical,
		Displacement: c.Displacement,
	}
}

// Input is a pull to be reduced.
type Input struct {
	Cell        fleet.Cell
	Vehicle     Vehicle
	Calibration loadcell.Calibration
	Channels    map[fleet.Channel]channel.Series
	// CoastDown is a record of its own that belongs to this pull; nil: the
	// coast-down, if any, is in Channels after the sweep.
	CoastDown  map[fleet.Channel]channel.Series
	Correction fleet.Correction
	// Grid is the engine speeds to give the curve at, rad/s, rising; nil: every
	// 100 rpm inside the sweep.
	Grid []float64
	// Band is a second, coarser grid, rad/s, rising and evenly spaced: its
	// points average over the whole of their interval (see refrun.BandPoints).
	// nil: none.
	Band []float64
	// SpeedGrid is roller-surface speeds to give the curve at as well, m/s,
	// rising; nil: none. See DefaultSpeedGrid.
	SpeedGrid []float64

	// Pull names the pull; empty: it shares its coast-down with no other.
	Pull fleet.PullID
	// SetUp names the car and all about it that its loss and rotating masses
	// depend on (tyres, gear, straps), as whoever runs the cell tells set-ups
	// apart; empty: unknown.
	SetUp string
	// CarriedLoss is a baseline pull's loss to be used in place of a coast-down
	// of this pull's own; nil: none. The curve is marked with CarriedFrom.
	CarriedLoss *CarriedLoss
	// Repeatability is what pulls of one session scatter by beyond the noise
	// within each; nil: not known, and then not in U.
	Repeatability *Repeatability
}

// Repeatability is the scatter of back-to-back pulls, common to all points of
// one pull.
type Repeatability struct {
	U   float64 // standard deviation of one pull, ratio of the figure
	DoF float64 // pulls less one, and the like
}

// Point is one point of a curve. Every U is a standard uncertainty (k = 1). A
// nil figure could not be stated; the curve says why.
type Point struct {
	EngineSpeed  float64 // rad/s
	Time         float64 // s, when the sweep passed it
	Speed        float64 // m/s, roller surface
	Acceleration float64 // m/s²

	BrakeForce     float64 // N at the roller surface
	TractiveForce  float64 // N
	UTractiveForce float64 // N, everything
	UOwnForce      float64 // N, noise of this point alone: what another point or pull does not share
	WheelPower     float64 // W
	UWheelPower    float64 // W
	// WheelTorque is F_trac times the tyre radius, N·m, at the driven wheels of
	// both sides together; nil: the radius is not known. WheelPower/EngineSpeed
	// is the same torque referred to the engine.
	WheelTorque  *float64
	UWheelTorque *float64

	Loss            *float64 // N, driveline and tyres
	ULoss           *float64
	EnginePower     *float64 // W
	UEnginePower    *float64
	EngineTorque    *float64 // N·m
	UEngineTorque   *float64
	CorrectedPower  *float64 // W, engine power times the correction factor
	UCorrectedPower *float64
	CorrectedTorque *float64 // N·m
	// UCorrectedTorque is CorrectedTorque's standard uncertainty.
	UCorrectedTorque *float64

	fitted fitted
}

// Curve is a reduced pull.
type Curve struct {
	Points []Point
	// Band has one point for each of Input.Band that the sweep covers.
	Band []Point
	// BySpeed has one point for each of Input.SpeedGrid that the sweep covers.
	BySpeed []Point
	// Segments is the part of the record that belongs to this sweep, in order of
	// time and without a gap.
	Segments []Segment
	// Steps is the steady points of a sweep in steps, from which Points are
	// then made, one for each; nil: the sweep is a ramp.
	Steps []channel.Span

	Sweep     channel.Span  // the ramp under load
	CoastDown *channel.Span // in its own record's time when that was separate; nil: none
	RampRate  float64       // rad/s², engine side, over the sweep
	Low, High float64       // rad/s, engine speed at the ends of the sweep
	Window    float64       // s, length of the force's local polynomials
	PassBand  float64       // Hz, where their derivative is down by 3 dB
	// WindowFromNoise says that Window was chosen from the pull's own noise (see
	// channel.Balanced); false: the sweep is in steps or has too few samples, and
	// Window is a fixed share of it.
	WindowFromNoise bool

	EngineSpeedLogged bool // false: from gear ratio and tyre radius

	// Air is the mean cell air of the sweep; nil: pressure, temperature or
	// humidity is missing and nothing is corrected.
	Air *air.Air
	// Correction is the standard's factor; nil: none could be computed.
	Correction *correction.Result
	// UFactor is its standard uncertainty from the air sensors.
	UFactor float64
	// CorrectionNote says which temperature was taken, or why there is no
	// factor.
	CorrectionNote string

	// IntakeTemperature is the intake air temperature the factor was taken
	// with, K; nil: the cell's air temperature was.
	IntakeTemperature *float64

	// Loss is the car's coast-down, F_cd: rollers, tyres and driveline
	// together; nil: none.
	Loss *coastdown.Fit
	// CarriedFrom is the baseline pull that Loss was measured in; empty: Loss is
	// this pull's own.
	CarriedFrom fleet.PullID
	// NoEnginePower says why engine power is not stated; empty: it is.
	NoEnginePower string
	// LossNote says which points have no engine power although there is a
	// coast-down: it does not reach their speed; empty: none.
	LossNote string

	PeakWheelPower      *Peak // W
	PeakEnginePower     *Peak // W, uncorrected
	PeakEngineTorque    *Peak // N·m, uncorrected
	PeakCorrectedPower  *Peak // W
	PeakCorrectedTorque *Peak // N·m

	// The means over Band, or over Points where there is no band, of the same.
	MeanWheelPower      *Mean // W
	MeanEnginePower     *Mean // W, uncorrected
	MeanEngineTorque    *Mean // N·m, uncorrected
	MeanCorrectedPower  *Mean // W
	MeanCorrectedTorque *Mean // N·m

	laid [3]laid // by Grid
}

// The reasons why a pull cannot be reduced.
var (
	ErrCell        = errors.New("powercurve: the cell's registry entry cannot be computed with")
	ErrChannel     = errors.New("powercurve: a channel that is needed is missing")
	ErrSweep       = errors.New("powercurve: no sweep found")
	ErrEngineSpeed = errors.New("powercurve: engine speed is not known")
	ErrForce       = errors.New("powercurve: the force cannot be a pull's")
)

// fewestSamples is how many good samples a channel must have to be used.
const fewestSamples = 20

// rpm is one revolution per minute, rad/s.
const rpm = 2 * math.Pi / 60

// defaultStep is the step of the default grid.
const defaultStep = 100 * rpm

// mostPoints bounds a default grid: 25 000 rpm at its step.
const mostPoints = 250

// Reduce returns the curve of a pull. It finds the sweep and the coast-down in
// the samples, and gives each grid point inside the sweep; points outside are
// left out. Of several sweeps in the record it takes the last full one: those
// before it warm the car up. What cannot be stated is nil in the curve, with the
// reason beside it; an error means there is no curve at all: ErrCell,
// ErrChannel, ErrSweep, ErrEngineSpeed, ErrForce, or channel.ErrLength, ErrEmpty
// or ErrClock of a series of which too little can be used. Samples whose time does
// not rise are left out (channel.Tidy); finding says of which channel.
func Reduce(in Input) (Curve, error) {
	sweeps, _, err := prepare(in)
	if err != nil {
		return Curve{}, err
	}
	return sweeps[lastFull(sweeps)].reduce()
}

// NoCurve is a stretch of a record in which the rollers rise as in a sweep and
// that gives no curve.
type NoCurve struct {
	Span channel.Span // s; of a sweep that was found the sweep, else all between its neighbours
	Err  error        // as of Reduce
}

// ReduceAll returns the curves of all sweeps of a record in order of time, each
// with the coast-down that follows it before the next, and beside them what gives
// none, with the reason; errors as Reduce. When no sweep gives a curve, the last
// one's error is returned.
func ReduceAll(in Input) (curves []Curve, none []NoCurve, err error) {
	sweeps, none, err := prepare(in)
	if err != nil {
		return nil, none, err
	}
	for _, r := range sweeps {
		c, failed := r.reduce()
		if failed != nil {
			err = failed
			none = append(none, NoCurve{r.sweep, failed})
			continue
		}
		curves = append(curves, c)
	}
	slices.SortFunc(none, func(a, b NoCurve) int { return cmp.Compare(a.Span.Start, b.Span.Start) })
	if len(curves) == 0 {
		return nil, none, err
	}
	return curves, none, nil
}

// reduce returns the curve of one sweep.
func (r *reduction) reduce() (Curve, error) {
	if err := r.follow(); err != nil {
		return Curve{}, err
	}
	return r.curve()
}

// curve returns the curve of one sweep that is followed.
func (r *reduction) curve() (Curve, error) {
	in := &r.in
	out := Curve{
		Sweep: r.sweep, RampRate: r.rampRate, Window: r.window.Length, PassBand: r.passBand,
		Low: r.knots[0].n, High: r.knots[len(r.knots)-1].n, EngineSpeedLogged: r.logged, Steps: r.steps,
		WindowFromNoise: r.balanced,
	}
	r.correct(&out)
	if in.CarriedLoss != nil {
		r.carry(&out)
	} else {
		r.coast(&out)
	}
	out.Segments = r.segments(&out)
	grid := in.Grid
	if grid == nil && len(r.steps) == 0 {
		grid = r.defaultGrid()
	}
	m := r.newModel(&out)
	lay := func(g Grid, of axis, grid []float64, interval float64) []Point {
		own := *m
		points, near := r.points(&own, of, grid, interval)
		if len(points) > 0 {
			out.laid[g] = laid{&own, near}
		}
		return points
	}
	out.Points = lay(OnPoints, byEngineSpeed, grid, 0)
	if len(r.steps) == 0 {
		out.Band = lay(OnBand, byEngineSpeed, in.Band, spacing(in.Band))
		out.BySpeed = lay(OnSpeed, byRollerSpeed, in.SpeedGrid, 0)
	}
	if len(out.Points) == 0 && len(out.Band) == 0 {
		return Curve{}, fmt.Errorf("%w: no grid point between %.0f and %.0f rpm lies inside the sweep",
			ErrSweep, out.Low/rpm, out.High/rpm)
	}
	if err := r.plausible(&out); err != nil {
		return Curve{}, err
	}
	out.findPeaks()
	out.noteReach()
	return out, nil
}

// overRange is how far beyond its range a load cell may read and still measure:
// a cell has some overload, its amplifier too (common practice, no source).
const overRange = 1.5

// plausible refuses a curve that no pull can have: a load cell far beyond its
// range over half of the sweep, or a car that brakes the rollers.
func (r *reduction) plausible(c *Curve) error {
	if limit := overRange * r.in.Cell.LoadCellRange; limit > 0 {
		over, worst := 0, 0.0
		load := r.load.Between(c.Sweep)
		for _, x := range load.X {
			if math.Abs(x) > limit {
				over++
			}
			worst = max(worst, math.Abs(x))
		}
		if 2*over > len(load.X) {
			return fmt.Errorf("%w: the load cell reads up to %.0f N in the sweep, its range is %.0f N; check the unit of its column and its wiring",
				ErrForce, worst, r.in.Cell.LoadCellRange)
		}
	}
	points := c.Points
	if len(points) == 0 {
		points = c.Band
	}
	negative := 0
	for _, p := range points {
		if !(p.TractiveForce > 0) {
			negative++
		}
	}
	if 2*negative > len(points) {
		p := points[len(points)/2]
		return fmt.Errorf("%w: the tractive force at %.0f rpm is %.0f N; in a pull the car drives the rollers; check the sign of the load cell's column",
			ErrForce, p.EngineSpeed/rpm, p.TractiveForce)
	}
	return nil
}

// DefaultSpeedGrid returns every 5 km/h from low to high, m/s.
func DefaultSpeedGrid(low, high float64) []float64 {
	const step = 5 / 3.6
	var out []float64
	if !(low >= 0) || !(high < 1e3) {
		return nil
	}
	for k := math.Ceil(low / step); k*step <= high && len(out) < mostPoints; k++ {
		out = append(out, k*step)
	}
	return out
}

// Parasitic returns the parasitic loss that a coast-down of the empty rollers
// shows, F_par(v) = −M_base·dv/dt − F_brake, to be held against the registry's
// cell.Parasitic; and its standard uncertainty at a speed, with base inertia,
// which scales it whole.
func Parasitic(cell fleet.Cell, s loadcell.Calibration, channels map[fleet.Channel]channel.Series) (coastdown.Fit, func(v float64) float64, error) {
	if err := checkCell(cell, s); err != nil {
		return coastdown.Fit{}, nil, err
	}
	speed, err := need(channels, fleet.RollerSpeed)
	if err != nil {
		return coastdown.Fit{}, nil, err
	}
	_, top := peak(speed)
	brake := brakeForce(cell, s, channels[fleet.LoadCellForce], channel.Span{Start: top, End: math.Inf(1)})
	span, err := coastdown.Find(speed, top+settle, nil)
	if err != nil {
		return coastdown.Fit{}, nil, fmt.Errorf("find coast-down of empty rollers: %w", err)
	}
	fit, err := coastdown.Regress(coastdown.Input{Speed: speed.Between(span), Brake: brake.Between(span), Mass: cell.BaseInertia})
	if err != nil {
		return coastdown.Fit{}, nil, fmt.Errorf("fit coast-down of empty rollers: %w", err)
	}
	return fit, func(v float64) float64 {
		return math.Hypot(fit.U(v), (fit.At(v)+fit.Brake)*cell.U.BaseInertia/cell.BaseInertia)
	}, nil
}
