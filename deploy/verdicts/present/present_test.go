package present

import (
	"context"
	"strings"
	"testing"

	"rollcall/deploy/verdicts/score"
	"rollcall/deploy/verdicts/simulate"
	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/flag"
	"rollcall/services/fleet"
)

// The quick form of the bench: a few fleets through drift and flag, with limits
// that are wide enough for so few and that a broken chain misses.
func TestQuick(t *testing.T) {
	c := score.DefaultConfig()
	c.Fleets = 4 // CI judges twenty
	if drifttest.RaceDetector {
		c.Fleets = 1 // it takes a minute
	}
	table, err := score.Run(context.Background(), System{}, c)
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	if err := table.Write(&b); err != nil {
		t.Fatal(err)
	}
	t.Log("\n" + b.String())
	for _, r := range table.Rows {
		if r.Group == "found" && r.Name == "all separable faults" && r.Figure < 1 {
			t.Errorf("%.0f %% of %d faults were found", 100*r.Figure, r.N)
		}
	}
}

// By the speed ratio alone no sound cell is flagged in 480 cell-years, under either
// plan of visits, and a cell whose tyres slip is within eight weeks.
func TestRatioAlone(t *testing.T) {
	seeds := uint64(10)
	if drifttest.RaceDetector {
		seeds = 2
	}
	for _, plan := range []simulate.Plan{simulate.Round, simulate.Home} {
		found, delay := 0, 0.0
		for seed := range seeds {
			for _, slips := range []bool{false, true} {
				f := simulate.Fleet{Seed: 7000 + seed, Weeks: 104, Plan: plan}
				if slips {
					f.Fault = simulate.Fault{Kind: simulate.Slip, Cell: int(seed), From: 45, Step: 8500, Tacho: true}
				}
				h, _ := f.Invent()
				in := Translate(h)
				flags := flag.Decide(flag.Input{Cells: in.Flag.Cells, Speeds: in.Flag.Speeds}, flag.DefaultSettings())
				for _, g := range flags {
					if !slips || in.Cell[g.Cell] != f.Fault.Cell {
						t.Errorf("%s, seed %d: a sound cell: %s", plan, f.Seed, g.Evidence)
						continue
					}
					began := simulate.Begin(f.Fault.Cell, f.Fault.From)
					if !g.OpenedAt.After(began) || g.Causes[0].Fault != fleet.FaultSlip || g.Causes[0].Probability < 0.95 {
						t.Errorf("%s, seed %d: opened at %s, began at %s, causes %v", plan, f.Seed, g.OpenedAt, began, g.Causes)
					}
					found++
					delay += g.OpenedAt.Sub(began).Hours() / 168
				}
			}
		}
		t.Logf("%s: %d of %d found, after %.1f weeks", plan, found, seeds, delay/float64(found))
		if found != int(seeds) || delay > 8*float64(seeds) {
			t.Errorf("%s: %d of %d found, after %.1f weeks", plan, found, seeds, delay/float64(found))
		}
	}
}
