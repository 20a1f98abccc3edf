package admin

import (
	"context"
	"fmt"
	"strings"

	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// AdoptParasitic takes the loss that a coast-down of the empty rollers showed as
// its cell's parasitic loss, from the coast-down on or from the moment asked
// for. Pulls from then on are computed again.
func (s *Server) AdoptParasitic(ctx context.Context, req *pb.AdoptParasiticRequest) (*pb.AdoptParasiticResponse, error) {
	who, err := s.person(ctx, "adopted_by", req.AdoptedBy)
	if err != nil {
		return nil, err
	}
	reason := strings.TrimSpace(req.Reason)
	if reason == "" {
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; say why the loss is adopted"}
	}
	if !wire.ValidHash(req.PullId) {
		return nil, &wire.FieldError{Field: "pull_id", Reason: fmt.Sprintf("%.80q has not the form of a pull's id, which is 32 hexadecimal digits as `rollcall parasitic list` lists them", req.PullId)}
	}
	row, found, err := s.store.ReadCoastDown(ctx, fleet.PullID(req.PullId))
	switch {
	case err != nil:
		return nil, err
	case !found:
		return nil, fmt.Errorf("no coast-down of empty rollers %s is computed: %w", req.PullId, store.ErrNotFound)
	case row.State != store.StateComputed || row.F0 == nil || row.F1 == nil || row.F2 == nil || row.LossU == nil:
		return nil, &wire.FieldError{Field: "pull_id", Reason: fmt.Sprintf("is of a coast-down that gives no loss (%s); adopt another", orElse(row.Reason, row.State))}
	}
	loss := fleet.Loss{F0: *row.F0, F1: *row.F1, F2: *row.F2}
	if row.SpeedLow != nil && row.SpeedHigh != nil {
		for _, v := range []float64{*row.SpeedLow, (*row.SpeedLow + *row.SpeedHigh) / 2, *row.SpeedHigh} {
			if loss.At(v) < 0 {
				return nil, &wire.FieldError{Field: "pull_id", Reason: fmt.Sprintf("is of a coast-down whose loss is %.3g N at %.1f m/s: the rollers would drive the car; adopt another", loss.At(v), v)}
			}
		}
	}
	effective := row.StartedAt
	if req.EffectiveAt != nil {
		if err := req.EffectiveAt.CheckValid(); err != nil || req.EffectiveAt.AsTime().Before(wire.Earliest) || !req.EffectiveAt.AsTime().Before(wire.Latest) {
			return nil, &wire.FieldError{Field: "effective_at", Reason: "is no time between the years 2000 and 2261; give the moment from which the loss holds"}
		}
		effective = req.EffectiveAt.AsTime()
	}
	now := s.now().UTC()
	if effective.After(now) && effective.After(row.StartedAt) {
		return nil, &wire.FieldError{Field: "effective_at", Reason: "is in the future; a loss holds from a moment that has been"}
	}
	before := ""
	epochs, err := s.store.ListEpochs(ctx, store.Filter{Cells: []fleet.CellID{fleet.CellID(row.CellID)}, From: effective, Limit: 1000})
	if err != nil {
		return nil, err
	}
	for _, e := range epochs {
		if e.Of == "parasitic loss" && !e.Since.After(effective) && len(e.Value) == 3 {
			before = lossText(fleet.Loss{F0: e.Value[0], F1: e.Value[1], F2: e.Value[2]}) + ", " + orElse(e.Epoch, e.Source)
		}
	}
	after := fmt.Sprintf("%s, coast-down %s, from %s: %s", lossText(loss), row.PullID, effective.Format("2006-01-02 15:04:05"), reason)
	if err := s.store.AppendAudit(ctx, []store.AuditRow{{At: now, Who: who, What: "parasitic loss adopted", Subject: "cell " + row.CellID, Before: before, After: after}}); err != nil {
		return nil, err
	}
	adoption := store.AdoptionRow{PullID: row.PullID, CellID: row.CellID, EffectiveAt: effective, AdoptedAt: now, AdoptedBy: who, Reason: reason}
	if err := s.store.AppendAdoption(ctx, adoption); err != nil {
		return nil, err
	}
	s.log.Info("parasitic loss adopted", zap.String("cell", row.CellID), zap.String("coast_down", row.PullID), zap.String("by", who))
	if s.ParasiticAdopted != nil {
		s.ParasiticAdopted()
	}
	return &pb.AdoptParasiticResponse{CellId: row.CellID, EffectiveAt: stamp(effective), F0N: loss.F0, F1NSM: loss.F1, F2NS2M2: loss.F2}, nil
}

func lossText(l fleet.Loss) string {
	return fmt.Sprintf("%.6g N, %.6g N·s/m, %.6g N·s²/m²", l.F0, l.F1, l.F2)
}

func orElse(s, other string) string {
	if s == "" {
		return other
	}
	return s
}
