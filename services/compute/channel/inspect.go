package channel

import (
	"math"

	"rollcall/services/fleet"
)

// Range is the values a channel can have, SI unit, both ends included.
type Range struct {
	Low, High float64
	// Inert says that the quantity cannot jump away and come back within a few
	// samples: a roller, an engine, a brake held by a controller. Samples that
	// do are spikes of the wiring; Inspect counts them and Clean drops them.
	Inert bool
}

// Holds reports whether x is within r; NaN is not.
func (r Range) Holds(x float64) bool { return x >= r.Low && x <= r.High }

// Ranges says for each known channel which values can be at all on a chassis
// dynamometer. They are wide on purpose: what is outside is a broken sensor, a
// wrong unit or a damaged file, never a car. Common practice, no source.
var Ranges = map[fleet.Channel]Range{
	fleet.RollerSpeed:          {-5, 150, true},      // 540 km/h
	fleet.RollerSpeedRear:      {-5, 150, true},      //
	fleet.LoadCellForce:        {-1e5, 1e5, true},    // N at the arm: ten tonnes
	fleet.EngineSpeed:          {-1, 2500, true},     // 23 900 rpm
	fleet.AirPressure:          {5e4, 1.2e5, false},  // 5500 m above sea level
	fleet.AirTemperature:       {223, 343, false},    // −50 to 70 °C
	fleet.RelativeHumidity:     {-0.02, 1.05, false}, // sensors overshoot
	fleet.IntakeAirTemperature: {223, 473, false},    // up to 200 °C behind a compressor
	fleet.Pedal:                {-0.1, 1.1, false},   //
	fleet.ThrottleAngle:        {-0.2, 1.8, false},   // 103°
	fleet.Boost:                {0, 1e6, false},      // absolute
	fleet.BoostSetPoint:        {0, 1e6, false},      //
	fleet.IgnitionAngle:        {-1.6, 1.6, false},   // 92°
	fleet.KnockRetard:          {-0.1, 1, false},     // 57°
	fleet.Lambda:               {0.3, 100, false},    // fuel cut reads as free air
	fleet.CoolantTemperature:   {223, 443, false},    //
	fleet.OilTemperature:       {223, 493, false},    //
	fleet.TyreTemperature:      {223, 493, false},    //
}

// Everything holds every finite number: the range of a channel of the site's
// own.
var Everything = Range{-math.MaxFloat64, math.MaxFloat64, false}

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

	// The clock.
	Jitter       float64 // s, robust standard deviation of a sample's time about an even clock
	Duplicates   int     // samples at the time of the one before
	Duplicate    Span    // the first run of them
	StepsBack    int     // samples earlier than the one before
	LargestBack  float64 // s, by how much at most
	StepBack     Span    // of the largest: the time stepped back to, and from
	StampMissing int     // times that are not finite

	// The samples.
	Noise   float64 // robust standard deviation of their fast part, see Noise
	Quantum float64 // step that all differences are whole multiples of; 0: none seen
	// Clip is the stretch in which samples stand at the greatest or least
	// value although those around show that the quantity went on, Clipped the
	// value, Cut by about how much it went on. An empty span: none.
	Clip         Span
	Clipped, Cut float64
	// Spikes is the number of spikes of an inert channel, WorstSpike how far
	// the worst stands off, Spike the time from it to the last that follow on.
	Spikes     int
	WorstSpike float64
	Spike      Span
}

// IsClipped reports whether samples were clipped.
func (q Quality) IsClipped() bool { return q.Clip.End > q.Clip.Start }

// Good returns the number of samples that can be used.
func (q Quality) Good() int { return q.Samples - q.Missing - q.Outside }

// uniformTolerance is how far a sample's time may be from an even clock, as a
// ratio of the step, before the clock counts as uneven: at a slope a it moves a
// value by a·10⁻³·step, far below what any speed channel resolves.
const uniformTolerance = 1e-3

// Inspect looks a series over; its times and samples must be equal in number.
// Samples outside r count as bad. A gap is a stretch longer than maxGap, s,
// between good samples. A clock that does not rise is told (Duplicates,
// StepsBack, StampMissing); the rest is then of what Tidy keeps.
//
// Clipped are samples at the greatest (or least) value, when
//   - a run of at least four of them follows on samples that climb, and is
//     followed by samples that fall, so steeply that a parabola with those
//     slopes would have gone on by Cut = slope·W/5, above two quanta and four
//     standard deviations (W the run's length; the slope is that of W/4 on
//     either side, which a parabola has 5/4 as steep as at the run's ends); or
//   - at least five of them are outside their longest run and the noise is
//     above two quanta: noise does not hit one value twice. Cut is then the
//     noise.
func Inspect(s Series, r Range, maxGap float64) Quality {
	if len(s.T) != len(s.X) {
		panic("channel: times and samples differ in number")
	}
	q := Quality{Samples: len(s.T)}
	s = q.clock(s)
	q.Step = UsualStep(s.T)
	q.Uniform = isUniform(s.T, q.Step)
	q.Jitter = jitter(s.T, q.Step)
	worst, longestGap, longestHold := 0.0, 0.0, 0.0
	lastGood, holdFrom := -1, 0
	inBad := false
	all := q.Uniform && q.Step*(1+uniformTolerance) < maxGap && q.whole(s, r)
	for i, x := range s.X {
		if all {
			break
		}
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
				if gap > longestGap {
					longestGap, q.LongestGap = gap, Span{s.T[lastGood], s.T[i]}
				}
			}
			if x != s.X[lastGood] {
				holdFrom = i
			} else if hold := s.T[i] - s.T[holdFrom]; hold > longestHold {
				longestHold, q.LongestHold = hold, Span{s.T[holdFrom], s.T[i]}
			}
		}
		lastGood = i
	}
	if lastGood >= 0 {
		q.Last = s.T[lastGood]
	}
	good := s
	if q.Missing+q.Outside > 0 {
		good = within(s, r)
	}
	q.Noise, q.Quantum = Noise(good), quantum(good.X)
	if q.High > q.Low {
		q.clip(good, standAt(good.X, q.High, true), q.High)
		q.clip(good, standAt(good.X, q.Low, false), q.Low)
	}
	if r.Inert {
		q.spikes(good)
	}
	return q
}

// whole is Inspect's look at the samples of an even clock, when all are good; false,
// and nothing done, when they are not.
func (q *Quality) whole(s Series, r Range) bool {
	if len(s.X) == 0 {
		return false
	}
	low, high := s.X[0], s.X[0]
	from, longest, at := 0, 0, 0
	before := math.NaN()
	for i, x := range s.X {
		if !(x >= r.Low && x <= r.High) {
			return false
		}
		if x < low {
			low = x
		} else if x > high {
			high = x
		}
		if x != before {
			from = i
		} else if i-from > longest {
			longest, at = i-from, from
		}
		before = x
	}
	if !isFinite(low) || !isFinite(high) {
		return false
	}
	q.Low, q.High, q.First, q.Last = low, high, s.T[0], s.T[len(s.T)-1]
	if longest > 0 {
		q.LongestHold = Span{s.T[at], s.T[at+longest]}
	}
	return true
}

// clock looks at the times, and returns s with times that rise.
func (q *Quality) clock(s Series) Series {
	if n := len(s.T); n > 0 && s.T[0] >= -maxTime && s.T[n-1] <= maxTime && rises(s.T) {
		return s
	}
	last, rising := math.Inf(-1), true
	inRun := false
	for _, t := range s.T {
		switch {
		case !isFinite(t) || math.Abs(t) > maxTime:
			q.StampMissing++
			rising, inRun = false, false
			continue
		case t > last:
			inRun = false
		case t == last:
			q.Duplicates++
			if q.Duplicates == 1 {
				q.Duplicate, inRun = Span{t, t}, true
			} else if inRun {
				q.Duplicate.End = t
			}
			rising = false
		default:
			q.StepsBack++
			if back := last - t; back > q.LargestBack {
				q.LargestBack, q.StepBack = back, Span{t, last}
			}
			rising, inRun = false, false
		}
		last = t
	}
	if rising {
		return s
	}
	s, _ = Tidy(s)
	// What was dropped is in no other count.
	q.Samples = len(s.T)
	return s
}

// stand gathers the samples at a series' greatest (top) or least value.
type stand struct {
	top         bool
	count       int
	first, last int // samples
	from, to    int // longest run of samples without another between
}

// standAt gathers the samples of x that are value.
func standAt(x []float64, value float64, top bool) stand {
	e := stand{top: top}
	runFrom := 0
	for i, y := range x {
		if y != value {
			continue
		}
		if e.count == 0 {
			e.first, e.from, e.to, runFrom = i, i, i, i
		} else if e.last != i-1 {
			runFrom = i
		}
		if i-runFrom > e.to-e.from {
			e.from, e.to = runFrom, i
		}
		e.last = i
		e.count++
	}
	return e
}

// Fewest samples that are clipped: in a run, and outside the longest.
const (
	fewestClippedRun = 4
	fewestClipped    = 5
)

// clip judges the samples at an extreme, see Inspect.
func (q *Quality) clip(s Series, e stand, value float64) {
	if e.count < fewestClippedRun {
		return
	}
	keep := func(span Span, cut float64) {
		if cut > q.Cut && span.Length() > 0 {
			q.Clip, q.Clipped, q.Cut = span, value, cut
		}
	}
	run := Span{s.T[e.from], s.T[e.to]}
	if e.to-e.from+1 >= fewestClippedRun {
		width := math.Max(run.Length()/4, 3*q.Step)
		towards, sides, spread := 0.0, 0, 0.0
		for _, side := range [2]struct {
			span Span
			sign float64
		}{{Span{run.Start - width, run.Start - q.Step/2}, 1}, {Span{run.End + q.Step/2, run.End + width}, -1}} {
			f, ok := FitLocal(s, run.Start, side.span, 1)
			if !ok || f.Freedom < 1 {
				continue
			}
			slope := f.Slope * side.sign
			if !e.top {
				slope = -slope
			}
			if !(slope > 0) {
				sides = 0
				break
			}
			towards += slope
			spread += f.RSS / float64(f.Freedom) * f.VarSlope
			sides++
		}
		if sides > 0 {
			w := run.Length() / 5 / float64(sides)
			if cut := towards * w; cut > 2*q.Quantum && cut > 4*w*math.Sqrt(spread) && cut > 4*q.Noise*math.Sqrt(q.Step/run.Length()) {
				keep(run, cut)
				return
			}
		}
	}
	if e.count-(e.to-e.from+1) >= fewestClipped && q.Noise > 2*q.Quantum {
		keep(Span{s.T[e.first], s.T[e.last]}, q.Noise)
	}
}

// spikes counts the spikes of the good samples.
func (q *Quality) spikes(s Series) {
	all := spikesAbove(s, q.Noise, q.Quantum)
	q.Spikes = len(all)
	last := -1
	for k, p := range all {
		if math.Abs(p.off) > math.Abs(q.WorstSpike) {
			q.WorstSpike, last = p.off, k
			q.Spike = Span{s.T[p.index], s.T[p.index]}
		} else if last >= 0 && last == k-1 && p.index == all[k-1].index+1 {
			q.Spike.End, last = s.T[p.index], k
		}
	}
}

// jitter returns the robust standard deviation of a sample's time about an even
// clock of the usual step, s: that of the steps over √2, for times that err one
// by one.
func jitter(t []float64, usual float64) float64 {
	n := len(t) - 1
	if n < 2 {
		return 0
	}
	var buffer [stepSample]float64
	m := min(n, stepSample)
	for k := range m {
		i := k * n / m
		buffer[k] = math.Abs(t[i+1] - t[i] - usual)
	}
	return robust * median(buffer[:m]) / math.Sqrt2
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
	return median(buffer[:m])
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

// Clean returns s without the samples that are missing or outside r and, of an
// inert channel, without its spikes: a spike in a speed or a force would be
// spread by the local polynomial over its whole window, and by the load cell's
// integral over the rest of the sweep. Where more than a twentieth are spikes
// they are the signal, and stay. Inspect says how many there were. It returns s
// itself when there is nothing to drop.
func Clean(s Series, r Range) Series {
	s = within(s, r)
	if !r.Inert {
		return s
	}
	all := spikes(s)
	if len(all) == 0 || float64(len(all)) > mostSpikes*float64(len(s.X)) {
		return s
	}
	good := len(s.X) - len(all)
	both := make([]float64, 2*good)
	out := Series{T: both[:0:good], X: both[good:good]}
	for i, x := range s.X {
		if len(all) > 0 && all[0].index == i {
			all = all[1:]
			continue
		}
		out.T, out.X = append(out.T, s.T[i]), append(out.X, x)
	}
	return out
}

// within returns s without the samples that are missing or outside r; s itself
// when there are none.
func within(s Series, r Range) Series {
	first := 0
	for first < len(s.X) && r.Holds(s.X[first]) && isFinite(s.X[first]) {
		first++
	}
	if first == len(s.X) {
		return s
	}
	bad := 0
	for _, x := range s.X[first:] {
		if !r.Holds(x) || !isFinite(x) {
			bad++
		}
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
