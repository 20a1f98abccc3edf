package reader

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// loss changes whose loss a pull is computed with.
func (a *app) loss() *cobra.Command {
	c := &cobra.Command{Use: "loss", Short: "Carry a measured driveline loss to later pulls of the same car and set-up",
		Long: "An unchanged car keeps its loss. Where a pull was made without a coast-down, the loss\nthat a baseline pull's coast-down measured can be used for it, on request and marked as\ncarried. " +
			"A percentage cannot: it grows with the power, and the loss does not."}
	c.AddCommand(a.carryLoss(), a.undoLoss())
	return c
}

// decision are the flags of a signed decision.
type decision struct{ reason, by string }

func (d *decision) add(c *cobra.Command, why string) {
	c.Flags().StringVar(&d.reason, "reason", "", why+" (needed)")
	c.Flags().StringVar(&d.by, "by", "", "who decides it (needed without a certificate, whose name signs otherwise)")
	timeoutFlag(c)
}

func (a *app) carryLoss() *cobra.Command {
	var d decision
	var from string
	c := &cobra.Command{Use: "carry --from BASELINE PULL...", Short: "Use a baseline pull's loss for later pulls", Args: cobra.MinimumNArgs(1),
		Long: "Use the loss that a baseline pull's coast-down measured for later pulls of the same car\nand set-up on the same cell; the pulls are computed anew, for all of them or none. Refused\n" +
			"where it would be wrong: another car, set-up, cell, gear or rotating mass, a baseline\nwithout a coast-down of its own or made later, and a pull that measured its own loss.",
		Example: `  rollcall loss carry --from 0a1b… 2c3d… 4e5f… --by "M. Krause" --reason "same car, tyres and straps, not moved between"`}
	c.Flags().StringVar(&from, "from", "", "the baseline pull (needed)")
	d.add(c, "how it is known that car and set-up are unchanged")
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(from) == "" || strings.TrimSpace(d.reason) == "" {
			return &UsageError{fmt.Errorf("a loss is carried from a named pull for a stated reason: give both --from and --reason")}
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			answer, err := rollcallv1.NewAdminServiceClient(conn).CarryLoss(ctx, &rollcallv1.CarryLossRequest{FromPullId: from, PullIds: args, Reason: d.reason, DecidedBy: d.by})
			if err != nil {
				return err
			}
			fmt.Fprintf(c.OutOrStdout(), "loss of pull %s of %s UTC carried to %s, signed by %s\n", from, show.At(answer.GetFromStartedAt()), show.Count(len(args), "pull", "pulls"), show.Clean(answer.GetDecidedBy()))
			return a.stands(ctx, c, conn, args)
		})
	}
	return c
}

func (a *app) undoLoss() *cobra.Command {
	var d decision
	c := &cobra.Command{Use: "undo PULL...", Short: "Take the carrying of a loss back", Args: cobra.MinimumNArgs(1),
		Long: "Take the carrying of a loss back: the pulls are computed anew without it."}
	d.add(c, "why the loss is not to be carried any more")
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(d.reason) == "" {
			return &UsageError{fmt.Errorf("taking back is signed too: give --reason")}
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			answer, err := rollcallv1.NewAdminServiceClient(conn).UndoCarriedLoss(ctx, &rollcallv1.UndoCarriedLossRequest{PullIds: args, Reason: d.reason, DecidedBy: d.by})
			if err != nil {
				return err
			}
			fmt.Fprintf(c.OutOrStdout(), "carried loss of %s taken back, signed by %s\n", show.Count(len(args), "pull", "pulls"), show.Clean(answer.GetDecidedBy()))
			return a.stands(ctx, c, conn, args)
		})
	}
	return c
}

// stands says how pulls stand after a decision on their losses.
func (a *app) stands(ctx context.Context, c *cobra.Command, conn grpc.ClientConnInterface, ids []string) error {
	fleet := rollcallv1.NewFleetServiceClient(conn)
	for _, id := range ids {
		answer, err := fleet.GetPull(ctx, &rollcallv1.GetPullRequest{PullId: id})
		if err != nil {
			return fmt.Errorf("the decision is kept, but pull %s cannot be read: %w", id, err)
		}
		p := answer.GetPull()
		power := "engine power not stated"
		if p.PeakEnginePowerW != nil {
			power = show.Scaled(p.PeakEnginePowerW, 1000, 2) + " kW peak engine power"
			if p.PeakEnginePowerExpandedUncertaintyW != nil {
				power += " ± " + show.Scaled(p.PeakEnginePowerExpandedUncertaintyW, 1000, 2) + " kW (U, k = 2)"
			}
		}
		if p.GetLoss() == "none" {
			p.LossNote = "none: " + p.GetLossNote()
		}
		fmt.Fprintf(c.OutOrStdout(), "  %s  %s; loss %s\n", id, power, show.Clean(show.Sentence(p.GetLossNote())))
	}
	return nil
}
