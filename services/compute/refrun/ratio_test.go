package refrun

import (
	"math"
	"testing"

	"rollcall/services/compute/finding"
	"rollcall/services/compute/powercurve"
)

// Expected by hand: ln(ω/v) = 3 + 2e-6·(F − 4000) at F = 3000, 4000, 5000 twice each,
// with residuals ±1e-4 that the line does not take up: Sxx = 4e6, s² = 6e-8/4.
func TestRatioOf(t *testing.T) {
	force := []float64{3000, 4000, 5000, 3000, 4000, 5000}
	off := []float64{1e-4, 1e-4, 1e-4, -1e-4, -1e-4, -1e-4}
	engine, speed := make([]float64, 6), make([]float64, 6)
	for i := range force {
		speed[i] = 10 + float64(i)
		engine[i] = speed[i] * math.Exp(3+2e-6*(force[i]-4000)+off[i])
	}
	r, ok := RatioOf("p", engine, speed, force)
	near := func(what string, got, want float64) {
		if !(math.Abs(got-want) <= 1e-9*math.Abs(want)) {
			t.Errorf("%s %.12g, want %.12g", what, got, want)
		}
	}
	if !ok || r.Pull != "p" {
		t.Fatal(r, ok)
	}
	near("level", r.Level, 3)
	near("force", r.Force, 4000)
	near("slope", r.Slope, 2e-6)
	near("u of the level", r.ULevel, math.Sqrt(6e-8/4/6))
	near("u of the slope", r.USlope, math.Sqrt(6e-8/4/4e6))
	rise, u := r.Rise()
	near("rise", rise, 0.008)
	near("its u", u, 4000*r.USlope)
	for name, spoil := range map[string]func(){
		"a roller that stands": func() { speed[2] = 0 }, "a speed that is none": func() { speed[2] = math.NaN() }, "one force": func() {
			for i := range force {
				force[i] = 4000
			}
		}, "three points": func() { engine, speed, force = engine[:3], speed[:3], force[:3] },
	} {
		keep := [3][]float64{append([]float64(nil), engine...), append([]float64(nil), speed...), append([]float64(nil), force...)}
		spoil()
		if r, ok := RatioOf("p", engine, speed, force); ok {
			t.Errorf("%s: %+v", name, r)
		}
		engine, speed, force = keep[0], keep[1], keep[2]
	}
}

// A run has a ratio for each pull with the engine speed logged that covers the band,
// also of one that is left out for its slip alone; none where it is worked out from
// the roller speed, or where another finding stands.
func TestRatiosOfARun(t *testing.T) {
	all := sources()
	run := Assemble(session, all)
	// Of the five the one without a correction has one too, the one that does not
	// cover the band and the one that cannot be read have none.
	if len(run.Ratios) != 3 || !run.Ratios[0].Judges || !run.Ratios[1].Judges || run.Ratios[2].Judges {
		t.Fatalf("%+v", run.Ratios)
	}
	// The example's car: gear over tyre, no slip.
	want := math.Log(all[0].Curve.Band[0].EngineSpeed / all[0].Curve.Band[0].Speed)
	for _, r := range run.Ratios {
		if rise, u := r.Rise(); math.Abs(r.Level-want) > 0.001 || !(r.ULevel > 0) || r.ULevel > 5e-4 || math.Abs(rise) > 5*u+1e-4 {
			t.Errorf("%+v, rise %g ± %g, want the level %g", r, rise, u, want)
		}
	}
	m, ok := MeanRatio(&run)
	if !ok || m.Pulls != 3 || math.Abs(m.Level-want) > 0.001 {
		t.Errorf("mean %+v", m)
	}
	all[0].Findings = append(all[0].Findings, finding.Finding{Kind: finding.Slip, Disqualifying: true, Text: "slips"})
	all[1].Findings = append(all[1].Findings, finding.Finding{Kind: finding.RampRate, Disqualifying: true, Text: "too fast"})
	run = Assemble(session, all)
	if len(run.Ratios) != 2 || run.Ratios[0].Pull != "pull-0" || run.Ratios[0].Judges || len(run.Pulls) != 0 {
		t.Errorf("slipping and too fast: %+v, %d pulls", run.Ratios, len(run.Pulls))
	}
	for i := range all {
		if all[i].Curve != nil {
			all[i].Curve = &powercurve.Curve{Band: all[i].Curve.Band}
		}
	}
	if run = Assemble(session, all); len(run.Ratios) != 0 {
		t.Errorf("not logged, and known: %+v", run.Ratios)
	}
	if _, ok := MeanRatio(&run); ok {
		t.Error("the mean of no ratio")
	}
}
