package pipeline

import (
	"context"
	"fmt"

	"golang.org/x/sync/errgroup"

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
}

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
		s, ok := p.situationOf(r.pull)
		if !ok {
			out[i].Reason = errNoCell.Error()
			continue
		}
		group.Go(func() error {
			coast, err := p.coastDownOf(first, r.pull)
			if err != nil {
				return fmt.Errorf("read the coast-down of pull %s: %w", r.pull.ID, err)
			}
			made := reduce(*r, coast, s)
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
