package powercurve

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// reduction is a pull while it is being reduced.
type reduction struct {
	in     Input
	kappa  float64 // L·n/r, roller force per force at the arm
	speed  channel.Series
	load   channel.Series // readings
	engine channel.Series // empty when it is not logged
	thin   channel.Series // speed, in blocks of findStep
	logged bool
	ratio  float64 // rad/m, engine speed per roller speed by gear and tyre; 0: not known

	from, to float64 // s, the stretch of the record that belongs to this sweep
	byAir    airEffects

	window   channel.Window // of the force
	passBand float64        // Hz, of window
	balanced bool           // window was chosen from the noise
	place    channel.Window // of the engine speed, and of the speed's value
	edge     float64        // s, how far inside the sweep a default grid stays
	step     float64        // s, of the speed channel
	top      float64        // s, lift-off
	start    float64        // m/s, speed at the start of the sweep
	high     float64        // m/s, greatest speed
	steps    []channel.Span // steady points; nil: a ramp
	sweep    channel.Span
	rampRate float64
	knots    []knot
	engaged  float64        // rad/m, engine speed per roller speed in the sweep as measured
	momentum channel.Series // N·s, M_base·v + ∫F_brake dt over the sweep, on the speed's clock
	sparse   float64        // steps of the speed in one of the load cell, at least 1

	weights []float64 // room for nearnessOf
}

// knot is the engine speed at a time of the sweep.
type knot struct{ t, n float64 }

// checkCell returns ErrCell with what is wrong.
func checkCell(c fleet.Cell, s loadcell.Calibration) error {
	s = s.Line() // what is no number in a curve is none in its line
	for _, x := range []struct {
		name  string
		value float64
	}{{"roller radius", c.RollerRadius}, {"lever arm", c.LeverArm}, {"brake ratio", c.BrakeRatio}, {"base inertia", c.BaseInertia}} {
		if !(x.value > 0) || math.IsInf(x.value, 1) {
			return fmt.Errorf("%w: %s is %g; it must be positive", ErrCell, x.name, x.value)
		}
	}
	u := c.U
	for _, x := range []float64{
		c.Parasitic.F0, c.Parasitic.F1, c.Parasitic.F2, u.RollerRadius, u.LeverArm, u.BaseInertia, u.Parasitic,
		u.Speed, u.LoadCell, u.AirPressure, u.AirTemperature, u.Humidity,
		s.Zero, s.Gain, s.UZero, s.UGain, s.CovZeroGain,
	} {
		if x-x != 0 {
			return fmt.Errorf("%w: a parasitic loss, an uncertainty or the calibration is not a number", ErrCell)
		}
	}
	if !(s.Gain > -1) {
		return fmt.Errorf("%w: a load-cell gain error of %g leaves no reading", ErrCell, s.Gain)
	}
	return nil
}

// need returns a channel's good samples, or an error that says what is missing.
func need(channels map[fleet.Channel]channel.Series, c fleet.Channel) (channel.Series, error) {
	s, ok := channels[c]
	if !ok {
		return channel.Series{}, fmt.Errorf("%w: %s is not logged", ErrChannel, c)
	}
	tidy, err := rising(s)
	if err != nil {
		return channel.Series{}, fmt.Errorf("read channel %s: %w", c, err)
	}
	tidy = channel.Clean(tidy, channel.RangeOf(c))
	if len(tidy.T) < fewestSamples {
		return channel.Series{}, fmt.Errorf("%w: %s has %d good samples; it needs %d", ErrChannel, c, len(tidy.T), fewestSamples)
	}
	return tidy, nil
}

// rising returns a series whose time rises: of a clock that steps back, repeats
// or is missing, what channel.Tidy keeps (finding says so). The error is that of
// channel.Check when that is too little or something else is wrong.
func rising(s channel.Series) (channel.Series, error) {
	err := channel.Check(s)
	if !errors.Is(err, channel.ErrClock) {
		return s, err
	}
	tidy, dropped := channel.Tidy(s)
	if len(tidy.T) < fewestSamples {
		return channel.Series{}, fmt.Errorf("%w; without the %d samples out of time %d are left: log seconds, on a clock that is not set while it records", err, dropped, len(tidy.T))
	}
	return tidy, nil
}

// optional returns a channel's good samples; empty when it cannot be used.
func optional(channels map[fleet.Channel]channel.Series, c fleet.Channel) channel.Series {
	s, err := rising(channels[c])
	if err != nil {
		return channel.Series{}
	}
	return channel.Clean(s, channel.RangeOf(c))
}

// brakeForce returns F_brake = S(x)·L·n/r within span, N at the roller.
func brakeForce(cell fleet.Cell, s loadcell.Calibration, reading channel.Series, span channel.Span) channel.Series {
	reading, err := rising(reading)
	if err != nil {
		return channel.Series{}
	}
	return forceOf(cell, s, channel.Clean(reading.Between(span), channel.RangeOf(fleet.LoadCellForce)))
}

// forceOf is brakeForce of readings that are known to be good.
func forceOf(cell fleet.Cell, s loadcell.Calibration, reading channel.Series) channel.Series {
	out := channel.Series{T: reading.T, X: make([]float64, len(reading.X))}
	for i, x := range reading.X {
		out.X[i] = s.Force(x) * cell.LeverArm * cell.BrakeRatio / cell.RollerRadius
	}
	return out
}

// How the sweep is found. Common practice, no source, but each says why.
const (
	findStep   = 0.05 // s: blocks the slope is taken from
	findWindow = 0.5  // s: its window
	// A sweep is where the speed rises at least this share of its usual rise: a
	// hold before it does not, a torque curve that falls to its end does.
	sweepShare = 0.25
	// startGuard is cut off where the slope's window has seen the hold before.
	startGuard = 0.25 // s
	// endGuard and endSamples are cut off before lift-off, whichever is longer:
	// its time is not known better.
	endGuard   = 0.05 // s
	endSamples = 2.5
	// gearStep is a change of the engine-to-roller ratio that is another gear
	// or an open clutch, never tyre slip of a pull worth keeping.
	gearStep = 0.12
	// engineTurned is how far below its greatest value the engine speed is when
	// it has turned, ratio: noise of a logged engine speed is less.
	engineTurned = 0.005
	// fullPedal is the share of its greatest value at which the pedal is down.
	fullPedal      = 0.9
	shortestSweep  = 1.0  // s
	leastRise      = 0.05 // of the top speed
	leastTop       = 3.0  // m/s: rollers that hardly turn
	knotsPerWindow = 2
	mostKnots      = 20000
)

// prepare reads the channels and finds the sweeps, at least one, and the stretches
// that have none.
func prepare(in Input) ([]*reduction, []NoCurve, error) {
	if err := checkCell(in.Cell, in.Calibration); err != nil {
		return nil, nil, err
	}
	r := &reduction{in: in, kappa: in.Cell.LeverArm * in.Cell.BrakeRatio / in.Cell.RollerRadius}
	var err error
	if r.speed, err = need(in.Channels, fleet.RollerSpeed); err != nil {
		return nil, nil, err
	}
	if r.load, err = need(in.Channels, fleet.LoadCellForce); err != nil {
		return nil, nil, err
	}
	r.engine = optional(in.Channels, fleet.EngineSpeed)
	r.logged = len(r.engine.T) >= fewestSamples
	if !r.logged {
		r.engine = channel.Series{}
	}
	if g, tyre := in.Vehicle.GearRatio, in.Vehicle.TyreRadius; g > 0 && tyre > 0 && g/tyre < math.MaxFloat64 {
		r.ratio = g / tyre
	}
	r.step = channel.UsualStep(r.speed.T)
	r.window = channel.WindowFor(1 / r.step)
	return r.findSweeps()
}

// follow lays the momentum and the engine speed along the sweep, and chooses the
// windows.
func (r *reduction) follow() error {
	if err := r.sumMomentum(); err != nil {
		return err
	}
	r.window.Length = math.Max(r.window.Length, math.Min(r.sweep.Length()*windowShare, longestWindow))
	r.place, r.edge = r.window, r.window.Length/4
	if len(r.steps) == 0 {
		if b, ok := channel.Balanced(r.driving(), r.sweep, r.sweep.Length()*longestShare); ok {
			r.window, r.passBand, r.balanced = b.Window, b.PassBand, true
			r.place.Length = math.Max(r.place.Length, r.window.Length)
		}
	}
	if !r.balanced {
		r.passBand = r.window.PassBand(r.step)
	}
	return r.followEngine()
}

// The force is the slope of the momentum, and its window is chosen from the
// momentum's own noise (channel.Balanced), but no longer than longestShare of the
// sweep, which passes what repeats every 1/9 of it: noise may hide what torque
// curve there is, and less than that none can be taken to have.
//
// Where it cannot be chosen, and in a sweep in steps, the window is at least that
// of channel.WindowFor, and in a longer sweep windowShare of it: a fifteenth
// passes what repeats every 1/18 of the sweep (3 dB), some 250 rpm of 4500. The
// window of the place, of engine and roller speed, is the longer of the two: where
// a brake hunts, force and speed must be smoothed alike, and an engine speed may
// be noisier than the momentum.
//
// TestWindowFromNoise holds both rules against the truth.
const (
	windowShare   = 1.0 / 15
	longestWindow = 2.0 // s
	longestShare  = 1.0 / 7
)

// driving returns the momentum with that of the car's rotating parts, which a
// brake that hunts and they exchange: the engine's own push is smoother than what
// reaches the rollers.
func (r *reduction) driving() channel.Series {
	mass := r.in.Vehicle.RotatingMass
	if mass == nil || !(*mass > 0) || math.IsInf(*mass, 1) {
		return r.momentum
	}
	out := channel.Series{T: r.momentum.T, X: make([]float64, len(r.momentum.X))}
	for i, v := range r.speed.Between(r.sweep).X {
		out.X[i] = r.momentum.X[i] + *mass*v
	}
	return out
}

// sumMomentum integrates the brake force over the sweep by the trapezoid rule on
// the load cell's own clock and lays the momentum on the speed's.
func (r *reduction) sumMomentum() error {
	speed, load := r.speed.Between(r.sweep), r.load
	first, _ := slices.BinarySearch(load.T, r.sweep.Start)
	first = max(first-1, 0)
	out := make([]float64, len(speed.T))
	force := func(x float64) float64 { return r.in.Calibration.Force(x) * r.kappa }
	impulse, j := 0.0, first // impulse at load.T[j]
	for i, t := range speed.T {
		for j+1 < len(load.T) && load.T[j+1] <= t {
			impulse += (force(load.X[j]) + force(load.X[j+1])) / 2 * (load.T[j+1] - load.T[j])
			j++
		}
		now := impulse
		if j+1 < len(load.T) && t > load.T[j] {
			dt, full := t-load.T[j], load.T[j+1]-load.T[j]
			a := force(load.X[j])
			now += dt * (a + (force(load.X[j+1])-a)*dt/full/2)
		} else {
			now += (t - load.T[j]) * force(load.X[j]) // before its first or after its last sample
		}
		out[i] = r.in.Cell.BaseInertia*speed.X[i] + now
	}
	r.momentum = channel.Series{T: speed.T, X: out}
	r.sparse = math.Max(1, channel.UsualStep(load.T)/r.step)
	if len(r.load.Between(r.sweep).T) < fewestSamples {
		return fmt.Errorf("%w: %s has fewer than %d good samples in the sweep", ErrChannel, fleet.LoadCellForce, fewestSamples)
	}
	return nil
}

// The two lines that lift-off is the corner of are fitted from cornerNear to
// cornerFar on either side of the greatest speed, s.
const (
	cornerNear = 0.15
	cornerFar  = 0.6
)

// liftOff returns when the speed turns, given the time of its greatest value,
// which noise moves about on the flatter side: where the straight lines through
// the speeds before and after meet, when that is close by and earlier.
func liftOff(s channel.Series, top float64) float64 {
	before, ok1 := channel.FitLocal(s, top, channel.Span{Start: top - cornerFar, End: top - cornerNear}, 1)
	after, ok2 := channel.FitLocal(s, top, channel.Span{Start: top + cornerNear, End: top + cornerFar}, 1)
	if !ok1 || !ok2 || !(before.Slope > 0) || !(after.Slope < 0) {
		return top
	}
	at := (after.Value - before.Value) / (before.Slope - after.Slope)
	if at > 0 || at < -2*cornerNear {
		return top
	}
	return top + at
}

// peak returns the greatest speed and its time: the middle of the five samples
// whose mean is greatest.
func peak(s channel.Series) (v, t float64) {
	n := min(5, len(s.X))
	sum := 0.0
	for i, x := range s.X {
		sum += x
		if i >= n {
			sum -= s.X[i-n]
		}
		if i >= n-1 && (i == n-1 || sum/float64(n) > v) {
			v, t = sum/float64(n), s.T[i-n/2]
		}
	}
	return v, t
}

// findSweep finds lift-off at the greatest speed, and the rising ramp before it.
func (r *reduction) findSweep() error {
	all := r.speed.Between(channel.Span{Start: r.from, End: r.to})
	var high float64
	high, r.top = peak(all)
	r.high = high
	if high < leastTop {
		return fmt.Errorf("%w: the rollers reach %.2f m/s only", ErrSweep, high)
	}
	rising := r.thin.Between(channel.Span{Start: r.from, End: r.top})
	var smooth channel.Smoothed
	if err := channel.Smooth(&smooth, rising, channel.Window{Length: findWindow, Order: 2}); err != nil {
		return fmt.Errorf("%w: %d samples before the greatest speed", ErrSweep, len(rising.T))
	}
	slope := smooth.Slope
	if r.findSteps(&smooth) {
		return nil
	}
	// The run of rising speed up to the top, past the rollover at its end.
	last := len(slope) - 1
	first := last
	// A slow logger's greatest speed is past the turn already.
	for first > 0 && slope[first] <= 0 && smooth.T[last]-smooth.T[first] < findWindow {
		first--
	}
	for first > 0 && !(slope[first] <= 0) {
		first--
	}
	// The usual rise: over the upper half of the speeds, where a hold, however
	// long, or a run through the gears before it has no part.
	half := (smooth.Value[first] + high) / 2
	var rise []float64
	for i := first; i <= last; i++ {
		if smooth.Value[i] >= half && slope[i] > 0 {
			rise = append(rise, slope[i])
		}
	}
	if len(rise) == 0 {
		return fmt.Errorf("%w: the speed does not rise to its greatest value", ErrSweep)
	}
	slices.Sort(rise)
	least := sweepShare * rise[len(rise)/2]
	for last > first && !(slope[last] >= least) {
		last--
	}
	first = last
	for first > 0 && slope[first-1] >= least {
		first--
	}
	end := liftOff(r.speed, r.top) - math.Max(endGuard, endSamples*r.step)
	r.sweep = channel.Span{Start: smooth.T[first], End: math.Min(end, smooth.T[last]+3*findStep)}
	if first > 0 {
		r.sweep.Start += startGuard
	}
	r.cutGears()
	r.cutPedal()
	rise0, _ := r.speed.At(r.sweep.Start)
	r.start = rise0
	if !(r.sweep.Length() >= shortestSweep) || !(high-rise0 >= leastRise*high) {
		return fmt.Errorf("%w: the speed rises for %.2f s, from %.2f to %.2f m/s, before its greatest value at %.2f s; a pull needs %.0f s",
			ErrSweep, math.Max(0, r.sweep.Length()), rise0, high, r.top, shortestSweep)
	}
	return nil
}

// cutGears starts the sweep after the last change of gear in it, ends it where
// the engine speed is greatest, and keeps the ratio of the gear. The clutch may
// open, or the engine be closed, a moment before the rollers are fastest: what
// is still wound up in the driveline pushes them on.
func (r *reduction) cutGears() {
	if !r.logged || !(r.sweep.Length() > 0) {
		return
	}
	thin := channel.Thin(r.engine.Between(r.sweep), findStep)
	n := len(thin.T)
	both := make([]float64, 2*n)
	ratio, upper := both[:n], both[n:n] // NaN: none
	rolling := cursor{s: r.speed.Between(channel.Span{Start: r.from, End: r.to})}
	for i, t := range thin.T {
		ratio[i] = math.NaN()
		if v, ok := rolling.at(t); ok && v > 0 {
			ratio[i] = thin.X[i] / v
			if i >= n/2 {
				upper = append(upper, ratio[i])
			}
		}
	}
	if len(upper) == 0 {
		return
	}
	slices.Sort(upper)
	r.engaged = upper[len(upper)/2]
	other := func(i int) bool { return math.Abs(ratio[i]/r.engaged-1) > gearStep }
	last := len(thin.T) - 1
	for last > 0 && other(last) {
		last--
	}
	if last < len(thin.T)-1 {
		r.sweep.End = math.Min(r.sweep.End, thin.T[last])
	}
	for i := last; i >= 0; i-- {
		if other(i) {
			r.sweep.Start = math.Max(r.sweep.Start, thin.T[min(i+1, last)]+startGuard)
			break
		}
	}
	// Single samples: a mean would blur when the engine turned.
	engine := r.engine.Between(r.sweep)
	top := 0
	for i, x := range engine.X {
		if x > engine.X[top] {
			top = i
		}
	}
	if n := len(engine.X); n > 0 && engine.X[n-1] < (1-engineTurned)*engine.X[top] {
		r.sweep.End = engine.T[top] - endGuard
	}
}

// cutPedal starts the sweep when the pedal is down, where it is logged.
func (r *reduction) cutPedal() {
	pedal := optional(r.in.Channels, fleet.Pedal).Between(r.sweep)
	most := 0.0
	for _, x := range pedal.X {
		most = math.Max(most, x)
	}
	if most < 0.5 {
		return
	}
	for i, x := range pedal.X {
		if x >= fullPedal*most {
			r.sweep.Start = math.Max(r.sweep.Start, pedal.T[i])
			return
		}
	}
}

// around returns the window of a local polynomial about t, moved as a whole to
// stay inside the sweep.
func (r *reduction) around(t, length float64) channel.Span {
	length = math.Min(length, r.sweep.Length())
	start := math.Min(math.Max(t-length/2, r.sweep.Start), r.sweep.End-length)
	return channel.Span{Start: start, End: start + length}
}

// engineAt returns engine speed and its rate at t from a local polynomial.
func (r *reduction) engineAt(t float64) (n, rate float64, ok bool) {
	source, scale := r.engine, 1.0
	if !r.logged {
		source, scale = r.speed, r.ratio
	}
	f, ok := channel.FitLocal(source, t, r.around(t, r.place.Length), r.place.Order)
	return f.Value * scale, f.Slope * scale, ok
}

// followEngine lays knots of rising engine speed along the sweep.
func (r *reduction) followEngine() error {
	if r.logged && len(r.engine.Between(r.sweep).T) < fewestSamples {
		r.logged = false
	}
	if !r.logged && r.ratio == 0 {
		return fmt.Errorf("%w: it is not logged in the sweep and the car's gear ratio and tyre radius are not given; log engine_speed or give both", ErrEngineSpeed)
	}
	source, scale := r.engine, 1.0
	if !r.logged {
		source, scale = r.speed, r.ratio
	}
	middle := (r.sweep.Start + r.sweep.End) / 2
	line, ok := channel.FitLocal(source, middle, r.sweep, 1)
	if !ok || !(line.Slope > 0) {
		return fmt.Errorf("%w: it does not rise in the sweep", ErrEngineSpeed)
	}
	r.rampRate = line.Slope * scale
	if len(r.steps) > 0 {
		return r.followSteps(source, scale)
	}
	count := int(math.Min(r.sweep.Length()/r.place.Length*knotsPerWindow, mostKnots)) + 1
	r.knots = make([]knot, 0, count+1)
	for i := range count + 1 {
		t := r.sweep.Start + r.sweep.Length()*float64(i)/float64(count)
		n, _, ok := r.engineAt(t)
		// Noise must not make the curve turn back.
		if ok && n > 0 && (len(r.knots) == 0 || n > r.knots[len(r.knots)-1].n) {
			r.knots = append(r.knots, knot{t, n})
		}
	}
	if len(r.knots) < 2 || !(r.rampRate < math.MaxFloat64) {
		return fmt.Errorf("%w: it does not rise in the sweep", ErrEngineSpeed)
	}
	return nil
}

// timeOf returns when the sweep passes engine speed n, and whether it does.
func (r *reduction) timeOf(n float64) (float64, bool) {
	i, found := slices.BinarySearchFunc(r.knots, n, func(k knot, n float64) int {
		switch {
		case k.n < n:
			return -1
		case k.n > n:
			return 1
		}
		return 0
	})
	if found {
		return r.knots[i].t, true
	}
	if i == 0 || i == len(r.knots) {
		return 0, false
	}
	a, b := r.knots[i-1], r.knots[i]
	t := a.t + (b.t-a.t)*(n-a.n)/(b.n-a.n)
	// One Newton step on the local polynomial itself: the straight line between
	// knots is only where to start.
	if at, rate, ok := r.engineAt(t); ok && rate > 0 {
		t = math.Min(math.Max(t+(n-at)/rate, a.t), b.t)
	}
	return t, true
}

// timeOfSpeed returns when the sweep passes roller speed v, and whether it does:
// by halves between the knots' times, and at last by Newton's step.
func (r *reduction) timeOfSpeed(v float64) (float64, bool) {
	at := func(t float64) (channel.Local, bool) {
		return channel.FitLocal(r.speed, t, r.around(t, r.place.Length), r.place.Order)
	}
	low, high := 0, len(r.knots)-1
	first, ok1 := at(r.knots[low].t)
	last, ok2 := at(r.knots[high].t)
	if !ok1 || !ok2 || !(v >= first.Value) || !(v <= last.Value) {
		return 0, false
	}
	for high-low > 1 {
		middle := (low + high) / 2
		if f, ok := at(r.knots[middle].t); ok && f.Value <= v {
			low = middle
		} else {
			high = middle
		}
	}
	t := (r.knots[low].t + r.knots[high].t) / 2
	for range 3 {
		f, ok := at(t)
		if !ok || !(f.Slope > 0) {
			return 0, false
		}
		t = math.Min(math.Max(t+(v-f.Value)/f.Slope, r.knots[low].t), r.knots[high].t)
	}
	return t, true
}

// defaultGrid returns every 100 rpm at least edge inside the sweep, where the
// local polynomials still have samples on both sides.
func (r *reduction) defaultGrid() []float64 {
	low, _, ok1 := r.engineAt(r.sweep.Start + r.edge)
	high, _, ok2 := r.engineAt(r.sweep.End - r.edge)
	if !ok1 || !ok2 || !(low > 0) || !(high > low) {
		return nil
	}
	var grid []float64
	for k := math.Ceil(low / defaultStep); k*defaultStep <= high && len(grid) < mostPoints; k++ {
		grid = append(grid, k*defaultStep)
	}
	return grid
}

// spacing returns the mean step of a grid; 0 with fewer than two points.
func spacing(grid []float64) float64 {
	if len(grid) < 2 {
		return 0
	}
	return (grid[len(grid)-1] - grid[0]) / float64(len(grid)-1)
}

// How the coast-down is found after the sweep. Common practice, no source.
const (
	// settle is left out after lift-off or after the car is free: the driveline
	// swings, the tyres unload.
	settle = 0.3 // s
	// released is the share of the sweep's greatest brake force under which
	// the brake has let go.
	released = 0.1
	// coastStep is what the coast-down is averaged to before it is fitted, s:
	// its speed bends by less than 10⁻⁵ m/s in that time.
	coastStep = 0.04
)

// coast finds and fits the coast-down that belongs to the pull.
func (r *reduction) coast(out *Curve) {
	v := r.in.Vehicle
	switch {
	case v.RotatingMass == nil || v.CoastingMass == nil:
		out.NoEnginePower = "the mass of the car's rotating parts is not given; give rotating and coasting mass to have engine power"
	case !(*v.RotatingMass >= 0) || !(*v.CoastingMass >= 0) || math.IsInf(*v.RotatingMass, 1) || math.IsInf(*v.CoastingMass, 1):
		out.NoEnginePower = "the mass of the car's rotating parts is negative or not a number; correct it"
	}
	mass := r.in.Cell.BaseInertia
	if out.NoEnginePower == "" {
		mass += *v.CoastingMass
	} else {
		return
	}
	channels, from := r.in.Channels, r.top+settle
	speed, engine := r.speed.Between(channel.Span{Start: r.from, End: r.to}), r.engine
	if r.in.CoastDown != nil {
		var err error
		if speed, err = need(r.in.CoastDown, fleet.RollerSpeed); err != nil {
			out.NoEnginePower = fmt.Sprintf("the separate coast-down cannot be used: %v", err)
			return
		}
		channels = r.in.CoastDown
		engine = optional(channels, fleet.EngineSpeed)
		_, top := peak(speed)
		from = top + settle
		if top-speed.T[0] < settle {
			from = speed.T[0] // it starts while the car already coasts
		}
	}
	rest := channel.Span{Start: from - settle, End: math.Inf(1)}
	var brake channel.Series
	if r.in.CoastDown != nil {
		brake = brakeForce(r.in.Cell, r.in.Calibration, channels[fleet.LoadCellForce], rest)
	} else {
		rest.End = r.to
		brake = forceOf(r.in.Cell, r.in.Calibration, r.load.Between(rest))
		speed = speed.Between(rest)
	}
	span, err := coastdown.Find(speed, from, r.freeFunc(speed, engine, brake))
	if err != nil {
		out.NoEnginePower = "no coast-down after the sweep: let the car roll out in neutral, brake released, and keep recording"
		return
	}
	fit, err := coastdown.Regress(coastdown.Input{
		Speed: channel.Thin(speed.Between(span), coastStep), Brake: channel.Thin(brake.Between(span), coastStep), Mass: mass,
	})
	if err != nil {
		out.NoEnginePower = fmt.Sprintf("the coast-down of %.1f s cannot be used (%v): let the car roll out longer", span.Length(), err)
		return
	}
	out.Loss, out.CoastDown = &fit, &span
}

// cursor reads a series at times that do not fall, as Series.At does, without
// searching.
type cursor struct {
	s channel.Series
	i int
}

func (c *cursor) at(t float64) (float64, bool) {
	for c.i < len(c.s.T) && c.s.T[c.i] < t {
		c.i++
	}
	near := channel.Series{T: c.s.T[max(c.i-1, 0):min(c.i+1, len(c.s.T))], X: c.s.X[max(c.i-1, 0):min(c.i+1, len(c.s.X))]}
	return near.At(t)
}

// freeFunc returns what says that the car is in neutral or its clutch is down
// and stays so, asked at times that do not fall: engine speed no longer in proportion to roller speed; or, where
// engine speed is not logged, that the brake has let go.
func (r *reduction) freeFunc(speed, engine, brake channel.Series) func(float64) bool {
	brake = channel.Thin(brake, findStep)
	limit := 0.0
	for _, x := range channel.Thin(r.load.Between(r.sweep), findStep).X {
		limit = math.Max(limit, math.Abs(r.in.Calibration.Force(x)*r.kappa))
	}
	limit *= released
	braking := cursor{s: brake}
	letGo := func(t float64) bool {
		b, ok := braking.at(t)
		return !ok || math.Abs(b) <= limit
	}
	if len(engine.T) == 0 || r.engaged == 0 {
		return letGo
	}
	freeSince := math.Inf(1)
	turning, rolling := cursor{s: engine}, cursor{s: speed}
	return func(t float64) bool {
		n, okN := turning.at(t)
		v, okV := rolling.at(t)
		if !okN || !okV || !(v > 0) || math.Abs(n/v/r.engaged-1) <= gearStep {
			freeSince = math.Inf(1)
			return false
		}
		freeSince = math.Min(freeSince, t)
		return t-freeSince >= settle
	}
}
