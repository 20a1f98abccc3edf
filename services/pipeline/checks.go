package pipeline

import (
	"context"
	"slices"
	"time"

	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// checksRoom judges the checks that came. A check as left opens an epoch: the
// cell's other checks are judged again, and the records made while its epoch
// holds are computed again, those and no others.
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
	again := map[fleet.CellID][]span{}
	for _, cell := range keysOf(touched) {
		judged, spans := p.judgeCell(cell, touched[cell])
		rows = append(rows, judged...)
		again[cell] = spans
	}
	if err := p.store.WriteCheckResults(ctx, rows); err != nil {
		return putBack(err)
	}
	for _, cell := range keysOf(again) {
		if err := p.queueSpans(ctx, cell, again[cell]); err != nil {
			return putBack(err)
		}
	}
	p.metrics.checks.Add(float64(len(ids)))
	p.touchFleet(p.config.FleetDelay)
	return nil
}

// judgeCell judges all the checks of a cell and returns their rows, and the
// stretches of time in which another value holds than before. checks become the
// pipeline's. The order in which checks came does not matter: first the checks
// as left are judged in the order in which they take effect, for they make the
// epochs; then all are, in the order of time, each under the calibration in
// force before it and beside those that went before it.
//
// A base-inertia check is held against the base inertia in force before it, with
// the registry's parasitic loss, whose constant part cancels: an adopted loss
// rests on the base inertia itself.
func (p *Pipeline) judgeCell(cell fleet.CellID, checks []flag.Check) ([]store.CheckResultRow, []span) {
	slices.SortFunc(checks, func(a, b flag.Check) int { return byTime(a.Check, b.Check) })
	now := p.epochsOf(cell)
	now.loadCell, now.inertia = nil, nil
	var left []fleet.Check
	for _, c := range checks {
		if c.Check.State == fleet.AsLeft {
			left = append(left, c.Check)
		}
	}
	slices.SortStableFunc(left, byEffect)
	// under is what each check as left was judged under.
	under := map[fleet.CheckID]cellThen{}
	for _, c := range left {
		if c.Kind == fleet.CheckBaseInertia {
			continue
		}
		then, known := p.cellAt(cell, now, c.From(), from)
		if !known {
			continue
		}
		under[c.ID] = then
		if r := p.assess(c, then, nil); r.AsLeftValid {
			now.loadCell = put(now.loadCell, r.AsLeft, sinceOf)
		}
	}
	for _, c := range left {
		if c.Kind != fleet.CheckBaseInertia {
			continue
		}
		if then, known := p.inertiaThen(c, now); known {
			if m, ok := inertiaOf(c, baseinertia.Judge(then)); ok {
				now.inertia = put(now.inertia, m, inertiaEpoch.since)
			}
		}
	}
	var rows []store.CheckResultRow
	var earlier []loadcell.Earlier
	for i := range checks {
		c := checks[i].Check
		judged := flag.Check{Check: c}
		var epoch fleet.EpochID
		opens := false
		if c.Kind == fleet.CheckBaseInertia {
			then, known := p.inertiaThen(c, now)
			if known {
				judged.Inertia = baseinertia.Judge(then)
				epoch = then.InForce.Epoch
			} else {
				judged.Inertia = baseinertia.Result{Verdict: fleet.VerdictUnusable, Reason: errNoCell.Error()}
			}
			_, opens = inertiaOf(c, judged.Inertia)
		} else {
			then, known := under[c.ID]
			if c.State != fleet.AsLeft {
				then, known = p.cellAt(cell, now, c.PerformedAt, until)
			}
			if known {
				judged.Result = p.assess(c, then, earlier)
				epoch = then.calibration.Epoch
			} else {
				judged.Result = loadcell.Result{Verdict: fleet.VerdictUnusable, Reason: errNoCell.Error()}
			}
			opens = c.State == fleet.AsLeft && judged.Result.AsLeftValid
			earlier = append(earlier, loadcell.Earlier{Check: c, Result: judged.Result})
		}
		checks[i] = judged
		rows = append(rows, checkResultRow(judged, opens, epoch, p.effectiveAt(cell, c.PerformedAt)))
	}
	spans := p.setEpochs(cell, now)
	p.known.Lock()
	p.checks[cell] = checks
	p.known.Unlock()
	return rows, spans
}

// put puts an epoch behind the others, in place of one that began at the same
// moment.
func put[T any](all []T, e T, since func(T) time.Time) []T {
	if n := len(all); n > 0 && since(all[n-1]).Equal(since(e)) {
		all[n-1] = e
		return all
	}
	return append(all, e)
}

// assess judges a check of the load cell with what the registry knew then.
func (p *Pipeline) assess(c fleet.Check, then cellThen, earlier []loadcell.Earlier) loadcell.Result {
	r := p.registry.At(c.PerformedAt)
	entry, known := r.Cells[c.Cell]
	if !known {
		return loadcell.Result{Verdict: fleet.VerdictUnusable, Reason: errNoCell.Error()}
	}
	site := r.Sites[entry.Site]
	return loadcell.Assess(loadcell.Input{
		Check: c, Cell: entry, Masses: r.Masses, Standards: r.Standards,
		Gravity: gum.SiteGravity(site), UGravity: gum.SiteGravityU(site), InForce: then.calibration, Earlier: earlier,
	})
}

// inertiaThen returns what a base-inertia check is judged by, and whether the
// registry knew its cell.
func (p *Pipeline) inertiaThen(c fleet.Check, e epochs) (baseinertia.Input, bool) {
	when := c.PerformedAt
	if c.State == fleet.AsLeft {
		when = c.From()
	}
	e.parasitic = nil
	then, known := p.cellAt(c.Cell, e, when, until)
	if !known {
		return baseinertia.Input{}, false
	}
	return baseinertia.Input{Check: c, Cell: then.cell, InForce: inForce(e.loadCell, c.PerformedAt)}, true
}
