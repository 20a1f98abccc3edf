package loadcell

import (
	"fmt"
	"math"

	"rollcall/services/compute/gum"
)

// gross is the scatter about the line, as a share of the span of the readings,
// from which a slip of a unit, a sign or a line is looked for. No load cell that
// is whole has as much. Common practice, no source.
const gross = 0.005

// clears is the share of the scatter that may be left for a slip to explain it.
const clears = 0.1

// pound is kg per lb, exactly.
const pound = 0.45359237

// The slips that one load or reading can have.
var slips = []struct {
	k    float64
	mass string // when the mass's value times k fits
	load string // when the reading times k fits
}{
	{pound, "its value in the registry is in lb and was entered as kg", "it fits when multiplied by 0.4536: it was read in lb and entered as kg, or the mass on the arm was not the one listed"},
	{1 / pound, "its value in the registry was turned from kg into lb", "it fits when multiplied by 2.2046: it was read in kg and entered as lb, or the mass on the arm was not the one listed"},
	{-1, "", "it fits with the other sign: its sign is swapped"},
	{0, "it was not on the arm though it is listed", ""},
}

// suspect looks for the one mass, load or reading whose slip explains readings
// that are far from any line, and says it. Nothing when there is none: then the
// load cell may be crooked, which is for the verdict.
func (j *judge) suspect(f []float64, fit gum.Line) string {
	low, high := j.reading[0], j.reading[0]
	for _, x := range j.reading {
		low, high = min(low, x), max(high, x)
	}
	n := len(f)
	if n < 4 || !(fit.Residual > gross*(high-low)) {
		return ""
	}
	best, says := clears*fit.Residual, ""
	sane := func(l gum.Line) bool {
		s := l.Slope / j.inForce.Slope(mean(f))
		return s > 0.8 && s < 1.25
	}
	// try keeps the best explanation: the scatter that is left when what is asked
	// of the readings is done, n of them about a line.
	try := func(x, y []float64, format string, args ...any) {
		l, err := gum.FitLine(x, y)
		if err != nil || !sane(l) || !(l.Residual < best*(1-sameU)) {
			return
		}
		best, says = l.Residual, fmt.Sprintf(format, args...)
	}
	for k, id := range j.typeB.ids {
		value := j.in.Masses[id].Mass
		for _, s := range slips {
			if s.mass == "" {
				continue
			}
			x := make([]float64, n)
			for i, l := range j.load {
				x[i] = l.force + l.mass[id]*value*(s.k-1)
			}
			try(x, j.reading, "the readings with check mass %s do not fit the others: %s (now %.6g kg); correct it and send the check again", j.typeB.ids[k], s.mass, value)
		}
	}
	apply := func(g []int, k float64, what string) {
		y := make([]float64, n)
		copy(y, j.reading)
		for _, i := range g {
			y[i] *= k
		}
		try(f, y, "%s does not fit the others: %s; correct it and send the check again", j.where(g[0])+what, slipOf(k))
	}
	for _, s := range slips {
		if s.load == "" {
			continue
		}
		for i := range f {
			if f[i] != 0 {
				apply([]int{i}, s.k, "")
			}
		}
		for _, g := range j.groups(false) {
			if f[g[0]] != 0 && len(g) > 1 {
				apply(g, s.k, fmt.Sprintf(" and the other %d under its load", len(g)-1))
			}
		}
	}
	return says
}

func slipOf(k float64) string {
	for _, s := range slips {
		if s.k == k {
			return s.load
		}
	}
	return fmt.Sprintf("it fits when multiplied by %v", math.Abs(k))
}
