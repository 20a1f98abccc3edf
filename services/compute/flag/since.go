package flag

import (
	"math"
	"time"

	"rollcall/services/compute/drift"
)

// change is where the runs put the beginning of a change.
type change struct {
	first, earliest, latest time.Time
	// before is the last run before earliest; zero: there is none.
	before time.Time
	// base is the cell's offset before the change, u standard.
	base, u float64
}

// Sizes of a change before it is seen, standard deviations ("common practice,
// no source"): of a cell's own offset, of a step, of a ramp per week; ratios.
const (
	soundSD = 0.006
	stepSD  = 0.015
	rampSD  = 0.002
)

// afterOpening is how many runs after a flag opened still say when the change
// began: enough to see it well, few enough that a second change is not mixed in.
const afterOpening = 8

// clearly is the ratio of likelihoods from which one shape is preferred to the
// simpler one. Source: Kass and Raftery, J. Am. Stat. Assoc. 90, 1995, the least
// that is more than a bare mention (from memory).
const clearly = 3

// locate returns when a cell's change began, from its runs' own offsets z since
// its CUSUM last restarted. With the change before run τ, the offsets are
//
//	z_i = b + δ·h_i + noise,  sd u_i;  b ~ N(0, soundSD²)
//
// h a step (δ ~ N(0, stepSD²)) or a ramp from the run before τ (δ ~ N(0,
// rampSD²) a week), each as likely, δ of the sign of the CUSUM's side. The
// candidates τ are the runs up to the opening, and, where a check opened the
// flag, the check itself. The CUSUM's last nought does not bound them: a slow
// change begins before it. log p(z | τ, h) with b and δ integrated
// out is, but for a constant,
//
//	½·g'A⁻¹g − ½·log|A| − log sd(δ) + log(2·P(δ has the sign))
//	A = [Σw + 1/soundSD², Σwh; Σwh, Σwh² + 1/sd(δ)²],  g = [Σwz, Σwhz],  w = 1/u²
//
// first is the τ of the largest likelihood of a step, but of a ramp where its
// likelihood is clearly the larger: of a change that crept in unclearly, first
// is where it had come to matter. earliest and latest leave 2.5 % of the sum
// of likelihoods of both on either side; base and its u are the mean and the
// spread of b over all of them. ok is false where no run can say.
//
// Source: the likelihood of a change point, Hinkley, Biometrika 57, 1970 (from
// memory).
func (d *decider) locate(f *Flag, sign float64, byCheck bool) (c change, ok bool) {
	var runs []*drift.Step
	later := 0
	for i := range d.steps {
		st := &d.steps[i]
		if st.Cell != f.Cell {
			continue
		}
		if st.At.After(f.OpenedAt) {
			if later++; later > afterOpening || st.Restarted || (!f.ClosedAt.IsZero() && st.At.After(f.ClosedAt)) {
				break
			}
		} else if st.Restarted {
			runs = runs[:0]
		}
		if st.Judged && st.UDayOffset > 0 {
			runs = append(runs, st)
		}
	}
	type candidate struct {
		at, before time.Time
		// log likelihoods: of both shapes, of each
		log, step, ramp float64
		// mean and mean square of b
		b, b2 float64
	}
	var all []candidate
	h := make([]float64, len(runs))
	for k := 0; k <= len(runs); k++ {
		var x candidate
		if k > 0 {
			x.before = runs[k-1].At
		}
		if k < len(runs) && !runs[k].At.After(f.OpenedAt) {
			x.at = runs[k].At
		} else {
			if !byCheck {
				break
			}
			x.at = f.OpenedAt
		}
		for i := range h {
			h[i] = 0
			if i >= k {
				h[i] = 1
			}
		}
		step, bs, vs := marginal(runs, h, stepSD, sign)
		from := x.at.Add(-drift.Week)
		if k > 0 {
			from = x.before
		}
		for i := range h {
			if i >= k {
				h[i] = float64(runs[i].At.Sub(from)) / float64(drift.Week)
			}
		}
		ramp, br, vr := marginal(runs, h, rampSD, sign)
		top := math.Max(step, ramp)
		ws, wr := math.Exp(step-top), math.Exp(ramp-top)
		x.step, x.ramp = step, ramp
		x.log = top + math.Log(ws+wr)
		x.b = (ws*bs + wr*br) / (ws + wr)
		x.b2 = (ws*(bs*bs+vs) + wr*(br*br+vr)) / (ws + wr)
		all = append(all, x)
		if x.at.Equal(f.OpenedAt) {
			break
		}
	}
	if len(all) == 0 {
		return c, false
	}
	best, first, crept := 0, 0, 0
	for i := range all {
		if all[i].log > all[best].log {
			best = i
		}
		if all[i].step > all[first].step {
			first = i
		}
		if all[i].ramp > all[crept].ramp {
			crept = i
		}
	}
	if all[crept].ramp > all[first].step+math.Log(clearly) {
		first = crept
	}
	sum := 0.0
	for i := range all {
		sum += math.Exp(all[i].log - all[best].log)
	}
	c.first = all[first].at
	below, square := 0.0, 0.0
	for i := range all {
		share := math.Exp(all[i].log-all[best].log) / sum
		c.base += share * all[i].b
		square += share * all[i].b2
		if c.earliest.IsZero() && below+share > 0.025 {
			c.earliest, c.before = all[i].at, all[i].before
		}
		below += share
		if c.latest.IsZero() && below >= 0.975 {
			c.latest = all[i].at
		}
	}
	if c.latest.IsZero() {
		c.latest = all[len(all)-1].at
	}
	if c.first.Before(c.earliest) {
		c.first = c.earliest
	}
	if c.latest.Before(c.first) {
		c.latest = c.first
	}
	c.u = math.Sqrt(math.Max(0, square-c.base*c.base))
	return c, true
}

// marginal returns log p(z | h) of locate, the mean of b and its variance.
func marginal(runs []*drift.Step, h []float64, sd, sign float64) (l, b, v float64) {
	a11, a12, a22 := 1/(soundSD*soundSD), 0.0, 1/(sd*sd)
	g1, g2 := 0.0, 0.0
	for i, st := range runs {
		w := 4 / (st.UDayOffset * st.UDayOffset)
		a11 += w
		a12 += w * h[i]
		a22 += w * h[i] * h[i]
		g1 += w * st.DayOffset
		g2 += w * h[i] * st.DayOffset
	}
	det := a11*a22 - a12*a12
	quad := (a22*g1*g1 - 2*a12*g1*g2 + a11*g2*g2) / det
	size, u := (a11*g2-a12*g1)/det, math.Sqrt(a11/det)
	if sign < 0 {
		size = -size
	}
	l = 0.5*quad - 0.5*math.Log(det) - math.Log(sd) + math.Log(math.Erfc(-size/u/math.Sqrt2)+1e-300)
	return l, (a22*g1 - a12*g2) / det, a22 / det
}
