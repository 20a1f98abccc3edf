package fleetstate

import (
	"math"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// bandModes returns q ≤ K orthonormal polynomials over K band points, row by
// row: the mean times √K, the tilt, the bend, …: Gram–Schmidt on the powers of
// the point's place, each done twice to keep its digits.
func bandModes(k, q int) [][]float64 {
	q = min(q, k)
	out := make([][]float64, 0, q)
	for i := range q {
		v := make([]float64, k)
		for j := range v {
			x := 0.0
			if k > 1 {
				x = 2*float64(j)/float64(k-1) - 1
			}
			v[j] = math.Pow(x, float64(i))
		}
		for range 2 {
			for _, u := range out {
				c := 0.0
				for j := range v {
					c += v[j] * u[j]
				}
				for j := range v {
					v[j] -= c * u[j]
				}
			}
		}
		n := 0.0
		for _, x := range v {
			n += x * x
		}
		n = math.Sqrt(n)
		for j := range v {
			v[j] /= n
		}
		out = append(out, v)
	}
	return out
}

// intakeUnit and intakeAt give the covariate z = (T − intakeAt)/intakeUnit of a
// session whose air is known, else 0.
const (
	intakeUnit = 10.0   // K
	intakeAt   = 293.15 // K
)

// width is the number of a session's regressors and its observable: d errors,
// the car's rotating mass, its answer to the intake air, and y.
func width(d int) int { return d + 3 }

// stat is what a session's pulls say, all that the model asks of them. With the
// regressors and the observable of pull p in mode i written as one row z_ip,
// and λ_p the pull's weight,
//
//	mean[i]  = Σ λ_p·z_ip / Σ λ_p
//	level    = Σ λ_p·(z_0p − mean[0])'(z_0p − mean[0])
//	shape    = Σ_i≥1 Σ λ_p·(z_ip − mean[i])'(z_ip − mean[i])
//
// so that new variances cost no second pass over the points.
type stat struct {
	pulls  int
	points int       // K
	sum    float64   // Σ λ_p
	mean   []float64 // modes × width
	level  []float64 // width × width, symmetric, whole
	shape  []float64
}

// rows returns z_ip of one pull, modes × width. flat is K ones, curve the car's, see
// signature.
func rows(dst []float64, run *refrun.Run, p *refrun.Pull, modes [][]float64, faults []FaultModel, flat, curve []float64) {
	d := len(faults)
	w := width(d)
	k := len(flat)
	clear(dst)
	project := func(x []float64, at int) {
		if len(x) != k {
			return
		}
		for i, u := range modes {
			dst[i*w+at] = dot(u, x)
		}
	}
	for f := range faults {
		project(signature(p, faults[f].Fault, flat, curve), f)
	}
	project(signature(p, fleet.FaultInertia, flat, curve), d)
	for i := range modes {
		dst[i*w+d] = -dst[i*w+d]
	}
	if run.Air.Temperature > 0 {
		dst[d+1] = (run.Air.Temperature - intakeAt) / intakeUnit * math.Sqrt(float64(k))
	}
	project(p.Y, d+2)
}

// signature is ∂y/∂x of a fault at every band point; nil: the pull does not say.
//
// The pull gives it with its own tractive force F in it, and with F the noise that is
// in y: an error X = −F of the zero would make y − X/F free of noise, and the
// likelihood would find it. So where the pull says its force, F is taken as the car's
// curve has it, F̂: 1/F becomes 1/F̂, and of the gain, whose 1 − S is what the brake does
// not hold over F, 1 − S.
func signature(p *refrun.Pull, f fleet.Fault, flat, curve []float64) []float64 {
	s := p.Signature[f]
	switch {
	case f == fleet.FaultAir || f == fleet.FaultOther:
		if s == nil {
			return flat
		}
		return s
	case s == nil || len(curve) != len(s) || len(p.Force) != len(s):
		return s
	}
	out := make([]float64, len(s))
	for k, x := range s {
		over := p.Force[k] * math.Exp(p.LnC) / curve[k]
		if !(over > 0) || math.IsInf(over, 1) {
			return s
		}
		if f == fleet.FaultGain {
			out[k] = 1 - (1-x)*over
		} else {
			out[k] = x * over
		}
	}
	return out
}

// curveOf is the mean of C·F over a run's pulls; nil where they do not say their force.
func curveOf(run *refrun.Run) []float64 {
	out := make([]float64, len(run.Pulls[0].Y))
	for i := range run.Pulls {
		p := &run.Pulls[i]
		if len(p.Force) != len(out) {
			return nil
		}
		axpy(math.Exp(p.LnC)/float64(len(run.Pulls)), p.Force, out)
	}
	return out
}

// ones is n ones.
func ones(n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 1
	}
	return out
}

// newStat sums a run up. weights may be nil: every pull counts whole. curve is its
// car's.
func newStat(run *refrun.Run, modes [][]float64, faults []FaultModel, curve, weights []float64) stat {
	q, w := len(modes), width(len(faults))
	s := stat{pulls: len(run.Pulls), points: len(modes[0]), mean: make([]float64, q*w), level: make([]float64, w*w), shape: make([]float64, w*w)}
	all := make([]float64, len(run.Pulls)*q*w)
	flat := ones(s.points)
	for p := range run.Pulls {
		z := all[p*q*w : (p+1)*q*w]
		rows(z, run, &run.Pulls[p], modes, faults, flat, curve)
		l := 1.0
		if weights != nil {
			l = weights[p]
		}
		s.sum += l
		for i, x := range z {
			s.mean[i] += l * x
		}
	}
	for i := range s.mean {
		s.mean[i] /= s.sum
	}
	dev := make([]float64, w)
	for p := range run.Pulls {
		l := 1.0
		if weights != nil {
			l = weights[p]
		}
		for i := range q {
			for j := range dev {
				dev[j] = all[(p*q+i)*w+j] - s.mean[i*w+j]
			}
			dst := s.level
			if i > 0 {
				dst = s.shape
			}
			for a, x := range dev {
				for b, y := range dev {
					dst[a*w+b] += l * x * y
				}
			}
		}
	}
	return s
}

// noise holds the variances of a session's pieces.
type noise struct {
	meanLevel float64 // of mode 0's mean
	meanShape float64 // of each other mode's mean
	level     float64 // of a pull's mode 0 about the mean
	shape     float64 // of a pull's other modes about theirs
}

// noiseOf returns, with K band points, n pulls (Σλ) and the session's weight λ,
//
//	meanLevel = (K·σ_s² + (K·σ_p² + σ_ε²)/n)/λ    level = K·σ_p² + σ_ε²
//	meanShape = (K·σ_tilt² + σ_ε²/n)/λ            shape = σ_ε²
func noiseOf(s *stat, lambda float64, v *Variances) noise {
	k := float64(s.points)
	n := noise{level: k*v.Pull + v.Point, shape: v.Point}
	n.meanLevel = (k*v.Session + n.level/s.sum) / lambda
	n.meanShape = (k*v.Tilt + n.shape/s.sum) / lambda
	return n
}
