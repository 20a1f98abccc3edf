package reader

import (
	"context"
	"fmt"
	"io"
	"strconv"

	"github.com/spf13/cobra"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/show"
)

const equivalenceHelp = `Degrees of equivalence: how far each cell is from the consensus of the fleet, with U and
E_n, and its weight in that consensus; with --pairs how far cells are from each other.

  rollcall equivalence --site fen --pairs     the cells of a site, and each with each
  rollcall equivalence --cell fen-2 --pairs   one cell against all others

E_n is the difference over its U (k = 2), which knows what the two share; |E_n| ≤ 1 is
satisfactory (ISO/IEC 17043). Where the visits of the reference cars cannot tell cells
apart there is no figure, and the visit that would is named.

--csv prints the cells, with --pairs the pairs.`

// equivalence prints degrees of equivalence.
func (a *app) equivalence() *cobra.Command {
	var format formatFlags
	var site, cell string
	var pairs bool
	c := &cobra.Command{Use: "equivalence", Short: "Degrees of equivalence of cells and of pairs of cells, with E_n", Long: equivalenceHelp, Args: cobra.NoArgs}
	format.add(c)
	timeoutFlag(c)
	f := c.Flags()
	f.StringVar(&site, "site", "", "only this site")
	f.StringVar(&cell, "cell", "", "only this cell; with --pairs this cell against all others")
	f.BoolVar(&pairs, "pairs", false, "the cells with each other too")
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := format.check(); err != nil {
			return err
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := fleet.ListEquivalences(ctx, &rollcallv1.ListEquivalencesRequest{Filter: &rollcallv1.Filter{SiteId: site, CellId: cell}, Pairs: pairs})
			if err != nil {
				return err
			}
			people := func() error { return printEquivalences(c.OutOrStdout(), answer, pairs) }
			if pairs {
				err = printAs(format, c.OutOrStdout(), answer, answer.GetPairs(), people)
			} else {
				err = printAs(format, c.OutOrStdout(), answer, answer.GetEquivalences(), people)
			}
			if err == nil && len(answer.GetEquivalences()) == 0 {
				err = fmt.Errorf("no cell here: %w", ErrNothing)
			}
			return err
		})
	}
	return c
}

func printEquivalences(w io.Writer, r *rollcallv1.ListEquivalencesResponse, pairs bool) error {
	if len(r.GetEquivalences()) == 0 {
		return nil
	}
	// What cannot be told apart is said once, below.
	var why []string
	seen := map[string]bool{"": true}
	verdict := func(verdict, notSeparable string) string {
		if !seen[notSeparable] {
			seen[notSeparable] = true
			why = append(why, notSeparable)
		}
		if notSeparable != "" {
			return "not separable"
		}
		return show.Or(verdict)
	}
	en := func(x *float64) string { return show.Sentence(show.Scaled(x, 1, 2)) }
	t := table{heads: []string{"SITE", "CELL", ">OFFSET %", ">± U %", ">E_n", "VERDICT", ">WEIGHT %", ">RUNS", "LAST RUN (UTC)"}}
	for _, e := range r.GetEquivalences() {
		weight := e.GetWeight()
		t.add(show.Or(e.GetSiteId()), e.GetCellId(), show.OffPercent(e.Offset), show.Percent(e.ExpandedUncertainty), en(e.EN), verdict(e.GetVerdict(), e.GetNotSeparable()),
			show.Percent(&weight), strconv.Itoa(int(e.GetRuns())), show.At(e.GetLastRunAt()))
	}
	if err := t.print(w); err != nil {
		return err
	}
	c := r.GetConsensus()
	u, sd := c.GetExpandedUncertainty(), c.GetStandardDeviation()
	moved := "nothing bounds how far one of them moves it"
	if c.MostMoved != nil {
		moved = fmt.Sprintf("one cell, however far out, moves it by %s %% at most", show.Percent(c.MostMoved))
	}
	if c.Between != nil {
		moved = fmt.Sprintf("beyond what their U say the cells differ by a standard deviation of %s %% (Paule and Mandel); ", show.Percent(c.Between)) + moved
	}
	if _, err := fmt.Fprintf(w, "\nConsensus of %s ± %s %% (k = 2), at %s UTC; standard deviation between cells %s %%; %s.\n",
		show.Count(int(c.GetCells()), "cell", "cells"), show.Percent(&u), show.At(c.GetAt()), show.Percent(&sd), moved); err != nil {
		return err
	}
	if pairs {
		t := table{heads: []string{"CELL", "LESS", ">DIFFERENCE %", ">± U %", ">E_n", "VERDICT"}}
		for _, p := range r.GetPairs() {
			t.add(p.GetCellId(), p.GetOtherCellId(), show.OffPercent(p.Difference), show.Percent(p.ExpandedUncertainty), en(p.EN), verdict(p.GetVerdict(), p.GetNotSeparable()))
		}
		if _, err := fmt.Fprintln(w); err != nil {
			return err
		}
		if err := t.print(w); err != nil {
			return err
		}
	}
	if len(why) > 0 {
		if _, err := fmt.Fprintln(w); err != nil {
			return err
		}
	}
	for _, s := range why {
		if _, err := fmt.Fprintln(w, show.Clean(show.Sentence(s))); err != nil {
			return err
		}
	}
	return nil
}
