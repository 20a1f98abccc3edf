package reader

import (
	"context"
	"fmt"
	"math"

	"github.com/spf13/cobra"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// budget prints where the uncertainty of a pull's figure comes from.
func (a *app) budget() *cobra.Command {
	var format formatFlags
	var figure string
	var rpm float64
	c := &cobra.Command{
		Use: "budget ID", Short: "The uncertainty budget of a pull's figure", Args: cobra.ExactArgs(1),
		Long: "Where the uncertainty of a pull's figure comes from: every input with its standard\n" +
			"uncertainty, sensitivity and contribution, type A or B, degrees of freedom, and who shares\n" +
			"its error; computed anew from the pull's samples. Of the peak, or with --rpm of the point\n" +
			"of the curve nearest to it.",
	}
	format.add(c)
	timeoutFlag(c)
	c.Flags().StringVar(&figure, "figure", "", "corrected engine power, engine power, wheel power, corrected engine torque, engine torque, tractive force (default: the first of the three powers that the pull states)")
	c.Flags().Float64Var(&rpm, "rpm", 0, "engine speed of the point (default: the peak)")
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := format.check(); err != nil {
			return err
		}
		request := &rollcallv1.GetBudgetRequest{PullId: args[0], Figure: figure}
		if c.Flags().Changed("rpm") {
			n := rpm * math.Pi / 30
			request.EngineSpeedRadS = &n
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.GetBudget(ctx, request)
			if err != nil {
				return err
			}
			return printAs(format, c.OutOrStdout(), answer, answer.GetRows(), func() error {
				_, err := fmt.Fprint(c.OutOrStdout(), answer.GetText())
				return err
			})
		})
	}
	return c
}
