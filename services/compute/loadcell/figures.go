package loadcell

import (
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// state adds a stated result.
func (j *judge) state(q Quantity, unit string, value float64, budget []gum.Component, says string) {
	c, err := gum.Combine(budget)
	if err != nil || !finite(value) {
		return
	}
	k := gum.TFactor(gum.Coverage2, c.DoF)
	j.result.Stated = append(j.result.Stated, Stated{
		Quantity: q, Unit: unit, Value: value, U: k * c.U, K: k, DoF: c.DoF, Budget: budget, Says: says,
	})
}

// linearity finds the load whose mean is farthest from the line through y, with
// its uncertainty: the scatter's share in mean less line, s·√(1/n_g − h), and
// what masses or standard do to it beyond moving the line.
func (j *judge) linearity(f, y []float64, fit gum.Line, scale float64) {
	var worst []int
	most := -1.0
	for _, g := range j.groups(false) {
		sum := 0.0
		for _, i := range g {
			line, _ := fit.At(f[i])
			sum += y[i] - line
		}
		if d := math.Abs(sum) / float64(len(g)) / scale; d > most {
			worst, most = g, d
		}
	}
	j.result.Linearity = max(most, 0)
	if len(j.groups(false)) < 3 {
		return // two loads are always on a line
	}
	mf, sxx, n := mean(f), 0.0, float64(len(f))
	for _, x := range f {
		sxx += (x - mf) * (x - mf)
	}
	at := f[worst[0]]
	h := 1/n + (at-mf)*(at-mf)/sxx
	// Where the line is bent its residuals are no scatter; repeats are.
	sd, dof := j.repeats(true)
	if dof < repeatDoF {
		about := j.about(fit)
		sd, dof = about.sd*scaleBack(j.s.curved(), j.along), about.dof
	}
	a := j.typeA(sd, dof)
	a.Sensitivity = math.Sqrt(max(1/float64(len(worst))-h, 0)) / scale * scaleOf(j.s.curved(), j.along)
	budget := []gum.Component{a}
	j.typeB.each(func(c gum.Component, v func(load) float64) {
		zero, slope := project(f, j.load, v)
		c.Sensitivity = -fit.Slope * (v(j.load[worst[0]]) - zero - slope*at) / scale
		budget = append(budget, c)
	})
	j.state(Linearity, "N", j.result.Linearity, budget, fmt.Sprintf("mean at %.4g N from the straight line, the largest of the loads", at))
}

// scaleBack is scaleOf turned round.
func scaleBack(curved bool, slope float64) float64 {
	if curved {
		return slope
	}
	return 1
}

// scatter returns the component of one reading's scatter, N at the lever arm.
func (j *judge) scatter(fit gum.Line) gum.Component {
	sd, dof := j.repeats(true)
	scale := 1 + j.s.Gain
	if j.s.curved() {
		scale = j.along
	}
	if dof < repeatDoF {
		about := j.about(fit)
		sd, dof = about.sd*scaleBack(j.s.curved(), j.along), about.dof
	}
	a := j.typeA(sd, dof)
	a.Sensitivity = 1 / scale
	return a
}

// times returns c with its sensitivity multiplied.
func times(c gum.Component, x float64) gum.Component {
	c.Sensitivity *= x
	return c
}

// figures states what follows from direction, repetition, refitting and time.
func (j *judge) figures(fit gum.Line) {
	r := &j.result
	scatter := j.scatter(fit)

	// Falling less rising, at the load where it is largest.
	most, says := -1.0, ""
	var share float64
	for i, p := range r.Points {
		for _, q := range r.Points[:i] {
			if q.Direction == p.Direction || p.Direction == 0 || q.Direction == 0 || math.Abs(q.Load-p.Load) > j.within*math.Abs(p.Load) {
				continue
			}
			if d := math.Abs(p.Error - q.Error); d > most {
				most, share = d, math.Sqrt(1/float64(p.Count)+1/float64(q.Count))
				says = fmt.Sprintf("falling against rising at %.4g N, the largest of the loads", p.Load)
			}
		}
	}
	if most >= 0 {
		j.state(Reversibility, "N", most, []gum.Component{times(scatter, share)}, says)
	}

	// The spread of repeated readings. Its relative uncertainty is that of a
	// standard deviation, 1/√(2ν). Source: JCGM 100:2008, E.4.3.
	if _, dof := j.repeats(true); dof > 0 {
		u := gum.Component{Name: "few repeats", Sensitivity: 1, U: r.Repeatability / math.Sqrt(2*float64(dof)), DoF: gum.Infinite}
		step := gum.Component{Name: "indicator step", Sensitivity: math.Sqrt2, U: j.floor(), DoF: gum.Infinite}
		j.state(Repeatability, "N", r.Repeatability, []gum.Component{u, step}, "largest spread of readings at one load and direction")
	}
	j.reproducibility(scatter)
	j.zeroReturn(scatter)
	j.creep(scatter)
}

// reproducibility states the largest difference between the means of two
// mountings at one load and direction, as ISO 376's b (from memory).
func (j *judge) reproducibility(scatter gum.Component) {
	if j.refit == nil {
		return
	}
	most, share, at := -1.0, 0.0, 0.0
	for _, g := range j.groups(true) {
		by := map[int][]float64{}
		var order []int
		for _, i := range g {
			m := j.readings[i].Mounting
			if by[m] == nil {
				order = append(order, m)
			}
			by[m] = append(by[m], j.s.Force(j.reading[i])-j.load[i].force)
		}
		for a, k := range order {
			for _, l := range order[:a] {
				if d := math.Abs(mean(by[k]) - mean(by[l])); d > most {
					most, share, at = d, math.Sqrt(1/float64(len(by[k]))+1/float64(len(by[l]))), j.load[g[0]].force
				}
			}
		}
	}
	if most < 0 {
		return
	}
	j.state(Reproducibility, "N", most, []gum.Component{times(scatter, share)}, fmt.Sprintf("largest difference between two mountings, at %.4g N", at))
	if s, ok := j.result.Get(Reproducibility); ok && s.Value > s.U {
		j.find(Finding{Kind: FindingRefit, Text: fmt.Sprintf("fitting it again changes the readings by %s N: the mounting matters", within(s.Value, s.U))})
	}
}

// refits finds how much putting the arm or the standard on again changes zero
// and gain: the standard deviation between the lines of the mountings over √m,
// with m − 1 degrees of freedom. The share of the scatter within a mounting is
// left in it: taken out, the difference is often nought by chance, and U then
// covers too little (90 % with three mountings; with it 95 to 97 %).
func (j *judge) refits(f []float64) {
	by := map[int][]int{}
	var order []int
	for i, r := range j.readings {
		if by[r.Mounting] == nil {
			order = append(order, r.Mounting)
		}
		by[r.Mounting] = append(by[r.Mounting], i)
	}
	if len(order) < 2 {
		return
	}
	slices.Sort(order)
	var zeros, gains []float64
	ss := 0.0
	within := spread{}
	for _, m := range order {
		var x, y []float64
		for _, i := range by[m] {
			x, y = append(x, f[i]), append(y, j.reading[i])
		}
		l, err := gum.FitLine(x, y)
		if err != nil {
			return
		}
		zeros, gains = append(zeros, l.Intercept), append(gains, l.Slope)
		ss += l.Residual * l.Residual * float64(l.DoF)
		within.dof += l.DoF
	}
	within.sd = math.Sqrt(ss / float64(within.dof))
	j.mounted = within
	between := func(name string, x []float64) gum.Component {
		_, sd := meanSD(x)
		n := float64(len(x))
		return gum.Component{Name: name, Sensitivity: 1, U: sd / math.Sqrt(n), DoF: n - 1}
	}
	j.refit = []gum.Component{between("refit, zero", zeros), between("refit, gain", gains)}
}

// zeroReturn states the largest difference of the unloaded reading after a
// cycle from before it, as ISO 376's f0 (from memory).
func (j *judge) zeroReturn(scatter gum.Component) {
	type series struct{ cycle, mounting int }
	first := map[series]float64{}
	most := -1.0
	for i, r := range j.readings {
		if j.load[i].force != 0 {
			continue
		}
		k := series{r.Cycle, r.Mounting}
		switch before, seen := first[k]; {
		case !seen && r.Direction != fleet.Falling:
			first[k] = j.reading[i]
		case seen && r.Direction == fleet.Falling:
			most = max(most, math.Abs(j.reading[i]-before)*math.Abs(scatter.Sensitivity))
		}
	}
	if most >= 0 {
		j.state(ZeroReturn, "N", most, []gum.Component{times(scatter, math.Sqrt2)}, "unloaded after a cycle against before it, the largest")
	}
}

// The times after loading between which creep is stated, s. Source: ISO 376:2011
// (i300 − i30, from memory).
const (
	creepFrom = 30
	creepTo   = 300
)

// creep states how the reading changed under loads that stayed on.
func (j *judge) creep(scatter gum.Component) {
	readings := j.in.Check.Readings
	worst := -1
	u := times(scatter, math.Sqrt2)
	for _, g := range j.held {
		from, to := g[0], g[len(g)-1]
		for _, i := range g {
			if math.Abs(*readings[i].Held-creepFrom) < math.Abs(*readings[from].Held-creepFrom) {
				from = i
			}
			if math.Abs(*readings[i].Held-creepTo) < math.Abs(*readings[to].Held-creepTo) {
				to = i
			}
		}
		if from == to {
			continue
		}
		load := 0.0
		if k := slices.Index(j.at, j.all[g[0]]); k >= 0 {
			load = j.load[k].force
		}
		c := CreepStep{
			Load: load, Cycle: readings[from].Cycle, From: *readings[from].Held, To: *readings[to].Held,
			Value: (*readings[to].Force - *readings[from].Force) * scatter.Sensitivity,
			U:     gum.Combined{U: math.Abs(u.Contribution()), DoF: u.DoF}.Expanded(),
		}
		j.result.CreepSteps = append(j.result.CreepSteps, c)
		if worst < 0 || math.Abs(c.Value) > math.Abs(j.result.CreepSteps[worst].Value) {
			worst = len(j.result.CreepSteps) - 1
		}
	}
	if worst < 0 {
		return
	}
	c := j.result.CreepSteps[worst]
	j.state(Creep, "N", c.Value, []gum.Component{u}, fmt.Sprintf("from %.3g s to %.3g s under %.4g N", c.From, c.To, c.Load))
	if c.From > 2*creepFrom || c.To < creepTo/2 {
		j.find(Finding{FindingCreep, fmt.Sprintf("creep was read from %.3g s to %.3g s after loading: it is usually stated from %d s to %d s", c.From, c.To, creepFrom, creepTo), "ISO 376 (from memory)"})
	}
}

// turning judges the unloaded load cell with the rollers turning, by speed. It
// gives no calibration: what drags on the brake then reaches the load cell as a
// force, and is part of the parasitic loss.
func (j *judge) turning() string {
	n := len(j.reading)
	v := make([]float64, n)
	for i, r := range j.readings {
		if r.Speed == nil {
			return fmt.Sprintf("%s with rollers turning does not say the rollers' speed: enter it, or record a zero check with rollers still", j.where(i))
		}
		v[i] = *r.Speed
	}
	r := &j.result
	j.s = j.inForce
	scale := j.s.Slope(0)
	e := make([]float64, n)
	for i, x := range j.reading {
		e[i] = j.s.Force(x)
	}
	m, sd := meanSD(e)
	dof := n - 1
	line, err := gum.FitLine(v, e)
	if err == nil {
		// The scatter is that about the line over speed.
		sd, dof = line.Residual, line.DoF
	}
	a := j.typeA(sd*scale, dof)
	a.Sensitivity = 1 / scale
	r.DoF, r.Scatter = dof, sd
	own := times(a, 1/math.Sqrt(float64(n)))
	r.ZeroError, r.ZeroValid = m, true
	r.ZeroBudget = []gum.Component{own}
	j.state(ZeroError, "N", m, r.ZeroBudget, fmt.Sprintf("rollers turning, mean speed %.3g m/s", mean(v)))
	s, _ := r.Get(ZeroError)
	r.UZeroError = s.U
	r.Line = Calibration{Epoch: fleet.EpochID(j.in.Check.ID), Since: j.in.Check.From(), Zero: mean(j.reading), UZero: r.UZeroError * scale / gum.K}

	if err == nil {
		c := a
		c.Sensitivity /= sdRoot(v)
		j.state(SpeedDependence, "N·s/m", line.Slope, []gum.Component{c}, fmt.Sprintf("from %.3g to %.3g m/s", slices.Min(v), slices.Max(v)))
		if s, ok := r.Get(SpeedDependence); ok && math.Abs(s.Value) > s.U {
			j.find(Finding{Kind: FindingTurning, Text: fmt.Sprintf("the zero changes with the rollers' speed by %s N per m/s: something drags on the brake or its load cell as it turns", within(s.Value, s.U))})
		}
	} else {
		j.find(Finding{Kind: FindingTurning, Text: "the zero was read at one speed only, or too seldom: how it changes with speed is not seen"})
	}

	// By speed, slowest first.
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case v[a] < v[b]:
			return -1
		case v[a] > v[b]:
			return 1
		}
		return 0
	})
	var groups [][]int
	for _, i := range order {
		if k := len(groups) - 1; k >= 0 && v[i]-v[groups[k][0]] <= sameSpeed {
			groups[k] = append(groups[k], i)
		} else {
			groups = append(groups, []int{i})
		}
	}
	for k, g := range groups {
		z := SpeedZero{Count: len(g)}
		for _, i := range g {
			z.Speed += v[i] / float64(len(g))
			z.Error += e[i] / float64(len(g))
		}
		c := times(a, 1/math.Sqrt(float64(len(g))))
		u := gum.Combined{U: math.Abs(c.Contribution()), DoF: c.DoF}
		z.U = u.Expanded()
		z.Verdict = gum.Verdict(z.Error, z.U, j.cell.ZeroTolerance)
		if z.Verdict != fleet.VerdictUnusable {
			z.Risk = gum.WrongDecision(z.Error, u.U, u.DoF, j.cell.ZeroTolerance)
			weight := make([]float64, len(groups))
			weight[k] = 1
			j.decide(decision{error: z.Error, tolerance: j.cell.ZeroTolerance, own: c, group: weight})
		}
		r.SpeedZeros = append(r.SpeedZeros, z)
	}
	for i, x := range j.reading {
		r.Readings = append(r.Readings, Reading{Index: j.at[i], Cycle: j.readings[i].Cycle, Direction: j.readings[i].Direction, Reading: x, Error: e[i]})
	}
	return ""
}

// sameSpeed is how close two speeds are to be one, m/s. Common practice, no
// source.
const sameSpeed = 0.5

// sdRoot returns √Σ(v − v̅)².
func sdRoot(v []float64) float64 {
	m, s := mean(v), 0.0
	for _, x := range v {
		s += (x - m) * (x - m)
	}
	return math.Sqrt(s)
}

// sayTurning judges the zero by speed and says the worst.
func (j *judge) sayTurning() []string {
	worst := -1
	for i, z := range j.result.SpeedZeros {
		j.result.Verdict = gum.Worse(j.result.Verdict, z.Verdict)
		if worst < 0 || math.Abs(z.Error) > math.Abs(j.result.SpeedZeros[worst].Error) {
			worst = i
		}
	}
	if worst < 0 {
		return nil
	}
	z := j.result.SpeedZeros[worst]
	return []string{fmt.Sprintf("largest at %.3g m/s: %s N (%s)", z.Speed, within(z.Error, z.U), z.Verdict)}
}

// root is the square root of what should not be negative.
func root(v float64) float64 { return math.Sqrt(max(v, 0)) }

// gaps returns the largest and the mean distance of neighbouring values.
func gaps(x []float64) (largest, mean float64) {
	if len(x) < 2 {
		return 0, 0
	}
	x = slices.Clone(x)
	slices.Sort(x)
	for i := 1; i < len(x); i++ {
		largest = max(largest, x[i]-x[i-1])
	}
	return largest, (x[len(x)-1] - x[0]) / float64(len(x)-1)
}
