package loadcell

import (
	"fmt"
	"math"
	"slices"

	"rollcall/services/fleet"
)

// loaded reports whether a reading is under load.
func loaded(r fleet.Reading) bool {
	return len(r.Masses) > 0 || r.Simulated != nil && *r.Simulated != 0 || r.Reference != nil && *r.Reference != 0
}

// senses judges a check in which the load cell was pulled and pushed: each sense
// by itself. The sense that drives is the one whose readings are positive; the
// other's are negative in the indicator. done is false when there is one sense.
func senses(in Input) (r Result, done bool) {
	sum := map[fleet.Sense]float64{}
	for _, reading := range in.Check.Readings {
		if reading.Preload || !loaded(reading) || reading.Force == nil || !finite(*reading.Force) {
			continue
		}
		sum[reading.Sense] += *reading.Force
	}
	_, pulled := sum[fleet.Tension]
	_, pushed := sum[fleet.Compression]
	if !pulled || !pushed {
		return Result{}, false
	}
	unusable := func(format string, args ...any) (Result, bool) {
		return Result{Verdict: fleet.VerdictUnusable, Reason: fmt.Sprintf(format, args...)}, true
	}
	if _, unsaid := sum[fleet.SenseUnsaid]; unsaid {
		return unusable("some loaded readings say tension or compression and some say neither: say the sense of each, or of none")
	}
	driving, other := fleet.Tension, fleet.Compression
	switch {
	case sum[driving] > 0 && sum[other] < 0:
	case sum[driving] < 0 && sum[other] > 0:
		driving, other = other, driving
	default:
		return unusable("the readings in tension and in compression have the same sign: an indicator shows the sense in which a car drives as positive and the other as negative; enter the sign it showed")
	}
	main, mainAt := pick(in, func(r fleet.Reading) bool {
		return r.Sense == driving || r.Sense == fleet.SenseUnsaid && !loaded(r)
	})
	unloaded := slices.ContainsFunc(in.Check.Readings, func(r fleet.Reading) bool { return r.Sense == other && !loaded(r) && !r.Preload })
	side, sideAt := pick(in, func(r fleet.Reading) bool {
		return r.Sense == other || !unloaded && !loaded(r)
	})
	side.Earlier, side.InForce = nil, in.InForce.mirrored()
	for i, r := range side.Check.Readings {
		if r.Force != nil {
			x := -*r.Force
			side.Check.Readings[i].Force = &x
		}
		for _, p := range []**float64{&side.Check.Readings[i].Simulated, &side.Check.Readings[i].Reference} {
			if *p != nil {
				x := math.Abs(**p)
				*p = &x
			}
		}
	}
	r = assess(main, mainAt)
	s := assess(side, sideAt)
	if r.Verdict == fleet.VerdictUnusable {
		return r, true
	}
	if s.Verdict == fleet.VerdictUnusable {
		r.Verdict, r.Reason = fleet.VerdictUnusable, fmt.Sprintf("in %s: %s", other, s.Reason)
		return Result{Verdict: r.Verdict, Reason: r.Reason, Notes: r.Notes, Findings: r.Findings}, true
	}
	// The other sense gives no calibration of its own, and its zero has the
	// indicator's sign turned.
	s.AsLeft, s.AsLeftValid = Calibration{}, false
	was := Sense{Sense: driving, Driving: true}
	was.Result = r
	with := Sense{Sense: other, Result: s}
	if a, ok := s.Get(GainError); ok {
		if b, ok := r.Get(GainError); ok {
			j := judge{}
			with.GainDifference = a.Value - b.Value
			j.state(SenseDifference, "1", with.GainDifference, difference(a.Budget, b.Budget, ", "+driving.String()), fmt.Sprintf("%s less %s", other, driving))
			if len(j.result.Stated) == 1 {
				with.UGainDifference = j.result.Stated[0].U
				r.Stated = append(slices.Clip(r.Stated), j.result.Stated[0])
			}
		}
	}
	r.Senses = []Sense{was, with}
	r.Reason += fmt.Sprintf("; judged in %s, in %s the gain error is %s %%", driving, other, within(100*s.GainError, 100*s.UGainError))
	return r, true
}

// pick returns the input with the readings that keep says, and their indices.
func pick(in Input, keep func(fleet.Reading) bool) (Input, []int) {
	var readings []fleet.Reading
	var at []int
	for i, r := range in.Check.Readings {
		if keep(r) {
			readings, at = append(readings, r), append(at, i)
		}
	}
	in.Check.Readings = readings
	return in, at
}
