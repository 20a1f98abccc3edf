package finding

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

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
		j.gear()
		j.slip()
		j.rollers()
		j.throttle()
		j.knock()
		j.intake()
		j.brake()
		j.boost()
		j.enrichment()
		j.temperatures()
		j.air()
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

// JudgeBeside returns only what Judge says of a pull for the pulls around it: of
// Input.Air and, where no ramp rate was asked for, of Input.Compared. Of the curve
// Sweep, RampRate, Low and High are enough. In the order of Judge.
func JudgeBeside(in Input) []Finding {
	j := &judgement{Input: in, sweep: in.Curve.Sweep}
	if in.RampRate == nil {
		j.ramp()
	}
	j.air()
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

// because is measure for a finding whose size is not what the limit is of.
func (j *judgement) because(kind Kind, c fleet.Channel, span channel.Span, size float64, unit string, measured float64, limit Limit, text string) {
	if measured > limit.Note {
		j.add(Finding{
			Kind: kind, Channel: c, Start: span.Start, End: span.End, Size: size, Unit: unit,
			Disqualifying: measured > limit.Disqualify, Text: text,
		})
	}
}

// noteOnly is a limit that never disqualifies, unless the channel is one the
// curve is made of.
func noteOnly(limit Limit, c fleet.Channel) Limit {
	if !made[c] {
		limit.Disqualify = never
	}
	return limit
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
		s, err := j.risen(c)
		if err != nil {
			j.add(Finding{Kind: Unreadable, Channel: c, Unit: "1", Disqualifying: made[c],
				Text: fmt.Sprintf("%s cannot be read: %v. Look at the logger's clock and this channel's column.", nameOf(c), err)})
			continue
		}
		r := channel.RangeOf(c)
		part, step := s.Between(j.sweep), channel.UsualStep(s.T)
		j.good[c] = channel.Clean(s.Between(j.about(c, step)), r)
		limit := j.Limits.GapElsewhere
		if made[c] {
			limit = j.Limits.Gap
		}
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
		// A channel at its end is clipped, not stuck.
		clipped := follows[c] && q.IsClipped() && q.LongestHold.Start >= q.Clip.Start && q.LongestHold.End <= q.Clip.End
		if (made[c] || c == fleet.RollerSpeedRear) && j.Curve != nil && !clipped && q.LongestHold.Length() > 2*q.Step {
			j.measure(Stuck, c, q.LongestHold, q.LongestHold.Length(), "s", noteOnly(j.Limits.Hold, c), fmt.Sprintf(
				"%s reads exactly the same for %.2f s of the sweep; a live one never does. Look at the sensor and its wiring.", nameOf(c), q.LongestHold.Length()))
		}
		if j.Curve != nil {
			j.shape(c, q)
		}
	}
}

// about returns the time of which a channel's samples are looked at: the sweep
// with the neighbours of its ends, and of the rollers all, for the coast-down.
func (j *judgement) about(c fleet.Channel, step float64) channel.Span {
	if j.Curve == nil || c == fleet.RollerSpeed || c == fleet.RollerSpeedRear {
		return everywhere
	}
	return channel.Span{Start: j.sweep.Start - 1 - 2*step, End: j.sweep.End + 1 + 2*step}
}

// risen returns a channel with a time that rises, and says what had to be left
// out for it; the error is that of a channel that cannot be computed with.
func (j *judgement) risen(c fleet.Channel) (channel.Series, error) {
	s := j.Pull.Channels[c]
	err := channel.Check(s)
	if err == nil || !errors.Is(err, channel.ErrClock) {
		return s, err
	}
	tidy, dropped := channel.Tidy(s)
	if len(tidy.T) < 2 {
		return s, err
	}
	q := channel.Inspect(s, channel.Everything, never)
	span := channel.Span{Start: tidy.T[0], End: tidy.T[len(tidy.T)-1]}
	switch {
	case q.StepsBack > 0:
		j.measure(ClockFault, c, channel.Span{Start: math.Max(q.StepBack.Start, span.Start), End: math.Max(math.Min(q.StepBack.End, span.End), span.Start)},
			q.LargestBack, "s", noteOnly(j.Limits.StepBack, c), fmt.Sprintf(
				"%s has a clock that steps back %d times, by %.3g s at most; %d samples were left out. Let the logger run on a clock that is not set while it records.",
				nameOf(c), q.StepsBack, q.LargestBack, dropped))
	default:
		if q.Duplicates > 0 {
			span = q.Duplicate
		}
		j.add(Finding{Kind: ClockFault, Channel: c, Start: span.Start, End: span.End, Size: float64(dropped), Unit: "1", Text: fmt.Sprintf(
			"%s has %d samples at the time of the one before or at none; they were left out. Look at the logger's rate and its time column.", nameOf(c), dropped)})
	}
	return tidy, nil
}

// leastSpike is how far a sample must jump to be spoken of, as a ratio of the
// channel's greatest value: what a cable picks up is more, and the last digit of a
// coarse logger, or one sample of many on the edge of its noise, is less. Common
// practice, no source.
const leastSpike = 0.002

// shape looks for jitter, spikes, clipping and coarse steps of a channel in the
// sweep.
func (j *judgement) shape(c fleet.Channel, q channel.Quality) {
	si := fleet.Channels[c]
	if si == "" {
		si = "1"
	}
	whole := channel.Span{Start: q.First, End: q.Last}
	if made[c] && q.Step > 0 {
		j.because(ClockFault, c, whole, q.Jitter, "s", q.Jitter/q.Step, j.Limits.Jitter, fmt.Sprintf(
			"%s is sampled at times that scatter by %.2g s about an even clock of %.2g s. Stamp samples when they are taken, not when they arrive.", nameOf(c), q.Jitter, q.Step))
	}
	if most := math.Max(math.Abs(q.Low), math.Abs(q.High)); q.Spikes > 0 && math.Abs(q.WorstSpike) >= leastSpike*most {
		j.because(Spiking, c, q.Spike, math.Abs(q.WorstSpike), si, float64(q.Spikes)/float64(q.Good()), noteOnly(j.Limits.Spiking, c), fmt.Sprintf(
			"%s jumps away and back in %d of %d samples, by up to %s; such samples are left out while they are few. Look at the sensor's cable, its shield and its distance from the ignition.",
			nameOf(c), q.Spikes, q.Good(), step(q.WorstSpike, c)))
	}
	if follows[c] && q.IsClipped() {
		j.because(Clipped, c, q.Clip, q.Cut, si, q.Clip.Length(), noteOnly(j.Limits.Clipped, c), fmt.Sprintf(
			"%s stands at %s for %.2f s where it would have gone about %s further: the range of sensor, amplifier or logger ends there. Give it a wider range or a lower gain.",
			nameOf(c), shown(q.Clipped, c), q.Clip.Length(), step(q.Cut, c)))
	}
	if most := math.Max(math.Abs(q.Low), math.Abs(q.High)); made[c] && most > 0 {
		j.because(Quantised, c, whole, q.Quantum, si, q.Quantum/most, j.Limits.Quantised, fmt.Sprintf(
			"%s comes in steps of %s, %.1f %% of its greatest value. Let the logger write more digits.", nameOf(c), step(q.Quantum, c), 100*q.Quantum/most))
	}
}

// step writes a difference with the unit people use for it.
func step(x float64, c fleet.Channel) string {
	x = math.Abs(x)
	if fleet.Channels[c] == "K" {
		return fmt.Sprintf("%.3g K", x)
	}
	return shown(x, c)
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
	if q.Samples == 0 {
		return
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

// NearestRate returns the one of some ramp rates that a sweep's rate is nearest to
// by their ratio; 0 when none of them is positive.
func NearestRate(rates []float64, rate float64) float64 {
	best, least := 0.0, math.Inf(1)
	for _, r := range rates {
		if off := math.Abs(math.Log(rate / r)); r > 0 && off < least {
			best, least = r, off
		}
	}
	return best
}

// ramp compares the sweep's rate with the one asked for; where none was, with the
// nearest of those the car is swept at; where they are not said either, with the
// median of the pulls it is held beside.
func (j *judgement) ramp() {
	asked, whose := 0.0, "asked for"
	switch {
	case j.RampRate != nil:
		asked = *j.RampRate
	case NearestRate(j.RampRates, j.Curve.RampRate) > 0:
		asked, whose = NearestRate(j.RampRates, j.Curve.RampRate), "that is the nearest of the car's ramp rates, none having been asked for"
	case len(j.Compared) > 0:
		others := slices.Sorted(slices.Values(j.Compared))
		asked, whose = others[len(others)/2], "of the pulls it is compared with"
	}
	if !(asked > 0) {
		return
	}
	off := j.Curve.RampRate/asked - 1
	word := "faster"
	if off < 0 {
		word = "slower"
	}
	swept := j.Curve.High - j.Curve.Low
	j.measure(RampRate, "", j.sweep, math.Abs(off), "1", j.Limits.RampRate, fmt.Sprintf(
		"The sweep ran at %.0f rpm/s, %.0f %% %s than the %.0f rpm/s %s: it took %.1f s where %.1f s are meant, and heat, boost and tyres are not the same. Set the ramp again and repeat the pull.",
		j.Curve.RampRate/rpm, 100*math.Abs(off), word, asked/rpm, whose, swept/j.Curve.RampRate, swept/asked))
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

// gear holds the engine-to-roller ratio against the registry's gear ratio and
// tyre radius, where the engine speed is logged: a speed read in the wrong unit,
// another gear or another car shows in it.
func (j *judgement) gear() {
	v := j.Pull.Vehicle
	if !j.Curve.EngineSpeedLogged || !(v.GearRatio > 0) || !(v.TyreRadius > 0) || len(j.Curve.Points) < 5 {
		return
	}
	ratios := make([]float64, 0, len(j.Curve.Points))
	for _, p := range j.Curve.Points {
		if !(p.Speed > 0) {
			return
		}
		ratios = append(ratios, p.EngineSpeed/p.Speed*v.TyreRadius/v.GearRatio)
	}
	slices.Sort(ratios)
	off := ratios[len(ratios)/2] - 1
	j.measure(GearRatio, fleet.RollerSpeed, j.sweep, math.Abs(off), "1", j.Limits.GearRatio, fmt.Sprintf(
		"Engine speed over roller speed is %.3g times that of the car's gear ratio and tyre radius in the registry. Check the unit of the speed column, the gear, that this is the car named, and its registry entry.",
		1+off))
}

// rollers compares front and rear roller. The curve is made of the front one,
// which has the brake and the load cell (fleet.RollerSpeed). What they differ by
// without load is their link or their diameters. What they differ by more under
// load is slip: linked rollers cannot part, and of two that are not linked the
// free one turns with the tyre, fast, while the braked one turns as fast as the
// tyre still drives it.
//
// Without load is the coast-down, where it is in the same record; else the
// lowest third of the load cell's readings in the sweep stands for it, and only
// slip that grows from there to the highest third is seen.
func (j *judgement) rollers() {
	rear, front, load := j.steady(fleet.RollerSpeedRear), j.steady(fleet.RollerSpeed), j.steady(fleet.LoadCellForce)
	type pair struct{ load, difference, at float64 }
	pairs := make([]pair, 0, len(rear.T))
	for i, t := range rear.T {
		v, ok := front.At(t)
		x, ok2 := load.At(t)
		if ok && ok2 && v > 0 {
			pairs = append(pairs, pair{math.Abs(x), rear.X[i]/v - 1, t})
		}
	}
	if len(pairs) == 0 {
		return
	}
	mean := func(of []pair) float64 {
		sum := 0.0
		for _, p := range of {
			sum += p.difference
		}
		return sum / float64(len(of))
	}
	all := mean(pairs)
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(a.load, b.load) })
	third := (len(pairs) + 2) / 3
	free, high := mean(pairs[:third]), mean(pairs[len(pairs)-third:])
	if d, ok := j.rolling(); ok {
		free = d
	}
	slip := high - free
	if math.Abs(all-free) > math.Abs(slip) {
		slip = all - free
	}
	if math.Abs(slip) > j.Limits.RollerSlip.Note {
		span := j.sweep
		from, to := math.Inf(1), math.Inf(-1)
		for _, p := range pairs {
			if math.Abs(p.difference-free) > math.Abs(slip)/2 {
				from, to = math.Min(from, p.at), math.Max(to, p.at)
			}
		}
		if to >= from {
			span = channel.Span{Start: from, End: to}
		}
		word := "faster"
		if slip < 0 {
			word = "slower"
		}
		j.measure(Slip, fleet.RollerSpeedRear, span, math.Abs(slip), "1", j.Limits.RollerSlip, fmt.Sprintf(
			"Under load the rear roller turns %.1f %% %s than the front one beyond what it does without: the rollers are not linked and the tyre slips on one of them. The curve is made of the front roller's speed; the other's would read power that much off. Link the rollers, check tyre pressure and strapping.",
			100*math.Abs(slip), word))
		all = free // the rest is no slip
	}
	size := math.Abs(all)
	j.measure(RollerDifference, fleet.RollerSpeedRear, j.sweep, size, "1", j.Limits.RollerDifference, fmt.Sprintf(
		"Front and rear rollers differ by %.1f %% in speed without load too: the tyre drives one of them only, their link slips, or one has another diameter than the logger was told. The curve is made of the front one. Check the link and where the car stands.", 100*size))
}

// rolling returns the mean difference of the rollers in the coast-down.
func (j *judgement) rolling() (float64, bool) {
	if j.Curve.CoastDown == nil || j.Pull.CoastDown != nil {
		return 0, false
	}
	rear := channel.Thin(j.good[fleet.RollerSpeedRear].Between(*j.Curve.CoastDown), steadyStep)
	front := channel.Thin(j.good[fleet.RollerSpeed].Between(*j.Curve.CoastDown), steadyStep)
	sum, n := 0.0, 0
	for i, t := range rear.T {
		if v, ok := front.At(t); ok && v > 0 {
			sum += rear.X[i]/v - 1
			n++
		}
	}
	const fewest = 10
	if n < fewest {
		return 0, false
	}
	return sum / float64(n), true
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

// How enrichment is looked for: its level is the median of lambda in this part
// of the sweep, after the mixture has settled and before anything is hot.
const (
	levelFrom = 0.1
	levelTo   = 0.4
	// leanest is the level above which the engine is not spark ignition at full
	// load, and its lambda says nothing of protection.
	leanest = 1.15
)

// enrichment looks for a mixture that gets richer, than it was or than is any
// good, while boost or a temperature rises: fuel that cools the exhaust valves
// and the turbine, not the engine's own best.
func (j *judgement) enrichment() {
	s := j.steady(fleet.Lambda)
	at := func(share float64) float64 { return j.sweep.Start + share*j.sweep.Length() }
	early := slices.Sorted(slices.Values(s.Between(channel.Span{Start: at(levelFrom), End: at(levelTo)}).X))
	later := s.Between(channel.Span{Start: at(levelTo), End: j.sweep.End})
	if len(early) == 0 || len(later.T) == 0 {
		return
	}
	level := early[len(early)/2]
	if !(level > 0) || level > leanest {
		return
	}
	limit := j.Limits.Enrichment
	richest := j.Limits.LambdaLow
	fell := true
	span, size := longest(later, func(i int) (float64, bool) {
		fall := 1 - later.X[i]/level
		return fall, fall > limit.Note
	})
	if span.Length() < j.Limits.Lasting {
		span, size = longest(s, func(i int) (float64, bool) { return richest.Note - s.X[i], s.X[i] < richest.Note })
		limit, fell = Limit{0, richest.Note - richest.Disqualify}, false
		if span.Length() < j.Limits.Lasting {
			return
		}
	}
	with, ok := j.rises(at(levelFrom), span)
	if !ok {
		return
	}
	text := fmt.Sprintf("Lambda is down to %.3f, below the %.3f under which an engine does not give its best%s. Look at fuelling, charge cooling and exhaust temperature.",
		richest.Note-size, richest.Note, with)
	if fell {
		text = fmt.Sprintf("Lambda falls %.1f %% below the %.3f it had earlier in the sweep%s: fuel is given to cool valves, turbine or catalyst, and power goes with it. Let the engine cool, give it more air and look at charge cooling and exhaust temperature.",
			100*size, level, with)
	}
	j.measure(Enrichment, fleet.Lambda, span, size, "1", limit, text)
}

// rises says which of boost and temperatures are higher in span than at the
// time from, as a part of a sentence; false: some are logged, and none is. Where
// none is logged it cannot be told, and is not held against the finding.
func (j *judgement) rises(from float64, span channel.Span) (string, bool) {
	logged := false
	for _, x := range []struct {
		c    fleet.Channel
		rise func(before, now float64) bool
		word string
	}{
		{fleet.Boost, func(before, now float64) bool { return now > 1.02*before }, "boost"},
		{fleet.IntakeAirTemperature, func(before, now float64) bool { return now > before+2 }, "intake air temperature"},
		{fleet.CoolantTemperature, func(before, now float64) bool { return now > before+1 }, "coolant temperature"},
		{fleet.OilTemperature, func(before, now float64) bool { return now > before+1 }, "oil temperature"},
	} {
		s := j.steady(x.c)
		before, ok := nearest(s, from)
		now, ok2 := nearest(s, span.End)
		if !ok || !ok2 {
			continue
		}
		logged = true
		if x.rise(before, now) {
			return " while " + x.word + " rises", true
		}
	}
	return "", !logged
}

// nearest returns the sample of s closest in time.
func nearest(s channel.Series, t float64) (float64, bool) {
	if len(s.T) == 0 {
		return 0, false
	}
	i, _ := slices.BinarySearch(s.T, t)
	if i == len(s.T) || i > 0 && t-s.T[i-1] < s.T[i]-t {
		i--
	}
	return s.X[i], true
}

// temperatures holds coolant and oil against their bands.
func (j *judgement) temperatures() {
	for _, x := range []struct {
		c    fleet.Channel
		band Within
		what string
	}{{fleet.CoolantTemperature, j.Limits.Coolant, "coolant"}, {fleet.OilTemperature, j.Limits.Oil, "oil"}} {
		s := j.steady(x.c)
		if len(s.X) == 0 {
			continue
		}
		low, high := slices.Min(s.X), slices.Max(s.X)
		j.because(EngineCold, x.c, j.sweep, x.band.Low.Note-low, "K", -low, Limit{-x.band.Low.Note, -x.band.Low.Disqualify}, fmt.Sprintf(
			"The %s is at %.0f °C, %.0f K below %.0f °C: friction takes power that a warm engine gives. Warm it up before the pull.", x.what, low-273.15, x.band.Low.Note-low, x.band.Low.Note-273.15))
		j.because(EngineHot, x.c, j.sweep, high-x.band.High.Note, "K", high, x.band.High, fmt.Sprintf(
			"The %s reaches %.0f °C, %.0f K above %.0f °C: the engine may be held back, and is at risk. Let it cool and look at the fan, the level and the cooler.", x.what, high-273.15, high-x.band.High.Note, x.band.High.Note-273.15))
	}
}

// air says when the cell's air is out of line with the site's other cells.
func (j *judgement) air() {
	if j.Air == nil || j.Air.Others < 1 {
		return
	}
	off, word := math.Abs(j.Air.Delta), "up"
	if j.Air.Delta < 0 {
		word = "down"
	}
	cells, most := "another cell", ""
	if j.Air.Others > 1 {
		cells = fmt.Sprintf("%d other cells", j.Air.Others)
	}
	if j.Air.Channel != "" {
		most = ", most of it by " + strings.ToLower(nameOf(j.Air.Channel))
	}
	j.because(AirDisagrees, j.Air.Channel, j.sweep, off, "1", off-j.Air.U, j.Limits.AirDisagrees, fmt.Sprintf(
		"The cell's air readings move the corrected figures %s by %.2f %% (± %.2f %%, k = 2) against those of %s of the site%s. Hold barometer, thermometer and hygrometer beside those of another cell.",
		word, 100*off, 100*j.Air.U, cells, most))
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
