package admin

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// mostCarried bounds a request: each pull is computed from its samples.
const mostCarried = 100

// CarryLoss has a baseline pull's loss used for later pulls, all of those named
// or none. A pull that measured its own is refused: nothing carried is nearer.
func (s *Server) CarryLoss(ctx context.Context, req *pb.CarryLossRequest) (*pb.CarryLossResponse, error) {
	who, err := s.person(ctx, "decided_by", req.DecidedBy)
	if err != nil {
		return nil, err
	}
	if !wire.ValidHash(req.FromPullId) {
		return nil, &wire.FieldError{Field: "from_pull_id", Reason: notAnID(req.FromPullId)}
	}
	begins, err := s.carriable(ctx, req.PullIds, req.Reason, "say how it is known that the car and its set-up are unchanged")
	if err != nil {
		return nil, err
	}
	from := fleet.PullID(req.FromPullId)
	ids := make([]fleet.PullID, len(begins))
	for i, b := range begins {
		ids[i] = fleet.PullID(b.PullID)
	}
	if err := s.CarryFits(ctx, from, ids); err != nil {
		return nil, err
	}
	base, found, err := s.store.ReadPullBegin(ctx, from)
	if err != nil {
		return nil, err
	}
	if !found {
		return nil, fmt.Errorf("pull %s: %w", from, store.ErrNotFound)
	}
	if err := s.decide(ctx, "loss carried", who, string(from), begins, req.Reason); err != nil {
		return nil, err
	}
	return &pb.CarryLossResponse{DecidedBy: who, FromStartedAt: stamp(base.StartedAt)}, nil
}

// UndoCarriedLoss takes the carrying of a loss back.
func (s *Server) UndoCarriedLoss(ctx context.Context, req *pb.UndoCarriedLossRequest) (*pb.UndoCarriedLossResponse, error) {
	who, err := s.person(ctx, "decided_by", req.DecidedBy)
	if err != nil {
		return nil, err
	}
	begins, err := s.carriable(ctx, req.PullIds, req.Reason, "say why the loss is not to be carried any more")
	if err != nil {
		return nil, err
	}
	now, err := s.carriedNow(ctx)
	if err != nil {
		return nil, err
	}
	for _, b := range begins {
		if now[b.PullID] == "" {
			return nil, &wire.FieldError{Field: "pull_ids", Reason: fmt.Sprintf("pull %s has no carried loss", b.PullID)}
		}
	}
	if err := s.decide(ctx, "carried loss taken back", who, "", begins, req.Reason); err != nil {
		return nil, err
	}
	return &pb.UndoCarriedLossResponse{DecidedBy: who}, nil
}

func notAnID(id string) string {
	return fmt.Sprintf("%.80q has not the form of a pull's id, which is 32 hexadecimal digits as `rollcall pulls` lists them", id)
}

// carriable returns what the pulls of a request were announced as.
func (s *Server) carriable(ctx context.Context, ids []string, reason, ask string) ([]store.PullRow, error) {
	switch {
	case strings.TrimSpace(reason) == "":
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; " + ask}
	case len(ids) == 0:
		return nil, &wire.FieldError{Field: "pull_ids", Reason: "names no pull"}
	case len(ids) > mostCarried:
		return nil, &wire.FieldError{Field: "pull_ids", Reason: fmt.Sprintf("names %d pulls; at most %d are decided on at once", len(ids), mostCarried)}
	}
	sorted := slices.Compact(slices.Sorted(slices.Values(ids)))
	pulls := make([]fleet.PullID, len(sorted))
	for i, id := range sorted {
		if !wire.ValidHash(id) {
			return nil, &wire.FieldError{Field: "pull_ids", Reason: notAnID(id)}
		}
		pulls[i] = fleet.PullID(id)
	}
	rows, err := s.store.ReadPullBegins(ctx, pulls)
	if err != nil {
		return nil, err
	}
	var out []store.PullRow
	for _, id := range pulls {
		row, ok := rows[id]
		if !ok {
			return nil, fmt.Errorf("pull_ids: there is no pull %s: %w", id, store.ErrNotFound)
		}
		out = append(out, row)
	}
	return out, nil
}

// carriedNow returns from which pull each pull's loss is to be carried.
func (s *Server) carriedNow(ctx context.Context) (map[string]string, error) {
	rows, err := s.store.ReadCarries(ctx)
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, r := range rows {
		out[r.PullID] = r.FromPullID
	}
	return out, nil
}

// decide keeps a decision on pulls' losses, has them computed anew, and returns
// when their curves show it or closeWait has passed.
func (s *Server) decide(ctx context.Context, what, who, from string, pulls []store.PullRow, reason string) error {
	s.deciding.Lock()
	defer s.deciding.Unlock()
	rows, err := s.store.ReadCarries(ctx)
	if err != nil {
		return err
	}
	// The latest decision counts: each is later than those before it, whatever
	// the clock does.
	now := s.now().UTC()
	before := map[string]string{}
	for _, r := range rows {
		before[r.PullID] = r.FromPullID
		if slices.ContainsFunc(pulls, func(p store.PullRow) bool { return p.PullID == r.PullID }) && !r.DecidedAt.Before(now) {
			now = r.DecidedAt.Add(time.Nanosecond)
		}
	}
	reason = strings.TrimSpace(reason)
	var carries []store.CarryRow
	var audit []store.AuditRow
	ids := make([]fleet.PullID, len(pulls))
	for i, p := range pulls {
		ids[i] = fleet.PullID(p.PullID)
		carries = append(carries, store.CarryRow{PullID: p.PullID, DecidedAt: now, FromPullID: from, CellID: p.CellID, DecidedBy: who, Reason: reason})
		audit = append(audit, store.AuditRow{At: now, Who: who, What: what, Subject: "pull " + p.PullID, Before: lossOf(before[p.PullID]), After: lossOf(from) + ": " + reason})
	}
	// The audit first: a change without its line must not be.
	if err := s.store.AppendAudit(ctx, audit); err != nil {
		return err
	}
	if err := s.store.AppendCarries(ctx, carries); err != nil {
		return err
	}
	s.log.Info(what, zap.Int("pulls", len(pulls)), zap.String("from", from), zap.String("by", who))
	if s.LossCarried != nil {
		if err := s.LossCarried(ctx, ids); err != nil {
			return err
		}
		s.awaitCarried(ctx, from, ids)
	}
	return nil
}

func lossOf(from string) string {
	if from == "" {
		return "no carried loss"
	}
	return "loss of pull " + from
}

// awaitCarried returns when the pulls' curves were computed with the decision,
// closeWait has passed or ctx has ended.
func (s *Server) awaitCarried(ctx context.Context, from string, pulls []fleet.PullID) {
	ctx, cancel := context.WithTimeout(ctx, closeWait)
	defer cancel()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	for left := pulls; len(left) > 0; {
		curve, found, err := s.store.ReadCurve(ctx, left[0])
		if err == nil && found && curve.LossAskedFrom == from {
			left = left[1:]
			continue
		}
		select {
		case <-ctx.Done():
			return
		case <-again.C:
		}
	}
}
