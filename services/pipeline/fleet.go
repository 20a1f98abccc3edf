package pipeline

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"time"

	"rollcall/services/compute/drift"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/lookback"
	"rollcall/services/compute/refrun"
	"rollcall/services/compute/watch"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// snapshot is what the fleet is compared from besides the runs.
type snapshot struct {
	checks     []flag.Check
	coastDowns []flag.CoastDown
	epochs     map[fleet.CellID]epochs
	dirty      []refrun.Session

	stirred      map[fleet.SiteID][]stretch
	stirredAll   bool
	stirredSince time.Time
}

// take returns what is known now and counts the sessions as assembled.
func (p *Pipeline) take() snapshot {
	p.known.Lock()
	defer p.known.Unlock()
	s := snapshot{epochs: maps.Clone(p.epochs), stirred: p.stirred, stirredAll: p.stirredAll, stirredSince: p.stirredSince}
	p.stirred, p.stirredAll = map[fleet.SiteID][]stretch{}, false
	for _, cell := range keysOf(p.checks) {
		s.checks = append(s.checks, p.checks[cell]...)
	}
	for _, id := range keysOf(p.coastDowns) {
		s.coastDowns = append(s.coastDowns, p.coastDowns[id])
	}
	for session := range p.dirty {
		s.dirty = append(s.dirty, session)
	}
	slices.SortFunc(s.dirty, func(a, b refrun.Session) int {
		return cmp.Or(cmp.Compare(a.Cell, b.Cell), cmp.Compare(a.Car, b.Car), cmp.Compare(a.Name, b.Name))
	})
	p.dirty = map[refrun.Session]bool{}
	p.fleetDue = time.Time{}
	return s
}

// giveBack undoes take.
func (p *Pipeline) giveBack(s snapshot) {
	p.known.Lock()
	for _, session := range s.dirty {
		p.dirty[session] = true
	}
	for site, all := range s.stirred {
		p.stirred[site] = append(p.stirred[site], all...)
	}
	if s.stirredAll && (!p.stirredAll || s.stirredSince.Before(p.stirredSince)) {
		p.stirredAll, p.stirredSince = true, s.stirredSince
	}
	p.known.Unlock()
	p.touchFleet(0)
}

// fleetRoom assembles the runs whose curves changed, follows the fleet, decides
// the flags and looks back.
func (p *Pipeline) fleetRoom(ctx context.Context) (err error) {
	began := time.Now()
	known := p.take()
	defer func() {
		if err != nil {
			p.giveBack(known)
		}
	}()
	if err := p.assemble(ctx, known); err != nil {
		return err
	}
	if err := p.neighbours(ctx, known); err != nil {
		return err
	}
	closings, err := p.closings(ctx)
	if err != nil {
		return err
	}
	now := p.config.Now().UTC()
	intervals, intervalRows, err := p.due(ctx, known.checks, now)
	if err != nil {
		return err
	}
	registry := p.registry.At(time.Unix(1<<40, 0))
	runs := make([]refrun.Run, 0, len(p.runs))
	for _, id := range keysOf(p.runs) {
		runs = append(runs, p.runs[id])
	}
	if p.follower == nil {
		if p.follower, err = watch.NewFollower(p.config.Watch); err != nil {
			return fmt.Errorf("follow the fleet: %w", err)
		}
	}
	followed, state, err := p.follower.Follow(p.historyOf(runs, known, closings), registry.Cells)
	if err != nil {
		p.unleave()
		return fmt.Errorf("follow the fleet: %w", err)
	}
	p.leave(state, runs)
	restarts := flag.Restarts(known.checks, closings, registry.Cells)
	steps := stepsOf(followed, restarts)
	restarts = append(append(restarts, p.registryRestarts()...), p.epochRestarts(known.epochs)...)
	in := flag.Input{
		Steps: steps, State: state, Checks: known.checks, CoastDowns: known.coastDowns, Airs: flag.CompareAirs(runs), Speeds: flag.CompareSpeeds(runs),
		Cells: registry.Cells, Closings: closings, Intervals: intervals, Now: now,
	}
	flags := flag.Decide(in, p.config.Flag)

	var flagRows []store.FlagRow
	var touched []store.TouchedRow
	for _, f := range flags {
		flagRows = append(flagRows, flagRow(f, inForce(known.epochs[f.Cell].loadCell, f.UpdatedAt).Epoch))
		if f.Cell == "" || f.Kind.OfChecks() {
			continue
		}
		pulls, err := p.customerPulls(ctx, f)
		if err != nil {
			return err
		}
		touched = append(touched, touchedRows(f, lookback.Effects(f, pulls, lookback.Evidence{
			Cell: registry.Cells[f.Cell], Steps: steps, Checks: known.checks, Restarts: restarts,
		}))...)
	}
	cells, cars := estimateRows(steps)
	if err := p.store.ReplaceEstimates(ctx, cells); err != nil {
		return err
	}
	if err := p.store.ReplaceCarEstimates(ctx, cars); err != nil {
		return err
	}
	if err := p.store.ReplaceFlags(ctx, flagRows, touched); err != nil {
		return err
	}
	made := map[fleet.CheckID]fleet.Check{}
	for _, c := range known.checks {
		made[c.Check.ID] = c.Check
	}
	if err := p.store.ReplaceEpochs(ctx, p.epochRows(known.epochs, made)); err != nil {
		return err
	}
	if err := p.store.ReplaceIntervals(ctx, intervalRows); err != nil {
		return err
	}
	var next time.Time
	for _, i := range intervals {
		if due := i.Outcome.Due; i.Next == nil && !due.IsZero() && !i.Outcome.Overdue(now) && (next.IsZero() || due.Before(next)) {
			next = due
		}
	}
	p.known.Lock()
	p.overdueAt = next
	p.known.Unlock()
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

// stepsOf returns steps with the calibration in force at each, as the restarts name
// it.
func stepsOf(followed []watch.Step, restarts []drift.Restart) []drift.Step {
	slices.SortStableFunc(restarts, func(a, b drift.Restart) int { return a.At.Compare(b.At) })
	out := make([]drift.Step, len(followed))
	epoch := map[fleet.CellID]fleet.EpochID{}
	next := 0
	for i := range followed {
		out[i] = followed[i].Step
		for ; next < len(restarts) && !restarts[next].At.After(out[i].At); next++ {
			if r := restarts[next]; r.Epoch != "" {
				epoch[r.Cell] = r.Epoch
			}
		}
		out[i].Epoch = epoch[out[i].Cell]
	}
	return out
}

// registryRestarts returns a restart for every cell and car whose entry was
// given other values to compute with: what was measured before does not tell
// its error from then on.
func (p *Pipeline) registryRestarts() []drift.Restart {
	var out []drift.Restart
	turns := p.registry.Turns()
	for i := 1; i < len(turns); i++ {
		before, after := p.registry.At(turns[i-1]), p.registry.At(turns[i])
		for _, id := range keysOf(after.Cells) {
			if old, ok := before.Cells[id]; ok && computedWith(old) != computedWith(after.Cells[id]) {
				out = append(out, drift.Restart{Cell: id, At: turns[i], Adjusted: true})
			}
		}
		for _, id := range keysOf(after.Cars) {
			old, ok := before.Cars[id]
			now := after.Cars[id]
			old.Name, old.RampRates, now.Name, now.RampRates = "", nil, "", nil
			if ok && !reflect.DeepEqual(old, now) {
				out = append(out, drift.Restart{Car: id, At: turns[i], Adjusted: true})
			}
		}
	}
	return out
}

// computedWith returns a cell with those values only that act on its curves.
func computedWith(c fleet.Cell) fleet.Cell {
	return fleet.Cell{
		RollerRadius: c.RollerRadius, LeverArm: c.LeverArm, BrakeRatio: c.BrakeRatio, BaseInertia: c.BaseInertia, Parasitic: c.Parasitic,
	}
}

// assemble makes the runs of the sessions whose curves changed.
func (p *Pipeline) assemble(ctx context.Context, known snapshot) error {
	var rows []store.RunRow
	var made []refrun.Run
	for _, s := range known.dirty {
		curves, err := p.store.ReadCurves(ctx, store.PullFilter{
			Filter: store.Filter{Cells: []fleet.CellID{s.Cell}, Car: s.Car, Limit: everything}, Kind: fleet.KindPull, Session: s.Name,
		})
		if err != nil {
			return err
		}
		if len(curves) == 0 {
			continue
		}
		var sources []refrun.Source
		for _, row := range curves {
			sources = append(sources, sourceOf(row))
		}
		first := curves[len(curves)-1].StartedAt // newest come first
		s.Site = p.registry.At(first).Cells[s.Cell].Site
		run := refrun.Assemble(s, sources)
		made = append(made, run)
		rows = append(rows, runRow(run, inForce(known.epochs[s.Cell].loadCell, run.At).Epoch, p.effectiveAt(s.Cell, run.At)))
	}
	if err := p.store.WriteRuns(ctx, rows); err != nil {
		return err
	}
	for _, run := range made {
		p.runs[run.ID] = run
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
	rows, err := p.store.ReadCurves(ctx, store.PullFilter{Filter: within, Kind: fleet.KindPull, Customers: true})
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
