package powercurve

import (
	"math"
	"slices"

	"rollcall/services/compute/channel"
)

// window is a local polynomial's slope as a weighted sum of the samples:
//
//	Slope = Σ x_i·(row[0] + row[1]·u_i + row[2]·u_i² + row[3]·u_i³)/half,  u_i = (t_i − at)/half
//
// over the samples first to last−1 of the momentum.
type window struct {
	row         [4]float64
	at, half    float64
	first, last int
}

// weight returns the weight of a sample at time t.
func (w *window) weight(t float64) float64 {
	u := (t - w.at) / w.half
	return (w.row[0] + u*(w.row[1]+u*(w.row[2]+u*w.row[3]))) / w.half
}

// windowOf returns the slope weights of the polynomial that channel.FitLocal
// fits to the momentum. The row is a column of the inverse of its normal matrix.
func (r *reduction) windowOf(span channel.Span, at float64, order int) window {
	t := r.momentum.T
	w := window{at: at, half: math.Max(at-span.Start, span.End-at)}
	w.first, _ = slices.BinarySearch(t, span.Start)
	var found bool
	w.last, found = slices.BinarySearch(t, span.End)
	if found {
		w.last++
	}
	var moment [7]float64
	for _, x := range t[w.first:w.last] {
		u := (x - at) / w.half
		p := 1.0
		for k := range moment {
			moment[k] += p
			p *= u
		}
	}
	n := order + 1
	var a [4][5]float64
	for i := range n {
		for j := range n {
			a[i][j] = moment[i+j]
		}
	}
	a[1][4] = 1
	// The matrix is positive definite: FitLocal has seen to that.
	for i := range n {
		for k := i + 1; k < n; k++ {
			f := a[k][i] / a[i][i]
			for j := i; j < 5; j++ {
				a[k][j] -= f * a[i][j]
			}
		}
	}
	for i := n - 1; i >= 0; i-- {
		x := a[i][4]
		for j := i + 1; j < n; j++ {
			x -= a[i][j] * w.row[j]
		}
		w.row[i] = x / a[i][i]
	}
	return w
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
func (r *reduction) nearnessOf(m *model, points []Point) nearness {
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
	own := func(p *Point) float64 { return bySpeed*p.fitted.varSlope + p.fitted.load }
	for i := range points {
		for d := 1; d <= out.reach && i+d < len(points); d++ {
			a, b := &points[i], &points[i+d]
			if b.fitted.window.first >= a.fitted.window.last {
				break
			}
			direct, summed := r.overlap(&a.fitted.window, &b.fitted.window)
			x := (bySpeed*direct + byLoad*summed) / math.Sqrt(own(a)*own(b))
			if x >= -1 && x <= 1 {
				out.r[i*out.reach+d-1] = x
			} else if x > 1 {
				out.r[i*out.reach+d-1] = 1
			}
		}
	}
	return out
}

// overlap returns Σ w_a·w_b and Σ W_a·W_b over the samples both have.
func (r *reduction) overlap(a, b *window) (direct, summed float64) {
	t := r.momentum.T
	var tailA, tailB float64
	low, high := max(a.first, b.first), max(a.last, b.last)
	for k := high - 1; k >= low && k > 0; k-- {
		var wa, wb float64
		if k < a.last {
			wa = a.weight(t[k])
		}
		if k < b.last {
			wb = b.weight(t[k])
		}
		tailA, tailB = tailA+wa, tailB+wb
		dt := t[k] - t[k-1]
		direct += wa * wb
		summed += dt * dt * tailA * tailB
	}
	return direct, summed
}
