package powercurve

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
)

// Scope says who shares an input's error.
type Scope string

// The scopes, from narrow to wide.
const (
	ScopePoint Scope = "point" // noise: one point, and neighbours whose windows overlap
	ScopePull  Scope = "pull"  // all points of one pull
	ScopeLoss  Scope = "loss"  // every pull that uses this coast-down
	ScopeCar   Scope = "car"   // every pull of one car and set-up
	ScopeEpoch Scope = "epoch" // every pull under one load-cell calibration
	ScopeCell  Scope = "cell"  // every pull of one cell
)

// Shared is an input whose error is common to all points of a trace, and to
// those of every other trace that has a Shared of the same name and key.
type Shared struct {
	Name  string
	Scope Scope
	// Key is what the input is a property of, with its value where a new
	// determination brings a new error. Two traces with the same Name and Key
	// have one and the same error in it; empty: it is this pull's alone.
	Key         string
	Value       float64
	Unit        string
	U           float64   // standard uncertainty, Unit
	DoF         float64   // gum.Infinite when U is taken as known
	TypeA       bool      // from scatter seen; else type B
	Sensitivity []float64 // ∂figure/∂input at each point
}

// Trace is one figure along a grid with the covariance of its points:
//
//	cov(y_i, y_j) = Σ_ab c_ia·u_a·R_ab·u_b·c_jb + r_ij·own_i·own_j
//
// over the shared inputs a, b with the correlations R of Correlations (1 with
// itself, 0 where none is listed), and the own noise, correlated by r where the
// windows of neighbours overlap. Points at which the figure is not stated are
// left out.
type Trace struct {
	Figure      Figure
	EngineSpeed []float64 // rad/s
	Speed       []float64 // m/s
	Value       []float64
	Own         []float64 // standard uncertainty, noise
	Shared      []Shared
	// Correlations are between indices of Shared.
	Correlations []gum.Correlation
	DoFOwn       float64 // degrees of freedom of Own

	index []int
	near  nearness
}

// ErrNoModel is returned for a curve that was not made by Reduce, or whose
// figure is stated nowhere.
var ErrNoModel = errors.New("powercurve: the curve does not say what its uncertainty is made of")

// Grid says which points of a curve are meant.
type Grid uint8

// The grids.
const (
	OnPoints Grid = iota // Curve.Points
	OnBand               // Curve.Band
	OnSpeed              // Curve.BySpeed
)

// String returns the grid's name.
func (g Grid) String() string {
	switch g {
	case OnPoints:
		return "engine-speed grid"
	case OnBand:
		return "band"
	case OnSpeed:
		return "speed grid"
	}
	return "unknown grid"
}

// laid is one grid of a curve with what its uncertainty is made of.
type laid struct {
	model *model
	near  nearness
}

// on returns the points of a grid.
func (c *Curve) on(g Grid) ([]Point, *laid, error) {
	if g > OnSpeed || c.laid[g].model == nil {
		return nil, nil, fmt.Errorf("%w: it has no %s", ErrNoModel, g)
	}
	points := [...][]Point{c.Points, c.Band, c.BySpeed}[g]
	return points, &c.laid[g], nil
}

// Trace returns a figure along a grid with its covariances. It returns
// ErrNoModel for a curve that Reduce did not make, a grid it does not have, or a
// figure that is stated at none of its points.
func (c *Curve) Trace(f Figure, g Grid) (Trace, error) {
	points, l, err := c.on(g)
	if err != nil {
		return Trace{}, err
	}
	m := l.model
	out := Trace{Figure: f, near: l.near, DoFOwn: m.freedom}
	var states []state
	for i := range points {
		if _, stated := f.value(&points[i]); !stated {
			continue
		}
		s, ok := m.figure(f, &points[i])
		if !ok {
			continue
		}
		states = append(states, s)
		out.index = append(out.index, i)
		out.EngineSpeed = append(out.EngineSpeed, points[i].EngineSpeed)
		out.Speed = append(out.Speed, points[i].Speed)
		out.Value = append(out.Value, s.value)
		out.Own = append(out.Own, math.Sqrt(s.own.variance()))
	}
	if len(states) == 0 {
		return Trace{}, fmt.Errorf("%w: %s is stated nowhere", ErrNoModel, f)
	}
	var at [termCount]int
	for t := range termCount {
		at[t] = -1
		moves := false
		for i := range states {
			moves = moves || states[i].by[t] != 0
		}
		if m.u[t] == 0 || !moves {
			continue
		}
		at[t] = len(out.Shared)
		s := m.describe(t)
		s.Sensitivity = make([]float64, len(states))
		for i := range states {
			s.Sensitivity[i] = states[i].by[t] / m.scaleOf(t)
		}
		out.Shared = append(out.Shared, s)
	}
	for _, x := range m.crosses {
		if x.cov != 0 && at[x.a] >= 0 && at[x.b] >= 0 {
			r := math.Max(-1, math.Min(1, x.cov/(m.u[x.a]*m.u[x.b])))
			out.Correlations = append(out.Correlations, gum.Correlation{A: at[x.a], B: at[x.b], R: r})
		}
	}
	return out, nil
}

// Covariance returns the covariance of points i and j, unit of the figure squared.
func (t Trace) Covariance(i, j int) float64 {
	return t.SharedCovariance(i, j) + t.OwnCovariance(i, j)
}

// SharedCovariance returns the part of Covariance that the shared inputs give.
func (t Trace) SharedCovariance(i, j int) float64 {
	sum := 0.0
	for _, s := range t.Shared {
		sum += s.Sensitivity[i] * s.Sensitivity[j] * s.U * s.U
	}
	for _, r := range t.Correlations {
		a, b := &t.Shared[r.A], &t.Shared[r.B]
		sum += r.R * a.U * b.U * (a.Sensitivity[i]*b.Sensitivity[j] + b.Sensitivity[i]*a.Sensitivity[j])
	}
	return sum
}

// OwnCovariance returns the part of Covariance that noise gives: nought unless
// i and j are one point or near neighbours.
func (t Trace) OwnCovariance(i, j int) float64 {
	return t.near.at(t.index[i], t.index[j]) * t.Own[i] * t.Own[j]
}

// U returns the standard uncertainty of point i.
func (t Trace) U(i int) float64 { return math.Sqrt(math.Max(t.Covariance(i, i), 0)) }

// Covariance returns the covariance of a figure at points i and j of Points;
// see Trace, which is the cheaper for many.
func (c *Curve) Covariance(f Figure, i, j int) (float64, error) {
	_, l, err := c.on(OnPoints)
	if err != nil {
		return 0, err
	}
	if i < 0 || j < 0 || i >= len(c.Points) || j >= len(c.Points) {
		return 0, fmt.Errorf("%w: points %d and %d of %d", ErrNoModel, i, j, len(c.Points))
	}
	a, ok1 := l.model.figure(f, &c.Points[i])
	b, ok2 := l.model.figure(f, &c.Points[j])
	if !ok1 || !ok2 {
		return 0, fmt.Errorf("%w: %s is not stated at points %d and %d", ErrNoModel, f, i, j)
	}
	return l.model.covariance(&a.by, &b.by) + l.near.at(i, j)*math.Sqrt(a.own.variance()*b.own.variance()), nil
}

// scaleOf returns by how much an input's own unit exceeds the term's: terms of
// geometry are ratios.
func (m *model) scaleOf(t term) float64 {
	switch t {
	case termArm:
		return m.cell.LeverArm
	case termRadius:
		return m.cell.RollerRadius
	case termTyre:
		return m.vehicle.TyreRadius
	}
	return 1
}

// describe names a term as an input, without its sensitivities.
func (m *model) describe(t term) Shared {
	s := Shared{Value: m.values[t], U: m.u[t] * m.scaleOf(t), DoF: gum.Infinite}
	if m.dof[t] > 0 {
		s.DoF = m.dof[t]
	}
	cell := func(cell *fleet.Cell) string { return fmt.Sprintf("cell %s", cell.ID) }
	epoch := func(cell *fleet.Cell, e fleet.EpochID) string {
		if e == "" {
			return fmt.Sprintf("cell %s, indicator as it is", cell.ID)
		}
		return fmt.Sprintf("cell %s, epoch %s", cell.ID, e)
	}
	parasitic := func(c *fleet.Cell) string {
		return fmt.Sprintf("cell %s, %g N %g N·s/m %g N·s²/m²", c.ID, c.Parasitic.F0, c.Parasitic.F1, c.Parasitic.F2)
	}
	valued := func(of, unit string) string {
		return strings.TrimSuffix(fmt.Sprintf("%s, %g %s", of, s.Value, unit), " ")
	}
	carOf := func(unit string) string {
		if m.setUp == "" {
			return ""
		}
		return valued("set-up "+m.setUp, unit)
	}
	switch t {
	case termZero:
		s.Name, s.Unit, s.Scope, s.Key = "load-cell zero", "N", ScopeEpoch, valued(epoch(&m.cell, m.calibration.Epoch), "N")
	case termGain:
		s.Name, s.Unit, s.Scope, s.Key = "load-cell gain", "1", ScopeEpoch, valued(epoch(&m.cell, m.calibration.Epoch), "")
	case termArm:
		s.Name, s.Unit, s.Scope, s.Key = "lever arm", "m", ScopeCell, valued(cell(&m.cell), "m")
	case termRadius:
		s.Name, s.Unit, s.Scope, s.Key = "roller radius", "m", ScopeCell, valued(cell(&m.cell), "m")
	case termSpeed:
		s.Name, s.Unit, s.Scope, s.Key = "speed scale", "1", ScopeCell, cell(&m.cell)
	case termBase:
		s.Name, s.Unit, s.Scope, s.Key = "base inertia", "kg", ScopeCell, valued(cell(&m.cell), "kg")
	case termParasitic:
		s.Name, s.Unit, s.Scope, s.Key = "parasitic loss", "N", ScopeCell, parasitic(&m.cell)
	case termEngineSpeed:
		s.Name, s.Unit, s.Scope, s.Key = "engine speed scale", "1", ScopeCar, carOf("")
	case termTyre:
		s.Name, s.Unit, s.Scope, s.Key = "tyre radius", "m", ScopeCar, carOf("m")
	case termRotating:
		s.Name, s.Unit, s.Scope, s.Key = "rotating mass", "kg", ScopeCar, carOf("kg")
	case termCoasting:
		s.Name, s.Unit, s.Scope, s.Key = "coasting mass", "kg", ScopeCar, carOf("kg")
	case termF0, termF1, termF2:
		k := int(t - termF0)
		s.Name = [...]string{"loss fit F0", "loss fit F1", "loss fit F2"}[k]
		s.Unit = [...]string{"N", "N·s/m", "N·s²/m²"}[k]
		s.Scope, s.TypeA = ScopeLoss, true
		of := m.pull
		if m.carried != nil {
			of = m.carried.Pull
		}
		if of != "" {
			s.Key = "pull " + string(of)
		}
	case termPressure:
		s.Name, s.Unit, s.Scope, s.Key = "air pressure", "Pa", ScopeCell, cell(&m.cell)
	case termTemperature:
		s.Name, s.Unit, s.Scope, s.Key = "air temperature", "K", ScopeCell, cell(&m.cell)
	case termHumidity:
		s.Name, s.Unit, s.Scope, s.Key = "relative humidity", "1", ScopeCell, cell(&m.cell)
	case termIntake:
		s.Name, s.Unit, s.Scope, s.Key = "intake air temperature", "K", ScopeCell, cell(&m.cell)
	case termRepeat:
		s.Name, s.Unit, s.Scope, s.TypeA = "repeatability", "1", ScopePull, true
	case termZero0:
		s.Name, s.Unit, s.Scope, s.Key = "load-cell zero", "N", ScopeEpoch, valued(epoch(&m.carried.Cell, m.carried.Calibration.Epoch), "N")
	case termGain0:
		s.Name, s.Unit, s.Scope, s.Key = "load-cell gain", "1", ScopeEpoch, valued(epoch(&m.carried.Cell, m.carried.Calibration.Epoch), "")
	case termParasitic0:
		s.Name, s.Unit, s.Scope, s.Key = "parasitic loss", "N", ScopeCell, parasitic(&m.carried.Cell)
	}
	return s
}
