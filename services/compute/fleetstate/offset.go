package fleetstate

import (
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/blas"
	"gonum.org/v1/gonum/blas/blas64"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Equivalence is a cell's degree of equivalence: its offset from the consensus
// of the fleet.
type Equivalence struct {
	Cell fleet.CellID
	At   time.Time
	// Offset is the effect of all the cell's errors together on the band mean of
	// the corrected tractive force, less the consensus; a ratio, positive when it
	// reads high. U is expanded, k = 2, and knows what cell and consensus share.
	Offset, U float64
	// En is Offset/U; |En| ≤ 1 is satisfactory.
	En float64
	// Runs is how many of its reference runs are known, LastAt when the last of
	// them was; zero: none.
	Runs   int
	LastAt time.Time
	// InConsensus is the cell's weight in the consensus.
	InConsensus float64
	// Prior is the share of the offset's variance before any run that is still
	// there: 1, the runs have told nothing; 0, all.
	Prior float64
	// NotSeparable says in a sentence that the visits of the reference cars do
	// not tell this cell's offset from a car's, and which visit would; empty: they
	// do.
	NotSeparable string
}

// Consensus is what the cells agree on.
type Consensus struct {
	At    time.Time
	Value float64 // ratio
	U     float64
	// SD is the robust standard deviation between the cells. One cell, however
	// far out, moves Value by less than 4.5·SD/(Cells − 1), of three cells or
	// more, SD the larger of with and without it.
	SD    float64
	Cells int
}

// active is how long after its last event a cell has a say in the consensus.
const active = 26 * Week

// signatureOf returns ∂(band mean of y)/∂x of each error, the mean over a cell's
// sessions; for a cell without one, over the fleet's.
func (net *network) signatureOf(c int) []float64 {
	d := net.d()
	mean := func(cells []cellTrack) ([]float64, int) {
		sum, n := make([]float64, d), 0
		for k := range cells {
			for i := range cells[k].events {
				if e := &cells[k].events[i]; e.kind == session {
					axpy(1/math.Sqrt(float64(e.stat.points)), e.stat.mean[:d], sum)
					n++
				}
			}
		}
		for i := range sum {
			sum[i] /= math.Max(1, float64(n))
		}
		return sum, n
	}
	sig, n := mean(net.cells[c : c+1])
	if n == 0 {
		sig, _ = mean(net.cells)
	}
	return sig
}

// offsetParts returns a cell's offset, its variance, and the part of it that is
// the cell's own, given the unknowns, at a time.
func (f *Fit) offsetParts(c int, at time.Time) (offset, variance, own float64) {
	s := &f.cells[c]
	w := f.cells[c].sig
	d := s.d
	dt := math.Max(0, weekOf(at)-s.week)
	for i := range d {
		offset += w[i] * s.x[i]
		for j := range d {
			variance += w[i] * w[j] * s.cov[i*d+j]
			own += w[i] * w[j] * s.p[i*d+j]
		}
		walk := w[i] * w[i] * f.Variances.Walk[i] * dt
		variance += walk
		own += walk
	}
	return offset, variance, own
}

// addUnknowns adds weight times the coefficients of the unknowns in a cell's
// offset to dst.
func (f *Fit) addUnknowns(dst []float64, c int, weight float64) {
	s := &f.cells[c]
	w := f.cells[c].sig
	for i := range s.d {
		x := weight * w[i]
		for k, u := range f.net.cells[c].cols {
			dst[u] += x * s.b[i*s.n+k]
		}
	}
}

// dotUnknowns is the product of a cell's coefficients with v.
func (f *Fit) dotUnknowns(c int, v []float64) float64 {
	s := &f.cells[c]
	w := f.cells[c].sig
	sum := 0.0
	for i := range s.d {
		for k, u := range f.net.cells[c].cols {
			sum += w[i] * s.b[i*s.n+k] * v[u]
		}
	}
	return sum
}

func (f *Fit) times(u []float64) []float64 {
	n := f.net.n
	out := make([]float64, n)
	if n > 0 {
		blas64.Symv(1, blas64.Symmetric{Uplo: blas.Upper, N: n, Stride: n, Data: f.inv}, blas64.Vector{N: n, Inc: 1, Data: u}, 0, blas64.Vector{N: n, Inc: 1, Data: out})
	}
	return out
}

// agreed is the consensus with what an equivalence needs of it.
type agreed struct {
	Consensus
	weight   []float64 // by cell
	su       []float64 // Σ·u, u the consensus' coefficients of the unknowns
	variance float64
}

// voters are the cells with a say in the consensus.
func (f *Fit) voters(at time.Time) []int {
	var voters []int
	for c := range f.cells {
		if t := &f.net.cells[c]; t.runs > 0 && at.Sub(t.events[len(t.events)-1].at) <= active {
			voters = append(voters, c)
		}
	}
	if len(voters) == 0 {
		voters = f.net.all()
	}
	return voters
}

func (f *Fit) agree(at time.Time) agreed {
	n := len(f.cells)
	voters := f.voters(at)
	values, own := make([]float64, len(voters)), make([]float64, len(voters))
	for i, c := range voters {
		values[i], _, own[i] = f.offsetParts(c, at)
	}
	a := agreed{Consensus: Consensus{At: at, Cells: len(voters)}, weight: make([]float64, n)}
	var w []float64
	a.Value, a.SD, w = gum.RobustCentre(values)
	u := make([]float64, f.net.n)
	for i, c := range voters {
		a.weight[c] = w[i]
		if w[i] != 0 {
			f.addUnknowns(u, c, w[i])
			a.variance += w[i] * w[i] * own[i]
		}
	}
	a.su = f.times(u)
	a.variance += dot(u, a.su)
	a.U = expanded(a.variance)
	return a
}

// against is a cell's degree of equivalence.
func (f *Fit) against(a *agreed, c int, at time.Time) Equivalence {
	t := &f.net.cells[c]
	offset, variance, own := f.offsetParts(c, at)
	e := Equivalence{Cell: t.id, At: at, Runs: t.runs, InConsensus: a.weight[c], Offset: offset - a.Value}
	for i := len(t.events) - 1; i >= 0 && e.LastAt.IsZero(); i-- {
		if t.events[i].kind == session {
			e.LastAt = t.events[i].at
		}
	}
	e.U = expanded(variance - 2*(a.weight[c]*own+f.dotUnknowns(c, a.su)) + a.variance)
	e.En = ratio(e.Offset, e.U)
	e.Prior = math.Min(1, variance/f.priorVariance(c, at))
	return e
}

// Equivalence returns where a single cell stands at a time; ok: it is known. It
// costs less than Equivalences, and NotSeparable stays empty.
func (f *Fit) Equivalence(cell fleet.CellID, at time.Time) (Equivalence, bool) {
	c, ok := f.cellPlace(cell)
	if !ok {
		return Equivalence{}, false
	}
	return f.equivalence(c, at), true
}

// equivalence is a single cell's, without the sentence on separability.
func (f *Fit) equivalence(c int, at time.Time) Equivalence {
	a := f.agree(at)
	return f.against(&a, c, at)
}

// Equivalences returns where every cell stands at a time, by id, and the
// consensus. The time must not be before a cell's last event; a cell's errors
// have walked on since then. The consensus is Algorithm A's robust mean of the
// cells seen in the last 26 weeks: one bad cell hardly moves it.
func (f *Fit) Equivalences(at time.Time) ([]Equivalence, Consensus) {
	a := f.agree(at)
	said, _ := f.separability()
	out := make([]Equivalence, len(f.cells))
	each(len(out), f.net.s.Workers, func(_, c int) {
		out[c] = f.against(&a, c, at)
		out[c].NotSeparable = said[c]
	})
	return out, a.Consensus
}

// priorVariance is a cell's offset's variance if it had no run, from its last
// restarts on.
func (f *Fit) priorVariance(c int, at time.Time) float64 {
	t := &f.net.cells[c]
	w := f.cells[c].sig
	v := 0.0
	for i := range w {
		since := weekOf(at)
		if len(t.events) > 0 {
			since = t.events[0].week
		}
		for k := range t.events {
			if e := &t.events[k]; e.kind == restart && e.mask>>i&1 == 1 {
				since = e.week
			}
		}
		v += w[i] * w[i] * (f.Variances.Start[i] + f.Variances.Walk[i]*math.Max(0, weekOf(at)-since))
	}
	return math.Max(v, math.SmallestNonzeroFloat64)
}

func ratio(d, u float64) float64 {
	switch {
	case u > 0:
		return d / u
	case d == 0:
		return 0
	}
	return math.Copysign(math.Inf(1), d)
}

// Pair is the difference of two cells: the degree of equivalence between them.
type Pair struct {
	A, B       fleet.CellID
	Difference float64 // A's offset less B's, ratio
	U, En      float64
	// NotSeparable says in a sentence that no path of visits joins the two, and
	// which visit would; empty: one does.
	NotSeparable string
}

// Pair returns the degree of equivalence of two cells at a time; ok: both are
// known.
func (f *Fit) Pair(a, b fleet.CellID, at time.Time) (Pair, bool) {
	ca, okA := f.cellPlace(a)
	cb, okB := f.cellPlace(b)
	if !okA || !okB {
		return Pair{}, false
	}
	return f.pairs([]int{ca, cb}, at)[0], true
}

// Pairs returns the degrees of equivalence of all pairs of the cells, in their
// order; a cell that is not known is passed over.
func (f *Fit) Pairs(cells []fleet.CellID, at time.Time) []Pair {
	var places []int
	for _, id := range cells {
		if c, ok := f.cellPlace(id); ok {
			places = append(places, c)
		}
	}
	return f.pairs(places, at)
}

// PairsOf returns a cell's degrees of equivalence with each of the others, in
// their order; the cell itself and what is not known is passed over.
func (f *Fit) PairsOf(cell fleet.CellID, others []fleet.CellID, at time.Time) []Pair {
	a, ok := f.cellPlace(cell)
	if !ok {
		return nil
	}
	var places []int
	for _, id := range others {
		if c, ok := f.cellPlace(id); ok && c != a {
			places = append(places, c)
		}
	}
	said, part := f.separability()
	offset, variance, _ := f.offsetParts(a, at)
	u := make([]float64, f.net.n)
	f.addUnknowns(u, a, 1)
	su := f.times(u)
	out := make([]Pair, len(places))
	each(len(places), f.net.s.Workers, func(_, i int) {
		b := places[i]
		o, v, _ := f.offsetParts(b, at)
		out[i] = Pair{A: cell, B: f.net.cells[b].id, Difference: offset - o, NotSeparable: unjoined(said, part, a, b)}
		out[i].U = expanded(variance + v - 2*f.dotUnknowns(b, su))
		out[i].En = ratio(out[i].Difference, out[i].U)
	})
	return out
}

// unjoined is the sentence on a pair that no path of visits joins; empty: one does.
func unjoined(said []string, part []int, a, b int) string {
	switch {
	case part[a] < 0:
		return said[a]
	case part[a] == part[b]:
		return ""
	case part[b] < 0 || said[a] == "":
		return said[b]
	}
	return said[a]
}

// MostMoved returns by how much one cell, however far out, can move the consensus
// at a time at most: 4.5·SD/(n − 1), n the cells in it, SD the largest of with all
// and without any one of them. +Inf of fewer than three cells: nothing bounds it.
func (f *Fit) MostMoved(at time.Time) float64 {
	voters := f.voters(at)
	n := len(voters)
	if n < 3 {
		return math.Inf(1)
	}
	values := make([]float64, n)
	for i, c := range voters {
		values[i], _, _ = f.offsetParts(c, at)
	}
	_, most, _ := gum.RobustCentre(values)
	sd := make([]float64, n)
	each(n, f.net.s.Workers, func(_, i int) {
		_, sd[i], _ = gum.RobustCentre(slices.Concat(values[:i], values[i+1:]))
	})
	return 4.5 * max(most, slices.Max(sd)) / float64(n-1)
}

func (f *Fit) pairs(places []int, at time.Time) []Pair {
	n := len(places)
	said, part := f.separability()
	offset, variance := make([]float64, n), make([]float64, n)
	su := make([][]float64, n)
	each(n, f.net.s.Workers, func(_, i int) {
		offset[i], variance[i], _ = f.offsetParts(places[i], at)
		u := make([]float64, f.net.n)
		f.addUnknowns(u, places[i], 1)
		su[i] = f.times(u)
	})
	rows := make([][]Pair, n)
	each(n, f.net.s.Workers, func(_, i int) {
		for j := i + 1; j < n; j++ {
			p := Pair{A: f.net.cells[places[i]].id, B: f.net.cells[places[j]].id, Difference: offset[i] - offset[j], NotSeparable: unjoined(said, part, places[i], places[j])}
			p.U = expanded(variance[i] + variance[j] - 2*f.dotUnknowns(places[j], su[i]))
			p.En = ratio(p.Difference, p.U)
			rows[i] = append(rows[i], p)
		}
	})
	return slices.Concat(rows...)
}

// CarChange is how a reference car's level has moved.
type CarChange struct {
	Car fleet.CarID
	// From and To are the moments compared: the beginning of the car's epoch, or
	// the moment asked for where that is later, and its last run.
	From, To time.Time
	Change   float64 // ratio, positive when it reads higher now
	U        float64
	Sessions int
	// Evidence is, of CarOutlook, the sum over all sessions of how many times
	// likelier all that was seen is if the car began to change there than if it did
	// not: Shiryaev and Roberts' statistic.
	Evidence float64
}

// Cars returns how every car's level has moved since a time (zero: since its
// epoch began), in the order of their first runs, newest epoch only.
func (f *Fit) Cars(since time.Time) []CarChange {
	var out []CarChange
	for j := range f.net.cars {
		c := &f.net.cars[j]
		if slices.ContainsFunc(f.net.cars, func(o carEpoch) bool { return o.car == c.car && o.n > c.n }) {
			continue
		}
		from := c.start
		if !since.IsZero() {
			from = math.Min(math.Max(from, weekOf(since)), c.last)
		}
		at := map[int]float64{}
		add := func(week, sign float64) {
			k, part := c.place(week)
			for i := range k {
				if k[i] >= 0 {
					at[k[i]] += sign * part[i]
				}
			}
		}
		if len(c.knots) > 0 {
			add(c.last, 1)
			add(from, -1)
		}
		change := CarChange{Car: c.car, From: timeOf(from), To: timeOf(c.last), Sessions: c.sessions}
		v := 0.0
		for _, a := range c.knots {
			change.Change += at[a] * f.g[a]
			for _, b := range c.knots {
				v += at[a] * at[b] * f.covariance(a, b)
			}
		}
		change.U = expanded(v)
		out = append(out, change)
	}
	return out
}

// Car is Cars since its epoch began of a single car; ok: it is known.
func (f *Fit) Car(car fleet.CarID) (c CarChange, ok bool) {
	for _, c = range f.Cars(time.Time{}) {
		if c.Car == car {
			return c, true
		}
	}
	return CarChange{}, false
}

// CarOutlook is Car with the changes weighed that the car may have made, together
// of the probability given: none, a jump between any two of its knots, of standard
// deviation sd, or a fade from any knot on that comes to sd in half a year. The walk
// of a car's level is estimated small, and after a change the filter alone lags.
//
// A change of variance s² makes that of T, the sum of the steps it lies in, θ + s².
// With Λ what the data say of T and b their right side, T | data is then
// b/(Λ + 1/(θ + s²)), and the car's level follows by their covariance.
func (f *Fit) CarOutlook(car fleet.CarID, probability, sd float64) (c CarChange, ok bool) {
	if c, ok = f.Car(car); !ok {
		return c, false
	}
	j := slices.IndexFunc(f.net.cars, func(e carEpoch) bool {
		return e.car == car && !slices.ContainsFunc(f.net.cars, func(o carEpoch) bool { return o.car == car && o.n > e.n })
	})
	e := &f.net.cars[j]
	n := len(e.knots)
	if n == 0 || !(f.Variances.CarWalk > 0) {
		return c, true
	}
	k, part := e.place(e.last)
	v := c.U * c.U / 4
	type branch struct{ log, mean, v float64 }
	all := []branch{{math.Log1p(-probability), c.Change, v}}
	// weigh adds a change over the steps first to last.
	weigh := func(first, last int, sd, share float64) {
		at, before := e.knots[last], -1
		if first > 0 {
			before = e.knots[first-1]
		}
		covary := func(a, b int) float64 {
			if a < 0 || b < 0 {
				return 0
			}
			return f.covariance(a, b)
		}
		mean, own := f.difference(at, before)
		if !(own > 0) {
			return
		}
		with, step := 0.0, 0.0
		for a := range k {
			with += part[a] * (covary(at, k[a]) - covary(before, k[a]))
		}
		for i := first; i <= last; i++ {
			step += e.step(&f.Variances, i)
		}
		info := math.Max(0, 1/own-1/step)
		b := mean / own
		plain := f.Variances.CarWalk * (e.weeks[last+1] - e.weeks[first])
		wide := plain + sd*sd
		// log p(data | change) − log p(data | walk), of a T ~ N(0, variance).
		evidence := func(variance float64) float64 {
			return -0.5*math.Log1p(variance*info) + 0.5*variance*b*b/(1+variance*info)
		}
		own2 := 1 / (info + 1/wide)
		r := with / own
		all = append(all, branch{
			log:  math.Log(share) + evidence(wide) - evidence(plain),
			mean: c.Change + r*(b*own2-mean), v: math.Max(0, v-r*r*(own-own2)),
		})
	}
	const halfYear = 26
	for i := range n {
		weigh(i, i, sd, probability/float64(2*n))
		if i < n-1 {
			weigh(i, n-1, sd*(e.weeks[n]-e.weeks[i])/halfYear, probability/float64(2*(n-1)))
		}
	}
	top := math.Inf(-1)
	for _, x := range all {
		top = math.Max(top, x.log)
	}
	sum, first, second := 0.0, 0.0, 0.0
	for _, x := range all {
		w := math.Exp(x.log - top)
		sum += w
		first += w * x.mean
		second += w * (x.mean*x.mean + x.v)
	}
	c.Change = first / sum
	c.U = expanded(second/sum - c.Change*c.Change)
	none := math.Exp(all[0].log-top) / sum
	c.Evidence = float64(c.Sessions) * (1 - none) / math.Max(none, math.SmallestNonzeroFloat64) * (1 - probability) / probability
	return c, true
}

// timeOf is weekOf's inverse to the second.
func timeOf(week float64) time.Time {
	return time.Unix(int64(math.Round(week*Week.Seconds())), 0).UTC()
}

// NotSeparable returns Equivalence.NotSeparable of a single cell, today.
func (f *Fit) NotSeparable(cell fleet.CellID) string {
	c, ok := f.cellPlace(cell)
	if !ok {
		return ""
	}
	said, _ := f.separability()
	return said[c]
}

// separability returns a sentence for every cell whose visits do not tell its
// offset from a car's. Cells and the cars that visited them within the last
// 52 weeks are the two sides of a graph, a visit an edge, and only cells joined
// by a path of visits are compared; a car that was repaired is another car, a
// cell whose errors all restarted is another cell. The part that holds more than
// half of the cells is the fleet. Cells of one part number are joined; −1: not
// visited.
func (f *Fit) separability() (out []string, part []int) {
	net := f.net
	out = make([]string, len(net.cells))
	part = slices.Repeat([]int{-1}, len(net.cells))
	parent := make([]int, len(net.cars)+len(net.cells))
	for i := range parent {
		parent[i] = i
	}
	find := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	whole := uint16(1)<<net.d() - 1
	met := make([][]bool, len(net.cells))
	var live []int
	for c := range net.cells {
		t := &net.cells[c]
		met[c] = make([]bool, len(net.cars))
		any := false
		for i := len(t.events) - 1; i >= 0; i-- {
			e := &t.events[i]
			if f.At.Sub(e.at) > 2*active || (e.kind == restart && e.mask == whole) {
				break
			}
			if e.kind == session {
				met[c][e.car], any = true, true
				a, b := find(e.car), find(len(net.cars)+c)
				if a != b {
					parent[max(a, b)] = min(a, b)
				}
			}
		}
		switch {
		case any:
			live = append(live, c)
		case t.runs == 0:
			out[c] = fmt.Sprintf("No reference run of cell %s is known: bring a reference car to it.", t.id)
		default:
			out[c] = fmt.Sprintf("Cell %s has no reference run since it was rebuilt or moved, or within a year: bring a reference car to it.", t.id)
		}
	}
	size := map[int]int{}
	for _, c := range live {
		part[c] = find(len(net.cars) + c)
		size[part[c]]++
	}
	carsOf := func(root int) (cars []string) {
		for j := range net.cars {
			if find(j) == root && !slices.Contains(cars, string(net.cars[j].car)) {
				cars = append(cars, string(net.cars[j].car))
			}
		}
		slices.Sort(cars)
		return cars
	}
	if len(live) == 1 {
		c := live[0]
		cars := carsOf(find(len(net.cars) + c))
		out[c] = fmt.Sprintf("Only cell %s has reference runs: its offset is not separable from %s. Bring car %s to another cell.", net.cells[c].id, named(cars), cars[0])
		return out, part
	}
	for _, c := range live {
		root := find(len(net.cars) + c)
		if 2*size[root] > len(live) {
			continue
		}
		best := -1 // another part: the largest, by first cell among equals
		for _, o := range live {
			r := find(len(net.cars) + o)
			if r != root && (best < 0 || size[r] > size[best]) {
				best = r
			}
		}
		if best < 0 {
			continue
		}
		out[c] = fmt.Sprintf("The offset of cell %s is not separable from %s, which went to no cell of the rest of the fleet: bring car %s to cell %s.",
			net.cells[c].id, named(carsOf(root)), carsOf(best)[0], net.cells[c].id)
	}
	return out, part
}

func named(cars []string) string {
	if len(cars) == 1 {
		return "reference car " + cars[0]
	}
	s := "reference cars "
	for i, c := range cars {
		switch {
		case i == 4:
			return s + fmt.Sprintf(" and %d more", len(cars)-4)
		case i > 0 && i == len(cars)-1:
			s += " and "
		case i > 0:
			s += ", "
		}
		s += c
	}
	return s
}
