package pipeline

import (
	"context"
	"fmt"
	"time"

	"rollcall/services/certificate"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/interval"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// judgeWait is how long Judged waits for checks that came a moment ago.
const judgeWait = 5 * time.Second

// Judged returns the calibration checks of a cell with all that was computed of
// them, what a certificate is made from. A check that another replica took in
// is judged here first; what is not judged within judgeWait is left out.
func (p *Pipeline) Judged(ctx context.Context, cell fleet.CellID) ([]certificate.Judged, error) {
	rows, err := p.store.ListChecks(ctx, store.Filter{Cells: []fleet.CellID{cell}, Limit: everything})
	if err != nil {
		return nil, fmt.Errorf("read the checks of cell %s: %w", cell, err)
	}
	received := map[fleet.CheckID]time.Time{}
	for _, r := range rows {
		received[fleet.CheckID(r.CheckID)] = r.ReceivedAt
	}
	var checks []flag.Check
	asked := false
	for deadline := time.Now().Add(judgeWait); ; {
		p.known.Lock()
		checks = p.checks[cell]
		p.known.Unlock()
		known := map[fleet.CheckID]bool{}
		for _, c := range checks {
			known[c.Check.ID] = true
		}
		missing := false
		for id := range received {
			if known[id] {
				continue
			}
			missing = true
			if !asked {
				p.StoredCheck(id)
			}
		}
		asked = true
		if !missing || !time.Now().Before(deadline) {
			break
		}
		wait(ctx, nil, 50*time.Millisecond)
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
	calibrations := p.epochsOf(cell).loadCell
	var out []certificate.Judged
	for _, c := range checks {
		r := p.registry.At(c.Check.PerformedAt)
		entry := r.Cells[cell]
		j := certificate.Judged{Check: c.Check, Result: c.Result, ReceivedAt: received[c.Check.ID], Cell: entry, Site: r.Sites[entry.Site], Masses: r.Masses, Standards: r.Standards}
		when := c.Check.PerformedAt
		switch {
		case c.Check.Kind == fleet.CheckBaseInertia:
			inertia := c.Inertia
			j.Inertia = &inertia
		case c.Check.State == fleet.AsLeft:
			when = c.Check.From()
		}
		if c := last(calibrations, sinceOf, when, false); c != nil {
			j.InForce = *c
		}
		out = append(out, j)
	}
	return out, nil
}

// NextCheck returns when a cell's load cell is to be checked again, as it was
// known after the checks up to a moment.
func (p *Pipeline) NextCheck(ctx context.Context, cell fleet.CellID, after time.Time) (interval.Outcome, error) {
	p.known.Lock()
	all := p.checks[cell]
	p.known.Unlock()
	var checks []flag.Check
	for _, c := range all {
		if !c.Check.PerformedAt.After(after) {
			checks = append(checks, c)
		}
	}
	now := time.Now()
	if after.After(now) {
		now = after
	}
	_, rows, err := p.due(ctx, checks, now)
	if err != nil {
		return interval.Outcome{}, err
	}
	for _, r := range rows {
		if r.CellID == string(cell) && r.Of == ofGain && r.DueAt != nil {
			return interval.Outcome{Due: *r.DueAt, Rule: interval.Rule(r.Rule), Says: r.Says}, nil
		}
	}
	return interval.Outcome{}, nil
}
