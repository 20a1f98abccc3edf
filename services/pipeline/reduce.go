package pipeline

import (
	"errors"
	"math"
	"slices"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/coastdown"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// record is a pull or coast-down as it came in.
type record struct {
	pull   fleet.Pull
	blocks []wire.Block
	// missing says which part of it has not come; empty: it is whole.
	missing string
}

// reduced is a pull after powercurve and finding.
type reduced struct {
	pull     fleet.Pull
	then     cellThen          // what it was computed with
	curve    *powercurve.Curve // nil: err says why
	err      error
	findings []finding.Finding
}

// seriesOf returns the record's channels as series: blocks in order, counts as
// numbers, clocks as times.
func seriesOf(blocks []wire.Block) map[fleet.Channel]channel.Series {
	sorted := slices.Clone(blocks)
	slices.SortFunc(sorted, func(a, b wire.Block) int {
		if a.Channel != b.Channel {
			if a.Channel < b.Channel {
				return -1
			}
			return 1
		}
		return int(a.Index) - int(b.Index)
	})
	length := map[fleet.Channel]int{}
	for _, b := range sorted {
		length[b.Channel] += b.Samples.Len()
	}
	out := make(map[fleet.Channel]channel.Series, len(length))
	for _, b := range sorted {
		s, ok := out[b.Channel]
		if !ok {
			n := length[b.Channel]
			s = channel.Series{T: make([]float64, 0, n), X: make([]float64, 0, n)}
		}
		if b.Step != 0 {
			for i := range b.Samples.Len() {
				s.T = append(s.T, b.Start+float64(float64(i)*b.Step))
			}
		} else {
			s.T = b.Times.Expand(s.T)
		}
		s.X = b.Samples.Expand(s.X)
		out[b.Channel] = s
	}
	return out
}

// situation is what was true when a pull was made.
type situation struct {
	cellThen
	car *fleet.Car // nil: a customer's
	// from is the pull whose loss is to be used where this one measured none;
	// nil: no other's.
	from *baseline
}

// errNoCell says that the registry did not know the cell then.
var errNoCell = errors.New("the registry has no such cell at that time; add it with `rollcall fleet apply` from a date no later than the pull's")

// correctionOf returns the correction a pull is stated with.
func correctionOf(p fleet.Pull, car *fleet.Car) fleet.Correction {
	switch {
	case p.Correction != "":
		return p.Correction
	case car != nil && car.Correction != "":
		return car.Correction
	}
	return fleet.CorrectionSAEJ1349
}

// inputOf returns what a pull is computed from. coast is its separate
// coast-down, or nil.
func inputOf(r record, coast *record, s situation) powercurve.Input {
	in := powercurve.Input{
		Cell:        s.cell,
		Calibration: s.calibration,
		Channels:    seriesOf(r.blocks),
		Correction:  correctionOf(r.pull, s.car),
		Pull:        r.pull.ID,
		SetUp:       setUpOf(r.pull),
	}
	if s.car != nil {
		in.Vehicle = powercurve.VehicleOf(*s.car)
		in.Band = refrun.BandPoints(s.car.BandLow, s.car.BandHigh)
	} else {
		in.Vehicle = powercurve.Vehicle{
			RotatingMass: r.pull.RotatingMass, CoastingMass: r.pull.CoastingMass,
			Turbocharged: r.pull.Charging == fleet.ChargingTurbo,
			Charged:      r.pull.Charging == fleet.ChargingTurbo || r.pull.Charging == fleet.ChargingMechanical,
		}
		if v := r.pull.Displacement; v != nil {
			in.Vehicle.Displacement = *v
		}
	}
	if coast != nil {
		in.CoastDown = seriesOf(coast.blocks)
	}
	return in
}

// reduce computes a pull. coast is its separate coast-down, or nil.
func reduce(r record, coast *record, s situation) reduced {
	in := inputOf(r, coast, s)
	out := reduced{pull: r.pull, then: s.cellThen}
	curve, err := powercurve.Reduce(in)
	if err == nil && s.from != nil {
		curve, in = carried(curve, in, s.from)
	}
	judge := finding.Input{Pull: in, Err: err, RampRate: r.pull.RampRate, Limits: finding.DefaultLimits()}
	if s.car != nil {
		judge.BandLow, judge.BandHigh, judge.RampRates = s.car.BandLow, s.car.BandHigh, s.car.RampRates
		rate := 0.0
		switch {
		case r.pull.RampRate != nil:
			rate = *r.pull.RampRate
		case err == nil:
			rate = finding.NearestRate(s.car.RampRates, curve.RampRate)
		}
		judge.Limits = judge.Limits.For(*s.car, rate)
	}
	if err != nil {
		out.err = err
	} else {
		out.curve = &curve
		judge.Curve = &curve
	}
	out.findings = finding.Judge(judge)
	return out
}

// lossPoints is at how many speeds a loss's uncertainty is looked at.
const lossPoints = 33

// parasitic is what an empty-roller coast-down says.
type parasitic struct {
	fit   coastdown.Fit
	speed float64 // m/s, where Delta is taken: the middle of the speeds seen
	delta float64 // N, measured less the loss in force
	u     float64 // N, expanded, k = 2
	uLoss float64 // N, the largest standard uncertainty over the speeds seen
	uMass float64 // kg, standard
}

// reduceEmpty measures the parasitic loss from an empty-roller coast-down and
// compares it with the one in force at the middle of the speeds seen. U combines
// what the coast-down says with that one's own uncertainty.
func reduceEmpty(r record, s situation) (parasitic, error) {
	fit, u, err := powercurve.Parasitic(s.cell, s.calibration, seriesOf(r.blocks))
	if err != nil {
		return parasitic{}, err
	}
	p := parasitic{fit: fit, speed: (fit.SpeedLow + fit.SpeedHigh) / 2, uMass: s.cell.U.BaseInertia}
	for i := range lossPoints {
		v := fit.SpeedLow + float64((fit.SpeedHigh-fit.SpeedLow)*float64(i)/(lossPoints-1))
		p.uLoss = max(p.uLoss, u(v))
	}
	p.delta = fit.At(p.speed) - s.cell.Parasitic.At(p.speed)
	p.u = 2 * math.Hypot(u(p.speed), s.cell.U.Parasitic)
	return p, nil
}
