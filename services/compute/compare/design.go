package compare

import (
	"cmp"
	"math"
	"slices"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// key tells shared errors apart.
type key struct {
	name  string
	scope Scope
	id    string
}

// design is what all figures of a comparison have in common: which pull is on
// which side, in which session, and which errors it shares.
type design struct {
	s      Settings
	before int // the pulls before come first
	total  int
	curves []Curve

	group  []int // of each pull: its side and session together
	groups int
	side   []int     // of each group: 0 before, 1 after
	spread float64   // Σ w_s²
	keys   []key     // of shared errors
	dof    []float64 // of each
	index  [][]int   // key of each pull's shared errors; −1: the pull's alone
	// session is what sessions differ by, as known before the sets are looked at.
	session  Spread
	sessions [2]int
}

func newDesign(before, after []Curve, s Settings) *design {
	d := &design{s: s, before: len(before), total: len(before) + len(after), curves: append(slices.Clone(before), after...)}
	if d.session = DefaultSession; s.Session != nil {
		d.session = *s.Session
	}
	type place struct {
		side    int
		session string
	}
	at := map[place]int{}
	weight := map[string]float64{}
	var order []string
	for i := range d.curves {
		c := &d.curves[i]
		p := place{0, c.Session}
		share := -1 / float64(len(before))
		if i >= d.before {
			p.side, share = 1, 1/float64(len(after))
		}
		g, ok := at[p]
		if !ok {
			g = len(at)
			at[p] = g
			d.side = append(d.side, p.side)
			d.sessions[p.side]++
		}
		d.group = append(d.group, g)
		if _, ok := weight[c.Session]; !ok {
			order = append(order, c.Session)
		}
		weight[c.Session] += share
	}
	d.groups = len(at)
	for _, name := range order {
		if w := weight[name]; math.Abs(w) > 1e-12 {
			d.spread += w * w
		}
	}
	known := map[key]int{}
	count := map[key]int{}
	for i := range d.curves {
		for _, x := range d.curves[i].Shared {
			count[key{x.Name, x.Scope, x.ID}]++
		}
	}
	for i := range d.curves {
		row := make([]int, len(d.curves[i].Shared))
		for j, x := range d.curves[i].Shared {
			k := key{x.Name, x.Scope, x.ID}
			if alone(x.Scope) && count[k] == 1 {
				row[j] = -1 // it scatters with the pulls
				continue
			}
			n, ok := known[k]
			if !ok {
				n = len(d.keys)
				known[k] = n
				d.keys, d.dof = append(d.keys, k), append(d.dof, dof(x.DoF))
			}
			row[j] = n
		}
		d.index = append(d.index, row)
	}
	return d
}

// made is a difference with what it is made of.
type made struct {
	before, after, delta      float64
	u                         gum.Combined
	repeat, session           Spread // as ratios of the mean of the sets
	uRepeat, uSession, shared float64
	cancelled                 float64
	parts                     []Part
	known                     bool
}

// measure compares one number a pull.
//
// The repeatability is the scatter within each side and session, or, where every
// pull has a session to itself, within each side, which then holds the sessions'
// spread too. It is not taken below the pulls' own known noise. What sessions
// differ by comes from the settings, pooled with what the sets show by their
// degrees of freedom ν,
//
//	σ_s² = (ν_0·σ_0² + ν·max(0, (MS_sessions − σ_r²)/n_0))/(ν_0 + ν)
//
// n_0 = (N − Σ_g n_g²/N_side)/ν pulls a session. Source: one-way random effects,
// ISO 5725-2:1994, 7.4 and 7.5 (from memory).
func (d *design) measure(value, own []float64, effect [][]float64) made {
	var out made
	mean := func(from, to int) float64 {
		sum := 0.0
		for _, v := range value[from:to] {
			sum += v
		}
		return sum / float64(to-from)
	}
	out.before, out.after = mean(0, d.before), mean(d.before, d.total)
	out.delta = out.after - out.before
	nb, na := float64(d.before), float64(d.total-d.before)

	// Scatter.
	groupMean, groupN := make([]float64, d.groups), make([]float64, d.groups)
	for i, g := range d.group {
		groupMean[g] += value[i]
		groupN[g]++
	}
	for g := range groupMean {
		groupMean[g] /= groupN[g]
	}
	within, between, square := 0.0, 0.0, 0.0
	for i, g := range d.group {
		within += (value[i] - groupMean[g]) * (value[i] - groupMean[g])
	}
	sideMean, sideN := [2]float64{out.before, out.after}, [2]float64{nb, na}
	for g, side := range d.side {
		e := groupMean[g] - sideMean[side]
		between += groupN[g] * e * e
		square += groupN[g] * groupN[g] / sideN[side]
	}
	freedom := float64(d.total - d.groups)
	sessionFreedom := float64(d.groups) - 2
	noise := 0.0
	for i := range own {
		noise += own[i] * own[i] / float64(d.total)
	}
	scale := math.Abs(out.before+out.after) / 2
	spread := d.spread
	from := "the pulls of the sets"
	variance, varianceDoF := 0.0, gum.Infinite
	out.known = true
	switch {
	case freedom >= 1:
		variance, varianceDoF = within/freedom, freedom
	case sessionFreedom >= 1:
		variance, varianceDoF = between/sessionFreedom, sessionFreedom
		spread, sessionFreedom = 0, 0
	case d.s.Pull != nil:
		variance, varianceDoF, from = d.s.Pull.of(scale)*d.s.Pull.of(scale), dof(d.s.Pull.DoF), d.s.Pull.From
	default:
		out.known = false
	}
	if variance < noise {
		variance, varianceDoF = noise, gum.Infinite
	}
	sessionVariance, sessionDoF := 0.0, gum.Infinite
	if spread > 0 {
		prior := d.session
		sessionVariance, sessionDoF = prior.of(scale)*prior.of(scale), dof(prior.DoF)
		if sessionFreedom >= 1 && freedom >= 1 && !math.IsInf(sessionDoF, 1) {
			n0 := (float64(d.total) - square) / sessionFreedom
			seen := max(0, (between/sessionFreedom-within/freedom)/n0)
			sessionVariance = (sessionDoF*sessionVariance + sessionFreedom*seen) / (sessionDoF + sessionFreedom)
			sessionDoF += sessionFreedom
		}
	}

	// Shared errors: the mean effect after less that before.
	net := make([]float64, len(d.keys))
	apart := [2][]float64{make([]float64, len(d.keys)), make([]float64, len(d.keys))}
	for i, row := range d.index {
		sign, n, side := -1.0, nb, 0
		if i >= d.before {
			sign, n, side = 1, na, 1
		}
		for j, k := range row {
			if k >= 0 {
				net[k] += sign * effect[i][j] / n
				apart[side][k] += effect[i][j] / n
			}
		}
	}
	components := []gum.Component{
		{Name: "repeatability", Sensitivity: math.Sqrt(1/nb + 1/na), U: math.Sqrt(variance), DoF: varianceDoF},
		{Name: "session", Sensitivity: math.Sqrt(spread), U: math.Sqrt(sessionVariance), DoF: sessionDoF},
	}
	for k, e := range net {
		components = append(components, gum.Component{Name: d.keys[k].name, Sensitivity: 1, U: math.Abs(e), DoF: d.dof[k]})
		out.shared = math.Hypot(out.shared, e)
		out.cancelled = math.Hypot(out.cancelled, math.Hypot(apart[0][k], apart[1][k]))
		if e != 0 {
			out.parts = append(out.parts, Part{Name: d.keys[k].name, Scope: d.keys[k].scope, ID: d.keys[k].id, U: e})
		}
	}
	slices.SortStableFunc(out.parts, func(a, b Part) int { return cmp.Compare(math.Abs(b.U), math.Abs(a.U)) })
	u, err := gum.Combine(components)
	if err != nil {
		panic("compare: " + err.Error()) // check lets only numbers in
	}
	out.u = u
	out.uRepeat, out.uSession = components[0].Contribution(), components[1].Contribution()
	finite := func(x float64) float64 {
		if math.IsInf(x, 1) {
			return 0
		}
		return x
	}
	out.repeat = Spread{Ratio: math.Sqrt(variance) / scale, DoF: finite(varianceDoF), From: from}
	out.session = Spread{Ratio: math.Sqrt(sessionVariance) / scale, DoF: finite(sessionDoF), From: d.session.From}
	if spread == 0 {
		out.session = Spread{}
	}
	return out
}

// difference compares the pulls' figures, as they are and as ratios: in a ratio
// an error of gain cancels wholly.
func (d *design) difference(cells []cellOf) (Difference, made) {
	value, own, effect := make([]float64, d.total), make([]float64, d.total), make([][]float64, d.total)
	for i, c := range cells {
		value[i], own[i], effect[i] = c.value, c.own, c.effects
		for j, k := range d.index[i] {
			if k < 0 {
				own[i] = math.Hypot(own[i], c.effects[j])
			}
		}
	}
	as := d.measure(value, own, effect)
	for i, v := range value {
		value[i], own[i] = math.Log(v), own[i]/v
		effect[i] = slices.Clone(effect[i])
		for j := range effect[i] {
			effect[i][j] /= v
		}
	}
	// Means of logarithms are about 0: what is relative there is taken of 1.
	ratio := d.logarithmic(value, own, effect)
	out := Difference{
		Before: as.before, After: as.after, Delta: as.delta, U: as.u.Expanded(),
		Ratio: math.Expm1(ratio.delta), DoF: as.u.DoF,
		URepeat: as.uRepeat, USession: as.uSession, UShared: as.shared, Cancelled: as.cancelled,
	}
	out.URatio = math.Exp(ratio.delta) * ratio.u.Expanded()
	out.Resolved = as.known && math.Abs(out.Delta) > out.U
	if math.IsInf(out.DoF, 1) {
		out.DoF = 0
	}
	return out, as
}

// logarithmic is measure of logarithms, about whose spread the settings speak
// directly.
func (d *design) logarithmic(value, own []float64, effect [][]float64) made {
	// Shifted so that the sets' mean is 1: measure takes ratios of it.
	sum := 0.0
	for i, v := range value {
		if i < d.before {
			sum += v / float64(d.before) / 2
		} else {
			sum += v / float64(d.total-d.before) / 2
		}
	}
	shifted := make([]float64, len(value))
	for i, v := range value {
		shifted[i] = v - sum + 1
	}
	return d.measure(shifted, own, effect)
}

// set sums a side up.
func (d *design) set(curves []Curve, band []cellOf) Set {
	out := Set{Pulls: len(curves), From: curves[0].At, To: curves[0].At}
	seen := map[string]bool{}
	var values []float64
	for i := range curves {
		c := &curves[i]
		if !slices.Contains(out.Cells, c.Cell) {
			out.Cells = append(out.Cells, c.Cell)
		}
		if !seen[c.Session] {
			seen[c.Session] = true
			out.Sessions++
		}
		if c.At.After(out.To) {
			out.To = c.At
		}
		values = append(values, band[i].value)
	}
	slices.SortFunc(out.Cells, func(a, b fleet.CellID) int { return cmp.Compare(a, b) })
	if len(values) > 1 {
		_, ss := squares(values)
		out.SD = math.Sqrt(ss / float64(len(values)-1))
	}
	return out
}
