package pipeline

import (
	"context"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/flag"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// checksRoom judges the checks that came. A check as left opens an epoch: the
// cell's later checks are judged again and its later records computed again.
func (p *Pipeline) checksRoom(ctx context.Context) error {
	ids := p.arrived.take(everything)
	if len(ids) == 0 {
		return nil
	}
	putBack := func(err error) error {
		for _, id := range ids {
			p.arrived.add(id)
		}
		return err
	}
	touched := map[fleet.CellID][]flag.Check{}
	for _, id := range ids {
		row, found, err := p.store.ReadCheck(ctx, id)
		if err != nil {
			return putBack(err)
		}
		if !found {
			continue
		}
		c := row.Check()
		all, ok := touched[c.Cell]
		if !ok {
			p.known.Lock()
			all = slices.Clone(p.checks[c.Cell])
			p.known.Unlock()
		}
		if !slices.ContainsFunc(all, func(k flag.Check) bool { return k.Check.ID == id }) {
			all = append(all, flag.Check{Check: c})
		}
		touched[c.Cell] = all
	}
	var rows []store.CheckResultRow
	var again []store.Filter
	for _, cell := range keysOf(touched) {
		before := p.calibrations[cell]
		rows = append(rows, p.judgeCell(cell, touched[cell])...)
		if from, changed := firstDifference(before, p.calibrations[cell]); changed {
			again = append(again, store.Filter{Cells: []fleet.CellID{cell}, From: from, Limit: everything})
		}
	}
	if err := p.store.WriteCheckResults(ctx, rows); err != nil {
		return putBack(err)
	}
	for _, f := range again {
		if err := p.queueFrom(ctx, f); err != nil {
			return putBack(err)
		}
	}
	p.metrics.checks.Add(float64(len(ids)))
	p.touchFleet(p.config.FleetDelay)
	return nil
}

// judgeCell judges all the checks of a cell in the order of time, each under the
// calibration in force before it, and returns their rows. checks become the
// pipeline's.
func (p *Pipeline) judgeCell(cell fleet.CellID, checks []flag.Check) []store.CheckResultRow {
	slices.SortFunc(checks, func(a, b flag.Check) int {
		if c := a.Check.PerformedAt.Compare(b.Check.PerformedAt); c != 0 {
			return c
		}
		return strings.Compare(string(a.Check.ID), string(b.Check.ID))
	})
	var rows []store.CheckResultRow
	var epochs []loadcell.Calibration
	var current loadcell.Calibration
	for i := range checks {
		c := checks[i].Check
		r := p.registry.At(c.PerformedAt)
		entry, known := r.Cells[cell]
		if !known {
			checks[i].Result = loadcell.Result{Verdict: fleet.VerdictUnusable, Reason: errNoCell.Error()}
		} else {
			checks[i].Result = loadcell.Judge(c, entry, r.Masses, gravity(r.Sites[entry.Site]), current)
		}
		result := checks[i].Result
		opens := c.State == fleet.AsLeft && result.AsLeftValid
		rows = append(rows, checkResultRow(c, result, opens, current.Epoch, p.effectiveAt(cell, c.PerformedAt)))
		if opens {
			current = result.AsLeft
			epochs = append(epochs, current)
		}
	}
	p.calibrations[cell] = epochs
	p.known.Lock()
	p.checks[cell], p.epochs[cell] = checks, epochs
	p.known.Unlock()
	return rows
}

// gravity returns a site's local gravity: as measured, else from latitude and
// height.
func gravity(s fleet.Site) float64 {
	if s.Gravity > 0 {
		return s.Gravity
	}
	return gum.Gravity(s.Latitude, s.Height)
}

// firstDifference returns from when two lists of epochs differ.
func firstDifference(a, b []loadcell.Calibration) (time.Time, bool) {
	for i := range max(len(a), len(b)) {
		switch {
		case i >= len(a):
			return b[i].Since, true
		case i >= len(b):
			return a[i].Since, true
		case a[i] != b[i]:
			if a[i].Since.Before(b[i].Since) {
				return a[i].Since, true
			}
			return b[i].Since, true
		}
	}
	return time.Time{}, false
}
