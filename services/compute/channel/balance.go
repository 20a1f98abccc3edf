package channel

import "math"

// Balance is a window for the slope of a series, chosen from its own noise.
type Balance struct {
	Window   Window
	PassBand float64 // Hz, where the slope has fallen to 1/√2
	// Density is the noise the window does not average away, the variance of
	// one sample times the time between samples, of a sample's unit squared
	// times seconds.
	Density float64
	USlope  float64 // standard uncertainty of the slope in mid-window by that noise
	Bias    float64 // root mean square of what the window bends off the slope
}

// How Balanced looks at a series.
const (
	balanceBlocks = 256 // most blocks the series is averaged to
	balanceDegree = 15  // of the polynomial over the whole span: it follows some four waves
	// significant is how many standard deviations a coefficient must be off 0
	// to count as shape: noise alone must not shorten the window.
	significant = 3
	// mostOfSpan is the longest window as a share of the span.
	mostOfSpan = 0.25
)

// Balanced returns the cubic window whose slope has the least mean square error
// over span, variance and bias together,
//
//	E(L) = 75·D/L³ + B²·L⁸/8064²,   L¹¹ = 225·D·8064²/(8·B²)
//
// D = σ²·Δt density of the noise, L length of the window, B² mean square of the
// fifth derivative of the quantity. 75/L³ is the variance of the slope in the
// middle of a cubic window of evenly spread samples, L⁴/8064 what it makes of a
// fifth derivative of 1: the weights are (75u − 105u³)/8 on u = −1 … 1, with
// ∫w² = 75/8 and ∫w·u⁵ = −5/21.
//
// D and B come from one polynomial of degree 15 over the whole span (discrete
// orthogonal, so that its coefficients are independent), of which the
// coefficients three standard deviations off 0 count: B is the fifth derivative
// of those, D is what they leave. A brake that hunts, or any ripple the
// polynomial does not follow, is therefore noise, at the low frequencies that
// pass a window, and not the white noise of neighbours' differences alone.
//
// The length is held between fewestSamples samples (or what 20 Hz would pass,
// a tenth of a second) and the smaller of longest and a quarter of the span.
// Where no shape shows above the noise it is that longest. False: too few
// samples in span to tell.
// Source of the way: J. Fan, I. Gijbels, Local Polynomial Modelling and Its
// Applications (1996) 4.2, rule-of-thumb bandwidth (from memory).
func Balanced(s Series, span Span, longest float64) (Balance, bool) {
	s = s.Between(span)
	n := len(s.T)
	step := UsualStep(s.T)
	if n < 3*(balanceDegree+1) || !(step > 0) || !(longest > 0) {
		return Balance{}, false
	}
	length := s.T[n-1] - s.T[0]
	var u, x, rest, now, before [balanceBlocks]float64
	m := 0
	block := (n + balanceBlocks - 1) / balanceBlocks
	for i := 0; i+block <= n; i += block {
		part := Series{T: s.T[i : i+block], X: s.X[i : i+block]}
		if mean, good := Mean(part); good > 0 {
			u[m], x[m] = ((part.T[0]+part.T[block-1])/2-s.T[0])/length*2-1, mean
			m++
		}
	}
	if m < 2*(balanceDegree+1) {
		return Balance{}, false
	}
	copy(rest[:m], x[:m])
	// Orthogonal polynomials by Stieltjes' recurrence, with their coefficients
	// in powers of u: p_{k+1} = (u − α_k)·p_k − β_k·p_{k−1}.
	type poly [balanceDegree + 1]float64
	var p, pBefore poly
	var shape [balanceDegree + 1]poly
	var size, norm [balanceDegree + 1]float64
	p[0] = 1
	for i := range m {
		now[i] = 1
	}
	normBefore := 0.0
	for k := 0; k <= balanceDegree; k++ {
		sum, dot, moment := 0.0, 0.0, 0.0
		for i := range m {
			square := now[i] * now[i]
			sum += square
			moment += u[i] * square
			dot += now[i] * rest[i]
		}
		if !(sum > 0) {
			return Balance{}, false
		}
		shape[k], size[k], norm[k] = p, dot/sum, sum
		alpha, beta := moment/sum, 0.0
		if k > 0 {
			beta = sum / normBefore
		}
		normBefore = sum
		var next poly
		for j := range next {
			if j > 0 {
				next[j] = p[j-1]
			}
			next[j] -= alpha*p[j] + beta*pBefore[j]
		}
		pBefore, p = p, next
		for i := range m {
			rest[i] -= size[k] * now[i]
			now[i], before[i] = (u[i]-alpha)*now[i]-beta*before[i], now[i]
		}
	}
	variance := squares(rest[:m]) / float64(m-balanceDegree-1)
	// Significant shape from the fifth power on; what is not goes to the noise.
	var sum poly
	extra := 0
	rss := squares(rest[:m])
	for k := 5; k <= balanceDegree; k++ {
		if power := size[k] * size[k] * norm[k]; power > significant*significant*variance {
			for j := range sum {
				sum[j] += size[k] * shape[k][j]
			}
		} else {
			rss += power
			extra++
		}
	}
	variance = rss / float64(m-balanceDegree-1+extra)
	var fifth poly // d⁵/du⁵
	for j := 5; j <= balanceDegree; j++ {
		fifth[j-5] = sum[j] * float64(j*(j-1)*(j-2)*(j-3)*(j-4))
	}
	scale := math.Pow(length/2, -5)
	square := 0.0
	const places = 21 // where no window reaches over an end
	for i := range places {
		at := -0.9 + 1.8*float64(i)/(places-1)
		d := 0.0
		for j := balanceDegree - 5; j >= 0; j-- {
			d = d*at + scale*fifth[j]
		}
		square += d * d / places
	}
	out := Balance{Density: variance * length / float64(m-1)}
	const bias = 8064
	best := math.Inf(1)
	if square > 0 {
		best = math.Pow(225*out.Density/8*bias*bias/square, 1./11)
	}
	low := math.Max(fewestSamples*step, 0.1)
	high := math.Max(low, math.Min(longest, mostOfSpan*length))
	l := math.Min(math.Max(best, low), high)
	out.Window = Window{Length: l, Order: maxOrder}
	out.PassBand = out.Window.PassBand(step)
	out.USlope = math.Sqrt(75 * out.Density / (l * l * l))
	out.Bias = math.Sqrt(square) * l * l * l * l / bias
	ok := isFinite(l) && isFinite(out.USlope) && isFinite(out.Bias) && isFinite(out.PassBand)
	return out, ok
}
