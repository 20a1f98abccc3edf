package powercurve

import (
	"fmt"
	"math"

	"rollcall/services/compute/gum"
)

// Peak is the greatest value of a figure along a curve.
//
// It is the top of the parabola fitted to the grid points within peakReach of
// the greatest one, so that it is not the luckiest point's noise; at an end of
// the sweep (AtEnd), where there is nothing to fit beyond, it is the greatest
// point itself. Its uncertainty has three parts. At a top the slope is nought,
// so that to first order the choice of the place does not matter and U is that of
// the parabola's value there: the shared inputs' whole, the noise's less for the
// points it averages. To second order a slope wrong by s lifts the top by
// s²/4c, 2c the parabola's curvature; its root mean square, √3·σ_s²/4c, is the
// uncertainty of having chosen the maximum, but no more than one point's noise:
// a choice among points cannot gain more. Where the points near the greatest
// do not bend down there is no top to fit: the greatest point is stated, and its
// own noise once more for the choice.
type Peak struct {
	EngineSpeed float64 // rad/s
	Value       float64
	Expanded    float64 // expanded uncertainty of Value, k = 2

	UEngineSpeed float64 // rad/s, standard; at an end of the sweep 0: the end is where it is
	U            float64 // standard uncertainty of Value, the choice with it
	UChoice      float64 // standard uncertainty from the choice of the maximum alone
	AtEnd        bool    // the figure still rises at the end of the sweep: the engine may give more beyond
}

// peakReach is how far from the greatest point the parabola of a peak reaches,
// ratio of its engine speed. Common practice, no source: over ±8 % a torque
// curve leaves its parabola by some 10⁻⁵ of its value (see the tests).
const peakReach = 0.08

// mostPeakPoints bounds the points of a peak's parabola.
const mostPeakPoints = 64

// weighed is a weighted sum of a figure over points.
type weighed struct {
	first  int
	weight []float64
}

// sum returns a weighted sum of a figure with everything its uncertainty is made of.
func (l *laid) sum(f Figure, points []Point, w weighed) (s state, ok bool) {
	// The noise of near points is correlated: each pair's in the shares the
	// first's own parts have.
	var states [mostPeakPoints]state
	at := states[:0]
	for k := range w.weight {
		x, ok := l.model.figure(f, &points[w.first+k])
		if !ok {
			return s, false
		}
		at = append(at, x)
	}
	for k, x := range at {
		s.value += w.weight[k] * x.value
		for t := range s.by {
			s.by[t] += w.weight[k] * x.by[t]
		}
	}
	for i := range at {
		for j := range at {
			r := l.near.at(w.first+i, w.first+j)
			if r == 0 {
				continue
			}
			f := w.weight[i] * w.weight[j] * r
			s.own.speed += f * math.Sqrt(math.Max(at[i].own.speed*at[j].own.speed, 0))
			s.own.load += f * math.Sqrt(math.Max(at[i].own.load*at[j].own.load, 0))
			s.own.time += f * math.Sqrt(math.Max(at[i].own.time*at[j].own.time, 0))
		}
	}
	return s, true
}

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
	atPoint := func(choice bool) (top, bool) {
		s, ok := l.model.figure(f, p)
		if !ok {
			return out, false
		}
		out.state, out.speed = s, p.Speed
		out.peak = Peak{EngineSpeed: p.EngineSpeed, Value: s.value, AtEnd: !choice}
		if choice {
			out.peak.UChoice = math.Sqrt(s.own.variance())
		}
		out.peak.state(l.model.combined(&s))
		return out, true
	}
	if best == first || best == last {
		return atPoint(false)
	}
	// At least two points on each side where there are two.
	low, high := best, best
	for low > first && best-low < mostPeakPoints/2-1 && (best-low < 2 || p.EngineSpeed-points[low-1].EngineSpeed <= peakReach*p.EngineSpeed) {
		low--
	}
	for high < last && high-best < mostPeakPoints/2-1 && (high-best < 2 || points[high+1].EngineSpeed-p.EngineSpeed <= peakReach*p.EngineSpeed) {
		high++
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
		return atPoint(true)
	}
	weights := func(at [3]float64, into *[mostPeakPoints]float64) weighed {
		for i := range near {
			x := (near[i].EngineSpeed - p.EngineSpeed) / width
			into[i] = 0
			for a := range at {
				into[i] += at[a] * (inverse[a][0] + x*(inverse[a][1]+x*inverse[a][2]))
			}
		}
		return weighed{low, into[:len(near)]}
	}
	var c [3]float64
	for i := range near {
		x := (near[i].EngineSpeed - p.EngineSpeed) / width
		v, stated := f.value(&near[i])
		if !stated {
			return atPoint(true)
		}
		for a := range c {
			c[a] += v * (inverse[a][0] + x*(inverse[a][1]+x*inverse[a][2]))
		}
	}
	at := -c[1] / (2 * c[2])
	if !(c[2] < 0) || !(at >= -1) || !(at <= 1) {
		return atPoint(true)
	}
	var a, b [mostPeakPoints]float64
	value, ok1 := l.sum(f, points, weights([3]float64{1, at, at * at}, &a))
	slope, ok2 := l.sum(f, points, weights([3]float64{0, 1, 2 * at}, &b))
	if !ok1 || !ok2 {
		return atPoint(true)
	}
	greatestPoint, _ := l.model.figure(f, p)
	curvature := -c[2] // half the second derivative
	out.state, out.speed = value, p.Speed
	out.peak = Peak{
		EngineSpeed: p.EngineSpeed + at*width, Value: value.value,
		// Somewhere in the parabola's reach is the least that is known.
		UEngineSpeed: width * math.Min(l.model.combined(&slope)/(2*curvature), 1/math.Sqrt(3)),
		UChoice:      math.Min(math.Sqrt(3)*slope.own.variance()/(4*curvature), math.Sqrt(greatestPoint.own.variance())),
	}
	out.peak.state(l.model.combined(&value))
	return out, true
}

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

// findPeaks finds the greatest figures of the points.
func (c *Curve) findPeaks() {
	l := &c.laid[OnPoints]
	if l.model == nil {
		return
	}
	for _, x := range [...]struct {
		figure Figure
		to     **Peak
	}{
		{WheelPower, &c.PeakWheelPower}, {EnginePower, &c.PeakEnginePower}, {EngineTorque, &c.PeakEngineTorque},
		{CorrectedPower, &c.PeakCorrectedPower}, {CorrectedTorque, &c.PeakCorrectedTorque},
	} {
		t, ok := l.top(x.figure, c.Points)
		p := t.peak
		for _, v := range [...]float64{p.EngineSpeed, p.Value, p.Expanded, p.UEngineSpeed, p.U, p.UChoice} {
			ok = ok && v-v == 0
		}
		if ok {
			*x.to = &p
		}
	}
}

// Mean is the mean of a figure over a band of engine speeds, by trapezoids
// between the points inside it.
type Mean struct {
	Figure    Figure
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
	t, err := c.Trace(f, g)
	if err != nil {
		return Mean{}, state{}, nil, err
	}
	first, last := -1, -1
	for k, n := range t.EngineSpeed {
		if n >= low && n <= high {
			if first < 0 {
				first = k
			}
			last = k
		}
	}
	if first < 0 || first == last {
		return Mean{}, state{}, nil, fmt.Errorf("%w: fewer than two points from %.0f to %.0f rpm state %s", ErrNoModel, low/rpm, high/rpm, f)
	}
	out := Mean{Figure: f, Low: t.EngineSpeed[first], High: t.EngineSpeed[last]}
	w := make([]float64, last-first+1)
	for k := first; k < last; k++ {
		share := (t.EngineSpeed[k+1] - t.EngineSpeed[k]) / (out.High - out.Low) / 2
		w[k-first] += share
		w[k-first+1] += share
	}
	var s state
	for k, x := range w {
		i := t.index[first+k]
		a, _ := l.model.figure(f, &points[i])
		s.value += x * a.value
		for t := range s.by {
			s.by[t] += x * a.by[t]
		}
		for j, y := range w {
			b, _ := l.model.figure(f, &points[t.index[first+j]])
			r := x * y * l.near.at(i, t.index[first+j])
			if r == 0 {
				continue
			}
			s.own.speed += r * math.Sqrt(math.Max(a.own.speed*b.own.speed, 0))
			s.own.load += r * math.Sqrt(math.Max(a.own.load*b.own.load, 0))
			s.own.time += r * math.Sqrt(math.Max(a.own.time*b.own.time, 0))
		}
	}
	out.Value = s.value
	return out, s, l, nil
}
