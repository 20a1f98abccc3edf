// Package refrun assembles the pulls of one session of a reference car on a
// cell into what the fleet model reads: the observable and how each fault of
// the cell would show in it.
//
// In: reduced pulls with their findings. Out: a Run. It follows powercurve and
// finding; drift reads it.
package refrun

import (
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
	// Signature is ∂y/∂x for each fault, x positive when it makes the cell
	// read high: gain per ratio, zero per N at the roller, inertia per kg too
	// much in the registry, parasitic per N of real drag not in the registry,
	// air per ratio of C.
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
	At      time.Time // of the first pull
	Air     air.Air   // mean over the pulls used; zero when none is
	Pulls   []Pull    // by time, then id
	LeftOut []LeftOut // likewise
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
	Pull     fleet.Pull
	Curve    *powercurve.Curve // nil when it could not be reduced; then Err says why
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

// Assemble returns the run of a session. The order of sources does not matter.
func Assemble(s Session, sources []Source) Run { panic("not built yet") }

// BandMean returns the mean of Y over the band, and its standard uncertainty
// from the points' own noise.
func BandMean(p Pull) (mean, u float64) { panic("not built yet") }
