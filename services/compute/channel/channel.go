// Package channel holds sampled quantities: what is wrong with a series of
// samples, its value on another clock, and its smooth value and rate of change
// by local polynomials whose band is stated.
//
// In: times and samples in SI units, as a cell sent them. Out: spans, means,
// values and derivatives with the variance their noise gives them. It is the
// first stage of the computation; powercurve and finding read from it.
//
// NaN means "missing sample" inside this package and in what is handed to it;
// nothing else does.
package channel

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Series is one sampled quantity on its own clock.
type Series struct {
	T []float64 // s, strictly rising
	X []float64 // SI unit of the channel; NaN: the sample is missing
}

// Span is a stretch of time, s, both ends included.
type Span struct {
	Start, End float64
}

// Length returns the span's length, s.
func (s Span) Length() float64 { return s.End - s.Start }

// The faults of a series that make it unusable.
var (
	ErrEmpty  = errors.New("channel: no samples")
	ErrLength = errors.New("channel: times and samples differ in number")
	ErrClock  = errors.New("channel: time does not rise")
)

// Check returns an error when s cannot be computed with: no samples, unequal
// lengths, or a time that is not finite or does not rise (the sample is named).
// Missing and impossible samples are no error here: see Inspect.
func Check(s Series) error {
	if len(s.T) != len(s.X) {
		return fmt.Errorf("%w: %d times, %d samples", ErrLength, len(s.T), len(s.X))
	}
	if len(s.T) == 0 {
		return ErrEmpty
	}
	if s.T[0] >= -maxTime && s.T[len(s.T)-1] <= maxTime && rises(s.T) {
		return nil
	}
	last := math.Inf(-1)
	for i, t := range s.T {
		if !(t > last) || t > maxTime || t < -maxTime {
			return fmt.Errorf("%w: sample %d at %g s follows %g s", ErrClock, i, t, last)
		}
		last = t
	}
	return nil
}

// rises reports whether every time is later than the one before.
func rises(t []float64) bool {
	for i := 1; i < len(t); i++ {
		if !(t[i] > t[i-1]) {
			return false
		}
	}
	return true
}

// maxTime guards against clocks in milliseconds since an epoch and the like:
// differences of larger times lose the microsecond in a float64, s.
const maxTime = 1e9

// Between returns the samples of s taken within span, without copying.
func (s Series) Between(span Span) Series {
	i, _ := slices.BinarySearch(s.T, span.Start)
	j, found := slices.BinarySearch(s.T[i:], span.End)
	j += i
	if found {
		j++ // the end is in the span, and time rises strictly
	}
	return Series{T: s.T[i:j], X: s.X[i:j]}
}

// At returns the value of s at time t by straight line between the neighbours,
// and whether there are two neighbours with a sample.
func (s Series) At(t float64) (float64, bool) {
	i, _ := slices.BinarySearch(s.T, t)
	switch {
	case i < len(s.T) && s.T[i] == t:
		return s.X[i], isFinite(s.X[i])
	case i == 0 || i == len(s.T):
		return 0, false
	}
	x := line(s.T[i-1], s.X[i-1], s.T[i], s.X[i], t)
	return x, isFinite(x)
}

// line returns the straight line through (t0, x0) and (t1, x1) at t.
func line(t0, x0, t1, x1, t float64) float64 {
	w := (t - t0) / (t1 - t0)
	return x0*(1-w) + x1*w
}

// Mean returns the mean of the finite samples of s and their number.
func Mean(s Series) (mean float64, n int) {
	sum := 0.0
	for _, x := range s.X {
		sum += x
	}
	if isFinite(sum) && len(s.X) > 0 { // then all are
		return sum / float64(len(s.X)), len(s.X)
	}
	sum = 0
	for _, x := range s.X {
		if isFinite(x) {
			n++
			sum += x
		}
	}
	if n == 0 {
		return 0, 0
	}
	return sum / float64(n), n
}

// Resample writes the value of s at each time of clock (rising) into dst, grown
// as needed, by straight lines between neighbours: for channels that move
// slowly against their own sampling (temperatures, pressure, humidity). NaN
// where s has no value: before its first or after its last sample, or between
// two samples further apart than maxGap.
func Resample(dst []float64, s Series, clock []float64, maxGap float64) []float64 {
	dst = dst[:0]
	j := 0
	for _, t := range clock {
		for j < len(s.T) && s.T[j] < t {
			j++
		}
		x := math.NaN()
		switch {
		case j == len(s.T):
		case s.T[j] == t:
			x = s.X[j]
		case j > 0 && s.T[j]-s.T[j-1] <= maxGap:
			x = line(s.T[j-1], s.X[j-1], s.T[j], s.X[j], t)
		}
		dst = append(dst, x)
	}
	return dst
}

// isFinite reports whether x is neither NaN nor infinite.
func isFinite(x float64) bool { return x-x == 0 }

// Thin returns s averaged over blocks of whole samples, each about step seconds
// long, missing samples left out. It returns s itself when its own step is as
// long.
func Thin(s Series, step float64) Series {
	block := 1
	if own := UsualStep(s.T); own > 0 {
		block = int(math.Min(math.Round(step/own), float64(len(s.T))))
	}
	if block <= 1 {
		return s
	}
	n := (len(s.T) + block - 1) / block
	both := make([]float64, 2*n)
	out := Series{T: both[:0:n], X: both[n:n]}
	for i := 0; i+block <= len(s.T); i += block {
		x, good := 0.0, block
		for _, y := range s.X[i : i+block] {
			x += y
		}
		if x /= float64(block); !isFinite(x) {
			x, good = Mean(Series{X: s.X[i : i+block]})
		}
		if good > 0 {
			// The middle, not the mean of the good ones' times: a missing
			// sample must not make the clock uneven.
			out.T = append(out.T, (s.T[i]+s.T[i+block-1])/2)
			out.X = append(out.X, x)
		}
	}
	return out
}
