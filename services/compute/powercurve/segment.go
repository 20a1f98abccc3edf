package powercurve

import (
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/channel"
	"rollcall/services/fleet"
)

// SegmentKind says what a stretch of a record is.
type SegmentKind uint8

// The kinds of segment, in the order they come in.
const (
	RunUp     SegmentKind = 1 + iota // through the gears, and the hold before the sweep
	Sweep                            // full load under the brake: a ramp, or in steps
	LiftOff                          // the sweep's end until the car rolls freely
	CoastDown                        // in neutral, brake released; a drag of the brake may remain
	SpinDown                         // what is left: braked to a stop, or rolling on in gear
)

// String returns the kind's name.
func (k SegmentKind) String() string {
	switch k {
	case RunUp:
		return "run-up"
	case Sweep:
		return "sweep"
	case LiftOff:
		return "lift-off"
	case CoastDown:
		return "coast-down"
	case SpinDown:
		return "spin-down"
	}
	return "unknown segment"
}

// Segment is a stretch of a record.
type Segment struct {
	Kind SegmentKind
	Span channel.Span // s
}

// FindSegments returns what a record is made of, in order of time and without a
// gap, over all its sweeps; errors as Reduce. A separate coast-down record is
// not in it.
func FindSegments(in Input) ([]Segment, error) {
	in.CarriedLoss = nil // what is in the record does not depend on it
	curves, _, err := ReduceAll(in)
	if err != nil {
		return nil, err
	}
	var out []Segment
	for _, c := range curves {
		for _, s := range c.Segments {
			// A stretch of the record that gave no curve is part of the next run-up.
			if n := len(out); n > 0 && s.Span.Start > out[n-1].Span.End {
				s.Span.Start = out[n-1].Span.End
			}
			out = append(out, s)
		}
	}
	return out, nil
}

// segments returns those of this sweep.
func (r *reduction) segments(c *Curve) []Segment {
	whole := r.stretch()
	start, end := whole.Start, whole.End
	out := make([]Segment, 0, 5)
	at := start
	add := func(k SegmentKind, until float64) {
		if until = math.Min(until, end); until > at {
			out = append(out, Segment{k, channel.Span{Start: at, End: until}})
			at = until
		}
	}
	add(RunUp, r.sweep.Start)
	add(Sweep, r.sweep.End)
	if c.CoastDown != nil && r.in.CoastDown == nil {
		add(LiftOff, c.CoastDown.Start)
		add(CoastDown, c.CoastDown.End)
	} else {
		add(LiftOff, r.top+settle)
	}
	add(SpinDown, end)
	return out
}

// How sweeps and steps are told from each other. Common practice, no source.
const (
	// turnShare is the fall from a greatest speed that ends one sweep and lets
	// another begin, as a ratio of the greatest speed of all: a change of gear
	// costs less, a coast-down is more.
	turnShare = 0.15
	// fullRise and fullTop are the shares of the greatest rise and top of all
	// sweeps that make a sweep a full one.
	fullRise = 0.85
	fullTop  = 0.95
	// mostSweeps bounds the sweeps looked for in one record.
	mostSweeps = 50

	// A steady point is held this long, with less than this slope, and its speed
	// stays within this share.
	shortestStep = 1.5   // s
	steadySlope  = 0.12  // m/s²; a ramp of a pull is ten times as steep
	steadyShare  = 0.006 // ratio
	// stepSettle is cut off at the start of a step, where the torque still
	// settles, and stepGuard at its end, where the slope's window sees the next.
	stepSettle  = 0.5  // s
	stepGuard   = 0.25 // s
	fewestSteps = 3
	// heldShare is the share of the greatest brake force of all steps that a
	// step has at least: an engine gives more at full load wherever it is held.
	heldShare = 0.25
	// leastStep is what a step must be above the one before, ratio.
	leastStep = 0.01
	// widestStep is the greatest share of the whole rise between two steps; with
	// more, the steps are a hold before a ramp.
	widestStep = 0.45
	stepOrder  = 1 // of the local polynomial over a step
)

// findSweeps returns a reduction for each sweep of the record, and the stretches
// where the rollers rise and there is none; the error is that of the stretch with
// the greatest speed.
func (r *reduction) findSweeps() (found []*reduction, none []NoCurve, err error) {
	high, _ := peak(r.speed)
	if !(high >= leastTop) {
		return nil, nil, fmt.Errorf("%w: the rollers reach %.2f m/s only", ErrSweep, high)
	}
	r.thin = channel.Thin(r.speed, findStep)
	cuts := turns(r.thin, turnShare*high)
	var failed error
	greatest := math.Inf(-1)
	for i := range len(cuts) + 1 {
		one := *r
		one.from, one.to = math.Inf(-1), math.Inf(1)
		if i > 0 {
			one.from = cuts[i-1]
		}
		if i < len(cuts) {
			one.to = cuts[i]
		}
		if err := one.findSweep(); err != nil {
			if one.high > greatest {
				greatest, failed = one.high, err
			}
			none = append(none, NoCurve{one.stretch(), err})
			continue
		}
		found = append(found, &one)
	}
	if len(found) == 0 {
		return nil, none, failed
	}
	return found, none, nil
}

// stretch returns the part of the record that is looked at for one sweep.
func (r *reduction) stretch() channel.Span {
	return channel.Span{Start: math.Max(r.speed.T[0], r.from), End: math.Min(r.speed.T[len(r.speed.T)-1], r.to)}
}

// turns returns the times of the lowest speeds between greatest ones that stand
// out by fall, m/s, on both sides: there one sweep's stretch ends and the next
// begins.
func turns(s channel.Series, fall float64) []float64 {
	var cuts []float64
	rising := true // looking for a greatest speed; else for a lowest
	extreme := 0
	for i, v := range s.X {
		switch {
		case rising && v > s.X[extreme], !rising && v < s.X[extreme]:
			extreme = i
		case rising && v < s.X[extreme]-fall:
			rising, extreme = false, i
		case !rising && v > s.X[extreme]+fall:
			if len(cuts) < mostSweeps {
				cuts = append(cuts, s.T[extreme])
			}
			rising, extreme = true, i
		}
	}
	return cuts
}

// lastFull returns the index of the last full sweep.
func lastFull(sweeps []*reduction) int {
	rise, top := 0.0, 0.0
	for _, r := range sweeps {
		rise, top = math.Max(rise, r.high-r.start), math.Max(top, r.high)
	}
	full, longest := -1, 0
	for i, r := range sweeps {
		if r.high-r.start >= fullRise*rise && r.high >= fullTop*top {
			full = i
		}
		if r.high-r.start >= rise {
			longest = i
		}
	}
	if full < 0 {
		return longest
	}
	return full
}

// steady returns the steady points in a stretch of speeds, each faster than the
// one before, and their speeds; where the pedal is logged, with it down.
func (r *reduction) steady(smooth *channel.Smoothed, pedal channel.Series) (steps []channel.Span, speeds []float64) {
	most := 0.0
	for _, x := range pedal.X {
		most = math.Max(most, x)
	}
	first := -1
	for i := range len(smooth.T) + 1 {
		if i < len(smooth.T) && math.Abs(smooth.Slope[i]) <= steadySlope && smooth.Value[i] > slowestStep {
			if first < 0 {
				first = i
			}
			continue
		}
		if first < 0 {
			continue
		}
		span := channel.Span{Start: smooth.T[first] + stepSettle, End: smooth.T[i-1] - stepGuard}
		held := smooth.Value[first:i]
		first = -1
		low, high := slices.Min(held), slices.Max(held)
		if !(span.Length() >= shortestStep-stepSettle-stepGuard) || !(high-low <= steadyShare*high) {
			continue
		}
		if most >= 0.5 {
			if down, ok := pedal.At(span.Start); !ok || down < fullPedal*most {
				continue
			}
		}
		v := (low + high) / 2
		if n := len(speeds); n > 0 && v < speeds[n-1]*(1+leastStep) {
			// It does not rise: the steps begin anew.
			steps, speeds = steps[:0], speeds[:0]
		}
		steps, speeds = append(steps, span), append(speeds, v)
	}
	return steps, speeds
}

// loaded returns the steady points at which the brake holds: those before them
// are the hold of the run-up.
func (r *reduction) loaded(steps []channel.Span, speeds []float64) ([]channel.Span, []float64) {
	force := make([]float64, len(steps))
	most := 0.0
	for i, s := range steps {
		if x, n := channel.Mean(r.load.Between(s)); n > 0 {
			force[i] = math.Abs(r.in.Calibration.Force(x))
		}
		most = math.Max(most, force[i])
	}
	first := 0
	for first < len(steps) && force[first] < heldShare*most {
		first++
	}
	return steps[first:], speeds[first:]
}

// findSteps looks for steady points in the rise up to the top, smooth; true
// when they, and not a ramp, are the sweep.
func (r *reduction) findSteps(smooth *channel.Smoothed) bool {
	// The greatest speed may be anywhere on the last step.
	if steps, _ := r.steady(smooth, channel.Series{}); len(steps) < fewestSteps-1 {
		return false
	}
	pedal := optional(r.in.Channels, fleet.Pedal).Between(channel.Span{Start: r.from, End: r.to})
	thin := r.thin.Between(channel.Span{Start: r.from, End: r.to})
	end := len(thin.T)
	for end > 0 && thin.X[end-1] < (1-steadyShare)*r.high {
		end--
	}
	end = min(end+int(findWindow/findStep), len(thin.T))
	var longer channel.Smoothed
	if channel.Smooth(&longer, channel.Series{T: thin.T[:end], X: thin.X[:end]}, channel.Window{Length: findWindow, Order: 2}) != nil {
		return false
	}
	steps, speeds := r.steady(&longer, pedal)
	steps, speeds = r.loaded(steps, speeds)
	n := len(steps)
	if n < fewestSteps {
		return false
	}
	rise := r.high - speeds[0]
	for i := range speeds {
		next := r.high
		if i+1 < n {
			next = speeds[i+1]
		}
		if next-speeds[i] > widestStep*rise {
			return false
		}
	}
	r.steps = steps
	r.sweep = channel.Span{Start: steps[0].Start, End: steps[n-1].End}
	r.start = speeds[0]
	// The coast-down may begin where the last step ends.
	r.top = math.Max(r.top, steps[n-1].End+stepGuard+findWindow/2)
	return true
}

// slowestStep is the slowest speed that can be a steady point.
const slowestStep = 2.0 // m/s

// followSteps lays one knot of engine speed at each step.
func (r *reduction) followSteps(source channel.Series, scale float64) error {
	for _, s := range r.steps {
		t := (s.Start + s.End) / 2
		f, ok := channel.FitLocal(source, t, s, stepOrder)
		if n := f.Value * scale; ok && n > 0 && (len(r.knots) == 0 || n > r.knots[len(r.knots)-1].n) {
			r.knots = append(r.knots, knot{t, n})
		}
	}
	if len(r.knots) < 2 || !(r.rampRate < math.MaxFloat64) {
		return fmt.Errorf("%w: it does not rise from step to step", ErrEngineSpeed)
	}
	return nil
}
