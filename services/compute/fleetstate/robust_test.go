package fleetstate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"rollcall/services/compute/drift/drifttest"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// A freak session and a freak pull lose their weight and hardly move the cell;
// without the rule they do. To the variances a freak is one of 4 standard
// deviations: 16 of some 260 squares.
func TestFarOutLosesWeight(t *testing.T) {
	s := DefaultSettings()
	v := calm(s)
	clean := truthPlan(11, 26, s, v)
	spoilt := clean
	spoilt.hand = func(r *refrun.Run, _ *rand.Rand) {
		add := func(pulls []refrun.Pull, by float64) {
			for p := range pulls {
				for k := range pulls[p].Y {
					pulls[p].Y[k] += by
				}
			}
		}
		if r.Cell == cellID(3) && r.At.Equal(visitAt(3, 24)) {
			add(r.Pulls, -0.052) // 13 sd of a session
		}
		if r.Cell == cellID(7) && r.At.Equal(visitAt(7, 25)) {
			add(r.Pulls[1:2], 0.05) // 20 sd of a pull
		}
	}
	solve := func(p plan, farOut float64) *Fit {
		s := s
		s.FarOut = farOut
		f, err := Solve(p.invent().h, s, v)
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	offsets := func(f *Fit) []Equivalence {
		eq, _ := f.Equivalences(f.At)
		return eq
	}
	want := offsets(solve(clean, 4))
	plain := offsets(solve(spoilt, math.Inf(1)))
	f := solve(spoilt, 4)
	got := offsets(f)
	for _, c := range []int{3, 7} {
		u := want[c].U / 2
		moved, movedPlain := math.Abs(got[c].Offset-want[c].Offset)/u, math.Abs(plain[c].Offset-want[c].Offset)/u
		t.Logf("cell %d: moved by %.2f u, without the rule by %.2f u", c, moved, movedPlain)
		if moved > 0.6 {
			t.Errorf("cell %d: moved by %.2f u", c, moved)
		}
		if movedPlain < 2*moved {
			t.Errorf("cell %d: the rule is of no use: %.2f against %.2f u", c, moved, movedPlain)
		}
	}
	session, pull := false, false
	for _, w := range f.Weighted() {
		session = session || (w.Cell == cellID(3) && w.At.Equal(visitAt(3, 24)) && w.Pull == "" && w.Weight < 0.2)
		pull = pull || (w.Cell == cellID(7) && w.Pull == "25-7-1" && w.Weight < 0.1)
	}
	if !session || !pull {
		t.Errorf("weighted: %+v", f.Weighted())
	}
	a, err := Estimate(clean.invent().h, s)
	if err != nil {
		t.Fatal(err)
	}
	b, err := Estimate(spoilt.invent().h, s)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "session variance", b.Variances.Session, a.Variances.Session, 0.09, 0)
	near(t, "pull variance", b.Variances.Pull, a.Variances.Pull, 0.06, 0)
}

// A step of a cell is followed at once, and dated to its week when looked back
// at: its walk is loosened there, no run is held to be freak.
func TestJumpIsFollowed(t *testing.T) {
	s := DefaultSettings()
	v := calm(s)
	_, in := faulty(21, s, v, fleet.FaultGain, func(int) float64 { return 0.02 })
	h, _ := split(in.h, visitAt(0, 46))
	f, err := Solve(h, s, v)
	if err != nil {
		t.Fatal(err)
	}
	eq, con := f.Equivalences(f.At)
	near(t, "offset today", eq[3].Offset, in.offset(3, 45)-con.Value, 0, 1.5*eq[3].U)
	past, _ := f.Smooth(cellID(3), []time.Time{visitAt(3, 39), visitAt(3, 40)})
	if jump := past[1].Value[0] - past[0].Value[0]; math.Abs(jump-0.02) > 0.005 {
		t.Errorf("the step of gain looks like %.4f, want 0.02", jump)
	}
	for _, x := range f.Weighted() {
		if x.Cell == cellID(3) && !x.At.Before(visitAt(3, 40)) && x.Weight < 0.7 {
			t.Errorf("a run after the step is held to be freak: %+v", x)
		}
	}
}

// One bad cell moves the consensus by less than what is stated.
func TestConsensusIsRobust(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	worst := 0.0
	for range 40000 {
		n := 3 + r.IntN(20)
		x := make([]float64, n)
		for i := range x {
			x[i] = 0.006 * r.NormFloat64()
		}
		m0, _, _ := gum.RobustCentre(x)
		y := append([]float64(nil), x...)
		y[0] = 0.006 * r.NormFloat64() * math.Pow(10, 4*r.Float64())
		m1, sd1, _ := gum.RobustCentre(y)
		_, sd0, _ := gum.RobustCentre(x)
		limit := 4.5 * math.Max(sd0, sd1) / float64(n-1)
		if sd0 == 0 && sd1 == 0 {
			continue
		}
		worst = math.Max(worst, math.Abs(m1-m0)/limit)
	}
	t.Logf("at most %.2f of what is stated", worst)
	if worst > 1 {
		t.Errorf("one cell moves the consensus by %.2f of what is stated", worst)
	}
}

// The offset of a cell with a step of gain holds the truth as stated soon after
// it and later: the walk catches up where it evidently jumps. Measured over 24
// fleets, steps of 0.8, 1.6 and 2.5 %, after 4, 8 and 16 weeks: 96, 90 and 88 %.
func TestCoverageAfterAStep(t *testing.T) {
	fleets := drifttest.Fleets(t, os.Getenv("ROLLCALL_FLEETS"), 8)
	s := DefaultSettings()
	v := calm(s)
	for _, size := range []float64{0.008, 0.025} {
		for _, after := range []int{4, 16} {
			hit := 0
			for seed := range uint64(fleets) {
				_, in := faulty(1000+seed, s, v, fleet.FaultGain, func(int) float64 { return size })
				h, _ := split(in.h, visitAt(0, 40+after))
				f, err := Solve(h, s, v)
				if err != nil {
					t.Fatal(err)
				}
				var real []float64
				for c := range 12 {
					real = append(real, in.offset(c, 39+after))
				}
				centre, _, _ := gum.RobustCentre(real)
				e, _ := f.Equivalence(cellID(3), f.At)
				if math.Abs(e.Offset-(real[3]-centre)) <= 0.98*e.U {
					hit++
				}
			}
			share(t, fmt.Sprintf("gain step of %.1f %%, %d weeks after", 100*size, after), hit, fleets, 0.8, 1)
		}
	}
}
