package rotation

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// mostReasons is how many visits are given a reason of their own.
const mostReasons = 4

// why says what the plan is for: what it comes to, and for the cells it helps
// most which visit does it, by the pair of cells that visit tells apart.
func (s *search) why(p *Plan, plan, stays scheme, planEnd, staysEnd *fleetstate.Outlook) []string {
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
	return append(out, s.reasons(p, plan, planEnd, staysEnd)...)
}

// journey is a car's runs away from where it began.
type journey struct{ week, car int }

// pair is two cells whose difference a plan makes surer.
type pair struct {
	cell, other   fleet.CellID
	before, after float64 // variance of their difference if all stay, with the plan
	did           journey // that does most
	most          float64 // by how much it lowers the variance
	was           float64
}

// reasons names, for the cells that gain most against staying, the journey that
// does most to tell them from another site's.
func (s *search) reasons(p *Plan, plan scheme, planEnd, staysEnd *fleetstate.Outlook) []string {
	site := map[fleet.CellID]int{}
	for i, x := range s.sites {
		for _, c := range x.Cells {
			site[c.ID] = i
		}
	}
	var pairs []pair
	for i, c := range p.Stays.Cells {
		if !(c.U > p.Plan.Cells[i].U) {
			continue
		}
		best := pair{cell: c.Cell}
		for _, o := range p.Plan.Cells {
			if site[c.Cell] == site[o.Cell] {
				continue
			}
			before, _ := staysEnd.PairVariance(c.Cell, o.Cell)
			after, _ := planEnd.PairVariance(c.Cell, o.Cell)
			if before-after > best.before-best.after {
				best.other, best.before, best.after = o.Cell, before, after
			}
		}
		if best.other != "" {
			pairs = append(pairs, best)
		}
	}
	slices.SortStableFunc(pairs, func(a, b pair) int { return cmp.Compare(b.before-b.after, a.before-a.after) })
	o := s.try
	o.CopyFrom(s.start)
	for w := range plan {
		s.week(o, plan, w, func(car int, _ []fleet.CellID, first bool) {
			if plan[w][car] == s.home[car] {
				return
			}
			for i := range pairs {
				k := &pairs[i]
				v, _ := o.PairVariance(k.cell, k.other)
				if first {
					k.was = v
				} else if k.was-v > k.most {
					k.did, k.most = journey{w, car}, k.was-v
				}
			}
		})
	}
	apart := map[fleet.CellID]bool{}
	eq, _ := s.in.Fit.Equivalences(s.in.From)
	for _, e := range eq {
		apart[e.Cell] = e.NotSeparable == ""
	}
	told := map[journey]bool{}
	var out []string
	for _, k := range pairs {
		if k.most == 0 || told[k.did] || len(out) == mostReasons {
			continue
		}
		told[k.did] = true
		lead := fmt.Sprintf("Reference car %s at site %s in week %d tells cells %s and %s apart", s.cars[k.did.car].ID, s.sites[plan[k.did.week][k.did.car]].ID, k.did.week+1, k.cell, k.other)
		if !apart[k.cell] || !apart[k.other] {
			lead += ", which no visit yet separates from their cars"
		}
		out = append(out, fmt.Sprintf("%s: their difference is known to ± %s after the plan, ± %s if every car stays.", lead, percent(expanded(k.after)), percent(expanded(k.before))))
	}
	return out
}

// expanded is U, k = 2, of a variance.
func expanded(v float64) float64 { return 2 * math.Sqrt(v) }

// percent gives a ratio to two digits of a hundredth.
func percent(x float64) string { return fmt.Sprintf("%.2f %%", 100*x) }
