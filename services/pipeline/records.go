package pipeline

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// outcome is what one record became.
type outcome struct {
	curve     *store.CurveRow
	coastDown *store.CoastDownRow
	// again are pulls to be computed anew: that whose coast-down has come, and
	// those to which a loss is carried that has been computed.
	again []fleet.PullID
}

// recordsRoom computes a batch of the records queued.
func (p *Pipeline) recordsRoom(ctx context.Context) error {
	batch := p.queue.take(p.config.Batch)
	if len(batch) == 0 {
		return nil
	}
	began := time.Now()
	outcomes := make([]outcome, len(batch))
	records, err := p.read(ctx, batch)
	if err == nil {
		group, first := errgroup.WithContext(ctx)
		group.SetLimit(p.config.Workers)
		for i := range batch {
			group.Go(func() (err error) {
				outcomes[i], err = p.compute(first, records[i])
				return err
			})
		}
		err = group.Wait()
	}
	var curves []store.CurveRow
	var coastDowns []store.CoastDownRow
	for _, o := range outcomes {
		if o.curve != nil {
			curves = append(curves, *o.curve)
		}
		if o.coastDown != nil {
			coastDowns = append(coastDowns, *o.coastDown)
		}
	}
	if err == nil {
		err = p.store.WriteCurves(ctx, curves)
	}
	if err == nil {
		err = p.store.WriteCoastDowns(ctx, coastDowns)
	}
	if err != nil {
		for _, id := range batch {
			p.queue.add(id)
		}
		return err
	}
	for _, o := range outcomes {
		for _, id := range o.again {
			p.queue.add(id)
		}
	}
	p.known.Lock()
	for _, row := range curves {
		if fleet.Kind(row.Kind) == fleet.KindPull {
			p.stir(fleet.CellID(row.CellID), row.StartedAt)
		}
		if row.CarID != "" && fleet.Kind(row.Kind) == fleet.KindPull {
			p.dirty[refrun.Session{Cell: fleet.CellID(row.CellID), Car: fleet.CarID(row.CarID), Name: row.Session}] = true
		}
	}
	for _, row := range coastDowns {
		if c, ok := coastDownOf(row); ok {
			p.coastDowns[c.ID] = c
		} else {
			delete(p.coastDowns, fleet.PullID(row.PullID))
		}
	}
	p.known.Unlock()
	// Of a loss that was adopted other pulls depend.
	for _, row := range coastDowns {
		if l, ok := adoptable(row); ok {
			p.losses[fleet.PullID(row.PullID)] = l
		} else {
			delete(p.losses, fleet.PullID(row.PullID))
		}
		cell := fleet.CellID(row.CellID)
		if len(p.adoptions[cell]) == 0 {
			continue
		}
		if err := p.relearn(ctx, cell); err != nil {
			p.ParasiticAdopted() // It is tried again.
			return err
		}
	}
	// Also for a customer's pull alone: a flag may touch it.
	p.touchFleet(p.config.FleetDelay)
	p.metrics.records.Add(float64(len(batch)))
	p.metrics.seconds.Observe(time.Since(began).Seconds())
	p.metrics.pending.Set(float64(p.queue.len()))
	return nil
}

// compute turns one record into its row. A record that has not ended is
// nothing; one that is not whole or cannot be computed has a row that says so.
func (p *Pipeline) compute(ctx context.Context, r *record) (outcome, error) {
	if r == nil {
		return outcome{}, nil
	}
	missing := r.missing
	s, known := p.situationOf(r.pull)
	effectiveAt := p.effectiveAt(r.pull.Cell, r.pull.StartedAt)
	if r.pull.Kind == fleet.KindEmptyCoastDown {
		var row store.CoastDownRow
		switch {
		case missing != "":
			row = coastDownRow(r.pull, s, effectiveAt, parasitic{}, errors.New(missing))
			row.State, row.Reason = store.StateIncomplete, missing
		case !known:
			row = coastDownRow(r.pull, situation{}, effectiveAt, parasitic{}, errNoCell)
		default:
			measured, err := reduceEmpty(*r, s)
			row = coastDownRow(r.pull, s, effectiveAt, measured, err)
		}
		return outcome{coastDown: &row}, nil
	}
	row := announcedRow(r.pull)
	row.RegistryEffectiveAt = effectiveAt
	var err error
	var again []fleet.PullID
	if r.pull.Kind == fleet.KindPull {
		if s.from, err = p.baselineOf(ctx, r.pull); err != nil {
			return outcome{}, err
		}
		if s.from != nil {
			row.LossAskedFrom = string(s.from.pull.ID)
		}
		again = p.carriersOf(r.pull.ID)
	}
	switch {
	case missing != "":
		row.State, row.Reason = store.StateIncomplete, missing
		return outcome{curve: &row, again: again}, nil
	case !known:
		row.State, row.Reason = store.StateUnusable, errNoCell.Error()
		return outcome{curve: &row, again: again}, nil
	case r.pull.Kind == fleet.KindCoastDown:
		mate, err := p.mate(ctx, r.pull, fleet.KindPull)
		if err != nil {
			return outcome{}, err
		}
		row.State, row.Reason = store.StateComputed, "its pull has not come yet"
		if mate != "" {
			row.Reason = "computed with pull " + string(mate)
			again = append(again, mate)
		}
		return outcome{curve: &row, again: again}, nil
	}
	coast, err := p.coastDownOf(ctx, r.pull)
	if err != nil {
		return outcome{}, err
	}
	asked := row.LossAskedFrom
	row = curveRow(reduce(*r, coast, s), effectiveAt)
	row.LossAskedFrom = asked
	return outcome{curve: &row, again: again}, nil
}

// coastDownOf returns the separate coast-down of a pull when it is there and
// whole, else nil.
func (p *Pipeline) coastDownOf(ctx context.Context, pull fleet.Pull) (*record, error) {
	mate, err := p.mate(ctx, pull, fleet.KindCoastDown)
	if err != nil || mate == "" {
		return nil, err
	}
	other, err := p.read(ctx, []fleet.PullID{mate})
	if err != nil || other[0] == nil || other[0].missing != "" {
		return nil, err
	}
	return other[0], nil
}

// mate returns the pull of a coast-down or the coast-down of a pull: of the
// same cell, car and label; of several, the nearest in time, then the first id.
func (p *Pipeline) mate(ctx context.Context, pull fleet.Pull, kind fleet.Kind) (fleet.PullID, error) {
	if pull.Label == "" {
		return "", nil
	}
	near := store.Filter{
		Cells: []fleet.CellID{pull.Cell}, From: pull.StartedAt.Add(-mateWithin), Until: pull.StartedAt.Add(mateWithin), Limit: 100,
	}
	rows, err := p.store.ListPulls(ctx, store.PullFilter{Filter: near, Kind: kind, Label: pull.Label})
	if err != nil {
		return "", err
	}
	rows = slices.DeleteFunc(rows, func(r store.PullRow) bool { return r.CarID != string(pull.Car) || r.CustomerCar != pull.CustomerCar })
	if len(rows) == 0 {
		return "", nil
	}
	best := slices.MinFunc(rows, func(a, b store.PullRow) int {
		da, db := a.StartedAt.Sub(pull.StartedAt).Abs(), b.StartedAt.Sub(pull.StartedAt).Abs()
		if da != db {
			return int(da - db)
		}
		return strings.Compare(a.PullID, b.PullID)
	})
	return fleet.PullID(best.PullID), nil
}

// mateWithin is how far apart a pull and its separate coast-down may begin.
const mateWithin = time.Hour

// read returns the records that have ended, in the order asked for; nil: it has
// not ended, or is not known.
func (p *Pipeline) read(ctx context.Context, ids []fleet.PullID) ([]*record, error) {
	out := make([]*record, len(ids))
	var absent []fleet.PullID
	for i, id := range ids {
		if p.Recent != nil {
			if raw, ok := p.Recent(id); ok && raw.HasBegin && raw.HasEnd {
				if r := whole(*raw); r.missing == "" {
					out[i] = r
					continue
				}
			}
		}
		absent = append(absent, id)
	}
	if len(absent) == 0 {
		return out, nil
	}
	stored, err := p.store.ReadPulls(ctx, absent)
	if err != nil {
		return nil, err
	}
	next := 0
	for i := range out {
		if out[i] != nil {
			continue
		}
		if raw := stored[next]; raw.HasBegin && raw.HasEnd {
			out[i] = whole(raw)
		}
		next++
	}
	return out, nil
}

// whole returns a record with what is missing of it.
func whole(raw store.RawPull) *record {
	r := &record{pull: raw.Begin.Pull()}
	var sums []wire.BlockSum
	for _, row := range raw.Blocks {
		b := row.Block()
		r.blocks = append(r.blocks, b)
		sums = append(sums, b.Sum())
	}
	end := wire.End{Pull: fleet.PullID(raw.End.PullID), Cell: fleet.CellID(raw.End.CellID), Blocks: raw.End.Blocks, Samples: raw.End.Samples, Checksum: raw.End.Checksum}
	r.missing = wire.Missing(end, sums)
	return r
}

// situationOf returns what was true when a record was made, and whether the
// registry knew its cell.
func (p *Pipeline) situationOf(pull fleet.Pull) (situation, bool) {
	which := from
	if pull.Kind == fleet.KindEmptyCoastDown {
		// It is held against what was in force before it: an adopted loss is not
		// held against itself.
		which = until
	}
	then, ok := p.cellAt(pull.Cell, p.epochsOf(pull.Cell), pull.StartedAt, which)
	if !ok {
		return situation{}, false
	}
	s := situation{cellThen: then}
	if pull.Car != "" {
		if car, ok := p.registry.At(pull.StartedAt).Cars[pull.Car]; ok {
			s.car = &car
		}
	}
	return s, true
}

// effectiveAt returns from when the cell's entry in force at t holds, or the
// Unix epoch where there is none.
func (p *Pipeline) effectiveAt(cell fleet.CellID, t time.Time) time.Time {
	at := p.registry.EffectiveAt(cell, t)
	if at.IsZero() {
		return time.Unix(0, 0).UTC()
	}
	return at
}
