package channel

import (
	"errors"
	"math"
)

// ErrWindow is returned for a window that cannot carry its polynomial.
var ErrWindow = errors.New("channel: window must be odd, wider than the order, and hold the position")

// Weights returns the Savitzky–Golay weights of window samples: the deriv-th
// derivative, per sample step, at sample position (0 the first) of the
// least-squares polynomial of the given order is Σ weight[i]·x[i]. They come
// from Gram polynomials on −m … m, window = 2m+1,
//
//	w_i = Σ_k (2k+1)·(2m)^(k)/(2m+k+1)^(k+1) · P_k(i) · P_k^(deriv)(position)
//
// with (a)^(b) = a(a−1)…(a−b+1).
// Source: P. A. Gorry, Anal. Chem. 62 (1990) 570 (from memory).
func Weights(window, order, deriv, position int) ([]float64, error) {
	if window%2 == 0 || window < 1 || order < 0 || order >= window || deriv < 0 ||
		position < 0 || position >= window {
		return nil, ErrWindow
	}
	out := make([]float64, window)
	writeWeights(out, order, deriv, position)
	return out, nil
}

// writeWeights fills dst with the weights of a window as long as dst.
func writeWeights(dst []float64, order, deriv, position int) {
	m := len(dst) / 2
	// at[k] = P_k^(deriv)(position − m)
	at := make([]float64, order+1)
	for k := range at {
		at[k] = gram(k, deriv, position-m, m)
		// (2k+1)·(2m)^(k)/(2m+k+1)^(k+1)
		f := float64(2*k + 1)
		for j := range k {
			f *= float64(2*m-j) / float64(2*m+k+1-j)
		}
		at[k] *= f / float64(2*m+1)
	}
	for i := range dst {
		// Forward recurrence over k of P_k(i − m).
		x := float64(i - m)
		before, now, sum := 0.0, 1.0, 0.0
		for k := range at {
			if k > 0 {
				f := float64(k * (2*m - k + 1))
				before, now = now, float64(4*k-2)/f*x*now-float64((k-1)*(2*m+k))/f*before
			}
			sum += at[k] * now
		}
		dst[i] = sum
	}
}

// gram returns the s-th derivative of the Gram polynomial P_k at i on −m … m,
//
//	P_k^s(i) = (4k−2)/(k(2m−k+1))·[i·P_{k−1}^s(i) + s·P_{k−1}^{s−1}(i)] − (k−1)(2m+k)/(k(2m−k+1))·P_{k−2}^s(i)
//
// Source: Gorry 1990 (from memory).
func gram(k, s, i, m int) float64 {
	if s < 0 || k < s {
		return 0
	}
	if k == 0 {
		return 1
	}
	f := float64(k * (2*m - k + 1))
	out := float64(4*k-2) / f * (float64(i)*gram(k-1, s, i, m) + float64(s)*gram(k-1, s-1, i, m))
	if k > 1 {
		out -= float64((k-1)*(2*m+k)) / f * gram(k-2, s, i, m)
	}
	return out
}

// Window is the length and order of a local polynomial.
type Window struct {
	Length float64 // s
	Order  int     // 1 to 3
}

// WindowFor returns the window for the speed channel of a pull sampled at rate,
// Hz: cubic, half a second. That passes the derivative up to PassBand = 2.45 Hz
// (3 dB down at 100 Hz sampling), above what the torque curve of a car can ask
// for on a ramp of several seconds and below the once-a-revolution ripple of a
// roller at sweep speeds (v/2πr: 5 Hz and more). Slow loggers get at least
// fewestSamples samples, so at 10 Hz the window is 0.7 s.
func WindowFor(rate float64) Window {
	w := Window{Length: 0.5, Order: maxOrder}
	if rate > 0 && rate < 1e9 {
		w.Length = math.Max(w.Length, fewestSamples/rate)
	}
	return w
}

// fewestSamples is the fewest samples in a window: a cubic and three degrees of
// freedom for its noise.
const fewestSamples = 7

// size returns the window's number of samples on a clock of the given step: odd
// and greater than the order.
func (w Window) size(step float64) int {
	m := int(math.Round(math.Min(w.Length/step, 1e6) / 2))
	return 2*max(m, w.Order/2+1) + 1
}

// PassBand returns the frequency, Hz, at which the derivative the window gives
// on a clock of the given step, s, has fallen to 1/√2 of the true one.
func (w Window) PassBand(step float64) float64 {
	n := w.size(step)
	// A long window's band no longer depends on the step; keep the sum short.
	if n > 401 {
		step *= float64(n) / 401
		n = 401
	}
	weight := make([]float64, n)
	writeWeights(weight, w.Order, 1, n/2)
	weight = weight[n/2+1:] // those before are the same with the other sign
	// The sines of the multiples of one angle follow from each other.
	ratio := func(f float64) float64 {
		x := 2 * math.Pi * f * step
		sine, cosine := math.Sincos(x)
		sum, a, b := 0.0, sine, 0.0
		for _, c := range weight {
			sum += c * a
			a, b = 2*cosine*a-b, a
		}
		return sum / (math.Pi * f * step)
	}
	// The band of a line is 0.66 of a window's, of a cubic 1.2.
	low, high := 0.0, 0.0
	for f := 0.1 / (float64(n) * step); f < 0.5/step; f *= 1.25 {
		if ratio(f) < math.Sqrt2/2 {
			high = f
			break
		}
		low = f
	}
	if high == 0 {
		return 0.5 / step
	}
	for range 30 {
		f := (low + high) / 2
		if ratio(f) < math.Sqrt2/2 {
			high = f
		} else {
			low = f
		}
	}
	return (low + high) / 2
}

// Smoothed is a series after a local polynomial.
type Smoothed struct {
	T      []float64 // the series' own clock, not a copy
	Value  []float64
	Slope  []float64 // first derivative, per second
	USlope []float64 // standard uncertainty of Slope from the noise
	Noise  float64   // standard deviation of the samples about Value
	Window Window
}

// Smooth writes the smooth value and first derivative of s at each of its times
// into dst, whose slices are reused. s must have passed Check and have more
// samples than the window's order; NaN comes out where no window of samples
// determines it. On an even clock without missing samples it uses fixed
// Savitzky–Golay weights, at both ends those of the last full window; elsewhere
// it fits each window. The noise is estimated from the residuals.
func Smooth(dst *Smoothed, s Series, w Window) error {
	if w.Order < 1 || w.Order > maxOrder || !(w.Length > 0) {
		return ErrWindow
	}
	if len(s.T) <= w.Order+1 {
		return ErrEmpty
	}
	n := len(s.T)
	dst.T, dst.Window = s.T, w
	dst.Value, dst.Slope, dst.USlope = sized(dst.Value, n), sized(dst.Slope, n), sized(dst.USlope, n)
	step := UsualStep(s.T)
	if size := w.size(step); size <= n && isUniform(s.T, step) && !anyMissing(s.X) {
		mean := (s.T[n-1] - s.T[0]) / float64(n-1)
		smoothEven(dst, s.X, size, mean)
		return nil
	}
	smoothUneven(dst, s)
	return nil
}

// smoothEven is Smooth on an even clock.
func smoothEven(dst *Smoothed, x []float64, size int, step float64) {
	m, n := size/2, len(x)
	buffer := make([]float64, 2*size)
	value, slope := buffer[:size], buffer[size:]
	writeWeights(value, dst.Window.Order, 0, m)
	writeWeights(slope, dst.Window.Order, 1, m)
	rss := 0.0
	u := math.Sqrt(squares(slope)) / step
	for i := m; i < n-m; i++ {
		part := x[i-m : i+m+1]
		a, b := 0.0, 0.0
		for k, xk := range part {
			a += value[k] * xk
			b += slope[k] * xk
		}
		dst.Value[i], dst.Slope[i], dst.USlope[i] = a, b/step, u
		rss += (x[i] - a) * (x[i] - a)
	}
	// A residual of a least-squares fit has the variance σ²·(1 − w_m).
	dst.Noise = math.Sqrt(rss / (float64(n-2*m) * (1 - value[m])))
	for i := range m {
		for _, end := range [2]struct{ to, from, position int }{{i, 0, i}, {n - 1 - i, n - size, size - 1 - i}} {
			writeWeights(value, dst.Window.Order, 0, end.position)
			writeWeights(slope, dst.Window.Order, 1, end.position)
			a, b := 0.0, 0.0
			for k, xk := range x[end.from : end.from+size] {
				a += value[k] * xk
				b += slope[k] * xk
			}
			dst.Value[end.to], dst.Slope[end.to] = a, b/step
			dst.USlope[end.to] = math.Sqrt(squares(slope)) / step
		}
	}
	for i := range dst.USlope {
		dst.USlope[i] *= dst.Noise
	}
}

// smoothUneven is Smooth on any clock, with missing samples.
func smoothUneven(dst *Smoothed, s Series) {
	n := len(s.T)
	rss, freedom := 0.0, 0
	half := dst.Window.Length / 2
	first, last := s.T[0], s.T[n-1]
	for i, t := range s.T {
		span := Span{t - half, t + half}
		// At the ends the window keeps its length and stays inside.
		if span.Start < first {
			span = Span{first, math.Min(last, first+2*half)}
		} else if span.End > last {
			span = Span{math.Max(first, last-2*half), last}
		}
		f, ok := FitLocal(s, t, span, dst.Window.Order)
		if !ok {
			dst.Value[i], dst.Slope[i], dst.USlope[i] = math.NaN(), math.NaN(), math.NaN()
			continue
		}
		dst.Value[i], dst.Slope[i], dst.USlope[i] = f.Value, f.Slope, math.Sqrt(f.VarSlope)
		rss += f.RSS
		freedom += f.Freedom
	}
	dst.Noise = 0
	if freedom > 0 {
		dst.Noise = math.Sqrt(rss / float64(freedom))
	}
	for i := range dst.USlope {
		dst.USlope[i] *= dst.Noise
	}
}

// sized returns a slice of length n, b's own when it is long enough.
func sized(b []float64, n int) []float64 {
	if cap(b) < n {
		return make([]float64, n)
	}
	return b[:n]
}

// squares returns Σ x².
func squares(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum
}

// anyMissing reports whether a sample of x is missing.
func anyMissing(x []float64) bool {
	for _, v := range x {
		if !isFinite(v) {
			return true
		}
	}
	return false
}
