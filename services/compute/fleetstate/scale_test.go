package fleetstate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// chain invents a large fleet: regions of up to 67 cells with four reference
// cars each that rotate within the region, and once in half a year one car of
// each region is lent to the next for a month, so that all regions are joined.
// Pulls of a car share their signatures, which keeps the invention small.
func chain(cells, cars, weeks int, seed uint64) History {
	r := rand.New(rand.NewPCG(seed, 3))
	const points, perRegion = 12, 4
	regions := max(1, cars/perRegion)
	s := DefaultSettings()
	v := s.Stated()
	sd := math.Sqrt
	type slow struct {
		base []float64
		sig  map[fleet.Fault][]float64
	}
	kinds := make([][2]slow, cars)
	for j := range kinds {
		for ramp := range 2 {
			a := [2]float64{0.5, 1.2}[ramp]
			k := &kinds[j][ramp]
			k.sig = map[fleet.Fault][]float64{}
			for p := range points {
				u := (float64(p) + 0.5) / points
				force := 2300 + 350*float64(j%7) + 900*math.Sin(math.Pi*(0.15+0.7*u)) - (45+10*float64(j%5))*a
				speed := 18 + 17*u
				brake := force - 1400*a - 40 - 0.6*speed - 0.04*speed*speed
				k.base = append(k.base, math.Log(force))
				for f, x := range map[fleet.Fault]float64{
					fleet.FaultGain: brake / force, fleet.FaultZero: 1 / force, fleet.FaultInertia: a / force, fleet.FaultParasitic: -1 / force, fleet.FaultAir: 1,
				} {
					k.sig[f] = append(k.sig[f], x)
				}
			}
		}
	}
	level := make([]float64, cars)
	x := make([][]float64, cells)
	for c := range x {
		for f := range s.Faults {
			x[c] = append(x[c], sd(v.Start[f])*r.NormFloat64())
		}
	}
	var h History
	h.Runs = make([]refrun.Run, 0, cells*weeks)
	for w := range weeks {
		for j := range level {
			level[j] += sd(v.CarWalk) * r.NormFloat64()
		}
		for c := range cells {
			for f := range s.Faults {
				x[c][f] += sd(v.Walk[f]) * r.NormFloat64()
			}
			region := c * regions / cells
			k := (c + w) % perRegion
			if k == 0 && w%26 >= 22 {
				region = (region + 1) % regions
			}
			j := (region*perRegion + k) % cars
			at := start.Add(time.Duration(w)*Week + time.Duration(c)*time.Minute)
			run := refrun.Run{ID: fleet.RunID(fmt.Sprintf("%08x", w*100000+c)), Cell: cellID(c), Car: carID(j), At: at}
			u := sd(v.Session) * r.NormFloat64()
			for p := range 4 {
				kind := &kinds[j][p%2]
				e := u + level[j] + sd(v.Pull)*r.NormFloat64()
				pull := refrun.Pull{ID: "p", At: at, Y: make([]float64, points), Signature: kind.sig}
				for i := range points {
					y := kind.base[i] + e + sd(v.Point)*r.NormFloat64()
					for f, m := range s.Faults {
						sig := 1.0
						if m.Fault != fleet.FaultOther {
							sig = kind.sig[m.Fault][i]
						}
						y += x[c][f] * sig
					}
					pull.Y[i] = y
				}
				run.Pulls = append(run.Pulls, pull)
			}
			h.Runs = append(h.Runs, run)
			if (w+c)%4 == 0 {
				h.Observations = append(h.Observations, Observation{
					Cell: cellID(c), ID: fmt.Sprintf("dw%d", w), At: at.Add(-time.Hour), Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero},
					Value:      []float64{x[c][0] + deadGain*r.NormFloat64(), x[c][1] + deadZero*r.NormFloat64()},
					Covariance: [][]float64{{deadGain * deadGain, 0}, {0, deadZero * deadZero}},
				})
			}
		}
	}
	return h
}

// spent is the processor time of this process so far.
func spent() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		panic(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

func TestScaleProbe(t *testing.T) {
	for _, size := range [][3]int{{40, 8, 65}, {40, 8, 130}, {40, 8, 260}} {
		h := chain(size[0], size[1], size[2], 1)
		s := DefaultSettings()
		a := spent()
		net, err := begin(h, s)
		if err != nil {
			t.Fatal(err)
		}
		b := spent()
		v, e, err := net.variances(h)
		if err != nil {
			t.Fatal(err)
		}
		c := spent()
		f, err := net.fit(v, e)
		if err != nil {
			t.Fatal(err)
		}
		d := spent()
		last := h.Runs[len(h.Runs)-1]
		last.ID, last.At = "new", last.At.Add(Week)
		w := time.Now()
		if _, err := f.Update(History{Runs: []refrun.Run{last}}); err != nil {
			t.Fatal(err)
		}
		wall := time.Since(w)
		t.Log(size, "lay", b-a, "variances", c-b, e.Evaluations, e.Converged, e.Cells, e.Sessions, "fit", d-c, "update", spent()-d, wall, "unknowns", net.n, "cols", len(net.cells[0].cols))
	}
}
