package showtest

import (
	"context"

	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// PlanRotation answers with a plan of two weeks and remembers what it was asked.
func (f *Fleet) PlanRotation(_ context.Context, r *rollcallv1.PlanRotationRequest) (*rollcallv1.PlanRotationResponse, error) {
	f.Asked = proto.CloneOf(r)
	if f.Err != nil {
		return nil, f.Err
	}
	stop := func(week uint32, car, from, site string, cost float64, cells ...string) *rollcallv1.RotationStop {
		return &rollcallv1.RotationStop{Week: week, CarId: car, SiteId: site, FromSiteId: from, Cost: cost, CellIds: cells}
	}
	away := stop(2, "rowan", "hag", "hag", 0)
	away.Away = true
	return &rollcallv1.PlanRotationResponse{
		From: Day(162), Weeks: 2,
		Now:      &rollcallv1.RotationScheme{LargestExpandedUncertainty: 0.0131, LargestCellId: "hag-1", TypicalExpandedUncertainty: 0.0068},
		Plan:     &rollcallv1.RotationScheme{LargestExpandedUncertainty: 0.0054, LargestCellId: "mil-1", TypicalExpandedUncertainty: 0.0047, Cost: 312, Stops: []*rollcallv1.RotationStop{stop(1, "hazel", "fen", "hag", 312, "hag-1"), stop(1, "rowan", "hag", "hag", 0, "hag-1"), stop(2, "hazel", "hag", "hag", 0, "hag-1"), away}},
		Stays:    &rollcallv1.RotationScheme{LargestExpandedUncertainty: 0.0133, LargestCellId: "hag-1", TypicalExpandedUncertainty: 0.0064},
		Round:    &rollcallv1.RotationScheme{LargestExpandedUncertainty: 0.0059, LargestCellId: "mil-1", TypicalExpandedUncertainty: 0.0048, Cost: 1240, OverBudget: true},
		CostUnit: "km", Travel: "Distances are great circles between the sites' places; roads are longer.",
		Why: []string{"Reference car hazel at site hag in week 1 tells cells hag-1 and fen-1 apart, which no visit yet separates from their cars: their difference is known to ± 0.71 % after the plan, ± 1.82 % if every car stays."},
	}, nil
}
