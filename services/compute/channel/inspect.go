package channel

import (
	"math"
	"slices"

	"rollcall/services/fleet"
)

// Range is the values a channel can have, SI unit, both ends included.
type Range struct {
	Low, High float64
}

// Holds reports whether x is within r; NaN is not.
func (r Range) Holds(x float64) bool { return x >= r.Low && x <= r.High }

// Ranges says for each known channel which values can be at all on a chassis
// dynamometer. They are wide on purpose: what is outside is a broken sensor, a
// wrong unit or a damaged file, never a car. Common practice, no source.
var Ranges = map[fleet.Channel]Range{
	fleet.RollerSpeed:          {-5, 150},     // 540 km/h
	fleet.RollerSpeedRear:      {-5, 150},     //
	fleet.LoadCellForce:        {-1e5, 1e5},   // N at the arm: ten tonnes
	fleet.EngineSpeed:          {-1, 2500},    // 23 900 rpm
	fleet.AirPressure:          {5e4, 1.2e5},  // 5500 m above sea level
	fleet.AirTemperature:       {223, 343},    // −50 to 70 °C
	fleet.RelativeHumidity:     {-0.02, 1.05}, // sensors overshoot
	fleet.IntakeAirTemperature: {223, 473},    // up to 200 °C behind a compressor
	fleet.Pedal:                {-0.1, 1.1},   //
	fleet.ThrottleAngle:        {-0.2, 1.8},   // 103°
	fleet.Boost:                {0, 1e6},      // absolute
	fleet.BoostSetPoint:        {0, 1e6},      //
	fleet.IgnitionAngle:        {-1.6, 1.6},   // 92°
	fleet.KnockRetard:          {-0.1, 1},     // 57°
	fleet.Lambda:               {0.3, 100},    // fuel cut reads as free air
	fleet.CoolantTemperature:   {223, 443},    //
	fleet.OilTemperature:       {223, 493},    //
	fleet.TyreTemperature:      {223, 493},    //
}

// Everything holds every finite number: the range of a channel of the site's
// own.
var Everything = Range{-math.MaxFloat64, math.MaxFloat64}

// RangeOf returns the values a channel can have.
func RangeOf(c fleet.Channel) Range {
	if r, ok := Ranges[c]; ok {
		return r
	}
	return Everything
}

// Quality is what Inspect finds.
type Quality struct {
	Samples int
	Missing int     // NaN or infinite
	Outside int     // finite, but outside the range
	Step    float64 // s, the usual time between samples; 0 with one sample
	Uniform bool    // every step is the usual one within uniformTolerance

	LongestGap Span // longest stretch without a good sample between two good ones
	Gaps       int  // number of such stretches longer than maxGap

	Low, High   float64 // of the good samples; 0 when there are none
	First, Last float64 // s, times of the first and last good sample; likewise
	FirstBad    Span    // first run of samples outside the range
	WorstBad    float64 // the sample furthest outside
	LongestHold Span    // longest run of good samples of exactly the same value
}

// Good returns the number of samples that can be used.
func (q Quality) Good() int { return q.Samples - q.Missing - q.Outside }

// uniformTolerance is how far a sample's time may be from an even clock, as a
// ratio of the step, before the clock counts as uneven: at a slope a it moves a
// value by a·10⁻³·step, far below what any speed channel resolves.
const uniformTolerance = 1e-3

// Inspect looks a series over; s must have passed Check. Samples outside r
// count as bad. A gap is a stretch longer than maxGap, s, between good samples.
func Inspect(s Series, r Range, maxGap float64) Quality {
	q := Quality{Samples: len(s.T), Step: UsualStep(s.T)}
	q.Uniform = isUniform(s.T, q.Step)
	worst := 0.0
	lastGood, holdFrom := -1, 0
	inBad := false
	for i, x := range s.X {
		if !r.Holds(x) {
			if !isFinite(x) {
				q.Missing++
				inBad = false
				continue
			}
			q.Outside++
			if q.Outside == 1 {
				q.FirstBad = Span{s.T[i], s.T[i]}
				inBad = true
			} else if inBad {
				q.FirstBad.End = s.T[i]
			}
			if d := math.Max(r.Low-x, x-r.High); d > worst {
				worst, q.WorstBad = d, x
			}
			continue
		}
		inBad = false
		if lastGood < 0 {
			q.Low, q.High, q.First, holdFrom = x, x, s.T[i], i
		} else {
			q.Low, q.High = min(q.Low, x), max(q.High, x)
			if gap := s.T[i] - s.T[lastGood]; gap > maxGap {
				q.Gaps++
				if gap > q.LongestGap.Length() {
					q.LongestGap = Span{s.T[lastGood], s.T[i]}
				}
			}
			if x != s.X[lastGood] {
				holdFrom = i
			}
		}
		if s.T[i]-s.T[holdFrom] > q.LongestHold.Length() {
			q.LongestHold = Span{s.T[holdFrom], s.T[i]}
		}
		lastGood, q.Last = i, s.T[i]
	}
	return q
}

// stepSample is how many steps UsualStep looks at.
const stepSample = 63

// UsualStep returns the median time between samples, s, from up to 63 steps
// spread evenly over t; 0 with fewer than two samples.
func UsualStep(t []float64) float64 {
	n := len(t) - 1
	if n < 1 {
		return 0
	}
	var buffer [stepSample]float64
	m := min(n, stepSample)
	for k := range m {
		i := k * n / m
		buffer[k] = t[i+1] - t[i]
	}
	slices.Sort(buffer[:m])
	return buffer[m/2]
}

// isUniform reports whether t is an even clock of the given step.
func isUniform(t []float64, step float64) bool {
	if len(t) < 2 {
		return true
	}
	// The mean step, so that the rounding of one step does not add up.
	mean := (t[len(t)-1] - t[0]) / float64(len(t)-1)
	if math.Abs(mean-step) > uniformTolerance*step {
		return false
	}
	for i, at := range t {
		if math.Abs(at-(t[0]+float64(i)*mean)) > uniformTolerance*mean {
			return false
		}
	}
	return true
}

// Clean returns s without the samples that are missing or outside r. It returns
// s itself when there is nothing to drop.
func Clean(s Series, r Range) Series {
	bad := 0
	for _, x := range s.X {
		if !r.Holds(x) || !isFinite(x) {
			bad++
		}
	}
	if bad == 0 {
		return s
	}
	good := len(s.X) - bad
	both := make([]float64, 2*good)
	out := Series{T: both[:0:good], X: both[good:good]}
	for i, x := range s.X {
		if r.Holds(x) && isFinite(x) {
			out.T, out.X = append(out.T, s.T[i]), append(out.X, x)
		}
	}
	return out
}
