// Package pipeline calls the computing stages in their order and stores what
// they give. It is the only orchestrator; round says which:
//
//	calibration check  ─ loadcell.Assess, baseinertia.Judge ─▶ result   checks.go
//	checks as left, adopted losses ─▶ epochs                            epochs.go
//	raw record (store) ─ reduce, under its epochs ─▶ curve, findings    records.go
//	curves of a session ─ refrun.Assemble ─▶ run              fleet.go
//	curves of a site and day ─ finding.JudgeBeside ─▶ findings beside neighbours   neighbours.go
//	runs ─ drift.Follow ─▶ estimates ─ flag.Decide ─▶ flags ─ lookback.Effects ─▶ touched pulls
//	touched pulls ─ restatement.Restate ─▶ restated figures, on request    restate.go
//	checks, pulls ─ interval.Next ─▶ when the next check is due         due.go
//
// Everything stored is a pure function of the raw tables and, for overdue flags,
// of the moment Config.Now gives: the order in which records arrive does not
// matter, and Recompute gives the same bytes.
package pipeline

import (
	"context"
	"errors"
	"runtime"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"

	"rollcall/services/compute/flag"
	"rollcall/services/compute/refrun"
	"rollcall/services/compute/watch"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// Config rules a Pipeline. Start from DefaultConfig.
type Config struct {
	// Workers is how many records are computed at once.
	Workers int
	// Batch is how many records are computed before their results are stored.
	Batch int
	// FleetDelay is how long new runs are gathered before the fleet is compared
	// anew.
	FleetDelay time.Duration
	// Sweep is how often the store is searched for records that were not
	// computed, because another replica took them in or this one was stopped.
	Sweep time.Duration
	// RetryAfter is the pause after the store was not there.
	RetryAfter time.Duration
	// Now is the clock by which a check is overdue.
	Now   func() time.Time
	Watch watch.Settings
	Flag  flag.Settings
}

// DefaultConfig returns the configuration that holds where nothing else is said.
func DefaultConfig() Config {
	return Config{
		Workers: runtime.GOMAXPROCS(0), Batch: 32, FleetDelay: 500 * time.Millisecond, Sweep: time.Minute, RetryAfter: time.Second, Now: time.Now,
		Watch: watch.DefaultSettings(), Flag: flag.DefaultSettings(),
	}
}

// Registry is the registry through time.
type Registry interface {
	At(t time.Time) fleet.Registry
	// EffectiveAt returns from when a cell's entry in force at t holds.
	EffectiveAt(cell fleet.CellID, t time.Time) time.Time
	// Turns returns the times from which another registry holds, rising.
	Turns() []time.Time
}

// Pipeline computes. Make it with New, run it with Run.
type Pipeline struct {
	config   Config
	store    *store.Store
	registry Registry
	log      *zap.Logger
	metrics  metrics

	// Recent, when set, gives a record that has just come in without a read.
	Recent func(fleet.PullID) (*store.RawPull, bool)

	// Busy, when set, says that records come in faster than they are stored.
	// Computing then waits, for a while: a record that is not durable yet is
	// worth more than a curve.
	Busy func() bool

	queue           queue[fleet.PullID]
	arrived         queue[fleet.CheckID]
	wake, wakeFleet chan struct{}

	// records is held while records and checks are computed, comparing while
	// the fleet is: a pull's curve does not wait for the fleet. Who holds both
	// took records first.
	records, comparing sync.Mutex
	adoptions          map[fleet.CellID][]store.AdoptionRow // of records; by effective_at, adopted_at
	losses             map[fleet.PullID]adopted             // of records; of the empty-roller coast-downs
	runs               map[fleet.RunID]refrun.Run           // of comparing
	follower           *watch.Follower                      // of comparing

	// known is what one room learns and the other reads.
	known sync.Mutex
	// checks are by PerformedAt, then id. A slice is replaced, never changed.
	checks     map[fleet.CellID][]flag.Check
	epochs     map[fleet.CellID]epochs
	adopting   bool // a parasitic loss was adopted
	coastDowns map[fleet.PullID]flag.CoastDown
	dirty      map[refrun.Session]bool
	// stirred are the times whose pulls are to be judged beside their neighbours
	// anew, by site. With stirredAll those of all sites from stirredSince on; zero:
	// from the first.
	stirred      map[fleet.SiteID][]stretch
	stirredAll   bool
	stirredSince time.Time
	// carriedFrom is the baseline of each pull whose loss is to be carried,
	// carriedTo the pulls of each baseline.
	carriedFrom map[fleet.PullID]fleet.PullID
	carriedTo   map[fleet.PullID][]fleet.PullID
	fleetDue    time.Time // zero: the fleet is as it should be
	overdueAt   time.Time // when the next check becomes overdue, after the fleet was last compared; zero: none will
	swept       bool      // the store was searched since the start
	latest      *latest   // the fleet as it was last compared; nil: not since the start
}

// New returns a pipeline that does nothing until Run.
func New(c Config, s *store.Store, r Registry, log *zap.Logger, reg prometheus.Registerer) *Pipeline {
	p := &Pipeline{
		config: c, store: s, registry: r, log: log.Named("pipeline"), metrics: newMetrics(reg),
		wake: make(chan struct{}, 1), wakeFleet: make(chan struct{}, 1),
	}
	p.forget()
	return p
}

// forget empties what is known, before it is read or computed anew. The caller
// holds records and comparing.
func (p *Pipeline) forget() {
	p.known.Lock()
	defer p.known.Unlock()
	p.adoptions = map[fleet.CellID][]store.AdoptionRow{}
	p.losses = map[fleet.PullID]adopted{}
	p.epochs = map[fleet.CellID]epochs{}
	p.checks = map[fleet.CellID][]flag.Check{}
	p.coastDowns = map[fleet.PullID]flag.CoastDown{}
	p.runs = map[fleet.RunID]refrun.Run{}
	p.dirty = map[refrun.Session]bool{}
	p.stirred, p.stirredAll, p.stirredSince = map[fleet.SiteID][]stretch{}, true, time.Time{}
	p.follower, p.latest = nil, nil
	p.fleetDue, p.overdueAt = time.Time{}, time.Time{}
}

// Stored says that a pull or coast-down is whole, or more of it has come.
func (p *Pipeline) Stored(id fleet.PullID) {
	p.queue.add(id)
	p.metrics.pending.Set(float64(p.queue.len()))
	poke(p.wake)
}

// StoredCheck says that a calibration check has come.
func (p *Pipeline) StoredCheck(id fleet.CheckID) { p.arrived.add(id); poke(p.wake) }

// FlagClosed says that somebody closed a flag.
func (p *Pipeline) FlagClosed() { p.touchFleet(0) }

func poke(wake chan struct{}) {
	select {
	case wake <- struct{}{}:
	default:
	}
}

// touchFleet sees to it that the fleet is compared anew within a delay. A due
// time that stands is not put off.
func (p *Pipeline) touchFleet(delay time.Duration) {
	p.known.Lock()
	defer p.known.Unlock()
	if due := time.Now().Add(delay); p.fleetDue.IsZero() || due.Before(p.fleetDue) {
		p.fleetDue = due
		poke(p.wakeFleet)
	}
}

// compareAt returns when the fleet is to be compared; zero: not at all.
func (p *Pipeline) compareAt() time.Time {
	p.known.Lock()
	defer p.known.Unlock()
	return p.fleetDue
}

// Run computes until ctx ends. Whatever the store holds and was not computed is
// computed first.
func (p *Pipeline) Run(ctx context.Context) error {
	for {
		p.records.Lock()
		p.comparing.Lock()
		err := p.load(ctx)
		p.comparing.Unlock()
		p.records.Unlock()
		if ctx.Err() != nil {
			return nil
		}
		if err == nil {
			break
		}
		if !p.failed(ctx, "history not read, trying again", err) {
			return nil
		}
	}
	var rooms sync.WaitGroup
	rooms.Go(func() { p.runRecords(ctx) })
	rooms.Go(func() { p.runFleet(ctx) })
	rooms.Wait()
	return nil
}

// failed notes a failure and pauses; it is false when ctx ended meanwhile.
func (p *Pipeline) failed(ctx context.Context, what string, err error) bool {
	p.metrics.failures.Inc()
	p.log.Warn(what, zap.Error(err), zap.Bool("store_away", errors.Is(err, store.ErrUnavailable)))
	select {
	case <-ctx.Done():
		return false
	case <-time.After(p.config.RetryAfter):
		return true
	}
}

// runRecords computes checks, because records need their calibration, then
// batches of records, as they come.
func (p *Pipeline) runRecords(ctx context.Context) {
	sweep := time.Now()
	for ctx.Err() == nil {
		p.giveWay(ctx)
		p.records.Lock()
		var err error
		if !time.Now().Before(sweep) {
			if err = p.sweep(ctx); err == nil {
				sweep = time.Now().Add(p.config.Sweep)
			}
		}
		if err == nil {
			err = p.adoptRoom(ctx)
		}
		if err == nil {
			err = p.checksRoom(ctx)
		}
		if err == nil {
			err = p.recordsRoom(ctx)
		}
		p.records.Unlock()
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			if !p.failed(ctx, "records not computed, trying again", err) {
				return
			}
		case p.queue.len() == 0 && p.arrived.len() == 0:
			wait(ctx, p.wake, time.Until(sweep))
		}
	}
}

// longestWay is how long computing waits at most while records come in.
const longestWay = 10 * time.Second

// giveWay waits while ingest is busy.
func (p *Pipeline) giveWay(ctx context.Context) {
	for began := time.Now(); p.Busy != nil && p.Busy() && ctx.Err() == nil && time.Since(began) < longestWay; {
		wait(ctx, nil, 20*time.Millisecond)
	}
}

// runFleet compares the fleet when it is due.
func (p *Pipeline) runFleet(ctx context.Context) {
	for ctx.Err() == nil {
		due := p.compareAt()
		if due.IsZero() {
			// Until a check becomes overdue, an hour at most: the clock may be set.
			left := time.Hour
			if next := p.overdueNext(); !next.IsZero() {
				left = min(left, next.Sub(p.config.Now()))
			}
			if left > 0 {
				wait(ctx, p.wakeFleet, left)
				continue
			}
			p.touchFleet(0)
			continue
		}
		if left := time.Until(due); left > 0 {
			wait(ctx, p.wakeFleet, left)
			continue
		}
		p.comparing.Lock()
		err := p.fleetRoom(ctx)
		p.comparing.Unlock()
		if err != nil && ctx.Err() == nil && !p.failed(ctx, "fleet not compared, trying again", err) {
			return
		}
	}
}

// wait returns when poked, after d, or when ctx ends.
func wait(ctx context.Context, wake chan struct{}, d time.Duration) {
	timer := time.NewTimer(max(d, 0))
	defer timer.Stop()
	select {
	case <-ctx.Done():
	case <-wake:
	case <-timer.C:
	}
}

// load reads what earlier runs of the service left. The caller holds records
// and comparing, and nothing else runs.
func (p *Pipeline) load(ctx context.Context) error {
	p.forget()
	all := store.Filter{Limit: everything}
	checks, err := p.store.ListChecks(ctx, all)
	if err != nil {
		return err
	}
	byCell := map[fleet.CellID][]flag.Check{}
	for _, row := range checks {
		c := row.Check()
		byCell[c.Cell] = append(byCell[c.Cell], flag.Check{Check: c})
	}
	coastDowns, err := p.store.ReadCoastDowns(ctx, all)
	if err != nil {
		return err
	}
	for _, row := range coastDowns {
		if c, ok := coastDownOf(row); ok {
			p.coastDowns[c.ID] = c
		}
		if l, ok := adoptable(row); ok {
			p.losses[fleet.PullID(row.PullID)] = l
		}
	}
	if err := p.readAdoptions(ctx); err != nil {
		return err
	}
	for _, cell := range keysOf(p.adoptions) {
		p.setEpochs(cell, epochs{parasitic: p.parasiticEpochs(cell)})
	}
	for cell, all := range byCell {
		p.judgeCell(cell, all)
	}
	runs, err := p.store.ReadRuns(ctx, all)
	if err != nil {
		return err
	}
	for _, row := range runs {
		if row.CodeVersion == CodeVersion {
			r := runOf(row)
			p.runs[r.ID] = r
		}
	}
	sessions, err := p.store.ReadSessions(ctx)
	if err != nil {
		return err
	}
	for _, s := range sessions {
		p.dirty[refrun.Session{Cell: fleet.CellID(s.CellID), Car: fleet.CarID(s.CarID), Name: s.Session}] = true
	}
	if err := p.readCarries(ctx); err != nil {
		return err
	}
	since, err := p.store.NeighboursSince(ctx, CodeVersion)
	if err != nil {
		return err
	}
	p.stirredSince = since
	// Flags are written anew even when no run is: a closing may have been
	// signed while nobody computed.
	if len(p.runs) > 0 || len(p.dirty) > 0 || len(byCell) > 0 {
		p.touchFleet(p.config.FleetDelay)
	}
	p.log.Info("history read", zap.Int("checks", len(checks)), zap.Int("runs", len(p.runs)), zap.Int("sessions_to_assemble", len(p.dirty)))
	return nil
}

// everything is the limit of lists that are read whole.
const everything = 10_000_000

// sweep queues what the store holds and was not computed with this code.
func (p *Pipeline) sweep(ctx context.Context) error {
	checks, err := p.store.ChecksAwaitingComputation(ctx, CodeVersion, everything)
	if err != nil {
		return err
	}
	for _, c := range checks {
		p.arrived.add(fleet.CheckID(c.CheckID))
	}
	// Another replica may have taken an adoption.
	if err := p.adopt(ctx); err != nil {
		return err
	}
	// A loss that was adopted is computed before the pulls that rest on it.
	for _, cell := range keysOf(p.adoptions) {
		for _, a := range p.adoptions[cell] {
			if _, there := p.losses[fleet.PullID(a.PullID)]; !there {
				p.queue.add(fleet.PullID(a.PullID))
			}
		}
	}
	pulls, err := p.store.PullsAwaitingComputation(ctx, CodeVersion, everything)
	if err != nil {
		return err
	}
	for _, row := range pulls {
		p.queue.add(fleet.PullID(row.PullID))
	}
	// A loss may have been carried through another replica.
	if err := p.readCarries(ctx); err != nil {
		return err
	}
	carries, err := p.store.CarriesAwaitingComputation(ctx, CodeVersion)
	if err != nil {
		return err
	}
	for _, id := range carries {
		p.queue.add(fleet.PullID(id))
	}
	p.metrics.pending.Set(float64(p.queue.len()))
	p.known.Lock()
	p.swept = true
	p.known.Unlock()
	return nil
}

// Recompute empties every computed table and fills it from the raw ones.
func (p *Pipeline) Recompute(ctx context.Context, progress func(stage string, done, total uint64) error) error {
	p.records.Lock()
	defer p.records.Unlock()
	p.comparing.Lock()
	defer p.comparing.Unlock()
	if err := p.store.ClearComputed(ctx); err != nil {
		return err
	}
	p.forget()
	if err := p.sweep(ctx); err != nil {
		return err
	}
	stages := []struct {
		name string
		left func() int
		work func(context.Context) error
	}{
		{"checks", p.arrived.len, p.checksRoom},
		{"pulls", p.queue.len, p.recordsRoom},
	}
	for _, s := range stages {
		total := s.left()
		for {
			left := s.left()
			total = max(total, left)
			if err := progress(s.name, uint64(total-left), uint64(total)); err != nil {
				return err
			}
			if left == 0 {
				break
			}
			if err := s.work(ctx); err != nil {
				return err
			}
		}
	}
	if err := progress("fleet", 0, 1); err != nil {
		return err
	}
	if err := p.fleetRoom(ctx); err != nil {
		return err
	}
	return progress("fleet", 1, 1)
}

// RegistryChanged queues every record that the change can touch.
func (p *Pipeline) RegistryChanged(ctx context.Context, cells []fleet.CellID, cars []fleet.CarID, sites []fleet.SiteID, masses bool, from time.Time) error {
	p.records.Lock()
	defer p.records.Unlock()
	touched := map[fleet.CellID]bool{}
	for _, c := range cells {
		touched[c] = true
	}
	now := p.registry.At(time.Unix(1<<40, 0))
	for _, c := range now.Cells {
		// A site's gravity and a check mass act on checks, and through their
		// calibrations on pulls.
		if masses || slices.Contains(sites, c.Site) {
			touched[c.ID] = true
		}
	}
	p.known.Lock()
	for cell := range touched {
		for _, c := range p.checks[cell] {
			p.arrived.add(c.Check.ID)
		}
	}
	p.known.Unlock()
	if len(touched) > 0 {
		if err := p.queueFrom(ctx, store.Filter{Cells: keys(touched), From: from, Limit: everything}); err != nil {
			return err
		}
	}
	for _, car := range cars {
		if err := p.queueFrom(ctx, store.Filter{Car: car, From: from, Limit: everything}); err != nil {
			return err
		}
	}
	if len(cells) > 0 || len(sites) > 0 {
		// A cell may be of another site from then on.
		p.known.Lock()
		since := from
		if !since.IsZero() {
			since = since.Add(-around)
		}
		if !p.stirredAll || since.Before(p.stirredSince) {
			p.stirredAll, p.stirredSince = true, since
		}
		p.known.Unlock()
	}
	p.touchFleet(p.config.FleetDelay) // tolerances act on flags alone
	poke(p.wake)
	return nil
}

func keys(m map[fleet.CellID]bool) []fleet.CellID {
	out := make([]fleet.CellID, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// queueFrom queues the pulls and coast-downs that a filter names.
func (p *Pipeline) queueFrom(ctx context.Context, f store.Filter) error {
	pulls, err := p.store.ListPulls(ctx, store.PullFilter{Filter: f})
	if err != nil {
		return err
	}
	for _, row := range pulls {
		p.queue.add(fleet.PullID(row.PullID))
	}
	return nil
}

// Idle says whether everything that was handed over or found has been computed.
func (p *Pipeline) Idle() bool {
	p.records.Lock()
	defer p.records.Unlock()
	p.comparing.Lock()
	defer p.comparing.Unlock()
	p.known.Lock()
	defer p.known.Unlock()
	return p.swept && !p.adopting && p.queue.len() == 0 && p.arrived.len() == 0 && len(p.dirty) == 0 && p.fleetDue.IsZero()
}
