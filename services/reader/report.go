package reader

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	rollcallv1 "rollcall/proto/rollcall/v1"
	"rollcall/services/report"
	"rollcall/services/show"
)

// report prints a week of a site or of the chain.
func (a *app) report() *cobra.Command {
	var site, week, pdf, every string
	c := &cobra.Command{Use: "report", Short: "A week of a site, or of the chain, on one sheet", Args: cobra.NoArgs,
		Long: "How the cells of a site, or of the whole chain, stood at the end of a week, and what\nhappened in it. The pages have the same at /reports/SITE/WEEK.",
		Example: `  rollcall report                              # the chain, this week so far
  rollcall report --site fen --week 2026-W26 --pdf fen-2026-W26.pdf
  rollcall report --week 2026-W26 --every reports/   # the chain's and each site's`}
	c.Flags().StringVar(&site, "site", report.Chain, "the site, or chain for all of it")
	c.Flags().StringVar(&week, "week", "", "the week, such as 2026-W26 (default this week)")
	c.Flags().StringVar(&pdf, "pdf", "", "write it as PDF to this file, which must not be there yet")
	c.Flags().StringVar(&every, "every", "", "write the chain's and every site's as PDF into this folder; those that are there stay")
	timeoutFlag(c)
	c.MarkFlagsMutuallyExclusive("every", "pdf")
	c.MarkFlagsMutuallyExclusive("every", "site")
	c.RunE = func(c *cobra.Command, _ []string) error {
		wanted := report.WeekOf(a.now().UTC())
		if week != "" {
			var err error
			if wanted, err = report.ParseWeek(week); err != nil {
				return &UsageError{fmt.Errorf("--week: %w", err)}
			}
		}
		if every != "" {
			return a.everyReport(c, wanted, every)
		}
		return a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			r, err := report.Make(ctx, service{fleet}, site, wanted, a.now().Truncate(time.Second))
			switch {
			case errors.Is(err, report.ErrSite), errors.Is(err, report.ErrFuture):
				return fmt.Errorf("%w: %w", err, ErrNothing)
			case err != nil:
				return err
			}
			if pdf == "" {
				_, err = fmt.Fprint(c.OutOrStdout(), r.Text())
				return err
			}
			data, err := r.PDF()
			if err != nil {
				return err
			}
			f, err := os.OpenFile(pdf, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
			if err != nil {
				return fmt.Errorf("write the report: %w", err)
			}
			if _, err := f.Write(data); err != nil {
				_ = f.Close()
				return fmt.Errorf("write the report: %w", err)
			}
			return f.Close()
		})
	}
	return c
}

// everyReport writes the reports of the chain and of every site into a folder and
// says how far it is. Whoever breaks it off has whole reports only, and begins it
// again where it was.
func (a *app) everyReport(c *cobra.Command, week report.Week, dir string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("make the folder for the reports: %w", err)
	}
	sites := []string{report.Chain}
	err := a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
		cells, err := fleet.ListCells(ctx, &rollcallv1.ListCellsRequest{})
		for _, x := range cells.GetCells() { // by site
			if x.GetSiteId() != sites[len(sites)-1] {
				sites = append(sites, x.GetSiteId())
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	progress := newProgress(c.ErrOrStderr())
	defer progress.end()
	written := 0
	for i, site := range sites {
		progress.show(&rollcallv1.RecomputeResponse{Stage: "reports", Done: uint64(i), Total: uint64(len(sites))})
		name := filepath.Join(dir, "report-"+site+"-"+week.String()+".pdf")
		if _, err := os.Lstat(name); err == nil {
			continue
		}
		// The time is for one of them.
		err := a.read(c, func(ctx context.Context, fleet rollcallv1.FleetServiceClient) error {
			r, err := report.Make(ctx, service{fleet}, site, week, a.now().Truncate(time.Second))
			switch {
			case errors.Is(err, report.ErrFuture):
				return fmt.Errorf("%w: %w", err, ErrNothing)
			case err != nil:
				return err
			}
			data, err := r.PDF()
			if err != nil {
				return err
			}
			return writeWhole(name, data)
		})
		if err != nil {
			return fmt.Errorf("report of %s, %d of %d are written: %w", site, i, len(sites), err)
		}
		written++
	}
	progress.show(&rollcallv1.RecomputeResponse{Stage: "reports", Done: uint64(len(sites)), Total: uint64(len(sites))})
	_, err = fmt.Fprintf(c.OutOrStdout(), "%s written to %s, %d were there\n", show.Count(written, "report", "reports"), dir, len(sites)-written)
	return err
}

// writeWhole writes a file that is there whole or not at all.
func writeWhole(name string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(name), ".report-*")
	if err != nil {
		return fmt.Errorf("write the report: %w", err)
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Chmod(0o644), f.Close()); err == nil {
		err = os.Rename(f.Name(), name)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write the report: %w", err), os.Remove(f.Name()))
	}
	return nil
}

// service is a Fleet service at the other end of a connection.
type service struct{ c rollcallv1.FleetServiceClient }

func (s service) ListCells(ctx context.Context, r *rollcallv1.ListCellsRequest) (*rollcallv1.ListCellsResponse, error) {
	return s.c.ListCells(ctx, r)
}
func (s service) ListFlags(ctx context.Context, r *rollcallv1.ListFlagsRequest) (*rollcallv1.ListFlagsResponse, error) {
	return s.c.ListFlags(ctx, r)
}
func (s service) ListChecks(ctx context.Context, r *rollcallv1.ListChecksRequest) (*rollcallv1.ListChecksResponse, error) {
	return s.c.ListChecks(ctx, r)
}
func (s service) ListRuns(ctx context.Context, r *rollcallv1.ListRunsRequest) (*rollcallv1.ListRunsResponse, error) {
	return s.c.ListRuns(ctx, r)
}
func (s service) ListRestatements(ctx context.Context, r *rollcallv1.ListRestatementsRequest) (*rollcallv1.ListRestatementsResponse, error) {
	return s.c.ListRestatements(ctx, r)
}

func (s service) CountPulls(ctx context.Context, r *rollcallv1.CountPullsRequest) (*rollcallv1.CountPullsResponse, error) {
	return s.c.CountPulls(ctx, r)
}
func (s service) ListDue(ctx context.Context, r *rollcallv1.ListDueRequest) (*rollcallv1.ListDueResponse, error) {
	return s.c.ListDue(ctx, r)
}
func (s service) ListCars(ctx context.Context, r *rollcallv1.ListCarsRequest) (*rollcallv1.ListCarsResponse, error) {
	return s.c.ListCars(ctx, r)
}
