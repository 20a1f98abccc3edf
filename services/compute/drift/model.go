package drift

import (
	"fmt"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// The factors of the fleet model, in the order they are given to the fit.
const (
	factorSession = iota
	factorCell
	factorRamp
	factorTrend
)

// model is the fleet model fitted to the runs of a window.
type model struct {
	items   []*item
	cells   []cellKey
	cellAt  map[cellKey]int
	cars    []carStretch
	carAt   map[carStretch]int
	middle  []float64 // mean time by car and stretch, weeks
	sweeper []int     // ramp factor's level by car and stretch
	sweepAt map[carKey]int
	ramp    []float64 // mean ramp rate by sweeper; 0: not said
	rampLow []float64 // slowest and fastest ramp rate by sweeper
	rampTop []float64
	fit     *Fit
}

// carStretch is a car in one stretch of time: stretches have the window's
// length and are counted back from the moment the model is for.
type carStretch struct {
	carKey
	q int
}

// fit returns the model of the items at the given variances as of now (weeks),
// nil when there are no more pulls than levels of cars.
func (f *Follower) fit(items []*item, now float64, v Variances) (*model, error) {
	m := &model{items: items, cellAt: map[cellKey]int{}, carAt: map[carStretch]int{}, sweepAt: map[carKey]int{}}
	var count, swept []float64
	n := 0
	for _, it := range items {
		ck, jk := cellKey{it.cell, it.cellN}, carStretch{carKey{it.car, it.carN}, f.stretch(now, it)}
		if _, ok := m.cellAt[ck]; !ok {
			m.cellAt[ck] = len(m.cells)
			m.cells = append(m.cells, ck)
		}
		r, ok := m.sweepAt[jk.carKey]
		if !ok {
			r = len(m.ramp)
			m.sweepAt[jk.carKey] = r
			m.ramp, swept = append(m.ramp, 0), append(swept, 0)
			m.rampLow, m.rampTop = append(m.rampLow, math.Inf(1)), append(m.rampTop, math.Inf(-1))
		}
		j, ok := m.carAt[jk]
		if !ok {
			j = len(m.cars)
			m.carAt[jk] = j
			m.cars = append(m.cars, jk)
			m.sweeper = append(m.sweeper, r)
			m.middle, count = append(m.middle, 0), append(count, 0)
		}
		m.middle[j] += it.week
		count[j]++
		for _, p := range it.pulls {
			m.ramp[r] += p.ramp
			swept[r]++
			m.rampLow[r], m.rampTop[r] = math.Min(m.rampLow[r], p.ramp), math.Max(m.rampTop[r], p.ramp)
			n++
		}
	}
	if n <= len(m.cars) {
		return nil, nil
	}
	for j := range count {
		m.middle[j] /= count[j]
	}
	for r := range swept {
		m.ramp[r] /= swept[r]
	}
	y := make([]float64, 0, n)
	x := make([][]float64, 0, n)
	rows := make([]float64, n*len(m.cars))
	fs := make([]Factor, 4)
	fs[factorSession] = Factor{Name: "session", Levels: len(items)}
	fs[factorCell] = Factor{Name: "cell", Levels: len(m.cells)}
	fs[factorRamp] = Factor{Name: "ramp", Levels: len(m.ramp)}
	fs[factorTrend] = Factor{Name: "trend", Levels: len(m.cars)}
	for k := range fs {
		fs[k].Level = make([]int, 0, n)
	}
	fs[factorRamp].Value = make([]float64, 0, n)
	fs[factorTrend].Value = make([]float64, 0, n)
	for s, it := range items {
		c, j := m.cellAt[cellKey{it.cell, it.cellN}], m.carAt[carStretch{carKey{it.car, it.carN}, f.stretch(now, it)}]
		for _, p := range it.pulls {
			row := rows[:len(m.cars):len(m.cars)]
			rows = rows[len(m.cars):]
			row[j] = 1
			x = append(x, row)
			y = append(y, p.y)
			for k, l := range [4]int{s, c, m.sweeper[j], j} {
				fs[k].Level = append(fs[k].Level, l)
			}
			fs[factorRamp].Value = append(fs[factorRamp].Value, m.rampValue(j, p.ramp))
			fs[factorTrend].Value = append(fs[factorTrend].Value, it.week-m.middle[j])
		}
	}
	var err error
	m.fit, err = SolveCrossed(y, x, fs, []float64{v.Session, v.Cell, f.s.RampSD * f.s.RampSD, f.s.CarTrendSD * f.s.CarTrendSD}, v.Pull)
	if err != nil {
		return nil, fmt.Errorf("fit cars and cells: %w", err)
	}
	return m, nil
}

// stretch counts the stretches from an item to now.
func (f *Follower) stretch(now float64, it *item) int {
	return int((now - it.week) * float64(Week) / float64(f.s.Window))
}

// car returns the column of the car as it is now.
func (m *model) car(k carKey) (int, bool) {
	j, ok := m.carAt[carStretch{k, 0}]
	return j, ok
}

// rampValue returns ramp/ramp̄ − 1 for the car of column j, 0 when no ramp rate
// is known.
func (m *model) rampValue(j int, ramp float64) float64 {
	mean := m.ramp[m.sweeper[j]]
	if !(mean > 0) {
		return 0
	}
	return ramp/mean - 1
}

// carTerms is the car's part of y at a time and ramp value.
func (m *model) carTerms(j int, week, ramp float64) []term {
	return []term{
		{m.fit.FixedIndex(j), 1},
		{m.fit.Index(factorRamp, m.sweeper[j]), ramp},
		{m.fit.Index(factorTrend, j), week - m.middle[j]},
	}
}

// value returns Σ weight·(stacked vector of fit).
func (m *model) value(fit *Fit, terms []term) float64 {
	sum := 0.0
	for _, t := range terms {
		sum += t.weight * fit.at(t.place)
	}
	return sum
}

// at returns a place of the stacked vector.
func (fit *Fit) at(place int) float64 {
	for _, e := range fit.Effects {
		if place < len(e) {
			return e[place]
		}
		place -= len(e)
	}
	return fit.Beta[place]
}

// residuals returns what the pulls of the model's run it read beyond the car's
// own curve, slow and fast apart. The car's curve comes from the same model
// fitted at each band point with the same variances.
func (m *model) residuals(it *item) (slow, fast *Residual) {
	if it.points == 0 {
		return nil, nil
	}
	for _, o := range m.items {
		if o.points != it.points {
			return nil, nil
		}
	}
	j, ok := m.car(carKey{it.car, it.carN})
	if !ok {
		return nil, nil
	}
	sweeper := m.sweeper[j]
	low, top := m.rampLow[sweeper], m.rampTop[sweeper]
	// Pulls asked for at one ramp rate come out within a few percent of it.
	const apart = 1.2
	middle := math.Inf(1)
	if low > 0 && top > apart*low {
		middle = math.Sqrt(low * top)
	}
	mean := func(fast bool) *Residual {
		r := &Residual{Mean: make([]float64, it.points), Signature: map[fleet.Fault][]float64{}}
		for _, p := range it.pulls {
			if (p.ramp > middle) != fast {
				continue
			}
			r.Pulls++
			r.RampRate += p.ramp
			for k, v := range p.src.Y {
				r.Mean[k] += v
			}
			for _, fault := range signed {
				s := p.src.Signature[fault]
				if len(s) != it.points {
					continue
				}
				if r.Signature[fault] == nil {
					r.Signature[fault] = make([]float64, it.points)
				}
				for k, v := range s {
					r.Signature[fault][k] += v
				}
			}
		}
		if r.Pulls == 0 {
			return nil
		}
		n := float64(r.Pulls)
		r.RampRate /= n
		for k := range r.Mean {
			r.Mean[k] /= n
		}
		for _, fault := range signed {
			for k := range r.Signature[fault] {
				r.Signature[fault][k] /= n
			}
		}
		return r
	}
	slow, fast = mean(false), mean(true)
	y := make([]float64, 0, m.fit.sys.n)
	sys, fac := m.fit.sys, m.fit.f
	for k := range it.points {
		y = y[:0]
		for _, o := range m.items {
			for _, p := range o.pulls {
				y = append(y, p.src.Y[k])
			}
		}
		rhs, err := sys.products(y)
		if err != nil {
			return nil, nil
		}
		r := sys.reduce(rhs, fac)
		level := rhs.ols[j] + r.sol[sys.q2+j]
		answer := fac.theta[factorRamp] * m.spherical(factorRamp, sweeper, r)
		trend := fac.theta[factorTrend] * m.spherical(factorTrend, j, r)
		for _, q := range [2]*Residual{slow, fast} {
			if q != nil {
				q.Mean[k] -= level + answer*m.rampValue(j, q.RampRate) + trend*(it.week-m.middle[j])
			}
		}
	}
	return slow, fast
}

// spherical returns the spherical effect of level l of factor f.
func (m *model) spherical(f, l int, r reduced) float64 {
	s := m.fit.sys
	if f == s.first {
		return s.levelEffect(l, m.fit.f, r)
	}
	return r.sol[s.offset[f]+l]
}

// estimate returns the model of the runs up to i and where the fleet stands.
func (f *Follower) estimate(st *state, i int, v Variances) (*model, Estimate, error) {
	it := &f.items[i]
	est := Estimate{At: it.at, Variances: v, Limit: f.limit}
	m, err := f.fit(f.inWindow(i, it, f.s.Window, true), it.week, v)
	if err != nil {
		return nil, est, err
	}
	est.Cells = f.cellEstimates(st, m, it)
	est.Cars = f.carEstimates(st, m, it)
	return m, est, nil
}

// cellEstimates returns every cell known so far.
func (f *Follower) cellEstimates(st *state, m *model, it *item) []CellEstimate {
	out := make([]CellEstimate, 0, len(st.cells))
	var current []int // level of each cell's newest error in the model
	byCell := map[fleet.CellID]int{}
	runs := []int(nil)
	var sentences map[fleet.CellID]string
	if m != nil {
		runs = make([]int, len(m.cells))
		current = m.current()
		for at, l := range current {
			byCell[m.cells[l].cell] = at
		}
		for _, o := range m.items {
			runs[m.cellAt[cellKey{o.cell, o.cellN}]]++
		}
		sentences = m.separability()
	}
	// The robust centre, and the weight each cell has in it.
	centre, weight := m.middleOf(current)
	for _, id := range st.cells {
		e := CellEstimate{Cell: id, LastAt: st.cusum[id].lastAt}
		if id == it.cell {
			e.LastAt = it.at
		}
		if at, ok := byCell[id]; ok {
			l := current[at]
			terms := make([]term, len(current))
			for k, o := range current {
				terms[k] = term{m.fit.Index(factorCell, o), -weight[k]}
			}
			terms[at].weight++
			e.Offset = m.fit.Effects[factorCell][l] - centre
			e.U = 2 * math.Sqrt(m.fit.variance(terms))
			e.Runs = runs[l]
			e.NotSeparable = sentences[id]
		}
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b CellEstimate) int { return compare(a.Cell, b.Cell) })
	return out
}

// current returns the level of each cell's newest error.
func (m *model) current() []int {
	newest := map[fleet.CellID]int{}
	for l, k := range m.cells {
		if o, ok := newest[k.cell]; !ok || k.n > m.cells[o].n {
			newest[k.cell] = l
		}
	}
	var out []int
	for l, k := range m.cells {
		if newest[k.cell] == l {
			out = append(out, l)
		}
	}
	return out
}

// middleOf returns the robust centre of the cells' errors at the levels, and
// the weight of each in it; 0 for fewer than two.
func (m *model) middleOf(levels []int) (float64, []float64) {
	if len(levels) < 2 {
		return 0, make([]float64, len(levels))
	}
	values := make([]float64, len(levels))
	for k, l := range levels {
		values[k] = m.fit.Effects[factorCell][l]
	}
	centre, _, weight := gum.RobustCentre(values)
	return centre, weight
}

// centre returns the robust centre of all cells and its terms.
func (m *model) centre() (float64, []term) {
	levels := m.current()
	value, weight := m.middleOf(levels)
	terms := make([]term, len(levels))
	for k, l := range levels {
		terms[k] = term{m.fit.Index(factorCell, l), weight[k]}
	}
	return value, terms
}

func compare[T ~string](a, b T) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// separability returns a sentence for every cell whose offset the visits of
// the window cannot tell from a car's level: cells and cars are the two sides
// of a graph, a visit an edge, and only cells joined by some path of visits are
// compared. The part that holds more than half of the cells is the fleet.
func (m *model) separability() map[fleet.CellID]string {
	// Nodes: car levels, then cells by id (a cell's errors before and after a
	// restart share its node only in name, so each is its own node).
	n := len(m.cars) + len(m.cells)
	parent := make([]int, n)
	for i := range parent {
		parent[i] = i
	}
	var find func(int) int
	find = func(i int) int {
		if parent[i] != i {
			parent[i] = find(parent[i])
		}
		return parent[i]
	}
	for _, it := range m.items {
		a := find(m.carAt[carStretch{carKey{it.car, it.carN}, 0}])
		b := find(len(m.cars) + m.cellAt[cellKey{it.cell, it.cellN}])
		if a != b {
			parent[max(a, b)] = min(a, b)
		}
	}
	newest := map[fleet.CellID]int{}
	for _, k := range m.cells {
		newest[k.cell] = max(newest[k.cell], k.n)
	}
	type part struct {
		cells []fleet.CellID
		cars  []fleet.CarID
	}
	var order []int
	parts := map[int]*part{}
	at := func(node int) *part {
		r := find(node)
		if parts[r] == nil {
			parts[r] = &part{}
			order = append(order, r)
		}
		return parts[r]
	}
	total := 0
	for l, k := range m.cells {
		if newest[k.cell] == k.n {
			p := at(len(m.cars) + l)
			p.cells = append(p.cells, k.cell)
			total++
		}
	}
	for j, k := range m.cars {
		if p := at(j); !slices.Contains(p.cars, k.car) {
			p.cars = append(p.cars, k.car)
		}
	}
	for _, r := range order {
		slices.Sort(parts[r].cells)
		slices.Sort(parts[r].cars)
	}
	out := map[fleet.CellID]string{}
	if total < 2 {
		for _, r := range order {
			for _, c := range parts[r].cells {
				out[c] = fmt.Sprintf("Only cell %s has reference runs: bring car %s to another cell to compare it with.", c, parts[r].cars[0])
			}
		}
		return out
	}
	for _, r := range order {
		p := parts[r]
		if 2*len(p.cells) > total {
			continue
		}
		// The car to bring is one of the largest other part.
		var best *part
		for _, o := range order {
			q := parts[o]
			if o == r || len(q.cells) == 0 || len(q.cars) == 0 {
				continue
			}
			if best == nil || len(q.cells) > len(best.cells) || (len(q.cells) == len(best.cells) && q.cells[0] < best.cells[0]) {
				best = q
			}
		}
		for _, c := range p.cells {
			switch {
			case best == nil:
			case len(p.cells) == 1:
				what := "the car does"
				if len(p.cars) > 1 {
					what = "the cars do"
				}
				out[c] = fmt.Sprintf("Cell %s and %s have only met each other: what the cell reads cannot be told from what %s. Bring car %s to cell %s.",
					c, named(p.cars), what, best.cars[0], c)
			default:
				which, whose := "which goes nowhere else", "the car's"
				if len(p.cars) > 1 {
					which, whose = "which go nowhere else", "the cars'"
				}
				out[c] = fmt.Sprintf("Cells %s are visited only by %s, %s: their common offset cannot be told from %s. Bring car %s to cell %s.",
					list(p.cells), named(p.cars), which, whose, best.cars[0], c)
			}
		}
	}
	return out
}

// named is a car or cars with the noun.
func named(cars []fleet.CarID) string {
	if len(cars) == 1 {
		return "car " + string(cars[0])
	}
	return "cars " + list(cars)
}

// list names up to four ids.
func list[T ~string](ids []T) string {
	s := ""
	for i, id := range ids {
		switch {
		case i == 4:
			return s + fmt.Sprintf(" and %d more", len(ids)-4)
		case i > 0 && i == len(ids)-1:
			s += " and "
		case i > 0:
			s += ", "
		}
		s += string(id)
	}
	return s
}

// baseline returns the car's level in its first weeks once they are over and
// held three runs, else nil.
func (f *Follower) baseline(st *state, m *model, key carKey, it *item) *carBase {
	first := st.first[key]
	if it.at.Sub(first) < f.s.CarBaseline {
		return nil
	}
	j, ok := m.car(key)
	if !ok {
		return nil
	}
	runs := 0
	for _, o := range m.items {
		if o.car == key.car && o.carN == key.n {
			runs++
		}
	}
	const leastRuns = 3
	if runs < leastRuns {
		return nil
	}
	// Not before the runs the model holds.
	at := first.Add(f.s.CarBaseline / 2)
	if oldest := m.items[0].at; at.Before(oldest) {
		at = oldest
	}
	week := float64(at.UnixNano()) / float64(Week)
	own := m.carTerms(j, week, 0)
	var others []int
	for k := range m.cars {
		if m.cars[k].car != key.car {
			others = append(others, k)
		}
	}
	return &carBase{
		key: key, at: at, level: m.value(m.fit, own),
		own: m.fit.variance(own), contrast: m.fit.variance(m.against(j, others, week)),
	}
}

// against is the car's level less the mean of the others', all at one time.
func (m *model) against(j int, others []int, week float64) []term {
	terms := m.carTerms(j, week, 0)
	for _, k := range others {
		for _, t := range m.carTerms(k, week, 0) {
			if t.weight != 0 {
				terms = append(terms, term{t.place, -t.weight / float64(len(others))})
			}
		}
	}
	return terms
}

// carEstimates returns every car known so far as it is now. A car's change is
// that of its level since its first weeks, less the median of the others'
// changes where there are two others or more (one tired car then does not make
// the rest look strong); with fewer the cells alone hold the level. U² is the
// variance of the level against the others now and then, the median's taken as
// the mean's.
func (f *Follower) carEstimates(st *state, m *model, it *item) []CarEstimate {
	newest := map[fleet.CarID]carKey{}
	for _, k := range st.cars {
		if o, ok := newest[k.car]; !ok || k.n > o.n {
			newest[k.car] = k
		}
	}
	type known struct {
		j      int
		change float64
		base   *carBase
	}
	var all []known
	if m != nil {
		for j, k := range m.cars {
			if b := st.base[k.carKey]; b != nil && newest[k.car] == k.carKey {
				all = append(all, known{j, m.value(m.fit, m.carTerms(j, it.week, 0)) - b.level, b})
			}
		}
	}
	last := map[fleet.CarID]time.Time{}
	if m != nil {
		for _, o := range m.items {
			last[o.car] = o.at
		}
	}
	var out []CarEstimate
	for _, k := range st.cars {
		if newest[k.car] != k {
			continue
		}
		e := CarEstimate{Car: k.car, LastAt: last[k.car]}
		for _, a := range all {
			if a.base.key != k {
				continue
			}
			var others []int
			var changes []float64
			then := 0.0
			for _, o := range all {
				if o.j != a.j {
					others = append(others, o.j)
					changes = append(changes, o.change)
					then += o.base.contrast
				}
			}
			variance := 0.0
			e.Change = a.change
			if n := float64(len(others)); n >= 2 {
				e.Change -= median(changes)
				variance = m.fit.variance(m.against(a.j, others, it.week)) + a.base.contrast + then/(n*n)
			} else {
				variance = m.fit.variance(m.carTerms(a.j, it.week, 0)) + a.base.own
			}
			sd := math.Sqrt(variance)
			e.Known, e.U, e.Since = true, 2*sd, a.base.at
			e.Probability = gum.Exceeds(e.Change, sd, f.s.CarLimit)
		}
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b CarEstimate) int { return compare(a.Car, b.Car) })
	return out
}

func median(x []float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	n := len(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}
