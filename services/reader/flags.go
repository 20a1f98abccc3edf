package reader

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/caution"
	"rollcall/services/show"
)

func (a *app) flags() *cobra.Command {
	var closed, touched bool
	c := listCommand(a, "flags", "The open flags, with cause and what to do",
		"The open flags: what was seen, the most likely cause, the check that tells the\nleading causes apart, and how many customer pulls are touched.", "flag",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListFlagsResponse, error) {
			return fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{Filter: f, IncludeClosed: closed})
		},
		(*rollcallv1.ListFlagsResponse).GetFlags,
		func(c *cobra.Command, flags []*rollcallv1.Flag) error {
			return printFlags(c.OutOrStdout(), flags, touched)
		})
	c.Flags().BoolVar(&closed, "closed", false, "also the closed ones")
	c.Flags().BoolVar(&touched, "touched", false, "list the customer pulls a flag touches, stated and restated")
	c.AddCommand(a.acknowledgeFlag(), a.closeFlag())
	return c
}

func printFlags(w io.Writer, flags []*rollcallv1.Flag, touched bool) error {
	var b strings.Builder
	asks := false
	for i, f := range flags {
		if i > 0 {
			b.WriteByte('\n')
		}
		state := "open since " + show.At(f.GetOpenedAt()) + " UTC"
		if !f.GetOpen() {
			state = fmt.Sprintf("closed %s UTC by %s: %s", show.At(f.GetClosedAt()), show.Or(f.GetClosedBy()), show.Or(f.GetClosedReason()))
		}
		fmt.Fprintf(&b, "%s, %s\n", show.Clean(show.Title(f, f.GetCellId())), show.Clean(state))
		line := func(head, text string) {
			if text != "" {
				fmt.Fprintf(&b, "  %-12s %s\n", head, show.Clean(show.Sentence(text)))
			}
		}
		line("flag", f.GetFlagId())
		if f.GetOpen() && f.GetAcknowledgedBy() != "" {
			line("taken on", "by "+f.GetAcknowledgedBy()+", "+show.At(f.GetAcknowledgedAt())+" UTC")
		}
		line("seen", f.GetEvidence())
		line("since", show.At(f.GetFirstEvidenceAt())+" UTC, first evidence")
		for j, cause := range show.Causes(f.GetCauses()) {
			head := "cause"
			if j > 0 {
				head = "or"
			}
			text := fmt.Sprintf("%s, %.0f %%", show.Cause(cause.GetFault()), cause.GetProbability()*100)
			if cause.GetSizeUnit() != "" {
				text += " (" + show.Sized(cause.GetSize(), cause.GetExpandedUncertainty(), cause.GetSizeUnit()) + ")"
			}
			line(head, text)
		}
		if f.GetOpen() {
			line("next", f.GetNextCheck())
			asks = asks || f.GetNextCheck() != ""
		}
		if len(f.GetTouchedPulls()) == 0 && f.GetOpen() && f.GetCellId() != "" && f.GetKind() == "recalibrate" {
			line("touches", "no customer pull")
		}
		if n := len(f.GetTouchedPulls()); n > 0 {
			line("touches", show.Count(n, "customer pull", "customer pulls"))
		}
		for _, r := range f.GetRestatements() {
			if r.GetInForce() || r.GetTakenBack() && r == f.GetRestatements()[len(f.GetRestatements())-1] {
				line("restated", show.Restatement(r))
			}
		}
		if touched {
			if err := printTouched(&b, f); err != nil {
				return err
			}
		}
	}
	if asks {
		fmt.Fprintf(&b, "\n%s\n%s\n%s\n", caution.Car, caution.Masses, caution.First)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// printTouched lists the pulls a flag touches, and what was restated of them.
func printTouched(b *strings.Builder, f *rollcallv1.Flag) error {
	var restated []*rollcallv1.RestatedPull
	if len(f.GetTouchedPulls()) > 0 {
		t := table{heads: []string{"    PULL", "STARTED (UTC)", "CUSTOMER'S CAR", ">EFFECT %", ">± U %"}}
		for _, p := range f.GetTouchedPulls() {
			effect, u := p.GetEffect(), p.GetExpandedUncertainty()
			t.add("    "+p.GetPullId(), show.At(p.GetStartedAt()), show.Or(p.GetCustomerCar()), show.OffPercent(&effect), show.Percent(&u))
			if p.GetRestated() != nil {
				restated = append(restated, p.GetRestated())
			}
		}
		if err := t.print(b); err != nil {
			return err
		}
	}
	beside := f.GetRestatedBeside()
	if restated = append(restated, beside...); len(restated) == 0 {
		return nil
	}
	b.WriteByte('\n')
	if err := restatedTable(b, "    ", restated); err != nil {
		return err
	}
	if n := len(beside); n > 0 {
		fmt.Fprintf(b, "    The last %d of these the flag, looked at anew, touches no more.\n", n)
	}
	return nil
}

func (a *app) acknowledgeFlag() *cobra.Command {
	var reason, by string
	c := &cobra.Command{Use: "acknowledge ID", Short: "Say that you have taken a flag on", Args: cobra.ExactArgs(1),
		Long:    "Say that you have taken an open flag on, and what you do about it. The flag stays open.\nReason and name are kept for good; a certificate's name comes before --by.",
		Example: `  rollcall flags acknowledge 6f0d… --by "J. Dahl" --reason "dead weights on Monday"`}
	c.Flags().StringVar(&reason, "reason", "", "what is being done (needed)")
	c.Flags().StringVar(&by, "by", "", "who has taken it on (needed)")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(reason) == "" || strings.TrimSpace(by) == "" {
			return &UsageError{fmt.Errorf("give both --reason and --by")}
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			r, err := rollcallv1.NewAdminServiceClient(conn).AcknowledgeFlag(ctx, &rollcallv1.AcknowledgeFlagRequest{FlagId: args[0], Reason: reason, AcknowledgedBy: by})
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "flag %s taken on by %s\n", args[0], show.Clean(r.GetAcknowledgedBy()))
			return err
		})
	}
	return c
}

func (a *app) closeFlag() *cobra.Command {
	var reason, by string
	c := &cobra.Command{Use: "close ID", Short: "Close a flag by a signed reason", Args: cobra.ExactArgs(1),
		Long: "Close a flag by a signed reason. A cell's flag also closes by itself when an as-left\ncheck puts the cell right; a reference car's closes by a signed reason only. Reason and\n" +
			"name are kept for good. Whoever comes with a certificate signs by the certificate's\nname, whatever --by says; the answer names who signed.",
		Example: `  rollcall flags close 6f0d… --by "M. Krause" --reason "load cell replaced, certificate 2026-118"`}
	c.Flags().StringVar(&reason, "reason", "", "why the flag may be closed (needed)")
	c.Flags().StringVar(&by, "by", "", "who closes it (needed)")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(reason) == "" || strings.TrimSpace(by) == "" {
			return &UsageError{fmt.Errorf("a flag is closed by a signed reason: give both --reason and --by")}
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			_, err := rollcallv1.NewAdminServiceClient(conn).CloseFlag(ctx, &rollcallv1.CloseFlagRequest{FlagId: args[0], Reason: reason, ClosedBy: by})
			if err != nil {
				return err
			}
			signed, err := signature(ctx, rollcallv1.NewFleetServiceClient(conn), args[0], by)
			if err != nil {
				return fmt.Errorf("the closing is signed, but the flag cannot be read: %w", err)
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "flag %s %s\n", args[0], show.Clean(signed))
			return err
		})
	}
	return c
}

// signature says how a flag stands after it was closed, and who signed.
func signature(ctx context.Context, fleet rollcallv1.FleetServiceClient, id, by string) (string, error) {
	flags, err := fleet.ListFlags(ctx, &rollcallv1.ListFlagsRequest{IncludeClosed: true, Filter: &rollcallv1.Filter{Limit: 1_000_000}})
	if err != nil {
		return "", err
	}
	for _, f := range flags.GetFlags() {
		switch {
		case f.GetFlagId() != id || f.GetOpen():
		case f.GetClosedBy() == by:
			return "is closed, signed by " + by, nil
		default:
			return fmt.Sprintf("is closed, signed by %s: the name of the certificate, not that of --by", f.GetClosedBy()), nil
		}
	}
	return "has a signed closing; it shows closed as soon as the fleet has been compared anew", nil
}
