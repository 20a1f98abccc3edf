package pipeline

import (
	"context"
	"fmt"
	"slices"

	"golang.org/x/sync/errgroup"

	"rollcall/services/compute/lookback"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/restatement"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// Restate computes the pulls that a flag touches anew from their samples, each with
// the error of its cell put right as its row says, in the order asked for. It
// stores nothing and changes no curve. A pull that cannot be restated has a Note
// that says why, and the figures that its curve states. The rows lack what is of
// the act: restatement, cause and its probability.
func (p *Pipeline) Restate(ctx context.Context, touched []store.TouchedRow) ([]store.RestatedRow, error) {
	sizes := map[fleet.PullID]*lookback.Size{}
	for _, t := range touched {
		sizes[fleet.PullID(t.PullID)] = sizeOf(t)
	}
	out := make([]store.RestatedRow, 0, len(touched))
	for batch := range slices.Chunk(touched, max(1, p.config.Batch)) {
		ids := make([]fleet.PullID, len(batch))
		for i, t := range batch {
			ids[i] = fleet.PullID(t.PullID)
		}
		records, err := p.read(ctx, ids)
		if err != nil {
			return nil, fmt.Errorf("read %d pulls to be restated: %w", len(ids), err)
		}
		rows := make([]store.RestatedRow, len(batch))
		group, first := errgroup.WithContext(ctx)
		group.SetLimit(p.config.Workers)
		for i := range batch {
			group.Go(func() error {
				var err error
				rows[i], err = p.restate(first, batch[i], records[i], sizes)
				return err
			})
		}
		if err := group.Wait(); err != nil {
			return nil, err
		}
		out = append(out, rows...)
	}
	return out, nil
}

// restate restates one pull.
func (p *Pipeline) restate(ctx context.Context, t store.TouchedRow, r *record, sizes map[fleet.PullID]*lookback.Size) (store.RestatedRow, error) {
	row := store.RestatedRow{
		PullID: t.PullID, FlagID: t.FlagID, StartedAt: t.StartedAt, CellID: t.CellID, CustomerCar: t.CustomerCar,
		Size: t.Size, SizeU: t.SizeU, SizeUnit: t.SizeUnit, SizeFrom: t.SizeFrom, Effect: t.Effect, EffectU: t.EffectU, CodeVersion: CodeVersion,
	}
	id := fleet.PullID(t.PullID)
	in := restatement.Pull{Effect: t.Effect, UEffect: t.EffectU, Size: sizes[id]}
	row.Way = string(restatement.ByEffect)
	if in.Size != nil {
		row.Way = string(restatement.ByCause)
	}
	why := ""
	var s situation
	switch {
	case r == nil:
		why = "its record is not there, or has not ended"
	case r.missing != "":
		why = r.missing
	default:
		var known bool
		if s, known = p.situationOf(r.pull); !known {
			why = errNoCell.Error()
		}
	}
	if why == "" {
		row.Epoch, row.BaseInertiaEpoch, row.ParasiticEpoch = string(s.calibration.Epoch), string(s.inertia), string(s.parasitic)
		coast, err := p.coastDownOf(ctx, r.pull)
		if err != nil {
			return row, fmt.Errorf("read the coast-down of pull %s: %w", id, err)
		}
		from, err := p.baselineOf(ctx, r.pull)
		if err != nil {
			return row, fmt.Errorf("read the baseline of pull %s: %w", id, err)
		}
		in.Input = inputOf(*r, coast, s)
		if from != nil && from.refused == "" {
			baseline := inputOf(from.record, from.coast, from.situation)
			in.Baseline, in.BaselineSize = &baseline, sizes[from.pull.ID]
		}
		made, err := restatement.Restate(in)
		if err == nil {
			row.Restated, row.Note = true, plain(made.Note)
			for _, f := range made.Figures {
				addFigure(&row, f)
			}
			return row, nil
		}
		why = plain(err.Error())
	}
	row.Note = "not restated: " + why
	curve, found, err := p.store.ReadCurve(ctx, id)
	if err != nil {
		return row, fmt.Errorf("read the stated figures of pull %s: %w", id, err)
	}
	if found {
		row.Epoch, row.BaseInertiaEpoch, row.ParasiticEpoch = curve.Epoch, curve.BaseInertiaEpoch, curve.ParasiticEpoch
		stated(&row, &curve)
	}
	return row, nil
}

func addFigure(row *store.RestatedRow, f restatement.Figure) {
	row.Figure, row.FigureOf, row.Unit = append(row.Figure, f.Figure.String()), append(row.FigureOf, string(f.Of)), append(row.Unit, f.Figure.Unit())
	row.Stated, row.StatedU = append(row.Stated, f.Stated.Value), append(row.StatedU, f.Stated.U)
	add := func(v *restatement.Value, value, u *[]*float64) {
		if v == nil {
			*value, *u = append(*value, nil), append(*u, nil)
			return
		}
		*value, *u = append(*value, ptr(v.Value)), append(*u, ptr(v.U))
	}
	add(f.Restated, &row.RestatedValue, &row.RestatedU)
	add(f.Difference, &row.Difference, &row.DifferenceU)
}

// stated puts the figures that a stored curve states into a row that has no others.
func stated(row *store.RestatedRow, c *store.CurveRow) {
	for _, x := range [...]struct {
		figure   powercurve.Figure
		of       restatement.Of
		value, u *float64
	}{
		{powercurve.WheelPower, restatement.Peak, c.PeakWheelPower, c.PeakWheelPowerU},
		{powercurve.WheelPower, restatement.BandMean, c.MeanWheelPower, c.MeanWheelPowerU},
		{powercurve.EnginePower, restatement.Peak, c.PeakEnginePower, c.PeakEnginePowerU},
		{powercurve.EnginePower, restatement.BandMean, c.MeanEnginePower, c.MeanEnginePowerU},
		{powercurve.EngineTorque, restatement.Peak, c.PeakEngineTorque, c.PeakEngineTorqueU},
		{powercurve.EngineTorque, restatement.BandMean, c.MeanEngineTorque, c.MeanEngineTorqueU},
		{powercurve.CorrectedPower, restatement.Peak, c.PeakCorrectedPower, c.PeakCorrectedPowerU},
		{powercurve.CorrectedPower, restatement.BandMean, c.MeanCorrectedPower, c.MeanCorrectedPowerU},
		{powercurve.CorrectedTorque, restatement.Peak, c.PeakCorrectedTorque, c.PeakCorrectedTorqueU},
		{powercurve.CorrectedTorque, restatement.BandMean, c.MeanCorrectedTorque, c.MeanCorrectedTorqueU},
	} {
		if x.value != nil && x.u != nil {
			addFigure(row, restatement.Figure{Figure: x.figure, Of: x.of, Stated: restatement.Value{Value: *x.value, U: *x.u}})
		}
	}
}

// sizeOf returns the size that a touched pull's row has, nil: none.
func sizeOf(t store.TouchedRow) *lookback.Size {
	if t.Size == nil || t.SizeU == nil {
		return nil
	}
	s := &lookback.Size{Value: *t.Size, U: *t.SizeU}
	for _, f := range [...]fleet.Fault{fleet.FaultGain, fleet.FaultZero, fleet.FaultInertia, fleet.FaultParasitic, fleet.FaultAir} {
		if f.String() == t.Fault && lookback.Unit(f) == t.SizeUnit {
			s.Fault = f
		}
	}
	for _, from := range [...]lookback.Source{lookback.FromChecks, lookback.FromRuns, lookback.FromFlag} {
		if from.String() == t.SizeFrom {
			s.From = from
		}
	}
	if s.Fault == fleet.FaultNone || s.From == 0 {
		return nil
	}
	return s
}
