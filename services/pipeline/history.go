package pipeline

import (
	"cmp"
	"context"
	"maps"
	"math"
	"slices"
	"time"

	"rollcall/services/compute/air"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
)

// History returns all that the fleet model reads: the reference runs, what checks
// and coast-downs saw of the cells' errors, and when errors and cars began anew. It
// waits while the fleet is being compared.
func (p *Pipeline) History(ctx context.Context) (fleetstate.History, error) {
	closings, err := p.closings(ctx)
	if err != nil {
		return fleetstate.History{}, err
	}
	p.comparing.Lock()
	runs := make([]refrun.Run, 0, len(p.runs))
	for _, id := range keysOf(p.runs) {
		runs = append(runs, p.runs[id])
	}
	p.comparing.Unlock()
	return p.historyOf(runs, p.seen(), closings), nil
}

// seen returns what is known besides the runs, and takes nothing away.
func (p *Pipeline) seen() snapshot {
	p.known.Lock()
	defer p.known.Unlock()
	s := snapshot{epochs: maps.Clone(p.epochs)}
	for _, cell := range keysOf(p.checks) {
		s.checks = append(s.checks, p.checks[cell]...)
	}
	for _, id := range keysOf(p.coastDowns) {
		s.coastDowns = append(s.coastDowns, p.coastDowns[id])
	}
	return s
}

// historyOf makes the fleet model's history of what is known. The order of what is
// given does not matter to the model. What cannot be an observation (a check that
// is unusable, or says no U) is left out; it is shown where checks are.
//
// Where the two differ in what is an observation's own:
//   - A dead-weight check's gain error holds the lever arm's uncertainty, since it
//     is one of force at the arm. The pull's torque has the same arm in it, so that
//     it cancels (package loadcell) and is taken out here.
//   - Zero is N at the lever arm in a check, N at the roller in the model: times
//     L·n/r of the cell as it then was.
//   - Two results of one check share masses and gravity with those of the next; the
//     model takes them as independent.
func (p *Pipeline) historyOf(runs []refrun.Run, known snapshot, closings []flag.Closing) fleetstate.History {
	h := fleetstate.History{Runs: runs}
	for i := range known.checks {
		c := &known.checks[i]
		at := c.Check.PerformedAt
		if c.Check.State == fleet.AsLeft {
			at = c.Check.From()
		}
		cell, ok := p.registry.At(at).Cells[c.Check.Cell]
		if !ok {
			continue
		}
		if o, ok := c.Observation(cell); ok {
			h.Observations = append(h.Observations, o)
		}
	}
	for _, c := range known.coastDowns {
		// It is held against the loss in force before it, and so comes before a
		// restart of the same moment.
		if o, ok := c.Observation(p.registry.At(c.At).Cells[c.Cell]); ok {
			h.Observations = append(h.Observations, o)
		}
	}
	h.Observations = append(h.Observations, airsSaw(runs)...)
	h.Restarts = p.restarts(known, closings)
	return h
}

// airEvery is how far apart in time air comparisons of a cell lie that each say
// something of their own: within a few days the rooms differ by the same.
const airEvery = fleetstate.Week / 2

// airsSaw returns how far cells' air reads from the median of their site's cells on
// the day, own among them, so that one bad sensor is not held against the others. U
// is that of the comparison, widened as a median of normal readings is, √(π/2). Of
// two cells that differ, either may be wrong: the whole difference is held against
// both, and the runs tell whose it is.
func airsSaw(runs []refrun.Run) []fleetstate.Observation {
	bySite := map[fleet.SiteID][]*refrun.Run{}
	var sites []fleet.SiteID
	for i := range runs {
		r := &runs[i]
		if len(r.Pulls) == 0 || r.Site == "" || !(r.Air.Pressure > 0) {
			continue
		}
		if bySite[r.Site] == nil {
			sites = append(sites, r.Site)
		}
		bySite[r.Site] = append(bySite[r.Site], r)
	}
	slices.Sort(sites)
	var out []fleetstate.Observation
	for _, site := range sites {
		all := bySite[site]
		slices.SortFunc(all, func(a, b *refrun.Run) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
		last := map[fleet.CellID]time.Time{}
		first := 0
		for _, r := range all {
			if t, ok := last[r.Cell]; ok && r.At.Sub(t) < airEvery {
				continue
			}
			for first < len(all) && r.At.Sub(all[first].At) > flag.AirWindow {
				first++
			}
			// One reading of each other cell: the nearest in time.
			near := map[fleet.CellID]*refrun.Run{}
			for _, o := range all[first:] {
				if o.At.Sub(r.At) > flag.AirWindow {
					break
				}
				if n := near[o.Cell]; o.Cell != r.Cell && (n == nil || o.At.Sub(r.At).Abs() < n.At.Sub(r.At).Abs()) {
					near[o.Cell] = o
				}
			}
			if len(near) == 0 {
				continue
			}
			var others []air.Air
			apart := []float64{0}
			for _, cell := range keysOf(near) {
				if x, ok := flag.CompareAir(r.Air, []air.Air{near[cell].Air}); ok {
					others = append(others, near[cell].Air)
					apart = append(apart, x.Delta)
				}
			}
			whole, ok := flag.CompareAir(r.Air, others)
			if !ok || len(others) == 0 {
				continue
			}
			last[r.Cell] = r.At
			slices.Sort(apart)
			n := len(apart)
			delta, u := (apart[(n-1)/2]+apart[n/2])/2, whole.U/2*math.Sqrt(math.Pi/2)
			if n == 2 {
				delta, u = whole.Delta, whole.U/2
			}
			out = append(out, fleetstate.Observe(r.Cell, "air "+string(r.ID), r.At, fleet.FaultAir, delta, u))
		}
	}
	return out
}

// restarts are the moments from which a cell's errors, or a car, are other ones.
// A recalibration restarts gain and zero; a zero adjusted the zero; a base inertia
// or parasitic loss measured and taken, or another value in the registry, its own
// error; another geometry or site of a cell all of them; another entry of a car, or
// somebody's signature that it is as it should be, the car.
func (p *Pipeline) restarts(known snapshot, closings []flag.Closing) []fleetstate.Restart {
	var out []fleetstate.Restart
	kinds := map[fleet.EpochID]fleet.CheckKind{}
	for i := range known.checks {
		kinds[fleet.EpochID(known.checks[i].Check.ID)] = known.checks[i].Check.Kind
	}
	latest := p.registry.At(time.Unix(1<<40, 0)).Cells
	for _, r := range flag.Restarts(known.checks, closings, latest) {
		switch {
		case r.Car != "":
			out = append(out, fleetstate.Restart{Car: r.Car, At: r.At})
		case !r.Adjusted:
			// A signed closing changes nothing of a cell, but somebody has answered for
			// it as it is: what it is held steady from begins anew.
			out = append(out, fleetstate.Restart{Cell: r.Cell, At: r.At, Faults: []fleet.Fault{}})
		case flag.SeesGain(kinds[r.Epoch]):
			out = append(out, fleetstate.Restart{Cell: r.Cell, At: r.At, Faults: []fleet.Fault{fleet.FaultGain, fleet.FaultZero}})
		default:
			out = append(out, fleetstate.Restart{Cell: r.Cell, At: r.At, Faults: []fleet.Fault{fleet.FaultZero}})
		}
	}
	for _, cell := range keysOf(known.epochs) {
		e := known.epochs[cell]
		for _, m := range e.inertia {
			if now, ok := p.cellAt(cell, e, m.Since, from); ok && now.inertia == m.ID {
				out = append(out, fleetstate.Restart{Cell: cell, At: m.Since, Faults: []fleet.Fault{fleet.FaultInertia}})
			}
		}
		for _, l := range e.parasitic {
			if now, ok := p.cellAt(cell, e, l.Since, from); ok && now.parasitic == l.ID {
				out = append(out, fleetstate.Restart{Cell: cell, At: l.Since, Faults: []fleet.Fault{fleet.FaultParasitic}})
			}
		}
	}
	for _, r := range p.registryRestarts() {
		if r.Car != "" {
			out = append(out, fleetstate.Restart{Car: r.Car, At: r.At})
		}
	}
	turns := p.registry.Turns()
	for i := 1; i < len(turns); i++ {
		before, after := p.registry.At(turns[i-1]), p.registry.At(turns[i])
		for _, id := range keysOf(after.Cells) {
			old, ok := before.Cells[id]
			if !ok {
				continue
			}
			now := after.Cells[id]
			restart := fleetstate.Restart{Cell: id, At: turns[i]}
			if old.BaseInertia != now.BaseInertia {
				restart.Faults = append(restart.Faults, fleet.FaultInertia)
			}
			if old.Parasitic != now.Parasitic {
				restart.Faults = append(restart.Faults, fleet.FaultParasitic)
			}
			whole := old.Site != now.Site || old.RollerRadius != now.RollerRadius || old.LeverArm != now.LeverArm || old.BrakeRatio != now.BrakeRatio
			switch {
			case whole:
				restart.Faults = nil
			case restart.Faults == nil:
				continue
			}
			out = append(out, restart)
		}
	}
	return out
}
