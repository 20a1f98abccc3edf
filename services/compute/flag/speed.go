package flag

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// Speed is what a reference run says of the engine-to-roller speed ratio, against
// what the same car showed on other cells before: a direct observation of the cell's
// speed scale and of slip.
//
//	Level  ln(ω/v) less the others' median: the roller speed is read so much too low
//	Rise   how much the ratio rises from no load to the run's tractive force, less
//	       the same elsewhere: what the tyres slip more
//
// ULevel and URise are standard uncertainties.
type Speed struct {
	Cell          fleet.CellID
	Car           fleet.CarID
	Run           fleet.RunID
	At            time.Time
	Level, ULevel float64
	Rise, URise   float64
}

const (
	// speedWindow is how far back a car's runs on other cells are looked at, mostSpeeds
	// how many of them, leastSpeeds how many there must be.
	speedWindow = 26 * fleetstate.Week
	mostSpeeds  = 12
	leastSpeeds = 3
	// tyreWander and riseWander are what a car's tyres do to its ratio from day to day,
	// standard deviations: their rolling radius by pressure and heat, and their creep
	// ("common practice, no source"). Where the car's other runs scatter more, that.
	tyreWander = 0.003
	riseWander = 0.001
)

// CompareSpeeds returns, for every run whose engine speed is logged, how its ratio
// stands against the medians of the same car's runs on other cells in the half year
// before,
//
//	u² = u_run² + s²·(1 + π/(2n))
//
// with s the robust standard deviation of those n (1.4826 times their median absolute
// deviation), at least tyreWander or riseWander. A median and that deviation bear a
// cell or two of the others being wrong. Only what came before is looked at, so that
// a history that grows says the same of its beginning. By time, then run.
func CompareSpeeds(runs []refrun.Run) []Speed {
	type point struct {
		run *refrun.Run
		refrun.RunRatio
	}
	byCar := map[fleet.CarID][]point{}
	for i := range runs {
		if m, ok := refrun.MeanRatio(&runs[i]); ok {
			byCar[runs[i].Car] = append(byCar[runs[i].Car], point{&runs[i], m})
		}
	}
	var out []Speed
	for _, all := range byCar {
		slices.SortFunc(all, func(a, b point) int { return order(a.run.At, b.run.At, string(a.run.ID), string(b.run.ID)) })
		var levels, rises, work [mostSpeeds]float64
		for i, p := range all {
			n := 0
			for k := i - 1; k >= 0 && n < mostSpeeds && p.run.At.Sub(all[k].run.At) <= speedWindow; k-- {
				if q := &all[k]; q.run.Cell != p.run.Cell && q.run.At.Before(p.run.At) {
					levels[n], rises[n] = q.Level, q.Rise
					n++
				}
			}
			if n < leastSpeeds {
				continue
			}
			level, sl := centre(levels[:n], work[:n])
			rise, sr := centre(rises[:n], work[:n])
			spread := 1 + math.Pi/2/float64(n)
			sl, sr = max(sl, tyreWander), max(sr, riseWander)
			out = append(out, Speed{
				Cell: p.run.Cell, Car: p.run.Car, Run: p.run.ID, At: p.run.At,
				Level: p.Level - level, ULevel: math.Sqrt(p.ULevel*p.ULevel + sl*sl*spread),
				Rise: p.Rise - rise, URise: math.Sqrt(p.URise*p.URise + sr*sr*spread),
			})
		}
	}
	slices.SortFunc(out, func(a, b Speed) int { return order(a.At, b.At, string(a.Run), string(b.Run)) })
	return out
}

// centre is the median of values, which it puts in order, and their robust standard
// deviation; work is as long.
func centre(values, work []float64) (median, sd float64) {
	slices.Sort(values)
	n := len(values)
	median = (values[(n-1)/2] + values[n/2]) / 2
	for i, v := range values {
		work[i] = math.Abs(v - median)
	}
	slices.Sort(work)
	// 1/Φ⁻¹(3/4).
	return median, 1.4826 * (work[(n-1)/2] + work[n/2]) / 2
}

const (
	// recent is how far back sessions tell that the tyres slip; what came before is
	// what the cell's rollers do to every tyre.
	recent = 8 * fleetstate.Week
	// leastBefore is how many sessions of before there must be to be counted from;
	// with fewer a sound cell's rise and level have these standard deviations: rollers
	// of another diameter, a radius measured to a few tenths of a percent ("common
	// practice, no source").
	// The newest mostBefore are looked at.
	leastBefore = 4
	mostBefore  = 26
	soundRise   = 0.004
	soundLevel  = 0.005
	// leastSlip is the rise of the ratio by load from which slip matters.
	leastSlip = 0.005
)

// before is what observations of a cell are counted from: the medians of those
// before where they are enough, else nought.
func before(all []*Speed) (level, ul, rise, ur float64) {
	if len(all) < leastBefore {
		return 0, soundLevel, 0, soundRise
	}
	all = all[max(0, len(all)-mostBefore):]
	n := float64(len(all))
	var levels, rises, work [mostBefore]float64
	var vl, vr, cars float64
	for i, s := range all {
		levels[i], rises[i] = s.Level, s.Rise
		vl += s.ULevel * s.ULevel / n
		vr += s.URise * s.URise / n
		if !slices.ContainsFunc(all[:i], func(o *Speed) bool { return o.Car == s.Car }) {
			cars++
		}
	}
	level, _ = centre(levels[:len(all)], work[:len(all)])
	rise, _ = centre(rises[:len(all)], work[:len(all)])
	// A car's tyres are the same at each of its visits.
	k := math.Pi / 2 / cars
	return level, math.Sqrt(vl * k), rise, math.Sqrt(vr * k)
}

// slipping returns the sessions within recent of the last that each by themselves
// show more slip than the cell's sessions before, decisively, and whether that is
// enough to say that the tyres slip here: sessions of two cars, or of one that has
// meanwhile been elsewhere and did not slip there, the last among them. all are of one
// cell, by time.
func (d *decider) slipping(all []*Speed) (slip []*Speed, enough bool) {
	newest := all[len(all)-1]
	if newest.Rise < newest.URise {
		return nil, false
	}
	last := newest.At
	k := len(all)
	for k > 0 && last.Sub(all[k-1].At) <= recent {
		k--
	}
	_, _, rise, ur := before(all[:k])
	for _, s := range all[k:] {
		if x := s.Rise - rise; x > leastSlip && x > decisiveResults*math.Hypot(s.URise, ur) {
			slip = append(slip, s)
		}
	}
	if len(slip) < 2 || slip[len(slip)-1] != newest {
		return slip, false
	}
	first := slip[0]
	for _, s := range slip {
		if s.Car != first.Car {
			return slip, true
		}
	}
	for _, s := range d.speeds[first.Car] {
		if s.Cell != first.Cell && s.At.After(first.At) && !s.At.After(last) && s.Rise < 2*s.URise {
			return slip, true
		}
	}
	return slip, false
}

// dateSlip puts a flag's first evidence at the first session that slips. The session
// before it may have slipped less than is decisive, and so on back to the last that
// showed none.
func (*decider) dateSlip(f *Flag, slip, all []*Speed) {
	f.FirstEvidenceAt, f.EarliestAt, f.LatestAt = slip[0].At, slip[0].At, slip[0].At
	f.LastGoodAt = time.Time{}
	k := slices.Index(all, slip[0])
	for k > 0 && f.EarliestAt.Sub(all[k-1].At) <= recent {
		k--
		if all[k].Rise < all[k].URise {
			f.LastGoodAt = all[k].At
			break
		}
		f.EarliestAt = all[k].At
	}
}

// ratioSeen is what the speed ratio has shown of a cell since a moment, against
// before: means with standard uncertainties.
type ratioSeen struct {
	Level, ULevel float64
	Rise, URise   float64
	Cars          []fleet.CarID
}

// ratioOf returns what the ratio shows of a cell, whose comparisons are given by time,
// from the first evidence to until; ok: some run tells. What the cell showed before
// since its epoch began is taken off.
func ratioOf(of []*Speed, epoch, from, until time.Time) (r ratioSeen, ok bool) {
	var earlier []*Speed
	byCar := map[fleet.CarID][]*Speed{}
	for _, s := range of {
		switch {
		case s.At.After(until), s.At.Before(epoch):
		case s.At.Before(from):
			earlier = append(earlier, s)
		default:
			byCar[s.Car] = append(byCar[s.Car], s)
		}
	}
	if len(byCar) == 0 {
		return r, false
	}
	// The median of the cars' medians: one car whose tyres are new decides nothing
	// where three visit.
	var levels, rises []float64
	var vl, vr float64
	for _, car := range keysOf(byCar) {
		all := byCar[car]
		l, s, work := make([]float64, len(all)), make([]float64, len(all)), make([]float64, len(all))
		var ul, ur float64
		for i, x := range all {
			l[i], s[i] = x.Level, x.Rise
			ul += x.ULevel * x.ULevel / float64(len(all))
			ur += x.URise * x.URise / float64(len(all))
		}
		ml, _ := centre(l, work)
		mr, _ := centre(s, work)
		levels, rises = append(levels, ml), append(rises, mr)
		vl, vr = vl+ul, vr+ur
		r.Cars = append(r.Cars, car)
	}
	n := float64(len(levels))
	work := make([]float64, len(levels))
	r.Level, _ = centre(levels, work)
	r.Rise, _ = centre(rises, work)
	k := 1 / (n * n)
	if n > 2 {
		k *= math.Pi / 2
	}
	level, ul, rise, ur := before(earlier)
	r.Level, r.ULevel = r.Level-level, math.Sqrt(vl*k+ul*ul)
	r.Rise, r.URise = r.Rise-rise, math.Sqrt(vr*k+ur*ur)
	return r, true
}

func keysOf[V any](m map[fleet.CarID]V) []fleet.CarID {
	out := make([]fleet.CarID, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// slipText says that tyres slip, and by how much.
func slipText(r ratioSeen) string {
	var cars []string
	for _, c := range r.Cars {
		cars = append(cars, string(c))
	}
	return fmt.Sprintf("The ratio of engine speed to roller speed rises with load by %s %% ± %.2f %% (k = 2) more than the same cars (%s) show on other cells and showed here before: the tyres slip on the rollers.",
		signed(100*r.Rise, 2), 200*r.URise, strings.Join(cars, ", "))
}

// priors of the causes that the speed ratio alone shows, and how large they are,
// standard deviations ("common practice, no source").
const (
	priorSpeed = 0.03
	priorSlip  = 0.05
	slipSize   = 0.02
)

// byRatio weighs the causes that the ratio shows against the others.
//
// A wrong speed scale is one of two things. A roller radius that is truly r·(1+δ)
// where the registry has r makes the speed read 1/(1+δ), the force at the surface,
// torque over radius, 1+δ: with base inertia and losses found under the same radius
// the whole tractive force reads 1+δ, flat over load and ramp, as FaultOther is, and
// the ratio is up by δ. A speed pickup that counts 1/(1+δ) leaves the brake's force,
// and takes δ of the inertia's share: as a base inertia value M·δ too small, and the
// ratio is up by δ. So of the runs' two causes each has a part that the ratio must
// bear out by the size it gives:
//
//	p(speed) ∝ π·½·[ p(other)/π_other · N(Level; x_other, u²) + p(inertia)/π_inertia · N(Level; −x_inertia/M, u²) ]
//
// Slip does little to the tractive force where the engine speed is logged: what turns
// the roller is still the engine's torque. What the runs say thus says nothing for or
// against it, and it is weighed by the ratio alone, which rises with load. The
// others' likelihood is that the ratio has not moved.
//
// Why here and not as errors of the fleet model: the ratio is a comparison of a car
// with itself, nearly free of what the model works out (curves, levels, session
// noise), and known far better than what either fault does to the force, so that
// states for them would be known by the ratio alone and only widen everything else.
func (d *decider) byRatio(causes []Cause, r ratioSeen, cell fleet.Cell) []Cause {
	prior := map[fleet.Fault]float64{}
	for _, f := range d.s.Faults {
		prior[f.Fault] += f.Probability
	}
	normal := func(x, sd float64) float64 { return -0.5*x*x/(sd*sd) - math.Log(sd) }
	still := normal(r.Level, r.ULevel) + normal(r.Rise, r.URise)
	type branch struct {
		log, size, v float64
	}
	var speed []branch
	var logs []float64
	out := slices.Clone(causes)
	for _, c := range out {
		p := math.Log(max(c.Probability, 1e-300))
		logs = append(logs, p+math.Log1p(-priorSpeed-priorSlip)+still)
		x, u := c.Size, c.U/2
		switch {
		case c.Fault == fleet.FaultInertia && cell.BaseInertia > 0:
			x, u = -x/cell.BaseInertia, u/cell.BaseInertia
		case c.Fault != fleet.FaultOther:
			continue
		}
		if !(prior[c.Fault] > 0) || !(u > 0) {
			continue
		}
		w := math.Hypot(r.ULevel, u)
		v := 1 / (1/(r.ULevel*r.ULevel) + 1/(u*u))
		speed = append(speed, branch{
			log:  p - math.Log(prior[c.Fault]) + math.Log(priorSpeed/2) + normal(r.Level-x, w) + normal(r.Rise, r.URise),
			size: v * (r.Level/(r.ULevel*r.ULevel) + x/(u*u)), v: v,
		})
	}
	if len(speed) > 0 {
		best := slices.MaxFunc(speed, func(a, b branch) int { return cmp.Compare(a.log, b.log) })
		sum := 0.0
		for _, b := range speed {
			sum += math.Exp(b.log - best.log)
		}
		out = append(out, Cause{Fault: fleet.FaultSpeed, Size: best.size, U: 2 * math.Sqrt(best.v), Unit: "ratio"})
		logs = append(logs, best.log+math.Log(sum))
	}
	slip := math.Log(priorSlip) + normal(r.Level, math.Hypot(r.ULevel, slipSize)) + normal(r.Rise, math.Hypot(r.URise, slipSize))
	// Slip only ever raises the ratio.
	slip += math.Log(math.Erfc(-r.Rise / r.URise / math.Sqrt2))
	out = append(out, Cause{Fault: fleet.FaultSlip, Size: r.Rise, U: 2 * r.URise, Unit: "ratio"})
	logs = append(logs, slip)
	top, sum := slices.Max(logs), 0.0
	for _, l := range logs {
		sum += math.Exp(l - top)
	}
	for i := range out {
		out[i].Probability = math.Exp(logs[i]-top) / sum
	}
	slices.SortStableFunc(out, func(a, b Cause) int { return cmp.Compare(b.Probability, a.Probability) })
	return out
}
