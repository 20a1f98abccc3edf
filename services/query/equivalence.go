package query

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/gum"
	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// mostPaired is of how many cells all pairs are given at once.
const mostPaired = 60

// ListEquivalences returns degrees of equivalence, from the fleet as it was last
// compared.
func (s *Server) ListEquivalences(ctx context.Context, req *pb.ListEquivalencesRequest) (*pb.ListEquivalencesResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	f, err := s.filter(req.GetFilter())
	if err != nil {
		return nil, err
	}
	// With pairs, the other cells are those of the site or all.
	site := &pb.Filter{SiteId: req.GetFilter().GetSiteId()}
	others, err := s.filter(site)
	if err != nil {
		return nil, err
	}
	registry := s.latest()
	one := fleet.CellID(req.GetFilter().GetCellId())
	among := keysWithin(registry.Cells, others.Cells)
	if req.GetPairs() && one == "" && len(among) > mostPaired {
		return nil, &wire.FieldError{Field: "filter", Reason: fmt.Sprintf("leaves %d cells, and all pairs are given of %d cells at most; name a site, or a cell to hold against all others", len(among), mostPaired)}
	}
	state, err := s.state(ctx)
	if err != nil {
		return nil, err
	}
	fit, at := state.Fit, s.now().UTC()
	if at.Before(fit.At) {
		at = fit.At
	}
	all, consensus := fit.Equivalences(at)
	out := &pb.ListEquivalencesResponse{Consensus: &pb.Consensus{
		At: stamp(at), ExpandedUncertainty: consensus.U, StandardDeviation: consensus.SD, Cells: uint32(consensus.Cells), MostMoved: finite(fit.MostMoved(at)),
	}}
	byCell := make(map[fleet.CellID]fleetstate.Equivalence, len(all))
	var offsets, u []float64
	for _, e := range all {
		byCell[e.Cell] = e
		if e.InConsensus > 0 && e.NotSeparable == "" {
			offsets, u = append(offsets, e.Offset), append(u, e.U/2)
		}
	}
	if pooled, err := gum.Pool(offsets, u, gum.PauleMandel); err == nil {
		out.Consensus.Between = &pooled.Between
	}
	for _, id := range keysWithin(registry.Cells, f.Cells) {
		cell := registry.Cells[id]
		x := &pb.Equivalence{CellId: string(id), SiteId: string(cell.Site), Name: cell.Name, SiteName: registry.Sites[cell.Site].Name, Tolerance: cell.Tolerance}
		e, ok := byCell[id]
		switch {
		case !ok:
			x.NotSeparable = notVisited(id)
		default:
			x.Weight, x.Runs, x.LastRunAt, x.NotSeparable = e.InConsensus, uint32(e.Runs), stamp(e.LastAt), e.NotSeparable
		}
		if ok && e.NotSeparable == "" {
			x.Offset, x.ExpandedUncertainty, x.PriorShare = finite(e.Offset), finite(e.U), finite(e.Prior)
			x.EN, x.Verdict = judgedEn(e.En)
		}
		out.Equivalences = append(out.Equivalences, x)
	}
	if limit := int(req.GetFilter().GetLimit()); limit > 0 && len(out.Equivalences) > limit {
		out.Equivalences = out.Equivalences[:limit]
	}
	if !req.GetPairs() {
		return out, nil
	}
	if one != "" {
		pairs := map[fleet.CellID]fleetstate.Pair{}
		for _, p := range fit.PairsOf(one, among, at) {
			pairs[p.B] = p
		}
		for _, id := range among {
			if id != one {
				out.Pairs = append(out.Pairs, pairOf(one, id, byCell, pairs[id]))
			}
		}
		return out, nil
	}
	type two struct{ a, b fleet.CellID }
	pairs := map[two]fleetstate.Pair{}
	for _, p := range fit.Pairs(among, at) {
		pairs[two{p.A, p.B}] = p
	}
	for i, a := range among {
		for _, b := range among[i+1:] {
			out.Pairs = append(out.Pairs, pairOf(a, b, byCell, pairs[two{a, b}]))
		}
	}
	return out, nil
}

// pairOf is a pair as it is told; p is empty where one of the cells is not known.
func pairOf(a, b fleet.CellID, known map[fleet.CellID]fleetstate.Equivalence, p fleetstate.Pair) *pb.EquivalencePair {
	x := &pb.EquivalencePair{CellId: string(a), OtherCellId: string(b), NotSeparable: p.NotSeparable}
	for _, id := range []fleet.CellID{b, a} {
		if _, ok := known[id]; !ok {
			x.NotSeparable = notVisited(id)
		}
	}
	if x.NotSeparable == "" {
		x.Difference, x.ExpandedUncertainty = finite(p.Difference), finite(p.U)
		x.EN, x.Verdict = judgedEn(p.En)
	}
	return x
}

func notVisited(cell fleet.CellID) string {
	return fmt.Sprintf("No reference run of cell %s is known: bring a reference car to it.", cell)
}

// judgedEn is an E_n with its verdict in the words of ISO/IEC 17043, B.4.1.1 (from
// memory); none where it is not finite.
func judgedEn(en float64) (*float64, string) {
	switch {
	case math.IsInf(en, 0) || math.IsNaN(en):
		return nil, ""
	case gum.Satisfactory(en):
		return &en, "satisfactory"
	}
	return &en, "unsatisfactory"
}

// finite is a figure that can be told; nil: it cannot.
func finite(x float64) *float64 {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return nil
	}
	return &x
}

// keysWithin returns the registry's cells that are among some, by site, then id;
// nil: all.
func keysWithin(cells map[fleet.CellID]fleet.Cell, some []fleet.CellID) []fleet.CellID {
	var out []fleet.CellID
	for id := range cells {
		if some == nil || slices.Contains(some, id) {
			out = append(out, id)
		}
	}
	slices.SortFunc(out, func(a, b fleet.CellID) int {
		if c := strings.Compare(string(cells[a].Site), string(cells[b].Site)); c != 0 {
			return c
		}
		return strings.Compare(string(a), string(b))
	})
	return out
}
