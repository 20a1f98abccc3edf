package rotation

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// Position is a place on the earth, rad, north and east positive.
type Position struct {
	Latitude, Longitude float64
}

// earthRadius is the mean radius R1 of the earth, m. Source: IUGG, mean radius
// (2a + b)/3 of GRS 80 (from memory).
const earthRadius = 6371008.8

// Distance returns the great-circle distance of two places on a sphere of the
// earth's mean radius, m,
//
//	d = 2·R·asin √( sin²(Δφ/2) + cos φ₁·cos φ₂·sin²(Δλ/2) )
//
// within 0.6 % of that on the ellipsoid (common practice, no source); roads are
// longer.
func Distance(a, b Position) float64 {
	s, t := math.Sin((b.Latitude-a.Latitude)/2), math.Sin((b.Longitude-a.Longitude)/2)
	h := s*s + math.Cos(a.Latitude)*math.Cos(b.Latitude)*t*t
	return 2 * earthRadius * math.Asin(math.Sqrt(math.Min(1, h)))
}

// Cell is a cell at a site.
type Cell struct {
	ID fleet.CellID
	// Closed are the weeks, from 1, in which no car can run on it. One closed in
	// all weeks does not count for the largest uncertainty.
	Closed []int
}

// Site is a place with its cells.
type Site struct {
	ID       fleet.SiteID
	Position *Position // nil: not known
	Cells    []Cell
}

// Car is a reference car.
type Car struct {
	ID    fleet.CarID
	Site  fleet.SiteID // where it is now
	Stays bool         // it cannot travel
	// Away are the weeks, from 1, in which it runs nowhere: in the workshop, on
	// loan. It is then where it was.
	Away []int
}

// Leg is the cost of travel between two sites, one way, the same both ways.
type Leg struct {
	A, B fleet.SiteID
	Cost float64
}

// Kilometres is the unit of a travel cost that comes of the sites' places.
const Kilometres = "km"

// legsUnit is the unit of a travel cost where nothing is known of it.
const legsUnit = "legs"

// Input is what is planned with.
type Input struct {
	Fit *fleetstate.Fit
	// From is when the first week begins, not before the Fit's last event.
	From  time.Time
	Weeks int
	Sites []Site
	Cars  []Car

	// Legs are travel costs in CostUnit ("": km). What is not given is the
	// great-circle distance where the unit is km and both places are known; where
	// no leg and no place is known at all, every leg counts 1.
	Legs     []Leg
	CostUnit string
	// Budget is the most all travel may cost; +Inf: no bound.
	Budget float64
	// Worth is the travel cost that a fall of the largest U by 1 (a ratio: 100 %)
	// may have; 0: an average leg must lower it by one part in two hundred.
	Worth float64
	// CellsAWeek is how many cells of its site a car runs on in a week, the least
	// sure first; 0: all of them.
	CellsAWeek int
	// Work bounds the search, in operations on the covariance; 0: DefaultWork.
	Work float64
}

// DefaultWork is some ten seconds of one core.
const DefaultWork = 2e10

// leastGain is the share of the largest U an average leg must lower it by where
// its worth is not said ("common practice, no source").
const leastGain = 1.0 / 200

// most bounds the plan: further ahead than two years nothing is planned.
const mostWeeks = 104

// check returns all that is wrong with the input.
func (in *Input) check() error {
	var errs []error
	bad := func(format string, a ...any) { errs = append(errs, fmt.Errorf("rotation: "+format, a...)) }
	if in.Fit == nil {
		bad("there is no fit of the fleet: make reference runs first")
	}
	if in.Weeks < 1 || in.Weeks > mostWeeks {
		bad("%d weeks: plan 1 to %d", in.Weeks, mostWeeks)
	}
	if len(in.Sites) == 0 || len(in.Cars) == 0 {
		bad("%d sites and %d reference cars: a plan needs one of each at least", len(in.Sites), len(in.Cars))
	}
	if math.IsNaN(in.Budget) || in.Budget < 0 {
		bad("the budget must not be negative, is %g", in.Budget)
	}
	if math.IsNaN(in.Worth) || in.Worth < 0 || math.IsInf(in.Worth, 1) {
		bad("the worth of a fall of U must be finite and not negative, is %g", in.Worth)
	}
	if in.CellsAWeek < 0 {
		bad("cells a week must not be negative, is %d", in.CellsAWeek)
	}
	if math.IsNaN(in.Work) || in.Work < 0 {
		bad("the work must not be negative, is %g", in.Work)
	}
	weeks := func(what string, list []int) {
		for _, w := range list {
			if w < 1 || w > in.Weeks {
				bad("%s in week %d: the weeks are 1 to %d", what, w, in.Weeks)
			}
		}
	}
	sites, cells, cars := map[fleet.SiteID]bool{}, map[fleet.CellID]bool{}, map[fleet.CarID]bool{}
	for _, s := range in.Sites {
		if s.ID == "" || sites[s.ID] {
			bad("site %q: give every site its own id, once", s.ID)
		}
		sites[s.ID] = true
		if p := s.Position; p != nil && !(math.Abs(p.Latitude) <= math.Pi/2 && math.Abs(p.Longitude) <= math.Pi) {
			bad("site %s: latitude %.6g rad and longitude %.6g rad are no place on earth", s.ID, p.Latitude, p.Longitude)
		}
		for _, c := range s.Cells {
			if c.ID == "" || cells[c.ID] {
				bad("cell %q of site %s: give every cell its own id, at one site", c.ID, s.ID)
			}
			cells[c.ID] = true
			weeks(fmt.Sprintf("cell %s closed", c.ID), c.Closed)
		}
	}
	if len(cells) == 0 && len(in.Sites) > 0 {
		bad("none of the sites has a cell")
	}
	for _, c := range in.Cars {
		if c.ID == "" || cars[c.ID] {
			bad("reference car %q: give every car its own id, once", c.ID)
		}
		cars[c.ID] = true
		if !sites[c.Site] {
			bad("reference car %s is at site %q, which is not among the sites: say where it is", c.ID, c.Site)
		}
		weeks(fmt.Sprintf("reference car %s away", c.ID), c.Away)
	}
	for _, l := range in.Legs {
		switch {
		case !sites[l.A] || !sites[l.B] || l.A == l.B:
			bad("travel cost from %q to %q: name two different sites that are known", l.A, l.B)
		case !(l.Cost >= 0) || math.IsInf(l.Cost, 1):
			bad("travel cost from %s to %s must be finite and not negative, is %g", l.A, l.B, l.Cost)
		}
	}
	return errors.Join(errs...)
}

// travel returns the cost of every leg, its unit, and how it was found, in a
// sentence.
func (in *Input) travel() (cost [][]float64, unit, how string, err error) {
	n := len(in.Sites)
	at := map[fleet.SiteID]int{}
	placed := 0
	for i, s := range in.Sites {
		at[s.ID] = i
		if s.Position != nil {
			placed++
		}
	}
	cost = make([][]float64, n)
	for i := range cost {
		cost[i] = make([]float64, n)
		for j := range cost[i] {
			if i != j {
				cost[i][j] = math.NaN()
			}
		}
	}
	for _, l := range in.Legs {
		a, b := at[l.A], at[l.B]
		if !math.IsNaN(cost[a][b]) && cost[a][b] != l.Cost {
			return nil, "", "", fmt.Errorf("rotation: the travel cost between %s and %s is given as %g and as %g: give one", l.A, l.B, cost[a][b], l.Cost)
		}
		cost[a][b], cost[b][a] = l.Cost, l.Cost
	}
	unit = in.CostUnit
	if unit == "" {
		unit = Kilometres
	}
	if len(in.Legs) == 0 && placed == 0 && n > 1 {
		for i := range cost {
			for j := range cost[i] {
				if i != j {
					cost[i][j] = 1
				}
			}
		}
		return cost, legsUnit, "No travel cost and no longitude of a site is known: every leg counts 1.", nil
	}
	straight := 0
	for i := range n {
		for j := i + 1; j < n; j++ {
			if !math.IsNaN(cost[i][j]) {
				continue
			}
			a, b := in.Sites[i], in.Sites[j]
			switch {
			case unit != Kilometres:
				return nil, "", "", fmt.Errorf("rotation: the travel cost between %s and %s is not given: give it in %s like the others", a.ID, b.ID, unit)
			case a.Position == nil || b.Position == nil:
				return nil, "", "", fmt.Errorf("rotation: neither the travel cost between %s and %s nor both sites' latitude and longitude are known: give the one or the other", a.ID, b.ID)
			}
			d := Distance(*a.Position, *b.Position) / 1000
			cost[i][j], cost[j][i] = d, d
			straight++
		}
	}
	switch {
	case straight == 0 || n < 2:
		how = "Travel costs are as given."
	case len(in.Legs) == 0:
		how = "Distances are great circles between the sites' places; roads are longer."
	default:
		how = fmt.Sprintf("Travel costs are as given; the %d not given are great circles between the sites' places, and roads are longer.", straight)
	}
	return cost, unit, how, nil
}

// closed says whether a cell is closed in a week, counted from 0.
func (c Cell) closed(week int) bool { return slices.Contains(c.Closed, week+1) }
