package channel

import "math"

// maxOrder is the highest order of a local polynomial.
const maxOrder = 3

// Local is a polynomial fitted to the samples of a short span, at one time.
type Local struct {
	Value, Slope float64
	Second       float64 // second derivative
	// The variances of Value and Slope and their covariance, for samples with
	// independent noise of variance 1; times Noise² for noise Noise.
	VarValue, VarSlope, CovValueSlope float64

	N       int     // samples
	Freedom int     // N less the polynomial's coefficients
	RSS     float64 // sum of squared residuals

	// Slope = Σ x_i·(row[0] + row[1]·u_i + …)/h with u_i = (t_i − at)/h.
	row   [maxOrder + 1]float64
	at, h float64
	span  Span
}

// VarSlopeOfSum returns the variance of Slope when the samples of s, as given
// to FitLocal, are the running integral of a quantity whose samples, on the same
// clock, have independent noise of variance 1,
//
//	Σ_j (Δt_j·Σ_{i≥j} w_i)²,  w_i the weight of sample i in Slope
//
// which is that of a smooth value of the quantity itself.
func (f Local) VarSlopeOfSum(s Series) float64 {
	s = s.Between(f.span)
	tail, sum := 0.0, 0.0
	for i := len(s.T) - 1; i > 0; i-- {
		if isFinite(s.X[i]) {
			u := (s.T[i] - f.at) / f.h
			tail += (f.row[0] + u*(f.row[1]+u*(f.row[2]+u*f.row[3]))) / f.h
		}
		w := (s.T[i] - s.T[i-1]) * tail
		sum += w * w
	}
	return sum
}

// SlopeWeights writes the weight each sample of s within the span has in Slope
// behind dst: s as given to FitLocal, none of its samples missing.
func (f *Local) SlopeWeights(dst []float64, s Series) []float64 {
	for _, t := range s.Between(f.span).T {
		u := (t - f.at) / f.h
		dst = append(dst, (f.row[0]+u*(f.row[1]+u*(f.row[2]+u*f.row[3])))/f.h)
	}
	return dst
}

// FitLocal returns the least-squares polynomial of order 0 to 3
//
//	X(t) ≈ Σ c_i (t − at)^i,  Value = c_0, Slope = c_1
//
// through the samples of s within span, evaluated at time at, in the span or
// not far from it; missing samples are skipped. The clock may be uneven.
// It returns false when the samples do not determine the polynomial: fewer than
// order+1, or all bunched together.
//
// On an even clock with at in the middle it is the Savitzky–Golay filter.
// Source: A. Savitzky, M. J. E. Golay, Anal. Chem. 36 (1964) 1627 (from memory).
func FitLocal(s Series, at float64, span Span, order int) (Local, bool) {
	if order < 0 || order > maxOrder {
		panic("channel: order of a local polynomial is not 0 to 3")
	}
	s = s.Between(span)
	h := math.Max(at-span.Start, span.End-at)
	if !(h > 0) || len(s.T) <= order {
		return Local{}, false
	}
	// Differences from a sample, so that a large level costs no digits.
	base, found := 0.0, false
	for _, x := range s.X {
		if isFinite(x) {
			base, found = x, true
			break
		}
	}
	if !found {
		return Local{}, false
	}
	var moment [2*maxOrder + 1]float64
	var right [maxOrder + 1]float64
	squares, n, perH := 0.0, 0, 1/h
	for i, t := range s.T {
		x := s.X[i] - base
		if !isFinite(x) {
			continue
		}
		n++
		u := (t - at) * perH
		u2 := u * u
		u3 := u2 * u
		moment[1] += u
		moment[2] += u2
		moment[3] += u3
		moment[4] += u2 * u2
		moment[5] += u2 * u3
		moment[6] += u3 * u3
		right[0] += x
		right[1] += x * u
		right[2] += x * u2
		right[3] += x * u3
		squares += x * x
	}
	moment[0] = float64(n)
	p := order + 1
	if n < p {
		return Local{}, false
	}
	factor, ok := factorize(&moment, p)
	if !ok {
		return Local{}, false
	}
	c := factor.solve(right, p)
	out := Local{N: n, Freedom: n - p, Value: c[0] + base, at: at, h: h, span: span}
	unit := factor.solve([maxOrder + 1]float64{1}, p)
	out.VarValue = unit[0]
	if order > 0 {
		out.Slope = c[1] / h
		out.Second = 2 * c[2] / (h * h)
		out.CovValueSlope = unit[1] / h
		out.row = factor.solve([maxOrder + 1]float64{0, 1}, p)
		out.VarSlope = out.row[1] / (h * h)
	}
	// The residuals of a least-squares fit are orthogonal to it.
	out.RSS = squares
	for i, ci := range c {
		out.RSS -= ci * right[i]
	}
	out.RSS = math.Max(out.RSS, 0)
	if !isFinite(out.Value) || !isFinite(out.Slope) || !isFinite(out.Second) || !isFinite(out.RSS) || !isFinite(out.VarSlope) {
		return Local{}, false
	}
	return out, true
}

// lower is a Cholesky factor.
type lower [maxOrder + 1][maxOrder + 1]float64

// smallestPivot is the ratio of a pivot to its diagonal under which the samples
// are taken not to determine the polynomial: the moment matrix of evenly spread
// samples, even seen from one end, stays above 1e-5.
const smallestPivot = 1e-10

// factorize returns the Cholesky factor of the p by p matrix with elements
// moment[i+j].
func factorize(moment *[2*maxOrder + 1]float64, p int) (l lower, ok bool) {
	for j := range p {
		d := moment[2*j]
		for k := range j {
			d -= l[j][k] * l[j][k]
		}
		if !(d > smallestPivot*moment[2*j]) {
			return l, false
		}
		l[j][j] = math.Sqrt(d)
		for i := j + 1; i < p; i++ {
			d := moment[i+j]
			for k := range j {
				d -= l[i][k] * l[j][k]
			}
			l[i][j] = d / l[j][j]
		}
	}
	return l, true
}

// solve returns x of L·Lᵀ·x = b.
func (l *lower) solve(b [maxOrder + 1]float64, p int) [maxOrder + 1]float64 {
	for i := range p {
		for k := range i {
			b[i] -= l[i][k] * b[k]
		}
		b[i] /= l[i][i]
	}
	for i := p - 1; i >= 0; i-- {
		for k := i + 1; k < p; k++ {
			b[i] -= l[k][i] * b[k]
		}
		b[i] /= l[i][i]
	}
	for i := p; i <= maxOrder; i++ {
		b[i] = 0
	}
	return b
}
