package score

import (
	"math/rand/v2"

	"rollcall/deploy/verdicts/simulate"
)

// Scenario is what goes wrong in some of the fleets.
type Scenario struct {
	Name    string
	Kind    simulate.Kind
	Step    float64
	PerWeek float64
	// Right is the cause a flag should name; empty: there is nothing to name.
	Right Cause
	// Tacho, of slip: the cell logs the engine speed.
	Tacho bool
	// Plan is the visit plan where the scenario needs one of its own.
	Plan *simulate.Plan
}

func fixed(p simulate.Plan) *simulate.Plan { return &p }

// The scenarios.
var (
	noFault     = Scenario{Name: "no fault"}
	gainHalf    = Scenario{Name: "gain step 0.5 %", Kind: simulate.Gain, Step: 0.005, Right: CauseGain}
	gainOne     = Scenario{Name: "gain step 1 %", Kind: simulate.Gain, Step: 0.01, Right: CauseGain}
	gainMore    = Scenario{Name: "gain step 1.5 %", Kind: simulate.Gain, Step: 0.015, Right: CauseGain}
	gainSlow    = Scenario{Name: "gain ramp 0.05 %/week", Kind: simulate.Gain, PerWeek: 0.0005, Right: CauseGain}
	gainFast    = Scenario{Name: "gain ramp 0.12 %/week", Kind: simulate.Gain, PerWeek: 0.0012, Right: CauseGain}
	zeroStep    = Scenario{Name: "zero step 15 N", Kind: simulate.Zero, Step: 15, Right: CauseZero}
	bearing     = Scenario{Name: "bearing drag 35 N", Kind: simulate.Drag, Step: 35, Right: CauseDrag}
	inertia     = Scenario{Name: "inertia value 20 kg off", Kind: simulate.Inertia, Step: 20, Right: CauseInertia}
	barometer   = Scenario{Name: "barometer 9 hPa off", Kind: simulate.Barometer, Step: 900, Right: CauseAir}
	slipping    = Scenario{Name: "slip, no tachometer", Kind: simulate.Slip, Step: 8500, Right: CauseOther}
	slipSeen    = Scenario{Name: "slip, with tachometer", Kind: simulate.Slip, Step: 8500, Tacho: true, Right: CauseSlip}
	tired       = Scenario{Name: "tired car −0.1 %/week", Kind: simulate.TiredCar, PerWeek: -0.001, Right: CauseCar}
	gainStay    = Scenario{Name: "gain step 1.5 %, cars stay", Kind: simulate.Gain, Step: 0.015, Plan: fixed(simulate.Stay)}
	tiredStay   = Scenario{Name: "tired car, cars stay", Kind: simulate.TiredCar, PerWeek: -0.001, Plan: fixed(simulate.Stay)}
	oneStays    = Scenario{Name: "one car stays", Plan: fixed(simulate.OneStays)}
	allSeparate = []Scenario{gainHalf, gainOne, gainMore, gainSlow, gainFast, zeroStep, bearing, inertia, barometer, tired}
)

// cycle is the order in which fleets are given their scenarios, over and over:
// six of twenty have no fault, for the false flags.
var cycle = []Scenario{
	noFault, gainMore, zeroStep, bearing, barometer, gainOne, tired, gainStay, gainFast, noFault,
	oneStays, inertia, gainHalf, noFault, gainSlow, slipping, noFault, tiredStay, noFault, noFault,
}

// scenarioOf returns the scenario of fleet i. Every other fleet whose tyres slip has a
// tachometer.
func scenarioOf(i int) Scenario {
	s := cycle[i%len(cycle)]
	if s.Name == slipping.Name && i/len(cycle)%2 == 1 {
		return slipSeen
	}
	return s
}

// Weeks is the length of a history.
const Weeks = 104

// Faults begin in a week drawn from firstWeek on: by then a system has had the
// time to learn the fleet.
const (
	firstWeek  = 40
	weeksDrawn = 20
)

// named returns the scenario of a name; ok: there is one.
func named(name string) (s Scenario, ok bool) {
	for i := range 2 * len(cycle) {
		if s = scenarioOf(i); s.Name == name {
			return s, true
		}
	}
	return Scenario{}, false
}

// fleetOf returns fleet i and its scenario, or with the scenario of a name.
func fleetOf(c Config, i int) (simulate.Fleet, Scenario) {
	seed, plan := c.Seed, c.Plan
	s := scenarioOf(i)
	if c.Only != "" {
		s, _ = named(c.Only)
	}
	f := simulate.Fleet{Seed: seed<<24 + uint64(i), Weeks: Weeks, Plan: plan}
	if s.Plan != nil {
		f.Plan = *s.Plan
	}
	r := rand.New(rand.NewPCG(f.Seed, 99))
	f.Fault = simulate.Fault{
		Kind: s.Kind, Cell: r.IntN(simulate.Cells), Car: r.IntN(simulate.Cars), From: firstWeek + r.IntN(weeksDrawn), Step: s.Step, PerWeek: s.PerWeek, Tacho: s.Tacho,
	}
	// Either way, but a bearing only drags more, tyres only slip more and a car
	// only tires.
	if r.IntN(2) == 1 && (s.Kind == simulate.Gain || s.Kind == simulate.Zero || s.Kind == simulate.Inertia || s.Kind == simulate.Barometer) {
		f.Fault.Step, f.Fault.PerWeek = -f.Fault.Step, -f.Fault.PerWeek
	}
	return f, s
}
