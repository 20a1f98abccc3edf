package admin

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"time"

	"go.uber.org/zap"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// restateWait is how long RestateFlag waits for the pulls to be computed; then it
// answers that they are being computed. longestRestating bounds the computing.
const (
	restateWait      = 8 * time.Second
	longestRestating = time.Hour
)

// RestateFlag computes the customer pulls that a flag touches anew and keeps what
// they gave beside what they stated, all of them as one act.
func (s *Server) RestateFlag(ctx context.Context, req *pb.RestateFlagRequest) (*pb.RestateFlagResponse, error) {
	who, err := s.person(ctx, "restated_by", req.RestatedBy)
	if err != nil {
		return nil, err
	}
	reason := strings.TrimSpace(req.Reason)
	if reason == "" {
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; say why the pulls are restated"}
	}
	flag, touched, err := s.restatable(ctx, req.FlagId)
	if err != nil {
		return nil, err
	}
	if !s.beginRestating(req.FlagId) {
		return nil, &wire.FieldError{Field: "flag_id", Reason: "is of a flag whose pulls are being restated just now; wait until it is done"}
	}
	type answer struct {
		made *pb.Restatement
		err  error
	}
	done := make(chan answer, 1)
	// Whoever asks may go before it is done: it is done all the same.
	working, cancel := context.WithTimeout(context.WithoutCancel(ctx), longestRestating)
	go func() {
		defer cancel()
		defer s.endRestating(req.FlagId)
		made, err := s.restate(working, flag, touched, who, reason)
		if err != nil {
			s.log.Error("pulls not restated", zap.String("flag", flag.FlagID), zap.Error(err))
		}
		done <- answer{made, err}
	}()
	waited := time.NewTimer(s.restateWait)
	defer waited.Stop()
	select {
	case a := <-done:
		if a.err != nil {
			return nil, a.err
		}
		return &pb.RestateFlagResponse{RestatedBy: who, Restatement: a.made}, nil
	case <-waited.C:
	case <-ctx.Done():
	}
	return &pb.RestateFlagResponse{RestatedBy: who, Pending: true}, nil
}

// restatable returns a flag with the pulls it touches, or why they cannot be
// restated.
func (s *Server) restatable(ctx context.Context, id string) (flag store.FlagRow, touched []store.TouchedRow, err error) {
	flag, found, err := s.store.ReadFlag(ctx, fleet.FlagID(id))
	if err != nil {
		return flag, nil, err
	}
	if !found {
		return flag, nil, fmt.Errorf("flag %.80q: %w", id, store.ErrNotFound)
	}
	refuse := func(format string, args ...any) (store.FlagRow, []store.TouchedRow, error) {
		return flag, nil, &wire.FieldError{Field: "flag_id", Reason: fmt.Sprintf(format, args...)}
	}
	switch {
	case flag.CellID == "":
		return refuse("is of a flag on reference car %s: the car changed, no cell did, and no customer pull was stated wrongly by it; there is nothing to restate", flag.CarID)
	case flag.Kind == "check overdue":
		return refuse("is of a flag that says a check of cell %s is late; it touches no pull. Make the check, and restate by the flag it opens", flag.CellID)
	}
	all, err := s.store.ReadTouched(ctx, []fleet.FlagID{fleet.FlagID(id)})
	if err != nil {
		return flag, nil, err
	}
	if touched = all[fleet.FlagID(id)]; len(touched) == 0 {
		return refuse("is of a flag that touches no customer pull; there is nothing to restate")
	}
	return flag, touched, nil
}

// beginRestating takes a flag for restating; false: it is taken.
func (s *Server) beginRestating(id string) bool {
	s.restatingMu.Lock()
	defer s.restatingMu.Unlock()
	if s.restating[id] {
		return false
	}
	if s.restating == nil {
		s.restating = map[string]bool{}
	}
	s.restating[id] = true
	return true
}

func (s *Server) endRestating(id string) {
	s.restatingMu.Lock()
	defer s.restatingMu.Unlock()
	delete(s.restating, id)
}

// restate computes and keeps a restatement.
func (s *Server) restate(ctx context.Context, flag store.FlagRow, touched []store.TouchedRow, who, reason string) (*pb.Restatement, error) {
	pulls, err := s.Restate(ctx, touched)
	if err != nil {
		return nil, err
	}
	act := store.RestatementRow{FlagID: flag.FlagID, CellID: flag.CellID, RestatedBy: who, Reason: reason, Pulls: uint32(len(pulls))}
	cause := ""
	var probability float64
	if causes := flag.Causes(); len(causes) > 0 {
		cause, probability = causes[0].Fault, causes[0].Probability
	}
	for i := range pulls {
		p := &pulls[i]
		p.Cause, p.CauseProbability = cause, probability
		act.CodeVersion = p.CodeVersion
		if !p.Restated {
			act.Kept++
		} else if p.Size == nil {
			p.Note = strings.TrimPrefix(p.Note+"; "+byEffect(p), "; ")
		}
	}
	return s.keep(ctx, act, pulls)
}

// byEffect says why a pull was restated by the effect alone.
func byEffect(p *store.RestatedRow) string {
	const sure = 0.9
	switch {
	case p.Cause == "":
		return "no cause is known"
	case p.CauseProbability < sure:
		return fmt.Sprintf("no cause is sure enough: the likeliest, %s, has %.0f %%, and %.0f %% is needed", p.Cause, 100*p.CauseProbability, 100*sure)
	}
	return fmt.Sprintf("the cause, %s, is not an error of a value of the cell whose size is known", p.Cause)
}

// keep stores an act after those of its flag, with its lines in the audit.
func (s *Server) keep(ctx context.Context, act store.RestatementRow, pulls []store.RestatedRow) (*pb.Restatement, error) {
	s.deciding.Lock()
	defer s.deciding.Unlock()
	all, err := s.store.ReadRestatements(ctx, fleet.FlagID(act.FlagID))
	if err != nil {
		return nil, err
	}
	before := all[fleet.FlagID(act.FlagID)]
	act.RestatedAt = s.now().UTC()
	was := "not restated"
	if n := len(before); n > 0 {
		last := before[n-1]
		act.Replaces = last.RestatementID
		if was = fmt.Sprintf("restatement %s of %s by %s", last.RestatementID, last.RestatedAt.UTC().Format("2006-01-02 15:04:05"), last.RestatedBy); last.TakenBack {
			was = "taken back: " + was
		}
		// The latest counts, whatever the clock does.
		if !last.RestatedAt.Before(act.RestatedAt) {
			act.RestatedAt = last.RestatedAt.Add(time.Nanosecond)
		}
		if act.TakenBack && last.TakenBack {
			return nil, &wire.FieldError{Field: "flag_id", Reason: "is of a flag whose restatement is taken back already"}
		}
	} else if act.TakenBack {
		return nil, &wire.FieldError{Field: "flag_id", Reason: "is of a flag whose pulls were not restated; there is nothing to take back"}
	}
	sum := sha256.Sum256([]byte(strings.Join([]string{act.FlagID, strconv.FormatInt(act.RestatedAt.UnixNano(), 10), act.RestatedBy, act.Reason, strconv.FormatBool(act.TakenBack)}, "\x00")))
	act.RestatementID = hex.EncodeToString(sum[:16])
	what := "flag restated"
	if act.TakenBack {
		what = "restatement taken back"
	}
	audit := []store.AuditRow{{At: act.RestatedAt, Who: act.RestatedBy, What: what, Subject: "flag " + act.FlagID, Before: was, After: act.Reason}}
	for i := range pulls {
		p := &pulls[i]
		p.RestatementID = act.RestatementID
		audit = append(audit, store.AuditRow{At: act.RestatedAt, Who: act.RestatedBy, What: "pull restated", Subject: "pull " + p.PullID,
			Before: headline(p, p.Stated, p.StatedU), After: fmt.Sprintf("restatement %s by flag %s: %s", act.RestatementID, act.FlagID, restatedLine(p))})
	}
	// The audit first: a change without its line must not be.
	if err := s.store.AppendAudit(ctx, audit); err != nil {
		return nil, err
	}
	if err := s.store.AppendRestatement(ctx, act, pulls); err != nil {
		return nil, err
	}
	s.log.Info(what, zap.String("flag", act.FlagID), zap.String("restatement", act.RestatementID), zap.Uint32("pulls", act.Pulls), zap.Uint32("kept", act.Kept), zap.String("by", act.RestatedBy))
	return &pb.Restatement{
		RestatementId: act.RestatementID, FlagId: act.FlagID, CellId: act.CellID, Version: uint32(len(before) + 1), RestatedAt: stamp(act.RestatedAt),
		RestatedBy: act.RestatedBy, Reason: act.Reason, TakenBack: act.TakenBack, Replaces: act.Replaces, InForce: !act.TakenBack,
		Pulls: act.Pulls, Kept: act.Kept, CodeVersion: act.CodeVersion,
	}, nil
}

// headline writes the peaks of a restated pull for the audit.
func headline(p *store.RestatedRow, value, u []float64) string {
	var said []string
	for i, f := range p.Figure {
		if p.FigureOf[i] == "peak" {
			said = append(said, fmt.Sprintf("%s %.6g ± %.2g %s", f, value[i], u[i], p.Unit[i]))
		}
	}
	return cmp.Or(strings.Join(said, ", "), "no figure stated")
}

// restatedLine writes what became of a pull for the audit.
func restatedLine(p *store.RestatedRow) string {
	if !p.Restated {
		return p.Note
	}
	value, u := make([]float64, len(p.Figure)), make([]float64, len(p.Figure))
	some := *p
	some.Figure, some.FigureOf, some.Unit = nil, nil, nil
	k := 0
	for i := range p.Figure {
		if p.RestatedValue[i] == nil {
			continue
		}
		some.Figure, some.FigureOf, some.Unit = append(some.Figure, p.Figure[i]), append(some.FigureOf, p.FigureOf[i]), append(some.Unit, p.Unit[i])
		value[k], u[k] = *p.RestatedValue[i], *p.RestatedU[i]
		k++
	}
	return p.Way + ", " + headline(&some, value[:k], u[:k])
}

// UndoRestatement takes a flag's restatement back. It stays on record.
func (s *Server) UndoRestatement(ctx context.Context, req *pb.UndoRestatementRequest) (*pb.UndoRestatementResponse, error) {
	who, err := s.person(ctx, "restated_by", req.RestatedBy)
	if err != nil {
		return nil, err
	}
	reason := strings.TrimSpace(req.Reason)
	if reason == "" {
		return nil, &wire.FieldError{Field: "reason", Reason: "is empty; say why the restatement is taken back"}
	}
	// The flag may be gone since: what was restated by it can be taken back still.
	all, err := s.store.ReadRestatements(ctx, fleet.FlagID(req.FlagId))
	if err != nil {
		return nil, err
	}
	acts := all[fleet.FlagID(req.FlagId)]
	if len(acts) == 0 {
		if _, found, err := s.store.ReadFlag(ctx, fleet.FlagID(req.FlagId)); err != nil {
			return nil, err
		} else if !found {
			return nil, fmt.Errorf("flag %.80q: %w", req.FlagId, store.ErrNotFound)
		}
	}
	act := store.RestatementRow{FlagID: req.FlagId, RestatedBy: who, Reason: reason, TakenBack: true}
	if len(acts) > 0 {
		act.CellID, act.CodeVersion = acts[0].CellID, acts[len(acts)-1].CodeVersion
	}
	made, err := s.keep(ctx, act, nil)
	if err != nil {
		return nil, err
	}
	return &pb.UndoRestatementResponse{RestatedBy: who, Restatement: made}, nil
}
