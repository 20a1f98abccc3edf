package query

import (
	"context"
	"fmt"
	"math"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/powercurve"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/wire"
)

// GetBudget computes a pull anew from its samples and says where the
// uncertainty of one of its figures comes from.
func (s *Server) GetBudget(ctx context.Context, req *pb.GetBudgetRequest) (*pb.GetBudgetResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	if !wire.ValidHash(req.PullId) {
		return nil, &wire.FieldError{Field: "pull_id", Reason: "is no pull's id; it has 32 hexadecimal digits, as `rollcall pulls` lists them"}
	}
	asked, err := figureAsked(&pb.ComparePullsRequest{Figure: req.Figure})
	if err != nil {
		return nil, err
	}
	pulls, err := s.reduced(ctx, "pull_id", []fleet.PullID{fleet.PullID(req.PullId)})
	if err != nil {
		return nil, err
	}
	figure, err := chooseFigure(asked, [2]side{{name: "pull_id", pulls: pulls}, {name: "pull_id", pulls: []pipeline.Reduced{}}})
	if err != nil {
		return nil, err
	}
	curve := pulls[0].Curve
	var budget powercurve.Budget
	if n := req.EngineSpeedRadS; n == nil {
		budget, err = curve.PeakBudget(figure)
	} else {
		if !(*n > 0) || math.IsInf(*n, 0) || len(curve.Points) == 0 {
			return nil, &wire.FieldError{Field: "engine_speed_rad_s", Reason: fmt.Sprintf("%g is no engine speed of the curve", *n)}
		}
		nearest := 0
		for i, p := range curve.Points {
			if math.Abs(p.EngineSpeed-*n) < math.Abs(curve.Points[nearest].EngineSpeed-*n) {
				nearest = i
			}
		}
		budget, err = curve.Budget(figure, powercurve.OnPoints, nearest)
	}
	if err != nil {
		return nil, &wire.FieldError{Field: "figure", Reason: fmt.Sprintf("pull %s does not state %s: %s", req.PullId, figure, whyNot(curve, figure))}
	}
	out := &pb.GetBudgetResponse{
		Of: budget.Of, FigureUnit: figure.Unit(), Value: budget.Value,
		StandardUncertainty: budget.U, OwnStandardUncertainty: budget.OwnU, DegreesOfFreedom: bounded(budget.DoF),
		CoverageFactor: budget.K, ExpandedUncertainty: budget.Expanded, Text: budget.String(),
	}
	for _, r := range budget.Rows {
		row := &pb.BudgetRow{
			Input: r.Input, Value: r.Value, Unit: r.Unit, StandardUncertainty: r.U, Sensitivity: r.Sensitivity,
			Contribution: r.Contribution, TypeA: r.TypeA, DegreesOfFreedom: bounded(r.DoF), SharedBy: string(r.Scope), Remark: r.Remark,
		}
		if r.Scope == powercurve.ScopePoint {
			row.SharedBy = ""
		}
		out.Rows = append(out.Rows, row)
	}
	return out, nil
}

// bounded returns degrees of freedom that have a bound.
func bounded(dof float64) *float64 {
	if math.IsInf(dof, 0) || dof != dof {
		return nil
	}
	return &dof
}
