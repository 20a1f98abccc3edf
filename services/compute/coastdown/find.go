package coastdown

import (
	"fmt"
	"math"

	"rollcall/services/compute/channel"
)

// How Find tells coasting from the rest. Common practice, no source: a loss
// force falls with speed, so that a car that coasts slows less and less; what
// slows it suddenly more is a foot on the brake or a gear going in.
const (
	findStep     = 0.05 // s, blocks the slope is taken from
	findWindow   = 1.0  // s, its window
	endGuard     = 0.5  // s cut off at the end, where the window has seen what follows
	slowest      = 2.0  // m/s; below, tyres and encoders are at their worst
	slowingMore  = 1.4  // ratio to the second before
	slowingSlack = 0.2  // m/s², so that noise and ripple on a gentle coast-down do not end it
)

// Find returns the span, from time from on, over which the rollers coast: speed
// falls steadily, and free (nil: always) says nothing but losses acts at that
// time. Of several such spans it is the longest. A span ends where the speed
// stops falling, falls suddenly faster, gets under 2 m/s, or free ends.
//
// from must be after the change of slope at lift-off. It returns ErrShort when
// there is no such span, or an error of channel.Check.
func Find(speed channel.Series, from float64, free func(t float64) bool) (channel.Span, error) {
	if err := channel.Check(speed); err != nil {
		return channel.Span{}, fmt.Errorf("read speed of coast-down: %w", err)
	}
	rest := channel.Thin(channel.Clean(speed.Between(channel.Span{Start: from, End: math.Inf(1)}), channel.Everything), findStep)
	var smooth channel.Smoothed
	if err := channel.Smooth(&smooth, rest, channel.Window{Length: findWindow, Order: 2}); err != nil {
		return channel.Span{}, fmt.Errorf("%w: %d samples after %.2f s", ErrShort, len(rest.T), from)
	}
	best, first := [2]int{-1, -1}, -1
	recent := 0.0 // m/s², deceleration over about the second before
	for i, t := range smooth.T {
		slowing := -smooth.Slope[i]
		good := slowing > 0 && smooth.Value[i] > slowest && (free == nil || free(t))
		switch {
		case !good:
			first = -1
			continue
		case first < 0 || slowing > slowingMore*recent+slowingSlack:
			first, recent = i, slowing
		default:
			recent += math.Min(1, t-smooth.T[i-1]) * (slowing - recent)
		}
		if best[0] < 0 || t-smooth.T[first] > smooth.T[best[1]]-smooth.T[best[0]] {
			best = [2]int{first, i}
		}
	}
	if best[0] < 0 {
		return channel.Span{}, fmt.Errorf("%w: the speed does not fall freely after %.2f s", ErrShort, from)
	}
	first, last := best[0], best[1]
	span := channel.Span{Start: smooth.T[first], End: smooth.T[last]}
	if last < len(smooth.T)-1 {
		span.End -= endGuard
	}
	if !(span.End > span.Start) {
		return channel.Span{}, fmt.Errorf("%w: the rollers coast for less than %.1f s", ErrShort, endGuard)
	}
	return span, nil
}
