package simulate

import (
	"math"
	"math/rand/v2"
	"time"
)

// K is the number of band points of a pull.
const K = 12

// Kind is a kind of fault.
type Kind int

// The faults. Size is in the unit given; a cell with a positive fault reads
// high but for drag and slip.
const (
	None      Kind = iota
	Gain           // ratio of reading
	Zero           // N at the lever arm
	Inertia        // kg the registry's value is too high
	Drag           // N at the roller surface, more than the registry's
	Barometer      // Pa the barometer reads low
	Slip           // N of tractive force by which the grip has fallen
	TiredCar       // ratio of the car's force, negative when it gives less
)

// Fault is what goes wrong: from the start of week From on its size is Step +
// PerWeek·(weeks since then).
type Fault struct {
	Kind    Kind
	Cell    int // or, for TiredCar,
	Car     int
	From    int
	Step    float64
	PerWeek float64
	// Tacho, of slip: the cell logs the engine speed, as all others do.
	Tacho bool
}

// size returns the fault's size at a moment, weeks; 0 before it began.
func (f Fault) size(week float64) float64 {
	if f.Kind == None || week < float64(f.From) {
		return 0
	}
	return f.Step + f.PerWeek*(week-float64(f.From))
}

// Fleet says what is invented.
type Fleet struct {
	Seed  uint64
	Weeks int
	Plan  Plan
	Fault Fault
}

// The noise of reference runs, standard deviations of ln force.
const (
	SessionSD = 0.004
	PullSD    = 0.0025
	PointSD   = 0.003
	// PullsEach is the pulls of a session at each ramp rate.
	PullsEach = 2
)

// RunSD is the standard deviation of a session's band mean about what the car
// gives on the cell.
var RunSD = math.Sqrt(SessionSD*SessionSD + PullSD*PullSD/(2*PullsEach) + PointSD*PointSD/(2*PullsEach*K))

// Pull is what a cell computed of a pull; slices have K entries.
type Pull struct {
	At           time.Time
	Ramp         float64 // rad/s², engine side
	LnC          float64
	Y            []float64 // ln(C·F)
	Force        []float64 // N
	Brake        []float64 // N
	Speed        []float64 // m/s
	Acceleration []float64 // m/s²
	// The faults' signatures, the change of Y per unit of fault, forces at the
	// roller surface.
	Gain, Zero, Inertia, Parasitic, Air []float64
}

// Session is a reference run.
type Session struct {
	Cell, Car, Week int
	At              time.Time
	Air             Air // as the sensors read
	Pulls           []Pull
	LeftOut         int // pulls with a slip that keeps them from judging the cell
	// Ratios are of all its pulls, those left out too, where the engine speed is
	// logged.
	Ratios []Ratio
}

// Ratio is what a pull shows of engine and roller speed at its band points.
type Ratio struct {
	Engine []float64 // rad/s, by the tachometer
	Speed  []float64 // m/s, the roller's, as the cell reads it
	Force  []float64 // N
}

// What moves the ratio of engine to roller speed, standard deviations of its
// logarithm: a session's tyres (their radius by pressure and heat), a pull's, and a
// point's tachometer; and the share of a session's creep that differs by the rubber's
// heat ("common practice, no source").
const (
	TyreSD      = 0.002
	TyrePullSD  = 0.0003
	TachoSD     = 0.0008
	CreepSpread = 0.2
)

// Check is a calibration check as found.
type Check struct {
	Cell        int
	At          time.Time
	DeadWeights bool    // else of the zero alone
	Gain, UGain float64 // ratio, expanded; dead weights only
	Zero, UZero float64 // N at the lever arm, expanded
	Verdict     Verdict
}

// Verdict of a check, see Judge.
type Verdict int

// The verdicts.
const (
	Pass Verdict = iota
	ConditionalPass
	ConditionalFail
	Fail
)

// Judge compares an error and its expanded uncertainty with a tolerance.
func Judge(e, u, tolerance float64) Verdict {
	switch e = math.Abs(e); {
	case e+u <= tolerance:
		return Pass
	case e <= tolerance:
		return ConditionalPass
	case e-u <= tolerance:
		return ConditionalFail
	}
	return Fail
}

// CoastDown is an empty-roller coast-down.
type CoastDown struct {
	Cell     int
	At       time.Time
	Delta, U float64 // N, mid band, less the registry's; expanded
	Speed    float64 // m/s, where it was taken
}

// History is what the chain knows.
type History struct {
	Cells      []Registry
	Cars       []string
	Sessions   []Session // by time
	Checks     []Check
	CoastDowns []CoastDown
}

// Answer is what was true.
type Answer struct {
	Fleet Fleet
	// Offset is the cells' true offsets: by cell and week, the mean of
	// ln(C·F) as the cell reads it less as a cell without error would, over
	// cars, ramps and band, of the pulls whose slip does not keep them from
	// judging it, less the mean of the same over the cells that never have a
	// fault.
	Offset [Cells][]float64
	// Deviation and Effect are, by session, the mean of Y less what it would
	// be without noise and fault (NaN: no pull), and the fault's part of it.
	Deviation, Effect []float64
}

// Start is the Monday of week 0.
var Start = time.Date(2023, 1, 2, 0, 0, 0, 0, time.UTC)

// Week is the unit of the plan.
const Week = 7 * 24 * time.Hour

// sessionAt is when cell c is checked in week w: two cells of a site on one
// morning, so that the week's sessions follow each other through the chain.
func sessionAt(c, w int) time.Time {
	return Start.Add(time.Duration(w)*Week + time.Duration(c/2%5)*24*time.Hour + time.Duration(8+2*(c%2)+4*(c/10))*time.Hour)
}

// Begin is the moment a fault begins that is first seen in week w: half a week
// before the cell's session.
func Begin(c, w int) time.Time { return sessionAt(c, w).Add(-Week / 2) }

// What a random number is for.
const (
	forCell uint64 = iota + 1
	forWeather
	forRoom
	forSession
	forCheck
	forCoastDown
	forRatio
)

func (f Fleet) random(what uint64, c, w int) *rand.Rand {
	return rand.New(rand.NewPCG(f.Seed, what<<32|uint64(c)<<16|uint64(w)))
}

// cars returns the reference cars: four engines of different size, each driven
// at a slow and a fast ramp of 200 and 400 rpm a second.
func cars() []Car {
	rpm := math.Pi / 30
	car := func(name string, peak, gear, tyre, mass float64) Car {
		return Car{
			Name: name, Peak: peak, PeakSpeed: 4500 * rpm, Fall: 0.55, Gear: gear, TyreRadius: tyre, RotatingMass: mass,
			Loss: Loss{100 + 0.1*peak, 1.3 + 0.0018*peak, 0.048 + 2e-5*peak},
			Low:  2200 * rpm, High: 6300 * rpm, Ramps: [2]float64{200 * rpm, 400 * rpm}, Creep: 8e-7,
		}
	}
	return []Car{
		car("birch", 250, 5.25, 0.308, 46), car("cedar", 310, 4.95, 0.318, 52),
		car("maple", 410, 4.85, 0.329, 58), car("aspen", 525, 4.55, 0.342, 66),
	}
}

// cells returns the registry of a fleet and the truth beside it. Spreads are
// common practice, no source: those of cells that are looked after.
func (f Fleet) cells() ([]Registry, []Truth) {
	regs, truths := make([]Registry, Cells), make([]Truth, Cells)
	for c := range regs {
		r := f.random(forCell, c, 0)
		reg := Registry{
			Name: string(rune('a'+c/2)) + "-" + string(rune('1'+c%2)), Site: string(rune('a' + c/2)),
			Radius: 0.3175, Arm: 0.46, Ratio: 1, Inertia: 560 + 80*r.Float64(), Loss: Loss{60 + 10*r.Float64(), 1, 0.017},
			Range: 6500, Tolerance: 0.01, CheckTolerance: 0.005, ZeroTolerance: 5, StandardUOfParasitic: 2,
		}
		if c%4 >= 2 {
			reg.Radius, reg.Arm, reg.Inertia = 0.2159, 0.35, 0.85*reg.Inertia
		}
		regs[c] = reg
		truths[c] = Truth{
			Radius: 2e-4 * r.NormFloat64(), Arm: 2e-4 * r.NormFloat64(), Inertia: 0.0015 * reg.Inertia * r.NormFloat64(),
			Drag: 1 * r.NormFloat64(), Gain: 5e-4 * r.NormFloat64(), Zero: 0.2 * r.NormFloat64(), Surface: 0.003 * r.NormFloat64(),
			Pressure: 25 * r.NormFloat64(), Warm: 0.25 * r.NormFloat64(), Humidity: 0.02 * r.NormFloat64(), Grip: 12000,
		}
	}
	return regs, truths
}

// with returns a cell's truth, or what car j gives on it, under a fault of a
// size.
func (f Fault) with(t Truth, c, j int, size float64) Truth {
	if f.Kind == None || size == 0 {
		return t
	}
	if f.Kind == TiredCar {
		if j == f.Car {
			t.carFactor = math.Exp(size)
		}
		return t
	}
	if c != f.Cell {
		return t
	}
	switch f.Kind {
	case Gain:
		t.Gain += size
	case Zero:
		t.Zero += size
	case Inertia:
		t.Inertia -= size
	case Drag:
		t.Drag += size
	case Barometer:
		t.Pressure -= size
	case Slip:
		t.Grip -= size
	}
	return t
}

// standard is the air in which offsets are stated.
var standard = Air{Pressure: 100500, Temperature: 293.5, Humidity: 0.5}

// sensed returns what a cell's sensors make of the air.
func sensed(a Air, t Truth) Air {
	return Air{a.Pressure + t.Pressure, a.Temperature + t.Warm, a.Humidity + t.Humidity}
}

// band returns engine speed at band point k.
func (c Car) band(k int) float64 { return c.Low + (c.High-c.Low)*(float64(k)+0.5)/K }

// mean returns the band mean of ln(C·F) as a cell reads it without noise.
func mean(car Car, reg Registry, t Truth, ramp float64, a Air) float64 {
	sum := 0.0
	for k := range K {
		sum += math.Log(read(car, reg, t, car.band(k), ramp, a.Factor()).force) / K
	}
	return sum + math.Log(sensed(a, t).Factor())
}

// disqualifyingSlip is the rise of the engine-to-roller ratio, from the lowest
// load of a pull, that keeps it from judging a cell where the engine speed is
// logged ("common practice, no source").
const disqualifyingSlip = 0.04

// slipRange is by how much the slip of a pull without noise differs over its band.
func slipRange(car Car, reg Registry, t Truth, ramp float64, a Air) float64 {
	least, most := math.Inf(1), 0.0
	for k := range K {
		x := read(car, reg, t, car.band(k), ramp, a.Factor())
		least, most = math.Min(least, x.slip), math.Max(most, x.slip)
	}
	return most - least
}

// Invent returns the history and what was true.
func (f Fleet) Invent() (History, Answer) {
	h := History{}
	regs, truths := f.cells()
	h.Cells = regs
	fleet := cars()
	for _, c := range fleet {
		h.Cars = append(h.Cars, c.Name)
	}
	if f.Fault.Kind == Slip && !f.Fault.Tacho {
		truths[f.Fault.Cell].NoTacho = true
	}
	for w := range f.Weeks {
		for _, c := range order {
			size := f.Fault.size(float64(w))
			at := sessionAt(c, w)
			j := f.Plan.Car(c, w)
			h.check(f, c, w, f.Fault.with(truths[c], c, j, size), at)
			h.Sessions = append(h.Sessions, f.session(fleet[j], regs[c], f.Fault.with(truths[c], c, j, size), c, j, w, at))
		}
	}
	return h, f.answer(h, fleet, regs, truths)
}

// order is the cells in the order of their sessions in a week.
var order = [Cells]int{0, 1, 10, 11, 2, 3, 4, 5, 6, 7, 8, 9}

// check adds the week's checks of a cell.
func (h *History) check(f Fleet, c, w int, t Truth, at time.Time) {
	// Standard uncertainties of a check: what this cell's arms and indicator
	// have in common at every check, and what each has of its own.
	const (
		gainOwn, gainCommon = 0.0003, 0.0005 // ratio
		zeroOwn, zeroCommon = 0.15, 0.1      // N at the lever arm
		dragOwn, dragCommon = 1.2, 0.7       // N
	)
	common := f.random(forCheck, c, 1<<15)
	gainHere, zeroHere, dragHere := gainCommon*common.NormFloat64(), zeroCommon*common.NormFloat64(), dragCommon*common.NormFloat64()
	reg := h.Cells[c]
	r := f.random(forCheck, c, w)
	uZero := 2 * math.Hypot(zeroOwn, zeroCommon)
	zero := t.Zero + zeroHere + zeroOwn*r.NormFloat64()
	h.Checks = append(h.Checks, Check{
		Cell: c, At: at.Add(-40 * time.Minute), Zero: zero, UZero: uZero, Verdict: Judge(zero, uZero, reg.ZeroTolerance),
	})
	if w%4 == c%4 {
		// The check sees the load cell and the true arm: a reading in N at the
		// registry's arm is (1 + gain)/(1 + arm) of the force.
		gain := (1+t.Gain)/(1+t.Arm) - 1 + gainHere + gainOwn*r.NormFloat64()
		zero := t.Zero + zeroHere + zeroOwn*r.NormFloat64()
		u := 2 * math.Hypot(gainOwn, gainCommon)
		h.Checks = append(h.Checks, Check{
			Cell: c, At: at.Add(-35 * time.Minute), DeadWeights: true, Gain: gain, UGain: u, Zero: zero, UZero: uZero,
			Verdict: max(Judge(gain, u, reg.CheckTolerance), Judge(zero, uZero, reg.ZeroTolerance)),
		})
	}
	h.CoastDowns = append(h.CoastDowns, CoastDown{
		Cell: c, At: at.Add(-10 * time.Minute), Delta: coastDown(reg, t) - reg.Loss.At(coastSpeed) + dragHere + dragOwn*f.random(forCoastDown, c, w).NormFloat64(),
		U: 2 * math.Hypot(dragOwn, dragCommon), Speed: coastSpeed,
	})
}

// coastSpeed is where the parasitic loss of a coast-down is compared with the
// registry's, m/s at the roller surface.
const coastSpeed = 25

// coastDown returns the parasitic loss a cell sees at coastSpeed in a coast-down
// of its empty rollers, N:
//
//	F_par = −M_base·dv/dt − F_brake
//
// with the registry's inertia and the brake's force as read: the brake is off,
// so that is what the load cell's zero makes of nothing.
func coastDown(reg Registry, t Truth) float64 {
	acceleration := -(reg.Loss.At(coastSpeed) + t.Drag) / (reg.Inertia + t.Inertia)
	return -reg.Inertia*acceleration - t.Zero*reg.armToRoller()
}

// weather returns the air in a cell in a week.
func (f Fleet) weather(c, w int) Air {
	site := f.random(forWeather, c/2, w)
	room := f.random(forRoom, c, w)
	return Air{
		Pressure:    standard.Pressure - 250*float64(c/2) + 900*site.NormFloat64() + 15*room.NormFloat64(),
		Temperature: standard.Temperature + 2.5*math.Sin(2*math.Pi*float64(w)/52) + 1*site.NormFloat64() + 0.5*room.NormFloat64(),
		Humidity:    math.Min(0.85, math.Max(0.2, standard.Humidity+0.09*site.NormFloat64()+0.02*room.NormFloat64())),
	}
}

// session invents a reference run.
func (f Fleet) session(car Car, reg Registry, t Truth, c, j, w int, at time.Time) Session {
	air := f.weather(c, w)
	s := Session{Cell: c, Car: j, Week: w, At: at, Air: sensed(air, t)}
	r := f.random(forSession, c, w)
	common := SessionSD * r.NormFloat64()
	// A generator of its own, so that all else is as without a tachometer.
	tyres := f.random(forRatio, c, w)
	radius, creep := TyreSD*tyres.NormFloat64(), CreepSpread*tyres.NormFloat64()
	for p := range 2 * PullsEach {
		slot := p / PullsEach
		own := PullSD * r.NormFloat64()
		ramp := car.Ramps[slot] * (1 + 0.01*r.NormFloat64())
		moved := t
		if moved.carFactor == 0 {
			moved.carFactor = 1
		}
		// Tyres, straps, fuel and heat: the car truly gives another force.
		moved.carFactor *= math.Exp(common + own)
		pull, ok := f.pull(car, reg, moved, ramp, air, r)
		if !t.NoTacho {
			s.Ratios = append(s.Ratios, ratio(car, pull, radius+TyrePullSD*tyres.NormFloat64(), creep, tyres))
		}
		if !ok {
			s.LeftOut++
			continue
		}
		pull.At = at.Add(time.Duration(6*p) * time.Minute)
		s.Pulls = append(s.Pulls, pull)
	}
	return s
}

// ratio invents what the tachometer shows of a pull: the engine's speed at the band
// points over a roller speed that the tyres make smaller by radius, and by their
// creep's own deviation in proportion to the force.
func ratio(car Car, p Pull, radius, creep float64, r *rand.Rand) Ratio {
	rows := make([]float64, 2*K)
	x := Ratio{Engine: rows[:K:K], Speed: rows[K:], Force: p.Force}
	for k := range K {
		x.Engine[k] = car.band(k) * math.Exp(TachoSD*r.NormFloat64())
		x.Speed[k] = p.Speed[k] * math.Exp(-radius-creep*car.Creep*p.Force[k])
	}
	return x
}

// pull invents a pull; ok is false where its slip would be seen and keeps it
// from judging the cell.
func (f Fleet) pull(car Car, reg Registry, t Truth, ramp float64, air Air, r *rand.Rand) (Pull, bool) {
	rows := make([]float64, 10*K)
	row := func(i int) []float64 { return rows[i*K : (i+1)*K : (i+1)*K] }
	p := Pull{
		Ramp: ramp, LnC: math.Log(sensed(air, t).Factor()), Y: row(0), Force: row(1), Brake: row(2), Speed: row(3), Acceleration: row(4),
		Gain: row(5), Zero: row(6), Inertia: row(7), Parasitic: row(8), Air: row(9),
	}
	least, most := math.Inf(1), 0.0
	for k := range K {
		x := read(car, reg, t, car.band(k), ramp, air.Factor())
		least, most = math.Min(least, x.slip), math.Max(most, x.slip)
		// A point's own noise is the load cell's: of the brake's force.
		force := x.force * math.Exp(PointSD*r.NormFloat64())
		brake := x.brake + force - x.force
		p.Y[k] = p.LnC + math.Log(force)
		p.Force[k], p.Brake[k], p.Speed[k], p.Acceleration[k] = force, brake, x.speed, x.acceleration
		p.Gain[k] = brake / force
		p.Zero[k] = 1 / force
		p.Inertia[k] = x.acceleration / force
		p.Parasitic[k] = -1 / force
		p.Air[k] = 1
	}
	return p, t.NoTacho || most-least < disqualifyingSlip
}

// answer works out what was true.
func (f Fleet) answer(h History, fleet []Car, regs []Registry, truths []Truth) Answer {
	a := Answer{Fleet: f}
	offset := func(c int, size float64) float64 {
		sum, n := 0.0, 0.0
		for _, car := range fleet {
			for _, ramp := range car.Ramps {
				truth := f.cellFault().with(truths[c], c, -1, size)
				if !truth.NoTacho && slipRange(car, regs[c], truth, ramp, standard) >= disqualifyingSlip {
					continue
				}
				perfect := mean(car, regs[c], Truth{Grip: 12000}, ramp, standard)
				sum += mean(car, regs[c], truth, ramp, standard) - perfect
				n++
			}
		}
		return sum / n
	}
	centre, n := 0.0, 0.0
	sound := [Cells]float64{}
	for c := range regs {
		sound[c] = offset(c, 0)
		if cf := f.cellFault(); cf.Kind == None || c != cf.Cell {
			centre += sound[c]
			n++
		}
	}
	centre /= n
	for c := range regs {
		a.Offset[c] = make([]float64, f.Weeks)
		for w := range a.Offset[c] {
			a.Offset[c][w] = sound[c] - centre
			if cf := f.cellFault(); cf.Kind != None && c == cf.Cell && w >= cf.From {
				a.Offset[c][w] = offset(c, cf.size(float64(w))) - centre
			}
		}
	}
	a.Deviation, a.Effect = make([]float64, len(h.Sessions)), make([]float64, len(h.Sessions))
	for i, s := range h.Sessions {
		air := f.weather(s.Cell, s.Week)
		size := f.Fault.size(float64(s.Week))
		if len(s.Pulls) == 0 {
			a.Deviation[i] = math.NaN()
			continue
		}
		for _, p := range s.Pulls {
			plain := mean(fleet[s.Car], regs[s.Cell], truths[s.Cell], p.Ramp, air)
			y := 0.0
			for _, v := range p.Y {
				y += v / K
			}
			a.Deviation[i] += (y - plain) / float64(len(s.Pulls))
			if size != 0 {
				a.Effect[i] += (mean(fleet[s.Car], regs[s.Cell], f.Fault.with(truths[s.Cell], s.Cell, s.Car, size), p.Ramp, air) - plain) / float64(len(s.Pulls))
			}
		}
	}
	return a
}

// cellFault returns the fault where a cell has it, else none.
func (f Fleet) cellFault() Fault {
	if f.Fault.Kind == TiredCar {
		return Fault{}
	}
	return f.Fault
}
