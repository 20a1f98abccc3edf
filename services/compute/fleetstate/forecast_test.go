package fleetstate

import (
	"math"
	"os"
	"testing"
	"time"

	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/gum"
)

// Ramps of gain put in: the date at which the offset leaves ±1 % lies within
// the stated 95 % in most seeded fleets.
func TestForecastCoverage(t *testing.T) {
	fleets := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 16)
	s := DefaultSettings()
	v := calm(s)
	for i := range v.Start {
		v.Start[i] /= 9 // so that most cells are within 1 %
	}
	hit, n := 0, 0
	for seed := range uint64(fleets) {
		p := truthPlan(300+seed, 60, s, v)
		slope := 0.0008
		if seed%2 == 1 {
			slope = -0.0012
		}
		p.fault = func(c, w int) []float64 {
			out := make([]float64, len(s.Faults))
			if c == 3 && w >= 30 {
				out[0] = slope * float64(w-30)
			}
			return out
		}
		in := p.invent()
		// The truth: the first week beyond, of the errors as they are.
		truth := func(w int) float64 {
			var all []float64
			for c := range 12 {
				all = append(all, in.offset(c, w))
			}
			centre, _, _ := gum.RobustCentre(all)
			return all[3] - centre
		}
		const now = 42
		if math.Abs(truth(now)) > 0.01 {
			continue
		}
		crossed := -1
		for w := now; w < 60; w++ {
			if math.Abs(truth(w)) > 0.01 {
				crossed = w
				break
			}
		}
		h, _ := split(in.h, visitAt(0, now+1).Add(-time.Minute))
		f, err := Solve(h, s, v)
		if err != nil {
			t.Fatal(err)
		}
		fc, err := f.Forecast(cellID(3), 0.01, 52*Week, DefaultCauseSettings())
		if err != nil {
			t.Fatal(err)
		}
		n++
		at := visitAt(3, crossed)
		latest := fc.Latest
		if latest.IsZero() {
			latest = visitAt(3, 1000)
		}
		earliest := fc.Earliest
		if earliest.IsZero() {
			earliest = latest
		}
		if crossed < 0 {
			// Not within what was invented: the interval must reach beyond it.
			if latest.After(visitAt(3, 59)) {
				hit++
			}
			continue
		}
		if !at.Before(earliest.Add(-Week)) && !at.After(latest.Add(Week)) {
			hit++
		}
	}
	t.Logf("crossing date within its 95 %% interval in %d of %d", hit, n)
	if n < fleets/2 || float64(hit) < 0.85*float64(n) {
		t.Errorf("crossing date within its 95 %% interval in %d of %d", hit, n)
	}
}

func TestForecastRefuses(t *testing.T) {
	h, s, v := smallPlan()
	f, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Forecast("nowhere", 0.01, Week, DefaultCauseSettings()); err == nil {
		t.Error("a cell not known was taken")
	}
	if _, err := f.Forecast(cellID(0), 0, Week, DefaultCauseSettings()); err == nil {
		t.Error("a tolerance of 0 was taken")
	}
	if _, err := f.Cause("nowhere", DefaultCauseSettings()); err == nil {
		t.Error("a cell not known was taken")
	}
}
