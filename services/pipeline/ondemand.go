package pipeline

import (
	"context"
	"fmt"
	"time"

	"golang.org/x/sync/errgroup"

	"rollcall/services/compute/channel"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
)

// Reduced is a pull computed from its samples on demand: the curve with
// everything its uncertainty is made of, which is not stored.
type Reduced struct {
	Pull  fleet.Pull
	Epoch fleet.EpochID // of the load-cell calibration it was computed with
	// Inertia and Parasitic are the epochs of the base inertia and the parasitic
	// loss it was computed with; empty: the registry's.
	Inertia, Parasitic fleet.EpochID
	Curve              *powercurve.Curve // nil: Reason says why
	Reason             string
	Findings           []finding.Finding
	// BaselineAt is when the pull was made whose loss was to be carried to this
	// one; zero: none was.
	BaselineAt time.Time
}

// Sweeps is a record computed from its samples on demand: all its sweeps.
type Sweeps struct {
	Pull fleet.Pull
	// Curves are in order of time, on the engine-speed grid and on the speed grid.
	Curves []powercurve.Curve
	// Taken is the index of the one that Reduce gives.
	Taken int
	// None are the stretches that look like a sweep and give no curve.
	None   []NoCurve
	Reason string // why there is no curve at all
}

// NoCurve is a stretch of a record that looks like a sweep and gives no curve.
type NoCurve struct {
	Span   channel.Span // s
	Reason string
}

// Number returns what curve i is called: its place, from 1, among all sweeps of
// the record, also those that give no curve.
func (s *Sweeps) Number(i int) int {
	n := i + 1
	for _, x := range s.None {
		if x.Span.Start < s.Curves[i].Sweep.Start {
			n++
		}
	}
	return n
}

// NumberOfNone returns what None[i] is called.
func (s *Sweeps) NumberOfNone(i int) int {
	n := i + 1
	for k := range s.Curves {
		if s.Curves[k].Sweep.Start <= s.None[i].Span.Start {
			n++
		}
	}
	return n
}

// Sweeps computes all sweeps of a record anew. It stores nothing.
func (p *Pipeline) Sweeps(ctx context.Context, id fleet.PullID) (Sweeps, error) {
	records, err := p.read(ctx, []fleet.PullID{id})
	if err != nil {
		return Sweeps{}, fmt.Errorf("read pull %s to be computed: %w", id, err)
	}
	out := Sweeps{Pull: fleet.Pull{ID: id}}
	r := records[0]
	if r == nil {
		out.Reason = "it has not ended"
		return out, nil
	}
	if out.Pull = r.pull; r.missing != "" {
		out.Reason = r.missing
		return out, nil
	}
	s, known := p.situationOf(r.pull)
	if !known {
		out.Reason = errNoCell.Error()
		return out, nil
	}
	coast, err := p.coastDownOf(ctx, r.pull)
	if err != nil {
		return Sweeps{}, fmt.Errorf("read the coast-down of pull %s: %w", id, err)
	}
	if s.from, err = p.baselineOf(ctx, r.pull); err != nil {
		return Sweeps{}, fmt.Errorf("read the baseline of pull %s: %w", id, err)
	}
	in := inputOf(*r, coast, s)
	in.SpeedGrid = powercurve.DefaultSpeedGrid(0, fastest)
	taken, err := powercurve.Reduce(in)
	if err == nil && s.from != nil {
		taken, in = carried(taken, in, s.from)
	}
	if err == nil {
		var none []powercurve.NoCurve
		out.Curves, none, err = powercurve.ReduceAll(in)
		for _, x := range none {
			out.None = append(out.None, NoCurve{x.Span, plain(x.Err.Error())})
		}
	}
	if err != nil {
		out.Reason = plain(err.Error())
		return out, nil
	}
	for i, c := range out.Curves {
		if c.Sweep == taken.Sweep {
			// A loss that could not be carried is said of the one taken.
			out.Taken, out.Curves[i] = i, taken
		}
	}
	return out, nil
}

// fastest is the speed, m/s, up to which a curve is given on the speed grid.
const fastest = 150

// Reduce computes pulls anew from their samples, with the registry and the
// calibration that were in force, in the order asked for. It stores nothing; the
// curves are those that are stored, to the bit, when code and calibration are. A
// pull that has not ended, is not whole or cannot be computed has a Reason.
func (p *Pipeline) Reduce(ctx context.Context, ids []fleet.PullID) ([]Reduced, error) {
	records, err := p.read(ctx, ids)
	if err != nil {
		return nil, fmt.Errorf("read %d pulls to be computed: %w", len(ids), err)
	}
	out := make([]Reduced, len(ids))
	group, first := errgroup.WithContext(ctx)
	group.SetLimit(p.config.Workers)
	for i, r := range records {
		out[i].Pull.ID = ids[i]
		if r == nil {
			out[i].Reason = "it has not ended"
			continue
		}
		out[i].Pull = r.pull
		if r.missing != "" {
			out[i].Reason = r.missing
			continue
		}
		s, known := p.situationOf(r.pull)
		if !known {
			out[i].Reason = errNoCell.Error()
			continue
		}
		group.Go(func() error {
			coast, err := p.coastDownOf(first, r.pull)
			if err != nil {
				return fmt.Errorf("read the coast-down of pull %s: %w", r.pull.ID, err)
			}
			if s.from, err = p.baselineOf(first, r.pull); err != nil {
				return fmt.Errorf("read the baseline of pull %s: %w", r.pull.ID, err)
			}
			made := reduce(*r, coast, s)
			if s.from != nil {
				out[i].BaselineAt = s.from.pull.StartedAt
			}
			out[i].Epoch, out[i].Curve, out[i].Findings = made.then.calibration.Epoch, made.curve, made.findings
			out[i].Inertia, out[i].Parasitic = made.then.inertia, made.then.parasitic
			if made.err != nil {
				out[i].Reason = made.err.Error()
			}
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return nil, err
	}
	return out, nil
}
