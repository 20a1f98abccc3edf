package channel

import (
	"math"
	"slices"
)

// How a spike is told from what a quantity does. Common practice, no source,
// but each says why.
const (
	// spikeThreshold is how many robust standard deviations a sample must stand
	// off its neighbourhood. Three, as often used, would drop one good sample
	// in 370; the spread of 31 samples is itself known to a fifth only, so that
	// eight still are six at worst, one in 10⁹.
	spikeThreshold = 8
	// spikePairs neighbours on each side make the local median. Up to four
	// spikes in a row leave most of their pairs clean.
	spikePairs = 7
	// spikeSpread samples on each side make the local spread.
	spikeSpread = 15
	// spikeSuspect is how many standard deviations of the whole series a
	// sample must stand off the mean of its two neighbours to be looked at:
	// the edge of a run of equal spikes stands off by half their height.
	spikeSuspect = 4.5
	bendRatio    = 3
	// mostSpikes is the share of samples above which they are no spikes but
	// the signal itself, which is then left as it is.
	mostSpikes = 0.05
	// robust turns a median absolute deviation into a standard deviation of
	// normal noise.
	robust = 1.4826
	// rounding is the least step of numbers that is told from the rounding of
	// float64, as a ratio of their size.
	rounding = 1e-11
)

// spike is a sample that is one, and how far it stands off.
type spike struct {
	index int
	off   float64
}

// spikes returns the samples of s that jump away and come back within four
// samples, after Hampel,
//
//	|x_i − m_i| > 8·S_i,   m_i = median_k line(i−k, i+k), k = 1 … 7
//
// with line the straight line between the samples i−k and i+k at t_i, so that a
// ramp moves nothing, and S_i the larger of 1.4826·median|x_j − m_j| over 31
// samples about i, the same over the whole series, and a quarter of its quantum.
// The corner of a lift-off or a step also stands off the straight line, but not
// off the samples of its own side: the sample must stand off the extrapolations
// from both sides too, in the same direction, by half the threshold. All samples
// of s must be finite. The first and last three samples are not judged.
// Source: F. R. Hampel, J. Am. Stat. Assoc. 69 (1974) 383 (from memory); the
// threshold and the lines are ours.
func spikes(s Series) []spike { return spikesAbove(s, Noise(s), quantum(s.X)) }

// spikesAbove is spikes of a series whose noise and quantum are known.
func spikesAbove(s Series, noise, quantum float64) []spike {
	n := len(s.X)
	if n < 2*spikePairs {
		return nil
	}
	level := math.Max(noise, quantum/4)
	// Samples without any noise differ from a line by the rounding of float64.
	for i := 0; i < n; i += n/spreadSample + 1 {
		level = math.Max(level, rounding*math.Abs(s.X[i]))
	}
	suspect, least := spikeSuspect*level, spikeThreshold*level
	var out []spike
	judged := -1
	for i := 2; i < n-2; i++ {
		off := math.Abs(s.X[i] - (s.X[i-1]+s.X[i+1])/2)
		if off <= suspect {
			continue
		}
		// A bend stands off the neighbours two away four times as far, a spike
		// and its edge at most twice: samples without noise are all suspect.
		if math.Abs(s.X[i]-(s.X[i-2]+s.X[i+2])/2) > bendRatio*off {
			continue
		}
		for j := max(judged+1, i-2); j <= min(i+2, n-1); j++ {
			judged = j
			off, ok := s.standsOff(j)
			if !ok || math.Abs(off) <= least {
				continue
			}
			limit := spikeThreshold * math.Max(level, s.spreadAbout(j))
			if math.Abs(off) > limit && s.standsAlone(j, off, limit/2) {
				out = append(out, spike{j, off})
			}
		}
	}
	return out
}

// standsOff returns x_i − m_i, see spikes; false too near the ends.
func (s Series) standsOff(i int) (float64, bool) {
	pairs := min(spikePairs, i, len(s.X)-1-i)
	if pairs < 3 {
		return 0, false
	}
	var lines [spikePairs]float64
	for k := 1; k <= pairs; k++ {
		lines[k-1] = line(s.T[i-k], s.X[i-k], s.T[i+k], s.X[i+k], s.T[i])
	}
	return s.X[i] - median(lines[:pairs]), true
}

// spreadAbout returns the robust standard deviation of x_j − m_j about sample i.
func (s Series) spreadAbout(i int) float64 {
	var off [2*spikeSpread + 1]float64
	n := 0
	for j := max(0, i-spikeSpread); j <= min(len(s.X)-1, i+spikeSpread); j++ {
		if x, ok := s.standsOff(j); ok {
			off[n] = math.Abs(x)
			n++
		}
	}
	return robust * median(off[:n])
}

// standsAlone reports whether sample i stands off, by more than limit and as off
// does, the lines carried on from its left and from its right.
func (s Series) standsAlone(i int, off, limit float64) bool {
	for _, side := range [2]int{-1, 1} {
		var lines [spikePairs]float64
		n := 0
		for k := 1; k <= spikePairs; k++ {
			near, far := i+side*k, i+2*side*k
			if far < 0 || far >= len(s.X) {
				break
			}
			lines[n] = line(s.T[near], s.X[near], s.T[far], s.X[far], s.T[i])
			n++
		}
		if n == 0 {
			continue
		}
		if d := s.X[i] - median(lines[:n]); d*off <= 0 || math.Abs(d) <= limit {
			return false
		}
	}
	return true
}

// median returns the median of x, the upper one of two, and reorders x; 0 of
// none. No number of x may be NaN.
func median(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	// Halves until few are left about the middle.
	low, high, middle := 0, len(x), len(x)/2
	for high-low > 16 {
		a, b, c := x[low], x[(low+high)/2], x[high-1]
		pivot := max(min(a, b), min(max(a, b), c))
		i, j := low, high-1
		for i <= j {
			for x[i] < pivot {
				i++
			}
			for x[j] > pivot {
				j--
			}
			if i <= j {
				x[i], x[j] = x[j], x[i]
				i++
				j--
			}
		}
		switch {
		case middle <= j:
			high = j + 1
		case middle >= i:
			low = i
		default:
			return x[middle]
		}
	}
	whole := x
	x = x[low:high]
	for i := 1; i < len(x); i++ { // few: by insertion
		for j := i; j > 0 && x[j] < x[j-1]; j-- {
			x[j], x[j-1] = x[j-1], x[j]
		}
	}
	return whole[middle]
}

// spreadSample is how many samples, spread evenly, Noise and quantum look at.
const spreadSample = 127

// Noise returns the robust standard deviation of the fast part of s, from up to
// 127 of its samples spread evenly,
//
//	σ = 1.4826·median|x_i − (x_{i−1} + x_{i+1})/2| / √1.5
//
// which a ramp does not enter and spikes hardly; 0 with fewer than three
// samples. Source of the difference: T. Gasser, L. Sroka, C. Jennen-Steinmetz,
// Biometrika 73 (1986) 625 (from memory).
func Noise(s Series) float64 {
	n := len(s.X) - 2
	if n < 1 {
		return 0
	}
	var off [spreadSample]float64
	m, count := min(n, spreadSample), 0
	for k := range m {
		i := k*n/m + 1
		if d := math.Abs(s.X[i] - (s.X[i-1]+s.X[i+1])/2); isFinite(d) {
			off[count] = d
			count++
		}
	}
	return robust * median(off[:count]) / math.Sqrt(1.5)
}

// quantum returns the step all samples are whole multiples of away from each
// other, as far as up to 127 differences of neighbours tell; 0: there is none
// that can be told from noise.
func quantum(x []float64) float64 {
	n := len(x) - 1
	if n < 1 {
		return 0
	}
	var step [spreadSample]float64
	m := min(n, spreadSample)
	size := 0.0
	// Where most neighbours are equal, samples further apart are not.
	const fewest = 8
	count := 0
	for _, far := range [2]bool{false, true} {
		if count >= fewest {
			break
		}
		count = 0
		for k := range m {
			i := k * n / m
			j := i + 1
			if far {
				j = min((k+1)*n/m, n)
			}
			if d := math.Abs(x[j] - x[i]); d > 0 && isFinite(d) {
				step[count] = d
				count++
			}
			if a := math.Abs(x[i]); isFinite(a) {
				size = math.Max(size, a)
			}
		}
	}
	if count < fewest {
		return 0
	}
	// Decimal numbers differ by whole quanta within the rounding of float64.
	least := slices.Min(step[:count])
	if !(least > rounding*size) {
		return 0
	}
	for _, d := range step[:count] {
		if r := d / least; math.Abs(r-math.Round(r)) > 0.02 || r > 1e6 {
			return 0
		}
	}
	return least
}
