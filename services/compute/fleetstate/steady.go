package fleetstate

import (
	"math"
	"slices"
	"time"

	"rollcall/services/fleet"
)

// steady is a cell held to be steady since its errors last restarted: what the
// CUSUM doubts. Given the unknowns g, x is N(c + b·g, p), as in state.
type steady struct {
	p, b, c []float64
}

// steadyOf filters a cell without a walk.
func (net *network) steadyOf(f *filter, c *cellTrack) steady {
	f.run(c, nil)
	s := stateOf(&f.information, f.week)
	return steady{s.p, s.b, s.c}
}

// steadyFilter is a filter without walks. Errors that would not start either stay off.
func (net *network) steadyFilter(v *Variances) *filter {
	f := newFilter(net, v)
	f.walk = make([]float64, net.d())
	f.steady = true
	return f
}

// condition takes something seen in: c += k·(y − h·c), b −= k·(h·b + g), p −= k·h·p.
func (s *steady) condition(o seen, d, n int) {
	m := o.m
	ph := make([]float64, d*m)
	r := make([]float64, m*m)
	a := make([]float64, m*n)
	left := slices.Clone(o.y)
	for i := range m {
		h := o.h[i*d : (i+1)*d]
		left[i] -= dot(h, s.c)
		for j, x := range h {
			axpy(x, s.b[j*n:(j+1)*n], a[i*n:(i+1)*n])
			ph[j*m+i] = dot(s.p[j*d:(j+1)*d], h)
		}
		for j, at := range o.at {
			a[i*n+at] += o.g[i*len(o.at)+j]
		}
	}
	for i := range m {
		for j := range m {
			for k := range d {
				r[i*m+j] += o.h[i*d+k] * ph[k*m+j]
			}
		}
		r[i*m+i]++
	}
	inv := make([]float64, m*m)
	invert(inv, r, m)
	k := make([]float64, d*m)
	for i := range d {
		for j := range m {
			k[i*m+j] = dot(ph[i*m:(i+1)*m], inv[j*m:(j+1)*m])
		}
	}
	p := make([]float64, d*d)
	for i := range d {
		s.c[i] += dot(k[i*m:(i+1)*m], left)
		for j := range m {
			axpy(-k[i*m+j], a[j*n:(j+1)*n], s.b[i*n:(i+1)*n])
		}
		for j := range d {
			p[i*d+j] = s.p[i*d+j] - dot(k[i*m:(i+1)*m], ph[j*m:(j+1)*m])
		}
	}
	for i := range d {
		for j := range d {
			s.p[i*d+j] = (p[i*d+j] + p[j*d+i]) / 2
		}
	}
}

// predict returns a session's band mean less what a cell with x | g ~ N(c + b·g,
// p) is expected to show, and the standard deviation of that difference.
func (f *Fit) predict(at int, e *event, p, b, c []float64) (innovation, sd float64) {
	net := f.net
	t := &net.cells[at]
	d, n := net.d(), f.cells[at].n
	l := t.localOf(net, e)
	var row sparse
	y := net.meanRow(&row, e, &l, 0)
	nz := noiseOf(&e.stat, 1, &f.Variances)
	rootK := math.Sqrt(float64(e.stat.points))
	// Row of the unknowns: h·b + g.
	a := make([]float64, n)
	variance := nz.meanLevel
	for i := range d {
		y -= row.x[i] * c[i]
		axpy(row.x[i], b[i*n:(i+1)*n], a)
		variance += row.x[i] * dot(p[i*d:(i+1)*d], row.x)
	}
	for i := range row.n {
		a[row.at[i]] += row.val[i]
	}
	for i, x := range a {
		if x == 0 {
			continue
		}
		y -= x * f.g[t.cols[i]]
		for j := i; j < n; j++ {
			v := x * a[j] * f.covariance(t.cols[i], t.cols[j])
			if j > i {
				v *= 2
			}
			variance += v
		}
	}
	return y / rootK, math.Sqrt(math.Max(variance, nz.meanLevel)) / rootK
}

// Step is what one reference run said, knowing only itself and what came before.
type Step struct {
	Taken
	Cell fleet.CellID
	Car  fleet.CarID
	At   time.Time
	// Restarted says that errors of the cell restarted since its run before: its
	// CUSUM begins at nought before this run.
	Restarted bool
	// Offset is the cell's degree of equivalence right after the run.
	Offset Equivalence
}

// Follow goes through a whole history, run by run: each step knows only the runs,
// observations and restarts before it. From 60 runs on the variances are
// estimated from what there is, anew each time the runs have doubled, and the
// knots spaced by it; until then the stated variances stand. It returns the
// steps in time order and the fleet after the last.
//
// Equal histories give equal steps, whatever their order.
func Follow(h History, s Settings) ([]Step, *Fit, error) {
	f, err := NewFollower(s)
	if err != nil {
		return nil, nil, err
	}
	return f.Follow(h, nil)
}

// firstEstimate is the number of runs from which Follow estimates variances.
const firstEstimate = 60
