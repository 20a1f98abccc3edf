package fleetstate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"syscall"
	"testing"
	"time"

	"rollcall/services/compute/drift/drifttest"
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

// measured is what a size cost, processor seconds.
type measured struct {
	cells, weeks        int
	lay, variances, fit float64
	update, verdict     time.Duration
	unknowns            int
}

func measure(t testing.TB, cells, cars, weeks int, full bool) measured {
	h := chain(cells, cars, weeks, 1)
	s := DefaultSettings()
	m := measured{cells: cells, weeks: weeks}
	a := spent()
	net, err := begin(h, s)
	if err != nil {
		t.Fatal(err)
	}
	b := spent()
	v, e := s.Stated(), Estimation{}
	if full {
		if v, e, err = net.variances(h, net.s.Stated()); err != nil {
			t.Fatal(err)
		}
	}
	c := spent()
	f, err := net.fit(v, e)
	if err != nil {
		t.Fatal(err)
	}
	d := spent()
	m.lay, m.variances, m.fit, m.unknowns = (b - a).Seconds(), (c - b).Seconds(), (d - c).Seconds(), net.n
	// New runs, one by one, and what is asked after each: every cell's degree of
	// equivalence, the cell's and car's changes weighed, and the causes as if it were
	// flagged. The middle of five.
	var took, asked []time.Duration
	for i := range 5 {
		last := h.Runs[len(h.Runs)-1-i]
		last.ID, last.At = fleet.RunID(fmt.Sprint("new", i)), f.At.Add(time.Hour)
		before := spent()
		if _, err := f.Update(History{Runs: []refrun.Run{last}}); err != nil {
			t.Fatal(err)
		}
		taken := spent()
		took = append(took, taken-before)
		f.Equivalences(f.At)
		f.CarOutlook(last.Car, 0.2, 0.01)
		for _, ask := range []func() error{
			func() error { _, err := f.Forecast(last.Cell, 0.01, 26*Week, DefaultCauseSettings()); return err },
			func() error { _, err := f.Cause(last.Cell, DefaultCauseSettings()); return err },
		} {
			if err := ask(); err != nil {
				t.Fatal(err)
			}
		}
		asked = append(asked, spent()-taken)
	}
	slices.Sort(took)
	slices.Sort(asked)
	m.update, m.verdict = took[2], asked[2]
	t.Logf("%d cells, %d cars, %d weeks, %d unknowns: lay %.1f s, variances %.1f s (%d cells, %d sessions, %d evaluations, settled %v), fit %.1f s of processor time; one new run %v, what is asked after it %v",
		cells, cars, weeks, net.n, m.lay, m.variances, e.Cells, e.Sessions, e.Evaluations, e.Converged, m.fit, m.update, m.verdict)
	return m
}

// The cost of a refit grows no faster than n·log n in cells and in weeks: at four
// sizes each, by processor time, with room for the machine's mood. ROLLCALL_SCALE
// set to "full" measures up to the chain of 1000 cells × 260 weeks, with the
// search for the variances. Measured so on two cores, seconds of processor time at 60
// cars (1444 unknowns), 3.1 GB at most with what is invented:
//
//	cells × weeks   lay   variances   fit    one new run   what is asked after it
//	125 × 260       0.5     14.3       2.4      10 ms         28 ms
//	250 × 260       0.6     20.4       4.7       9 ms         31 ms
//	500 × 260       1.5     15.1       8.9      10 ms         33 ms
//	1000 × 260      3.0     13.4      14.1      12 ms         40 ms
//	100 × 65        0.0     21.3       0.9       6 ms         19 ms
//	100 × 130       0.1     20.6       1.6      10 ms         25 ms
//	100 × 260       0.2     18.9       1.8      12 ms         29 ms
//	100 × 520       0.5     16.7       3.6       9 ms         37 ms
//
// The variances come from 6000 sessions whatever the size.
func TestScale(t *testing.T) {
	if testing.Short() || drifttest.RaceDetector {
		t.Skip("takes a minute")
	}
	cells, weeks, cars, fixed, long := []int{16, 32, 64, 128}, []int{65, 130, 260, 520}, 8, 24, 104
	full := os.Getenv("ROLLCALL_SCALE") == "full"
	if full {
		cells, weeks, cars, fixed, long = []int{125, 250, 500, 1000}, []int{65, 130, 260, 520}, 60, 100, 260
	}
	grow := func(what string, a, b measured, x, y int) {
		n, m := float64(x), float64(y)
		limit := m * math.Log(m) / (n * math.Log(n))
		got := (b.lay + b.fit) / (a.lay + a.fit)
		t.Logf("%s %d to %d: × %.2f, n·log n × %.2f", what, x, y, got, limit)
		if got > 2*limit {
			t.Errorf("%s %d to %d cost × %.2f, n·log n × %.2f", what, x, y, got, limit)
		}
	}
	var before measured
	for i, n := range cells {
		m := measure(t, n, cars, long, full)
		if i > 0 {
			grow("cells", before, m, cells[i-1], n)
		}
		before = m
	}
	for i, n := range weeks {
		m := measure(t, fixed, cars, n, full)
		if i > 0 {
			grow("weeks", before, m, weeks[i-1], n)
		}
		before = m
	}
}
