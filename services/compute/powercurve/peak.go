package powercurve

import (
	"fmt"
	"math"

	"rollcall/services/compute/gum"
)

// Peak is the greatest value of a figure along a curve.
//
// It is the top, within the sweep, of the parabola fitted to the grid points
// about the greatest one, so that it is not the luckiest point's noise. At a top
// the slope is nought: to first order the choice of the place does not matter, and
// U is that of the parabola's value there: the shared inputs' whole, the noise's
// less for the points it averages. To second order a slope wrong by s lifts the
// top by s²/4c, 2c the parabola's curvature: the greatest of noisy figures is too
// great. What that is in the mean, Lift, is taken off (JCGM 100:2008, 3.2.4), and
// what it scatters about the mean is UChoice; see choice for both, also near an
// end of the sweep.
type Peak struct {
	EngineSpeed float64 // rad/s
	Value       float64
	Expanded    float64 // expanded uncertainty of Value, k = 2

	UEngineSpeed float64 // rad/s, standard
	U            float64 // standard uncertainty of Value, the choice with it
	UChoice      float64 // standard uncertainty from the choice of the maximum alone
	Lift         float64 // by how much noise lifts a top in the mean; Value is without it
	AtEnd        bool    // the figure still rises at the end of the sweep: the engine may give more beyond
}

// peakReach is how far from the greatest point the parabola of a peak reaches,
// ratio of its engine speed; what an end of the sweep takes from one side is added
// on the other. Common practice, no source: over ±8 % a torque curve leaves its
// parabola by some 10⁻⁵ of its value (see the tests).
const peakReach = 0.08

// mostPeakPoints bounds the points of a peak's parabola.
const mostPeakPoints = 64

// states appends a figure at points with everything its uncertainty is made of;
// ok is false when it is not stated at one of them.
func (l *laid) states(to []state, f Figure, points []Point) (_ []state, ok bool) {
	for k := range points {
		s, ok := l.model.figure(f, &points[k])
		if !ok {
			return to, false
		}
		to = append(to, s)
	}
	return to, true
}

// sum returns a weighted sum of the states of points from first on.
func (l *laid) sum(states []state, first int, weight []float64) (s state) {
	for k := range states {
		x, w := &states[k], weight[k]
		s.value += w * x.value
		for t := range s.by {
			s.by[t] += w * x.by[t]
		}
		// The noise of near points is correlated: each pair's in the shares
		// the points' own parts have.
		for j := k; j < len(states) && j-k <= l.near.reach; j++ {
			r := w * weight[j] * l.near.at(first+k, first+j)
			if r == 0 {
				continue
			}
			if j > k {
				r *= 2
			}
			y := &states[j].own
			s.own.speed += r * geometric(x.own.speed, y.speed)
			s.own.load += r * geometric(x.own.load, y.load)
			s.own.time += r * geometric(x.own.time, y.time)
		}
	}
	return s
}

// geometric returns √(a·b); 0 where one is negative.
func geometric(a, b float64) float64 { return math.Sqrt(math.Max(a, 0) * math.Max(b, 0)) }

// top is a peak with what its budget is made of.
type top struct {
	peak  Peak
	state state // of the value, without the choice
	speed float64
}

// top finds the peak of a figure along points; ok is false when the figure is
// stated nowhere.
func (l *laid) top(f Figure, points []Point) (out top, ok bool) {
	best, first, last := -1, -1, -1
	greatest := 0.0
	for i := range points {
		v, stated := f.value(&points[i])
		if !stated {
			continue
		}
		if best < 0 || v > greatest {
			best, greatest = i, v
		}
		if first < 0 {
			first = i
		}
		last = i
	}
	if best < 0 {
		return out, false
	}
	p := &points[best]
	// At least two points on each side where there are two.
	beside := func(i int) float64 { return math.Abs(points[i].EngineSpeed/p.EngineSpeed - 1) }
	below := peakReach + math.Max(0, peakReach-beside(last))
	above := peakReach + math.Max(0, peakReach-beside(first))
	low, high := best, best
	for low > first && best-low < mostPeakPoints/2-1 && (best-low < 2 || beside(low-1) <= below) {
		low--
	}
	for high < last && high-best < mostPeakPoints/2-1 && (high-best < 2 || beside(high+1) <= above) {
		high++
	}
	atPoint := func() (top, bool) {
		s, ok := l.model.figure(f, p)
		if !ok {
			return out, false
		}
		out.state, out.speed = s, p.Speed
		out.peak = Peak{EngineSpeed: p.EngineSpeed, Value: s.value, AtEnd: best == first || best == last}
		out.peak.state(l.model.combined(&s))
		return out, true
	}
	if high-low < 2 {
		return atPoint()
	}
	near := points[low : high+1]
	width := math.Max(p.EngineSpeed-near[0].EngineSpeed, near[len(near)-1].EngineSpeed-p.EngineSpeed)
	var moment [5]float64
	for i := range near {
		x := (near[i].EngineSpeed - p.EngineSpeed) / width
		for k, power := 0, 1.0; k < len(moment); k, power = k+1, power*x {
			moment[k] += power
		}
	}
	// Rows of (ΦᵀΦ)⁻¹ give the weights of the parabola's coefficients.
	inverse, solved := invert3([3][3]float64{
		{moment[0], moment[1], moment[2]}, {moment[1], moment[2], moment[3]}, {moment[2], moment[3], moment[4]},
	})
	if !solved {
		return atPoint()
	}
	var buffer [mostPeakPoints]state
	states, stated := l.states(buffer[:0], f, near)
	if !stated {
		return atPoint()
	}
	sum := func(at [3]float64) state {
		var weight [mostPeakPoints]float64
		for i := range near {
			x := (near[i].EngineSpeed - p.EngineSpeed) / width
			for a := range at {
				weight[i] += at[a] * (inverse[a][0] + x*(inverse[a][1]+x*inverse[a][2]))
			}
		}
		return l.sum(states, low, weight[:len(near)])
	}
	var c [3]float64
	for i := range near {
		x := (near[i].EngineSpeed - p.EngineSpeed) / width
		for a := range c {
			c[a] += states[i].value * (inverse[a][0] + x*(inverse[a][1]+x*inverse[a][2]))
		}
	}
	// The top between the ends; of a parabola that bends up, the higher end.
	from, to := (near[0].EngineSpeed-p.EngineSpeed)/width, (near[len(near)-1].EngineSpeed-p.EngineSpeed)/width
	along := func(x float64) float64 { return c[0] + x*(c[1]+x*c[2]) }
	at := from
	if along(to) > along(from) {
		at = to
	}
	if x := -c[1] / (2 * c[2]); c[2] < 0 && x > from && x < to {
		at = x
	}
	value, slope := sum([3]float64{1, at, at * at}), sum([3]float64{0, 1, 2 * at})
	ends := ends{below: at - from, above: to - at, slope: c[1] + 2*at*c[2]}
	own := ends.choice(-c[2], math.Sqrt(slope.own.variance()))
	whole := ends.choice(-c[2], l.model.combined(&slope))
	value.value -= own.lift
	out.state, out.speed = value, p.Speed
	out.peak = Peak{
		EngineSpeed: p.EngineSpeed + at*width, Value: value.value, Lift: own.lift,
		UEngineSpeed: width * whole.uPlace, UChoice: own.u,
		AtEnd: at == from && low == first || at == to && high == last,
	}
	out.peak.state(l.model.combined(&value))
	return out, true
}

// ends is where a top stands between the ends of its parabola.
type ends struct {
	below, above float64 // distances from the ends, one of them 0 when it stands at one
	slope        float64 // there; 0 at a top
}

// choice is what noise does to the greatest value of a parabola.
type choice struct {
	lift, u float64 // mean of what it is too great by, and standard deviation about it
	uPlace  float64 // standard deviation of the place
}

// choice returns what a slope of standard uncertainty u does to a top. The
// parabola's top is then displaced by σ·g, σ = u/2c, g a standard normal number,
// but no further than to an end, k·σ away. That lifts the greatest value by
//
//	c·σ²·(2·g·m − m²),  m = min(g, k)
//
// which is c·σ²·g² where no end is near. Where the figure still rises at the end,
// by a slope s, j = s/u, the greatest value is the end's, and noise lifts it by
// c·σ²·(g + j)² only where it turns the slope, g < −j. The means and mean squares
// of these are integrals of the normal density, in closed form; the place that is
// found stands for the true one. A parabola hardly bent, or bent up, is taken to be
// bent so far that σ is the distance of its ends.
func (e ends) choice(bend, u float64) choice {
	if !(u > 0) {
		return choice{}
	}
	bend = math.Max(bend, u/(2*(e.below+e.above)))
	sigma := u / (2 * bend)
	lift := bend * sigma * sigma
	var mean, square, place, placeSquare float64
	if j := math.Abs(e.slope) / u; e.below == 0 || e.above == 0 {
		p, d := phi(-j), density(j)
		mean = (1+j*j)*p - j*d
		square = (3+j*j*(6+j*j))*p - j*(j*j+5)*d
		// min(g, −j)
		place = -d - j*(1-p)
		placeSquare = p + j*d + j*j*(1-p)
	} else {
		for _, side := range [2]struct{ k, sign float64 }{{e.above / sigma, 1}, {e.below / sigma, -1}} {
			k := side.k
			p, d := phi(-k), density(k)
			mean += 0.5 - p + k*d - k*k*p
			square += 3*(0.5-p) - k*(k*k+3)*d + k*k*(4+k*k)*p
			place += side.sign * (density(0) - d + k*p)
			placeSquare += 0.5 - p - k*d + k*k*p
		}
	}
	return choice{
		lift: lift * math.Max(mean, 0), u: lift * math.Sqrt(math.Max(square-mean*mean, 0)),
		uPlace: sigma * math.Sqrt(math.Max(placeSquare-place*place, 0)),
	}
}

// density is that of the standard normal distribution, phi its distribution.
func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
func phi(x float64) float64     { return math.Erfc(-x/math.Sqrt2) / 2 }

// state adds the choice to a standard uncertainty.
func (p *Peak) state(u float64) {
	p.U = math.Hypot(u, p.UChoice)
	p.Expanded = gum.K * p.U
}

// invert3 returns the inverse of a positive definite matrix; false when it is
// (nearly) none.
func invert3(a [3][3]float64) (out [3][3]float64, ok bool) {
	cofactor := func(i, j int) float64 {
		i1, i2, j1, j2 := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return a[i1][j1]*a[i2][j2] - a[i1][j2]*a[i2][j1]
	}
	det := a[0][0]*cofactor(0, 0) + a[0][1]*cofactor(0, 1) + a[0][2]*cofactor(0, 2)
	// Three points at −1, 0 and 1 have 4.
	if !(det > 1e-6) || math.IsInf(det, 1) {
		return out, false
	}
	for i := range out {
		for j := range out {
			out[i][j] = cofactor(j, i) / det
		}
	}
	return out, true
}

// findPeaks finds the headline figures: the greatest of the points, and the means
// over the band, or over the points where there is none.
func (c *Curve) findPeaks() {
	grid := OnPoints
	if len(c.Band) > 1 {
		grid = OnBand
	}
	for _, x := range [...]struct {
		figure Figure
		peak   **Peak
		mean   **Mean
	}{
		{WheelPower, &c.PeakWheelPower, &c.MeanWheelPower},
		{EnginePower, &c.PeakEnginePower, &c.MeanEnginePower},
		{EngineTorque, &c.PeakEngineTorque, &c.MeanEngineTorque},
		{CorrectedPower, &c.PeakCorrectedPower, &c.MeanCorrectedPower},
		{CorrectedTorque, &c.PeakCorrectedTorque, &c.MeanCorrectedTorque},
	} {
		if l := &c.laid[OnPoints]; l.model != nil {
			t, ok := l.top(x.figure, c.Points)
			p := t.peak
			for _, v := range [...]float64{p.EngineSpeed, p.Value, p.Expanded, p.UEngineSpeed, p.U, p.UChoice, p.Lift} {
				ok = ok && v-v == 0
			}
			if ok {
				*x.peak = &p
			}
		}
		m, err := c.BandMean(x.figure, grid, 0, math.Inf(1))
		if v := m.Value + m.Expanded; err == nil && v-v == 0 {
			*x.mean = &m
		}
	}
}

// Mean is the mean of a figure over a band of engine speeds, by trapezoids
// between the points inside it.
type Mean struct {
	Figure    Figure
	Grid      Grid
	Low, High float64 // rad/s, first and last point of it
	Value     float64
	U         float64 // standard uncertainty: shared inputs do not average out
	Expanded  float64 // k = 2
}

// BandMean returns the mean of a figure over the points of a grid with engine
// speeds from low to high, rad/s. It returns ErrNoModel when fewer than two have
// it.
func (c *Curve) BandMean(f Figure, g Grid, low, high float64) (Mean, error) {
	out, s, l, err := c.bandMean(f, g, low, high)
	if err != nil {
		return Mean{}, err
	}
	out.U = l.model.combined(&s)
	out.Expanded = gum.K * out.U
	return out, nil
}

func (c *Curve) bandMean(f Figure, g Grid, low, high float64) (Mean, state, *laid, error) {
	points, l, err := c.on(g)
	if err != nil {
		return Mean{}, state{}, nil, err
	}
	first, last := -1, -1
	for k := range points {
		if _, stated := f.value(&points[k]); stated && points[k].EngineSpeed >= low && points[k].EngineSpeed <= high {
			if first < 0 {
				first = k
			}
			last = k
		}
	}
	var buffer [mostPeakPoints]state
	weight := make([]float64, 0, mostPeakPoints)
	states := buffer[:0]
	if first < 0 || !(points[last].EngineSpeed > points[first].EngineSpeed) {
		return Mean{}, state{}, nil, fmt.Errorf("%w: fewer than two points from %.0f to %.0f rpm state %s", ErrNoModel, low/rpm, high/rpm, f)
	}
	out := Mean{Figure: f, Grid: g, Low: points[first].EngineSpeed, High: points[last].EngineSpeed}
	before := -1 // the stated point before
	for k := first; k <= last; k++ {
		weight = append(weight, 0)
		s, ok := l.model.figure(f, &points[k])
		if _, stated := f.value(&points[k]); !stated || !ok {
			s = state{} // with no weight
		} else {
			if before >= 0 {
				share := (points[k].EngineSpeed - points[before].EngineSpeed) / (out.High - out.Low) / 2
				weight[before-first] += share
				weight[k-first] += share
			}
			before = k
		}
		states = append(states, s)
	}
	s := l.sum(states, first, weight)
	out.Value = s.value
	return out, s, l, nil
}
