package pipeline_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/store"
)

// restateBench is a bench whose cell fen-1 has a load cell that was good on day 2
// and reads 2 % too much on day 20, with a customer's pull on each of some days.
type restateBench struct {
	*bench
	pulls []fleet.PullID
	flag  store.FlagRow
}

func restateDay(d int) time.Time {
	return time.Date(2026, 5, 25, 7, 0, 0, 0, time.UTC).AddDate(0, 0, d)
}

// newRestateBench makes one. late gives the pulls after the checks and the latest
// first; left is the gain of the check as left of day 2.
func newRestateBench(t *testing.T, late bool, left float64, checks ...fleet.Check) *restateBench {
	t.Helper()
	b := &restateBench{bench: newBench(t, restateDay(50))}
	feed(t, b.s, 1, 2, "fen-1", "fen-2")
	made, err := b.s.ListPulls(t.Context(), store.PullFilter{Filter: store.Filter{Cells: []fleet.CellID{"fen-1"}, Car: "rowan", Limit: 1}, Kind: fleet.KindPull})
	if err != nil || len(made) != 1 {
		t.Fatal(made, err)
	}
	raw, err := b.s.ReadPull(t.Context(), fleet.PullID(made[0].PullID))
	if err != nil {
		t.Fatal(err)
	}
	rotating, coasting := 46.0, 20.0
	var batches []store.Batch
	for i, d := range []int{8, 13, 19, 26} {
		p := part(raw, fleet.KindPull, strings.Repeat(string(rune('a'+i)), 32), 0, 1e9)
		row := &p.Pulls[0]
		row.CarID, row.Session, row.CustomerCar, row.StartedAt, row.RotatingMass, row.CoastingMass = "", "", "grey estate", restateDay(d), &rotating, &coasting
		b.pulls = append(b.pulls, fleet.PullID(row.PullID))
		batches = append(batches, p)
	}
	put := func(p store.Batch) {
		t.Helper()
		if err := b.s.Append(t.Context(), p); err != nil {
			t.Fatal(err)
		}
	}
	if !late {
		for _, p := range batches {
			put(p)
		}
	}
	b.start()
	t.Cleanup(func() { b.stop() })
	b.take(append([]fleet.Check{transfer("1", fleet.AsLeft, restateDay(2), 0.1, left)}, checks...)...)
	if late {
		for i := range batches {
			put(batches[len(batches)-1-i])
			b.p.Stored(b.pulls[len(batches)-1-i])
			await(t, b.p.Idle)
		}
	}
	flags, err := b.s.ListFlags(t.Context(), store.Filter{Cells: []fleet.CellID{"fen-1"}}, false)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range flags {
		if f.Kind == "recalibrate" {
			b.flag = f
		}
	}
	return b
}

func (b *restateBench) touched() []store.TouchedRow {
	b.t.Helper()
	all, err := b.s.ReadTouched(b.t.Context(), []fleet.FlagID{fleet.FlagID(b.flag.FlagID)})
	if err != nil {
		b.t.Fatal(err)
	}
	return all[fleet.FlagID(b.flag.FlagID)]
}

// figure returns a figure of a restated pull: stated, restated, difference, each
// with U.
func restatedFigure(t *testing.T, r store.RestatedRow, figure, of string) [6]float64 {
	t.Helper()
	for i := range r.Figure {
		if r.Figure[i] == figure && r.FigureOf[i] == of {
			return [6]float64{r.Stated[i], r.StatedU[i], *r.RestatedValue[i], *r.RestatedU[i], *r.Difference[i], *r.DifferenceU[i]}
		}
	}
	t.Fatalf("no %s of %s in %+v", of, figure, r)
	return [6]float64{}
}

// A load cell is found 2 % high. Its pulls restated are, to rounding, what they
// would have been computed as under a calibration with that gain: a service that had
// the gain from a check as left is asked. What was stated is kept to the bit, also in
// the curve, and neither the order of arrival nor asking again changes anything.
func TestRestate(t *testing.T) {
	checks := []fleet.Check{transfer("2", fleet.AsFound, restateDay(11), 0.1, 0), transfer("3", fleet.AsFound, restateDay(20), 0.1, 0.02)}
	b := newRestateBench(t, false, 0, checks...)
	touched := b.touched()
	if len(touched) < 3 {
		t.Fatalf("%d pulls touched by %+v", len(touched), b.flag)
	}
	before := b.dump()
	rows, err := b.p.Restate(t.Context(), touched)
	if err != nil || len(rows) != len(touched) {
		t.Fatal(len(rows), err)
	}
	if diff := cmp.Diff(before, b.dump()); diff != "" {
		t.Errorf("restating changed what is computed:\n%s", diff)
	}
	curves, _ := b.curves()
	byPull := map[fleet.PullID]store.RestatedRow{}
	for i, r := range rows {
		byPull[fleet.PullID(r.PullID)] = r
		if r.PullID != touched[i].PullID || !r.Restated || r.Way != "by cause" || r.Note != "" || r.SizeFrom != "checks" || r.SizeUnit != "ratio" || r.CodeVersion != pipeline.CodeVersion {
			t.Fatalf("row %d: %+v", i, r)
		}
		c := curves[r.PullID]
		if len(r.Figure) != 10 {
			t.Errorf("figures %v", r.Figure)
		}
		for _, f := range []struct {
			figure, of string
			value, u   *float64
		}{
			{"wheel power", "peak", c.PeakWheelPower, c.PeakWheelPowerU}, {"engine power", "peak", c.PeakEnginePower, c.PeakEnginePowerU},
			{"corrected engine torque", "band mean", c.MeanCorrectedTorque, c.MeanCorrectedTorqueU},
		} {
			x := restatedFigure(t, r, f.figure, f.of)
			if x[0] != *f.value || x[1] != *f.u {
				t.Errorf("%s of %s of %s: stated %g ± %g, the curve has %g ± %g", f.of, f.figure, r.PullID, x[0], x[1], *f.value, *f.u)
			}
			if math.Abs(x[2]-x[0]-x[4]) > 1e-9*x[0] || !(x[3] > 0) || !(x[5] > 0) {
				t.Errorf("%s: %v", f.figure, x)
			}
		}
	}
	// Day 26 is after the check that found 2 %.
	last := byPull[b.pulls[3]]
	if math.Abs(*last.Size-0.02) > 1e-9 {
		t.Errorf("size %g on day 26", *last.Size)
	}
	under := newRestateBench(t, false, 0.02)
	want := curveOf(t, under.s, b.pulls[3])
	for figure, value := range map[string]*float64{"wheel power": want.PeakWheelPower, "engine power": want.PeakEnginePower, "engine torque": want.PeakEngineTorque, "corrected engine power": want.PeakCorrectedPower} {
		x := restatedFigure(t, last, figure, "peak")
		if math.Abs(x[2] / *value - 1) > 1e-8 {
			t.Errorf("%s restated %.3f, under a calibration with that gain %.3f", figure, x[2], *value)
		}
		if x[4] > -0.002*x[0] {
			t.Errorf("%s: difference %.1f of %.1f", figure, x[4], x[0])
		}
	}
	// The effect that lookback tells at peak power is what restating does to it.
	x := restatedFigure(t, last, "wheel power", "peak")
	if e := x[0]/x[2] - 1; math.Abs(e-last.Effect) > 0.0003 {
		t.Errorf("restating takes off %.5f, lookback says %.5f", e, last.Effect)
	}
	again, err := b.p.Restate(t.Context(), touched)
	if diff := cmp.Diff(rows, again); err != nil || diff != "" {
		t.Errorf("again: %v\n%s", err, diff)
	}

	turned := newRestateBench(t, true, 0, checks[1], checks[0])
	if diff := cmp.Diff(touched, turned.touched()); diff != "" {
		t.Errorf("touched, in another order of arrival:\n%s", diff)
	}
	other, err := turned.p.Restate(t.Context(), turned.touched())
	if diff := cmp.Diff(rows, other); err != nil || diff != "" {
		t.Errorf("in another order of arrival: %v\n%s", err, diff)
	}
}

// A pull whose samples are not whole, or are not there, is kept with what it
// stated and the reason; without a cause the effect's share is taken off.
func TestRestateKeeps(t *testing.T) {
	b := newRestateBench(t, false, 0)
	id := b.pulls[0]
	row := curveOf(t, b.s, id)
	effect := store.TouchedRow{FlagID: "f", PullID: string(id), StartedAt: row.StartedAt, CellID: "fen-1", CustomerCar: "grey estate", Effect: 0.01, EffectU: 0.004}
	gone := effect
	gone.PullID = strings.Repeat("9", 32)
	raw, err := b.s.ReadPull(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	torn := part(raw, fleet.KindPull, strings.Repeat("8", 32), 0, 1e9)
	torn.Blocks = torn.Blocks[1:]
	if err := b.s.Append(t.Context(), torn); err != nil {
		t.Fatal(err)
	}
	broken := effect
	broken.PullID = torn.Pulls[0].PullID
	size, u := 5e6, 1.0
	impossible := effect
	impossible.Fault, impossible.Size, impossible.SizeU, impossible.SizeUnit, impossible.SizeFrom = "base inertia value", &size, &u, "kg", "runs"
	rows, err := b.p.Restate(t.Context(), []store.TouchedRow{effect, gone, broken})
	if err != nil || len(rows) != 3 {
		t.Fatal(len(rows), err)
	}
	other, err := b.p.Restate(t.Context(), []store.TouchedRow{impossible})
	if err != nil {
		t.Fatal(err)
	}
	rows = append(rows, other...)
	if !rows[0].Restated {
		t.Fatalf("%+v", rows[0])
	}
	x := restatedFigure(t, rows[0], "wheel power", "peak")
	if r := rows[0]; !r.Restated || r.Way != "by effect" || math.Abs(x[2]-*row.PeakWheelPower/1.01) > 1e-6 {
		t.Errorf("by effect: %v, %+v", x, r)
	}
	for i, says := range []string{1: "not restated: its record is not there", 2: "not restated: ", 3: "not restated: with base inertia value put right: the cell's registry entry cannot be computed with"} {
		if i > 0 && (rows[i].Restated || !strings.HasPrefix(rows[i].Note, says)) {
			t.Errorf("row %d: %v, %q", i, rows[i].Restated, rows[i].Note)
		}
	}
	// What it stated stands.
	if r := rows[3]; len(r.Figure) != 10 || r.Stated[0] != *row.PeakWheelPower || r.RestatedValue[0] != nil || r.Difference[0] != nil {
		t.Errorf("kept: %+v", r)
	}
}
