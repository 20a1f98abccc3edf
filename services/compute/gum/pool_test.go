package gum

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
)

// The 13 trials of Colditz et al. 1994, log relative risk, pooled by R's metafor with
// tight tolerances; and two invented sets of five values, computed by the same.
func TestPoolPublished(t *testing.T) {
	file, err := os.Open("../../../testdata/bcg_log_rr.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	r := csv.NewReader(file)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var trials, u []float64
	for _, row := range rows[1:] {
		y, err1 := strconv.ParseFloat(row[1], 64)
		v, err2 := strconv.ParseFloat(row[2], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(row, err1, err2)
		}
		trials, u = append(trials, y), append(u, math.Sqrt(v))
	}
	cells, uCells := []float64{10.02, 9.97, 10.11, 9.88, 10.30}, []float64{0.05, 0.04, 0.06, 0.08, 0.05}
	five, uFive := []float64{100.2, 99.7, 100.9, 100.1, 101.6}, []float64{0.4, 0.5, 0.3, 0.6, 0.5}
	for name, c := range map[string]struct {
		y, u                    []float64
		method                  PoolMethod
		mean, se, tau2, q, part float64
	}{
		"trials, DerSimonian–Laird": {trials, u, DerSimonianLaird, -0.714117222073, 0.178742089535, 0.308760262862, 152.233008082, 0.921173468546},
		"trials, Paule–Mandel":      {trials, u, PauleMandel, -0.714968153492, 0.180892191533, 0.318068452186, 152.233008082, 0.923303379537},
		"trials, REML":              {trials, u, RestrictedLikelihood, -0.714532342158, 0.179781516105, 0.313243258136, 152.233008082, 0.922213845213},
		"cells, DerSimonian–Laird":  {cells, uCells, DerSimonianLaird, 10.0599015501, 0.070180734, 0.0214120309689, 34.4507555099, 0},
		"cells, Paule–Mandel":       {cells, uCells, PauleMandel, 10.0598241285, 0.0709992301, 0.0219875473619, 34.4507555099, 0},
		"cells, REML":               {cells, uCells, RestrictedLikelihood, 10.0598504376, 0.0707185269, 0.0217894111697, 34.4507555099, 0},
		"five, DerSimonian–Laird":   {five, uFive, DerSimonianLaird, 100.532775, 0.3124772926, 0.2832010072, 9.933584512, 0},
		"five, Paule–Mandel":        {five, uFive, PauleMandel, 100.5299751, 0.3265940224, 0.3268902341, 9.933584512, 0},
	} {
		got, err := Pool(c.y, c.u, c.method)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, x := range []struct {
			what      string
			got, want float64
		}{{"mean", got.Mean, c.mean}, {"u", got.U, c.se}, {"variance between", got.Between * got.Between, c.tau2}, {"Q", got.Q, c.q}, {"share", got.Share, c.part}} {
			if x.want != 0 && math.Abs(x.got/x.want-1) > 2e-9 {
				t.Errorf("%s: %s %.12g, want %.12g", name, x.what, x.got, x.want)
			}
		}
	}
}

// Values that agree within their uncertainties have nothing between them, and what
// cannot be pooled is refused.
func TestPoolEdges(t *testing.T) {
	for _, m := range []PoolMethod{DerSimonianLaird, PauleMandel, RestrictedLikelihood} {
		got, err := Pool([]float64{1, 1.01, 0.99}, []float64{0.1, 0.1, 0.1}, m)
		if err != nil || got.Between != 0 || math.Abs(got.Mean-1) > 1e-12 || math.Abs(got.U-0.1/math.Sqrt(3)) > 1e-12 {
			t.Errorf("method %d: %+v, %v", m, got, err)
		}
	}
	for _, c := range []struct{ y, u []float64 }{{[]float64{1}, []float64{1}}, {[]float64{1, 2}, []float64{1}}, {[]float64{1, 2}, []float64{1, 0}}, {[]float64{1, math.NaN()}, []float64{1, 1}}} {
		if got, err := Pool(c.y, c.u, PauleMandel); err == nil {
			t.Errorf("%v ± %v: %+v", c.y, c.u, got)
		}
	}
	if _, err := Pool([]float64{1, 2}, []float64{1, 1}, 9); err == nil {
		t.Error("a method that is none")
	}
}
