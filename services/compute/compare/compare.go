// Package compare holds two sets of pulls against each other: before and after
// a change on a car, on one cell or across cells, on one day or across days.
//
// In: curves of one figure, each with its noise and with the errors it shares
// with others, by name and by what they are shared through. Out: the
// difference curve with U, the headline figures, resolved or not resolved, the
// plain statement, and how many pulls would resolve a stated gain. It follows
// powercurve and is called on demand.
//
// A difference is made of means over the pulls of each set. Its uncertainty is
//
//	u² = σ_r²·(1/n_b + 1/n_a) + σ_s²·Σ_s w_s² + Σ_i (ē_i,a − ē_i,b)²
//
// σ_r repeatability, from the scatter of the sets themselves; σ_s what two
// sessions of one car on one cell differ by beyond it (tyres, straps, fuel,
// heat); w_s the share of session s in the pulls after less its share in those
// before; ē_i,a the mean effect on the pulls after of the shared error i (its
// sensitivity times its standard uncertainty, with sign). An error that both
// sets share, such as that of one calibration on one cell within one epoch,
// enters twice with nearly the same size and cancels; across cells it does not,
// and enters as the sum of squares. That is the covariance of JCGM 100:2008,
// eq. 13, written out for errors that are either the same or independent.
//
// Resolved means |difference| > U at 95.45 %: at each point for that point
// alone. Of forty points without any difference two will be resolved by chance;
// the headline figures are what a decision should rest on.
package compare

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"rollcall/services/compute/gum"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// Scope says what an error is shared through.
type Scope = powercurve.Scope

// The scopes that powercurve does not know.
const (
	ScopeSession   Scope = "session"   // pulls of one session
	ScopeSite      Scope = "site"      // all cells of one site
	ScopeUniversal Scope = "universal" // everything
)

// alone reports whether an error that only one pull of the sets has scatters
// with the pulls, so that their scatter holds it already.
func alone(s Scope) bool { return s == powercurve.ScopePull || s == powercurve.ScopeLoss }

// Shared is an error that a curve shares with others: with all that have one of
// the same Name, Scope and ID. Errors that differ in one of the three are
// independent; correlated inputs have to be given as independent ones.
type Shared struct {
	Name  string
	Scope Scope
	ID    string  // of the pull, session, epoch, cell, site or car; empty for universal
	DoF   float64 // degrees of freedom of its uncertainty; 0: known
	// Effect is sensitivity times standard uncertainty at each point of the
	// curve, with sign, in the unit of the figure.
	Effect []float64
}

// Curve is one pull's curve of the figure compared.
type Curve struct {
	Pull fleet.PullID
	At   time.Time
	Cell fleet.CellID
	Car  string // whatever tells cars apart
	// Session joins the pulls that share a session's common error.
	Session string

	EngineSpeed []float64 // rad/s, rising
	Value       []float64 // the figure
	Own         []float64 // standard uncertainty of each value from noise that no other shares
	Shared      []Shared
}

// Spread is a standard deviation with what it is known from.
type Spread struct {
	Ratio float64 // relative to the figure
	DoF   float64 // 0: known
	From  string  // "the fleet's reference runs", for people
}

// Settings are what the sets do not say themselves. The zero value is usable.
type Settings struct {
	// Session is what sessions differ by; nil: DefaultSession.
	Session *Spread
	// Pull is the repeatability to take when the sets hold one pull each; nil:
	// not known, and then nothing is resolved.
	Pull *Spread
	// Gain is the gain, a ratio, that the sample size is asked for; 0: the
	// difference found in the headline figure.
	Gain float64
	// Power is the probability with which a gain of that size is to be
	// resolved; 0: 0.9.
	Power float64
	// AnyCar compares sets of different cars.
	AnyCar bool
}

// DefaultSession is taken where neither the fleet nor the sets say what
// sessions of one car differ by: 0.4 %, as of a few. Common practice, no
// source.
var DefaultSession = Spread{Ratio: 0.004, DoF: 10, From: "a default, common practice"}

// defaultPower is the usual choice in planning. Common practice, no source.
const defaultPower = 0.9

// Difference is a difference between two sets in one figure.
type Difference struct {
	EngineSpeed   float64 // rad/s; of a peak: its mean; of a band: its middle
	Before, After float64 // means of the sets
	Delta         float64 // After − Before
	U             float64 // expanded, 95.45 %
	Ratio         float64 // After/Before − 1
	URatio        float64 // expanded
	Resolved      bool    // |Delta| > U, and the repeatability is known

	DoF float64 // effective degrees of freedom of the uncertainty
	// The standard uncertainty of Delta, in parts: repeatability and noise,
	// sessions, shared errors that did not cancel.
	URepeat, USession, UShared float64
	// Cancelled is the standard uncertainty that the shared errors would give
	// if the sets shared none of them.
	Cancelled float64
}

// Set is what was compared of one side.
type Set struct {
	Pulls    int
	Sessions int
	Cells    []fleet.CellID
	From, To time.Time
	SD       float64 // of the band mean, between the pulls; 0 with fewer than two
}

// Part is a shared error's share in the difference of the band mean.
type Part struct {
	Name  string
	Scope Scope
	ID    string
	U     float64 // standard, signed effect on Delta
}

// Result is a comparison.
type Result struct {
	Before, After Set
	Points        []Difference // on the common grid
	Peak          Difference   // of the greatest value of each pull
	Band          Difference   // of the mean over the common grid
	Low, High     float64      // rad/s, ends of the common grid

	Repeatability Spread // pull to pull, of the band mean
	Session       Spread // session to session; Ratio 0: one session, or it cancels
	// Known is false when nothing says how pulls repeat: then nothing is
	// resolved.
	Known bool
	Parts []Part // largest first, of the band mean
	Plan  Plan   // for the band mean
	Notes []string
}

// The reasons why sets cannot be compared.
var (
	ErrEmpty   = errors.New("a set holds no pulls")
	ErrTwice   = errors.New("a pull is named twice")
	ErrCars    = errors.New("the pulls are of different cars")
	ErrCurve   = errors.New("a curve cannot be compared")
	ErrOverlap = errors.New("the curves have no engine speeds in common")
)

// fewestPoints is how many common points a comparison needs.
const fewestPoints = 3

// Compare compares two sets of curves of one figure. The order within a set
// does not matter. It returns ErrEmpty, ErrTwice, ErrCars, ErrCurve or
// ErrOverlap, each saying which pull and how to mend it.
func Compare(before, after []Curve, s Settings) (Result, error) {
	if err := check(before, after, s); err != nil {
		return Result{}, err
	}
	// One order, so that sums do not depend on that of the caller.
	order := func(set []Curve) []Curve {
		set = slices.Clone(set)
		slices.SortFunc(set, func(a, b Curve) int {
			if c := a.At.Compare(b.At); c != 0 {
				return c
			}
			return compareText(string(a.Pull), string(b.Pull))
		})
		return set
	}
	before, after = order(before), order(after)
	all := append(slices.Clone(before), after...)
	grid := commonGrid(all)
	if len(grid) < fewestPoints {
		return Result{}, fmt.Errorf("%w: %s; compare pulls that were swept over the same band", ErrOverlap, reachOf(all))
	}
	d := newDesign(before, after, s)
	sampled := make([]sampledCurve, len(all))
	for i := range all {
		sampled[i] = sample(&all[i], grid)
	}
	r := Result{Low: grid[0], High: grid[len(grid)-1], Session: d.session, Known: true}
	cells := make([]cellOf, len(all))
	for k, n := range grid {
		for i := range sampled {
			cells[i] = sampled[i].at(k)
		}
		diff, _ := d.difference(cells)
		diff.EngineSpeed = n
		r.Points = append(r.Points, diff)
	}
	mean := 0.0
	for i := range sampled {
		k := sampled[i].peak()
		cells[i] = sampled[i].at(k)
		mean += grid[k] / float64(len(sampled))
	}
	r.Peak, _ = d.difference(cells)
	r.Peak.EngineSpeed = mean
	for i := range sampled {
		cells[i] = sampled[i].mean(grid)
	}
	var band made
	r.Band, band = d.difference(cells)
	r.Band.EngineSpeed = (r.Low + r.High) / 2
	r.Parts, r.Known = band.parts, band.known
	r.Repeatability, r.Session = band.repeat, band.session
	r.Before, r.After = d.set(before, cells[:len(before)]), d.set(after, cells[len(before):])
	r.Plan = d.plan(&r.Band, &band)
	r.Plan.Mend = mend(&r)
	r.Notes = d.notes(&r)
	return r, nil
}

// check refuses sets that cannot be compared.
func check(before, after []Curve, s Settings) error {
	for _, x := range []struct {
		name string
		set  []Curve
	}{{"before", before}, {"after", after}} {
		if len(x.set) == 0 {
			return fmt.Errorf("%w: %s is empty; name at least one pull with a curve", ErrEmpty, x.name)
		}
	}
	seen := map[fleet.PullID]string{}
	for _, x := range []struct {
		name string
		set  []Curve
	}{{"before", before}, {"after", after}} {
		for i := range x.set {
			c := &x.set[i]
			if side, ok := seen[c.Pull]; ok {
				return fmt.Errorf("%w: %s is in %s and again in %s; a pull counts once", ErrTwice, c.Pull, side, x.name)
			}
			seen[c.Pull] = x.name
			if first := &before[0]; c.Car != first.Car && !s.AnyCar {
				return fmt.Errorf("%w: %s is of %s, %s of %s; a difference between cars is no gain: choose pulls of one car, or say that any car may be compared", ErrCars, first.Pull, named(first.Car), c.Pull, named(c.Car))
			}
			if why := c.fault(); why != "" {
				return fmt.Errorf("%w: pull %s: %s", ErrCurve, c.Pull, why)
			}
		}
	}
	return nil
}

func named(car string) string {
	if car == "" {
		return "a car without a name"
	}
	return car
}

// fault says what makes a curve impossible, or "".
func (c *Curve) fault() string {
	n := len(c.EngineSpeed)
	switch {
	case n == 0:
		return "it has no points"
	case len(c.Value) != n || len(c.Own) != n:
		return "its engine speeds, values and uncertainties are not as many"
	}
	for i := range n {
		if x := c.EngineSpeed[i] + c.Value[i] + c.Own[i]; x-x != 0 || c.Own[i] < 0 {
			return fmt.Sprintf("point %d is not a number with an uncertainty", i)
		}
		if !(c.Value[i] > 0) {
			return fmt.Sprintf("the figure is not positive at %.0f rpm", c.EngineSpeed[i]*30/math.Pi)
		}
		if i > 0 && !(c.EngineSpeed[i] > c.EngineSpeed[i-1]) {
			return "its engine speeds do not rise"
		}
	}
	for _, s := range c.Shared {
		if len(s.Effect) != n {
			return fmt.Sprintf("the effects of %q are not one a point", s.Name)
		}
		for _, e := range s.Effect {
			if e-e != 0 || s.DoF < 0 {
				return fmt.Sprintf("the effect of %q is not a number", s.Name)
			}
		}
	}
	return ""
}

func compareText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// of returns a Spread's standard deviation in a figure of that size.
func (s Spread) of(figure float64) float64 { return s.Ratio * math.Abs(figure) }

// dof returns degrees of freedom where 0 means known.
func dof(x float64) float64 {
	if x == 0 {
		return gum.Infinite
	}
	return x
}

// squares returns x̄ and Σ(x − x̄)².
func squares(x []float64) (mean, ss float64) {
	mean = stat.Mean(x, nil)
	for _, v := range x {
		ss += (v - mean) * (v - mean)
	}
	return mean, ss
}
