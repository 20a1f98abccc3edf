package query

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/coastdown"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// fileKinds are the words that check files have for kinds of check that are
// called otherwise elsewhere.
var fileKinds = map[string]fleet.CheckKind{"zero turning": fleet.CheckZeroTurning, "transfer": fleet.CheckTransfer, "torque": fleet.CheckTorque}

// plainKind is the name of a kind of check without what people write in more
// than one way.
func plainKind(name string) string {
	return strings.ToLower(strings.Join(strings.FieldsFunc(name, func(r rune) bool { return r == ' ' || r == '_' || r == '-' }), " "))
}

// checkKind returns the kind of check of a name; 0 for none.
func checkKind(name string) (fleet.CheckKind, error) {
	if name == "" {
		return 0, nil
	}
	known, asked := "", plainKind(name)
	for k := fleet.CheckDeadWeight; k <= fleet.CheckBaseInertia; k++ {
		if plainKind(k.String()) == asked || fileKinds[asked] == k {
			return k, nil
		}
		known += fmt.Sprintf(", %q", k)
	}
	return 0, &wire.FieldError{Field: "kind", Reason: fmt.Sprintf("is %.80q; kinds of check are %s", name, known[2:])}
}

// ListChecks returns calibration checks with their results, newest first.
func (s *Server) ListChecks(ctx context.Context, req *pb.ListChecksRequest) (*pb.ListChecksResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	kind, err := checkKind(req.Kind)
	if err != nil {
		return nil, err
	}
	asked := oneMore(&f)
	rows, err := s.store.ReadCheckResultsOf(ctx, f, kind)
	if err != nil {
		return nil, err
	}
	rows, more := cut(rows, asked)
	out := &pb.ListChecksResponse{More: more}
	for _, r := range rows {
		out.Checks = append(out.Checks, fromResult(r))
	}
	return out, nil
}

func fromResult(r store.CheckResultRow) *pb.Check {
	c := &pb.Check{
		CheckId: r.CheckID, CellId: r.CellID, Kind: fleet.CheckKind(r.Kind).String(), State: fleet.CheckState(r.State).String(),
		PerformedAt: stamp(r.PerformedAt), PerformedBy: r.PerformedBy, Verdict: r.Verdict, Reason: r.Reason,
		ZeroErrorN: r.ZeroError, ZeroExpandedUncertaintyN: r.ZeroErrorU,
		GainError: r.GainError, GainExpandedUncertainty: r.GainErrorU, Readings: r.Readings,
		BaseInertiaKg: r.BaseInertia, BaseInertiaExpandedUncertaintyKg: r.BaseInertiaU, Risk: r.Risk, StandardId: r.StandardID, Epoch: r.Epoch,
	}
	switch {
	case r.OpensEpochAt != nil:
		c.OpensEpochAt = stamp(*r.OpensEpochAt)
	case r.OpensEpoch: // a result of before
		c.OpensEpochAt = stamp(r.PerformedAt)
	}
	return c
}

// GetCheck returns a check as it was made and its whole result.
func (s *Server) GetCheck(ctx context.Context, req *pb.GetCheckRequest) (*pb.GetCheckResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	if !wire.ValidHash(req.CheckId) {
		return nil, &wire.FieldError{Field: "check_id", Reason: fmt.Sprintf("%.80q has not the form of a check's id, which is 32 hexadecimal digits as `rollcall checks` lists them", req.CheckId)}
	}
	made, found, err := s.store.ReadCheck(ctx, fleet.CheckID(req.CheckId))
	switch {
	case err != nil:
		return nil, err
	case !found:
		return nil, fmt.Errorf("check %s is not known: %w", req.CheckId, store.ErrNotFound)
	}
	c := made.Check()
	out := &pb.GetCheckResponse{Made: wire.ToCalibrationCheck(c)}
	r, found, err := s.store.ReadCheckResult(ctx, c.ID)
	if err != nil {
		return nil, err
	}
	if !found {
		out.Check = &pb.Check{
			CheckId: string(c.ID), CellId: string(c.Cell), Kind: c.Kind.String(), State: c.State.String(), PerformedAt: stamp(c.PerformedAt),
			PerformedBy: c.PerformedBy, Reason: "not judged yet", Readings: uint32(len(c.Readings)), StandardId: string(c.Standard),
		}
		return out, nil
	}
	out.Check, out.RegistryEffectiveAt, out.CodeVersion = fromResult(r), stamp(r.RegistryEffectiveAt), r.CodeVersion
	if r.Result != "" {
		out.Result = &pb.CheckResult{}
		// A later release may have written more fields.
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal([]byte(r.Result), out.Result); err != nil {
			return nil, fmt.Errorf("read the stored result of check %s: %w", c.ID, err)
		}
	}
	return out, nil
}

// ListEpochs says from when which load-cell calibration, base inertia and
// parasitic loss hold.
func (s *Server) ListEpochs(ctx context.Context, req *pb.ListEpochsRequest) (*pb.ListEpochsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListEpochs(ctx, f)
	if err != nil {
		return nil, err
	}
	out := &pb.ListEpochsResponse{}
	for _, r := range rows {
		e := &pb.Epoch{CellId: r.CellID, Of: r.Of, Since: stamp(r.Since), Epoch: r.Epoch, Source: r.Source, Covariance: r.Cov, SignedBy: r.SignedBy, Reason: r.Reason}
		if r.Until != nil {
			e.Until = stamp(*r.Until)
		}
		for i, name := range r.ValueName {
			e.Values = append(e.Values, &pb.EpochValue{Name: name, Value: r.Value[i], ExpandedUncertainty: r.ValueU[i], Unit: r.ValueUnit[i]})
		}
		out.Epochs = append(out.Epochs, e)
	}
	return out, nil
}

// ListParasitics returns the coast-downs of the empty rollers with their losses
// and what changed since the one before.
func (s *Server) ListParasitics(ctx context.Context, req *pb.ListParasiticsRequest) (*pb.ListParasiticsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	asked := oneMore(&f)
	rows, err := s.store.ReadCoastDowns(ctx, f)
	if err != nil {
		return nil, err
	}
	rows, more := cut(rows, asked)
	// The one before the oldest may lie before the times asked for.
	all := rows
	if len(rows) > 0 {
		earlier := f
		earlier.From, earlier.Until, earlier.Limit = time.Time{}, rows[0].StartedAt.Add(time.Nanosecond), everything
		if all, err = s.store.ReadCoastDowns(ctx, earlier); err != nil {
			return nil, err
		}
	}
	adoptions, err := s.store.ReadAdoptions(ctx)
	if err != nil {
		return nil, err
	}
	out := &pb.ListParasiticsResponse{More: more}
	for _, r := range rows {
		l := &pb.ParasiticLoss{PullId: r.PullID, CellId: r.CellID, StartedAt: stamp(r.StartedAt), State: r.State, Reason: r.Reason}
		out.Losses = append(out.Losses, l)
		for _, a := range adoptions { // the last one signed counts
			if a.PullID == r.PullID {
				l.AdoptedAt, l.AdoptedBy, l.AdoptedReason, l.EffectiveAt = stamp(a.AdoptedAt), a.AdoptedBy, a.Reason, stamp(a.EffectiveAt)
			}
		}
		now, ok := measured(r)
		if !ok {
			continue
		}
		l.F0N, l.F1NSM, l.F2NS2M2, l.Covariance = now.Loss.F0, now.Loss.F1, now.Loss.F2, r.Cov
		l.SpeedLowMps, l.SpeedHighMps = now.SpeedLow, now.SpeedHigh
		if r.DeltaForce != nil && r.DeltaForceU != nil {
			l.AgainstInForceN, l.AgainstInForceExpandedUncertaintyN = *r.DeltaForce, *r.DeltaForceU
		}
		for _, e := range all { // newest first
			if e.CellID != r.CellID || cmp.Or(e.StartedAt.Compare(r.StartedAt), cmp.Compare(e.PullID, r.PullID)) >= 0 {
				continue
			}
			then, ok := measured(e)
			if !ok {
				continue
			}
			c := coastdown.Compare(now, then)
			l.EarlierPullId, l.ChangeSays, l.ChangeResolved = e.PullID, c.Says, c.Resolved
			if len(c.Points) > 0 && !math.IsNaN(c.Mean) && !math.IsNaN(c.UMean) {
				l.ChangeN, l.ChangeExpandedUncertaintyN = &c.Mean, &c.UMean
			}
			break
		}
	}
	return out, nil
}

// measured returns the loss of a stored coast-down, and whether it has one.
func measured(r store.CoastDownRow) (coastdown.Measured, bool) {
	if r.State != store.StateComputed || r.F0 == nil || r.F1 == nil || r.F2 == nil || r.SpeedLow == nil || r.SpeedHigh == nil || len(r.Cov) != 6 {
		return coastdown.Measured{}, false
	}
	c := r.Cov
	m := coastdown.Measured{
		Loss:     fleet.Loss{F0: *r.F0, F1: *r.F1, F2: *r.F2},
		Cov:      [3][3]float64{{c[0], c[1], c[2]}, {c[1], c[3], c[4]}, {c[2], c[4], c[5]}},
		SpeedLow: *r.SpeedLow, SpeedHigh: *r.SpeedHigh,
	}
	if r.MassU != nil && r.Mass != nil && *r.Mass > 0 {
		m.Scale = *r.MassU / *r.Mass
	}
	return m, true
}

// ListDue says when each cell's next check is due, the earliest first.
func (s *Server) ListDue(ctx context.Context, req *pb.ListDueRequest) (*pb.ListDueResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.Filter)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListIntervals(ctx, f)
	if err != nil {
		return nil, err
	}
	now := s.now()
	r := s.latest()
	out := &pb.ListDueResponse{At: stamp(now)}
	for _, row := range rows {
		d := &pb.DueCheck{
			CellId: row.CellID, SiteId: string(r.Cells[fleet.CellID(row.CellID)].Site), Of: row.Of, Rule: row.Rule, Says: row.Says,
			LastCheckId: row.LastCheckID, PullsSince: row.Pulls, RatePerDay: row.Rate, RateExpandedUncertaintyPerDay: row.RateU,
			Reliability: row.Reliability, InToleranceAtDue: row.AtDue,
		}
		if row.LastCheckID != "" {
			d.LastCheckAt = stamp(row.LastCheckAt)
		}
		if row.DueAt != nil {
			d.DueAt, d.Overdue = stamp(*row.DueAt), row.Asked && now.After(*row.DueAt)
		}
		for i, name := range row.RuleName {
			rule := &pb.DueRule{Rule: name, Reached: row.RuleReached[i], Says: row.RuleSays[i]}
			if row.RuleAt[i] != nil {
				rule.At = stamp(*row.RuleAt[i])
			}
			d.Rules = append(d.Rules, rule)
		}
		out.Due = append(out.Due, d)
	}
	return out, nil
}

// pickFlag returns the one of a cell's open flags that its status names: what
// stands against the cell before a check that is merely late.
func pickFlag(flags []store.FlagRow) (store.FlagRow, bool) {
	if len(flags) == 0 {
		return store.FlagRow{}, false
	}
	order := []string{"recalibrate", "drifting", "check due early", "check overdue"}
	return slices.MinFunc(flags, func(a, b store.FlagRow) int {
		return cmp.Or(cmp.Compare(slices.Index(order, a.Kind), slices.Index(order, b.Kind)), cmp.Compare(a.FlagID, b.FlagID))
	}), true
}
