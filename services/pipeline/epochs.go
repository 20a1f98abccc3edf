package pipeline

import (
	"cmp"
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/drift"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// epochs are the values of a cell that were measured, each with the moment from
// which it holds: of the load cell by its checks as left, of the base inertia by
// base-inertia checks as left, of the parasitic loss by the coast-downs of the
// empty rollers that somebody adopted. All are in order of time; a slice is
// replaced, never changed.
//
// Which value holds at a time t, the registry's or an epoch's: the last epoch
// that began at or before t, unless the registry was given another value of that
// very quantity from a later moment, at or before t.
type epochs struct {
	loadCell  []loadcell.Calibration
	inertia   []inertiaEpoch
	parasitic []parasiticEpoch
}

// inertiaEpoch is a base inertia as a check left it.
type inertiaEpoch struct {
	ID     fleet.EpochID
	Since  time.Time
	Mass   float64 // kg
	U      float64 // kg, standard
	By     string
	Reason string
}

// parasiticEpoch is a parasitic loss that was adopted.
type parasiticEpoch struct {
	ID     fleet.EpochID // the coast-down
	Since  time.Time
	Loss   fleet.Loss
	U      float64 // N, standard, the largest over the speeds seen
	Cov    [6]float64
	By     string
	Reason string
}

func (e inertiaEpoch) since() time.Time   { return e.Since }
func (e parasiticEpoch) since() time.Time { return e.Since }

// sinceOf returns from when a calibration holds.
func sinceOf(c loadcell.Calibration) time.Time { return c.Since }

// last returns the last epoch that began before t, or at t where at says so; nil
// where there is none.
func last[T any](all []T, since func(T) time.Time, t time.Time, at bool) *T {
	var found *T
	for i := range all {
		if s := since(all[i]); s.After(t) || !at && s.Equal(t) {
			break
		}
		found = &all[i]
	}
	return found
}

// inForce returns the last calibration that began at or before t.
func inForce(all []loadcell.Calibration, t time.Time) loadcell.Calibration {
	if c := last(all, sinceOf, t, true); c != nil {
		return *c
	}
	return loadcell.Calibration{}
}

// epochsOf returns a cell's epochs.
func (p *Pipeline) epochsOf(cell fleet.CellID) epochs {
	p.known.Lock()
	defer p.known.Unlock()
	return p.epochs[cell]
}

// cellThen is a cell as it was computed with at a time.
type cellThen struct {
	cell        fleet.Cell // with the base inertia and parasitic loss that held
	calibration loadcell.Calibration
	// inertia and parasitic are the epochs of those values; empty: the registry's.
	inertia, parasitic fleet.EpochID
}

// at is which of the epochs that began at the very moment asked for count.
type at uint8

const (
	from  at = iota // all of them: what is made then is made with them
	until           // none: what is found then was found before them
)

// cellAt returns a cell as it was at t, and whether the registry knew it. With
// until an epoch that began at t does not count yet.
func (p *Pipeline) cellAt(id fleet.CellID, e epochs, t time.Time, which at) (cellThen, bool) {
	cell, known := p.registry.At(t).Cells[id]
	if !known {
		return cellThen{}, false
	}
	out := cellThen{cell: cell}
	if c := last(e.loadCell, sinceOf, t, which == from); c != nil {
		out.calibration = *c
	}
	if m := last(e.inertia, inertiaEpoch.since, t, which == from); m != nil && !p.setSince(id, t, baseInertia).After(m.Since) {
		out.cell.BaseInertia, out.cell.U.BaseInertia, out.inertia = m.Mass, m.U, m.ID
	}
	if l := last(e.parasitic, parasiticEpoch.since, t, which == from); l != nil && !p.setSince(id, t, parasiticLoss).After(l.Since) {
		out.cell.Parasitic, out.cell.U.Parasitic, out.parasitic = l.Loss, l.U, l.ID
	}
	return out, true
}

// baseInertia and parasiticLoss are the values of a registry entry that an epoch
// may stand in for. A change of their uncertainty alone sets no value.
func baseInertia(c fleet.Cell) fleet.Loss   { return fleet.Loss{F0: c.BaseInertia} }
func parasiticLoss(c fleet.Cell) fleet.Loss { return c.Parasitic }

// setSince returns from when the registry has had the value of a cell that it
// has at t.
func (p *Pipeline) setSince(id fleet.CellID, t time.Time, value func(fleet.Cell) fleet.Loss) time.Time {
	var since time.Time
	var then fleet.Loss
	there := false
	for _, turn := range p.registry.Turns() {
		if turn.After(t) {
			break
		}
		c, ok := p.registry.At(turn).Cells[id]
		if !ok {
			there = false
			continue
		}
		if v := value(c); !there || v != then {
			since, then, there = turn, v, true
		}
	}
	return since
}

// span is a stretch of time; a zero end is open.
type span struct{ from, until time.Time }

// changed returns the stretches of time in which two lists of epochs do not have
// the same in force.
func changed[T comparable](a, b []T, since func(T) time.Time) []span {
	var times []time.Time
	for _, list := range [][]T{a, b} {
		for _, e := range list {
			times = append(times, since(e))
		}
	}
	slices.SortFunc(times, time.Time.Compare)
	times = slices.CompactFunc(times, time.Time.Equal)
	var out []span
	for i, t := range times {
		x, y := last(a, since, t, true), last(b, since, t, true)
		if x == y || x != nil && y != nil && *x == *y {
			continue
		}
		s := span{from: t}
		if i+1 < len(times) {
			s.until = times[i+1]
		}
		if n := len(out); n > 0 && out[n-1].until.Equal(t) {
			out[n-1].until = s.until
			continue
		}
		out = append(out, s)
	}
	return out
}

// setEpochs takes a cell's epochs as they now are and returns the stretches of
// time whose records are to be computed again.
func (p *Pipeline) setEpochs(cell fleet.CellID, now epochs) []span {
	p.known.Lock()
	old := p.epochs[cell]
	p.epochs[cell] = now
	p.known.Unlock()
	out := changed(old.loadCell, now.loadCell, sinceOf)
	out = append(out, changed(old.inertia, now.inertia, inertiaEpoch.since)...)
	return append(out, changed(old.parasitic, now.parasitic, parasiticEpoch.since)...)
}

// queueSpans queues the records of a cell within stretches of time.
func (p *Pipeline) queueSpans(ctx context.Context, cell fleet.CellID, spans []span) error {
	for _, s := range spans {
		f := store.Filter{Cells: []fleet.CellID{cell}, From: s.from, Until: s.until, Limit: everything}
		if err := p.queueFrom(ctx, f); err != nil {
			return err
		}
	}
	return nil
}

// inertiaOf returns the epoch that a base-inertia check opens, and whether it
// does.
func inertiaOf(c fleet.Check, r baseinertia.Result) (inertiaEpoch, bool) {
	if c.Kind != fleet.CheckBaseInertia || c.State != fleet.AsLeft || !r.Valid {
		return inertiaEpoch{}, false
	}
	return inertiaEpoch{ID: fleet.EpochID(c.ID), Since: c.From(), Mass: r.Mass, U: r.U / 2, By: c.PerformedBy, Reason: c.Note}, true
}

// adopted is the loss of a coast-down of the empty rollers, as it may be adopted.
type adopted struct {
	loss fleet.Loss
	u    float64 // N
	cov  [6]float64
}

// adoptable returns the loss of a stored coast-down, and whether it has one.
func adoptable(row store.CoastDownRow) (adopted, bool) {
	if row.State != store.StateComputed || row.CodeVersion != CodeVersion || row.F0 == nil || row.F1 == nil || row.F2 == nil || row.LossU == nil || len(row.Cov) != 6 {
		return adopted{}, false
	}
	return adopted{loss: fleet.Loss{F0: *row.F0, F1: *row.F1, F2: *row.F2}, u: *row.LossU, cov: [6]float64(row.Cov)}, true
}

// parasiticEpochs returns a cell's epochs of parasitic loss: the adoptions whose
// coast-down gives a loss. Of several from the same moment the one signed last
// holds.
func (p *Pipeline) parasiticEpochs(cell fleet.CellID) []parasiticEpoch {
	var out []parasiticEpoch
	for _, a := range p.adoptions[cell] {
		l, ok := p.losses[fleet.PullID(a.PullID)]
		if !ok {
			continue
		}
		e := parasiticEpoch{ID: fleet.EpochID(a.PullID), Since: a.EffectiveAt, Loss: l.loss, U: l.u, Cov: l.cov, By: a.AdoptedBy, Reason: a.Reason}
		if n := len(out); n > 0 && out[n-1].Since.Equal(e.Since) {
			out[n-1] = e
			continue
		}
		out = append(out, e)
	}
	return out
}

// readAdoptions reads which losses were adopted. The caller holds records.
func (p *Pipeline) readAdoptions(ctx context.Context) error {
	rows, err := p.store.ReadAdoptions(ctx)
	if err != nil {
		return err
	}
	p.adoptions = map[fleet.CellID][]store.AdoptionRow{}
	for _, row := range rows {
		cell := fleet.CellID(row.CellID)
		p.adoptions[cell] = append(p.adoptions[cell], row)
	}
	return nil
}

// adoptRoom takes adoptions that came.
func (p *Pipeline) adoptRoom(ctx context.Context) error {
	p.known.Lock()
	due := p.adopting
	p.adopting = false
	p.known.Unlock()
	if !due {
		return nil
	}
	if err := p.adopt(ctx); err != nil {
		p.ParasiticAdopted() // It is tried again.
		return err
	}
	return nil
}

// adopt reads the adoptions anew and has computed again what they touch.
func (p *Pipeline) adopt(ctx context.Context) error {
	old := keysOf(p.adoptions)
	if err := p.readAdoptions(ctx); err != nil {
		return err
	}
	cells := append(old, keysOf(p.adoptions)...)
	slices.Sort(cells)
	for _, cell := range slices.Compact(cells) {
		if err := p.relearn(ctx, cell); err != nil {
			return err
		}
	}
	return nil
}

// relearn takes a cell's parasitic losses as they now are.
func (p *Pipeline) relearn(ctx context.Context, cell fleet.CellID) error {
	e := p.epochsOf(cell)
	now := p.parasiticEpochs(cell)
	spans := changed(e.parasitic, now, parasiticEpoch.since)
	if len(spans) == 0 {
		return nil
	}
	if err := p.queueSpans(ctx, cell, spans); err != nil {
		return err
	}
	e.parasitic = now
	p.setEpochs(cell, e)
	p.touchFleet(p.config.FleetDelay)
	return nil
}

// ParasiticAdopted says that somebody adopted a parasitic loss.
func (p *Pipeline) ParasiticAdopted() {
	p.known.Lock()
	p.adopting = true
	p.known.Unlock()
	poke(p.wake)
}

// epochRestarts returns a restart of drift for every base inertia and parasitic
// loss that took the place of another: what was measured before does not tell
// the cell's error from then on.
func (p *Pipeline) epochRestarts(all map[fleet.CellID]epochs) []drift.Restart {
	var out []drift.Restart
	for _, cell := range keysOf(all) {
		e := all[cell]
		for _, m := range e.inertia {
			if now, ok := p.cellAt(cell, e, m.Since, from); ok && now.inertia == m.ID {
				out = append(out, drift.Restart{Cell: cell, At: m.Since, Adjusted: true})
			}
		}
		for _, l := range e.parasitic {
			if now, ok := p.cellAt(cell, e, l.Since, from); ok && now.parasitic == l.ID {
				out = append(out, drift.Restart{Cell: cell, At: l.Since, Adjusted: true})
			}
		}
	}
	return out
}

// What an epoch is of, and where the registry's values come from.
const (
	ofLoadCell    = "load cell"
	ofBaseInertia = "base inertia"
	ofParasitic   = "parasitic loss"
	fromRegistry  = "registry"
)

// epochRows returns the epochs of every cell of the registry, those of its own
// values among them.
func (p *Pipeline) epochRows(all map[fleet.CellID]epochs, checks map[fleet.CheckID]fleet.Check) []store.EpochRow {
	var rows []store.EpochRow
	turns := p.registry.Turns()
	for _, id := range keysOf(p.registry.At(time.Unix(1<<40, 0)).Cells) {
		e := all[id]
		times := slices.Clone(turns)
		for _, c := range e.loadCell {
			times = append(times, c.Since)
		}
		for _, m := range e.inertia {
			times = append(times, m.Since)
		}
		for _, l := range e.parasitic {
			times = append(times, l.Since)
		}
		slices.SortFunc(times, time.Time.Compare)
		times = slices.CompactFunc(times, time.Time.Equal)
		var of [3][]store.EpochRow
		for _, t := range times {
			now, known := p.cellAt(id, e, t, from)
			for k, row := range [3]store.EpochRow{loadCellRow(now, checks), inertiaRow(now, e), parasiticRow(now, e)} {
				list := &of[k]
				n := len(*list)
				if n > 0 && (*list)[n-1].Until == nil {
					if known && sameEpoch((*list)[n-1], row) {
						continue
					}
					(*list)[n-1].Until = &t
				}
				if !known {
					continue
				}
				row.CellID, row.Since, row.CodeVersion = string(id), t, CodeVersion
				*list = append(*list, row)
			}
		}
		for k := range of {
			rows = append(rows, of[k]...)
		}
	}
	return rows
}

// sameEpoch says whether two rows are of one epoch: from the same source, of the
// registry's values those that did not change.
func sameEpoch(a, b store.EpochRow) bool {
	return a.Epoch == b.Epoch && slices.Equal(a.Value, b.Value) && slices.Equal(a.ValueU, b.ValueU)
}

func loadCellRow(now cellThen, checks map[fleet.CheckID]fleet.Check) store.EpochRow {
	s := now.calibration
	row := store.EpochRow{Of: ofLoadCell, Epoch: string(s.Epoch), Source: fromRegistry,
		ValueName: []string{"zero", "gain"}, ValueUnit: []string{"N", "1"},
		Value: []float64{s.Zero, s.Gain}, ValueU: []float64{2 * s.UZero, 2 * s.UGain}}
	if s.Epoch == "" {
		// The indicator as it is, as well as the registry says it is known.
		row.ValueU[1] = 2 * now.cell.U.LoadCell
		return row
	}
	c := checks[fleet.CheckID(s.Epoch)]
	row.Source, row.SignedBy, row.Reason = c.Kind.String()+" check", c.PerformedBy, c.Note
	row.Cov = []float64{s.UZero * s.UZero, s.CovZeroGain, s.UGain * s.UGain}
	if s.Degree > 1 {
		row.ValueName = append(row.ValueName, "quadratic", "cubic")
		row.ValueUnit = append(row.ValueUnit, "1/N", "1/N²")
		row.Value = append(row.Value, s.Quadratic, s.Cubic)
		row.ValueU = append(row.ValueU, 2*math.Sqrt(s.Cov[2][2]), 2*math.Sqrt(s.Cov[3][3]))
		row.Cov = nil
		for i := range s.Cov {
			row.Cov = append(row.Cov, s.Cov[i][i:]...)
		}
	}
	return row
}

func inertiaRow(now cellThen, e epochs) store.EpochRow {
	row := store.EpochRow{Of: ofBaseInertia, Epoch: string(now.inertia), Source: fromRegistry,
		ValueName: []string{"mass"}, ValueUnit: []string{"kg"}, Value: []float64{now.cell.BaseInertia}, ValueU: []float64{2 * now.cell.U.BaseInertia}}
	for _, m := range e.inertia {
		if m.ID == now.inertia {
			row.Source, row.SignedBy, row.Reason = fleet.CheckBaseInertia.String()+" check", m.By, m.Reason
		}
	}
	return row
}

func parasiticRow(now cellThen, e epochs) store.EpochRow {
	l := now.cell.Parasitic
	row := store.EpochRow{Of: ofParasitic, Epoch: string(now.parasitic), Source: fromRegistry,
		ValueName: []string{"f0", "f1", "f2"}, ValueUnit: []string{"N", "N·s/m", "N·s²/m²"}, Value: []float64{l.F0, l.F1, l.F2}}
	// The registry has one uncertainty of the whole force, over the speed range.
	row.ValueU = []float64{2 * now.cell.U.Parasitic, 0, 0}
	for _, a := range e.parasitic {
		if a.ID == now.parasitic {
			row.Source, row.SignedBy, row.Reason = fleet.KindEmptyCoastDown.String(), a.By, a.Reason
			row.Cov = a.Cov[:]
			row.ValueU = []float64{2 * math.Sqrt(a.Cov[0]), 2 * math.Sqrt(a.Cov[3]), 2 * math.Sqrt(a.Cov[5])}
		}
	}
	return row
}

// byTime orders checks by the moment they were made, then by id.
func byTime(a, b fleet.Check) int {
	return cmp.Or(a.PerformedAt.Compare(b.PerformedAt), strings.Compare(string(a.ID), string(b.ID)))
}

// byEffect orders checks as left by the moment from which they hold, then as
// byTime.
func byEffect(a, b fleet.Check) int { return cmp.Or(a.From().Compare(b.From()), byTime(a, b)) }
