package fleetstate

import (
	"math"
	"slices"
	"time"

	"rollcall/services/fleet"
)

// Estimation says how the variances were found.
type Estimation struct {
	// Sessions and Cells are what the estimate rests on; 0: the stated variances
	// stand, there is too little history.
	Sessions    int
	Cells       int
	Evaluations int
	Converged   bool
	// Freedom is, by name, the degrees of freedom that the data give a variance:
	// about twice its square over its own variance. Of a variance that the data
	// hardly tell it is near 0 and the stated one stands.
	Freedom map[string]float64
}

// slopes are the derivatives of the score by the log of each variance, and the
// diagonal of its expected second derivative.
type slopes struct {
	first, second []float64
}

// gradient returns the slopes of the score at a solution. By Fisher's identity
// the derivative of a likelihood is the expectation, given the data, of the
// derivative of the likelihood of data, errors and unknowns together; for a
// variance θ that n independent terms z have,
//
//	∂(−2·log L)/∂log θ = Σ (1 − E[z²]/θ)
//
// z the start of an error, its step in a walk, a session's, a pull's or a
// point's residual. The second derivative is taken as Σ (1 − Var(z)/θ)²: what
// the data leave unknown of z tells nothing of θ. Source: Fisher's identity as
// in Dempster, Laird and Rubin, J. R. Stat. Soc. B 39, 1977 (from memory).
func (net *network) gradient(v *Variances, sol *solution) slopes {
	nv := len(v.vector())
	parts := make([]slopes, len(net.cells))
	smoothers := make([]*smoother, net.s.Workers)
	sigma := make([][]float64, net.s.Workers)
	each(len(net.cells), net.s.Workers, func(w, i int) {
		if smoothers[w] == nil {
			smoothers[w] = &smoother{f: newFilter(net, v)}
		}
		c := &net.cells[i]
		n := len(c.cols)
		g := make([]float64, n)
		sigma[w] = resize(sigma[w], n*n)
		for a, x := range c.cols {
			g[a] = sol.g[x]
			for b, y := range c.cols {
				sigma[w][a*n+b] = sol.inv[min(x, y)*sol.n+max(x, y)]
			}
		}
		p := smoothers[w].run(c, g, sigma[w])
		parts[i] = slopes{make([]float64, nv), make([]float64, nv)}
		net.cellSlopes(v, c, p, g, sigma[w], parts[i])
	})
	out := slopes{make([]float64, nv), make([]float64, nv)}
	for i := range parts {
		axpy(1, parts[i].first, out.first)
		axpy(1, parts[i].second, out.second)
	}
	net.carSlopes(v, sol, out)
	return out
}

func (s slopes) add(at int, share, mean2, variance, theta float64) {
	s.first[at] += share * (1 - (mean2+variance)/theta)
	x := share * (1 - math.Min(1, variance/theta))
	s.second[at] += x * x
}

// cellSlopes adds one cell's part.
func (net *network) cellSlopes(v *Variances, c *cellTrack, p *path, g, sigma []float64, out slopes) {
	d, q := net.d(), net.q()
	n := p.n
	w := width(d)
	var s sparse
	for i := range c.events {
		e := &c.events[i]
		mean, cov := p.mean[i*d:(i+1)*d], p.cov[i*d*d:(i+1)*d*d]
		for f := range d {
			if i == 0 || (e.kind == restart && e.mask>>f&1 == 1) {
				if v.Start[f] > 0 {
					out.add(vFaults+f, 1, mean[f]*mean[f], cov[f*d+f], v.Start[f])
				}
			}
			if p.stepped[i] && v.Walk[f] > 0 {
				m := p.stepMean[i*d+f]
				out.add(vFaults+d+f, 1, m*m, p.stepV[i*d+f], v.Walk[f]*(e.week-c.events[i-1].week)*e.looseness(f))
			}
		}
		if e.kind != session {
			continue
		}
		l := c.localOf(net, e)
		nz := noiseOf(&e.stat, e.lambda, v)
		k := float64(e.stat.points)
		pulls := e.stat.sum
		bs := func(f, at int) float64 { return p.bs[(i*d+f)*n+at] }
		for mode := range q {
			y := net.meanRow(&s, e, &l, mode)
			r, variance := y, 0.0
			for a := range d {
				r -= s.x[a] * mean[a]
				for b := range d {
					variance += s.x[a] * s.x[b] * cov[a*d+b]
				}
				for j := range s.n {
					variance += 2 * s.x[a] * s.val[j] * bs(a, s.at[j])
				}
			}
			for a := range s.n {
				r -= s.val[a] * g[s.at[a]]
				for b := range s.n {
					variance += s.val[a] * s.val[b] * sigma[s.at[a]*n+s.at[b]]
				}
			}
			if mode == 0 {
				t := nz.meanLevel
				out.add(vSession, k*v.Session/e.lambda/t, r*r, variance, t)
				out.add(vPull, k*v.Pull/pulls/e.lambda/t, r*r, variance, t)
				out.add(vPoint, v.Point/pulls/e.lambda/t, r*r, variance, t)
			} else {
				t := nz.meanShape
				out.add(vTilt, k*v.Tilt/e.lambda/t, r*r, variance, t)
				out.add(vPoint, v.Point/pulls/e.lambda/t, r*r, variance, t)
			}
		}
		if e.stat.pulls < 2 {
			continue
		}
		at := [2]int{l.base + q, l.base + q + 1}
		own := [2]float64{g[at[0]], g[at[1]]}
		within := func(z []float64) (mean2, variance float64) {
			var m [mostFaults + 3]float64
			copy(m[:], mean)
			m[d], m[d+1], m[d+2] = own[0], own[1], -1
			for a := range w {
				for b := range w {
					mean2 += m[a] * z[a*w+b] * m[b]
				}
			}
			for a := range d {
				for b := range d {
					variance += z[a*w+b] * cov[a*d+b]
				}
				for j := range 2 {
					variance += 2 * z[a*w+d+j] * bs(a, at[j])
				}
			}
			for a := range 2 {
				for b := range 2 {
					variance += z[(d+a)*w+d+b] * sigma[at[a]*n+at[b]]
				}
			}
			return mean2, variance
		}
		m := float64(e.stat.pulls - 1)
		m2, variance := within(e.stat.level)
		for _, o := range [2]struct {
			at    int
			share float64
		}{{vPull, k * v.Pull / nz.level}, {vPoint, v.Point / nz.level}} {
			out.first[o.at] += o.share * (m - (m2+variance)/nz.level)
			x := o.share * math.Max(0, 1-variance/(m*nz.level))
			out.second[o.at] += m * x * x
		}
		if q > 1 {
			m2, variance := within(e.stat.shape)
			m *= float64(q - 1)
			out.first[vPoint] += m - (m2+variance)/nz.shape
			x := math.Max(0, 1-variance/(m*nz.shape))
			out.second[vPoint] += m * x * x
		}
	}
}

// carSlopes adds the cars' part.
func (net *network) carSlopes(v *Variances, sol *solution, out slopes) {
	n := sol.n
	at := func(a, b int) float64 {
		if a < 0 || b < 0 {
			return 0
		}
		return sol.inv[min(a, b)*n+max(a, b)]
	}
	for j := range net.cars {
		c := &net.cars[j]
		last, lastValue := -1, 0.0
		for i, k := range c.knots {
			m := sol.g[k] - lastValue
			if v.CarWalk > 0 {
				out.add(vCarWalk, 1, m*m, at(k, k)+at(last, last)-2*at(k, last), c.step(v, i))
			}
			last, lastValue = k, sol.g[k]
		}
	}
	if m := float64(len(net.cars)); !math.IsInf(v.CarLevel, 1) && v.CarLevel > 0 && m > 1 {
		rootK := math.Sqrt(float64(len(net.modes[0])))
		sum, sumV, total, totalV := 0.0, 0.0, 0.0, 0.0
		for i := range net.cars {
			a := net.cars[i].base
			x := sol.g[a] + net.cars[i].ref[0]/rootK
			sum += x
			total += x * x
			totalV += at(a, a)
			for k := range net.cars {
				sumV += at(a, net.cars[k].base)
			}
		}
		variance := totalV - sumV/m
		out.first[vCarLevel] += m - 1 - (total-sum*sum/m+variance)/v.CarLevel
		x := math.Max(0, 1-variance/((m-1)*v.CarLevel))
		out.second[vCarLevel] += (m - 1) * x * x
	}
}

// Estimate's numbers.
const (
	mostEvaluations = 200
	longestStep     = 3.0   // of a log variance at a time
	vanished        = 1e-7  // of its start: a variance that falls below is 0
	vanishing       = 1e-2  // degrees of freedom that the data give one on its way
	settledShare    = 1e-12 // of the score: a decrease below is rounding
)

// stated adds what the settings hold of the variances. A stated variance s₀² of
// ν₀ degrees of freedom has −2·log p = ν₀·(log θ + s₀²/θ), and one that is at
// most ν₀·(θ/s₀² − log θ); both are highest at s₀².
func stated(x []float64, priors []Prior, s slopes) float64 {
	score := 0.0
	for i, p := range priors {
		if math.IsInf(p.Freedom, 1) || p.Freedom == 0 {
			continue
		}
		r := p.SD * p.SD / x[i]
		first, second := 1-r, r
		if p.AtMost {
			first, second = 1/r-1, 1/r
			score += p.Freedom * (1/r - math.Log(x[i]))
		} else {
			score += p.Freedom * (math.Log(x[i]) + r)
		}
		if s.first != nil {
			s.first[i] += p.Freedom * first
			s.second[i] += p.Freedom * math.Min(second, 1)
		}
	}
	return score
}

// estimate finds the variances by REML with the stated priors: a quasi-Newton
// search (BFGS) over the log variances with exact slopes, that starts from the
// expected second derivatives. A variance without a prior that falls towards 0
// while the likelihood still rises is 0.
// curve, where it fits, is the inverse second derivative that an earlier search
// ended with; the search leaves its own there. settle is as Settings.Settle.
func (net *network) estimate(from Variances, settle float64, curve *[]float64) (Variances, Estimation, error) {
	priors := net.s.priors()
	begin := net.s.Stated().vector()
	x := from.vector()
	var free []int
	for i, p := range priors {
		if !math.IsInf(p.Freedom, 1) && x[i] > 0 {
			free = append(free, i)
		}
	}
	e := Estimation{Cells: len(net.cells)}
	for i := range net.cells {
		e.Sessions += net.cells[i].runs
	}
	if e.Sessions-len(net.cells)-len(net.cars) < net.s.LeastFreedom {
		return net.s.Stated(), Estimation{Converged: true}, nil
	}
	value := func(x []float64, wantSlopes bool) (float64, slopes, error) {
		e.Evaluations++
		v := variancesOf(x)
		sol, err := net.solve(&v)
		if err != nil {
			return 0, slopes{}, err
		}
		var s slopes
		if wantSlopes {
			s = net.gradient(&v, sol)
		}
		return sol.score + stated(x, priors, s), s, nil
	}
	score, s, err := value(x, true)
	if err != nil {
		return Variances{}, e, err
	}
	var h []float64 // inverse second derivative over the free
	fresh := func() {
		m := len(free)
		h = make([]float64, m*m)
		for a, i := range free {
			floor := 1e-12
			if priors[i].Freedom > 0 {
				floor = 0.3 // what a prior curves is not less for long
			}
			h[a*m+a] = 1 / math.Max(s.second[i], floor)
		}
	}
	fresh()
	if len(*curve) == len(h) {
		h = *curve
	}
	for e.Evaluations < mostEvaluations && len(free) > 0 {
		m := len(free)
		step := make([]float64, m)
		gain := 0.0
		for a := range free {
			for b, j := range free {
				step[a] -= h[a*m+b] * s.first[j]
			}
			if i := free[a]; priors[i].Freedom == 0 && s.first[i] > 0 && s.second[i] < vanishing {
				step[a] = -longestStep // on its way to 0: nothing curves there
			}
			step[a] = math.Max(-longestStep, math.Min(longestStep, step[a]))
			gain -= step[a] * s.first[free[a]]
		}
		if !(gain >= 0) && !isFresh(h, m) {
			fresh()
			continue
		}
		if gain < settle+settledShare*math.Abs(score) {
			e.Converged = true
			break
		}
		scale := 1.0
		var next []float64
		var nextScore float64
		var nextSlopes slopes
		ok := false
		for range 25 {
			next = slices.Clone(x)
			for a, i := range free {
				next[i] *= math.Exp(scale * step[a])
			}
			nextScore, nextSlopes, err = value(next, true)
			if err == nil && nextScore <= score-1e-4*scale*gain {
				ok = true
				break
			}
			scale /= 3
		}
		if !ok {
			// No way down that rounding lets through: this is the bottom, or the
			// second derivative is not to be trusted.
			if isFresh(h, m) {
				e.Converged = gain < 1e-6*math.Max(1, math.Abs(score))
				break
			}
			fresh()
			continue
		}
		// BFGS in the log variances.
		dx, dg := make([]float64, m), make([]float64, m)
		sy := 0.0
		for a, i := range free {
			dx[a] = scale * step[a]
			dg[a] = nextSlopes.first[i] - s.first[i]
			sy += dx[a] * dg[a]
		}
		x, score, s = next, nextScore, nextSlopes
		if sy > 1e-14 {
			updateInverse(h, dx, dg, sy)
		} else {
			fresh()
		}
		// Those that vanish.
		var stay []int
		for _, i := range free {
			if priors[i].Freedom == 0 && x[i] < vanished*begin[i] && s.first[i] >= 0 {
				x[i] = 0
				continue
			}
			stay = append(stay, i)
		}
		if len(stay) < len(free) {
			free = stay
			if score, s, err = value(x, true); err != nil {
				return Variances{}, e, err
			}
			fresh()
		}
	}
	*curve = h
	e.Freedom = map[string]float64{}
	for i, name := range net.s.names() {
		if !math.IsInf(priors[i].Freedom, 1) {
			e.Freedom[name] = s.second[i]
			if p := priors[i]; p.Freedom > 0 {
				r := p.SD * p.SD / x[i]
				if p.AtMost {
					r = 1 / r
				}
				e.Freedom[name] -= p.Freedom * math.Min(r, 1)
			}
		}
	}
	return variancesOf(x), e, nil
}

// isFresh says that h is diagonal.
func isFresh(h []float64, m int) bool {
	for i := range m {
		for j := range m {
			if i != j && h[i*m+j] != 0 {
				return false
			}
		}
	}
	return true
}

// updateInverse is the BFGS formula for the inverse second derivative. Source:
// Nocedal and Wright, Numerical Optimization, eq. 6.17 (from memory).
func updateInverse(h, dx, dg []float64, sy float64) {
	m := len(dx)
	hg := make([]float64, m)
	ghg := 0.0
	for a := range m {
		hg[a] = dot(h[a*m:(a+1)*m], dg)
		ghg += hg[a] * dg[a]
	}
	c := (1 + ghg/sy) / sy
	for a := range m {
		for b := range m {
			h[a*m+b] += c*dx[a]*dx[b] - (hg[a]*dx[b]+dx[a]*hg[b])/sy
		}
	}
}

// anew returns variances to start a search from that has been made before: those
// found then, but none so close to 0 that it would not come away from it.
func (s Settings) anew(v Variances) Variances {
	const least = 0.01
	x, stated := v.vector(), s.Stated().vector()
	for i := range x {
		x[i] = math.Max(x[i], least*stated[i])
	}
	return variancesOf(x)
}

// estimateRobust estimates, from variances to start from, weighs what lies far out by the variances found, and
// estimates again, until the weights stand.
func (net *network) estimateRobust(v Variances) (Variances, Estimation, error) {
	spent := 0
	var curve []float64
	for round := 0; ; round++ {
		var e Estimation
		var err error
		settle := net.s.Settle
		if round == 0 && !math.IsInf(net.s.FarOut, 1) {
			settle = math.Max(settle, roughly)
		}
		if v, e, err = net.estimate(v, settle, &curve); err != nil {
			return v, e, err
		}
		e.Evaluations += spent
		spent = e.Evaluations
		if round == estimateRounds || e.Sessions == 0 || math.IsInf(net.s.FarOut, 1) {
			return v, e, nil
		}
		to := net.newSums()
		net.reduce(&v, to, net.all(), 1)
		sol, err := net.solveSums(&v, to)
		if err != nil {
			return v, e, err
		}
		changed, weights := net.weigh(&v, sol.g)
		if loosened := net.loosen(&v, sol); len(changed) == 0 && !loosened && settle == net.s.Settle {
			return v, e, nil
		}
		for i, c := range changed {
			net.put(&net.cells[c], weights[i])
		}
	}
}

// estimateRounds bounds the rounds of weighing and estimating anew.
const estimateRounds = 3

// roughly is how well the first round settles: it only finds what lies far out.
const roughly = 0.05

// recent is how far back the part of a large fleet looks that stands for all.
const recent = 104 * Week

// representatives returns the part of a large fleet's history that its variances
// are estimated from: the sessions of the last 104 weeks of as many cells as
// Settings.MostSessions allows, joined by their cars: first the cell with the
// most sessions (by id among equals), then always the one with the most sessions
// with the cars that are there already. A cell's errors still start where they
// did: what happened before is not forgotten but integrated out.
func (net *network) representatives(h History) (History, map[fleet.CellID]time.Time) {
	since := net.at.Add(-recent)
	count := make([]map[int]int, len(net.cells)) // by cell: sessions by car
	total := make([]int, len(net.cells))
	for c := range net.cells {
		count[c] = map[int]int{}
		for i := range net.cells[c].events {
			if e := &net.cells[c].events[i]; e.kind == session && !e.at.Before(since) {
				count[c][e.car]++
				total[c]++
			}
		}
	}
	cars := make([]bool, len(net.cars))
	taken := make([]bool, len(net.cells))
	sessions := 0
	for sessions < net.s.MostSessions {
		best, bestShare := -1, -1
		for c := range net.cells {
			if taken[c] || total[c] == 0 {
				continue
			}
			share := 0
			for j, n := range count[c] {
				if cars[j] {
					share += n
				}
			}
			if share == 0 && sessions == 0 {
				share = total[c]
			}
			if share > bestShare {
				best, bestShare = c, share
			}
		}
		if best < 0 {
			break
		}
		taken[best] = true
		sessions += total[best]
		for j := range count[best] {
			cars[j] = true
		}
	}
	var out History
	origin := map[fleet.CellID]time.Time{}
	keep := map[fleet.CellID]bool{}
	for c := range net.cells {
		if taken[c] {
			keep[net.cells[c].id] = true
			origin[net.cells[c].id] = net.cells[c].events[0].at
		}
	}
	for i := range h.Runs {
		if r := &h.Runs[i]; keep[r.Cell] && !r.At.Before(since) {
			out.Runs = append(out.Runs, *r)
		}
	}
	for _, o := range h.Observations {
		if keep[o.Cell] && !o.At.Before(since) {
			out.Observations = append(out.Observations, o)
		}
	}
	for _, r := range h.Restarts {
		if r.Car != "" || keep[r.Cell] {
			out.Restarts = append(out.Restarts, r)
		}
	}
	return out, origin
}

// Estimate returns the fleet with its variances estimated from it by REML; the
// stated ones stand while history is short. On a fleet of more than
// Settings.MostSessions sessions a part of it stands for all, which does not
// change while the history does not. Errors are those of Solve.
func Estimate(h History, s Settings) (*Fit, error) { return estimateFrom(h, s, s.Stated()) }

// estimateFrom is Estimate with the variances that the search starts from.
func estimateFrom(h History, s Settings, start Variances) (*Fit, error) {
	net, err := begin(h, s)
	if err != nil {
		return nil, err
	}
	v, e, err := net.variances(h, start)
	if err != nil {
		return nil, err
	}
	return net.fit(v, e)
}

func (net *network) variances(h History, start Variances) (Variances, Estimation, error) {
	from := net
	if len(net.runs) > net.s.MostSessions {
		part, origin := net.representatives(h)
		var err error
		if from, err = lay(part, net.s, origin); err != nil {
			return Variances{}, Estimation{}, err
		}
	}
	return from.estimateRobust(start)
}
