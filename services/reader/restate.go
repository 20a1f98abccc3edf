package reader

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

// restate computes the pulls that a flag touches anew.
func (a *app) restate() *cobra.Command {
	var reason, by string
	var undo bool
	c := &cobra.Command{Use: "restate FLAG", Short: "Restate the customer pulls that a flag touches", Args: cobra.ExactArgs(1),
		Long: "Compute the customer pulls that a flag touches anew from their samples, with the error of\ntheir cell at each pull's own time put right, and keep the restated figures beside the\n" +
			"stated ones, each with U. Where the cause is not known with 90 % the flag's effect on the\nstated power is taken off, and it is said. The stated figures and the curves stay as they\nare. " +
			"Again makes a new version that names the one before; --undo takes the last one\nback. Who and why are kept for good; a certificate's name comes before --by.",
		Example: `  rollcall restate 6f0d… --by "M. Krause" --reason "gain 2 % high since May, certificate fen-2-2026-0003"
  rollcall restate 6f0d… --undo --by "M. Krause" --reason "the masses of that check were mixed up"
  rollcall restate list 6f0d…`}
	c.Flags().StringVar(&reason, "reason", "", "why the pulls are restated, or the restatement is taken back (needed)")
	c.Flags().StringVar(&by, "by", "", "who decides it (needed)")
	c.Flags().BoolVar(&undo, "undo", false, "take the flag's restatement back")
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if strings.TrimSpace(reason) == "" || strings.TrimSpace(by) == "" {
			return &UsageError{fmt.Errorf("a restatement is signed, and so is taking it back: give both --reason and --by")}
		}
		return a.call(c, func(ctx context.Context, conn grpc.ClientConnInterface) error {
			admin := rollcallv1.NewAdminServiceClient(conn)
			if undo {
				answer, err := admin.UndoRestatement(ctx, &rollcallv1.UndoRestatementRequest{FlagId: args[0], Reason: reason, RestatedBy: by})
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(c.OutOrStdout(), "restatement of flag %s taken back, signed by %s; it stays on record\n", args[0], show.Clean(answer.GetRestatedBy()))
				return err
			}
			answer, err := admin.RestateFlag(ctx, &rollcallv1.RestateFlagRequest{FlagId: args[0], Reason: reason, RestatedBy: by})
			if err != nil {
				return err
			}
			if answer.GetPending() {
				_, err = fmt.Fprintf(c.OutOrStdout(), "the pulls of flag %s are being restated, signed by %s; `rollcall restate list %s` shows them when it is done\n", args[0], show.Clean(answer.GetRestatedBy()), args[0])
				return err
			}
			list, err := rollcallv1.NewFleetServiceClient(conn).ListRestatements(ctx, &rollcallv1.ListRestatementsRequest{FlagId: args[0]})
			if err != nil {
				return fmt.Errorf("the restatement is kept, but cannot be read: %w", err)
			}
			var made []*rollcallv1.Restatement
			for _, r := range list.GetRestatements() {
				if r.GetRestatementId() == answer.GetRestatement().GetRestatementId() {
					made = append(made, r)
				}
			}
			return printRestatements(c.OutOrStdout(), made)
		})
	}
	c.AddCommand(a.listRestatements())
	return c
}

func (a *app) listRestatements() *cobra.Command {
	var format formatFlags
	c := &cobra.Command{Use: "list [FLAG]", Short: "What was restated, by whom and why, with every version", Args: cobra.MaximumNArgs(1),
		Long: "Every restatement of a flag, or of all, with its pulls: also those that a later one\nreplaced and those taken back. --csv prints a line for each\nfigure of each pull, --json everything."}
	format.add(c)
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, args []string) error {
		if err := format.check(); err != nil {
			return err
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.ListRestatements(ctx, &rollcallv1.ListRestatementsRequest{FlagId: strings.Join(args, "")})
			if err != nil {
				return err
			}
			if len(answer.GetRestatements()) == 0 && !format.json {
				return fmt.Errorf("nothing was restated: %w", ErrNothing)
			}
			if format.csv {
				return restatedCSV(c.OutOrStdout(), answer.GetRestatements())
			}
			return printAs(format, c.OutOrStdout(), answer, answer.GetRestatements(), func() error { return printRestatements(c.OutOrStdout(), answer.GetRestatements()) })
		})
	}
	return c
}

// restatedCSV writes a line for each figure of each restated pull; one for a pull
// that has none.
func restatedCSV(w io.Writer, all []*rollcallv1.Restatement) error {
	out := csv.NewWriter(w)
	number := func(x *float64) string {
		if x == nil {
			return ""
		}
		return strconv.FormatFloat(*x, 'g', -1, 64)
	}
	rows := [][]string{{"restatement_id", "version", "in_force", "flag_id", "restated_at", "restated_by", "reason", "pull_id", "cell_id", "started_at", "customer_car", "restated", "way", "note", "cause", "cause_probability",
		"size", "size_expanded_uncertainty", "size_unit", "size_from", "effect_ratio", "effect_expanded_uncertainty_ratio", "code_version",
		"figure", "of", "unit", "stated", "stated_expanded_uncertainty", "restated_value", "restated_expanded_uncertainty", "difference", "difference_expanded_uncertainty"}}
	for _, a := range all {
		for _, p := range a.GetRestatedPulls() {
			head := []string{a.GetRestatementId(), strconv.Itoa(int(a.GetVersion())), strconv.FormatBool(a.GetInForce()), a.GetFlagId(), a.GetRestatedAt().AsTime().Format(time.RFC3339Nano), a.GetRestatedBy(), a.GetReason(),
				p.GetPullId(), p.GetCellId(), p.GetStartedAt().AsTime().Format(time.RFC3339Nano), p.GetCustomerCar(), strconv.FormatBool(p.GetRestated()), p.GetWay(), p.GetNote(), p.GetCause(), number(&p.CauseProbability),
				number(p.Size), number(p.SizeExpandedUncertainty), p.GetSizeUnit(), p.GetSizeFrom(), number(&p.Effect), number(&p.EffectExpandedUncertainty), p.GetCodeVersion()}
			if len(p.GetFigures()) == 0 {
				rows = append(rows, append(head, "", "", "", "", "", "", "", "", ""))
			}
			for _, f := range p.GetFigures() {
				rows = append(rows, append(slices.Clone(head), f.GetFigure(), f.GetOf(), f.GetUnit(), number(&f.Stated), number(&f.StatedExpandedUncertainty),
					number(f.Restated), number(f.RestatedExpandedUncertainty), number(f.Difference), number(f.DifferenceExpandedUncertainty)))
			}
		}
	}
	return out.WriteAll(rows)
}

func printRestatements(w io.Writer, all []*rollcallv1.Restatement) error {
	var b strings.Builder
	for i, r := range all {
		if i > 0 {
			b.WriteByte('\n')
		}
		state := ""
		if !r.GetInForce() && !r.GetTakenBack() {
			state = "; does not count any more"
		}
		fmt.Fprintf(&b, "flag %s on %s, %s%s\n", show.Clean(r.GetFlagId()), show.Clean(r.GetCellId()), show.Clean(show.Restatement(r)), state)
		if len(r.GetRestatedPulls()) == 0 {
			continue
		}
		if err := restatedTable(&b, "  ", r.GetRestatedPulls()); err != nil {
			return err
		}
		pulls := map[string]int{}
		for _, p := range r.GetRestatedPulls() {
			pulls[p.GetNote()]++
		}
		for _, note := range slices.Sorted(maps.Keys(pulls)) {
			if note != "" {
				fmt.Fprintf(&b, "  %s: %s\n", show.Count(pulls[note], "pull", "pulls"), show.Clean(show.Sentence(note)))
			}
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// restatedTable writes pulls with their figures as stated and restated.
func restatedTable(b *strings.Builder, indent string, pulls []*rollcallv1.RestatedPull) error {
	t := table{heads: []string{indent + "PULL", "STARTED (UTC)", "CUSTOMER'S CAR", "FIGURE", ">STATED", ">± U", ">RESTATED", ">± U", ">DIFFERENCE", ">± U", "UNIT", "HOW"}}
	for _, p := range pulls {
		how := p.GetWay()
		if !p.GetRestated() {
			how = "kept as stated"
		}
		id, at, car := p.GetPullId(), show.At(p.GetStartedAt()), show.Or(p.GetCustomerCar())
		short := show.RestatedShort(p, show.DefaultUnits())
		if len(short) == 0 {
			t.add(indent+id, at, car, show.Absent, show.Absent, show.Absent, show.Absent, show.Absent, show.Absent, show.Absent, "", how)
		}
		for _, r := range short {
			t.add(indent+id, at, car, r.Figure, r.Stated, r.StatedU, r.Restated, r.RestatedU, r.Difference, r.DifferenceU, r.Unit, how)
		}
	}
	return t.print(b)
}
