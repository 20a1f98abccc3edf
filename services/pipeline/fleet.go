package pipeline

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/lookback"
	"rollcall/services/compute/refrun"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// fleetRoom assembles the runs whose curves changed, follows the fleet, decides
// the flags and looks back.
func (p *Pipeline) fleetRoom(ctx context.Context) error {
	began := time.Now()
	if err := p.assemble(ctx); err != nil {
		return err
	}
	closings, err := p.closings(ctx)
	if err != nil {
		return err
	}
	registry := p.registry.At(time.Unix(1<<40, 0))
	var checks []flag.Check
	for _, cell := range keysOf(p.checks) {
		checks = append(checks, p.checks[cell]...)
	}
	history := drift.History{Restarts: flag.Restarts(checks, closings, registry.Cells)}
	for _, id := range keysOf(p.runs) {
		history.Runs = append(history.Runs, p.runs[id])
	}
	if p.follower == nil {
		if p.follower, err = drift.NewFollower(p.config.Drift); err != nil {
			return err
		}
	}
	followed, err := p.follower.Follow(history)
	if err != nil {
		return fmt.Errorf("follow the fleet: %w", err)
	}
	in := flag.Input{
		Steps: followed.Steps, Checks: checks, Airs: flag.CompareAirs(history.Runs), Cells: registry.Cells, Closings: closings,
	}
	for _, id := range keysOf(p.coastDowns) {
		in.CoastDowns = append(in.CoastDowns, p.coastDowns[id])
	}
	flags := flag.Decide(in, p.config.Flag)

	var flagRows []store.FlagRow
	var touched []store.TouchedRow
	for _, f := range flags {
		flagRows = append(flagRows, flagRow(f, inForce(p.calibrations[f.Cell], f.UpdatedAt).Epoch))
		if f.Cell == "" {
			continue
		}
		pulls, err := p.customerPulls(ctx, f)
		if err != nil {
			return err
		}
		touched = append(touched, touchedRows(f, lookback.Effects(f, pulls))...)
	}
	cells, cars := estimateRows(followed.Steps)
	if err := p.store.ReplaceEstimates(ctx, cells); err != nil {
		return err
	}
	if err := p.store.ReplaceCarEstimates(ctx, cars); err != nil {
		return err
	}
	if err := p.store.ReplaceFlags(ctx, flagRows, touched); err != nil {
		return err
	}
	p.fleetDue = time.Time{}
	open := 0
	for _, f := range flags {
		if f.Open {
			open++
		}
	}
	p.metrics.openFlags.Set(float64(open))
	p.metrics.fleetSeconds.Observe(time.Since(began).Seconds())
	return nil
}

// assemble makes the runs of the sessions whose curves changed.
func (p *Pipeline) assemble(ctx context.Context) error {
	var rows []store.RunRow
	done := make([]refrun.Session, 0, len(p.dirty))
	for s := range p.dirty {
		done = append(done, s)
	}
	slices.SortFunc(done, func(a, b refrun.Session) int {
		return strings.Compare(string(a.Cell)+"\n"+string(a.Car)+"\n"+a.Name, string(b.Cell)+"\n"+string(b.Car)+"\n"+b.Name)
	})
	made := map[fleet.RunID]refrun.Run{}
	for _, s := range done {
		curves, err := p.store.ListCurves(ctx, store.PullFilter{
			Filter: store.Filter{Cells: []fleet.CellID{s.Cell}, Car: s.Car, Limit: everything}, Kind: fleet.KindPull, Session: s.Name,
		})
		if err != nil {
			return err
		}
		var sources []refrun.Source
		for _, row := range curves {
			sources = append(sources, sourceOf(row))
		}
		if len(sources) == 0 {
			continue
		}
		at := curves[len(curves)-1].StartedAt // newest come first
		s.Site = p.registry.At(at).Cells[s.Cell].Site
		run := refrun.Assemble(s, sources)
		made[run.ID] = run
		rows = append(rows, runRow(run, inForce(p.calibrations[s.Cell], run.At).Epoch, p.effectiveAt(s.Cell, run.At)))
	}
	if err := p.store.WriteRuns(ctx, rows); err != nil {
		return err
	}
	for id, run := range made {
		p.runs[id] = run
	}
	for _, s := range done {
		s.Site = ""
		delete(p.dirty, s)
	}
	return nil
}

func (p *Pipeline) closings(ctx context.Context) ([]flag.Closing, error) {
	rows, err := p.store.ReadClosings(ctx)
	if err != nil {
		return nil, err
	}
	var out []flag.Closing
	for _, r := range rows {
		out = append(out, flag.Closing{
			Flag: fleet.FlagID(r.FlagID), Cell: fleet.CellID(r.CellID), Car: fleet.CarID(r.CarID), At: r.ClosedAt, By: r.ClosedBy, Reason: r.Reason,
		})
	}
	return out, nil
}

// customerPulls returns the customer pulls a flag may touch.
func (p *Pipeline) customerPulls(ctx context.Context, f flag.Flag) ([]lookback.Pull, error) {
	within := store.Filter{Cells: []fleet.CellID{f.Cell}, From: f.LastGoodAt, Limit: everything}
	if !f.ClosedAt.IsZero() {
		within.Until = f.ClosedAt.Add(time.Nanosecond)
	}
	rows, err := p.store.ListCurves(ctx, store.PullFilter{Filter: within, Kind: fleet.KindPull, Customers: true})
	if err != nil {
		return nil, err
	}
	var pulls []lookback.Pull
	for _, row := range rows {
		if row.State == store.StateComputed {
			pulls = append(pulls, customerPull(row))
		}
	}
	return pulls, nil
}

func keysOf[K ~string, V any](m map[K]V) []K {
	out := make([]K, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
