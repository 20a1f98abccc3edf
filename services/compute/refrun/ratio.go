package refrun

import (
	"math"

	"rollcall/services/compute/finding"
	"rollcall/services/fleet"
)

// Ratio is what a pull says of how fast the engine turns for each metre of roller
// surface, where the engine speed is logged, in a locked gear:
//
//	ln(ω/v) = Level + Slope·(F − Force)
//
// ω engine speed in rad/s, v roller speed in m/s, F tractive force in N at the band
// points, by ordinary least squares; Force is their mean, where Level and Slope do
// not depend on each other. ULevel and USlope are standard uncertainties of the
// points' scatter about the line; what tyres and logger do from day to day is not in
// them.
type Ratio struct {
	Pull fleet.PullID
	// Judges: the pull is one of Run.Pulls; false: it was left out for its slip.
	Judges        bool
	Level, ULevel float64
	Slope, USlope float64 // 1/N
	Force         float64 // N
}

// Rise is by how much the ratio rises from no load to Force, as the slope has it: the
// tyres' creep and their slip. U is standard.
func (r Ratio) Rise() (rise, u float64) { return r.Slope * r.Force, r.USlope * r.Force }

const (
	// leastRatioPoints is of how many points a line and its scatter can be told.
	leastRatioPoints = 4
	// leastSpread is the relative spread of the force below which there is no slope.
	leastSpread = 1e-6
)

// RatioOf fits a pull's ratio. Engine speed, roller speed and force must be equally
// many; ok is false when they are too few, one is not positive, or the force is the
// same everywhere.
func RatioOf(pull fleet.PullID, engine, speed, force []float64) (r Ratio, ok bool) {
	if len(engine) < leastRatioPoints {
		return r, false
	}
	y := make([]float64, len(engine))
	for k := range engine {
		if !(engine[k] > 0) || !(speed[k] > 0) || !(force[k] > 0) || math.IsInf(engine[k], 1) || math.IsInf(speed[k], 1) || math.IsInf(force[k], 1) {
			return r, false
		}
		y[k] = math.Log(engine[k] / speed[k])
	}
	n := float64(len(y))
	r.Pull = pull
	for k := range y {
		r.Level += y[k] / n
		r.Force += force[k] / n
	}
	sxx, sxy := 0.0, 0.0
	for k := range y {
		d := force[k] - r.Force
		sxx += d * d
		sxy += d * (y[k] - r.Level)
	}
	if !(sxx > n*leastSpread*leastSpread*r.Force*r.Force) || math.IsInf(sxx, 1) {
		return r, false
	}
	r.Slope = sxy / sxx
	rest := 0.0
	for k := range y {
		e := y[k] - r.Level - r.Slope*(force[k]-r.Force)
		rest += e * e
	}
	s2 := rest / (n - 2)
	r.ULevel, r.USlope = math.Sqrt(s2/n), math.Sqrt(s2/sxx)
	return r, r.Level-r.Level == 0 && r.Slope-r.Slope == 0 && r.USlope-r.USlope == 0
}

// ratioOf is the ratio of a source: of one that may judge, or that was left out for
// nothing but its slip.
func ratioOf(s Source) (Ratio, bool) {
	c := s.Curve
	if c == nil || !c.EngineSpeedLogged || len(c.Band) != K {
		return Ratio{}, false
	}
	for _, f := range s.Findings {
		if f.Disqualifying && f.Kind != finding.Slip {
			return Ratio{}, false
		}
	}
	rows := make([]float64, 3*K)
	engine, speed, force := rows[:K], rows[K:2*K], rows[2*K:]
	for k, p := range c.Band {
		engine[k], speed[k], force[k] = p.EngineSpeed, p.Speed, p.TractiveForce
	}
	return RatioOf(s.Pull.ID, engine, speed, force)
}

// RunRatio is what a run's pulls say of the ratio together.
type RunRatio struct {
	// Level and Rise are means over the pulls, with standard uncertainties of the
	// pulls' scatter, or of their own where that is larger.
	Level, ULevel float64
	Rise, URise   float64
	Pulls         int
}

// MeanRatio returns the mean of a run's ratios; ok: it has one.
func MeanRatio(r *Run) (m RunRatio, ok bool) {
	n := len(r.Ratios)
	if n == 0 {
		return m, false
	}
	k := float64(n)
	var own, scatter [2]float64
	for _, x := range r.Ratios {
		rise, u := x.Rise()
		m.Level, m.Rise = m.Level+x.Level/k, m.Rise+rise/k
		own[0], own[1] = own[0]+x.ULevel*x.ULevel/(k*k), own[1]+u*u/(k*k)
	}
	for _, x := range r.Ratios {
		rise, _ := x.Rise()
		scatter[0] += (x.Level - m.Level) * (x.Level - m.Level)
		scatter[1] += (rise - m.Rise) * (rise - m.Rise)
	}
	if n > 1 {
		for i := range own {
			own[i] = max(own[i], scatter[i]/((k-1)*k))
		}
	}
	m.ULevel, m.URise = math.Sqrt(own[0]), math.Sqrt(own[1])
	m.Pulls = n
	return m, true
}
