package fleetstate

import (
	"fmt"
	"math"
	"time"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Forecast is when a cell's offset will leave the tolerance.
type Forecast struct {
	Cell      fleet.CellID
	Tolerance float64 // ratio, either way
	From      time.Time
	// Offset is the cell's at From, the mean over all changes that may stand behind
	// it and none; U is expanded and holds their spread.
	Offset, U float64
	// Beyond is the probability that the offset is beyond the tolerance at From,
	// Changed that there was a change.
	Beyond, Changed float64
	// LogSteady is the logarithm of 1 − Changed, which may be smaller than any number.
	LogSteady float64
	// Matters is the probability that there was a change of the cell which moved its
	// offset by a fifth of the tolerance or more (common practice, no source): what is
	// less is nobody's business, however sure it is.
	Matters float64
	// Car is the probability that what the cell shows is a reference car's change.
	Car float64
	// Moments is at how many a change was looked for.
	Moments int
	// Crossing is the moment by which it is beyond it with probability ½,
	// Earliest with 2.5 %, Latest with 97.5 %. Zero: not within the horizon.
	Crossing, Earliest, Latest time.Time
}

// Forecast returns when a cell's offset from the consensus will be beyond the
// tolerance, within the horizon from the last event on. Every change that Cause
// weighs is carried on by its weight: none and steps stay where they are, ramps
// grow; the walk adds its variance. The consensus is taken to stay. What has once
// been beyond counts as beyond from then on. Errors are those of Cause.
func (f *Fit) Forecast(cell fleet.CellID, tolerance float64, horizon time.Duration, cs CauseSettings) (Forecast, error) {
	out := Forecast{Cell: cell, Tolerance: tolerance, From: f.At}
	if !(tolerance > 0) || horizon <= 0 {
		return out, fmt.Errorf("fleetstate: forecast of cell %s: tolerance and horizon must be positive, are %g and %v", cell, tolerance, horizon)
	}
	c, ok := f.cellPlace(cell)
	if !ok || len(f.net.cells[c].events) == 0 {
		return out, fmt.Errorf("fleetstate: cell %q has neither runs nor checks", cell)
	}
	s, err := f.stretch(c, f.At, cs.Memory)
	if err != nil {
		return out, err
	}
	all, none, logNone := s.weighAll(cs)
	w := f.cells[c].sig
	a := f.agree(f.At)
	offset, spread, own := f.offsetParts(c, f.At)
	shared := a.variance - 2*(a.weight[c]*own+f.dotUnknowns(c, a.su))
	// The steady offset, and the walk's variance in a week.
	mean, variance, walk := -a.Value, shared, 0.0
	for i := range s.d {
		mean += w[i] * s.mean[i]
		walk += w[i] * w[i] * f.Variances.Walk[i]
		for j := range s.d {
			variance += w[i] * w[j] * s.inv[i*s.d+j]
		}
	}
	type branch struct {
		weight     float64
		mean       float64 // without the change
		size, v    float64 // of the change
		now, grows float64 // what the offset has of it, and more per week
	}
	// An error that has not changed has walked; so has one that did, beside that.
	branches := []branch{{weight: none, mean: offset - a.Value}}
	variance = math.Max(variance, spread+shared)
	const light, mattering = 1e-5, 0.2
	size := s.d + s.n
	z := make([]float64, size)
	for i := range all {
		h := &all[i]
		if h.weight < light {
			continue
		}
		b := branch{weight: h.weight, mean: mean}
		if h.fault < 0 {
			out.Car += h.weight
		}
		if h.fault >= 0 {
			// x moves by −(information)⁻¹·coupling·δ.
			copy(z, h.u)
			backward(s.l, size, z)
			b.size, b.v = h.mean, h.v
			b.now = w[h.fault] * h.reach
			for j := range s.d {
				b.now -= w[j] * z[j]
			}
			if h.ramp {
				b.grows = w[h.fault]
			}
			if k := math.Abs(b.now); k > 0 {
				out.Matters += h.weight * gum.Exceeds(b.size*k, math.Sqrt(b.v)*k, mattering*tolerance)
			}
		}
		branches = append(branches, b)
	}
	beyond := func(weeks float64) float64 {
		p, sum := 0.0, 0.0
		for _, b := range branches {
			k := b.now + b.grows*weeks
			v := math.Max(0, variance+walk*weeks+b.v*k*k)
			p += b.weight * gum.Exceeds(b.mean+b.size*k, math.Sqrt(v), tolerance)
			sum += b.weight
		}
		return p / sum
	}
	out.Beyond, out.Changed, out.LogSteady = beyond(0), 1-none, logNone
	for k := range s.mats {
		if !(k > 0 && s.times[k]-s.times[k-1] < visit) {
			out.Moments++
		}
	}
	sum, first, second := 0.0, 0.0, 0.0
	for _, b := range branches {
		m := b.mean + b.size*b.now
		sum += b.weight
		first += b.weight * m
		second += b.weight * (m*m + math.Max(0, variance+b.v*b.now*b.now))
	}
	out.Offset = first / sum
	out.U = expanded(second/sum - out.Offset*out.Offset)
	const stepWeeks = 0.25
	end := horizon.Seconds() / Week.Seconds()
	if beyond(end) < 0.025 {
		return out, nil
	}
	for t := 0.0; t <= end; t += stepWeeks {
		p := beyond(t)
		at := f.At.Add(time.Duration(t * float64(Week)))
		for _, q := range []struct {
			p  float64
			to *time.Time
		}{{0.025, &out.Earliest}, {0.5, &out.Crossing}, {0.975, &out.Latest}} {
			if q.to.IsZero() && p >= q.p {
				*q.to = at
			}
		}
	}
	return out, nil
}
