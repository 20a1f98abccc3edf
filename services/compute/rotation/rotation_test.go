package rotation

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

var monday = time.Date(2024, 3, 4, 0, 0, 0, 0, time.UTC)

func cellID(i int) fleet.CellID { return fleet.CellID(fmt.Sprintf("cell-%03d", i)) }
func carID(i int) fleet.CarID   { return fleet.CarID(fmt.Sprintf("car-%02d", i)) }
func siteID(i int) fleet.SiteID { return fleet.SiteID(fmt.Sprintf("site-%02d", i)) }

// run is a reference run of two slow and two fast pulls. What it says does not
// matter to a plan.
func run(car, cell int, at time.Time) refrun.Run {
	out := refrun.Run{
		ID: fleet.RunID(fmt.Sprintf("%s %s %v", carID(car), cellID(cell), at)), Cell: cellID(cell), Car: carID(car), At: at,
	}
	for i := range 4 {
		a := [2]float64{0.5, 1.2}[i%2]
		p := refrun.Pull{ID: fleet.PullID(fmt.Sprint(i)), At: at, Signature: map[fleet.Fault][]float64{}}
		for k := range refrun.K {
			s := (float64(k) + 0.5) / refrun.K
			force := 2300 + 350*float64(car%7) + 900*math.Sin(math.Pi*(0.15+0.7*s)) - 45*a
			brake := force - (1200+60*float64(cell%5))*a - 60
			p.Y = append(p.Y, math.Log(force))
			for f, x := range map[fleet.Fault]float64{
				fleet.FaultGain: brake / force, fleet.FaultZero: 1 / force, fleet.FaultInertia: a / force,
				fleet.FaultParasitic: -1 / force, fleet.FaultAir: 1,
			} {
				p.Signature[f] = append(p.Signature[f], x)
			}
		}
		out.Pulls = append(out.Pulls, p)
	}
	return out
}

// invented is a chain of so many sites with so many cells each, its cars where
// they have always been: car j at site j modulo sites; lent says where else a car
// has been in a week.
func invented(t testing.TB, sites, perSite, cars, weeks int, lent func(car, week int) int) Input {
	t.Helper()
	var h fleetstate.History
	in := Input{Budget: math.Inf(1), Weeks: 3}
	for i := range sites {
		s := Site{ID: siteID(i)}
		for k := range perSite {
			s.Cells = append(s.Cells, Cell{ID: cellID(i*perSite + k)})
		}
		in.Sites = append(in.Sites, s)
	}
	for j := range cars {
		in.Cars = append(in.Cars, Car{ID: carID(j), Site: siteID(j % sites)})
		for w := range weeks {
			at := j % sites
			if lent != nil {
				if to := lent(j, w); to >= 0 {
					at = to
				}
			}
			for k := range perSite {
				h.Runs = append(h.Runs, run(j, at*perSite+k, monday.Add(time.Duration(w)*fleetstate.Week+time.Duration(j*perSite+k)*time.Hour)))
			}
		}
	}
	s := fleetstate.DefaultSettings()
	s.FarOut = math.Inf(1)
	fit, err := fleetstate.Solve(h, s, s.Stated())
	if err != nil {
		t.Fatal(err)
	}
	in.Fit, in.From = fit, fit.At.Add(24*time.Hour)
	return in
}

func line(in *Input, each float64) {
	for i := range in.Sites {
		for k := range i {
			in.Legs = append(in.Legs, Leg{in.Sites[i].ID, in.Sites[k].ID, each * float64(i-k)})
		}
	}
}

// Two cells at two sites, one error with variance σ₀² and no walk, the car's curve
// free, a run of variance s² of its mean. A car has been on one cell. When it goes
// to the other, the difference of the two is known by one difference of runs,
//
//	var = 1/(1/(2σ₀²) + 1/(2s²)),  of an offset from the mean of two a quarter of it
//
// and n weeks in turn by more; a car that stays tells nothing: var = 2σ₀². Hand
// calculation.
func TestTwoCellsInClosedForm(t *testing.T) {
	const sigma, session = 0.006, 0.004
	s := fleetstate.DefaultSettings()
	s.Faults = []fleetstate.FaultModel{{Fault: fleet.FaultOther, Start: fleetstate.Fixed(sigma), Walk: fleetstate.Fixed(0)}}
	s.Modes, s.RotatingSD, s.IntakeSD, s.FarOut = 1, 1e-9, 1e-9, math.Inf(1)
	s.Session, s.CarWalk, s.Tilt = fleetstate.Fixed(session), fleetstate.Fixed(0), fleetstate.Fixed(0)
	s.Pull, s.Point = fleetstate.Fixed(1e-6), fleetstate.Fixed(1e-6)
	for name, c := range map[string]struct {
		cars   []Car
		runs   [][2]int // car, cell
		weeks  int
		a, b   int // runs on each cell by a car that has been on both, after the plan
		travel bool
	}{
		"one car, one week":       {[]Car{{ID: carID(0), Site: siteID(0)}}, [][2]int{{0, 0}}, 1, 1, 1, true},
		"one car that stays":      {[]Car{{ID: carID(0), Site: siteID(0), Stays: true}}, [][2]int{{0, 0}}, 2, 0, 0, false},
		"two cars, one can leave": {[]Car{{ID: carID(0), Site: siteID(0)}, {ID: carID(1), Site: siteID(1), Stays: true}}, [][2]int{{0, 0}, {1, 1}}, 1, 1, 1, true},
	} {
		var h fleetstate.History
		for i, r := range c.runs {
			h.Runs = append(h.Runs, run(r[0], r[1], monday.Add(time.Duration(i)*time.Hour)))
		}
		// Both cells have a dead-weight-like observation that says nothing, so that
		// both are known.
		for i := range 2 {
			h.Observations = append(h.Observations, fleetstate.Observe(cellID(i), fmt.Sprint(i), monday, fleet.FaultOther, 0, 1e3))
		}
		fit, err := fleetstate.Solve(h, s, s.Stated())
		if err != nil {
			t.Fatal(err)
		}
		in := Input{
			Fit: fit, From: fit.At.Add(time.Hour), Weeks: c.weeks, Budget: math.Inf(1), Cars: c.cars,
			Sites: []Site{{ID: siteID(0), Cells: []Cell{{ID: cellID(0)}}}, {ID: siteID(1), Cells: []Cell{{ID: cellID(1)}}}},
			Legs:  []Leg{{siteID(0), siteID(1), 10}},
		}
		p, err := Make(in)
		if err != nil {
			t.Fatal(err)
		}
		difference := 2 * sigma * sigma
		if c.a > 0 {
			difference = 1 / (1/difference + 1/(session*session/float64(c.a)+session*session/float64(c.b)))
		}
		// The consensus is what voters agree on: the mean of cells with a run.
		weight := [2]float64{1, 0}
		if len(c.runs) == 2 {
			weight = [2]float64{0.5, 0.5}
		}
		for i, u := range p.Plan.Cells {
			want := 2 * math.Sqrt(difference) * math.Abs(1-weight[i])
			if math.Abs(u.U-want) > 1e-5*sigma+1e-12 {
				t.Errorf("%s: %s ± %.8g, want ± %.8g", name, u.Cell, u.U, want)
			}
		}
		if stays := p.Stays.Largest.U; math.Abs(stays-2*math.Sqrt(2)*sigma*(1-weight[1])) > 1e-5*sigma {
			t.Errorf("%s: ± %.8g if all stay, want ± %.8g", name, stays, 2*math.Sqrt(2)*sigma*(1-weight[1]))
		}
		if got := p.Plan.Cost > 0; got != c.travel {
			t.Errorf("%s: cost %g, want travel %v", name, p.Plan.Cost, c.travel)
		}
		if !p.Complete {
			t.Errorf("%s: the search was cut short", name)
		}
	}
}

// exhaustive is the least value of all plans there are.
func exhaustive(t *testing.T, in Input) float64 {
	t.Helper()
	if err := in.check(); err != nil {
		t.Fatal(err)
	}
	in.Work = math.Inf(1)
	s := &search{in: &in, sites: in.Sites, cars: in.Cars, work: math.Inf(1)}
	var err error
	if s.cost, _, _, err = in.travel(); err != nil {
		t.Fatal(err)
	}
	if err := s.begin(); err != nil {
		t.Fatal(err)
	}
	now, err := s.now()
	if err != nil {
		t.Fatal(err)
	}
	s.setPrice(now)
	best := math.Inf(1)
	p := s.stays()
	var walk func(at int)
	walk = func(at int) {
		if at == in.Weeks*len(in.Cars) {
			if s.travelled(p) <= in.Budget {
				best = math.Min(best, s.value(p))
			}
			return
		}
		w, j := at/len(in.Cars), at%len(in.Cars)
		if !s.free(w, j) {
			p[w][j] = s.was(p, w, j)
			walk(at + 1)
			return
		}
		for site := range in.Sites {
			p[w][j] = site
			walk(at + 1)
		}
	}
	walk(0)
	return best
}

// valueOf is what the search goes by, of a plan made.
func valueOf(t *testing.T, in Input, p Plan) float64 {
	t.Helper()
	s := &search{in: &in}
	var err error
	if s.cost, _, _, err = in.travel(); err != nil {
		t.Fatal(err)
	}
	s.setPrice(p.Now)
	return p.Plan.Largest.U + s.price*p.Plan.Cost
}

// Small cases against every plan there is: 2 to 3 sites, 1 to 3 cars, 2 to 4 weeks,
// with cars that stay or are away, closed cells and budgets.
func TestAgainstExhaustive(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	same, cases := 0, 40
	worst := 0.0
	for i := range cases {
		sites, cars, weeks := 2+r.IntN(2), 1+r.IntN(3), 2+r.IntN(3)
		for math.Pow(float64(sites), float64(cars*weeks)) > 3000 {
			weeks, cars = max(2, weeks-1), max(1, cars-r.IntN(2))
		}
		lends := r.IntN(2) == 0
		in := invented(t, sites, 1+r.IntN(2), cars, 4+r.IntN(4), func(car, week int) int {
			if lends && week == 2 && car == 0 {
				return 1
			}
			return -1
		})
		in.Weeks = weeks
		line(&in, 50+100*r.Float64())
		if r.IntN(3) == 0 {
			in.Budget = 150 * float64(1+r.IntN(3))
		}
		if r.IntN(3) == 0 {
			in.Cars[r.IntN(cars)].Away = []int{1 + r.IntN(weeks)}
		}
		if r.IntN(3) == 0 && cars > 1 {
			in.Cars[0].Stays = true
		}
		if r.IntN(3) == 0 {
			in.Sites[r.IntN(sites)].Cells[0].Closed = []int{1 + r.IntN(weeks)}
		}
		if r.IntN(4) == 0 {
			in.Worth = 1e6
		}
		p, err := Make(in)
		if err != nil {
			t.Fatal(err)
		}
		got, want := valueOf(t, in, p), exhaustive(t, in)
		if got < want*(1-1e-9) {
			t.Errorf("case %d: %.9g is better than the best of all, %.9g", i, got, want)
		}
		worst = math.Max(worst, got/want-1)
		if got <= want*(1+1e-9) {
			same++
		}
	}
	t.Logf("%d of %d cases are the best of all plans, the worst is %.2g %% off", same, cases, 100*worst)
	if worst > 0.02 || same < cases*8/10 {
		t.Errorf("%d of %d cases are the best there is, the worst %.2g %% off; want 8 of 10 and 2 %%", same, cases, 100*worst)
	}
}

// Every car has always been at its own site: cells and cars are confounded. The
// plan sends one, says which pair it tells apart, and the largest uncertainty
// falls well below that of staying.
func TestConfoundedIsBroken(t *testing.T) {
	in := invented(t, 3, 1, 3, 10, nil)
	in.Weeks = 2
	line(&in, 100)
	p, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	if !(p.Plan.Largest.U < 0.75*p.Stays.Largest.U) {
		t.Errorf("± %g with the plan, ± %g if all stay", p.Plan.Largest.U, p.Stays.Largest.U)
	}
	visited := map[string]bool{}
	for _, s := range p.Plan.Stops {
		if s.Site != s.From {
			visited[fmt.Sprintf("Reference car %s at site %s in week %d tells cells", s.Car, s.Site, s.Week)] = true
		}
	}
	named := 0
	for _, why := range p.Why {
		for v := range visited {
			if strings.HasPrefix(why, v) && strings.Contains(why, "which no visit yet separates from their cars") {
				named++
			}
		}
	}
	if named == 0 {
		t.Errorf("no sentence names the visit that separates cells from cars:\n%s", strings.Join(p.Why, "\n"))
	}
	t.Log(strings.Join(p.Why, "\n"))
}

// The plan is never worse than either of what it is held against, keeps to what is
// asked, and does not depend on the order of what is given.
func TestPlanKeepsToWhatIsAsked(t *testing.T) {
	in := invented(t, 4, 2, 3, 8, func(car, week int) int {
		if car == 0 && week == 3 {
			return 1
		}
		return -1
	})
	in.Weeks = 5
	line(&in, 120)
	in.Budget = 500
	in.Cars[1].Stays = true
	in.Cars[2].Away = []int{1, 2}
	in.Sites[3].Cells[0].Closed = []int{1, 2, 3, 4, 5}
	in.CellsAWeek = 1
	p, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	if p.Plan.Cost > in.Budget {
		t.Errorf("cost %g over the budget", p.Plan.Cost)
	}
	if p.Plan.Largest.U > p.Stays.Largest.U {
		t.Errorf("the plan leaves ± %g, staying ± %g", p.Plan.Largest.U, p.Stays.Largest.U)
	}
	sum := 0.0
	at := map[fleet.CarID]fleet.SiteID{}
	for _, c := range in.Cars {
		at[c.ID] = c.Site
	}
	for _, s := range p.Plan.Stops {
		if s.From != at[s.Car] {
			t.Errorf("week %d: car %s comes from %s, was at %s", s.Week, s.Car, s.From, at[s.Car])
		}
		at[s.Car] = s.Site
		sum += s.Cost
		switch {
		case s.Car == carID(1) && s.Site != s.From:
			t.Errorf("car %s stays, goes to %s in week %d", s.Car, s.Site, s.Week)
		case s.Car == carID(2) && s.Week <= 2 && (!s.Away || s.Site != s.From || len(s.Cells) > 0):
			t.Errorf("a car that is away: %+v", s)
		case len(s.Cells) > 1:
			t.Errorf("week %d: %d cells, one asked for", s.Week, len(s.Cells))
		case slices.Contains(s.Cells, in.Sites[3].Cells[0].ID):
			t.Errorf("week %d: a closed cell is visited", s.Week)
		}
	}
	if math.Abs(sum-p.Plan.Cost) > 1e-9 {
		t.Errorf("legs cost %g, the plan %g", sum, p.Plan.Cost)
	}
	for _, c := range p.Plan.Cells {
		if c.Cell == in.Sites[3].Cells[0].ID {
			t.Error("a cell that is closed all the time counts")
		}
	}
	if len(p.Plan.Stops) != 15 || len(p.Round.Stops) != 15 || p.Stays.Cost != 0 {
		t.Errorf("%d stops, round %d, staying costs %g", len(p.Plan.Stops), len(p.Round.Stops), p.Stays.Cost)
	}

	slices.Reverse(in.Sites)
	slices.Reverse(in.Cars)
	slices.Reverse(in.Legs)
	again, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(p, again) {
		t.Error("the order of the input changes the plan")
	}
}

// No budget for a journey: every car stays, and that is said.
func TestNoBudget(t *testing.T) {
	in := invented(t, 2, 1, 2, 5, nil)
	line(&in, 100)
	in.Budget = 99
	p, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	if p.Plan.Cost != 0 || !reflect.DeepEqual(p.Plan, p.Stays) || !p.Round.OverBudget {
		t.Errorf("cost %g, round over budget %v", p.Plan.Cost, p.Round.OverBudget)
	}
	if !strings.Contains(strings.Join(p.Why, " "), "every car stays") {
		t.Errorf("%q", p.Why)
	}
}

// A dear journey is not made for little: the plan's cost falls as a fall of U is
// worth less.
func TestWorth(t *testing.T) {
	cost := func(worth float64) float64 {
		in := invented(t, 3, 2, 2, 6, func(car, week int) int {
			if week%3 == 1 {
				return 2
			}
			return -1
		})
		line(&in, 100)
		in.Worth = worth
		p, err := Make(in)
		if err != nil {
			t.Fatal(err)
		}
		return p.Plan.Cost
	}
	much, some, little := cost(1e9), cost(2e5), cost(1)
	t.Logf("%g, %g, %g km", much, some, little)
	if !(much >= some && some >= little && much > little) || little != 0 {
		t.Errorf("costs %g, %g, %g as a fall is worth less and less", much, some, little)
	}
}

// Great circles. A degree of a great circle of the mean radius is 111.195 km (hand
// calculation); half round the earth is π·R; the quarter from pole to equator is
// the same along every meridian.
func TestDistance(t *testing.T) {
	deg := math.Pi / 180
	for name, c := range map[string]struct {
		a, b Position
		km   float64
	}{
		"a degree of latitude":     {Position{0, 0}, Position{deg, 0}, 111.19508},
		"a degree of longitude":    {Position{60 * deg, 10 * deg}, Position{60 * deg, 11 * deg}, 55.59648},
		"pole to equator":          {Position{90 * deg, 0}, Position{0, 123 * deg}, 10007.5572},
		"across the date line":     {Position{0, 179.5 * deg}, Position{0, -179.5 * deg}, 111.19508},
		"to the other side":        {Position{0.3, 1}, Position{-0.3, 1 - math.Pi}, 20015.1144},
		"the same place, no error": {Position{0.7, 0.1}, Position{0.7, 0.1}, 0},
	} {
		if got := Distance(c.a, c.b) / 1000; math.Abs(got-c.km) > 0.001 {
			t.Errorf("%s: %.5f km, want %.5f", name, got, c.km)
		}
	}
}

func TestTravel(t *testing.T) {
	at := func(lat, lon float64) *Position { return &Position{lat * math.Pi / 180, lon * math.Pi / 180} }
	in := Input{Sites: []Site{{ID: "a", Position: at(50, 8)}, {ID: "b", Position: at(51, 8)}, {ID: "c"}}}
	if _, _, _, err := in.travel(); err == nil || !strings.Contains(err.Error(), "between a and c") {
		t.Errorf("a site without a place: %v", err)
	}
	in.Legs = []Leg{{"a", "c", 40}, {"b", "c", 70}}
	cost, unit, how, err := in.travel()
	if err != nil || unit != "km" || cost[0][2] != 40 || cost[2][1] != 70 || math.Abs(cost[1][0]-111.195) > 0.01 || !strings.Contains(how, "the 1 not given are great circles") {
		t.Errorf("%v %q %q %v", cost, unit, how, err)
	}
	in.CostUnit = "EUR"
	if _, _, _, err := in.travel(); err == nil || !strings.Contains(err.Error(), "give it in EUR") {
		t.Errorf("money and no leg: %v", err)
	}
	in.CostUnit, in.Legs = "", append(in.Legs, Leg{"c", "a", 41})
	if _, _, _, err := in.travel(); err == nil {
		t.Error("two costs of one leg were taken")
	}
	none := Input{Sites: []Site{{ID: "a"}, {ID: "b"}}}
	if cost, unit, how, err := none.travel(); err != nil || unit != "legs" || cost[0][1] != 1 || !strings.Contains(how, "every leg counts 1") {
		t.Errorf("%v %q %q %v", cost, unit, how, err)
	}
}

func TestBadInput(t *testing.T) {
	good := func() Input {
		in := invented(t, 2, 1, 1, 3, nil)
		line(&in, 10)
		return in
	}
	for want, spoil := range map[string]func(*Input){
		"0 weeks":                        func(in *Input) { in.Weeks = 0 },
		"no fit of the fleet":            func(in *Input) { in.Fit = nil },
		"none of the sites has a cell":   func(in *Input) { in.Sites[0].Cells, in.Sites[1].Cells = nil, nil },
		"budget must not be negative":    func(in *Input) { in.Budget = -1 },
		"which is not among the sites":   func(in *Input) { in.Cars[0].Site = "nowhere" },
		"the weeks are 1 to 3":           func(in *Input) { in.Cars[0].Away = []int{4} },
		"cell cell-000 closed in week 0": func(in *Input) { in.Sites[0].Cells[0].Closed = []int{0} },
		"no place on earth":              func(in *Input) { in.Sites[0].Position = &Position{2, 0} },
		"at one site":                    func(in *Input) { in.Sites[1].Cells = in.Sites[0].Cells },
		"two different sites":            func(in *Input) { in.Legs[0].B = in.Legs[0].A },
		"finite and not negative, is -3": func(in *Input) { in.Legs[0].Cost = -3 },
		"begins no earlier than":         func(in *Input) { in.From = in.From.Add(-100 * fleetstate.Week) },
	} {
		in := good()
		spoil(&in)
		if _, err := Make(in); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

// A car and a cell that have never been seen are planned with.
func TestNewCarAndCell(t *testing.T) {
	in := invented(t, 2, 1, 1, 4, nil)
	line(&in, 10)
	in.Sites[1].Cells = append(in.Sites[1].Cells, Cell{ID: "new-cell"})
	in.Cars = append(in.Cars, Car{ID: "new-car", Site: siteID(1)})
	p, err := Make(in)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Plan.Cells) != 3 || !(p.Plan.Largest.U < p.Now.Largest.U) {
		t.Errorf("%+v, today %+v", p.Plan.Cells, p.Now.Largest)
	}
}

func benchmark(b *testing.B, sites, perSite, cars int) {
	in := invented(b, sites, perSite, cars, 52, func(car, week int) int {
		switch {
		case week%13 == 12:
			return (car + 1) % sites
		case week%2 == 1:
			return (car + cars) % sites
		}
		return -1
	})
	in.Weeks = 8
	line(&in, 30)
	b.ResetTimer()
	for range b.N {
		p, err := Make(in)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(p.Trials), "trials")
		b.Logf("complete %v, ± %.3f %% plan, %.3f %% stays, %.3f %% round; %.0f and %.0f km", p.Complete,
			100*p.Plan.Largest.U, 100*p.Stays.Largest.U, 100*p.Round.Largest.U, p.Plan.Cost, p.Round.Cost)
	}
}

func BenchmarkPlan12Cells4Cars8Weeks(b *testing.B)   { benchmark(b, 4, 3, 4) }
func BenchmarkPlan200Cells20Cars8Weeks(b *testing.B) { benchmark(b, 40, 5, 20) }
