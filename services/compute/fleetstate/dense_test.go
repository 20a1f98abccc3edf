package fleetstate

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// dense is the model written out in full: the covariance of every band point of
// every pull and of every observation, and the covariance of those with what is
// asked for. Source: the definitions; best linear unbiased prediction,
// generalised least squares.
type dense struct {
	x, cov map[fleet.CellID]*mat.Dense // errors at the end: d × 1 and d × d
	score  float64
	past   map[fleet.CellID]*mat.Dense // at the asked week
	pastV  map[fleet.CellID]*mat.Dense
}

// at is where a cell's error stands: the walk's time since its start, and which
// start.
type place struct {
	epoch int
	week  float64
}

func newDense(t *testing.T, h History, s Settings, v Variances, end, asked float64) dense {
	t.Helper()
	net, err := lay(h, s, nil)
	if err != nil {
		t.Fatal(err)
	}
	d, k := net.d(), len(net.modes[0])
	type obs struct {
		run   *refrun.Run
		pull  int
		k     int
		car   int
		sig   []float64
		w     float64
		cell  int
		place []place
		sess  int
		o     *Observation
		oi    int
		y     float64
	}
	var all []obs
	places := func(c *cellTrack, upto int, week float64) []place {
		out := make([]place, d)
		for f := range d {
			out[f] = place{0, c.events[0].week}
		}
		for i := range c.events[:upto] {
			if e := &c.events[i]; e.kind == restart {
				for f := range d {
					if e.mask>>f&1 == 1 {
						out[f] = place{i + 1, e.week}
					}
				}
			}
		}
		for f := range out {
			out[f].week = week - out[f].week
		}
		return out
	}
	sess := 0
	for ci := range net.cells {
		c := &net.cells[ci]
		for i := range c.events {
			e := &c.events[i]
			switch e.kind {
			case session:
				sess++
				r := &net.runs[e.run]
				for p := range r.Pulls {
					for kk := range k {
						o := obs{run: r, pull: p, k: kk, car: e.car, w: e.week, cell: ci, place: places(c, i, e.week), sess: sess, y: r.Pulls[p].Y[kk]}
						for _, m := range s.Faults {
							o.sig = append(o.sig, signature(&r.Pulls[p], m.Fault, ones(k), net.cars[e.car].curve)[kk])
						}
						all = append(all, o)
					}
				}
			case asFound, asLeft:
				for j := range h.Observations {
					if h.Observations[j].ID != e.id {
						continue
					}
					for oi, f := range h.Observations[j].Faults {
						sig := make([]float64, d)
						sig[net.faultPlace(f)] = 1
						all = append(all, obs{car: -1, sig: sig, w: e.week, cell: ci, place: places(c, i, e.week), o: &h.Observations[j], oi: oi, y: h.Observations[j].Value[oi]})
					}
				}
			}
		}
	}
	// Covariance of two states of one cell's error f.
	shared := func(f int, a, b place) float64 {
		if a.epoch != b.epoch {
			return 0
		}
		return v.Start[f] + v.Walk[f]*math.Min(a.week, b.week)
	}
	n := len(all)
	big := mat.NewSymDense(n, nil)
	var cols int
	for range net.cars {
		cols += net.q()
	}
	design := mat.NewDense(n, cols, nil)
	y := mat.NewVecDense(n, nil)
	knots := func(o *obs, car int) []float64 {
		c := &net.cars[car]
		out := make([]float64, len(c.knots))
		kn, part := c.place(o.w)
		for i, g := range kn {
			for j, h := range c.knots {
				if g == h {
					out[j] += part[i]
				}
			}
		}
		return out
	}
	bend := net.modes
	for i := range all {
		a := &all[i]
		y.SetVec(i, a.y)
		if a.car >= 0 {
			for m := range net.q() {
				design.Set(i, a.car*net.q()+m, bend[m][a.k]*math.Sqrt(float64(k)))
			}
		}
		for j := i; j < n; j++ {
			b := &all[j]
			cv := 0.0
			if a.cell == b.cell {
				for f := range d {
					cv += a.sig[f] * b.sig[f] * shared(f, a.place[f], b.place[f])
				}
			}
			if a.o != nil && a.o == b.o {
				cv += a.o.Covariance[a.oi][b.oi]
			}
			if a.car >= 0 && a.car == b.car {
				ra, rb := a.run.Pulls[a.pull].Signature[fleet.FaultInertia][a.k], b.run.Pulls[b.pull].Signature[fleet.FaultInertia][b.k]
				cv += s.RotatingSD * s.RotatingSD * ra * rb
				za, zb := 0.0, 0.0
				if a.run.Air.Temperature > 0 {
					za = (a.run.Air.Temperature - intakeAt) / intakeUnit
				}
				if b.run.Air.Temperature > 0 {
					zb = (b.run.Air.Temperature - intakeAt) / intakeUnit
				}
				cv += s.IntakeSD * s.IntakeSD * za * zb
				ka, kb := knots(a, a.car), knots(b, b.car)
				for p := range ka {
					for q := range kb {
						cv += ka[p] * kb[q] * v.CarWalk * (net.cars[a.car].weeks[min(p, q)+1] - net.cars[a.car].start)
					}
				}
				if a.sess == b.sess {
					cv += v.Session
					for m := 1; m < net.q(); m++ {
						cv += v.Tilt * float64(k) * bend[m][a.k] * bend[m][b.k]
					}
					if a.pull == b.pull {
						cv += v.Pull
						if a.k == b.k {
							cv += v.Point
						}
					}
				}
			}
			big.SetSym(i, j, cv)
		}
	}
	var chol, chol2 mat.Cholesky
	if !chol.Factorize(big) {
		t.Fatal("the dense covariance is not positive definite")
	}
	var vx, xvx mat.Dense
	if err := chol.SolveTo(&vx, design); err != nil {
		t.Fatal(err)
	}
	xvx.Mul(design.T(), &vx)
	sym := mat.NewSymDense(cols, nil)
	for i := range cols {
		for j := i; j < cols; j++ {
			sym.SetSym(i, j, (xvx.At(i, j)+xvx.At(j, i))/2)
		}
	}
	if !chol2.Factorize(sym) {
		t.Fatal("the dense design has dependent columns")
	}
	var vy, xvy, beta, fitted, res, pr mat.VecDense
	if err := chol.SolveVecTo(&vy, y); err != nil {
		t.Fatal(err)
	}
	xvy.MulVec(design.T(), &vy)
	if err := chol2.SolveVecTo(&beta, &xvy); err != nil {
		t.Fatal(err)
	}
	fitted.MulVec(design, &beta)
	res.SubVec(y, &fitted)
	if err := chol.SolveVecTo(&pr, &res); err != nil {
		t.Fatal(err)
	}
	out := dense{
		x: map[fleet.CellID]*mat.Dense{}, cov: map[fleet.CellID]*mat.Dense{},
		past: map[fleet.CellID]*mat.Dense{}, pastV: map[fleet.CellID]*mat.Dense{},
	}
	out.score = chol.LogDet() + chol2.LogDet() + mat.Dot(&res, &pr) + float64(n-cols)*math.Log(2*math.Pi)
	predict := func(ci int, to []place) (*mat.Dense, *mat.Dense) {
		g := mat.NewDense(n, d, nil)
		for i := range all {
			for f := range d {
				if all[i].cell == ci {
					g.Set(i, f, all[i].sig[f]*shared(f, all[i].place[f], to[f]))
				}
			}
		}
		var x mat.Dense
		x.Mul(g.T(), &pr)
		var vg, cov, a, xa, tmp mat.Dense
		if err := chol.SolveTo(&vg, g); err != nil {
			t.Fatal(err)
		}
		cov.Mul(g.T(), &vg)
		cov.Scale(-1, &cov)
		for f := range d {
			cov.Set(f, f, cov.At(f, f)+shared(f, to[f], to[f]))
		}
		a.Mul(design.T(), &vg)
		if err := chol2.SolveTo(&xa, &a); err != nil {
			t.Fatal(err)
		}
		tmp.Mul(a.T(), &xa)
		cov.Add(&cov, &tmp)
		return &x, &cov
	}
	for ci := range net.cells {
		c := &net.cells[ci]
		out.x[c.id], out.cov[c.id] = predict(ci, places(c, len(c.events), end))
		if asked > 0 {
			upto := 0
			for upto < len(c.events) && c.events[upto].week <= asked {
				upto++
			}
			out.past[c.id], out.pastV[c.id] = predict(ci, places(c, upto, asked))
		}
	}
	return out
}

// smallPlan is a fleet with all that can happen to one: three cells of which one
// comes late, two cars of which one is repaired, missed weeks, a recalibration,
// a cell moved, dead weights, unequal numbers of pulls, warm and cold air.
func smallPlan() (History, Settings, Variances) {
	s := DefaultSettings()
	s.Modes = 5
	s.KnotSpacing = 3 * Week
	s.FarOut = math.Inf(1)
	v := s.Stated()
	p := plan{
		cells: 3, cars: 2, weeks: 12, points: 5, seed: 5, v: v, faults: s.Faults, pulls: 3, checkEvery: 4,
		visit: func(c, w int) int {
			if (c == 2 && w < 4) || (c == 1 && w%3 == 1) {
				return -1
			}
			return (c + w/2) % 2
		},
		restart: func(c, w int) []fleet.Fault {
			switch {
			case c == 0 && w == 5:
				return []fleet.Fault{fleet.FaultGain, fleet.FaultZero}
			case c == 1 && w == 8:
				return []fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic, fleet.FaultAir, fleet.FaultOther}
			}
			return nil
		},
	}
	h := p.invent().h
	for i := range h.Runs {
		h.Runs[i].Air.Temperature = 285 + float64(i*7%17)
		if i%5 == 0 {
			h.Runs[i].Pulls = h.Runs[i].Pulls[:1+i%3]
		}
	}
	h.Restarts = append(h.Restarts, Restart{Car: carID(1), At: visitAt(0, 6)})
	return h, s, v
}

// Errors, covariances and likelihood equal the model written out densely to
// 1e-9 of their own size, with knots close throughout and not.
func TestSolveAgainstDense(t *testing.T) {
	h, s, v := smallPlan()
	end := visitAt(2, 13)
	for _, knots := range []int{18, 3} {
		s.MostKnots = knots
		f, err := Solve(h, s, v)
		if err != nil {
			t.Fatal(err)
		}
		want := newDense(t, h, s, v, weekOf(end), 0)
		score := math.Abs(f.Score/want.score - 1)
		worst, worstCov := 0.0, 0.0
		for _, id := range f.Cells() {
			got, ok := f.Errors(id, end)
			if !ok {
				t.Fatalf("no errors of %s", id)
			}
			for i := range got.Value {
				sd := math.Sqrt(want.cov[id].At(i, i))
				worst = math.Max(worst, math.Abs(got.Value[i]-want.x[id].At(i, 0))/sd)
				for j := range got.Value {
					sdj := math.Sqrt(want.cov[id].At(j, j))
					worstCov = math.Max(worstCov, math.Abs(got.Covariance[i][j]-want.cov[id].At(i, j))/(sd*sdj))
				}
			}
		}
		if worst > 1e-9 || worstCov > 1e-9 || score > 1e-9 {
			t.Errorf("%d knots: errors differ by %.2g sd, covariances by %.2g, score by %.2g of itself, want 1e-9", knots, worst, worstCov, score)
		}
		t.Logf("%d knots: errors to %.2g sd, covariances to %.2g, score to %.2g", knots, worst, worstCov, score)
	}
}
