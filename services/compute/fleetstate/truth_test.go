package fleetstate

import (
	"math"
	"testing"
	"time"
)

func TestProbeREML(t *testing.T) {
	s := DefaultSettings()
	v := s.Stated()
	for seed := range uint64(3) {
		in := plan{cells: 12, cars: 4, weeks: 104, seed: seed, v: v, faults: s.Faults, checkEvery: 4}.invent()
		began := time.Now()
		f, err := Estimate(in.h, s)
		if err != nil {
			t.Fatal(err)
		}
		t.Log(time.Since(began), f.Estimation)
		got, want := f.Variances.vector(), v.vector()
		for i, n := range s.names() {
			t.Logf("%-28s %.4g (true %.4g) freedom %.1f", n, math.Sqrt(got[i]), math.Sqrt(want[i]), f.Estimation.Freedom[n])
		}
		t.Log(len(f.Weighted()))
	}
}
