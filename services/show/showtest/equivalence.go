package showtest

import (
	"context"
	"math"

	"google.golang.org/protobuf/proto"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// ListEquivalences answers with the cells' offsets and what follows from them, as
// if the cells were independent, and remembers what it was asked.
func (f *Fleet) ListEquivalences(_ context.Context, r *rollcallv1.ListEquivalencesRequest) (*rollcallv1.ListEquivalencesResponse, error) {
	f.Equated = proto.CloneOf(r)
	if f.Err != nil {
		return nil, f.Err
	}
	verdict := func(en float64) string {
		if math.Abs(en) <= 1 {
			return "satisfactory"
		}
		return "unsatisfactory"
	}
	why := func(c *rollcallv1.CellStatus) string {
		if c.Offset == nil {
			return "No reference run of cell " + c.GetCellId() + " is known: bring a reference car to it."
		}
		return c.GetNotSeparable()
	}
	out := &rollcallv1.ListEquivalencesResponse{Consensus: &rollcallv1.Consensus{At: Day(0), ExpandedUncertainty: 0.0012, StandardDeviation: 0.0061, Cells: 11, MostMoved: Number(0.0027), Between: Number(0.0054)}}
	var among []*rollcallv1.CellStatus
	for _, c := range f.Cells {
		if s := r.GetFilter().GetSiteId(); s != "" && c.GetSiteId() != s {
			continue
		}
		among = append(among, c)
		if id := r.GetFilter().GetCellId(); id != "" && c.GetCellId() != id {
			continue
		}
		e := &rollcallv1.Equivalence{CellId: c.GetCellId(), SiteId: c.GetSiteId(), Name: c.GetName(), SiteName: c.GetSiteName(), Runs: c.GetRuns(), LastRunAt: c.GetLastRunAt(), Tolerance: c.GetTolerance(), NotSeparable: why(c)}
		if e.NotSeparable == "" {
			en := c.GetOffset() / c.GetExpandedUncertainty()
			e.Offset, e.ExpandedUncertainty, e.EN, e.Verdict, e.PriorShare = c.Offset, c.ExpandedUncertainty, &en, verdict(en), Number(0.1)
			if math.Abs(c.GetOffset()) < 0.01 {
				e.Weight = 0.125
			}
		}
		out.Equivalences = append(out.Equivalences, e)
	}
	if !r.GetPairs() {
		return out, nil
	}
	for i, a := range among {
		if id := r.GetFilter().GetCellId(); id != "" && a.GetCellId() != id {
			continue
		}
		for k, b := range among {
			if k == i || r.GetFilter().GetCellId() == "" && k < i {
				continue
			}
			x := &rollcallv1.EquivalencePair{CellId: a.GetCellId(), OtherCellId: b.GetCellId(), NotSeparable: why(a) + why(b)}
			if why(a) != "" {
				x.NotSeparable = why(a)
			}
			if x.NotSeparable == "" {
				d, u := a.GetOffset()-b.GetOffset(), math.Hypot(a.GetExpandedUncertainty(), b.GetExpandedUncertainty())
				en := d / u
				x.Difference, x.ExpandedUncertainty, x.EN, x.Verdict = &d, &u, &en, verdict(en)
			}
			out.Pairs = append(out.Pairs, x)
		}
	}
	return out, nil
}
