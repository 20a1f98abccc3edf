package powercurve

import (
	"math"

	"rollcall/services/compute/channel"
)

// window is the samples, first to last−1, of the momentum that a point's slope is
// taken from.
type window struct {
	first, last int
}

// nearness is the correlation of the own noise of neighbouring points, whose
// windows share samples: r[i·reach + d − 1] is that of points i and i + d.
type nearness struct {
	reach int
	r     []float64
}

// at returns the correlation of points i and j.
func (n nearness) at(i, j int) float64 {
	switch d := max(i, j) - min(i, j); {
	case d == 0:
		return 1
	case d > n.reach:
		return 0
	default:
		return n.r[min(i, j)*n.reach+d-1]
	}
}

// nearnessOf works out the correlations. The speed's noise, white, comes through
// the slope's weights w; the brake's comes through its integral, so that sample
// j has the weight Δt_j·Σ_{i≥j} w_i. What a force has is taken for every figure:
// a power's own noise is the force's times the speed but for a hundredth.
// slopes are the momentum's local polynomials at the points.
func (r *reduction) nearnessOf(m *model, points []Point, slopes []*channel.Local) nearness {
	var out nearness
	for i := range points {
		d := 0
		for i+d+1 < len(points) && points[i+d+1].fitted.window.first < points[i].fitted.window.last {
			d++
		}
		out.reach = max(out.reach, d)
	}
	if out.reach == 0 {
		return out
	}
	perReading := m.kappa / (1 + m.calibration.Gain)
	bySpeed := math.Max(m.momentumVar, m.cell.BaseInertia*m.cell.BaseInertia*m.speedVar)
	byLoad := perReading * perReading * m.loadVar * r.sparse
	out.r = make([]float64, len(points)*out.reach)
	// The weights, and the tails of their sums, of a point and those it reaches,
	// so scaled that its own noise is their squares' sum.
	longest := 0
	for i := range points {
		w := points[i].fitted.window
		longest = max(longest, w.last-w.first)
	}
	t := r.momentum.T
	room := out.reach + 1
	if n := 2 * room * longest; cap(r.weights) < n {
		r.weights = make([]float64, n)
	}
	of := func(i int) (weight, tails []float64) {
		at := 2 * (i % room) * longest
		n := points[i].fitted.window.last - points[i].fitted.window.first
		return r.weights[at : at+n : at+n], r.weights[at+longest : at+longest+n]
	}
	scale, scaleTail := math.Sqrt(bySpeed), math.Sqrt(byLoad)
	weigh := func(i int) {
		weight, tails := of(i)
		slopes[i].SlopeWeights(weight[:0], r.momentum)
		first, tail := points[i].fitted.window.first, 0.0
		for k := len(weight) - 1; k >= 0; k-- {
			tail += weight[k]
			weight[k] *= scale
			tails[k] = 0
			if k+first > 0 {
				tails[k] = scaleTail * (t[k+first] - t[k+first-1]) * tail
			}
		}
	}
	weighed := 0
	own := func(p *Point) float64 { return bySpeed*p.fitted.varSlope + p.fitted.load }
	for i := range points {
		for ; weighed < len(points) && weighed <= i+out.reach; weighed++ {
			weigh(weighed)
		}
		wholeA, wholeTailsA := of(i)
		for d := 1; d <= out.reach && i+d < len(points); d++ {
			// Outside its window a point's weights and their tails are 0.
			a, b := points[i].fitted.window, points[i+d].fitted.window
			first, n := max(a.first, b.first), min(a.last, b.last)-max(a.first, b.first)
			if n <= 0 {
				break
			}
			sum := 0.0
			wholeB, wholeTailsB := of(i + d)
			wa, wb := wholeA[first-a.first:][:n], wholeB[first-b.first:][:n]
			ta, tb := wholeTailsA[first-a.first:][:n], wholeTailsB[first-b.first:][:n]
			for k, x := range wa {
				sum += x*wb[k] + ta[k]*tb[k]
			}
			x := sum / math.Sqrt(own(&points[i])*own(&points[i+d]))
			if x >= -1 && x <= 1 {
				out.r[i*out.reach+d-1] = x
			} else if x > 1 {
				out.r[i*out.reach+d-1] = 1
			}
		}
	}
	return out
}
