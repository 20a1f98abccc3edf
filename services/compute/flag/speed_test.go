package flag_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"

	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// withRatios gives the pulls of runs a speed ratio: a level and a creep of each car,
// tyres that differ from session to session, and what a cell does to it.
func withRatios(runs []refrun.Run, seed uint64, cell func(r *refrun.Run) (level, rise float64)) []refrun.Run {
	r := rand.New(rand.NewPCG(seed, 3))
	out := slices.Clone(runs)
	for i := range out {
		level, rise := 3.1+0.02*float64(out[i].Car[len(out[i].Car)-1]%4), 0.004
		if cell != nil {
			a, b := cell(&out[i])
			level, rise = level+a, rise+b
		}
		level += 0.002 * r.NormFloat64()
		rise += 0.0006 * r.NormFloat64()
		out[i].Ratios = nil
		for _, p := range out[i].Pulls {
			const force, uLevel, uRise = 4000, 0.0002, 0.0008
			out[i].Ratios = append(out[i].Ratios, refrun.Ratio{
				Pull: p.ID, Judges: true, Force: force, ULevel: uLevel, USlope: uRise / force,
				Level: level + rise + uLevel*r.NormFloat64(), Slope: (rise + uRise*r.NormFloat64()) / force,
			})
		}
	}
	return out
}

// Expected by hand: a car whose runs elsewhere have ln ratios 3.000, 3.001, 3.002 and
// 3.010 (one cell is wrong), then 3.021 here: less the median 3.0015, whose robust
// standard deviation is 1.4826 times the median deviation 0.001, and so less than what
// tyres do.
func TestCompareSpeeds(t *testing.T) {
	var runs []refrun.Run
	add := func(cell int, week int, level, rise float64) {
		const force = 4000
		runs = append(runs, refrun.Run{
			ID: fleet.RunID(fmt.Sprint(len(runs))), Cell: drifttest.CellID(cell), Car: "oak", At: drifttest.At(cell, week),
			Ratios: []refrun.Ratio{{Level: level, ULevel: 0.0003, Slope: rise / force, USlope: 0.0004 / force, Force: force}},
		})
	}
	for i, x := range []float64{3.000, 3.001, 3.002, 3.010} {
		add(i, i, x, 0.004)
	}
	add(5, 4, 3.021, 0.012)
	got := flag.CompareSpeeds(runs)
	// The fourth has three before it; those before have fewer and are not compared.
	if len(got) != 2 || got[1].Cell != drifttest.CellID(5) || got[1].Car != "oak" {
		t.Fatalf("%+v", got)
	}
	spread := 1 + math.Pi/2/4
	near := func(what string, x, want float64) {
		if math.Abs(x-want) > 1e-12 {
			t.Errorf("%s %g, want %g", what, x, want)
		}
	}
	near("level", got[1].Level, 0.0195)
	near("its u", got[1].ULevel, math.Sqrt(0.0003*0.0003+0.003*0.003*spread))
	near("rise", got[1].Rise, 0.008)
	near("its u", got[1].URise, math.Sqrt(0.0004*0.0004+0.001*0.001*spread))

	// What comes later changes nothing of what was said, nor does the order, nor a run
	// without a ratio.
	add(6, 5, 3.3, 0.1)
	runs = append(runs, refrun.Run{ID: "none", Cell: drifttest.CellID(7), Car: "oak", At: drifttest.At(7, 6)})
	slices.Reverse(runs)
	if again := flag.CompareSpeeds(runs); len(again) != 3 || !reflect.DeepEqual(again[:2], got) {
		t.Errorf("%+v, was %+v", again, got)
	}
}

// slipFleet is a fleet with no fault of its own.
func slipFleet(seed uint64) drifttest.Fleet {
	f := drifttest.Default(40, seed)
	f.Cells = 8
	return f
}

func runsOf(f drifttest.Fleet) []refrun.Run {
	runs, _ := f.Invent()
	return runs
}

// Tyres that slip on a cell from week 24 on, by 1.5 % more, are flagged within a few
// sessions as slip, although the cell's force reads as it did; a check of the load cell
// does not close the flag, a signature does, and it does not come back with tyres set
// right.
func TestSlipIsFlagged(t *testing.T) {
	const from = 24
	runs := runsOf(slipFleet(7))
	slips := func(mended int) func(r *refrun.Run) (float64, float64) {
		return func(r *refrun.Run) (float64, float64) {
			if w := drifttest.At(bad, mended); r.Cell == drifttest.CellID(bad) && !r.At.Before(drifttest.At(bad, from)) && r.At.Before(w) {
				return 0, 0.015
			}
			return 0, 0
		}
	}
	in := flag.Input{Cells: registry(8)}
	with := withRatios(runs, 1, slips(100))
	in.Speeds = flag.CompareSpeeds(with)
	follow(t, nil, &in, with)
	flags := flag.Decide(in, flag.DefaultSettings())
	f := find(flags, ofCell(bad))
	if f == nil {
		t.Fatalf("slip is not flagged: %+v", flags)
	}
	if !f.Open || f.Kind != flag.Drifting || f.OpenedAt.After(drifttest.At(bad, from+3)) || f.FirstEvidenceAt.Before(drifttest.At(bad, from)) {
		t.Errorf("flag %+v", f)
	}
	if len(f.Causes) == 0 || f.Causes[0].Fault != fleet.FaultSlip || f.Causes[0].Probability < 0.95 || f.NextCheck != flag.MendSlip {
		t.Fatalf("causes %+v, next %q", f.Causes, f.NextCheck)
	}
	if c := f.Causes[0]; math.Abs(c.Size-0.015) > c.U || c.U > 0.004 {
		t.Errorf("slip of %g ± %g, truly 0.015", c.Size, c.U)
	}
	if !strings.Contains(f.Evidence, "rises with load by +1.") || !strings.Contains(f.Evidence, "the tyres slip") || !strings.Contains(f.Life[0].Text, "the tyres slip") {
		t.Errorf("evidence %q, opened by %q", f.Evidence, f.Life[0].Text)
	}
	if len(flags) != 1 {
		t.Errorf("other flags too: %+v", flags)
	}

	// A dead-weight check as left does not mend it.
	checked := in
	checks, _, _ := observe(slipFleet(7), 1)
	pass := checks[0]
	pass.Check.Cell, pass.Check.State, pass.Check.PerformedAt = drifttest.CellID(bad), fleet.AsLeft, drifttest.At(bad, from+5)
	checked.Checks = []flag.Check{pass}
	if f := find(flag.Decide(checked, flag.DefaultSettings()), ofCell(bad)); f == nil || !f.Open {
		t.Errorf("a check of the load cell mends slip: %+v", f)
	}
	// A signature does.
	closed := in
	with = withRatios(runs, 1, slips(from+8))
	closed.Speeds = flag.CompareSpeeds(with)
	closed.Closings = []flag.Closing{{Flag: f.ID, Cell: f.Cell, At: drifttest.At(bad, from+8).Add(-1), By: "ada", Reason: "tyre pressure set"}}
	all := flag.Decide(closed, flag.DefaultSettings())
	if f := find(all, ofCell(bad)); f == nil || f.Open || len(all) != 1 || len(f.Causes) == 0 || f.Causes[0].Fault != fleet.FaultSlip || f.Causes[0].Probability < 0.95 {
		t.Errorf("signed and mended: %+v", all)
	}
	// One that was not mended is flagged again.
	closed.Speeds = in.Speeds
	all = flag.Decide(closed, flag.DefaultSettings())
	if len(all) != 2 || !all[1].Open || !all[1].OpenedAt.After(closed.Closings[0].At) {
		t.Errorf("signed and not mended: %+v", all)
	}
}

// What a cell's rollers always do to tyres is not slip; a car whose tyres have worn
// and slip everywhere is no fault of the cell it visits first; and of sound cells none
// is flagged by its ratio.
func TestNoSlipWithoutCause(t *testing.T) {
	runs := runsOf(slipFleet(4))
	car := runs[0].Car
	for name, what := range map[string]func(r *refrun.Run) (float64, float64){
		"sound": nil,
		"small rollers": func(r *refrun.Run) (float64, float64) {
			if r.Cell == drifttest.CellID(bad) {
				return 0, 0.006
			}
			return 0, 0
		},
		"worn tyres": func(r *refrun.Run) (float64, float64) {
			if r.Car == car && !r.At.Before(drifttest.At(0, 24)) {
				return 0.01, 0.02
			}
			return 0, 0
		},
	} {
		in := flag.Input{Cells: registry(8)}
		for seed := range uint64(40) {
			in.Speeds = append([]flag.Speed(nil), flag.CompareSpeeds(withRatios(runs, 100+seed, what))...)
			for _, f := range flag.Decide(in, flag.DefaultSettings()) {
				t.Errorf("%s, seed %d: %s", name, seed, f.Evidence)
			}
		}
	}
}

// A roller radius that is truly 1.5 % larger than the registry's reads the force 1.5 %
// high, flat, and the ratio up by as much: it is told from a gain, from air and from
// what fits nothing. The same shift of the force with a ratio that stays is not
// speed, and where the ratio is not known speed and slip are not named.
func TestSpeedScaleIsNamed(t *testing.T) {
	const from, size = 24, 0.015
	f := slipFleet(5)
	f.Fault = func(c, w int) (fleet.Fault, float64) {
		if c == bad && w >= from {
			return fleet.FaultAir, size // flat
		}
		return fleet.FaultNone, 0
	}
	runs := runsOf(f)
	checks, coast, air := observe(slipFleet(5), 2)
	cause := func(level float64, known bool) *flag.Flag {
		in := flag.Input{Cells: registry(8), Checks: checks, CoastDowns: coast, Airs: air}
		with := runs
		if known {
			with = withRatios(runs, 6, func(r *refrun.Run) (float64, float64) {
				if r.Cell == drifttest.CellID(bad) && !r.At.Before(drifttest.At(bad, from)) {
					return level, 0
				}
				return 0, 0
			})
		}
		in.Speeds = flag.CompareSpeeds(with)
		follow(t, nil, &in, with)
		g := find(flag.Decide(in, flag.DefaultSettings()), ofCell(bad))
		if g == nil || len(g.Causes) == 0 {
			t.Fatalf("the cell is not flagged, ratio %g", level)
		}
		return g
	}
	g := cause(size, true)
	if c := g.Causes[0]; c.Fault != fleet.FaultSpeed || c.Probability < 0.9 || math.Abs(c.Size-size) > c.U {
		t.Errorf("causes %+v", g.Causes)
	}
	if g.Causes[0].Probability >= 0.95 && g.NextCheck != flag.MeasureRadius {
		t.Errorf("next %q", g.NextCheck)
	}
	probability := func(g *flag.Flag, fault fleet.Fault) float64 {
		for _, c := range g.Causes {
			if c.Fault == fault {
				return c.Probability
			}
		}
		return -1
	}
	g = cause(0, true)
	if p, q := probability(g, fleet.FaultSpeed), probability(g, fleet.FaultSlip); g.Causes[0].Fault != fleet.FaultOther || p > 0.05 || q > 0.05 || p < 0 || q < 0 {
		t.Errorf("the ratio stays: %+v", g.Causes)
	}
	sum := 0.0
	for _, c := range g.Causes {
		sum += c.Probability
	}
	if math.Abs(sum-1) > 1e-9 {
		t.Errorf("the probabilities add up to %g", sum)
	}
	g = cause(0, false)
	if probability(g, fleet.FaultSpeed) >= 0 || probability(g, fleet.FaultSlip) >= 0 || g.Causes[0].Fault != fleet.FaultOther {
		t.Errorf("the ratio is not known: %+v", g.Causes)
	}
}
