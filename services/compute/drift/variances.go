package drift

import (
	"math"

	"rollcall/services/fleet"
)

// variances estimates the variances from the runs before item i, within
// the memory, by REML of
//
//	y = m_jq + g_jq·t + r_j·ramp + b_cq + u_s + e_p
//
// q the stretches of one Window's length counted back from i: cells and cars
// are only taken as steady within a stretch. Levels m, changes g (of a car with
// four sessions in the stretch or more) and answers r are fixed effects.
//
// A stated sd s₀ counts for PriorFreedom ν₀ degrees of freedom against the ν of
// the estimate: σ² = (ν₀·s₀² + ν·σ̂²)/(ν₀ + ν). Below LeastFreedom, s₀ stands.
func (f *Follower) variances(i int) Variances {
	v := Variances{Cell: f.s.CellSD * f.s.CellSD, Session: f.s.SessionSD * f.s.SessionSD, Pull: f.s.PullSD * f.s.PullSD}
	now := &f.items[i]
	items := f.inWindow(i, now, f.s.Memory, false)
	type stretchCell struct {
		k cellKey
		q int
	}
	stretch := func(it *item) int { return f.stretch(now.week, it) }
	cellAt := map[stretchCell]int{}
	carAt := map[carStretch]int{}
	plain := map[fleet.CellID]bool{}
	var sessions, first, middle []float64
	var varied []bool
	pulls := 0
	for _, it := range items {
		ck, jk := stretchCell{cellKey{it.cell, it.cellN}, stretch(it)}, carStretch{carKey{it.car, it.carN}, stretch(it)}
		if _, ok := cellAt[ck]; !ok {
			cellAt[ck] = len(cellAt)
		}
		j, ok := carAt[jk]
		if !ok {
			j = len(carAt)
			carAt[jk] = j
			sessions, first, middle, varied = append(sessions, 0), append(first, it.week), append(middle, 0), append(varied, false)
		}
		sessions[j]++
		middle[j] += it.week
		varied[j] = varied[j] || it.week-first[j] > 0.5
		plain[it.cell] = true
		pulls += len(it.pulls)
	}
	trend := make([]int, len(sessions)) // column of a car's change; −1: none
	trends := 0
	for j := range sessions {
		middle[j] /= sessions[j]
		trend[j] = -1
		if sessions[j] >= 4 && varied[j] {
			trend[j] = trends
			trends++
		}
	}
	// Answers to the ramp rate, of the cars that used more than one.
	rampMean := map[carKey]float64{}
	rampCount := map[carKey]float64{}
	rampLow, rampTop := map[carKey]float64{}, map[carKey]float64{}
	for _, it := range items {
		k := carKey{it.car, it.carN}
		for _, p := range it.pulls {
			if rampCount[k] == 0 {
				rampLow[k], rampTop[k] = p.ramp, p.ramp
			}
			rampMean[k] += p.ramp
			rampCount[k]++
			rampLow[k], rampTop[k] = math.Min(rampLow[k], p.ramp), math.Max(rampTop[k], p.ramp)
		}
	}
	rampAt := map[carKey]int{}
	for _, it := range items {
		k := carKey{it.car, it.carN}
		if _, ok := rampAt[k]; !ok && rampLow[k] > 0 && rampTop[k] > 1.01*rampLow[k] {
			rampAt[k] = len(rampAt)
		}
	}
	freeSession := float64(len(items) - len(cellAt) - len(sessions) - trends)
	freePull := float64(pulls - len(items) - len(rampAt))
	if freeSession < f.s.LeastFreedom || freePull < f.s.LeastFreedom {
		return v
	}
	session := Factor{Name: "session", Levels: len(items)}
	cell := Factor{Name: "cell", Levels: len(cellAt)}
	var y []float64
	var x [][]float64
	p := len(sessions) + trends + len(rampAt)
	for s, it := range items {
		k := carKey{it.car, it.carN}
		j := carAt[carStretch{k, stretch(it)}]
		for _, q := range it.pulls {
			row := make([]float64, p)
			row[j] = 1
			if trend[j] >= 0 {
				row[len(sessions)+trend[j]] = it.week - middle[j]
			}
			if c, ok := rampAt[k]; ok {
				row[len(sessions)+trends+c] = q.ramp/(rampMean[k]/rampCount[k]) - 1
			}
			x = append(x, row)
			y = append(y, q.y)
			session.Level = append(session.Level, s)
			cell.Level = append(cell.Level, cellAt[stretchCell{cellKey{it.cell, it.cellN}, stretch(it)}])
		}
	}
	fit, err := FitCrossed(y, x, []Factor{session, cell}, REML)
	if err != nil {
		// Too little variety in the visits to tell the terms apart (ErrRank,
		// ErrTooFew; y is finite by then): the stated variances stand.
		return v
	}
	blend := func(stated, estimated, freedom float64) float64 {
		return (f.s.PriorFreedom*stated + freedom*estimated) / (f.s.PriorFreedom + freedom)
	}
	v.Session = blend(v.Session, fit.Variances[0], freeSession)
	v.SessionFreedom = freeSession
	v.Cell = blend(v.Cell, fit.Variances[1], float64(max(len(plain)-1, 0)))
	v.Pull = blend(v.Pull, fit.Residual, freePull)
	return v
}
