package reader

import (
	"context"
	"strconv"

	"github.com/spf13/cobra"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

func (a *app) checks() *cobra.Command {
	var kind string
	c := listCommand(a, "checks", "The calibration checks with their verdicts",
		"The calibration checks: zero and gain error, or base inertia, with U (k = 2), and the\nverdict. `rollcall check ID` shows one whole.", "check",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListChecksResponse, error) {
			return fleet.ListChecks(ctx, &rollcallv1.ListChecksRequest{Filter: f, Kind: kind})
		},
		(*rollcallv1.ListChecksResponse).GetChecks,
		func(c *cobra.Command, checks []*rollcallv1.Check) error {
			t := table{heads: []string{"PERFORMED (UTC)", "CELL", "KIND", "STATE", ">ZERO N", ">± U N", ">GAIN %", ">± U %", ">INERTIA kg", ">± U kg", "VERDICT", "WHY", "BY", ">READINGS", "CHECK"}}
			for _, k := range checks {
				zero := show.Absent
				if k.ZeroErrorN != nil {
					zero = show.Signed(*k.ZeroErrorN, 2)
				}
				t.add(show.At(k.GetPerformedAt()), k.GetCellId(), k.GetKind(), k.GetState(), zero, show.Scaled(k.ZeroExpandedUncertaintyN, 1, 2),
					show.OffPercent(k.GainError), show.Percent(k.GainExpandedUncertainty), show.Scaled(k.BaseInertiaKg, 1, 1), show.Scaled(k.BaseInertiaExpandedUncertaintyKg, 1, 1), show.Or(k.GetVerdict()), show.Sentence(show.Or(k.GetReason())), show.Or(k.GetPerformedBy()), strconv.Itoa(int(k.GetReadings())), k.GetCheckId())
			}
			return t.print(c.OutOrStdout())
		})
	c.Flags().StringVar(&kind, "kind", "", "only this kind: dead weight, zero, shunt, …, as the column KIND has it")
	return c
}

func (a *app) runs() *cobra.Command {
	return listCommand(a, "runs", "The reference runs with what each said of its cell",
		"The reference runs. DEVIATION is how far the run was from what the fleet expected of\nits car on this cell, IN SIGMA the same in standard deviations, OFFSET the cell's with\n"+
			"U (k = 2) after it. The first runs of a cell or car have no deviation: nothing is\nexpected of them yet.", "reference run",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListRunsResponse, error) {
			return fleet.ListRuns(ctx, &rollcallv1.ListRunsRequest{Filter: f})
		},
		(*rollcallv1.ListRunsResponse).GetRuns,
		func(c *cobra.Command, runs []*rollcallv1.Run) error {
			t := table{heads: []string{"STARTED (UTC)", "CELL", "CAR", "SESSION", ">USED", ">LEFT OUT", ">DEVIATION %", ">IN SIGMA", ">OFFSET %", ">± U %", ">CUSUM UP", ">DOWN", "WHY LEFT OUT"}}
			for _, r := range runs {
				sigma := show.Absent
				if r.Innovation != nil {
					sigma = show.Signed(*r.Innovation, 2)
				}
				deviation := show.OffPercent(r.Deviation)
				if r.Deviation == nil {
					deviation = show.Or(r.GetNotJudged())
				}
				t.add(show.At(r.GetStartedAt()), r.GetCellId(), r.GetCarId(), show.Or(r.GetSession()), strconv.Itoa(int(r.GetPullsUsed())), strconv.Itoa(int(r.GetPullsLeftOut())),
					deviation, sigma, show.OffPercent(r.Offset), show.Percent(r.ExpandedUncertainty),
					strconv.FormatFloat(r.GetCusumHigh(), 'f', 2, 64), strconv.FormatFloat(r.GetCusumLow(), 'f', 2, 64), show.Or(r.GetLeftOutReason()))
			}
			return t.print(c.OutOrStdout())
		})
}
