package fleetstate

import (
	"math"
	"slices"
	"testing"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// A cell against all others says of each pair what all pairs say of it; the
// difference is that of the two offsets, and E_n the difference over its U, as
// ISO/IEC 17043 has it (from memory).
func TestPairsOf(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	f, err := Solve(truthPlan(3, 30, s, v).invent().h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	at := f.At.Add(Week)
	cells := f.Cells()
	all := map[[2]fleet.CellID]Pair{}
	for _, p := range f.Pairs(cells, at) {
		all[[2]fleet.CellID{p.A, p.B}] = p
	}
	eq, _ := f.Equivalences(at)
	one := 4
	got := f.PairsOf(cells[one], append(slices.Clone(cells), "nobody"), at)
	if len(got) != len(cells)-1 {
		t.Fatalf("%d pairs of %d cells", len(got), len(cells))
	}
	for _, p := range got {
		want, sign := all[[2]fleet.CellID{p.A, p.B}], 1.0
		if want.A == "" {
			want, sign = all[[2]fleet.CellID{p.B, p.A}], -1
		}
		near(t, "difference", p.Difference, sign*want.Difference, 0, 1e-15)
		near(t, "U", p.U, want.U, 1e-9, 0)
		near(t, "E_n", p.En, p.Difference/p.U, 1e-12, 0)
		b := slices.Index(cells, p.B)
		near(t, "difference of the offsets", p.Difference, eq[one].Offset-eq[b].Offset, 0, 1e-12)
	}
	if f.PairsOf("nobody", cells, at) != nil {
		t.Error("pairs of a cell that is not known")
	}
}

// The consensus moves by less than MostMoved whatever becomes of one cell: each
// cell's part in the values is put far out, either way, and taken away.
func TestMostMoved(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	p := truthPlan(5, 30, s, v)
	f, err := Solve(p.invent().h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	most := f.MostMoved(f.At)
	values := make([]float64, len(f.cells))
	for c := range values {
		values[c], _, _ = f.offsetParts(c, f.At)
	}
	_, c := f.Equivalences(f.At)
	if !(most > 0) || most > 10*c.SD {
		t.Errorf("one cell moves the consensus by %g at most, SD %g", most, c.SD)
	}
	for i := range values {
		without, _, _ := gum.RobustCentre(slices.Concat(values[:i], values[i+1:]))
		for _, far := range []float64{-1, -0.03, 0.03, 1} {
			all := slices.Clone(values)
			all[i] = far
			with, _, _ := gum.RobustCentre(all)
			if moved := math.Abs(with - without); moved > most {
				t.Errorf("cell %d at %g moves the consensus by %g, more than %g", i, far, moved, most)
			}
		}
	}
	two := plan{cells: 2, cars: 1, weeks: 12, v: v, faults: s.Faults}
	if f, err = Solve(two.invent().h, s, v); err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(f.MostMoved(f.At), 1) {
		t.Error("nothing bounds how far one of two cells moves their mean")
	}
}
