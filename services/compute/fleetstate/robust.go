package fleetstate

import (
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"

	"rollcall/services/fleet"
)

// Weighted is a session or a pull that counts for less because it lies far out.
type Weighted struct {
	Run  fleet.RunID
	Cell fleet.CellID
	At   time.Time
	Pull fleet.PullID // empty: the session as a whole
	// Weight is (FarOut/r)², r how many standard deviations it lies out.
	Weight float64
}

// weighPasses bounds the passes of weighing, and weighSettled is the change of
// a weight that is worth another one.
const (
	weighPasses  = 6
	weighSettled = 0.02
)

// solveRobust solves, weighs every session and pull by how far from its place it
// lies (see Settings.FarOut), and solves again with those weights, a fixed
// number of times at most. The weights depend on the history alone.
func (net *network) solveRobust(v *Variances) (*solution, error) {
	to := net.newSums()
	net.reduce(v, to, net.all(), 1)
	for pass := 0; ; pass++ {
		keep := pass < weighPasses && !math.IsInf(net.s.FarOut, 1)
		work := to
		if keep {
			work = &sums{gg: slices.Clone(to.gg), eg: to.eg, score: to.score, states: to.states}
		}
		sol, err := net.solveSums(v, work)
		if err != nil {
			return nil, err
		}
		var changed []int
		var weights [][]weight
		loosened := false
		if keep {
			changed, weights = net.weigh(v, sol.g)
			loosened = net.loosen(v, sol)
		}
		if len(changed) == 0 && !loosened {
			sol.invert()
			return sol, nil
		}
		net.reduce(v, to, changed, -1)
		for i, c := range changed {
			net.put(&net.cells[c], weights[i])
		}
		net.reduce(v, to, changed, 1)
	}
}

// weight is what one session should count for.
type weight struct {
	event  int
	lambda float64
	pull   []float64 // nil: all 1
	// jump is the error that jumps at the event and loose by how much; −1: none,
	// and then the weights above are meant.
	jump  int
	loose float64
}

// weigh returns the cells in which a weight should change, with the weights.
func (net *network) weigh(v *Variances, g []float64) (changed []int, out [][]weight) {
	all := make([][]weight, len(net.cells))
	paths := make([]*meanPath, net.s.Workers)
	each(len(net.cells), net.s.Workers, func(w, i int) {
		if paths[w] == nil {
			paths[w] = newMeanPath(net, v)
		}
		all[i] = net.weighCell(v, &net.cells[i], g, paths[w])
	})
	for i, w := range all {
		if len(w) > 0 {
			changed, out = append(changed, i), append(out, w)
		}
	}
	return changed, out
}

func (net *network) weighCell(v *Variances, c *cellTrack, g []float64, m *meanPath) (out []weight) {
	p := m.run(c, g)
	x := p.mean
	d := net.d()
	farthest := 0.0
	for i := range c.events {
		if c.events[i].kind != session {
			continue
		}
		lambda, pull := net.judge(v, &c.events[i], x[i*d:(i+1)*d], g)
		if lambda < 1 {
			farthest = math.Max(farthest, net.s.FarOut/math.Sqrt(lambda))
		}
		for _, l := range pull {
			if l < 1 {
				farthest = math.Max(farthest, net.s.FarOut/math.Sqrt(l))
			}
		}
		if differ(&c.events[i], lambda, pull) {
			out = append(out, weight{i, lambda, pull, -1, 1})
		}
	}
	// A jump of an error, where one is clearly more evident than any session's or
	// pull's being far out. A single one that is far out looks like a jump to it
	// too, by up to a fifth more evident for what else is not known of it; several
	// that agree are a jump.
	const clearly = 1.2
	top := math.Max(clearly*farthest, net.s.FarOut)
	jump := weight{jump: -1}
	for i := range c.events {
		if !p.stepped[i] {
			continue
		}
		e := &c.events[i]
		for f := range d {
			theta := v.Walk[f] * (e.week - c.events[i-1].week) * e.looseness(f)
			if z, size := evident(p.stepMean[i*d+f], p.stepV[i*d+f], theta); z > top {
				top = z
				jump = weight{i, 0, nil, f, e.looseness(f) * (1 + size*size/theta)}
			}
		}
	}
	if jump.jump >= 0 {
		return []weight{jump}
	}
	return out
}

// evident returns how evident it is, in standard deviations, that a step of a
// walk has more to it than its variance theta, from its mean and variance given
// the data, and how much more: with a = 1/θ − v/θ² and b = m/θ, b/√a and b/a.
// Source: de Jong and Penzer, J. Am. Stat. Assoc. 93, 1998 (from memory).
func evident(mean, variance, theta float64) (z, size float64) {
	if !(theta > 0) {
		return 0, 0
	}
	a := (1 - variance/theta) / theta
	// Of a step that the data hardly tell, rounding would decide.
	const told = 1e-6
	if a*theta < told {
		return 0, 0
	}
	b := mean / theta
	return math.Abs(b) / math.Sqrt(a), b / a
}

// What is evident of a car: a fade is looked for over this long at most, and is
// evident from this many standard deviations on. It is less than FarOut, for the
// cost of a car taken to fade that does not is only a wider uncertainty, that of one
// that fades unseen a sound cell accused.
const (
	longestFade = 52.0
	evidentFade = 3.5
)

// evidentChange returns the most evident change of a car's own level that its walk
// does not hold, a jump (first = last) or a fade over the steps first to last, and by
// how much it makes their variances larger; first < 0: there is none. Only those
// that end with step from or later are looked at. With T the sum of the steps, their
// prior variance in all is θ, and evident says how far out T is. Where the steps
// share a fade of size s, they are n independent ones of (s/n)² each.
func (c *carEpoch) evidentChange(v *Variances, farOut float64, from int, g []float64, variance func(a, b int) float64) (first, last int, factor float64) {
	first, top := -1, 1.0
	for n := max(0, from); n < len(c.knots); n++ {
		loose := c.looseness(n)
		for i := n; i >= 0 && c.weeks[n+1]-c.weeks[i] <= longestFade && c.looseness(i) == loose; i-- {
			limit := farOut
			if i < n {
				limit = math.Min(farOut, evidentFade)
			}
			theta := v.CarWalk * loose * (c.weeks[n+1] - c.weeks[i])
			mean, before := g[c.knots[n]], -1
			if i > 0 {
				before = c.knots[i-1]
				mean -= g[before]
			}
			// What is not half of it out even before the data's doubt is taken off
			// is passed over.
			if mean*mean <= theta*limit*limit/4 {
				continue
			}
			if z, size := evident(mean, variance(c.knots[n], before), theta); z > top*limit {
				top = z / limit
				first, last = i, n
				factor = 1 + size*size/(theta*float64(n-i+1))
			}
		}
	}
	return first, last, factor
}

// looseness is by how much the variance of the step to knot i is larger than the
// walk's.
func (c *carEpoch) looseness(i int) float64 {
	if i < len(c.loose) {
		return c.loose[i]
	}
	return 1
}

// loosen makes the variances of steps first to last larger.
func (c *carEpoch) loosen(first, last int, factor float64) {
	for len(c.loose) < len(c.knots) {
		c.loose = append(c.loose, 1)
	}
	for i := first; i <= last; i++ {
		c.loose[i] *= factor
	}
}

// loosen gives the most evident change of each car's own level its variance,
// and says whether there was one.
func (net *network) loosen(v *Variances, sol *solution) bool {
	if math.IsInf(net.s.FarOut, 1) || !(v.CarWalk > 0) {
		return false
	}
	any := false
	u := blas64.Triangular{Uplo: blas.Upper, Diag: blas.NonUnit, N: sol.n, Stride: sol.n, Data: sol.inv}
	row := make([]float64, sol.n)
	for j := range net.cars {
		c := &net.cars[j]
		// From the factor: |U⁻ᵀ·D·(e_a − e_b)|².
		first, last, factor := c.evidentChange(v, net.s.FarOut, 0, sol.g, func(a, b int) float64 {
			clear(row)
			row[a] = sol.scale[a]
			if b >= 0 {
				row[b] = -sol.scale[b]
			}
			blas64.Trsv(blas.Trans, u, blas64.Vector{N: sol.n, Inc: 1, Data: row})
			return dot(row, row)
		})
		if first >= 0 {
			c.loosen(first, last, factor)
			any = true
		}
	}
	return any
}

// differ says that a session's weights are worth changing.
func differ(e *event, lambda float64, pull []float64) bool {
	if math.Abs(lambda-e.lambda) > weighSettled*e.lambda {
		return true
	}
	if (pull == nil) != (e.pull == nil) {
		return true
	}
	for p := range pull {
		if math.Abs(pull[p]-e.pull[p]) > weighSettled*e.pull[p] {
			return true
		}
	}
	return false
}

// judge returns the weights of a session and its pulls, given the cell's errors
// and the cars' unknowns.
func (net *network) judge(v *Variances, e *event, x, g []float64) (lambda float64, pull []float64) {
	q, d := net.q(), net.d()
	w := width(d)
	far := net.s.FarOut
	car := &net.cars[e.car]
	nz := noiseOf(&e.stat, 1, v)
	far2 := 0.0
	for mode := range q {
		r := net.residual(e, mode, x, g)
		variance := nz.meanShape
		if mode == 0 {
			variance = nz.meanLevel
		}
		far2 = math.Max(far2, r*r/variance)
	}
	lambda = 1
	if far2 > far*far {
		lambda = far * far / far2
	}
	n := len(net.runs[e.run].Pulls)
	if n < 2 {
		return lambda, nil
	}
	// Could a pull be far out? Only where they differ by much together.
	var m [mostFaults + 3]float64
	copy(m[:], x)
	m[d], m[d+1], m[d+2] = g[car.base+q], g[car.base+q+1], -1
	form := func(z []float64) float64 {
		s := 0.0
		for a := range w {
			for b := range w {
				s += m[a] * z[a*w+b] * m[b]
			}
		}
		return s
	}
	own := 1 - 1/float64(n)
	if e.pull == nil && form(e.stat.level) < far*far*own*nz.level && form(e.stat.shape) < far*far*own*nz.shape {
		return lambda, nil
	}
	run := &net.runs[e.run]
	z := make([]float64, q*w)
	flat := ones(e.stat.points)
	for p := range run.Pulls {
		rows(z, run, &run.Pulls[p], net.modes, net.s.Faults, flat, car.curve)
		far2 := 0.0
		for mode := range q {
			r := 0.0
			for a := range w {
				dev := z[mode*w+a] - e.stat.mean[mode*w+a]
				if a == w-1 {
					dev -= car.ref[mode]
				}
				r += m[a] * dev
			}
			variance := nz.shape
			if mode == 0 {
				variance = nz.level
			}
			far2 = math.Max(far2, r*r/(own*variance))
		}
		if far2 > far*far {
			if pull == nil {
				pull = ones(n)
			}
			pull[p] = far * far / far2
		}
	}
	return lambda, pull
}

// residual is what a session's mean in a mode leaves.
func (net *network) residual(e *event, mode int, x, g []float64) float64 {
	d, q := net.d(), net.q()
	w := width(d)
	m := e.stat.mean[mode*w : (mode+1)*w]
	base := net.cars[e.car].base
	rootK := math.Sqrt(float64(e.stat.points))
	r := m[d+2] - rootK*g[base+mode] - m[d]*g[base+q] - m[d+1]*g[base+q+1] - dot(m[:d], x)
	if mode == 0 {
		for i, k := range e.knot {
			if k >= 0 {
				r -= rootK * e.part[i] * g[k]
			}
		}
	}
	return r
}

// put gives sessions their weights.
func (net *network) put(c *cellTrack, weights []weight) {
	for _, w := range weights {
		e := &c.events[w.event]
		if w.jump >= 0 {
			if e.loose == nil {
				e.loose = ones(net.d())
			}
			e.loose[w.jump] = w.loose
			continue
		}
		e.lambda = w.lambda
		if e.pull == nil && w.pull == nil {
			continue
		}
		e.pull = w.pull
		e.stat = newStat(&net.runs[e.run], net.modes, net.s.Faults, net.cars[e.car].curve, w.pull)
		net.settle(e)
	}
}

// Weighted returns what counts for less, by cell, then time.
func (f *Fit) Weighted() []Weighted {
	var out []Weighted
	for c := range f.net.cells {
		t := &f.net.cells[c]
		for i := range t.events {
			e := &t.events[i]
			if e.kind != session {
				continue
			}
			if e.lambda < 1 {
				out = append(out, Weighted{Run: fleet.RunID(e.id), Cell: t.id, At: e.at, Weight: e.lambda})
			}
			for p, x := range e.pull {
				if x < 1 {
					out = append(out, Weighted{Run: fleet.RunID(e.id), Cell: t.id, At: e.at, Pull: f.net.runs[e.run].Pulls[p].ID, Weight: x})
				}
			}
		}
	}
	return out
}

// meanPath smooths a cell's errors with its cars' unknowns taken as known:
// means only, the state alone, so that it costs next to nothing.
type meanPath struct {
	f *filter
}

func newMeanPath(net *network, v *Variances) *meanPath { return &meanPath{newFilter(net, v)} }

// run returns the path given g: its mean, and mean and variance of the steps.
func (m *meanPath) run(c *cellTrack, g []float64) *path {
	plain := cellTrack{id: c.id, place: c.place, events: c.events}
	s := smoother{f: m.f}
	m.f.known = g
	defer func() { m.f.known = nil }()
	return s.run(&plain, nil, nil)
}
