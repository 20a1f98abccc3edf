package channel

import (
	"fmt"
	"math"
	"sort"

	"rollcall/services/fleet"
)

// Tidy returns s with a time that rises strictly: as many of its samples as can
// be kept in their order are, so that one time stamp far ahead costs one sample
// and a clock that stepped back costs the shorter of the two parts that overlap.
// Samples whose time is not a number go too. It returns s itself when nothing is
// to be dropped, and how many samples were; what they were Inspect says.
func Tidy(s Series) (Series, int) {
	n := min(len(s.T), len(s.X))
	rising := len(s.T) == len(s.X)
	last := math.Inf(-1)
	for _, t := range s.T[:n] {
		if !(t > last) || math.Abs(t) > maxTime {
			rising = false
			break
		}
		last = t
	}
	if rising {
		return s, 0
	}
	// The longest rising subsequence: end[k] is the sample with the least time
	// that ends a rising row of k+1 samples, before[i] the one before i in its.
	end, before := make([]int, 0, n), make([]int, n)
	for i, t := range s.T[:n] {
		if math.IsNaN(t) || math.Abs(t) > maxTime {
			continue
		}
		k := sort.Search(len(end), func(k int) bool { return s.T[end[k]] >= t })
		before[i] = -1
		if k > 0 {
			before[i] = end[k-1]
		}
		switch {
		case k == len(end):
			end = append(end, i)
		case s.T[end[k]] > t: // of two samples at one time the first stays
			end[k] = i
		}
	}
	m := len(end)
	both := make([]float64, 2*m)
	out := Series{T: both[:m:m], X: both[m:]}
	if m > 0 {
		for i, k := end[m-1], m-1; k >= 0; i, k = before[i], k-1 {
			out.T[k], out.X[k] = s.T[i], s.X[i]
		}
	}
	return out, max(len(s.T), len(s.X)) - m
}

// Clock is an even clock, start + i·step.
type Clock struct {
	Start, Step float64 // s
	N           int
}

// At returns the i-th time, s.
func (c Clock) At(i int) float64 { return c.Start + float64(i)*c.Step }

// Times writes the clock's times into dst, grown as needed.
func (c Clock) Times(dst []float64) []float64 {
	dst = dst[:0]
	for i := range c.N {
		dst = append(dst, c.At(i))
	}
	return dst
}

// The steps of a common clock, s: of 1000 Hz and of 10 Hz.
const (
	finestStep   = 0.001
	coarsestStep = 0.1
)

// mostTimes bounds a common clock: an hour at 1000 Hz.
const mostTimes = 3_600_000

// CommonClock returns the clock that the named channels are laid on together:
// the step of the fastest of them, within 10 to 1000 Hz, from the time all have
// begun to the time the first ends. The fastest, so that nothing a channel
// showed is lost; OnClock says how each gets there. Every channel must pass
// Check; the error is ErrEmpty when they share no time or one is absent.
func CommonClock(channels map[fleet.Channel]Series, names ...fleet.Channel) (Clock, error) {
	start, end, step := math.Inf(-1), math.Inf(1), coarsestStep
	for _, name := range names {
		s := channels[name]
		if err := Check(s); err != nil {
			return Clock{}, fmt.Errorf("lay channel %s on a common clock: %w", name, err)
		}
		start, end = math.Max(start, s.T[0]), math.Min(end, s.T[len(s.T)-1])
		if own := UsualStep(s.T); own > 0 {
			step = math.Min(step, own)
		}
	}
	step = math.Max(step, finestStep)
	if !(end >= start) || math.IsInf(start, 0) {
		return Clock{}, fmt.Errorf("%w: the channels share no time", ErrEmpty)
	}
	n := int(math.Min((end-start)/step*(1+1e-9), mostTimes-1)) + 1
	return Clock{Start: start, Step: step, N: n}, nil
}

// OnClock writes s at each time of an even clock into dst, grown as needed. A
// channel faster than the clock is averaged over the step about each time, so
// that what the clock cannot show does not fold into what it can; any other is
// taken by straight lines between neighbours. NaN where s has no sample: outside
// it, or between two of its samples more than maxGap apart, s.
func OnClock(dst []float64, s Series, c Clock, maxGap float64) []float64 {
	if own := UsualStep(s.T); !(own > 0) || own > c.Step/2 {
		return Resample(dst, s, c.Times(nil), maxGap)
	}
	dst = dst[:0]
	j := 0
	// A sample at the edge of a step belongs to the step after, however the
	// edge is rounded.
	half := c.Step/2 + UsualStep(s.T)*1e-3
	for i := range c.N {
		from := c.At(i) - half
		to := from + c.Step
		for j < len(s.T) && s.T[j] < from {
			j++
		}
		sum, n := 0.0, 0
		for ; j < len(s.T) && s.T[j] < to; j++ {
			if isFinite(s.X[j]) {
				sum += s.X[j]
				n++
			}
		}
		if n == 0 {
			x := math.NaN()
			if j > 0 && j < len(s.T) && s.T[j]-s.T[j-1] <= maxGap {
				x = line(s.T[j-1], s.X[j-1], s.T[j], s.X[j], c.At(i))
			}
			dst = append(dst, x)
			continue
		}
		dst = append(dst, sum/float64(n))
	}
	return dst
}
