package fleetstate

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// table reads a CSV file of the repository's testdata, whose first line names
// the source.
func table(t testing.TB, name string) map[string][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "..", "testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for k, head := range rows[0] {
		for _, row := range rows[1:] {
			out[head] = append(out[head], row[k])
		}
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// still is a model without walks, knots, rotating mass: one error a cell, flat,
// and one band point.
func still() Settings {
	s := DefaultSettings()
	s.Modes = 1
	s.Faults = []FaultModel{{fleet.FaultOther, Prior{SD: 1, Freedom: 0}, Fixed(0)}}
	s.Point, s.Tilt, s.CarWalk, s.Session = Fixed(0), Fixed(0), Fixed(0), Fixed(0)
	s.Pull = Prior{SD: 1, Freedom: 0}
	s.FarOut = math.Inf(1)
	s.LeastFreedom = math.MinInt // few sessions, many pulls
	s.Settle = 1e-11
	return s
}

type group struct{ cell, car, session string }

// grouped makes runs of one band point from a table; sessions come a week apart
// in the order first met.
func grouped(t testing.TB, y []float64, of func(i int) group) History {
	t.Helper()
	var h History
	at := map[group]int{}
	for i := range y {
		g := of(i)
		k, ok := at[g]
		if !ok {
			k = len(h.Runs)
			at[g] = k
			h.Runs = append(h.Runs, refrun.Run{
				ID: fleet.RunID(fmt.Sprintf("%04d", k)), Cell: fleet.CellID(g.cell), Car: fleet.CarID(g.car), At: start.Add(time.Duration(k) * Week),
			})
		}
		h.Runs[k].Pulls = append(h.Runs[k].Pulls, refrun.Pull{Y: []float64{y[i]}})
	}
	return h
}

func near(t testing.TB, what string, got, want, rel, abs float64) {
	t.Helper()
	if !(math.Abs(got-want) <= math.Max(abs, rel*math.Abs(want))) {
		t.Errorf("%s = %.10g, want %.10g", what, got, want)
	}
}

// cellEffect is a cell's single error at the end.
func cellEffect(t testing.TB, f *Fit, cell string) (x, sd float64) {
	t.Helper()
	e, ok := f.Errors(fleet.CellID(cell), f.At)
	if !ok {
		t.Fatalf("no cell %s", cell)
	}
	return e.Value[0], math.Sqrt(e.Covariance[0][0])
}

// The static special case is the linear mixed model. Expected values: R 4.2.2,
// lme4 1.1-31, lmer(formula, REML = TRUE, control = lmerControl(optimizer =
// "bobyqa", optCtrl = list(rhoend = 1e-12, rhobeg = 1e-2))). Data: see the heads
// of the files.
func TestPublishedMixedModels(t *testing.T) {
	read := func(file, column string) ([]float64, map[string][]string) {
		data := table(t, file)
		var y []float64
		for _, s := range data[column] {
			y = append(y, number(t, s))
		}
		return y, data
	}
	t.Run("Dyestuff", func(t *testing.T) {
		y, data := read("dyestuff.csv", "Yield")
		s := still()
		s.Faults[0].Start.SD, s.Pull.SD = 10, 10
		f, err := Estimate(grouped(t, y, func(i int) group { return group{data["Batch"][i], "car", ""} }), s)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "batch variance", f.Variances.Start[0], 1764.05, 1e-5, 0)
		near(t, "residual variance", f.Variances.Pull, 2451.25, 1e-5, 0)
		near(t, "criterion", f.Score, 319.654276842, 1e-9, 0)
		for batch, want := range map[string]float64{"A": -17.606851, "B": 0.391263, "C": 28.562225, "D": -23.084538, "E": 56.733188, "F": -44.995287} {
			x, _ := cellEffect(t, f, batch)
			near(t, "batch "+batch, x, want, 0, 1e-4)
		}
		t.Logf("%+v", f.Estimation)
	})
	t.Run("Dyestuff2 at the boundary", func(t *testing.T) {
		y, data := read("dyestuff2.csv", "Yield")
		f, err := Estimate(grouped(t, y, func(i int) group { return group{data["Batch"][i], "car", ""} }), still())
		if err != nil {
			t.Fatal(err)
		}
		if f.Variances.Start[0] != 0 {
			t.Errorf("batch variance = %g, want 0 found as such", f.Variances.Start[0])
		}
		near(t, "residual variance", f.Variances.Pull, 13.80630963, 1e-5, 0)
		near(t, "criterion", f.Score, 161.828277812, 1e-9, 0)
		x, sd := cellEffect(t, f, "A")
		if x != 0 {
			t.Errorf("batch A = %g ± %g, want 0", x, sd)
		}
		t.Logf("%+v", f.Estimation)
	})
	t.Run("Pastes", func(t *testing.T) {
		y, data := read("pastes.csv", "strength")
		s := still()
		s.Session = Prior{SD: 1, Freedom: 0}
		f, err := Estimate(grouped(t, y, func(i int) group { return group{data["batch"][i], "car", data["sample"][i]} }), s)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "batch variance", f.Variances.Start[0], 1.65730880, 1e-5, 0)
		near(t, "sample variance", f.Variances.Session, 8.43366667, 1e-5, 0)
		near(t, "residual variance", f.Variances.Pull, 0.678, 1e-5, 0)
		near(t, "criterion", f.Score, 246.990745853, 1e-9, 0)
		for batch, want := range map[string]float64{"A": 0.800644, "B": -0.272508, "C": 0.722268, "D": -0.127814, "E": -1.502414, "H": 1.108121} {
			x, _ := cellEffect(t, f, batch)
			near(t, "batch "+batch, x, want, 0, 1e-4)
		}
		t.Logf("%+v", f.Estimation)
	})
	t.Run("Penicillin", func(t *testing.T) {
		y, data := read("penicillin.csv", "diameter")
		s := still()
		s.CarLevel = Prior{SD: 1, Freedom: 0}
		f, err := Estimate(grouped(t, y, func(i int) group { return group{data["plate"][i], data["sample"][i], ""} }), s)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "plate variance", f.Variances.Start[0], 0.716908348, 1e-5, 0)
		near(t, "sample variance", f.Variances.CarLevel, 3.730918538, 1e-5, 0)
		near(t, "residual variance", f.Variances.Pull, 0.302415446, 1e-5, 0)
		near(t, "criterion", f.Score, 330.860588991, 1e-9, 0)
		for plate, want := range map[string]float64{"a": 0.804547, "g": -1.375516, "m": 1.427422, "x": -1.219797} {
			x, _ := cellEffect(t, f, plate)
			near(t, "plate "+plate, x, want, 0, 1e-4)
		}
		t.Logf("%+v", f.Estimation)
	})
	// lmer(Reaction ~ Days + (1|Subject) + (0+Days|Subject), sleepstudy, control
	// as above): the errors of a cell start independent of each other, so it is
	// the model without the correlation that is the special case. The variances
	// are those in lme4's own vignette (25.0513², 5.9882², 25.5653², from
	// memory). A subject is a cell with two errors, one flat, one in proportion
	// to the days; the mean slope is the car's free answer to its ramp.
	t.Run("sleepstudy", func(t *testing.T) {
		y, data := read("sleepstudy.csv", "Reaction")
		s := still()
		s.Faults = []FaultModel{{fleet.FaultOther, Prior{SD: 10, Freedom: 0}, Fixed(0)}, {fleet.FaultGain, Prior{SD: 10, Freedom: 0}, Fixed(0)}}
		s.Pull.SD, s.RotatingSD = 10, math.Inf(1)
		h := grouped(t, y, func(i int) group { return group{data["Subject"][i], "car", data["Days"][i]} })
		for i := range h.Runs {
			days := number(t, data["Days"][i])
			h.Runs[i].Pulls[0].Signature = map[fleet.Fault][]float64{fleet.FaultGain: {days}, fleet.FaultInertia: {-days}}
		}
		f, err := Estimate(h, s)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "intercept variance", f.Variances.Start[0], 627.5690855609, 1e-5, 0)
		near(t, "slope variance", f.Variances.Start[1], 35.8582008303, 1e-5, 0)
		near(t, "residual variance", f.Variances.Pull, 653.5838093918, 1e-5, 0)
		near(t, "criterion", f.Score, 1743.6692935813, 1e-9, 0)
		near(t, "mean slope", f.g[1], 10.4672859596, 1e-8, 0)
		near(t, "mean intercept", f.g[0]+f.net.cars[0].ref[0], 251.4051048485, 1e-8, 0)
		near(t, "se of the mean intercept", math.Sqrt(f.inv[0]), 6.88538138761, 1e-5, 0)
		near(t, "se of the mean slope", math.Sqrt(f.inv[f.net.n+1]), 1.55956597992, 1e-5, 0)
		for subject, want := range map[string][2]float64{
			"308": {1.51269617, 9.323489320}, "309": {-40.37389791, -8.599169197}, "310": {-39.18104224, -5.387790532}, "330": {24.51890514, -4.968645765},
		} {
			e, _ := f.Errors(fleet.CellID(subject), f.At)
			near(t, "intercept of "+subject, e.Value[0], want[0], 0, 1e-4)
			near(t, "slope of "+subject, e.Value[1], want[1], 0, 1e-4)
		}
		t.Logf("%+v", f.Estimation)
	})
}

// One cell, one car, one pull a session is the local level model. Published
// variances of the Nile's flow: 15 099 and 1 469 (Durbin and Koopman, from
// memory). To more digits, R 4.2.2: the diffuse likelihood (first year given)
// written out and maximised by optim(BFGS, reltol 1e-16) gives 15098.5213 and
// 1469.1754 with −2·log L 1265.09125021; StructTS(Nile, type = "level") 15098.52
// and 1469.17; tsSmooth of it the level in 1871, 1898, 1920 and 1970.
func TestPublishedLocalLevel(t *testing.T) {
	data := table(t, "nile.csv")
	var y []float64
	for _, v := range data["flow"] {
		y = append(y, number(t, v))
	}
	s := still()
	// The level in the first year is the car's, which is free.
	s.Faults = []FaultModel{{fleet.FaultOther, Fixed(50), Prior{SD: 50, Freedom: 0}}}
	s.Pull.SD = 100
	h := grouped(t, y, func(i int) group { return group{"aswan", "nile", data["year"][i]} })
	// Before the weeks, the years.
	f, err := Estimate(h, s)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "variance of the flow", f.Variances.Pull, 15099, 0, 1)
	near(t, "variance of the level", f.Variances.Walk[0], 1469, 0, 1)
	near(t, "variance of the flow", f.Variances.Pull, 15098.5213, 1e-5, 0)
	near(t, "variance of the level", f.Variances.Walk[0], 1469.1754, 1e-5, 0)
	near(t, "criterion", f.Score, 1265.0912502061, 1e-9, 0)
	var times []time.Time
	for _, i := range []int{0, 27, 49, 99} {
		times = append(times, h.Runs[i].At)
	}
	// The car's level belongs to the level: add its estimate.
	level, ok := f.Smooth("aswan", times)
	if !ok {
		t.Fatal("no path")
	}
	for i, want := range []float64{1111.6687786, 999.5858754, 834.7629667, 798.3674382} {
		near(t, fmt.Sprintf("level of year %d", i), level[i].Value[0]+f.g[0]+f.net.cars[0].ref[0], want, 1e-4, 0)
	}
	t.Logf("%+v %+v", f.Variances, f.Estimation)
}
