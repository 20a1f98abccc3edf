package finding

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/channel"
	"rollcall/services/fleet"
)

// rpm is one revolution per minute, rad/s.
const rpm = 2 * math.Pi / 60

// judgement is a pull while it is being judged.
type judgement struct {
	Input
	sweep channel.Span // everything when there is no curve
	good  map[fleet.Channel]channel.Series
	out   []Finding
}

// Judge returns what is to be said of a pull, in the order of time, then kind,
// then channel. Without a curve only the channels themselves are looked at, and
// the reason there is none is the first finding.
func Judge(in Input) []Finding {
	j := &judgement{Input: in, sweep: everywhere, good: make(map[fleet.Channel]channel.Series, len(in.Pull.Channels))}
	if in.Curve != nil {
		j.sweep = in.Curve.Sweep
	}
	j.channels()
	if in.Curve != nil {
		j.ramp()
		j.band()
		j.slip()
		j.rollers()
		j.throttle()
		j.knock()
		j.intake()
		j.brake()
		j.boost()
		j.statements()
	} else {
		text := "The pull cannot be computed."
		if in.Err != nil {
			text = fmt.Sprintf("The pull cannot be computed: %v.", in.Err)
		}
		j.add(Finding{Kind: Unreadable, Unit: "1", Disqualifying: true, Text: text})
	}
	slices.SortStableFunc(j.out, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Start, b.Start), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Channel, b.Channel))
	})
	return j.out
}

// add keeps a finding whose numbers are numbers.
func (j *judgement) add(f Finding) {
	if f.Size-f.Size == 0 && f.Start-f.Start == 0 && f.End-f.End == 0 {
		j.out = append(j.out, f)
	}
}

// measure adds a finding over span when size passes the limit's note.
func (j *judgement) measure(kind Kind, c fleet.Channel, span channel.Span, size float64, unit string, limit Limit, text string) {
	if size > limit.Note {
		j.add(Finding{
			Kind: kind, Channel: c, Start: span.Start, End: span.End, Size: size, Unit: unit,
			Disqualifying: size > limit.Disqualify, Text: text,
		})
	}
}

// during returns the good samples of a channel in the sweep.
func (j *judgement) during(c fleet.Channel) channel.Series { return j.good[c].Between(j.sweep) }

// steadyStep is the time over which a channel is averaged before it is held
// against a limit, so that one noisy sample neither makes nor breaks a finding, s.
const steadyStep = 0.1

// steady is during, averaged over steadyStep.
func (j *judgement) steady(c fleet.Channel) channel.Series {
	return channel.Thin(j.during(c), steadyStep)
}

// gapSteps is how many usual steps a gap has at least: a slow channel's own
// step is none.
const gapSteps = 3

// channels looks at each channel by itself.
func (j *judgement) channels() {
	order := make([]fleet.Channel, 0, len(j.Pull.Channels))
	for c := range j.Pull.Channels {
		order = append(order, c)
	}
	slices.Sort(order)
	for _, c := range order {
		s := j.Pull.Channels[c]
		if err := channel.Check(s); err != nil {
			j.add(Finding{Kind: Unreadable, Channel: c, Unit: "1", Disqualifying: made[c],
				Text: fmt.Sprintf("%s cannot be read: %v. Look at the logger's clock and this channel's column.", nameOf(c), err)})
			continue
		}
		r := channel.RangeOf(c)
		j.good[c] = channel.Clean(s, r)
		limit := j.Limits.GapElsewhere
		if made[c] {
			limit = j.Limits.Gap
		}
		part, step := s.Between(j.sweep), channel.UsualStep(s.T)
		q := channel.Inspect(part, r, math.Max(limit.Note, gapSteps*step))
		j.impossible(c, s, q, r)
		gap := q.LongestGap
		if j.Curve != nil && len(part.T) > 0 {
			gap = j.edgeGap(q)
		}
		if gap.Length() > gapSteps*step {
			j.measure(Gap, c, gap, gap.Length(), "s", limit, fmt.Sprintf(
				"%s has no samples that can be used for %.2f s. Look at the sensor's plug and the logger, then pull again.", nameOf(c), gap.Length()))
		}
		// A hold by the second, not by the step: two samples are no hold.
		if made[c] && j.Curve != nil && q.LongestHold.Length() > 2*q.Step {
			j.measure(Stuck, c, q.LongestHold, q.LongestHold.Length(), "s", j.Limits.Hold, fmt.Sprintf(
				"%s reads exactly the same for %.2f s of the sweep; a live one never does. Look at the sensor and its wiring.", nameOf(c), q.LongestHold.Length()))
		}
	}
}

// edgeGap returns the longest of gap and the times from the sweep's ends to the
// first and last good sample; the whole sweep when there is none.
func (j *judgement) edgeGap(q channel.Quality) channel.Span {
	if q.Good() == 0 {
		return j.sweep
	}
	gap := q.LongestGap
	for _, s := range [2]channel.Span{{Start: j.sweep.Start, End: q.First}, {Start: q.Last, End: j.sweep.End}} {
		if s.Length() > gap.Length() {
			gap = s
		}
	}
	return gap
}

// impossible looks for values outside a channel's range: in the sweep where
// there is one with samples, else in the record.
func (j *judgement) impossible(c fleet.Channel, s channel.Series, q channel.Quality, r channel.Range) {
	if q.Samples == 0 {
		q = channel.Inspect(s, r, never)
	}
	if q.Outside == 0 {
		return
	}
	share := float64(q.Outside) / float64(q.Samples)
	limit := j.Limits.Impossible
	if !made[c] {
		limit.Disqualify = never
	}
	j.measure(Impossible, c, q.FirstBad, share, "1", limit, fmt.Sprintf(
		"%s reads %s, which cannot be, in %d of %d samples; they were left out. Look at the unit in the column map, then at the sensor.",
		nameOf(c), shown(q.WorstBad, c), q.Outside, q.Samples))
}

// shown writes a value with the unit people use for it.
func shown(x float64, c fleet.Channel) string {
	if c == fleet.EngineSpeed {
		return fmt.Sprintf("%.4g rpm", x/rpm)
	}
	switch unit := fleet.Channels[c]; unit {
	case "", "1":
		return fmt.Sprintf("%.4g", x)
	case "K":
		return fmt.Sprintf("%.4g °C", x-273.15)
	default:
		return fmt.Sprintf("%.4g %s", x, unit)
	}
}

// ramp compares the sweep's rate with the one asked for.
func (j *judgement) ramp() {
	if j.RampRate == nil || !(*j.RampRate > 0) {
		return
	}
	off := j.Curve.RampRate / *j.RampRate - 1
	word := "faster"
	if off < 0 {
		word = "slower"
	}
	j.measure(RampRate, "", j.sweep, math.Abs(off), "1", j.Limits.RampRate, fmt.Sprintf(
		"The sweep ran at %.0f rpm/s, %.0f %% %s than the %.0f rpm/s asked for. Set the ramp again and repeat the pull.",
		j.Curve.RampRate/rpm, 100*math.Abs(off), word, *j.RampRate/rpm))
}

// bandParts is how many parts of the band a sweep must not miss half of: the
// intervals of refrun's band points.
const bandParts = 12

// band looks for parts of the band the sweep leaves out.
func (j *judgement) band() {
	if !(j.BandHigh > j.BandLow) {
		return
	}
	slack := (j.BandHigh - j.BandLow) / bandParts / 2
	missing := math.Max(0, j.Curve.Low-j.BandLow-slack) + math.Max(0, j.BandHigh-slack-j.Curve.High)
	j.measure(BandNotCovered, "", j.sweep, missing, "rad/s", Limit{}, fmt.Sprintf(
		"The sweep under full load covers %.0f to %.0f rpm of the band %.0f to %.0f rpm. Pedal down earlier, lift later.",
		j.Curve.Low/rpm, j.Curve.High/rpm, j.BandLow/rpm, j.BandHigh/rpm))
}

// slip compares the engine-to-roller ratio over the curve with its lowest
// tenth: slip only ever raises it, and with load.
func (j *judgement) slip() {
	if !j.Curve.EngineSpeedLogged {
		return
	}
	points := j.Curve.Points
	ratios := make([]float64, 0, len(points))
	worst, at := 0.0, 0
	for i, p := range points {
		if !(p.Speed > 0) {
			return
		}
		q := p.EngineSpeed / p.Speed
		ratios = append(ratios, q)
		if q > worst {
			worst, at = q, i
		}
	}
	if len(ratios) < 5 {
		return
	}
	slices.Sort(ratios)
	size := worst/ratios[len(ratios)/10] - 1
	p := points[at]
	j.measure(Slip, fleet.EngineSpeed, channel.Span{Start: p.Time, End: p.Time}, size, "1", j.Limits.Slip, fmt.Sprintf(
		"Engine speed rises %.1f %% against roller speed, most at %.0f rpm and %.0f N: the tyres slip, or clutch or converter does. Check tyre pressure and strapping, let the tyres cool, stay in a locked gear.",
		100*size, p.EngineSpeed/rpm, p.TractiveForce))
}

// rollers compares front and rear roller.
func (j *judgement) rollers() {
	rear, front := j.steady(fleet.RollerSpeedRear), j.steady(fleet.RollerSpeed)
	sum, n := 0.0, 0
	for i, t := range rear.T {
		if v, ok := front.At(t); ok && v > 0 {
			sum += rear.X[i]/v - 1
			n++
		}
	}
	if n == 0 {
		return
	}
	size := math.Abs(sum / float64(n))
	j.measure(RollerDifference, fleet.RollerSpeedRear, j.sweep, size, "1", j.Limits.RollerDifference, fmt.Sprintf(
		"Front and rear rollers differ by %.1f %% in speed: the tyre drives one of them only, or their link slips. Check the link and where the car stands.", 100*size))
}

// longest returns the longest stretch of s with is true, and the greatest size
// in it, where is gets the index and returns the size.
func longest(s channel.Series, is func(i int) (float64, bool)) (span channel.Span, most float64) {
	from, size := -1, 0.0
	for i := range s.T {
		x, ok := is(i)
		if !ok {
			from = -1
			continue
		}
		if from < 0 {
			from, size = i, 0
		}
		size = math.Max(size, x)
		if s.T[i]-s.T[from] > span.Length() {
			span, most = channel.Span{Start: s.T[from], End: s.T[i]}, size
		}
	}
	return span, most
}

// pedalDown is the share of its greatest value at which the pedal is down.
const pedalDown = 0.9

// throttle looks for a throttle that closes while the pedal stays down.
func (j *judgement) throttle() {
	throttle, pedal := j.steady(fleet.ThrottleAngle), j.good[fleet.Pedal]
	if len(throttle.T) == 0 || len(pedal.T) == 0 {
		return
	}
	most, open := 0.0, 0.0
	for _, x := range pedal.Between(j.sweep).X {
		most = math.Max(most, x)
	}
	span, size := longest(throttle, func(i int) (float64, bool) {
		open = math.Max(open, throttle.X[i])
		p, ok := pedal.At(throttle.T[i])
		closed := open - throttle.X[i]
		return closed, ok && p >= pedalDown*most && closed > j.Limits.Throttle.Note
	})
	if span.Length() >= j.Limits.Lasting {
		j.measure(ThrottleClosing, fleet.ThrottleAngle, span, size, "rad", j.Limits.Throttle, fmt.Sprintf(
			"The throttle closes by %.0f° with the pedal down: the engine controller cuts torque. Look for a torque limit, traction control or a fault code.", size/degree))
	}
}

// knock looks for lasting knock retard, of either sign.
func (j *judgement) knock() {
	s := j.steady(fleet.KnockRetard)
	span, size := longest(s, func(i int) (float64, bool) {
		x := math.Abs(s.X[i])
		return x, x > j.Limits.Knock.Note
	})
	if span.Length() >= j.Limits.Lasting {
		j.measure(Knock, fleet.KnockRetard, span, size, "rad", j.Limits.Knock, fmt.Sprintf(
			"Ignition is retarded by up to %.1f° for knock: the engine gives less than it can. Check the fuel, let the engine and intake cool.", size/degree))
	}
}

// intake compares intake air with cell air, and its end with its beginning.
func (j *judgement) intake() {
	s := j.during(fleet.IntakeAirTemperature)
	if len(s.T) == 0 {
		return
	}
	mean, _ := channel.Mean(s)
	if j.Curve.Air != nil {
		above := mean - j.Curve.Air.Temperature
		j.measure(IntakeHot, fleet.IntakeAirTemperature, j.sweep, above, "K", j.Limits.IntakeHot, fmt.Sprintf(
			"Intake air is %.0f K above cell air. Point the fan at the intake and let the engine bay cool before the next pull.", above))
	}
	n := max(1, len(s.X)/10)
	first, _ := channel.Mean(channel.Series{T: s.T[:n], X: s.X[:n]})
	last, _ := channel.Mean(channel.Series{T: s.T[len(s.T)-n:], X: s.X[len(s.X)-n:]})
	j.measure(IntakeClimbing, fleet.IntakeAirTemperature, j.sweep, last-first, "K", j.Limits.IntakeClimbing, fmt.Sprintf(
		"Intake air climbs by %.0f K in the sweep. Let it cool between pulls and give it more air.", last-first))
}

// brake looks for a brake, or a load cell, at the most it can.
func (j *judgement) brake() {
	cell := j.Pull.Cell
	s := j.steady(fleet.LoadCellForce)
	kappa := cell.LeverArm * cell.BrakeRatio / cell.RollerRadius
	for _, x := range []struct {
		most float64
		per  float64
		text string
	}{
		{cell.BrakeLimit, kappa, "The brake is at %.0f %% of what it can hold: it no longer keeps the ramp. Use a higher gear or a faster ramp."},
		{cell.LoadCellRange, 1, "The load cell is at %.0f %% of its range. Use a higher gear or a faster ramp; do not trust its zero until it is checked."},
	} {
		if !(x.most > 0) {
			continue
		}
		span, size := longest(s, func(i int) (float64, bool) {
			share := math.Abs(j.Pull.Calibration.Force(s.X[i])) * x.per / x.most
			return share, share > j.Limits.BrakeLimit.Note
		})
		if span.Length() >= j.Limits.Lasting {
			j.measure(BrakeLimit, fleet.LoadCellForce, span, size, "1", j.Limits.BrakeLimit, fmt.Sprintf(x.text, 100*size))
		}
	}
}

// boost looks for boost that stays under its set point after it has had half of
// the sweep to build up.
func (j *judgement) boost() {
	half := channel.Span{Start: (j.sweep.Start + j.sweep.End) / 2, End: j.sweep.End}
	s, set := channel.Thin(j.good[fleet.Boost].Between(half), steadyStep), j.good[fleet.BoostSetPoint]
	span, size := longest(s, func(i int) (float64, bool) {
		want, ok := set.At(s.T[i])
		if !ok || !(want > 0) {
			return 0, false
		}
		under := 1 - s.X[i]/want
		return under, under > j.Limits.BoostLow.Note
	})
	if span.Length() >= j.Limits.Lasting {
		j.measure(BoostLow, fleet.Boost, span, size, "1", j.Limits.BoostLow, fmt.Sprintf(
			"Boost stays up to %.1f %% under its set point. Look for a leak, a full bypass or a limit of the engine controller.", 100*size))
	}
}

// statements passes on what the curve could not state.
func (j *judgement) statements() {
	c := j.Curve
	whole := Finding{Start: j.sweep.Start, End: j.sweep.End, Unit: "1", Size: 1}
	say := func(kind Kind, text string, disqualifying bool) {
		f := whole
		f.Kind, f.Text, f.Disqualifying = kind, text, disqualifying
		j.add(f)
	}
	if c.NoEnginePower != "" {
		say(NoCoastDown, "Engine power is not stated: "+c.NoEnginePower+".", false)
	}
	if c.LossNote != "" {
		say(CoastDownShort, "E"+c.LossNote[1:]+".", false)
	}
	switch {
	case c.Correction == nil:
		say(NotCorrected, "The pull is "+c.CorrectionNote+".", true)
	case !c.Correction.InRange:
		whole.Size = c.Correction.Factor
		say(OutsideStandard, fmt.Sprintf("The correction factor %.4f is outside what its standard allows: %s.", c.Correction.Factor, c.Correction.Note), false)
	}
}

// Disqualified returns the sentence of the first disqualifying finding, and
// whether there is one.
func Disqualified(findings []Finding) (string, bool) {
	for _, f := range findings {
		if f.Disqualifying {
			return f.Text, true
		}
	}
	return "", false
}
