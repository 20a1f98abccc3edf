package rotation

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rollcall/services/fleet"
)

// mostReasons is how many visits are given a reason of their own.
const mostReasons = 4

// why says what the plan is for: what it comes to, and for the cells it helps
// most which visit does it, by the pair of cells that visit tells apart.
func (s *search) why(p *Plan, plan, stays scheme) []string {
	weeks := fmt.Sprintf("%d weeks", s.in.Weeks)
	if s.in.Weeks == 1 {
		weeks = "one week"
	}
	out := []string{
		fmt.Sprintf("Today cell %s is known least: its offset from the fleet is ± %s.", p.Now.Largest.Cell, percent(p.Now.Largest.U)),
		fmt.Sprintf("After %s the largest uncertainty is ± %s with this plan (cell %s, typical ± %s), ± %s if every car stays (cell %s, typical ± %s), ± %s with a fixed round (cell %s, typical ± %s).",
			weeks, percent(p.Plan.Largest.U), p.Plan.Largest.Cell, percent(p.Plan.Typical),
			percent(p.Stays.Largest.U), p.Stays.Largest.Cell, percent(p.Stays.Typical),
			percent(p.Round.Largest.U), p.Round.Largest.Cell, percent(p.Round.Typical)),
	}
	out = append(out, fmt.Sprintf("Travel costs %.4g %s with this plan, %.4g %s with the fixed round.", p.Plan.Cost, p.CostUnit, p.Round.Cost, p.CostUnit))
	if p.Round.OverBudget {
		out = append(out, fmt.Sprintf("The fixed round costs more than the budget of %.4g %s.", s.in.Budget, p.CostUnit))
	}
	if slices.EqualFunc(plan, stays, func(a, b []int) bool { return slices.Equal(a, b) }) {
		return append(out, "No journey lowers the largest uncertainty by enough to be worth its cost: every car stays.")
	}
	return append(out, s.reasons(p, plan, stays)...)
}

// pair is two cells whose difference a plan makes surer.
type pair struct {
	cell, other fleet.CellID
	drop        float64 // of the variance of their difference, against staying
	before      float64
	after       float64
}

// reasons names, for the cells that gain most against staying, the journey that
// does most to tell them from another site's.
func (s *search) reasons(p *Plan, plan, stays scheme) []string {
	site := map[fleet.CellID]int{}
	for i, x := range s.sites {
		for _, c := range x.Cells {
			site[c.ID] = i
		}
	}
	end := func(q scheme) map[[2]fleet.CellID]float64 {
		o := s.try
		o.CopyFrom(s.start)
		for w := range q {
			s.week(o, q, w, nil)
		}
		out := map[[2]fleet.CellID]float64{}
		for _, a := range p.Plan.Cells {
			for _, b := range p.Plan.Cells {
				if site[a.Cell] != site[b.Cell] {
					out[[2]fleet.CellID{a.Cell, b.Cell}], _ = o.PairVariance(a.Cell, b.Cell)
				}
			}
		}
		return out
	}
	before, after := end(stays), end(plan)
	type gain struct {
		cell fleet.CellID
		fall float64
	}
	var gains []gain
	for i, c := range p.Stays.Cells {
		if fall := c.U - p.Plan.Cells[i].U; fall > 0 {
			gains = append(gains, gain{c.Cell, fall})
		}
	}
	slices.SortStableFunc(gains, func(a, b gain) int { return cmp.Compare(b.fall, a.fall) })
	apart := map[fleet.CellID]bool{}
	eq, _ := s.in.Fit.Equivalences(s.in.From)
	for _, e := range eq {
		apart[e.Cell] = e.NotSeparable == ""
	}
	type journey struct{ week, car int }
	told := map[journey]bool{}
	var out []string
	for _, g := range gains {
		if len(out) == mostReasons {
			break
		}
		best := pair{cell: g.cell}
		for _, c := range p.Plan.Cells {
			k := [2]fleet.CellID{g.cell, c.Cell}
			if x := before[k] - after[k]; x > best.drop {
				best.other, best.drop, best.before, best.after = c.Cell, x, before[k], after[k]
			}
		}
		if best.other == "" {
			continue
		}
		// Which runs of a car away from where it began do most for that pair.
		var did journey
		most := 0.0
		o, was := s.try, 0.0
		o.CopyFrom(s.start)
		for w := range plan {
			s.week(o, plan, w, func(car int, _ []fleet.CellID, first bool) {
				v, _ := o.PairVariance(best.cell, best.other)
				if first {
					was = v
					return
				}
				if plan[w][car] != s.home[car] && was-v > most {
					did, most = journey{w, car}, was-v
				}
			})
		}
		if most == 0 || told[did] {
			continue
		}
		told[did] = true
		lead := fmt.Sprintf("Reference car %s at site %s in week %d tells cells %s and %s apart", s.cars[did.car].ID, s.sites[plan[did.week][did.car]].ID, did.week+1, best.cell, best.other)
		if !apart[best.cell] || !apart[best.other] {
			lead += ", which no visit yet separates from their cars"
		}
		out = append(out, fmt.Sprintf("%s: their difference is then known to ± %s, ± %s if every car stays.", lead, percent(expanded(best.after)), percent(expanded(best.before))))
	}
	return out
}

// expanded is U, k = 2, of a variance.
func expanded(v float64) float64 { return 2 * math.Sqrt(v) }

// percent gives a ratio to two digits of a hundredth.
func percent(x float64) string { return fmt.Sprintf("%.2f %%", 100*x) }
