// Package refrun assembles the pulls of one session of a reference car on a
// cell into what the fleet model reads: the observable and how each fault of
// the cell would show in it.
//
// In: reduced pulls with their findings. Out: a Run. It follows powercurve and
// finding; drift reads it.
//
// The observable of a pull is, at each of K band points k,
//
//	y(k) = ln(C · F_trac(k))
//
// C the correction factor, F_trac the tractive force in N averaged over the
// point's interval of engine speed. With x the size of a fault, positive when
// it makes the cell read high, its signature is S(k) = ∂y/∂x at x = 0:
//
//	load-cell gain      x ratio of reading         F_brake / F_trac
//	load-cell zero      x N at the roller          1 / F_trac
//	base inertia        x kg too much in the       dv/dt / F_trac
//	                    registry
//	parasitic loss      x N of real drag that is   −1 / F_trac
//	                    not in the registry
//	air sensor          x ratio of C               1
package refrun

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// K is the number of band points.
const K = 12

// Pull is one pull of a run. All slices have K entries.
type Pull struct {
	ID           fleet.PullID
	At           time.Time
	RampRate     float64   // rad/s², engine side, as measured
	LnC          float64   // ln of the correction factor
	Y            []float64 // ln(C·F_trac), F in N
	U            []float64 // standard uncertainty of Y from this point's own noise
	Force        []float64 // N, tractive force
	BrakeForce   []float64 // N
	Speed        []float64 // m/s
	Acceleration []float64 // m/s²
	// Signature is ∂y/∂x for each fault, see the package comment.
	Signature map[fleet.Fault][]float64
}

// LeftOut is a pull that does not judge the cell.
type LeftOut struct {
	ID     fleet.PullID
	Reason string
}

// Run is one session of pulls of one reference car on one cell.
type Run struct {
	ID      fleet.RunID
	Site    fleet.SiteID
	Cell    fleet.CellID
	Car     fleet.CarID
	Session string
	At      time.Time // of the first pull, used or not
	Air     air.Air   // mean over the pulls used; zero when none is
	Pulls   []Pull    // by time, then id
	LeftOut []LeftOut // likewise
	// Ratios are of the pulls whose engine speed is logged, in their order; empty:
	// the ratio is not known.
	Ratios []Ratio
}

// Session names a run.
type Session struct {
	Site fleet.SiteID
	Cell fleet.CellID
	Car  fleet.CarID
	Name string
}

// Source is a pull as the stages before left it.
type Source struct {
	Pull fleet.Pull
	// Curve is the pull reduced with BandPoints of its car as Input.Band; nil
	// when it could not be reduced, and then Err says why.
	Curve    *powercurve.Curve
	Err      error
	Findings []finding.Finding
}

// BandPoints returns the K engine speeds of a band, rad/s: the middles of K
// equal intervals, so that the intervals together are the band.
func BandPoints(low, high float64) []float64 {
	out := make([]float64, K)
	for k := range out {
		out[k] = low + (high-low)*(float64(k)+0.5)/K
	}
	return out
}

// IDOf returns the id of a session's run: the first 16 bytes of SHA-256 over
// "run", cell, car and session, each closed by a zero byte, as 32 hexadecimal
// digits.
func IDOf(s Session) fleet.RunID {
	h := sha256.New()
	for _, part := range []string{"run", string(s.Cell), string(s.Car), s.Name} {
		h.Write([]byte(part))
		h.Write([]byte{0})
	}
	return fleet.RunID(hex.EncodeToString(h.Sum(nil)[:16]))
}

// Assemble returns the run of a session. The order of sources does not matter;
// a pull that comes twice counts once. A pull that could not be reduced, that
// has a disqualifying finding or no correction factor, or that lacks a band
// point is left out, with the reason.
func Assemble(s Session, sources []Source) Run {
	run := Run{ID: IDOf(s), Site: s.Site, Cell: s.Cell, Car: s.Car, Session: s.Name}
	sorted := slices.Clone(sources)
	slices.SortStableFunc(sorted, func(a, b Source) int {
		return cmp.Or(a.Pull.StartedAt.Compare(b.Pull.StartedAt), cmp.Compare(a.Pull.ID, b.Pull.ID))
	})
	sorted = slices.CompactFunc(sorted, func(a, b Source) bool {
		return a.Pull.ID == b.Pull.ID && a.Pull.StartedAt.Equal(b.Pull.StartedAt)
	})
	for i, source := range sorted {
		if i == 0 {
			run.At = source.Pull.StartedAt
		}
		p, reason := observe(source)
		if ratio, ok := ratioOf(source); ok {
			ratio.Judges = reason == ""
			run.Ratios = append(run.Ratios, ratio)
		}
		if reason != "" {
			run.LeftOut = append(run.LeftOut, LeftOut{source.Pull.ID, reason})
			continue
		}
		run.Pulls = append(run.Pulls, p)
		n := float64(len(run.Pulls))
		if a := source.Curve.Air; a != nil {
			run.Air.Pressure += (a.Pressure - run.Air.Pressure) / n
			run.Air.Temperature += (a.Temperature - run.Air.Temperature) / n
			run.Air.Humidity += (a.Humidity - run.Air.Humidity) / n
		}
	}
	return run
}

// observe turns a reduced pull into its observable, or says why it cannot.
func observe(s Source) (Pull, string) {
	c := s.Curve
	switch {
	case c == nil && s.Err != nil:
		return Pull{}, fmt.Sprintf("The pull cannot be computed: %v.", s.Err)
	case c == nil:
		return Pull{}, "The pull cannot be computed."
	}
	if text, bad := finding.Disqualified(s.Findings); bad {
		return Pull{}, text
	}
	if c.Correction == nil || c.Air == nil {
		return Pull{}, "The pull has no correction factor: " + c.CorrectionNote + "."
	}
	if len(c.Band) != K {
		return Pull{}, fmt.Sprintf("The sweep gives %d of the %d band points; it must cover the car's whole band.", len(c.Band), K)
	}
	out := Pull{
		ID: s.Pull.ID, At: s.Pull.StartedAt, RampRate: c.RampRate, LnC: math.Log(c.Correction.Factor),
	}
	rows := make([]float64, 6*K)
	row := func(i int) []float64 { return rows[i*K : (i+1)*K : (i+1)*K] }
	out.Y, out.U, out.Force, out.BrakeForce, out.Speed, out.Acceleration = row(0), row(1), row(2), row(3), row(4), row(5)
	for k, p := range c.Band {
		force := p.TractiveForce
		if !(force > 0) {
			return Pull{}, fmt.Sprintf("The tractive force at %.0f rpm is %.0f N; in a pull the car drives the rollers. Check the sign of the load cell's column.", p.EngineSpeed*60/(2*math.Pi), force)
		}
		out.Y[k] = out.LnC + math.Log(force)
		out.U[k] = p.UOwnForce / force
		out.Force[k], out.BrakeForce[k], out.Speed[k], out.Acceleration[k] = force, p.BrakeForce, p.Speed, p.Acceleration
	}
	for _, x := range append(rows, out.LnC, out.RampRate) {
		if x-x != 0 {
			return Pull{}, "The pull's forces are too large or too small to compute with; check the units of its columns and the registry's cell."
		}
	}
	out.Signature = Signatures(out)
	return out, ""
}

// Signatures returns how each fault of the cell would show in a pull's Y, from
// its Force, BrakeForce and Acceleration; see the package comment for the
// formulas. Force must be positive.
func Signatures(p Pull) map[fleet.Fault][]float64 {
	n := len(p.Force)
	rows := make([]float64, 5*n)
	out := make(map[fleet.Fault][]float64, 5)
	for i, f := range []fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic, fleet.FaultAir} {
		out[f] = rows[i*n : (i+1)*n : (i+1)*n]
	}
	for k, force := range p.Force {
		out[fleet.FaultGain][k] = p.BrakeForce[k] / force
		out[fleet.FaultZero][k] = 1 / force
		out[fleet.FaultInertia][k] = p.Acceleration[k] / force
		out[fleet.FaultParasitic][k] = -1 / force
		out[fleet.FaultAir][k] = 1
	}
	return out
}

// BandMean returns the mean of Y over the band, and its standard uncertainty
// from the points' own noise, which neighbours do not share: their intervals
// touch and do not overlap.
func BandMean(p Pull) (mean, u float64) {
	if len(p.Y) == 0 {
		return 0, 0
	}
	n := float64(len(p.Y))
	for k := range p.Y {
		mean += p.Y[k] / n
		u += p.U[k] * p.U[k] / (n * n)
	}
	return mean, math.Sqrt(u)
}

// Mean returns the mean of BandMean over the run's pulls, the standard
// deviation of one pull about it (0 with fewer than two), and the number of
// pulls. Pulls of one session share its tyres, straps and heat: the standard
// deviation says how well the session repeats itself, not how well the mean is
// known.
func Mean(r Run) (mean, deviation float64, n int) {
	n = len(r.Pulls)
	if n == 0 {
		return 0, 0, 0
	}
	for _, p := range r.Pulls {
		m, _ := BandMean(p)
		mean += m / float64(n)
	}
	if n < 2 {
		return mean, 0, n
	}
	for _, p := range r.Pulls {
		m, _ := BandMean(p)
		deviation += (m - mean) * (m - mean) / float64(n-1)
	}
	return mean, math.Sqrt(deviation), n
}
