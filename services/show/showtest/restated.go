package showtest

import (
	"context"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Restate has the gain flag's pulls restated twice: PullID by the cause, BadPullID
// kept as it was stated.
func (f *Fleet) Restate() {
	act := func(version uint32, day int, reason, replaces string, inForce bool) *rollcallv1.Restatement {
		return &rollcallv1.Restatement{RestatementId: strings.Repeat(string(rune('0'+version)), 32), FlagId: GainFlag, CellId: "fen-2", Version: version, RestatedAt: Day(day), RestatedBy: "M. Krause",
			Reason: reason, Replaces: replaces, InForce: inForce, Pulls: 2, Kept: 1, CodeVersion: "5"}
	}
	first := act(1, 4, "gain found 2 % high "+Attack, "", false)
	second := act(2, 3, "weights of another certificate", first.GetRestatementId(), true)
	figure := func(name, unit string, stated, u, restated, uRestated, uDifference float64) *rollcallv1.RestatedFigure {
		return &rollcallv1.RestatedFigure{Figure: name, Of: "peak", Unit: unit, Stated: stated, StatedExpandedUncertainty: u, Restated: &restated, RestatedExpandedUncertainty: &uRestated,
			Difference: Number(restated - stated), DifferenceExpandedUncertainty: &uDifference}
	}
	for _, a := range []*rollcallv1.Restatement{first, second} {
		pull := func(id string, at int, car string) *rollcallv1.RestatedPull {
			return &rollcallv1.RestatedPull{RestatementId: a.GetRestatementId(), FlagId: GainFlag, PullId: id, CellId: "fen-2", StartedAt: Day(at), CustomerCar: car, Cause: "load-cell gain", CauseProbability: 0.93,
				Effect: 0.018, EffectExpandedUncertainty: 0.0044, Way: "by cause", Version: a.GetVersion(), RestatedAt: a.GetRestatedAt(), RestatedBy: a.GetRestatedBy(), Reason: a.GetReason(), CodeVersion: "5"}
		}
		one := pull(PullID, 9, "red coupe 3.2 "+Attack)
		one.Restated, one.Size, one.SizeExpandedUncertainty, one.SizeUnit, one.SizeFrom = true, Number(0.0204), Number(0.0011), "ratio", "checks"
		one.Figures = []*rollcallv1.RestatedFigure{figure("wheel power", "W", 171200, 1900, 168100, 1950, 170), figure("engine power", "W", 203400, 2600, 200200, 2650, 180),
			figure("engine torque", "N·m", 329.4, 4.2, 324.2, 4.3, 0.3), figure("corrected engine power", "W", 207100, 2700, 203800, 2750, 185)}
		kept := pull(BadPullID, 33, "grey estate 2.0")
		kept.Note = "not restated: a channel that is needed is missing: load_cell"
		a.RestatedPulls = []*rollcallv1.RestatedPull{kept, one}
	}
	f.Restated = []*rollcallv1.Restatement{first, second}
	for _, g := range f.Flags {
		if g.GetFlagId() != GainFlag {
			continue
		}
		for _, a := range f.Restated {
			bare := proto.CloneOf(a)
			bare.RestatedPulls = nil
			g.Restatements = append(g.Restatements, bare)
		}
		for _, t := range g.GetTouchedPulls() {
			for _, p := range second.GetRestatedPulls() {
				if p.GetPullId() == t.GetPullId() {
					t.Restated = p
				}
			}
		}
	}
	for _, p := range f.Pulls {
		for _, q := range second.GetRestatedPulls() {
			if q.GetPullId() == p.GetPullId() {
				p.Restatements = append(p.Restatements, q)
			}
		}
	}
}

// ListRestatements returns what Restate made.
func (f *Fleet) ListRestatements(_ context.Context, r *rollcallv1.ListRestatementsRequest) (*rollcallv1.ListRestatementsResponse, error) {
	if f.Err != nil {
		return nil, f.Err
	}
	if r.GetFlagId() != "" && r.GetFlagId() != GainFlag {
		return nil, status.Errorf(codes.NotFound, "there is no flag %s", r.GetFlagId())
	}
	return &rollcallv1.ListRestatementsResponse{Restatements: f.Restated}, nil
}
