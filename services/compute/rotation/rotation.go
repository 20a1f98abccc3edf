package rotation

import (
	"cmp"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/fleetstate"
	"rollcall/services/fleet"
)

// Stop is a car's week at a site.
type Stop struct {
	Week  int // from 1
	Car   fleet.CarID
	Site  fleet.SiteID
	From  fleet.SiteID   // where it comes from; Site: it was there
	Cost  float64        // of coming
	Away  bool           // it runs nowhere this week
	Cells []fleet.CellID // it runs on, least sure first where not all are
}

// CellU is how surely a cell's offset from the consensus is known; U expanded,
// k = 2, a ratio.
type CellU struct {
	Cell fleet.CellID
	U    float64
}

// Scheme is one way to spend the weeks, and what it leaves.
type Scheme struct {
	Stops []Stop // by week, then car
	Cost  float64
	// Largest is of the cells that can be visited, the largest U after the weeks;
	// Typical is their median.
	Largest CellU
	Typical float64
	Cells   []CellU // by id
	// OverBudget says that it costs more than the budget; only the fixed round can.
	OverBudget bool
}

// Plan is what is advised, beside what else could be done.
type Plan struct {
	Now   Scheme // as the weeks begin: no stops
	Plan  Scheme
	Stays Scheme // every car stays where it is
	Round Scheme // every car that can goes on to the next site each week, by id
	// CostUnit is of all costs; Travel says in a sentence how they were found.
	CostUnit, Travel string
	// Why says in sentences what the plan is for.
	Why []string
	// Trials is how many plans were worked out; Complete: no exchange is left that
	// would be better, rather than that the work was used up.
	Trials   int
	Complete bool
}

// scheme is who is where: by week, by car, the place of the site.
type scheme [][]int

func (s scheme) clone() scheme {
	out := make(scheme, len(s))
	for w := range s {
		out[w] = slices.Clone(s[w])
	}
	return out
}

// search is a search for a plan.
type search struct {
	in     *Input
	sites  []Site
	cars   []Car
	home   []int // by car
	cost   [][]float64
	price  float64
	start  *fleetstate.Outlook // as the weeks begin
	counts []bool              // by cell of the outlook: counts for the largest
	place  map[fleet.CellID]int
	soft   bool    // the size is a mean of a high power in place of the largest
	work   float64 // left
	trials int

	// known are the sizes of the schemes worked out: soft, and the largest.
	known map[string][2]float64

	room []*fleetstate.Outlook // before each week's runs, of the scheme at hand
	try  *fleetstate.Outlook
	v    []float64
	drop []float64
}

// Make plans the weeks. The order of sites, cells and cars does not matter.
//
// It returns an error that says all that is wrong with the input, or
// fleetstate.ErrPast or ErrNoRuns.
func Make(in Input) (Plan, error) {
	if err := in.check(); err != nil {
		return Plan{}, err
	}
	in.Sites, in.Cars = slices.Clone(in.Sites), slices.Clone(in.Cars)
	slices.SortFunc(in.Sites, func(a, b Site) int { return cmp.Compare(a.ID, b.ID) })
	slices.SortFunc(in.Cars, func(a, b Car) int { return cmp.Compare(a.ID, b.ID) })
	for i := range in.Sites {
		in.Sites[i].Cells = slices.Clone(in.Sites[i].Cells)
		slices.SortFunc(in.Sites[i].Cells, func(a, b Cell) int { return cmp.Compare(a.ID, b.ID) })
	}
	if in.Work == 0 {
		in.Work = DefaultWork
	}
	s := &search{in: &in, sites: in.Sites, cars: in.Cars, work: in.Work, soft: true, known: map[string][2]float64{}}
	var out Plan
	var err error
	if s.cost, out.CostUnit, out.Travel, err = in.travel(); err != nil {
		return Plan{}, err
	}
	if err := s.begin(); err != nil {
		return Plan{}, err
	}
	if out.Now, err = s.now(); err != nil {
		return Plan{}, err
	}
	s.setPrice(out.Now)

	stays, round, best := s.stays(), s.round(), s.greedy()
	staysEnd, planEnd := s.start.Clone(), s.start.Clone()
	out.Stays, out.Round, out.Plan = s.spend(stays, staysEnd), s.spend(round, s.try), s.spend(best, planEnd)
	out.Complete = true
	begun := []scheme{best, stays}
	if !out.Round.OverBudget {
		begun = append(begun, round)
	}
	least := math.Inf(1)
	for i, from := range begun {
		value := s.price*s.travelled(from) + []Scheme{out.Plan, out.Stays, out.Round}[i].Largest.U
		if value < least {
			best, least = from, value
		}
	}
	for _, from := range begun {
		p, done := s.exchange(from)
		out.Complete = out.Complete && done
		s.soft = false
		p, done = s.exchange(p)
		out.Complete = out.Complete && done
		if sizes, ok := s.known[p.key()]; ok {
			if value := s.valueAt(p, sizes); value < least {
				best, least = p, value
			}
		}
		s.soft = true
	}
	out.Plan = s.spend(best, planEnd)
	out.Why = s.why(&out, best, stays, planEnd, staysEnd)
	out.Trials = s.trials
	return out, nil
}

// begin makes the outlook and what goes with it.
func (s *search) begin() error {
	var cells []fleet.CellID
	var cars []fleet.CarID
	for _, site := range s.sites {
		for _, c := range site.Cells {
			cells = append(cells, c.ID)
		}
	}
	at := map[fleet.SiteID]int{}
	for i, site := range s.sites {
		at[site.ID] = i
	}
	for _, c := range s.cars {
		cars = append(cars, c.ID)
		s.home = append(s.home, at[c.Site])
	}
	var err error
	if s.start, err = s.in.Fit.Outlook(s.in.From, s.end(), cells, cars); err != nil {
		return err
	}
	s.place = map[fleet.CellID]int{}
	for i, id := range s.start.Cells() {
		s.place[id] = i
	}
	s.counts = make([]bool, len(s.place))
	any := false
	for _, site := range s.sites {
		for _, c := range site.Cells {
			for w := range s.in.Weeks {
				if !c.closed(w) {
					s.counts[s.place[c.ID]], any = true, true
				}
			}
		}
	}
	if !any {
		for _, id := range cells {
			s.counts[s.place[id]] = true
		}
	}
	for range s.in.Weeks {
		s.room = append(s.room, s.start.Clone())
	}
	s.try = s.start.Clone()
	return nil
}

func (s *search) end() time.Time { return s.weekBegins(s.in.Weeks) }

func (s *search) weekBegins(w int) time.Time {
	return s.in.From.Add(time.Duration(w) * fleetstate.Week)
}

// runsAt is when the runs of a week are taken to be: in its middle.
func (s *search) runsAt(w int) time.Time { return s.weekBegins(w).Add(fleetstate.Week / 2) }

// now is what is known as the weeks begin.
func (s *search) now() (Scheme, error) {
	var cells []fleet.CellID
	for id := range s.place {
		cells = append(cells, id)
	}
	o, err := s.in.Fit.Outlook(s.in.From, s.in.From, cells, nil)
	if err != nil {
		return Scheme{}, err
	}
	var out Scheme
	s.sum(&out, o.Variances(nil))
	return out, nil
}

// setPrice says what a unit of travel cost must lower the largest U by.
func (s *search) setPrice(now Scheme) {
	if s.in.Worth > 0 {
		s.price = 1 / s.in.Worth
		return
	}
	sum, n := 0.0, 0
	for i := range s.cost {
		for j := range i {
			sum += s.cost[i][j]
			n++
		}
	}
	if sum > 0 {
		s.price = leastGain * now.Largest.U / (sum / float64(n))
	}
}

// fill makes a scheme of a rule for a car that can travel; one that cannot
// travel, or is away, is where it was.
func (s *search) fill(to func(week, car, was int) int) scheme {
	out := make(scheme, s.in.Weeks)
	for w := range out {
		out[w] = make([]int, len(s.cars))
		for j := range s.cars {
			out[w][j] = s.was(out, w, j)
			if s.free(w, j) {
				out[w][j] = to(w, j, out[w][j])
			}
		}
	}
	return out
}

// was is where a car was before a week.
func (s *search) was(p scheme, week, car int) int {
	if week == 0 {
		return s.home[car]
	}
	return p[week-1][car]
}

// free says whether a car can be sent somewhere in a week.
func (s *search) free(week, car int) bool { return !s.cars[car].Stays && !s.away(week, car) }

func (s *search) away(week, car int) bool { return slices.Contains(s.cars[car].Away, week+1) }

func (s *search) stays() scheme { return s.fill(func(_, _, was int) int { return was }) }

// round sends every car on to the next site that has a cell, by id.
func (s *search) round() scheme {
	return s.fill(func(_, _, was int) int {
		for i := 1; i <= len(s.sites); i++ {
			if next := (was + i) % len(s.sites); len(s.sites[next].Cells) > 0 {
				return next
			}
		}
		return was
	})
}

// open returns the cells of a site that a car runs on in a week; variances are
// those of the cells as they stand.
func (s *search) open(site, week int, v []float64) []fleet.CellID {
	var out []fleet.CellID
	for _, c := range s.sites[site].Cells {
		if !c.closed(week) {
			out = append(out, c.ID)
		}
	}
	if k := s.in.CellsAWeek; k > 0 && len(out) > k {
		slices.SortStableFunc(out, func(a, b fleet.CellID) int { return cmp.Compare(v[s.place[b]], v[s.place[a]]) })
		out = out[:k]
	}
	return out
}

// travelled is a scheme's cost of travel.
func (s *search) travelled(p scheme) float64 {
	sum := 0.0
	for w := range p {
		for j := range p[w] {
			sum += s.cost[s.was(p, w, j)][p[w][j]]
		}
	}
	return sum
}

// size is what is to be small, of variances: the largest U, or (Σ U^16)^(1/16).
func (s *search) size(v []float64) float64 {
	largest := 0.0
	for i, x := range v {
		if s.counts[i] {
			largest = math.Max(largest, x)
		}
	}
	if !s.soft || largest == 0 {
		return 2 * math.Sqrt(largest)
	}
	sum := 0.0
	for i, x := range v {
		if s.counts[i] {
			y := math.Max(0, x) / largest
			y *= y
			y *= y
			sum += y * y
		}
	}
	return 2 * math.Sqrt(largest) * math.Pow(sum, 1.0/16)
}

// visit lets a car run on cells, and counts the work.
func (s *search) visit(o *fleetstate.Outlook, car int, cells []fleet.CellID) {
	n := float64(o.Size())
	s.work -= n * n * rowsARun * float64(len(cells))
	if err := o.Visit(s.cars[car].ID, cells); err != nil {
		panic("rotation: the outlook does not hold what it was made for")
	}
}

// rowsARun is about how many numbers a run says (fleetstate's band modes, and the
// pulls' differences).
const rowsARun = 8

// week lets a scheme's week pass; seen, where not nil, is told of every stop
// before and after it.
func (s *search) week(o *fleetstate.Outlook, p scheme, w int, seen func(car int, cells []fleet.CellID, before bool)) {
	o.Forward(s.runsAt(w))
	for j := range s.cars {
		if s.away(w, j) {
			continue
		}
		if s.in.CellsAWeek > 0 {
			s.v = o.Variances(s.v)
		}
		cells := s.open(p[w][j], w, s.v)
		if seen != nil {
			seen(j, cells, true)
		}
		s.visit(o, j, cells)
		if seen != nil {
			seen(j, cells, false)
		}
	}
}

// value is what is to be least; the rooms take the state before each week.
func (s *search) value(p scheme) float64 { return s.valueFrom(p, 0, s.start, s.room) }

// valueFrom works a scheme out from a week on, from the state before it; rooms,
// where not nil, take the state before each week.
func (s *search) valueFrom(p scheme, from int, state *fleetstate.Outlook, rooms []*fleetstate.Outlook) float64 {
	s.trials++
	o := s.try
	o.CopyFrom(state)
	for w := from; w < len(p); w++ {
		if rooms != nil {
			rooms[w].CopyFrom(o)
		}
		s.week(o, p, w, nil)
	}
	s.v = o.Variances(s.v)
	soft := s.soft
	var sizes [2]float64
	for i := range sizes {
		s.soft = i == 0
		sizes[i] = s.size(s.v)
	}
	s.soft = soft
	if s.known != nil {
		s.known[p.key()] = sizes
	}
	return s.valueAt(p, sizes)
}

func (s *search) valueAt(p scheme, sizes [2]float64) float64 {
	i := 1
	if s.soft {
		i = 0
	}
	return sizes[i] + s.price*s.travelled(p)
}

// key names a scheme.
func (p scheme) key() string {
	var out []byte
	for _, week := range p {
		for _, site := range week {
			out = append(out, byte(site), byte(site>>8))
		}
	}
	return string(out)
}

// candidate is a car sent to a site, and by how much that changes the value.
type candidate struct {
	car, site int
	change    float64
	step      int // at which it was worked out
}

// greedy sends, week by week, the car to the site that help most, then the next.
func (s *search) greedy() scheme {
	p := s.stays()
	o := s.try
	o.CopyFrom(s.start)
	spent := 0.0
	for w := range p {
		o.Forward(s.runsAt(w))
		var list []candidate
		done := make([]bool, len(s.cars))
		left := 0
		for j := range s.cars {
			p[w][j] = s.was(p, w, j)
			if s.away(w, j) {
				done[j] = true
				continue
			}
			left++
			for site := range s.sites {
				if site == p[w][j] || s.free(w, j) {
					list = append(list, candidate{j, site, math.Inf(-1), -1})
				}
			}
		}
		for step := 0; left > 0; step++ {
			v := o.Variances(nil)
			now := s.size(v)
			less := func(a, b candidate) int {
				return cmp.Or(cmp.Compare(a.change, b.change), a.car-b.car, a.site-b.site)
			}
			// What a visit gains hardly grows by others': one whose gain was worked out
			// before is worked out again only when it comes first.
			var chosen candidate
			for {
				first := -1
				for i := range list {
					if c := &list[i]; !done[c.car] && (first < 0 || less(*c, list[first]) < 0) {
						first = i
					}
				}
				c := &list[first]
				if c.step == step {
					chosen = *c
					break
				}
				c.step = step
				c.change = s.gain(o, v, now, w, c)
				if leg := s.cost[p[w][c.car]][c.site]; leg > 0 {
					if spent+leg > s.in.Budget {
						c.change = math.Inf(1)
					} else {
						c.change += s.price * leg
					}
				}
			}
			spent += s.cost[p[w][chosen.car]][chosen.site]
			p[w][chosen.car] = chosen.site
			done[chosen.car] = true
			left--
			s.visit(o, chosen.car, s.open(chosen.site, w, v))
		}
	}
	return p
}

// gain is by how much a car's runs at a site change the size.
func (s *search) gain(o *fleetstate.Outlook, v []float64, now float64, w int, c *candidate) float64 {
	cells := s.open(c.site, w, v)
	if len(cells) == 0 {
		return 0
	}
	s.trials++
	var err error
	if s.drop, err = o.Try(s.drop, s.cars[c.car].ID, cells); err != nil {
		panic("rotation: the outlook does not hold what it was made for")
	}
	after := make([]float64, len(v))
	for i := range v {
		after[i] = math.Max(0, v[i]-s.drop[i])
	}
	return s.size(after) - now
}

// betterBy is the share of the value that an exchange must lower it by: less is
// rounding.
const betterBy = 1e-9

// exchange betters a scheme by exchanges until none betters it, or the work is
// used up; done: the former.
func (s *search) exchange(p scheme) (scheme, bool) {
	p = p.clone()
	if s.work <= 0 {
		return p, false
	}
	value := s.value(p)
	// take tries a scheme that differs from week w on.
	take := func(q scheme, w int) {
		if s.travelled(q) > s.in.Budget {
			return
		}
		sizes, ok := s.known[q.key()]
		x := s.valueAt(q, sizes)
		if !ok {
			x = s.valueFrom(q, w, s.room[w], nil)
		}
		if x < value*(1-betterBy) {
			p, value = q, s.valueFrom(q, w, s.room[w], s.room)
		}
	}
	for {
		before := value
		for w := range p {
			for j := range s.cars {
				for _, q := range s.neighbours(p, w, j) {
					if s.work <= 0 {
						return p, false
					}
					take(q, w)
				}
			}
		}
		if value < before {
			continue
		}
		// On a small fleet also two moves at once.
		if one := len(p) * len(s.cars) * (len(s.sites) - 1); one*one/2 <= mostDouble {
			for w := range p {
				for j := range s.cars {
					for _, q := range s.neighbours(p, w, j) {
						for w2 := w; w2 < len(q); w2++ {
							for j2 := range s.cars {
								for _, r := range s.neighbours(q, w2, j2) {
									if s.work <= 0 {
										return p, false
									}
									take(r, w)
								}
							}
						}
					}
				}
			}
		}
		if !(value < before) {
			return p, true
		}
	}
}

// mostDouble bounds the pairs of moves that are tried at once.
const mostDouble = 600

// neighbours are the schemes that differ from a week on in where a car is: at
// another site for that week, for its stay, or for good, or in the place of a
// later car, which takes its.
func (s *search) neighbours(p scheme, w, j int) []scheme {
	if !s.free(w, j) {
		return nil
	}
	var out []scheme
	stay := w + 1
	for stay < len(p) && p[stay][j] == p[w][j] {
		stay++
	}
	ends := slices.Compact([]int{w + 1, stay, len(p)})
	for site := range s.sites {
		if site == p[w][j] {
			continue
		}
		for _, end := range ends {
			q := p.clone()
			for k := w; k < end; k++ {
				if s.free(k, j) {
					q[k][j] = site
				} else {
					q[k][j] = s.was(q, k, j)
				}
			}
			out = append(out, s.settle(q, j))
		}
	}
	for i := j + 1; i < len(s.cars); i++ {
		if p[w][i] != p[w][j] && s.free(w, i) {
			q := p.clone()
			q[w][i], q[w][j] = q[w][j], q[w][i]
			out = append(out, s.settle(s.settle(q, i), j))
		}
	}
	return out
}

// settle leaves a car that is away where it was.
func (s *search) settle(p scheme, j int) scheme {
	for w := range p {
		if !s.free(w, j) {
			p[w][j] = s.was(p, w, j)
		}
	}
	return p
}

// spend works a scheme out for show; o becomes what is then known.
func (s *search) spend(p scheme, o *fleetstate.Outlook) Scheme {
	var out Scheme
	o.CopyFrom(s.start)
	for w := range p {
		runs := map[int][]fleet.CellID{}
		s.week(o, p, w, func(car int, cells []fleet.CellID, before bool) {
			if before {
				runs[car] = cells
			}
		})
		for j := range s.cars {
			from := s.was(p, w, j)
			stop := Stop{
				Week: w + 1, Car: s.cars[j].ID, Site: s.sites[p[w][j]].ID, From: s.sites[from].ID,
				Cost: s.cost[from][p[w][j]], Away: s.away(w, j), Cells: runs[j],
			}
			out.Cost += stop.Cost
			out.Stops = append(out.Stops, stop)
		}
	}
	out.OverBudget = out.Cost > s.in.Budget
	s.sum(&out, o.Variances(nil))
	return out
}

// sum fills in what variances of the cells come to.
func (s *search) sum(out *Scheme, v []float64) {
	var all []float64
	ids := s.start.Cells()
	for i, x := range v {
		if !s.counts[i] {
			continue
		}
		u := 2 * math.Sqrt(x)
		c := CellU{ids[i], u}
		out.Cells = append(out.Cells, c)
		all = append(all, u)
		if u > out.Largest.U {
			out.Largest = c
		}
	}
	if n := len(all); n > 0 {
		slices.Sort(all)
		out.Typical = (all[(n-1)/2] + all[n/2]) / 2
	}
}
