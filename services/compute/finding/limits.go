package finding

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"rollcall/services/fleet"
)

// ErrLimit is returned for a limit that cannot be.
var ErrLimit = errors.New("finding: a limit cannot be used")

// limit returns the limit of a name; nil: there is none.
func (l *Limits) limit(name string) *Limit {
	for _, x := range l.named() {
		if x.name == name {
			return x.limit
		}
	}
	return nil
}

// namedLimit is a limit, its name in a registry or a configuration, and whether
// less of it is worse.
type namedLimit struct {
	name  string
	limit *Limit
	low   bool
}

// named lists the limits.
func (l *Limits) named() []namedLimit {
	return []namedLimit{
		{"ramp_rate", &l.RampRate, false}, {"gap_s", &l.Gap, false}, {"gap_elsewhere_s", &l.GapElsewhere, false},
		{"hold_s", &l.Hold, false}, {"impossible", &l.Impossible, false}, {"step_back_s", &l.StepBack, false},
		{"jitter", &l.Jitter, false}, {"spiking", &l.Spiking, false}, {"clipped_s", &l.Clipped, false},
		{"quantised", &l.Quantised, false}, {"gear_ratio", &l.GearRatio, false}, {"slip", &l.Slip, false}, {"roller_slip", &l.RollerSlip, false},
		{"roller_difference", &l.RollerDifference, false}, {"throttle_rad", &l.Throttle, false},
		{"knock_rad", &l.Knock, false}, {"intake_hot_k", &l.IntakeHot, false},
		{"intake_climbing_k", &l.IntakeClimbing, false}, {"brake_limit", &l.BrakeLimit, false},
		{"boost_low", &l.BoostLow, false}, {"enrichment", &l.Enrichment, false}, {"lambda_low", &l.LambdaLow, true},
		{"coolant_low_k", &l.Coolant.Low, true}, {"coolant_high_k", &l.Coolant.High, false},
		{"oil_low_k", &l.Oil.Low, true}, {"oil_high_k", &l.Oil.High, false}, {"air_disagrees", &l.AirDisagrees, false},
	}
}

// Names lists the names that With takes, in the order of the alphabet.
func Names() []string {
	var l Limits
	var out []string
	for _, x := range l.named() {
		out = append(out, x.name)
	}
	slices.Sort(out)
	return out
}

// With returns the limits with some replaced by name. An unknown name, a number
// that is none, and a limit that disqualifies before it notes give ErrLimit.
func (l Limits) With(own map[string]Limit) (Limits, error) {
	names := make([]string, 0, len(own))
	for name := range own {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		x := own[name]
		to := l.limit(name)
		if to == nil {
			return Limits{}, fmt.Errorf("%w: there is no limit %q; there are %s", ErrLimit, name, strings.Join(Names(), ", "))
		}
		*to = x
	}
	return l, l.Check()
}

// Check returns ErrLimit when a limit is not a number or disqualifies before it
// notes.
func (l Limits) Check() error {
	for _, x := range l.named() {
		note, bad := x.limit.Note, x.limit.Disqualify
		if x.low {
			note, bad = -note, -bad
		}
		if math.IsNaN(note) || math.IsNaN(bad) || math.IsInf(note, 0) || bad < note {
			return fmt.Errorf("%w: %s is noted from %g and disqualifies from %g; the second must be the worse of the two", ErrLimit, x.name, x.limit.Note, x.limit.Disqualify)
		}
	}
	return nil
}

// usualSweep is the sweep that DefaultLimits is argued for, s.
const usualSweep = 14.0

// For returns the limits for a car swept at a ramp rate, rad/s² engine side;
// 0: not said. The car's own limits, as its registry entry has them, replace the
// usual ones and are taken as they stand. What a sweep's length changes of the
// others is
//   - how much intake air may climb: heat soaks in with time, so in proportion to
//     the sweep's length, within half and twice the limit, and
//   - how long a gap in a channel of the curve may be: half of the local
//     polynomial's window, which is a fifteenth of the sweep and at least half a
//     second.
//
// Common practice, no source.
func (l Limits) For(car fleet.Car, rampRate float64) Limits {
	sweep := 0.0
	if rampRate > 0 {
		sweep = (car.BandHigh - car.BandLow) / rampRate
	}
	if sweep > 0 && !math.IsInf(sweep, 0) {
		share := math.Min(math.Max(sweep/usualSweep, 0.5), 2)
		l.IntakeClimbing.Note *= share
		l.IntakeClimbing.Disqualify *= share
		l.Gap.Disqualify = math.Max(l.Gap.Disqualify, math.Min(sweep/30, 1))
	}
	own := car.Limits
	for _, x := range []struct {
		to  *Limit
		own fleet.Limit
	}{
		{&l.RampRate, own.RampRate}, {&l.Slip, own.Slip}, {&l.RollerSlip, own.RollerSlip},
		{&l.RollerDifference, own.RollerDifference}, {&l.Throttle, own.Throttle}, {&l.Knock, own.Knock},
		{&l.IntakeHot, own.IntakeHot}, {&l.IntakeClimbing, own.IntakeClimbing}, {&l.BoostLow, own.BoostLow},
		{&l.Enrichment, own.Enrichment}, {&l.LambdaLow, own.LambdaLow},
		{&l.Coolant.Low, own.CoolantLow}, {&l.Coolant.High, own.CoolantHigh},
		{&l.Oil.Low, own.OilLow}, {&l.Oil.High, own.OilHigh},
	} {
		if x.own != (fleet.Limit{}) {
			*x.to = Limit(x.own)
		}
	}
	return l
}
