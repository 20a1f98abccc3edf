package query

import (
	"context"
	"fmt"
	"slices"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
)

// The words of the audit for what is done about a flag's pulls.
const (
	deedRestated  = "flag restated"
	deedTakenBack = "restatement taken back"
)

// ListRestatements returns every restatement with its pulls.
func (s *Server) ListRestatements(ctx context.Context, req *pb.ListRestatementsRequest) (*pb.ListRestatementsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	var flags []fleet.FlagID
	if req.FlagId != "" {
		flags = append(flags, fleet.FlagID(req.FlagId))
	}
	acts, err := s.store.ReadRestatements(ctx, flags...)
	if err != nil {
		return nil, err
	}
	if req.FlagId != "" && len(acts) == 0 {
		if _, found, err := s.store.ReadFlag(ctx, fleet.FlagID(req.FlagId)); err != nil {
			return nil, err
		} else if !found {
			return nil, fmt.Errorf("flag %q: %w", clip(req.FlagId), store.ErrNotFound)
		}
	}
	var ids []string
	for _, list := range acts {
		for _, a := range list {
			ids = append(ids, a.RestatementID)
		}
	}
	pulls, err := s.store.ReadRestated(ctx, ids)
	if err != nil {
		return nil, err
	}
	out := &pb.ListRestatementsResponse{}
	for _, flag := range sortedFlags(acts) {
		for _, a := range restatements(acts[flag]) {
			for i := range pulls[a.RestatementId] {
				a.RestatedPulls = append(a.RestatedPulls, restatedPull(&pulls[a.RestatementId][i], a))
			}
			out.Restatements = append(out.Restatements, a)
		}
	}
	return out, nil
}

func sortedFlags(acts map[fleet.FlagID][]store.RestatementRow) []fleet.FlagID {
	var out []fleet.FlagID
	for id := range acts {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

// restatements returns a flag's acts, oldest first, without their pulls.
func restatements(acts []store.RestatementRow) []*pb.Restatement {
	var out []*pb.Restatement
	for i, a := range acts {
		out = append(out, &pb.Restatement{
			RestatementId: a.RestatementID, FlagId: a.FlagID, CellId: a.CellID, Version: uint32(i + 1), RestatedAt: stamp(a.RestatedAt), RestatedBy: a.RestatedBy,
			Reason: a.Reason, TakenBack: a.TakenBack, Replaces: a.Replaces, InForce: i == len(acts)-1 && !a.TakenBack, Pulls: a.Pulls, Kept: a.Kept, CodeVersion: a.CodeVersion,
		})
	}
	return out
}

func restatedPull(r *store.RestatedRow, act *pb.Restatement) *pb.RestatedPull {
	p := &pb.RestatedPull{
		RestatementId: r.RestatementID, FlagId: r.FlagID, PullId: r.PullID, CellId: r.CellID, StartedAt: stamp(r.StartedAt), CustomerCar: r.CustomerCar,
		Restated: r.Restated, Way: r.Way, Note: r.Note, Cause: r.Cause, CauseProbability: r.CauseProbability,
		Size: r.Size, SizeExpandedUncertainty: r.SizeU, SizeUnit: r.SizeUnit, SizeFrom: r.SizeFrom, Effect: r.Effect, EffectExpandedUncertainty: r.EffectU,
		Epoch: r.Epoch, BaseInertiaEpoch: r.BaseInertiaEpoch, ParasiticEpoch: r.ParasiticEpoch, CodeVersion: r.CodeVersion,
		Version: act.GetVersion(), RestatedAt: act.GetRestatedAt(), RestatedBy: act.GetRestatedBy(), Reason: act.GetReason(),
	}
	for i := range r.Figure {
		p.Figures = append(p.Figures, &pb.RestatedFigure{
			Figure: r.Figure[i], Of: r.FigureOf[i], Unit: r.Unit[i], Stated: r.Stated[i], StatedExpandedUncertainty: r.StatedU[i],
			Restated: r.RestatedValue[i], RestatedExpandedUncertainty: r.RestatedU[i], Difference: r.Difference[i], DifferenceExpandedUncertainty: r.DifferenceU[i],
		})
	}
	return p
}

// restated completes flags with their restatements and, where their pulls are listed
// too, with what was restated of these.
func (s *Server) restated(ctx context.Context, flags []*pb.Flag, withPulls bool) error {
	if len(flags) == 0 {
		return nil
	}
	ids := make([]fleet.FlagID, len(flags))
	for i, g := range flags {
		ids[i] = fleet.FlagID(g.FlagId)
	}
	acts, err := s.store.ReadRestatements(ctx, ids...)
	if err != nil || len(acts) == 0 {
		return err
	}
	var inForce []string
	for _, list := range acts {
		if !withPulls {
			break
		}
		if a, ok := store.InForce(list); ok {
			inForce = append(inForce, a.RestatementID)
		}
	}
	pulls, err := s.store.ReadRestated(ctx, inForce)
	if err != nil {
		return err
	}
	for _, g := range flags {
		g.Restatements = restatements(acts[fleet.FlagID(g.FlagId)])
		for _, act := range g.Restatements {
			if !act.InForce {
				continue
			}
			touched := map[string]*pb.TouchedPull{}
			for _, t := range g.TouchedPulls {
				touched[t.PullId] = t
			}
			for i := range pulls[act.RestatementId] {
				p := restatedPull(&pulls[act.RestatementId][i], act)
				if t := touched[p.PullId]; t != nil {
					t.Restated = p
				} else {
					g.RestatedBeside = append(g.RestatedBeside, p)
				}
			}
		}
	}
	return nil
}

// restatedOf completes one pull with its restatements in force.
func (s *Server) restatedOf(ctx context.Context, p *pb.Pull) error {
	rows, err := s.store.ReadRestatedOf(ctx, fleet.PullID(p.PullId))
	if err != nil || len(rows) == 0 {
		return err
	}
	var flags []fleet.FlagID
	for _, r := range rows {
		flags = append(flags, fleet.FlagID(r.FlagID))
	}
	acts, err := s.store.ReadRestatements(ctx, slices.Compact(flags)...)
	if err != nil {
		return err
	}
	for i := range rows {
		for _, act := range restatements(acts[fleet.FlagID(rows[i].FlagID)]) {
			if act.RestatementId != rows[i].RestatementID || !act.InForce {
				continue
			}
			q := restatedPull(&rows[i], act)
			q.StatedOtherwiseNow = otherwise(q, p)
			p.Restatements = append(p.Restatements, q)
		}
	}
	return nil
}

// otherwise says whether a pull states other figures now than when it was restated.
func otherwise(q *pb.RestatedPull, p *pb.Pull) bool {
	for _, f := range q.Figures {
		for _, h := range p.Headlines {
			if f.Figure != h.Figure {
				continue
			}
			if now := map[string]*float64{"peak": h.Peak, "band mean": h.BandMean}[f.Of]; now == nil || *now != f.Stated {
				return true
			}
		}
	}
	return len(q.Figures) > 0 && len(p.Headlines) == 0
}
