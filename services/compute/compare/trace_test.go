package compare

import (
	"math"
	"testing"
	"time"

	"rollcall/services/compute/loadcell"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/powercurve/pulltest"
	"rollcall/services/fleet"
)

// reduced returns the curve of a simulated pull, read with a load cell that has a
// gain error.
func reduced(t *testing.T, id fleet.PullID, cell string, epoch fleet.EpochID, torque, gain float64) Curve {
	t.Helper()
	s := pulltest.Example()
	s.Cell.ID = fleet.CellID(cell)
	truth := s.Calibration
	truth.Gain += gain
	s.Calibration = truth
	registry := s.Cell
	in := powercurve.Input{
		Cell: registry, Vehicle: powercurve.VehicleOf(s.Car), Channels: s.Sample(), Correction: fleet.CorrectionSAEJ1349, Pull: id,
		Calibration: loadcell.Calibration{Epoch: epoch, UZero: 1, UGain: 0.001, CovZeroGain: -0.4 * 1 * 0.001},
	}
	if torque != 1 {
		// More torque shows as more brake force, the ramp being given.
		for i := range in.Channels[fleet.LoadCellForce].X {
			if at := in.Channels[fleet.LoadCellForce].T[i]; at > s.Hold && at < s.Hold+s.Ramp {
				in.Channels[fleet.LoadCellForce].X[i] *= torque
			}
		}
	}
	curve, err := powercurve.Reduce(in)
	if err != nil {
		t.Fatal(err)
	}
	trace, err := curve.Trace(powercurve.CorrectedPower, powercurve.OnPoints)
	if err != nil {
		t.Fatal(err)
	}
	out := FromTrace(Curve{Pull: id, At: time.Unix(0, 0), Cell: registry.ID, Car: "car-1", Session: "one"}, trace)
	// What was turned independent has the variance it had.
	for k := range trace.Value {
		sum := 0.0
		for _, x := range out.Shared {
			sum += x.Effect[k] * x.Effect[k]
		}
		if want := trace.SharedCovariance(k, k); math.Abs(sum-want) > 1e-9*want {
			t.Fatalf("point %d: variance %v, was %v", k, sum, want)
		}
	}
	return out
}

// TestTrace: with curves that powercurve made, what one calibration errs by
// cancels on one cell within its epoch, and enters twice across cells. The load
// cell reads 2 % high on both sides: 4 % more brake force is still found as what
// it is in power.
func TestTrace(t *testing.T) {
	before := []Curve{reduced(t, "b1", "fen-2", "e1", 1, 0.02), reduced(t, "b2", "fen-2", "e1", 1, 0.02)}
	one, err := Compare(before, []Curve{reduced(t, "a1", "fen-2", "e1", 1.04, 0.02), reduced(t, "a2", "fen-2", "e1", 1.04, 0.02)}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	two, err := Compare(before, []Curve{reduced(t, "c1", "mil-1", "e2", 1.04, 0.02), reduced(t, "c2", "mil-1", "e2", 1.04, 0.02)}, Settings{})
	if err != nil {
		t.Fatal(err)
	}
	if !(one.Band.UShared < 0.1*one.Band.Cancelled) {
		t.Errorf("on one cell %v of %v is left", one.Band.UShared, one.Band.Cancelled)
	}
	if math.Abs(two.Band.UShared/two.Band.Cancelled-1) > 1e-9 {
		t.Errorf("across cells %v of %v is left", two.Band.UShared, two.Band.Cancelled)
	}
	if !one.Band.Resolved || math.Abs(one.Band.Delta-two.Band.Delta) > 1e-9*one.Band.Before {
		t.Errorf("difference %v on one cell, %v across", one.Band.Delta, two.Band.Delta)
	}
}

// TestFactor is a 3×3 example by hand: L·Lᵀ gives the correlation back, also when
// two inputs are one.
func TestFactor(t *testing.T) {
	for _, r := range [][][]float64{
		{{1, 0.5, 0.2}, {0.5, 1, -0.3}, {0.2, -0.3, 1}},
		{{1, 1, 0.2}, {1, 1, 0.2}, {0.2, 0.2, 1}},
	} {
		l := factor(r)
		for i := range r {
			for j := range r {
				sum := 0.0
				for k := range r {
					sum += l[i][k] * l[j][k]
				}
				near(t, "R", sum, r[i][j], 1e-12)
			}
		}
	}
}
