package query

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/correction"
	"rollcall/services/fleet"
	"rollcall/services/show"
	"rollcall/services/store"
)

// doubt says of pulls which open flags touch them and what that does to them.
func (s *Server) doubt(ctx context.Context, pulls []*pb.Pull) error {
	var ids []fleet.PullID
	for _, p := range pulls {
		// Reference runs judge the cell; a flag touches customers' pulls.
		if p.CarId == "" && p.Kind == fleet.KindPull.String() {
			ids = append(ids, fleet.PullID(p.PullId))
		}
	}
	touched, err := s.store.ReadDoubts(ctx, ids)
	if err != nil || len(touched) == 0 {
		return err
	}
	flags, err := s.store.ListFlags(ctx, store.Filter{Limit: everything}, false)
	if err != nil {
		return err
	}
	open := map[string]store.FlagRow{}
	for _, g := range flags {
		open[g.FlagID] = g
	}
	for _, p := range pulls {
		var said []string
		for _, t := range touched[fleet.PullID(p.PullId)] {
			// A flag may have been closed between the two reads.
			if g, ok := open[t.FlagID]; ok {
				said = append(said, doubtful(g, t))
				p.DoubtFlagIds = append(p.DoubtFlagIds, t.FlagID)
			}
		}
		p.Doubt = strings.Join(said, " ")
	}
	return nil
}

// doubtful says what an open flag does to a pull.
func doubtful(g store.FlagRow, t store.TouchedRow) string {
	cause := ""
	if causes := g.Causes(); len(causes) > 0 {
		cause = fmt.Sprintf(", most likely %s, %.0f %%", show.Cause(causes[0].Fault), 100*causes[0].Probability)
	}
	return fmt.Sprintf("Cell %s was not known to be good: flag %s, open since %s%s. The stated power is off by %s %% ± %.2f %% (k = 2).",
		g.CellID, g.Kind, g.OpenedAt.UTC().Format(time.DateOnly), cause, show.Signed(100*t.Effect, 2), 100*t.EffectU)
}

// unseen are the faults that no check of the load cell can see.
var unseen = map[string]bool{
	fleet.FaultInertia.String(): true, fleet.FaultParasitic.String(): true, fleet.FaultAir.String(): true, fleet.FaultReferenceCar.String(): true,
	fleet.FaultSpeed.String(): true, fleet.FaultSlip.String(): true,
}

// standingAgainst says what stands against a flagged cell whose checks passed.
func standingAgainst(g store.FlagRow, verdict string) string {
	if verdict != fleet.VerdictPass.String() && verdict != fleet.VerdictConditionalPass.String() {
		return ""
	}
	said := "The load cell passed its last checks; what stands against the cell: " + show.Sentence(g.Evidence)
	if causes := g.Causes(); len(causes) > 0 && unseen[causes[0].Fault] {
		said += fmt.Sprintf(" A check of the load cell does not see the likely cause, %s.", causes[0].Fault)
	}
	return said
}

// notJudged says why a run has no deviation; empty when it has one.
func notJudged(r *pb.Run) string {
	switch {
	case r.Deviation != nil:
		return ""
	case r.PullsUsed == 0:
		return "no pull fit to judge with"
	case r.Offset == nil:
		return "not compared yet"
	}
	return "no expectation yet"
}

// peakNote says so where the greatest power stands at the last point of the
// curve. Rows read without their points say nothing.
func peakNote(r *store.CurveRow) string {
	n, what, at := len(r.EngineSpeed), "engine power", r.PeakEnginePowerEngineSpeed
	if r.PeakEnginePower == nil {
		what, at = "wheel power", r.PeakWheelPowerEngineSpeed
	} else {
		for n > 0 && r.EnginePower[n-1] == nil {
			n--
		}
	}
	// The top of a peak's parabola may stand at its end but for rounding.
	if n < 2 || at == nil || *at < r.EngineSpeed[n-1]*(1-1e-9) {
		return ""
	}
	return what + " is greatest at the last point of the curve, so it was still rising: the true peak may lie beyond the sweep"
}

// told completes pulls with what others say of them: open flags that touch
// them, the pulls around them, and the baselines of their losses.
func (s *Server) told(ctx context.Context, pulls []*pb.Pull) error {
	if err := s.doubt(ctx, pulls); err != nil {
		return err
	}
	var ids, baselines []fleet.PullID
	for _, p := range pulls {
		if p.Kind == fleet.KindPull.String() {
			ids = append(ids, fleet.PullID(p.PullId))
		}
		if p.LossFromPullId != "" {
			baselines = append(baselines, fleet.PullID(p.LossFromPullId))
		}
	}
	beside, err := s.store.ReadNeighbours(ctx, ids)
	if err != nil {
		return err
	}
	from, err := s.store.ReadPullBegins(ctx, baselines)
	if err != nil {
		return err
	}
	for _, p := range pulls {
		if more := beside[fleet.PullID(p.PullId)]; len(more) > 0 {
			p.Findings = append(p.Findings, findings(more)...)
			slices.SortStableFunc(p.Findings, func(a, b *pb.Finding) int { return cmp.Compare(a.StartS, b.StartS) })
		}
		if row, ok := from[fleet.PullID(p.LossFromPullId)]; ok {
			p.LossFromStartedAt = stamp(row.StartedAt)
			id := string(p.LossFromPullId)
			p.LossNote = strings.Replace(p.LossNote, "pull "+id, "pull "+id+" of "+row.StartedAt.UTC().Format(time.DateOnly), 1)
		}
	}
	return nil
}

// judged returns what of a correction's note says what is outside the standard's
// range, and the caution for a charged engine.
func judged(r *store.CurveRow) (outside, caution string) {
	note := r.CorrectionNote
	if c := correction.Caution(fleet.Correction(r.Correction)); strings.HasSuffix(note, c) {
		note, caution = strings.TrimSuffix(strings.TrimSuffix(note, c), "; "), c
	}
	if !r.CorrectionInRange {
		_, outside, _ = strings.Cut(note, "; ")
	}
	return outside, caution
}

// lossOf says how a computed pull's loss was got, in a word and a sentence.
func lossOf(r *store.CurveRow) (loss, note string) {
	switch {
	case r.LossCarriedFrom != "":
		return "carried", fmt.Sprintf("carried from pull %s, in whose coast-down it was measured with the same car and set-up on this cell", r.LossCarriedFrom)
	case r.LossF0 == nil:
		return "none", r.NoEnginePower
	}
	note = "measured in the pull's own coast-down"
	if r.LossAskedFrom != "" {
		note += fmt.Sprintf("; the loss of pull %s, asked to be carried, is not needed", r.LossAskedFrom)
	}
	if r.NoEnginePower != "" {
		note += "; " + r.NoEnginePower
	}
	return "measured", note
}
