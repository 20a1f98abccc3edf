package fleetstate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// invented is a fleet drawn from the model itself, with its truth.
type invented struct {
	h     History
	x     [][][]float64 // by cell, week: the errors
	level [][]float64   // by car, week: the car's own change
	w     [][]float64   // by cell: mean signature of its pulls over the band
}

// plan is what to invent.
type plan struct {
	cells, cars, weeks int
	points             int
	seed               uint64
	v                  Variances
	faults             []FaultModel
	pulls              int
	visit              func(c, w int) int // car, −1 none; nil: rotating
	restart            func(c, w int) []fleet.Fault
	fault              func(c, w int) []float64 // added to the errors; nil: none
	fade               func(j, w int) float64   // added to the car's level
	checkEvery         int                      // weeks between dead weights; 0: none
	hand               func(*refrun.Run, *rand.Rand)
}

var start = time.Date(2023, 1, 2, 8, 0, 0, 0, time.UTC)

func cellID(c int) fleet.CellID { return fleet.CellID(fmt.Sprintf("cell-%04d", c)) }
func carID(j int) fleet.CarID   { return fleet.CarID(fmt.Sprintf("car-%02d", j)) }

func visitAt(c, w int) time.Time {
	return start.Add(time.Duration(w)*Week + time.Duration(c%120)*time.Hour)
}

const (
	deadGain = 0.0008 // u of a dead-weight check's gain
	deadZero = 1.5    // N
)

func (p plan) invent() invented {
	r := rand.New(rand.NewPCG(p.seed, 77))
	d := len(p.faults)
	if p.points == 0 {
		p.points = 12
	}
	if p.pulls == 0 {
		p.pulls = 4
	}
	out := invented{x: make([][][]float64, p.cells), level: make([][]float64, p.cars), w: make([][]float64, p.cells)}
	sd := func(v float64) float64 { return math.Sqrt(v) }
	for j := range p.cars {
		l := 0.0
		for w := range p.weeks {
			if w > 0 {
				l += sd(p.v.CarWalk) * r.NormFloat64()
			}
			at := l
			if p.fade != nil {
				at += p.fade(j, w)
			}
			out.level[j] = append(out.level[j], at)
		}
	}
	state := make([][]float64, p.cells)
	for c := range state {
		state[c] = make([]float64, d)
		out.w[c] = make([]float64, d)
		for f := range d {
			state[c][f] = sd(p.v.Start[f]) * r.NormFloat64()
		}
	}
	counts := make([]float64, p.cells)
	for w := range p.weeks {
		for c := range p.cells {
			if w > 0 {
				for f := range d {
					state[c][f] += sd(p.v.Walk[f]) * r.NormFloat64()
				}
			}
			if p.restart != nil && w > 0 {
				if which := p.restart(c, w); which != nil {
					for f := range d {
						for _, g := range which {
							if p.faults[f].Fault == g {
								state[c][f] = sd(p.v.Start[f]) * r.NormFloat64()
							}
						}
					}
					out.h.Restarts = append(out.h.Restarts, Restart{Cell: cellID(c), At: visitAt(c, w).Add(-20 * time.Minute), Faults: which})
				}
			}
			x := append([]float64(nil), state[c]...)
			if p.fault != nil {
				for f, add := range p.fault(c, w) {
					x[f] += add
				}
			}
			out.x[c] = append(out.x[c], x)
			if p.checkEvery > 0 && (w+c)%p.checkEvery == 0 {
				o := Observation{Cell: cellID(c), ID: fmt.Sprintf("dw-%d-%d", c, w), At: visitAt(c, w).Add(-10 * time.Minute), AsLeft: true}
				for f, m := range p.faults {
					switch m.Fault {
					case fleet.FaultGain:
						o.Faults, o.Value = append(o.Faults, m.Fault), append(o.Value, x[f]+deadGain*r.NormFloat64())
					case fleet.FaultZero:
						o.Faults, o.Value = append(o.Faults, m.Fault), append(o.Value, x[f]+deadZero*r.NormFloat64())
					}
				}
				for i, f := range o.Faults {
					row := make([]float64, len(o.Faults))
					row[i] = deadGain * deadGain
					if f == fleet.FaultZero {
						row[i] = deadZero * deadZero
					}
					o.Covariance = append(o.Covariance, row)
				}
				if len(o.Faults) > 0 {
					out.h.Observations = append(out.h.Observations, o)
				}
			}
			j := (c + w) % p.cars
			if p.visit != nil {
				j = p.visit(c, w)
			}
			if j < 0 {
				continue
			}
			run := refrun.Run{
				ID: fleet.RunID(fmt.Sprintf("%032x", w*100000+c+1)), Site: fleet.SiteID(fmt.Sprintf("site-%d", c/2)),
				Cell: cellID(c), Car: carID(j), Session: fmt.Sprint(w), At: visitAt(c, w),
			}
			u := sd(p.v.Session) * r.NormFloat64()
			tilt := make([]float64, 3)
			for i := range tilt {
				tilt[i] = sd(p.v.Tilt) * r.NormFloat64()
			}
			bend := bandModes(p.points, 4)
			for i := range p.pulls {
				e := sd(p.v.Pull) * r.NormFloat64()
				a := [2]float64{0.5, 1.2}[i%2]
				pull := refrun.Pull{
					ID: fleet.PullID(fmt.Sprintf("%d-%d-%d", w, c, i)), At: run.At.Add(time.Duration(i) * 3 * time.Minute),
					RampRate: 50 * a, Signature: map[fleet.Fault][]float64{},
				}
				sig := make([]float64, d)
				for k := range p.points {
					s := (float64(k) + 0.5) / float64(p.points)
					force := 2300 + 350*float64(j%7) + 900*math.Sin(math.Pi*(0.15+0.7*s)) - (45+10*float64(j%5))*a
					speed := 18 + 17*s
					brake := force - 1400*a - 40 - 0.6*speed - 0.04*speed*speed
					for _, m := range append(p.faults[:d:d], FaultModel{Fault: fleet.FaultInertia}) {
						f := m.Fault
						value := map[fleet.Fault]float64{
							fleet.FaultGain: brake / force, fleet.FaultZero: 1 / force, fleet.FaultInertia: a / force,
							fleet.FaultParasitic: -1 / force, fleet.FaultAir: 1, fleet.FaultOther: 1,
						}[f]
						if len(pull.Signature[f]) <= k {
							pull.Signature[f] = append(pull.Signature[f], value)
						}
					}
					y := math.Log(force) + u + e + out.level[j][w] + sd(p.v.Point)*r.NormFloat64()
					for i, t := range tilt {
						if i+1 < len(bend) {
							y += t * bend[i+1][k] * math.Sqrt(float64(p.points))
						}
					}
					for f, m := range p.faults {
						sig[f] = pull.Signature[m.Fault][k]
						y += x[f] * sig[f]
						out.w[c][f] += sig[f]
						if f == 0 {
							counts[c]++
						}
					}
					pull.Y = append(pull.Y, y)
				}
				run.Pulls = append(run.Pulls, pull)
			}
			if p.hand != nil {
				p.hand(&run, r)
			}
			out.h.Runs = append(out.h.Runs, run)
		}
	}
	for c := range out.w {
		for f := range out.w[c] {
			out.w[c][f] /= math.Max(1, counts[c])
		}
	}
	return out
}

// offset is the truth of a cell's offset in a week, at its mean signature.
func (i *invented) offset(c, w int) float64 {
	s := 0.0
	for f, x := range i.x[c][w] {
		s += x * i.w[c][f]
	}
	return s
}
