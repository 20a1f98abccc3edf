// Package query answers the FleetService from the store: what the pages, the
// reading commands and other programs read. It computes nothing but, when asked,
// a comparison of pulls, degrees of equivalence or a rotation of the reference cars.
package query

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/access"
	"rollcall/services/compute/correction"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/show"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// Registry is what query needs of the registry.
type Registry interface {
	At(t time.Time) fleet.Registry
	// Turns returns the times from which another registry holds, rising.
	Turns() []time.Time
}

// Server serves the FleetService.
type Server struct {
	pb.UnimplementedFleetServiceServer
	store    *store.Store
	registry Registry
	now      func() time.Time
	next     planned

	// Document returns the registry at a time as its YAML file.
	Document func(at time.Time) []byte
	// Reduce computes pulls anew from their samples, in the order asked for.
	Reduce func(ctx context.Context, ids []fleet.PullID) ([]pipeline.Reduced, error)
	// State returns the fleet as it was last compared.
	State func(ctx context.Context) (pipeline.State, error)
	// Sweeps computes all sweeps of a record anew.
	Sweeps func(ctx context.Context, id fleet.PullID) (pipeline.Sweeps, error)
}

// New returns a server.
func New(s *store.Store, r Registry, now func() time.Time) *Server {
	return &Server{store: s, registry: r, now: now}
}

// mayRead refuses whoever may not read.
func mayRead(ctx context.Context) error {
	if id := access.FromContext(ctx); !id.MayRead() {
		return access.Denied("%s may not read the fleet; a person's certificate is needed", id)
	}
	return nil
}

// latest returns the registry with everything recorded so far, also what takes
// effect only later.
func (s *Server) latest() fleet.Registry { return s.registry.At(time.Unix(1<<40, 0)) }

// filter translates a request's filter.
func (s *Server) filter(f *pb.Filter) (store.Filter, error) {
	out := store.Filter{Car: fleet.CarID(f.GetCarId()), Limit: int(f.GetLimit())}
	for field, t := range map[string]*timestamppb.Timestamp{"filter.from": f.GetFrom(), "filter.until": f.GetUntil()} {
		if t != nil && t.CheckValid() != nil {
			return out, &wire.FieldError{Field: field, Reason: "is no time between the years 1 and 9999"}
		}
	}
	if f.GetFrom() != nil {
		out.From = f.From.AsTime()
	}
	if f.GetUntil() != nil {
		out.Until = f.Until.AsTime()
	}
	if !out.From.IsZero() && !out.Until.IsZero() && !out.From.Before(out.Until) {
		return out, &wire.FieldError{Field: "filter.until", Reason: "is not after from; nothing lies between"}
	}
	if f.GetCellId() == "" && f.GetSiteId() == "" {
		return out, nil
	}
	r := s.latest()
	if id := fleet.SiteID(f.GetSiteId()); id != "" {
		if _, ok := r.Sites[id]; !ok {
			return out, fmt.Errorf("site %q is not in the registry: %w", id, store.ErrNotFound)
		}
		out.Cells = []fleet.CellID{}
		for _, c := range r.Cells {
			if c.Site == id {
				out.Cells = append(out.Cells, c.ID)
			}
		}
		slices.Sort(out.Cells)
	}
	if id := fleet.CellID(f.GetCellId()); id != "" {
		if _, ok := r.Cells[id]; !ok {
			return out, fmt.Errorf("cell %q is not in the registry: %w", id, store.ErrNotFound)
		}
		if out.Cells != nil && !slices.Contains(out.Cells, id) {
			out.Cells = []fleet.CellID{}
		} else {
			out.Cells = []fleet.CellID{id}
		}
	}
	return out, nil
}

// ListCells returns where every cell of the registry stands.
func (s *Server) ListCells(ctx context.Context, req *pb.ListCellsRequest) (*pb.ListCellsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	every := f
	every.Limit = everything
	r := s.latest()
	expected := len(r.Cells)
	if f.Cells != nil {
		expected = len(f.Cells)
	}
	var (
		estimates []store.OffsetRow
		checks    []store.VerdictRow
		flags     []store.FlagRow
		beats     map[fleet.CellID]store.HeartbeatRow
		intervals []store.IntervalRow
	)
	// None of it waits for the other.
	all, gone := errgroup.WithContext(ctx)
	all.Go(func() (err error) {
		estimates, err = s.store.ListOffsetsLatest(gone, every, s.now(), expected)
		return err
	})
	all.Go(func() (err error) { checks, err = s.store.ListVerdictsLatest(gone, every); return err })
	all.Go(func() (err error) {
		flags, err = s.store.ListFlags(gone, store.Filter{Cells: f.Cells, Limit: everything}, false)
		return err
	})
	all.Go(func() (err error) { beats, err = s.store.LatestHeartbeats(gone); return err })
	all.Go(func() (err error) {
		intervals, err = s.store.ListIntervals(gone, store.Filter{Cells: f.Cells, Limit: everything})
		return err
	})
	if err := all.Wait(); err != nil {
		return nil, err
	}
	byCell := map[fleet.CellID]store.OffsetRow{}
	for _, e := range estimates {
		byCell[fleet.CellID(e.CellID)] = e
	}
	lastCheck := map[fleet.CellID]store.VerdictRow{}
	// Of the newest check of each kind the worst counts: a zero check that
	// passed does not undo dead weights that failed.
	for _, c := range checks {
		if fleet.CheckKind(c.Kind) == fleet.CheckBaseInertia {
			continue // of the rollers
		}
		if old, ok := lastCheck[fleet.CellID(c.CellID)]; !ok || severity(c.Verdict) > severity(old.Verdict) {
			lastCheck[fleet.CellID(c.CellID)] = c
		}
	}
	open := map[fleet.CellID][]store.FlagRow{}
	for _, g := range flags {
		if g.CellID != "" {
			open[fleet.CellID(g.CellID)] = append(open[fleet.CellID(g.CellID)], g)
		}
	}
	due := map[fleet.CellID]time.Time{}
	for _, i := range intervals { // the earliest come first
		if id := fleet.CellID(i.CellID); i.DueAt != nil && i.Asked && due[id].IsZero() {
			due[id] = *i.DueAt
		}
	}
	out := &pb.ListCellsResponse{}
	for _, c := range r.Cells {
		if f.Cells != nil && !slices.Contains(f.Cells, c.ID) {
			continue
		}
		status := &pb.CellStatus{
			CellId: string(c.ID), SiteId: string(c.Site), Name: c.Name, SiteName: r.Sites[c.Site].Name, Tolerance: c.Tolerance,
			SiteZone: r.Sites[c.Site].Zone,
		}
		e, ok := byCell[c.ID]
		if f.Car != "" && !ok {
			continue
		}
		if ok {
			status.Offset, status.ExpandedUncertainty = &e.Offset, &e.OffsetU
			status.NotSeparable, status.Runs, status.LastRunAt = e.NotSeparable, e.Runs, stamp(e.At)
			status.CusumHigh, status.CusumLow, status.CusumLimit = e.CusumHigh, e.CusumLow, e.CusumLimit
			status.Evidence, status.EvidenceLimit, status.Beyond = e.Evidence, e.EvidenceLimit, e.Beyond
			status.CrossingAt, status.CrossingEarliestAt, status.CrossingLatestAt = stampOr(e.CrossingAt), stampOr(e.CrossingEarliestAt), stampOr(e.CrossingLatestAt)
		}
		if k, ok := lastCheck[c.ID]; ok {
			status.LastCheckAt, status.LastCheckVerdict = stamp(k.PerformedAt), k.Verdict
		}
		if at := due[c.ID]; !at.IsZero() {
			status.CheckDueAt, status.CheckOverdue = stamp(at), s.now().After(at)
		}
		if g, ok := pickFlag(open[c.ID]); ok {
			status.FlagId, status.FlagKind = g.FlagID, g.Kind
			if causes := g.Causes(); len(causes) > 0 {
				status.Cause, status.CauseProbability = causes[0].Fault, causes[0].Probability
			}
			status.StandingAgainst = standingAgainst(g, status.LastCheckVerdict)
		}
		if b, ok := beats[c.ID]; ok {
			status.AgentSeenAt, status.AgentSpoolMessages = stamp(b.SentAt), b.SpoolMessages
		}
		out.Cells = append(out.Cells, status)
	}
	slices.SortFunc(out.Cells, func(a, b *pb.CellStatus) int {
		if c := strings.Compare(a.SiteId, b.SiteId); c != 0 {
			return c
		}
		return strings.Compare(a.CellId, b.CellId)
	})
	if limit := int(req.GetFilter().GetLimit()); limit > 0 && len(out.Cells) > limit {
		out.Cells = out.Cells[:limit]
	}
	return out, nil
}

// severity orders verdicts from pass to fail; an unusable check is worse than
// one that passed and better than one that failed.
func severity(verdict string) int {
	return slices.Index([]string{
		fleet.VerdictPass.String(), fleet.VerdictConditionalPass.String(), fleet.VerdictUnusable.String(),
		fleet.VerdictConditionalFail.String(), fleet.VerdictFail.String(),
	}, verdict)
}

// everything is the limit of lists that are read whole.
const everything = 1_000_000

// oneMore asks for one row more than wanted and returns how many are wanted.
func oneMore(f *store.Filter) int {
	asked := f.Limit
	if asked <= 0 {
		asked = store.DefaultLimit
	}
	f.Limit = asked + 1
	return asked
}

// cut takes off what oneMore asked for too many, and says whether it was there.
func cut[T any](rows []T, asked int) ([]T, bool) {
	if len(rows) > asked {
		return rows[:asked], true
	}
	return rows, false
}

// ListFlags returns flags, newest first.
func (s *Server) ListFlags(ctx context.Context, req *pb.ListFlagsRequest) (*pb.ListFlagsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	asked := oneMore(&f)
	var rows []store.FlagRow
	if req.FlagId == "" {
		rows, err = s.store.ListFlags(ctx, f, req.IncludeClosed)
	} else {
		rows, err = s.oneFlag(ctx, req.FlagId)
	}
	if err != nil {
		return nil, err
	}
	rows, more := cut(rows, asked)
	ids := make([]fleet.FlagID, len(rows))
	for i, r := range rows {
		ids[i] = fleet.FlagID(r.FlagID)
	}
	harm, err := s.store.ReadHarm(ctx, ids)
	if err != nil {
		return nil, err
	}
	var touched map[fleet.FlagID][]store.TouchedRow
	if !req.Counted {
		if touched, err = s.store.ReadTouched(ctx, ids); err != nil {
			return nil, err
		}
	}
	out := &pb.ListFlagsResponse{More: more}
	for _, r := range rows {
		g := &pb.Flag{
			FlagId: r.FlagID, CellId: r.CellID, CarId: r.CarID, Kind: r.Kind, Open: r.Open,
			FirstEvidenceAt: stamp(r.FirstEvidenceAt), OpenedAt: stamp(r.OpenedAt), UpdatedAt: stamp(r.UpdatedAt),
			ClosedReason: r.ClosedReason, ClosedBy: r.ClosedBy, Size: r.Size, ExpandedUncertainty: r.SizeU,
			NextCheck: r.NextCheck, Evidence: r.Evidence,
		}
		if r.ClosedAt != nil {
			g.ClosedAt = stamp(*r.ClosedAt)
		}
		if r.DueAt != nil {
			g.DueAt = stamp(*r.DueAt)
		}
		for _, c := range r.Causes() {
			g.Causes = append(g.Causes, &pb.Cause{Fault: c.Fault, Probability: c.Probability, Size: c.Size, ExpandedUncertainty: c.SizeU, SizeUnit: c.Unit})
		}
		if h, ok := harm[fleet.FlagID(r.FlagID)]; ok {
			g.TouchedCount, g.MostEffect, g.MostEffectExpandedUncertainty = h.Pulls, h.Effect, h.EffectU
		}
		for _, t := range touched[fleet.FlagID(r.FlagID)] {
			g.TouchedPulls = append(g.TouchedPulls, &pb.TouchedPull{
				PullId: t.PullID, StartedAt: stamp(t.StartedAt), CustomerCar: t.CustomerCar, Effect: t.Effect, ExpandedUncertainty: t.EffectU,
			})
		}
		out.Flags = append(out.Flags, g)
	}
	if err := s.restated(ctx, out.Flags, !req.Counted); err != nil {
		return nil, err
	}
	return out, s.deeds(ctx, out.Flags)
}

// oneFlag returns a flag as a list of one.
func (s *Server) oneFlag(ctx context.Context, id string) ([]store.FlagRow, error) {
	row, found, err := s.store.ReadFlag(ctx, fleet.FlagID(id))
	switch {
	case err != nil:
		return nil, err
	case !found:
		return nil, fmt.Errorf("flag %s: %w", clip(id), store.ErrNotFound)
	}
	return []store.FlagRow{row}, nil
}

// CountPulls says how many pulls each cell made.
func (s *Server) CountPulls(ctx context.Context, req *pb.CountPullsRequest) (*pb.CountPullsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.CountPulls(ctx, f)
	if err != nil {
		return nil, err
	}
	out := &pb.CountPullsResponse{}
	for _, r := range rows {
		out.Counts = append(out.Counts, &pb.PullCount{CellId: r.CellID, Pulls: r.Pulls, Unusable: r.Unusable, InDoubt: r.InDoubt})
	}
	return out, nil
}

// ListPulls returns pulls and coast-downs with their headline figures, newest
// first. Those that have not ended or were not computed yet are among them.
func (s *Server) ListPulls(ctx context.Context, req *pb.ListPullsRequest) (*pb.ListPullsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	asked := oneMore(&f)
	begins, err := s.store.ListPulls(ctx, store.PullFilter{Filter: f})
	if err != nil {
		return nil, err
	}
	begins, more := cut(begins, asked)
	// The curves of the same stretch of time; a record without one is pending.
	if len(begins) > 0 {
		f.From, f.Until = begins[len(begins)-1].StartedAt, begins[0].StartedAt.Add(time.Nanosecond)
	}
	f.Limit = everything
	curves, err := s.store.ListCurves(ctx, store.PullFilter{Filter: f})
	if err != nil {
		return nil, err
	}
	f.Car = ""
	coastDowns, err := s.store.ReadCoastDowns(ctx, f)
	if err != nil {
		return nil, err
	}
	byID := map[string]*pb.Pull{}
	for i := range curves {
		byID[curves[i].PullID] = fromCurve(&curves[i])
	}
	for i := range coastDowns {
		byID[coastDowns[i].PullID] = fromCoastDown(&coastDowns[i])
	}
	out := &pb.ListPullsResponse{More: more}
	for _, b := range begins {
		p := byID[b.PullID]
		if p == nil {
			p = announced(b)
		}
		out.Pulls = append(out.Pulls, p)
	}
	if err := s.told(ctx, out.Pulls); err != nil {
		return nil, err
	}
	return out, nil
}

// announced returns a pull of which nothing is computed.
func announced(b store.PullRow) *pb.Pull {
	return &pb.Pull{
		PullId: b.PullID, CellId: b.CellID, Kind: fleet.Kind(b.Kind).String(), StartedAt: stamp(b.StartedAt), CarId: b.CarID,
		CustomerCar: b.CustomerCar, SetUp: b.SetUp, Label: b.Label, Session: b.Session, State: store.StateIncomplete, Reason: "not ended or not computed yet",
	}
}

func fromCoastDown(r *store.CoastDownRow) *pb.Pull {
	p := &pb.Pull{
		PullId: r.PullID, CellId: r.CellID, Kind: fleet.KindEmptyCoastDown.String(), StartedAt: stamp(r.StartedAt),
		State: r.State, Reason: r.Reason, Epoch: r.Epoch, CodeVersion: r.CodeVersion,
		BaseInertiaEpoch: r.BaseInertiaEpoch, ParasiticEpoch: r.ParasiticEpoch,
	}
	if r.DeltaForce != nil && r.DeltaForceU != nil && r.MidSpeed != nil {
		p.Reason = fmt.Sprintf("parasitic loss %s N ± %.1f N against the one in force at %.1f m/s", show.Signed(*r.DeltaForce, 1), *r.DeltaForceU, *r.MidSpeed)
	}
	return p
}

func fromCurve(r *store.CurveRow) *pb.Pull {
	p := &pb.Pull{
		PullId: r.PullID, CellId: r.CellID, Kind: fleet.Kind(r.Kind).String(), StartedAt: stamp(r.StartedAt), CarId: r.CarID,
		CustomerCar: r.CustomerCar, SetUp: r.SetUp, Label: r.Label, Session: r.Session, State: r.State, Reason: r.Reason,
		Correction: r.Correction, CorrectionFactor: r.CorrectionFactor, CorrectionInRange: r.CorrectionInRange,
		PeakWheelPowerW: r.PeakWheelPower, PeakEnginePowerW: r.PeakEnginePower, PeakEnginePowerExpandedUncertaintyW: r.PeakEnginePowerU,
		PeakEngineSpeedRadS: r.PeakEnginePowerEngineSpeed, PeakEngineTorqueNm: r.PeakEngineTorque,
		PeakCorrectedPowerW: r.PeakCorrectedPower, PeakCorrectedPowerExpandedUncertaintyW: r.PeakCorrectedPowerU,
		CorrectionNote: r.CorrectionNote, PeakNote: peakNote(r),
		Epoch: r.Epoch, BaseInertiaEpoch: r.BaseInertiaEpoch, ParasiticEpoch: r.ParasiticEpoch, CodeVersion: r.CodeVersion,
	}
	if p.Reason == "" {
		p.Reason = r.NoEnginePower
	}
	if r.CorrectionFactor != nil {
		p.CorrectionName = correction.Name(fleet.Correction(r.Correction))
		p.CorrectionOutside, p.CorrectionCaution = judged(r)
	}
	p.PeakWheelPowerExpandedUncertaintyW = r.PeakWheelPowerU
	if r.State == store.StateComputed && fleet.Kind(r.Kind) == fleet.KindPull {
		p.Loss, p.LossNote = lossOf(r)
		p.LossFromPullId = r.LossAskedFrom
	}
	p.WindowS, p.PassBandHz, p.WindowFromNoise = r.Window, r.PassBand, r.WindowFromNoise
	p.Findings = findings(r.Findings())
	return p
}

// oneCurve is fromCurve with what is said of one pull only.
func oneCurve(r *store.CurveRow) *pb.Pull {
	p := fromCurve(r)
	p.Headlines = headlines(r)
	return p
}

func findings(rows []store.FindingRow) []*pb.Finding {
	var out []*pb.Finding
	for _, f := range rows {
		out = append(out, &pb.Finding{
			Kind: f.Kind, Channel: f.Channel, StartS: f.Start, EndS: f.End, Size: f.Size, SizeUnit: f.Unit, Disqualifying: f.Disqualifying, Text: f.Text,
		})
	}
	return out
}

// GetPull returns a pull, its channels and what its source's header said.
func (s *Server) GetPull(ctx context.Context, req *pb.GetPullRequest) (*pb.GetPullResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	p, raw, err := s.pull(ctx, req.PullId)
	if err != nil {
		return nil, err
	}
	if err := s.told(ctx, []*pb.Pull{p}); err != nil {
		return nil, err
	}
	if err := s.restatedOf(ctx, p); err != nil {
		return nil, err
	}
	out := &pb.GetPullResponse{Pull: p, Header: raw.Begin.Header}
	if req.WithSweeps && p.State == store.StateComputed && p.Kind == fleet.KindPull.String() {
		made, err := s.Sweeps(ctx, fleet.PullID(req.PullId))
		if err != nil {
			return nil, err
		}
		for i := range made.Curves {
			out.Sweeps = append(out.Sweeps, sweep(made, i))
		}
		for i := range made.None {
			out.SweepsWithoutCurve = append(out.SweepsWithoutCurve, noCurve(made, i))
		}
	}
	type span struct {
		sum         *pb.ChannelSummary
		first, last float64
	}
	spans := map[string]*span{}
	var order []string
	for _, row := range raw.Blocks {
		b := row.Block()
		n := b.Samples.Len()
		c := spans[row.Channel]
		if c == nil {
			c = &span{sum: &pb.ChannelSummary{Channel: row.Channel, Unit: fleet.Channels[fleet.Channel(row.Channel)], Minimum: math.Inf(1), Maximum: math.Inf(-1)}, first: math.Inf(1), last: math.Inf(-1)}
			spans[row.Channel] = c
			order = append(order, row.Channel)
		}
		for i := range n {
			x := b.Samples.At(i)
			c.sum.Minimum, c.sum.Maximum = min(c.sum.Minimum, x), max(c.sum.Maximum, x)
		}
		c.sum.Samples += uint64(n)
		if n > 0 {
			first, last := b.Start, b.Start+float64(n-1)*b.Step
			if b.Step == 0 {
				first, last = b.Times.At(0), b.Times.At(n-1)
			}
			c.first, c.last = min(c.first, first), max(c.last, last)
		}
	}
	for _, name := range order {
		c := spans[name]
		if d := c.last - c.first; d > 0 {
			c.sum.RateHz = float64(c.sum.Samples-1) / d
		}
		out.Channels = append(out.Channels, c.sum)
	}
	return out, nil
}

func noPullID(id string) error {
	return &wire.FieldError{Field: "pull_id", Reason: fmt.Sprintf("%.80q has not the form of a pull's id, which is 32 hexadecimal digits as `rollcall pulls` lists them", id)}
}

// pull reads a pull by its id.
func (s *Server) pull(ctx context.Context, id string) (*pb.Pull, store.RawPull, error) {
	if !wire.ValidHash(id) {
		return nil, store.RawPull{}, noPullID(id)
	}
	raw, err := s.store.ReadPull(ctx, fleet.PullID(id))
	if err != nil {
		return nil, raw, err
	}
	if !raw.HasBegin {
		return nil, raw, fmt.Errorf("pull %s: %w", id, store.ErrNotFound)
	}
	curve, ok, err := s.store.ReadCurve(ctx, fleet.PullID(id))
	if err != nil {
		return nil, raw, err
	}
	if ok {
		return oneCurve(&curve), raw, nil
	}
	if fleet.Kind(raw.Begin.Kind) == fleet.KindEmptyCoastDown {
		at := raw.Begin.StartedAt
		rows, err := s.store.ReadCoastDowns(ctx, store.Filter{Cells: []fleet.CellID{fleet.CellID(raw.Begin.CellID)}, From: at, Until: at.Add(time.Nanosecond)})
		if err != nil {
			return nil, raw, err
		}
		for i := range rows {
			if rows[i].PullID == id {
				return fromCoastDown(&rows[i]), raw, nil
			}
		}
	}
	return announced(raw.Begin), raw, nil
}

// GetCurve returns a pull's curve on its engine-speed grid.
func (s *Server) GetCurve(ctx context.Context, req *pb.GetCurveRequest) (*pb.GetCurveResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	if !wire.ValidHash(req.PullId) {
		return nil, noPullID(req.PullId)
	}
	if req.Grid != "" && req.Grid != gridEngineSpeed && req.Grid != gridSpeed {
		return nil, &wire.FieldError{Field: "grid", Reason: fmt.Sprintf("%q is no grid; choose %s or %s", clip(req.Grid), gridEngineSpeed, gridSpeed)}
	}
	r, ok, err := s.store.ReadCurve(ctx, fleet.PullID(req.PullId))
	if err != nil {
		return nil, err
	}
	if !ok {
		// An empty-roller coast-down has none, nor has what was not computed yet.
		p, _, err := s.pull(ctx, req.PullId)
		if err != nil {
			return nil, err
		}
		return &pb.GetCurveResponse{Pull: p}, nil
	}
	out := &pb.GetCurveResponse{Pull: oneCurve(&r)}
	if err := s.told(ctx, []*pb.Pull{out.Pull}); err != nil {
		return nil, err
	}
	if r.State == store.StateComputed && fleet.Kind(r.Kind) == fleet.KindPull && (req.Sweep > 0 || req.Grid == gridSpeed) {
		return out, s.curveOnDemand(ctx, req, out)
	}
	for i := range r.EngineSpeed {
		out.Points = append(out.Points, &pb.CurvePoint{
			EngineSpeedRadS: r.EngineSpeed[i], SpeedMps: r.Speed[i],
			TractiveForceN: r.TractiveForce[i], TractiveForceUncertaintyN: r.TractiveForceU[i],
			WheelPowerW: r.WheelPower[i], WheelPowerUncertaintyW: r.WheelPowerU[i],
			DrivelineLossN: r.Loss[i], EnginePowerW: r.EnginePower[i], EnginePowerUncertaintyW: r.EnginePowerU[i],
			EngineTorqueNm: r.EngineTorque[i], CorrectedPowerW: r.CorrectedPower[i], CorrectedTorqueNm: r.CorrectedTorque[i],
		})
	}
	return out, nil
}

// ListRuns returns reference runs with what they said, newest first.
func (s *Server) ListRuns(ctx context.Context, req *pb.ListRunsRequest) (*pb.ListRunsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	asked := oneMore(&f)
	runs, err := s.store.ListRuns(ctx, f)
	if err != nil {
		return nil, err
	}
	runs, more := cut(runs, asked)
	if len(runs) > 0 {
		f.From, f.Until = runs[len(runs)-1].StartedAt, runs[0].StartedAt.Add(time.Nanosecond)
	}
	f.Limit = everything
	estimates, err := s.store.ListOffsets(ctx, f)
	if err != nil {
		return nil, err
	}
	byRun := map[string]store.OffsetRow{}
	for _, e := range estimates {
		byRun[e.RunID] = e
	}
	out := &pb.ListRunsResponse{More: more}
	for _, r := range runs {
		run := &pb.Run{
			RunId: r.RunID, CellId: r.CellID, CarId: r.CarID, Session: r.Session, StartedAt: stamp(r.StartedAt),
			PullsUsed: uint32(r.Used), PullsLeftOut: uint32(r.LeftOut), LeftOutReason: strings.Join(distinct(r.LeftOutReasons), "; "),
		}
		if e, ok := byRun[r.RunID]; ok {
			run.Deviation, run.Innovation = e.Deviation, e.Innovation
			run.Offset, run.ExpandedUncertainty = &e.Offset, &e.OffsetU
			run.CusumHigh, run.CusumLow = e.CusumHigh, e.CusumLow
			run.Evidence, run.EvidenceLimit = e.Evidence, e.EvidenceLimit
		}
		run.NotJudged = notJudged(run)
		out.Runs = append(out.Runs, run)
	}
	return out, nil
}

func distinct(all []string) []string {
	out := slices.Clone(all)
	slices.Sort(out)
	return slices.Compact(out)
}

// GetRegistry returns the registry at a time.
func (s *Server) GetRegistry(ctx context.Context, req *pb.GetRegistryRequest) (*pb.GetRegistryResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	at := s.now()
	if req.At != nil {
		at = req.At.AsTime()
	}
	return &pb.GetRegistryResponse{Yaml: s.Document(at)}, nil
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func stampOr(t *time.Time) *timestamppb.Timestamp {
	if t == nil {
		return nil
	}
	return stamp(*t)
}
