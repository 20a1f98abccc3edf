package powercurve

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
)

// raw is what the local polynomials give at a grid point.
type raw struct {
	n, t     float64
	speed    channel.Local
	momentum channel.Local
	loadVar  float64 // of F_brake's share in momentum's slope, per variance of one reading
	load     channel.Local
	engine   channel.Local // zero when it is not logged
	read     bool          // n was read there, not given
	window   window
	rate     float64 // of the tractive force along the sweep: per s, or from step to step per rad/s
	along    float64 // of the speed, likewise
}

// noise pools the residuals of many local polynomials of one channel.
type noise struct {
	rss     float64
	freedom int
}

func (s *noise) add(f channel.Local) { s.rss, s.freedom = s.rss+f.RSS, s.freedom+f.Freedom }

// variance returns the variance of one sample.
func (s *noise) variance() float64 {
	if s.freedom == 0 {
		return 0
	}
	return s.rss / float64(s.freedom)
}

// axis says what a grid is of.
type axis uint8

const (
	byEngineSpeed axis = iota
	byRollerSpeed
)

// points returns the grid's points that lie inside the sweep. With interval 0
// each takes the usual window; otherwise the time in which the engine speed
// passes interval, rad/s, about it. In a sweep in steps they are the steps,
// whatever the grid.
func (r *reduction) points(m *model, of axis, grid []float64, interval float64) ([]Point, nearness) {
	count := len(grid)
	if len(r.steps) > 0 {
		count = len(r.steps)
	}
	if len(grid) == 0 && len(r.steps) == 0 {
		return nil, nearness{}
	}
	found := make([]raw, 0, count)
	var speedNoise, momentumNoise, loadNoise, engineNoise noise
	for i := range count {
		p, order := raw{}, r.window.Order
		var span channel.Span
		wide := false // span is the interval's
		if len(r.steps) > 0 {
			span, order = r.steps[i], stepOrder
			p.t = (span.Start + span.End) / 2
			p.read = true
		} else {
			var ok bool
			if of == byRollerSpeed {
				p.t, ok = r.timeOfSpeed(grid[i])
				p.read = true
			} else {
				p.t, ok = r.timeOf(grid[i])
				p.n = grid[i]
			}
			if !ok {
				continue
			}
			span = r.around(p.t, r.window.Length)
			if interval > 0 {
				if s := r.interval(p.n, interval); s.Length() > span.Length() {
					span, wide = s, true
				}
			}
		}
		var ok1, ok2, ok3 bool
		p.speed, ok1 = channel.FitLocal(r.speed, p.t, span, order)
		p.load, ok2 = channel.FitLocal(r.load, p.t, span, order)
		p.momentum, ok3 = channel.FitLocal(r.momentum, p.t, span, order)
		if !ok1 || !ok2 || !ok3 || p.speed.Freedom < 1 || p.load.Freedom < 1 || p.momentum.Freedom < 1 {
			continue // a gap; finding says so
		}
		if len(r.steps) == 0 && (wide || r.place.Length != r.window.Length) {
			// The speed where the engine speed is: read from windows of different
			// length, a brake that hunts would put them apart.
			near := r.around(p.t, r.place.Length)
			at, ok := channel.FitLocal(r.speed, p.t, near, order)
			if !ok {
				continue
			}
			p.speed.Value, p.speed.VarValue = at.Value, at.VarValue
			// Of two fits of one polynomial the wider is the best estimate, and
			// its covariance with the other's value that with its own.
			if near.Length() > span.Length() {
				p.speed.CovValueSlope = at.CovValueSlope
			}
		}
		p.window.first, _ = slices.BinarySearch(r.momentum.T, span.Start)
		p.window.last = p.window.first + len(r.momentum.Between(span).T)
		p.loadVar = r.sparse * p.momentum.VarSlopeOfSum(r.momentum)
		if r.logged {
			around := span
			if len(r.steps) == 0 {
				around = r.around(p.t, r.place.Length)
			}
			if f, ok := channel.FitLocal(r.engine, p.t, around, order); ok && (f.Slope > 0 || p.read) {
				p.engine = f
				engineNoise.add(f)
			}
		}
		if p.read {
			switch {
			case !r.logged:
				p.n = p.speed.Value * r.ratio
			case p.engine.N == 0:
				continue
			default:
				p.n = p.engine.Value
			}
			if !(p.n > 0) {
				continue
			}
			if of == byRollerSpeed && len(r.steps) == 0 {
				p.speed.Value = grid[i]
			}
		}
		speedNoise.add(p.speed)
		momentumNoise.add(p.momentum)
		loadNoise.add(p.load)
		par := m.cell.Parasitic.F1 + 2*m.cell.Parasitic.F2*p.speed.Value
		p.rate, p.along = p.momentum.Second+par*p.speed.Slope, p.speed.Slope
		found = append(found, p)
	}
	if len(r.steps) > 0 {
		found = r.alongSteps(m, found)
	}
	m.speedVar, m.loadVar = speedNoise.variance(), loadNoise.variance()
	m.momentumVar, m.engineVar = momentumNoise.variance(), engineNoise.variance()
	// Windows overlap: the sweep has no more samples than it has.
	m.freedom = math.Max(1, math.Min(float64(speedNoise.freedom), float64(len(r.momentum.T)-r.window.Order-1)))
	out := make([]Point, 0, len(found))
	slopes := make([]*channel.Local, 0, len(found))
	figures := make([]float64, 0, figuresPerPoint*len(found))
	for i := range found {
		point, more, ok := r.point(m, &found[i], of, figures)
		if ok {
			out, figures = append(out, point), more
			slopes = append(slopes, &found[i].momentum)
		}
	}
	return out, r.nearnessOf(m, out, slopes)
}

// alongSteps puts steps in the order of their engine speeds and gives each how
// force and speed go from step to step: a step stands at the engine speed read
// there, and a wrong reading puts it beside the curve.
func (r *reduction) alongSteps(m *model, found []raw) []raw {
	slices.SortStableFunc(found, func(a, b raw) int { return cmp.Compare(a.n, b.n) })
	force := func(p *raw) float64 { return p.momentum.Slope + m.cell.Parasitic.At(p.speed.Value) }
	for i := range found {
		p := &found[i]
		a, b := &found[max(i-1, 0)], &found[min(i+1, len(found)-1)]
		p.rate, p.along = 0, p.speed.Value/p.n
		if b.n > a.n {
			p.rate = (force(b) - force(a)) / (b.n - a.n)
		}
		p.read = false
	}
	return found
}

// interval returns the time in which the engine speed passes from half an
// interval below n to half above, cut to the sweep.
func (r *reduction) interval(n, interval float64) channel.Span {
	span := r.sweep
	if t, ok := r.timeOf(n - interval/2); ok {
		span.Start = t
	}
	if t, ok := r.timeOf(n + interval/2); ok {
		span.End = t
	}
	return span
}

// figuresPerPoint is how many optional figures a point can have.
const figuresPerPoint = 12

// point turns the local polynomials at a grid point into figures, with a budget
// after GUM. The optional figures are stored behind figures, which must have
// room. ok is false when a number is not finite.
func (r *reduction) point(m *model, p *raw, of axis, figures []float64) (_ Point, _ []float64, ok bool) {
	cell := &m.cell
	v, a := p.speed.Value, p.speed.Slope
	perReading := m.kappa / (1 + m.calibration.Gain) // N at the roller per N of reading
	out := Point{
		EngineSpeed: p.n, Time: p.t, Speed: v, Acceleration: a,
		BrakeForce:    p.momentum.Slope - cell.BaseInertia*a,
		TractiveForce: p.momentum.Slope + cell.Parasitic.At(v),
	}
	f := &out.fitted
	*f = fitted{
		rate: p.rate, along: p.along, jerk: p.speed.Second,
		bySpeed: of == byRollerSpeed || !m.logged, read: p.read,
		varSlope: p.speed.VarSlope, varValue: p.speed.VarValue, covariance: p.speed.CovValueSlope,
		load: perReading * perReading * m.loadVar * p.loadVar, window: p.window,
	}
	switch {
	case m.steady:
		f.shift, f.jerk = p.n, 0
		if p.engine.N > 0 {
			f.time = m.engineVar * p.engine.VarValue
		}
	case p.read:
		if p.engine.N > 0 {
			f.turn = m.engineVar * p.engine.VarValue / (p.n * p.n)
		}
	case p.engine.Slope > 0:
		f.time = m.engineVar * p.engine.VarValue / (p.engine.Slope * p.engine.Slope)
		f.shift = p.n / p.engine.Slope
	case !m.logged:
		f.shift = v / a
	}
	if f.bySpeed && !(f.along > 0) {
		return Point{}, figures, false
	}
	s, _ := m.figure(TractiveForce, &out)
	out.UOwnForce = math.Sqrt(s.own.variance())
	out.UTractiveForce = m.combined(&s)
	s, _ = m.figure(WheelPower, &out)
	out.WheelPower, out.UWheelPower = s.value, m.combined(&s)
	if !out.finite() {
		return Point{}, figures, false
	}
	for _, x := range [...]struct {
		figure   Figure
		value, u **float64
	}{
		{WheelTorque, &out.WheelTorque, &out.UWheelTorque},
		{LossForce, &out.Loss, &out.ULoss},
		{EnginePower, &out.EnginePower, &out.UEnginePower},
		{EngineTorque, &out.EngineTorque, &out.UEngineTorque},
		{CorrectedPower, &out.CorrectedPower, &out.UCorrectedPower},
		{CorrectedTorque, &out.CorrectedTorque, &out.UCorrectedTorque},
	} {
		s, ok := m.figure(x.figure, &out)
		if !ok {
			continue
		}
		u := m.combined(&s)
		if s.value-s.value != 0 || u-u != 0 {
			continue
		}
		figures = append(figures, s.value, u)
		*x.value, *x.u = &figures[len(figures)-2], &figures[len(figures)-1]
	}
	return out, figures, true
}

// finite reports whether the point's figures are numbers.
func (p *Point) finite() bool {
	for _, x := range [...]float64{
		p.EngineSpeed, p.Time, p.Speed, p.Acceleration, p.BrakeForce, p.TractiveForce,
		p.UTractiveForce, p.UOwnForce, p.WheelPower, p.UWheelPower,
	} {
		if x-x != 0 {
			return false
		}
	}
	return true
}

// reach is how far outside the coast-down's speeds the fitted loss is still
// used, as a ratio of speed. Common practice, no source: the fit's covariance
// is in U there, what a quadratic is not is not.
const reach = 0.1

// reaches reports whether a fit may be used at speed v.
func reaches(fit *coastdown.Fit, v float64) bool {
	return v <= fit.SpeedHigh*(1+reach) && v >= fit.SpeedLow*(1-reach)
}

// noteReach says which points the coast-down does not reach.
func (c *Curve) noteReach() {
	if c.Loss == nil {
		return
	}
	without := 0
	for _, p := range c.Points {
		if p.EnginePower == nil {
			without++
		}
	}
	if without > 0 {
		c.LossNote = fmt.Sprintf("engine power is not stated at %d of %d points: the coast-down covers %.1f to %.1f m/s and is used %.0f %% beyond; let the car roll out longer",
			without, len(c.Points), c.Loss.SpeedLow, c.Loss.SpeedHigh, 100*reach)
	}
}
