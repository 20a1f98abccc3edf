// Package report makes the weekly report: on one sheet how the cells of a site, or
// of the chain, stood at the end of a week, and what happened in it. It reads
// through the Fleet service and lays the report out as certificates are laid out,
// so that page, PDF and terminal say the same.
package report

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
)

// Chain is the site of a report of the whole chain.
const Chain = "chain"

// Fleet is what a report is made from; a FleetServiceServer is one.
type Fleet interface {
	ListCells(context.Context, *pb.ListCellsRequest) (*pb.ListCellsResponse, error)
	ListFlags(context.Context, *pb.ListFlagsRequest) (*pb.ListFlagsResponse, error)
	ListChecks(context.Context, *pb.ListChecksRequest) (*pb.ListChecksResponse, error)
	ListRuns(context.Context, *pb.ListRunsRequest) (*pb.ListRunsResponse, error)
	CountPulls(context.Context, *pb.CountPullsRequest) (*pb.CountPullsResponse, error)
	ListDue(context.Context, *pb.ListDueRequest) (*pb.ListDueResponse, error)
	ListCars(context.Context, *pb.ListCarsRequest) (*pb.ListCarsResponse, error)
	ListRestatements(context.Context, *pb.ListRestatementsRequest) (*pb.ListRestatementsResponse, error)
}

// Errors of what is asked for. errors.Is finds them.
var (
	ErrWeek   = errors.New("no week")
	ErrFuture = errors.New("the week has not begun")
	ErrSite   = errors.New("no such site")
)

// Week is a week of ISO 8601: it begins on a Monday, and week 1 has the year's
// first Thursday.
type Week struct{ Year, Number int }

// WeekOf returns the week of a moment in its own zone.
func WeekOf(t time.Time) Week {
	y, n := t.ISOWeek()
	return Week{y, n}
}

var weekForm = regexp.MustCompile(`^([0-9]{4})-[Ww]([0-9]{2})$`)

// ParseWeek reads a week such as 2026-W26.
func ParseWeek(s string) (Week, error) {
	m := weekForm.FindStringSubmatch(s)
	if m == nil {
		return Week{}, fmt.Errorf("%w: %.30q; write it as 2026-W26", ErrWeek, s)
	}
	y, _ := strconv.Atoi(m[1])
	n, _ := strconv.Atoi(m[2])
	w := Week{y, n}
	// 28 December is always in the year's last week.
	if _, last := time.Date(y, 12, 28, 0, 0, 0, 0, time.UTC).ISOWeek(); y < 1970 || n < 1 || n > last {
		return Week{}, fmt.Errorf("%w: %s; a year has weeks 1 to 52, some to 53", ErrWeek, w)
	}
	return w, nil
}

// String returns the week as ParseWeek reads it.
func (w Week) String() string { return fmt.Sprintf("%04d-W%02d", w.Year, w.Number) }

// Start returns the Monday, midnight in a zone.
func (w Week) Start(zone *time.Location) time.Time {
	// 4 January is always in week 1.
	fourth := time.Date(w.Year, 1, 4, 0, 0, 0, 0, zone)
	return fourth.AddDate(0, 0, -(int(fourth.Weekday())+6)%7+7*(w.Number-1))
}

// Next and Before return the weeks around a week.
func (w Week) Next() Week   { return WeekOf(w.Start(time.UTC).AddDate(0, 0, 7)) }
func (w Week) Before() Week { return WeekOf(w.Start(time.UTC).AddDate(0, 0, -7)) }

// Report is a week of a site, or of the chain.
type Report struct {
	// Site is the site's id, or Chain; Name is what people call it.
	Site, Name  string
	Week        Week
	From, Until time.Time // of the week; until is the Monday after
	Made        time.Time
	// Running: the week has not ended, the report says how far it is.
	Running bool
	Zone    string // IANA; empty: UTC

	Cells []Cell
	// Open were open when the week ended, Opened and Closed changed in it.
	Open, Opened, Closed []*pb.Flag
	Checks               []*pb.Check
	Due                  []*pb.DueCheck // before the end of the next week
	Cars                 []*pb.CarStatus
	// Restated are the customer pulls that were made or restated in the week, as
	// they are restated now.
	Restated []*pb.RestatedPull
	// Names are what cells are called, by id.
	Names map[string]string
}

// Cell is a cell as it stood when the week ended.
type Cell struct {
	*pb.CellStatus // as it stands now
	// Offset and U are those after the last run before the end; nil: none.
	Offset, U *float64
	LastRun   time.Time
	// Change is the offset less that at the beginning of the week; nil: there is
	// none of the two.
	Change *float64
	// Of the week.
	Runs, Pulls, Unusable, InDoubt int
	// Flag was open when the week ended; nil: none.
	Flag *pb.Flag
}

// everything is how many rows of a list are read.
const everything = 100_000

// Make makes the report of a week. An error of ErrWeek, ErrFuture or ErrSite says
// what is wrong with what was asked.
func Make(ctx context.Context, fleet Fleet, site string, week Week, now time.Time) (*Report, error) {
	filter := &pb.Filter{}
	if site != Chain {
		filter.SiteId = site
	}
	listed, err := fleet.ListCells(ctx, &pb.ListCellsRequest{})
	if err != nil {
		return nil, err
	}
	cells := slices.DeleteFunc(slices.Clone(listed.GetCells()), func(c *pb.CellStatus) bool { return site != Chain && c.GetSiteId() != site })
	r := &Report{Site: site, Name: "the chain", Week: week, Made: now, Names: map[string]string{}}
	if site != Chain {
		if len(cells) == 0 {
			return nil, fmt.Errorf("%w: %.40q has no cell in the registry", ErrSite, site)
		}
		r.Name, r.Zone = cmp.Or(cells[0].GetSiteName(), site), cells[0].GetSiteZone()
	}
	zone, err := time.LoadLocation(r.Zone)
	if err != nil {
		zone, r.Zone = time.UTC, ""
	}
	r.From, r.Until = week.Start(zone), week.Start(zone).AddDate(0, 0, 7)
	if r.From.After(now) {
		return nil, fmt.Errorf("%w: %s begins on %s", ErrFuture, week, r.From.Format("Monday 2 January 2006"))
	}
	r.Running = r.Until.After(now)
	bounded := func(from time.Time) *pb.Filter {
		f := &pb.Filter{SiteId: filter.SiteId, Until: timestamppb.New(r.Until), Limit: everything}
		if !from.IsZero() {
			f.From = timestamppb.New(from)
		}
		return f
	}
	// A cell that has not run for half a year has no offset to speak of.
	var (
		end, start *pb.ListCellsResponse
		runs       *pb.ListRunsResponse
		flags      *pb.ListFlagsResponse
		checks     *pb.ListChecksResponse
		pulls      *pb.CountPullsResponse
		due        *pb.ListDueResponse
		restated   *pb.ListRestatementsResponse
	)
	// Nothing of it waits for the other.
	all, gone := errgroup.WithContext(ctx)
	all.Go(func() (err error) {
		end, err = fleet.ListCells(gone, &pb.ListCellsRequest{Filter: &pb.Filter{SiteId: filter.SiteId, From: timestamppb.New(r.From.AddDate(0, -6, 0)), Until: timestamppb.New(r.Until)}})
		return err
	})
	all.Go(func() (err error) {
		start, err = fleet.ListCells(gone, &pb.ListCellsRequest{Filter: &pb.Filter{SiteId: filter.SiteId, From: timestamppb.New(r.From.AddDate(0, -6, 0)), Until: timestamppb.New(r.From)}})
		return err
	})
	all.Go(func() (err error) {
		runs, err = fleet.ListRuns(gone, &pb.ListRunsRequest{Filter: bounded(r.From)})
		return err
	})
	all.Go(func() (err error) {
		flags, err = fleet.ListFlags(gone, &pb.ListFlagsRequest{Filter: bounded(r.From), IncludeClosed: true, Counted: true})
		return err
	})
	all.Go(func() (err error) {
		checks, err = fleet.ListChecks(gone, &pb.ListChecksRequest{Filter: bounded(r.From)})
		return err
	})
	all.Go(func() (err error) {
		pulls, err = fleet.CountPulls(gone, &pb.CountPullsRequest{Filter: bounded(r.From)})
		return err
	})
	all.Go(func() (err error) {
		due, err = fleet.ListDue(gone, &pb.ListDueRequest{Filter: &pb.Filter{SiteId: filter.SiteId, Until: timestamppb.New(r.Until.AddDate(0, 0, 7)), Limit: everything}})
		return err
	})
	all.Go(func() (err error) {
		restated, err = fleet.ListRestatements(gone, &pb.ListRestatementsRequest{})
		return err
	})
	if site == Chain {
		all.Go(func() error {
			cars, err := fleet.ListCars(gone, &pb.ListCarsRequest{})
			r.Cars = cars.GetCars()
			return err
		})
	}
	if err := all.Wait(); err != nil {
		return nil, err
	}
	byID := map[string]*Cell{}
	for _, c := range cells {
		r.Cells = append(r.Cells, Cell{CellStatus: c})
		r.Names[c.GetCellId()] = cmp.Or(c.GetName(), c.GetCellId())
	}
	slices.SortStableFunc(r.Cells, func(a, b Cell) int {
		return cmp.Or(cmp.Compare(a.GetSiteName(), b.GetSiteName()), cmp.Compare(a.GetCellId(), b.GetCellId()))
	})
	for i := range r.Cells {
		byID[r.Cells[i].GetCellId()] = &r.Cells[i]
	}
	r.addOffsets(start.GetCells(), end.GetCells(), byID)
	for _, x := range runs.GetRuns() {
		if c := byID[x.GetCellId()]; c != nil && r.within(x.GetStartedAt()) {
			c.Runs++
		}
	}
	for _, p := range pulls.GetCounts() {
		if c := byID[p.GetCellId()]; c != nil {
			c.Pulls, c.Unusable, c.InDoubt = int(p.GetPulls()), int(p.GetUnusable()), int(p.GetInDoubt())
		}
	}
	for _, k := range checks.GetChecks() {
		if byID[k.GetCellId()] != nil && r.within(k.GetPerformedAt()) {
			r.Checks = append(r.Checks, k)
		}
	}
	slices.SortStableFunc(r.Checks, func(a, b *pb.Check) int {
		return a.GetPerformedAt().AsTime().Compare(b.GetPerformedAt().AsTime())
	})
	r.addFlags(flags.GetFlags(), byID)
	r.addRestated(restated.GetRestatements(), byID)
	// What is due is known of now only; a report of an old week does not say.
	if r.Running {
		for _, d := range due.GetDue() {
			if byID[d.GetCellId()] != nil && d.GetDueAt() != nil && d.GetDueAt().AsTime().Before(r.Until.AddDate(0, 0, 7)) {
				r.Due = append(r.Due, d)
			}
		}
	}
	return r, nil
}

func (r *Report) within(t *timestamppb.Timestamp) bool {
	return t != nil && !t.AsTime().Before(r.From) && t.AsTime().Before(r.Until)
}

// addOffsets takes each cell's offset at the end of the week, and its change since
// the beginning.
func (r *Report) addOffsets(start, end []*pb.CellStatus, byID map[string]*Cell) {
	before := map[string]*float64{}
	for _, c := range start {
		before[c.GetCellId()] = c.Offset
	}
	for _, e := range end {
		c := byID[e.GetCellId()]
		if c == nil || e.Offset == nil {
			continue
		}
		c.Offset, c.U, c.LastRun = e.Offset, e.ExpandedUncertainty, e.GetLastRunAt().AsTime()
		if was := before[e.GetCellId()]; was != nil {
			change := *e.Offset - *was
			c.Change = &change
		}
	}
}

// addFlags sorts flags into those that were open when the week ended and those
// that changed in it.
func (r *Report) addFlags(flags []*pb.Flag, byID map[string]*Cell) {
	for _, f := range flags {
		c := byID[f.GetCellId()]
		if c == nil && !(r.Site == Chain && f.GetCellId() == "") || f.GetOpenedAt() == nil || !f.GetOpenedAt().AsTime().Before(r.Until) {
			continue
		}
		if r.within(f.GetOpenedAt()) {
			r.Opened = append(r.Opened, f)
		}
		if !f.GetOpen() && r.within(f.GetClosedAt()) {
			r.Closed = append(r.Closed, f)
		}
		if f.GetOpen() || f.GetClosedAt() != nil && !f.GetClosedAt().AsTime().Before(r.Until) {
			r.Open = append(r.Open, f)
			if c != nil && (c.Flag == nil || rank(f) < rank(c.Flag)) {
				c.Flag = f
			}
		}
	}
	for _, list := range [][]*pb.Flag{r.Open, r.Opened, r.Closed} {
		slices.SortStableFunc(list, func(a, b *pb.Flag) int {
			return cmp.Or(rank(a)-rank(b), cmp.Compare(b.GetTouchedCount(), a.GetTouchedCount()), cmp.Compare(math.Abs(b.GetSize()), math.Abs(a.GetSize())))
		})
	}
}

// addRestated finds the pulls of restatements in force that the week is about.
func (r *Report) addRestated(acts []*pb.Restatement, byID map[string]*Cell) {
	for _, act := range acts {
		if !act.GetInForce() || byID[act.GetCellId()] == nil {
			continue
		}
		for _, p := range act.GetRestatedPulls() {
			if r.within(p.GetStartedAt()) || r.within(p.GetRestatedAt()) {
				r.Restated = append(r.Restated, p)
			}
		}
	}
	slices.SortStableFunc(r.Restated, func(a, b *pb.RestatedPull) int {
		return cmp.Or(cmp.Compare(a.GetCellId(), b.GetCellId()), a.GetStartedAt().AsTime().Compare(b.GetStartedAt().AsTime()), cmp.Compare(a.GetPullId(), b.GetPullId()), cmp.Compare(a.GetFlagId(), b.GetFlagId()))
	})
}

// rank orders flags by what they ask for.
func rank(f *pb.Flag) int {
	if i := slices.Index([]string{"recalibrate", "drifting", "reference car", "check due early", "check overdue"}, f.GetKind()); i >= 0 {
		return i
	}
	return 4
}
