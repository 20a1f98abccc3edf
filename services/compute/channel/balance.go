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
	// mostDegree is the highest degree of the polynomial over the whole span: it
	// follows some ten waves. Equally spaced samples carry no polynomial of a
	// degree above twice the root of their number.
	mostDegree     = 31
	fewestBalanced = 48
	// significant is how many standard deviations a coefficient must be off 0
	// to count as shape: a coefficient of noise alone, taken for shape of a high
	// degree, would shorten the window much.
	significant = 5
	// mostOfSpan is the longest window as a share of the span.
	mostOfSpan = 0.25
	// biasShare is Bias over USlope of the window chosen.
	biasShare = 0.25
)

// Balanced returns the cubic window whose slope over span is bent, root mean
// square, by a quarter of what its noise makes uncertain,
//
//	B·L⁴/8064 = √(75·D/L³)/4,   L¹¹ = 75·D·8064²/(16·B²)
//
// D = σ²·Δt density of the noise, L length of the window, B² mean square of the
// fifth derivative of the quantity. 75/L³ is the variance of the slope in the
// middle of a cubic window of evenly spread samples, L⁴/8064 what it makes of a
// fifth derivative of 1: the weights are (75u − 105u³)/8 on u = −1 … 1, with
// ∫w² = 75/8 and ∫w·u⁵ = −5/21. The window with the least mean square error,
// L¹¹ = 225·D·8064²/(8·B²), is a sixth longer and its error a tenth smaller, but
// its bias is six tenths of its noise, and an uncertainty stated from the noise
// alone does not cover that.
//
// D and B come from one polynomial of degree 31, or as many as the samples
// carry, over the whole span (discrete orthogonal, so that its coefficients are
// independent), of which the coefficients five standard deviations off 0 count: B
// is the fifth derivative of those, D is what they leave. Any ripple the
// polynomial does not follow is therefore noise, at the low frequencies that
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
	if n < fewestBalanced || !(step > 0) || !(longest > 0) {
		return Balance{}, false
	}
	length := s.T[n-1] - s.T[0]
	var u, rest, now, before [balanceBlocks]float64
	m := 0
	block := (n + balanceBlocks - 1) / balanceBlocks
	for i := 0; i+block <= n; i += block {
		part := Series{T: s.T[i : i+block], X: s.X[i : i+block]}
		if mean, good := Mean(part); good > 0 {
			u[m], rest[m] = ((part.T[0]+part.T[block-1])/2-s.T[0])/length*2-1, mean
			now[m] = 1
			m++
		}
	}
	if m < fewestBalanced*2/3 {
		return Balance{}, false
	}
	degree := min(mostDegree, int(2*math.Sqrt(float64(m))))
	// Orthogonal polynomials by Stieltjes' recurrence,
	// p_{k+1} = (u − α_k)·p_k − β_k·p_{k−1}, with their coefficients size.
	var size, norm, alpha, beta [mostDegree + 1]float64
	for k := range degree + 1 {
		sum, dot, moment := 0.0, 0.0, 0.0
		for i, p := range now[:m] {
			square := p * p
			sum += square
			moment += u[i] * square
			dot += p * rest[i]
		}
		if !(sum > 0) {
			return Balance{}, false
		}
		size[k], norm[k], alpha[k] = dot/sum, sum, moment/sum
		if k > 0 {
			beta[k] = sum / norm[k-1]
		}
		for i, p := range now[:m] {
			rest[i] -= size[k] * p
			now[i], before[i] = (u[i]-alpha[k])*p-beta[k]*before[i], p
		}
	}
	// Significant shape from the fifth power on; what is not goes to the noise.
	rss, freedom := squares(rest[:m]), m-degree-1
	variance := rss / float64(freedom)
	for k := 5; k <= degree; k++ {
		if power := size[k] * size[k] * norm[k]; power <= significant*significant*variance {
			rss += power
			freedom++
			size[k] = 0
		}
	}
	variance = rss / float64(freedom)
	square := 0.0
	const places = 21 // where no window reaches over an end
	for i := range places {
		d := fifth(-0.9+1.8*float64(i)/(places-1), size[:degree+1], alpha[:], beta[:]) * math.Pow(length/2, -5)
		square += d * d / places
	}
	out := Balance{Density: variance * length / float64(m-1)}
	const bias = 8064
	best := math.Inf(1)
	if square > 0 {
		best = math.Pow(biasShare*biasShare*75*out.Density*bias*bias/square, 1./11)
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

// fifth returns the fifth derivative at u of Σ size_k·p_k from k = 5 on, by the
// recurrence of the derivatives,
//
//	p_{k+1}^(d) = (u − α_k)·p_k^(d) + d·p_k^(d−1) − β_k·p_{k−1}^(d)
func fifth(u float64, size, alpha, beta []float64) float64 {
	now, before := [6]float64{1}, [6]float64{}
	sum := 0.0
	for k, c := range size {
		if k >= 5 {
			sum += c * now[5]
		}
		var next [6]float64
		for d := range next {
			next[d] = (u-alpha[k])*now[d] - beta[k]*before[d]
			if d > 0 {
				next[d] += float64(d) * now[d-1]
			}
		}
		now, before = next, now
	}
	return sum
}
