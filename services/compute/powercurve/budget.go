package powercurve

import (
	"fmt"
	"math"
	"strings"

	"rollcall/services/compute/gum"
)

// Row is one input's line in an uncertainty budget.
type Row struct {
	Input        string
	Value        float64
	Unit         string  // of Value and U
	U            float64 // standard uncertainty
	Sensitivity  float64 // ∂figure/∂input, unit of the figure per Unit
	Contribution float64 // Sensitivity·U, signed, unit of the figure
	TypeA        bool    // evaluated from scatter; else type B. JCGM 100:2008, 4.2 and 4.3
	DoF          float64 // gum.Infinite: U is taken as known
	Scope        Scope   // who shares its error: ScopePoint is its own, all others are shared
	Remark       string
}

// Budget is where the uncertainty of one figure comes from.
type Budget struct {
	Of           string // what the figure is and where
	Figure       Figure
	EngineSpeed  float64 // rad/s; of a band mean its middle
	Value        float64
	Rows         []Row
	Correlations []gum.Correlation // between indices of Rows
	U            float64           // combined standard uncertainty
	OwnU         float64           // of it, what the figure shares with nothing: ScopePoint and the choice of a maximum
	DoF          float64           // effective, Welch–Satterthwaite
	K            float64           // coverage factor for 95.45 % with DoF
	Expanded     float64           // K·U
}

// Budget returns the uncertainty budget of a figure at the point of a grid. It
// returns ErrNoModel where there is none.
func (c *Curve) Budget(f Figure, g Grid, point int) (Budget, error) {
	points, l, err := c.on(g)
	if err != nil {
		return Budget{}, err
	}
	if point < 0 || point >= len(points) {
		return Budget{}, fmt.Errorf("%w: the %s has no point %d", ErrNoModel, g, point)
	}
	p := &points[point]
	s, ok := l.model.figure(f, p)
	if !ok {
		return Budget{}, fmt.Errorf("%w: %s is not stated at %.0f rpm", ErrNoModel, f, p.EngineSpeed/rpm)
	}
	of := fmt.Sprintf("%s at %.0f rpm", f, p.EngineSpeed/rpm)
	return l.model.budget(of, f, p.EngineSpeed, p.Speed, &s, 0, 0)
}

// PeakBudget returns the uncertainty budget of a figure's greatest value.
func (c *Curve) PeakBudget(f Figure) (Budget, error) {
	points, l, err := c.on(OnPoints)
	if err != nil {
		return Budget{}, err
	}
	t, ok := l.top(f, points)
	if !ok {
		return Budget{}, fmt.Errorf("%w: %s is stated nowhere", ErrNoModel, f)
	}
	of := fmt.Sprintf("peak of %s at %.0f rpm", f, t.peak.EngineSpeed/rpm)
	return l.model.budget(of, f, t.peak.EngineSpeed, t.speed, &t.state, t.peak.UChoice, t.peak.Lift)
}

// MeanBudget returns the uncertainty budget of a figure's band mean.
func (c *Curve) MeanBudget(f Figure, g Grid, low, high float64) (Budget, error) {
	mean, s, l, err := c.bandMean(f, g, low, high)
	if err != nil {
		return Budget{}, err
	}
	points, _, _ := c.on(g)
	middle, speed := (mean.Low+mean.High)/2, 0.0
	for i := range points {
		if points[i].EngineSpeed <= middle {
			speed = points[i].Speed
		}
	}
	of := fmt.Sprintf("mean of %s from %.0f to %.0f rpm", f, mean.Low/rpm, mean.High/rpm)
	return l.model.budget(of, f, middle, speed, &s, 0, 0)
}

// wheelSide reports whether a figure does without the car's loss.
func (f Figure) wheelSide() bool { return f == TractiveForce || f == WheelPower || f == WheelTorque }

// lists reports whether an input belongs in the budget of a figure, even where
// it has cancelled.
func (m *model) lists(t term, f Figure, by float64) bool {
	corrected := f == CorrectedPower || f == CorrectedTorque
	switch t {
	case termTyre:
		return f == WheelTorque
	case termRotating:
		return f != LossForce && !f.wheelSide()
	case termCoasting:
		return !f.wheelSide()
	case termPressure, termTemperature, termHumidity:
		return corrected && m.byAir != (airEffects{})
	case termIntake:
		return corrected && m.byAir.intake != 0
	case termF0, termF1, termF2:
		return false // one row for the three
	case termZero0, termGain0, termParasitic0:
		return by != 0 && m.carried != nil
	}
	return true
}

// budget writes out what a state's uncertainty is made of.
func (m *model) budget(of string, f Figure, n, v float64, s *state, choice, lift float64) (Budget, error) {
	b := Budget{Of: of, Figure: f, EngineSpeed: n, Value: s.value}
	var at [termCount]int
	add := func(r Row) int {
		r.Contribution = r.Sensitivity * r.U
		b.Rows = append(b.Rows, r)
		return len(b.Rows) - 1
	}
	row := func(t term) {
		at[t] = -1
		if !m.lists(t, f, s.by[t]) {
			return
		}
		d := m.describe(t)
		r := Row{
			Input: d.Name, Value: d.Value, Unit: d.Unit, U: d.U, Sensitivity: s.by[t] / m.scaleOf(t),
			TypeA: d.TypeA, DoF: d.DoF, Scope: d.Scope,
		}
		switch {
		case t == termParasitic:
			r.Value = m.cell.Parasitic.At(v)
			if !f.wheelSide() && s.by[t] == 0 {
				r.Remark = "in the coast-down too: cancels"
			}
		case t == termZero && s.by[t] == 0:
			r.Remark = "in the coast-down too: cancels"
		case t == termRepeat && r.U == 0:
			r.Remark = "not given: one pull does not show it"
			r.TypeA = false
		case t == termZero0 || t == termGain0 || t == termParasitic0:
			r.Remark = "of the baseline pull " + string(m.carried.Pull)
			if t == termParasitic0 {
				r.Value = m.carried.Cell.Parasitic.At(v)
			}
		case r.U == 0:
			r.Remark = "taken as exact: nobody stated its uncertainty"
		}
		at[t] = add(r)
	}
	row(termZero)
	row(termGain)
	row(termArm)
	add(Row{
		Input: "brake ratio", Value: m.cell.BrakeRatio, Unit: "1", DoF: gum.Infinite, Scope: ScopeCell,
		Sensitivity: s.by[termArm] / m.cell.BrakeRatio, Remark: "teeth counted: exact",
	})
	row(termRadius)
	row(termSpeed)
	row(termBase)
	row(termParasitic)
	row(termEngineSpeed)
	row(termTyre)
	row(termRotating)
	row(termCoasting)
	if !f.wheelSide() && m.fit != nil {
		// One row for the three coefficients, which say little one by one: a
		// force at the roller, the same as their noise together.
		var e effects
		copy(e[termF0:termF2+1], s.by[termF0:termF2+1])
		r := Row{
			Input: "loss fit (F0, F1, F2)", Value: m.fit.At(v), Unit: "N", Sensitivity: s.by[termF0],
			TypeA: true, DoF: float64(m.fit.Freedom), Scope: ScopeLoss,
		}
		if r.Sensitivity != 0 {
			r.U = math.Sqrt(m.variance(&e)) / math.Abs(r.Sensitivity)
		}
		if m.carried != nil {
			r.Remark = "carried from pull " + string(m.carried.Pull)
		}
		add(r)
	}
	for t := termPressure; t <= termRepeat; t++ {
		row(t)
	}
	row(termZero0)
	row(termGain0)
	row(termParasitic0)
	for _, r := range []struct {
		name     string
		variance float64
		channel  string
	}{
		{"speed noise, through the acceleration", s.own.speed, "speed"},
		{"load-cell noise", s.own.load, "load"},
		{"engine speed noise, through the point's place", s.own.time, "engine"},
	} {
		x := Row{Input: r.name, TypeA: true, DoF: m.freedom, Scope: ScopePoint, Unit: "1", Sensitivity: 1}
		u := math.Sqrt(math.Max(r.variance, 0))
		sample := math.Sqrt(map[string]float64{"speed": m.speedVar, "load": m.loadVar, "engine": m.engineVar}[r.channel])
		x.Unit = map[string]string{"speed": "m/s", "load": "N", "engine": "rad/s"}[r.channel]
		if sample > 0 {
			// Of one sample; the sensitivity is what the local polynomial leaves of it.
			x.U, x.Sensitivity = sample, u/sample
			x.Remark = "of one sample"
		} else {
			x.Unit, x.U = f.Unit(), u
		}
		if r.channel == "engine" && u == 0 {
			continue
		}
		add(x)
	}
	// Where nothing was chosen, at an end of the sweep, rounding leaves a trace.
	if choice > 1e-9*math.Abs(s.value) {
		add(Row{Input: "choice of the maximum", Value: -lift, Unit: f.Unit(), U: choice, Sensitivity: 1, TypeA: true, DoF: m.freedom, Scope: ScopePoint, Remark: "taken off: what noise lifts a top by"})
	}
	if x := m.crosses[0]; x.cov != 0 && m.u[x.a] > 0 && m.u[x.b] > 0 {
		b.Correlations = append(b.Correlations, gum.Correlation{A: at[x.a], B: at[x.b], R: math.Max(-1, math.Min(1, x.cov/(m.u[x.a]*m.u[x.b])))})
	}
	if x := m.crosses[4]; x.cov != 0 && m.u[x.a] > 0 && m.u[x.b] > 0 && at[x.a] >= 0 && at[x.b] >= 0 && m.carried != nil {
		b.Correlations = append(b.Correlations, gum.Correlation{A: at[x.a], B: at[x.b], R: math.Max(-1, math.Min(1, x.cov/(m.u[x.a]*m.u[x.b])))})
	}
	components := make([]gum.Component, len(b.Rows))
	for i, r := range b.Rows {
		components[i] = gum.Component{Name: r.Input, Sensitivity: r.Sensitivity, U: r.U, DoF: r.DoF}
	}
	combined, err := gum.Combine(components, b.Correlations...)
	if err != nil {
		return Budget{}, fmt.Errorf("combine the budget of %s: %w", of, err)
	}
	b.U, b.DoF = combined.U, combined.DoF
	b.OwnU = math.Sqrt(s.own.variance() + choice*choice)
	b.K = gum.TFactor(gum.Coverage2, b.DoF)
	b.Expanded = b.K * b.U
	return b, nil
}

// String returns the budget as a table for a page or a terminal.
func (b Budget) String() string {
	var s strings.Builder
	dof := func(x float64) string {
		if math.IsInf(x, 1) {
			return "∞"
		}
		return fmt.Sprintf("%.0f", gum.TruncateDoF(x))
	}
	// A true minus sign, and none before nought.
	number := func(format string, x float64) string {
		if x == 0 {
			x = 0
		}
		return strings.Replace(fmt.Sprintf(format, x), "-", "−", 1)
	}
	unit := b.Figure.Unit()
	cells := [][]string{{"input", "value", "u", "unit", "sensitivity", "contribution " + unit, "type", "ν", "shared by", "remark"}}
	for _, r := range b.Rows {
		kind := "B"
		if r.TypeA {
			kind = "A"
		}
		by := string(r.Scope)
		if r.Scope == ScopePoint {
			by = "own"
		}
		cells = append(cells, []string{
			r.Input, number("%.6g", r.Value), fmt.Sprintf("%.3g", r.U), r.Unit,
			number("%.4g", r.Sensitivity), number("%.3g", r.Contribution), kind, dof(r.DoF), by, r.Remark,
		})
	}
	width := make([]int, len(cells[0]))
	for _, row := range cells {
		for k, x := range row {
			width[k] = max(width[k], len([]rune(x)))
		}
	}
	fmt.Fprintf(&s, "%s: %.6g %s\n", b.Of, b.Value, unit)
	for _, row := range cells {
		line := ""
		for k, x := range row {
			line += x + strings.Repeat(" ", width[k]-len([]rune(x))+2)
		}
		s.WriteString(strings.TrimRight(line, " ") + "\n")
	}
	for _, r := range b.Correlations {
		fmt.Fprintf(&s, "correlation of %s and %s: %.3f\n", b.Rows[r.A].Input, b.Rows[r.B].Input, r.R)
	}
	fmt.Fprintf(&s, "u = %.4g %s (own %.3g), ν_eff = %s, k = %.2f, U = %.4g %s (95.45 %%)\n", b.U, unit, b.OwnU, dof(b.DoF), b.K, b.Expanded, unit)
	s.WriteString("shared by: what else has the same error, all pulls of the cell, of its calibration (epoch), of the car, of one coast-down (loss), the points of this pull, or nothing (own)\n")
	return s.String()
}
