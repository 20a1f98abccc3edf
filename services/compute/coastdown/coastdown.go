// Package coastdown measures loss forces from coast-downs: of a car in neutral
// (driveline and tyres), or of the empty rollers (parasitic loss).
//
// In: roller speed, residual brake force, equivalent mass. Out: F0, F1, F2 of
// the loss force with their covariance, and coast times in closed form. It sits
// between channel and powercurve.
//
// # Why the integrated equation of motion
//
// The loss force could be read off M·dv/dt point by point. But a derivative of
// noisy speeds is noisy, its noise is correlated from point to point, and it
// needs a window whose ends are lost; and v itself, noisy, is then the
// regressor, which pulls the slope towards zero. Regress instead fits the
// motion integrated from the first sample,
//
//	M·(v(0) − v(t)) − ∫F_brake dt = c + F0·t + F1·∫v dt + F2·∫v² dt
//
// where the noise of the speed enters the left side once, white and of one
// size, so that ordinary least squares is the best linear estimate with unit
// weights, while the integrals on the right average the noise away: over 600
// seeded runs the mean error is within its own uncertainty of 0. c takes the
// noise of the first sample. It is linear, has no starting value and no window.
//
// The mean-force shortcut M·Δv/Δt is not used: over 70 to 60 km/h it is half a
// per cent off (see the test on 40 CFR 86.529-98).
package coastdown

import (
	"errors"
	"fmt"
	"math"

	"rollcall/services/compute/channel"
	"rollcall/services/fleet"
)

// Input is one coast-down, cut to the part where nothing drives the rollers.
type Input struct {
	Speed channel.Series // m/s at the roller surface
	Brake channel.Series // N at the roller surface, positive when it slows; empty: none
	Mass  float64        // kg, equivalent mass at the roller surface of all that turns
}

// Fit is a measured loss force
//
//	F(v) = F0 + F1·v + F2·v²
type Fit struct {
	Loss      fleet.Loss
	Cov       [3][3]float64 // of F0, F1, F2 from noise; the mass's uncertainty is not in it
	Mass      float64       // kg, as given
	SpeedLow  float64       // m/s, slowest in the fit
	SpeedHigh float64       // m/s, fastest in the fit
	Span      channel.Span
	Samples   int
	Freedom   int     // degrees of freedom of Noise
	Noise     float64 // m/s, standard deviation of the speed about the fit
	Brake     float64 // N, mean residual brake force
	// Drag is the residual brake force over speed, fitted with the weights that
	// Loss is, so that Loss + Drag is exactly in proportion to Mass, and what
	// scales the brake force moves Loss by exactly −Drag.
	Drag fleet.Loss
}

// The reasons why a coast-down cannot be fitted.
var (
	ErrShort = errors.New("coastdown: too short to tell the loss force")
	ErrMass  = errors.New("coastdown: the mass that coasts is not positive")
	// ErrNoStop is returned by Time when the loss force is not positive all the
	// way, so that the lower speed is never reached.
	ErrNoStop = errors.New("coastdown: the loss force does not slow it all the way")
)

// A fit needs this many samples and this fall in speed, as a ratio of the
// highest: with less, three coefficients are a way of writing down one mean.
const (
	fewestSamples = 20
	leastFall     = 0.15
)

// At returns the loss force at speed v, N.
func (f Fit) At(v float64) float64 { return f.Loss.At(v) }

// Slowing returns the whole force that slowed the mass at speed v, loss and
// residual brake force, −M·dv/dt, N. ∂F/∂M = Slowing/M.
func (f Fit) Slowing(v float64) float64 { return f.Loss.At(v) + f.Drag.At(v) }

// U returns the standard uncertainty of the loss force at speed v that the
// noise of the fit gives, N,
//
//	u² = gᵀ·Cov·g,  g = (1, v, v²)
func (f Fit) U(v float64) float64 {
	g := [3]float64{1, v, v * v}
	sum := 0.0
	for i := range g {
		for j := range g {
			sum += g[i] * f.Cov[i][j] * g[j]
		}
	}
	return math.Sqrt(math.Max(sum, 0))
}

// Regress returns the loss force of a coast-down by least squares on the
// integrated equation of motion (see the package comment). Missing samples are
// skipped; integrals are by the trapezoid rule on the speed's clock, with the
// brake force by straight lines between its samples.
//
// The brake may still drag: its force is taken out as it was measured, whatever
// it does over speed (see Fit.Drag). What drags without the load cell seeing it,
// its bearings, is part of the loss.
//
// The covariance has two parts: the speed's noise, from the residuals, and the
// brake force's, whose integral is a random walk, from the brake's own second
// differences.
//
// It returns ErrMass, an error of channel.Check, or ErrShort.
func Regress(in Input) (Fit, error) {
	if !(in.Mass > 0) || math.IsInf(in.Mass, 1) {
		return Fit{}, ErrMass
	}
	if err := channel.Check(in.Speed); err != nil {
		return Fit{}, fmt.Errorf("read speed of coast-down: %w", err)
	}
	speed := channel.Clean(in.Speed, channel.Everything)
	n := len(speed.T)
	if n < fewestSamples {
		return Fit{}, fmt.Errorf("%w: %d samples of %d", ErrShort, n, fewestSamples)
	}
	low, high := speed.X[0], speed.X[0]
	for _, v := range speed.X {
		low, high = math.Min(low, v), math.Max(high, v)
	}
	if !(high-low > leastFall*high) {
		return Fit{}, fmt.Errorf("%w: speed falls from %.3g to %.3g m/s only", ErrShort, high, low)
	}
	brake := in.Brake
	if len(brake.T) > 0 {
		if err := channel.Check(brake); err != nil {
			return Fit{}, fmt.Errorf("read brake force of coast-down: %w", err)
		}
		brake = channel.Clean(brake, channel.Everything)
	}

	r := regression{mass: in.Mass, middle: (high + low) / 2, half: (high - low) / 2}
	// One allocation: for each sample the three regressors and the left side.
	r.rows = make([]row, n)
	meanBrake := r.integrate(speed, brake)
	r.center()
	if !r.solve() {
		return Fit{}, fmt.Errorf("%w: the speeds do not tell constant, linear and quadratic loss apart", ErrShort)
	}
	r.covariance(speed.T, brake)

	out := Fit{
		Mass: in.Mass, SpeedLow: low, SpeedHigh: high, Samples: n, Freedom: n - 4,
		Span: channel.Span{Start: speed.T[0], End: speed.T[n-1]}, Noise: r.noise, Brake: meanBrake,
	}
	out.Loss, out.Cov = r.coefficients()
	out.Drag = r.powers(r.drag)
	for _, x := range []float64{out.Loss.F0, out.Loss.F1, out.Loss.F2, out.Drag.F0, out.Drag.F1, out.Drag.F2, out.Noise, out.Cov[0][0], out.Cov[1][1], out.Cov[2][2]} {
		if x-x != 0 {
			return Fit{}, fmt.Errorf("%w: the numbers are too large to compute with", ErrShort)
		}
	}
	return out, nil
}

// row is one sample of the regression: ∫P_k(u) dt for k = 0 … 2, the left side
// M·(v(0) − v) − ∫F_brake dt, and ∫F_brake dt by itself.
type row struct {
	x       [3]float64
	y       float64
	impulse float64
}

// regression is the fit in Legendre polynomials of u = (v − middle)/half,
// −1 … 1, which keeps the normal equations well conditioned:
//
//	F(v) = c0 + c1·u + c2·(3u² − 1)/2
type regression struct {
	mass, middle, half float64
	rows               []row
	normal             [3][3]float64 // Σ x·xᵀ, centred
	inverse            [3][3]float64
	c                  [3]float64
	drag               [3]float64 // of the brake force alone
	cov                [3][3]float64
	noise              float64 // m/s
}

// basis returns P_0 … P_2 at speed v.
func (r *regression) basis(v float64) [3]float64 {
	u := (v - r.middle) / r.half
	return [3]float64{1, u, (3*u*u - 1) / 2}
}

// integrate fills the rows and returns the mean brake force, N.
func (r *regression) integrate(speed, brake channel.Series) (meanBrake float64) {
	p0, b0, impulse := r.basis(speed.X[0]), at(brake, speed.T[0], new(int)), 0.0
	var sum [3]float64
	j := 0
	for i := range r.rows {
		p1, b1 := r.basis(speed.X[i]), at(brake, speed.T[i], &j)
		if i > 0 {
			half := (speed.T[i] - speed.T[i-1]) / 2
			for k := range sum {
				sum[k] += half * (p0[k] + p1[k])
			}
			impulse += half * (b0 + b1)
		}
		r.rows[i] = row{sum, r.mass*(speed.X[0]-speed.X[i]) - impulse, impulse}
		p0, b0 = p1, b1
	}
	return impulse / (speed.T[len(speed.T)-1] - speed.T[0])
}

// at returns s at time t by straight lines, its end values beyond its ends, 0
// when it is empty. from is where the last search ended; t must not fall.
func at(s channel.Series, t float64, from *int) float64 {
	n := len(s.T)
	if n == 0 {
		return 0
	}
	j := *from
	for j < n && s.T[j] < t {
		j++
	}
	*from = j
	switch {
	case j == 0:
		return s.X[0]
	case j == n:
		return s.X[n-1]
	}
	w := (t - s.T[j-1]) / (s.T[j] - s.T[j-1])
	return s.X[j-1]*(1-w) + s.X[j]*w
}

// center takes the mean off the rows: that is the constant c of the fit.
func (r *regression) center() {
	var mean row
	n := float64(len(r.rows))
	for _, w := range r.rows {
		for k := range w.x {
			mean.x[k] += w.x[k] / n
		}
		mean.y += w.y / n
	}
	for i := range r.rows {
		w := &r.rows[i]
		for k := range w.x {
			w.x[k] -= mean.x[k]
		}
		w.y -= mean.y
	}
}

// solve finds c and the noise; false when the rows do not determine it.
func (r *regression) solve() bool {
	var right, brake [3]float64
	for _, w := range r.rows {
		for i := range right {
			right[i] += w.x[i] * w.y
			brake[i] += w.x[i] * w.impulse // x is centred; impulse need not be
			for j := range i + 1 {
				r.normal[i][j] += w.x[i] * w.x[j]
			}
		}
	}
	for i := range right {
		for j := range i {
			r.normal[j][i] = r.normal[i][j]
		}
	}
	var ok bool
	if r.inverse, ok = invert(r.normal); !ok {
		return false
	}
	r.c, r.drag = apply(r.inverse, right), apply(r.inverse, brake)
	rss := 0.0
	for _, w := range r.rows {
		e := w.y
		for k := range r.c {
			e -= r.c[k] * w.x[k]
		}
		rss += e * e
	}
	r.noise = math.Sqrt(rss/float64(len(r.rows)-4)) / r.mass
	return true
}

// covariance finds the covariance of c: that of the speed's noise, M²σ²·N⁻¹,
// and that of the brake force's, whose sample j moves every row from j on,
//
//	σ_b²·N⁻¹·(Σ_j w_j²·S_j·S_jᵀ)·N⁻¹,  S_j = Σ_{i≥j} x_i,  w_j its time step
func (r *regression) covariance(t []float64, brake channel.Series) {
	m2 := r.mass * r.mass * r.noise * r.noise
	var walk [3][3]float64
	if sigma := whiteNoise(brake.X); sigma > 0 {
		// A brake sampled more slowly than the speed has fewer, heavier samples.
		span := t[len(t)-1] - t[0]
		sparse := math.Max(1, channel.UsualStep(brake.T)*float64(len(t)-1)/span)
		var tail [3]float64
		for i := len(t) - 1; i > 0; i-- {
			for k := range tail {
				tail[k] += r.rows[i].x[k]
			}
			w := t[i] - t[i-1]
			for a := range tail {
				for b := range tail {
					walk[a][b] += sparse * w * w * sigma * sigma * tail[a] * tail[b]
				}
			}
		}
		walk = multiply(multiply(r.inverse, walk), r.inverse)
	}
	for i := range r.cov {
		for j := range r.cov {
			r.cov[i][j] = m2*r.inverse[i][j] + walk[i][j]
		}
	}
}

// whiteNoise returns the standard deviation of the noise of x from its second
// differences, whose variance is 6σ²; a trend does not count.
func whiteNoise(x []float64) float64 {
	if len(x) < 3 {
		return 0
	}
	sum := 0.0
	for i := 2; i < len(x); i++ {
		d := x[i] - 2*x[i-1] + x[i-2]
		sum += d * d
	}
	return math.Sqrt(sum / (6 * float64(len(x)-2)))
}

// coefficients returns F0, F1, F2 of the loss and their covariance.
func (r *regression) coefficients() (fleet.Loss, [3][3]float64) {
	t := r.transform()
	return r.powers(r.c), multiply(multiply(t, r.cov), transpose(t))
}

// powers turns coefficients of Legendre polynomials of u into those of powers of v.
func (r *regression) powers(c [3]float64) fleet.Loss {
	f := apply(r.transform(), c)
	return fleet.Loss{F0: f[0], F1: f[1], F2: f[2]}
}

// transform returns T of F = T·c.
func (r *regression) transform() [3][3]float64 {
	// With q = middle/half and h = half: u = v/h − q and
	// (3u² − 1)/2 = 3v²/2h² − 3qv/h + (3q² − 1)/2.
	q, h := r.middle/r.half, r.half
	return [3][3]float64{
		{1, -q, (3*q*q - 1) / 2},
		{0, 1 / h, -3 * q / h},
		{0, 0, 1.5 / (h * h)},
	}
}

// leastDeterminant is the determinant of the normal matrix scaled to a unit
// diagonal under which the coefficients are taken not to be determined; real
// coast-downs stay above 0.05.
const leastDeterminant = 1e-9

// invert returns the inverse of a symmetric positive matrix by its adjugate,
// after scaling it to a unit diagonal; false when it is (nearly) singular.
func invert(a [3][3]float64) ([3][3]float64, bool) {
	var s [3]float64
	for i := range s {
		if !(a[i][i] > 0) {
			return a, false
		}
		s[i] = 1 / math.Sqrt(a[i][i])
	}
	for i := range s {
		for j := range s {
			a[i][j] *= s[i] * s[j]
		}
	}
	cofactor := func(i, j int) float64 {
		i1, i2, j1, j2 := (i+1)%3, (i+2)%3, (j+1)%3, (j+2)%3
		return a[i1][j1]*a[i2][j2] - a[i1][j2]*a[i2][j1]
	}
	det := a[0][0]*cofactor(0, 0) + a[0][1]*cofactor(0, 1) + a[0][2]*cofactor(0, 2)
	if !(det > leastDeterminant) {
		return a, false
	}
	var out [3][3]float64
	for i := range out {
		for j := range out {
			out[i][j] = cofactor(j, i) / det * s[i] * s[j]
		}
	}
	return out, true
}

// apply returns a·x.
func apply(a [3][3]float64, x [3]float64) (out [3]float64) {
	for i := range a {
		for j := range x {
			out[i] += a[i][j] * x[j]
		}
	}
	return out
}

// multiply returns a·b.
func multiply(a, b [3][3]float64) (out [3][3]float64) {
	for i := range a {
		for j := range a {
			for k := range a {
				out[i][j] += a[i][k] * b[k][j]
			}
		}
	}
	return out
}

// transpose returns aᵀ.
func transpose(a [3][3]float64) (out [3][3]float64) {
	for i := range a {
		for j := range a {
			out[j][i] = a[i][j]
		}
	}
	return out
}
