package notice

import (
	"cmp"
	"context"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	mrand "math/rand/v2"
	"os"
	"slices"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"go.uber.org/zap"

	"rollcall/services/fleet"
	"rollcall/services/store"
)

// Registry is what notices need of the registry.
type Registry interface {
	At(t time.Time) fleet.Registry
	// EffectiveAt returns from when a cell's entry in force at t holds.
	EffectiveAt(cell fleet.CellID, t time.Time) time.Time
}

// Times of the machinery.
const (
	defaultPoll  = 10 * time.Second
	defaultLease = time.Minute
	firstPause   = 10 * time.Second
	longestPause = time.Hour
)

// Service watches and tells. Make it with New, run it with Run.
type Service struct {
	config   Config
	store    *store.Store
	registry Registry
	now      func() time.Time
	log      *zap.Logger
	metrics  metrics
	replica  string

	// Settled, when set, says that the flags are those of all that is known, not
	// those of a computation under way.
	Settled func() bool

	// poll is how often is looked; lease is how long a replica's sign of life
	// holds.
	poll, lease time.Duration
	timeout     time.Duration // of one sending

	// turn is held while this replica's sign of life is renewed.
	turn    sync.Mutex
	renewed time.Time // monotonic; zero: no sign given
	mine    bool
	looked  bool // this replica's turn was seen in two rounds one after the other

	// The rest is of the round under way, and empty while it is not this
	// replica's turn.
	wellSince      time.Time // from when every round went well
	unsettledSince time.Time
	candidates     map[string]string
	latest         map[string]store.NoticeChangeRow
	receivers      map[string]*told
	unnoted        []store.NoticeDeliveryRow
	noting         sync.Mutex
}

// told is what a receiver knows.
type told struct {
	Receiver
	added     time.Time
	told      map[string]store.NoticeTold
	sent      map[string]time.Time // last, by site
	trouble   map[string]trouble   // by site
	refreshed time.Time
}

// trouble is that a notice could not be sent.
type trouble struct {
	since, retryAt time.Time
	times          int
}

// New returns a service that does nothing until Run.
func New(c Config, s *store.Store, r Registry, now func() time.Time, log *zap.Logger, reg prometheus.Registerer) *Service {
	id := make([]byte, 6)
	_, _ = rand.Read(id) // It does not fail.
	host, _ := os.Hostname()
	n := &Service{
		config: c, store: s, registry: r, now: now, log: log.Named("notice"), metrics: newMetrics(reg), replica: host + "-" + hex.EncodeToString(id),
		poll: defaultPoll, lease: defaultLease, timeout: sendTimeout,
	}
	return n
}

// Run tells until ctx ends. Without receivers it returns at once.
func (s *Service) Run(ctx context.Context) error {
	if len(s.config.Receivers) == 0 {
		return nil
	}
	tick := time.NewTicker(s.poll)
	defer tick.Stop()
	for {
		if err := s.round(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("notices not looked after, trying again", zap.Error(err), zap.Bool("store_away", errors.Is(err, store.ErrUnavailable)))
		}
		select {
		case <-ctx.Done():
			s.leave()
			return nil
		case <-tick.C:
		}
	}
}

// leave lets another replica send at once.
func (s *Service) leave() {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if s.renewed.IsZero() {
		return
	}
	if _, err := s.store.NoticeTurn(ctx, s.replica, true, s.lease); err != nil {
		s.log.Debug("leaving not noted", zap.Error(err))
	}
}

// round looks once and sends what is due, when it is this replica's turn.
func (s *Service) round(ctx context.Context) (err error) {
	now := s.now().UTC()
	defer func() {
		if err != nil {
			s.wellSince, s.candidates = time.Time{}, nil
		}
	}()
	if s.wellSince.IsZero() {
		s.wellSince = now
	}
	if err := s.flush(ctx); err != nil {
		return err
	}
	mine, err := s.myTurn(ctx, 0)
	if err != nil {
		return err
	}
	if !mine {
		s.looked, s.latest, s.candidates, s.receivers = false, nil, nil, nil
		return nil
	}
	// Two replicas that start at the same moment see each other by now.
	if !s.looked {
		s.looked = true
		return nil
	}
	if s.latest == nil {
		if s.latest, s.receivers, err = s.load(ctx); err != nil {
			s.latest = nil
			return err
		}
	}
	if err := s.note(ctx, now); err != nil {
		return err
	}
	if err := s.addReceivers(ctx, now); err != nil {
		return err
	}
	var all sync.WaitGroup
	waiting := make([]int, len(s.config.Receivers))
	for i, c := range s.config.Receivers {
		all.Go(func() { waiting[i] = s.tell(ctx, s.receivers[c.Name], now) })
	}
	all.Wait()
	for i, c := range s.config.Receivers {
		s.metrics.waiting.WithLabelValues(c.Name).Set(float64(waiting[i]))
	}
	return nil
}

// myTurn says whether this replica sends. Its sign of life is renewed when the
// last one is older than age.
func (s *Service) myTurn(ctx context.Context, age time.Duration) (bool, error) {
	s.turn.Lock()
	defer s.turn.Unlock()
	if !s.renewed.IsZero() && time.Since(s.renewed) < age {
		return s.mine, nil
	}
	began := time.Now()
	live, err := s.store.NoticeTurn(ctx, s.replica, false, s.lease)
	if err != nil {
		return false, err
	}
	s.renewed, s.mine = began, len(live) > 0 && live[0] == s.replica
	return s.mine, nil
}

// maySend says whether there is time for one sending before another replica
// could take over.
func (s *Service) maySend(ctx context.Context) bool {
	mine, err := s.myTurn(ctx, s.lease/4)
	if err != nil || !mine {
		return false
	}
	s.turn.Lock()
	defer s.turn.Unlock()
	return time.Since(s.renewed)+s.timeout < s.lease
}

// load reads what was noted and told.
func (s *Service) load(ctx context.Context) (map[string]store.NoticeChangeRow, map[string]*told, error) {
	rows, err := s.store.LatestNoticeChanges(ctx)
	if err != nil {
		return nil, nil, err
	}
	latest := make(map[string]store.NoticeChangeRow, len(rows))
	for _, row := range rows {
		latest[row.Subject] = row
	}
	receivers := map[string]*told{}
	for _, r := range s.config.Receivers {
		receivers[r.Name] = &told{Receiver: r, told: map[string]store.NoticeTold{}, sent: map[string]time.Time{}, trouble: map[string]trouble{}}
	}
	tells, err := s.store.NoticesTold(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, t := range tells {
		if r := receivers[t.Receiver]; r != nil {
			r.told[t.Subject] = t
		}
	}
	times, err := s.store.NoticesLast(ctx)
	if err != nil {
		return nil, nil, err
	}
	for _, t := range times {
		r := receivers[t.Receiver]
		if r == nil {
			continue
		}
		if t.SiteID == "" && !t.Added.IsZero() {
			r.added = t.Added
		}
		if !t.Sent.IsZero() {
			r.sent[t.SiteID] = t.Sent
		}
	}
	return latest, receivers, nil
}

// addReceivers notes receivers that are new.
func (s *Service) addReceivers(ctx context.Context, now time.Time) error {
	var rows []store.NoticeDeliveryRow
	for _, c := range s.config.Receivers {
		if r := s.receivers[c.Name]; r.added.IsZero() {
			rows = append(rows, store.NoticeDeliveryRow{At: now, Receiver: c.Name, Outcome: store.NoticeAdded, Replica: s.replica})
		}
	}
	if err := s.store.AppendNoticeDeliveries(ctx, rows); err != nil {
		return err
	}
	for _, row := range rows {
		s.receivers[row.Receiver].added = now
	}
	return nil
}

// pending returns what a receiver is to be told of, by site, and what is
// settled without.
func pending(latest map[string]store.NoticeChangeRow, r *told) (bySite map[string][]store.NoticeChangeRow, settled []store.NoticeChangeRow) {
	bySite = map[string][]store.NoticeChangeRow{}
	for _, subject := range sorted(latest) {
		c := latest[subject]
		t := r.told[subject]
		if c.Ordinal <= t.Ordinal || len(r.Sites) > 0 && !slices.Contains(r.Sites, c.SiteID) {
			continue
		}
		switch {
		case c.State == t.TellState:
			settled = append(settled, c)
		case c.WantsAction || isOpen(t.TellState):
			if !c.Quiet || c.WantsAction {
				bySite[c.SiteID] = append(bySite[c.SiteID], c)
			}
		case c.Quiet || c.SeenAt.Before(r.added):
			// Past when the receiver was added, or never open for anybody.
		case c.FlagID != "" && c.Ordinal > 1:
			// Opened and closed while the receiver was not reached.
			bySite[c.SiteID] = append(bySite[c.SiteID], c)
		default:
			settled = append(settled, c)
		}
	}
	return bySite, settled
}

// tell sends a receiver what is due and returns how many changes wait.
func (s *Service) tell(ctx context.Context, r *told, now time.Time) (waiting int) {
	bySite, settled := pending(s.latest, r)
	if len(settled) > 0 {
		row := deliveryOf(settled, r.Name, keyOf("settled", r.Name, now.String()), store.NoticeSettled, "it came back before it was told", now, s.replica)
		row.SiteID = settled[0].SiteID
		if err := s.deliver(ctx, []store.NoticeDeliveryRow{row}); err != nil {
			s.log.Warn("settled changes not noted", zap.String("receiver", r.Name), zap.Error(err))
		}
	}
	unreached := false
	for _, site := range sorted(bySite) {
		changes := bySite[site]
		waiting += len(changes)
		oldest := slices.MinFunc(changes, func(a, b store.NoticeChangeRow) int { return a.SeenAt.Compare(b.SeenAt) }).SeenAt
		if unreached || now.Sub(oldest) < s.config.Gather || now.Sub(r.sent[site]) < s.config.Interval || now.Before(r.trouble[site].retryAt) {
			continue
		}
		if !s.maySend(ctx) {
			break
		}
		err := s.sendSite(ctx, r, site, changes, now)
		var refused *Refusal
		switch {
		case err == nil:
			waiting -= len(changes)
		case !errors.As(err, &refused):
			// Nobody is there: the other sites' notices need not find out too.
			unreached = true
		}
	}
	s.refresh(ctx, r, now)
	return waiting
}

// sendSite sends one notice and notes what became of it.
func (s *Service) sendSite(ctx context.Context, r *told, site string, changes []store.NoticeChangeRow, now time.Time) error {
	items := make([]Item, len(changes))
	for i, c := range changes {
		items[i] = itemOf(c, r.told[c.Subject].TellState, s.config.PagesURL)
	}
	n := newNotice(r.Name, site, s.registry.At(now).Sites[fleet.SiteID(site)].Name, items, now)
	answer, err := s.send(ctx, r.Receiver, n)
	if ctx.Err() != nil && err != nil {
		return err // The service is ending; nothing is known.
	}
	outcome := store.NoticeSent
	if err != nil {
		t := r.trouble[site]
		if t.times == 0 {
			t.since = now
		}
		t.times++
		t.retryAt = now.Add(pause(t.times, err))
		outcome, answer = store.NoticeFailed, short(err.Error())
		if now.Sub(t.since) >= s.config.GiveUpAfter {
			outcome, t = store.NoticeGivenUp, trouble{}
			s.metrics.givenUp.WithLabelValues(r.Name).Inc()
			s.log.Error("notice given up", zap.String("receiver", r.Name), zap.String("site", site), zap.Int("changes", len(changes)), zap.String("answer", answer))
		} else {
			s.metrics.failed.WithLabelValues(r.Name).Inc()
			s.log.Warn("notice not taken, trying again", zap.String("receiver", r.Name), zap.String("site", site), zap.Time("again_at", t.retryAt), zap.String("answer", answer))
		}
		r.trouble[site] = t
	} else {
		s.metrics.sent.WithLabelValues(r.Name).Inc()
		s.log.Info("notice sent", zap.String("receiver", r.Name), zap.String("site", site), zap.Int("changes", len(changes)), zap.String("key", n.Key))
		delete(r.trouble, site)
		r.sent[site] = now
	}
	row := deliveryOf(changes, r.Name, n.Key, outcome, answer, now, s.replica)
	row.SiteID = site
	if noting := s.deliver(ctx, []store.NoticeDeliveryRow{row}); noting != nil {
		s.log.Warn("what became of a notice not noted, trying again", zap.String("receiver", r.Name), zap.Error(noting))
	}
	return err
}

// send sends within the time allowed.
func (s *Service) send(ctx context.Context, r Receiver, n Notice) (string, error) {
	out, err := r.sender()
	if err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	return out.send(ctx, n)
}

// pause is how long is waited after so many failures: twice as long each time,
// a fifth more or less by chance, and not less than the receiver asked for.
func pause(times int, err error) time.Duration {
	p := min(firstPause<<min(times-1, 20), longestPause)
	p += time.Duration((mrand.Float64() - 0.5) * 0.4 * float64(p))
	var refused *Refusal
	if errors.As(err, &refused) {
		p = max(p, min(refused.RetryAfter, 6*longestPause))
	}
	return p
}

// refresh tells a receiver that forgets what stands open, again.
func (s *Service) refresh(ctx context.Context, r *told, now time.Time) {
	if r.Alertmanager == nil {
		return
	}
	out, err := r.sender()
	if err != nil {
		return // Told where a notice is sent.
	}
	again, ok := out.(refreshed)
	if !ok || now.Sub(r.refreshed) < again.refreshEvery() || !s.maySend(ctx) {
		return
	}
	var open []Item
	for _, subject := range sorted(s.latest) {
		if c := s.latest[subject]; c.WantsAction && r.told[subject].TellState == c.State {
			open = append(open, itemOf(c, c.State, s.config.PagesURL))
		}
	}
	r.refreshed = now
	ctx, cancel := context.WithTimeout(ctx, s.timeout)
	defer cancel()
	if err := again.refresh(ctx, open, now); err != nil {
		s.metrics.failed.WithLabelValues(r.Name).Inc()
		s.log.Warn("what stands open not posted again", zap.String("receiver", r.Name), zap.Error(err))
	}
}

func deliveryOf(changes []store.NoticeChangeRow, receiver, key, outcome, answer string, now time.Time, replica string) store.NoticeDeliveryRow {
	row := store.NoticeDeliveryRow{At: now, Receiver: receiver, NoticeKey: key, Outcome: outcome, Answer: answer, Replica: replica}
	for _, c := range changes {
		row.Subject = append(row.Subject, c.Subject)
		row.Ordinal = append(row.Ordinal, c.Ordinal)
		row.State = append(row.State, c.State)
	}
	return row
}

// deliver notes what became of notices, at once in memory, and in the store now
// or as soon as it is there again.
func (s *Service) deliver(ctx context.Context, rows []store.NoticeDeliveryRow) error {
	if len(rows) == 0 {
		return nil
	}
	for _, row := range rows {
		if row.Outcome == store.NoticeFailed {
			continue
		}
		r := s.receivers[row.Receiver]
		for i, subject := range row.Subject {
			t := r.told[subject]
			t.Ordinal = row.Ordinal[i]
			if row.Outcome == store.NoticeSent || row.Outcome == store.NoticeCarried {
				t.TellState = row.State[i]
			}
			r.told[subject] = t
		}
	}
	s.noting.Lock()
	defer s.noting.Unlock()
	s.unnoted = append(s.unnoted, rows...)
	return s.flushLocked(ctx)
}

func (s *Service) flush(ctx context.Context) error {
	s.noting.Lock()
	defer s.noting.Unlock()
	return s.flushLocked(ctx)
}

// flushLocked writes what is not noted yet. The service's end does not cut it
// short: what was sent must be known.
func (s *Service) flushLocked(ctx context.Context) error {
	if len(s.unnoted) == 0 {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := s.store.AppendNoticeDeliveries(ctx, s.unnoted); err != nil {
		return fmt.Errorf("note what became of notices: %w", err)
	}
	s.unnoted = nil
	return nil
}

func sorted[K cmp.Ordered, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }

func sorted2[K cmp.Ordered, V cmp.Ordered](m map[K]V) []V { return slices.Sorted(maps.Values(m)) }
