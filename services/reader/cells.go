package reader

import (
	"context"
	"fmt"
	"math"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/show"
)

// listCommand makes a command that lists rows of one type: get asks the
// service, rows takes them from the answer, people prints them.
func listCommand[A proto.Message, M proto.Message](a *app, use, short, long, noun string,
	get func(ctx context.Context, fleet rollcallv1.FleetServiceClient, filter *rollcallv1.Filter) (A, error),
	rows func(A) []M, people func(c *cobra.Command, rows []M) error) *cobra.Command {
	var filter filterFlags
	var format formatFlags
	c := &cobra.Command{Use: use, Short: short, Long: long, Args: cobra.NoArgs}
	filter.add(c)
	format.add(c)
	timeoutFlag(c)
	c.RunE = func(c *cobra.Command, _ []string) error {
		if err := format.check(); err != nil {
			return err
		}
		f, err := filter.filter(a.now())
		if err != nil {
			return err
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			answer, err := get(ctx, fleet, f)
			if err != nil {
				return err
			}
			all := rows(answer)
			switch {
			case format.json:
				err = show.JSON(c.OutOrStdout(), answer)
			case format.csv:
				err = show.CSV(c.OutOrStdout(), all)
			case len(all) > 0:
				err = people(c, all)
			}
			if err == nil && len(all) == 0 {
				err = fmt.Errorf("no %s here: %w", noun, ErrNothing)
			}
			if cut, ok := any(answer).(interface{ GetMore() bool }); err == nil && ok && cut.GetMore() {
				// Not among the rows: a program reads those.
				_, err = fmt.Fprintf(c.ErrOrStderr(), "the newest %d are shown, more exist: raise --limit, or narrow with --from and --until\n", len(all))
			}
			return err
		})
	}
	return c
}

func (a *app) cells() *cobra.Command {
	return listCommand(a, "cells", "Where every cell stands now",
		"Where every cell stands now: its offset from the fleet with the expanded uncertainty\nU (k = 2), its last check, its flag and the most likely cause.", "cell",
		func(ctx context.Context, fleet rollcallv1.FleetServiceClient, f *rollcallv1.Filter) (*rollcallv1.ListCellsResponse, error) {
			return fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{Filter: f})
		},
		(*rollcallv1.ListCellsResponse).GetCells, printCells)
}

// outdated reports whether a cell without a flag has an offset beyond its
// tolerance from before its last check, which passed.
func outdated(s *rollcallv1.CellStatus) bool {
	return s.GetFlagId() == "" && s.Offset != nil && math.Abs(s.GetOffset()) > s.GetTolerance() &&
		s.GetLastCheckVerdict() == fleet.VerdictPass.String() && s.GetLastCheckAt() != nil && s.GetLastRunAt() != nil &&
		s.GetLastCheckAt().AsTime().After(s.GetLastRunAt().AsTime())
}

func printCells(c *cobra.Command, cells []*rollcallv1.CellStatus) error {
	t := table{heads: []string{"SITE", "CELL", ">OFFSET %", ">± U %", ">LIMIT ± %", "LAST CHECK", "FLAG", "CAUSE", ">RUNS", "LAST RUN (UTC)", "AGENT SEEN (UTC)", ">WAITING"}}
	for _, s := range cells {
		limit := s.GetTolerance()
		cause := show.Absent
		if s.GetCause() != "" {
			cause = fmt.Sprintf("%s, %.0f %%", show.Cause(s.GetCause()), s.GetCauseProbability()*100)
		}
		t.add(show.Or(s.GetSiteId()), s.GetCellId(), show.OffPercent(s.Offset), show.Percent(s.ExpandedUncertainty), show.Percent(&limit),
			show.Or(s.GetLastCheckVerdict()), show.Or(s.GetFlagKind()), cause, strconv.Itoa(int(s.GetRuns())), show.At(s.GetLastRunAt()),
			show.At(s.GetAgentSeenAt()), strconv.FormatUint(s.GetAgentSpoolMessages(), 10))
	}
	w := c.OutOrStdout()
	if err := t.print(w); err != nil {
		return err
	}
	flagged := 0
	for _, s := range cells {
		if s.GetFlagId() != "" {
			flagged++
		}
	}
	_, err := fmt.Fprintf(w, "\n%s with an open flag of %s. U: expanded uncertainty, k = 2. WAITING: messages not yet sent by the agent.\n",
		show.Count(flagged, "cell", "cells"), show.Count(len(cells), "cell", "cells"))
	for _, s := range cells {
		if err == nil && s.GetStandingAgainst() != "" {
			_, err = fmt.Fprintf(w, "%s: %s\n", s.GetCellId(), show.Clean(show.Sentence(s.GetStandingAgainst())))
		}
		if err == nil && outdated(s) {
			_, err = fmt.Fprintf(w, "%s: The offset is of the runs until %s UTC; the check of %s UTC, made since, passed. The next reference run shows how the cell reads now.\n",
				s.GetCellId(), show.At(s.GetLastRunAt()), show.At(s.GetLastCheckAt()))
		}
		if err == nil && s.GetNotSeparable() != "" {
			_, err = fmt.Fprintf(w, "%s: %s\n", s.GetCellId(), show.Clean(s.GetNotSeparable()))
		}
	}
	return err
}
