package query

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/compare"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/repeat"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/wire"
)

// GetRepeatability computes a set of pulls anew from their samples and says how
// their peaks repeat on one cell, or agree across cells.
func (s *Server) GetRepeatability(ctx context.Context, req *pb.GetRepeatabilityRequest) (*pb.GetRepeatabilityResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	asked, err := figureAsked(&pb.ComparePullsRequest{Figure: req.Figure})
	if err != nil {
		return nil, err
	}
	ids, err := s.chosen(ctx, "pulls", req.GetPulls())
	if err != nil {
		return nil, err
	}
	if n := len(slices.Compact(slices.Sorted(slices.Values(ids)))); n < len(ids) {
		return nil, &wire.FieldError{Field: "pulls", Reason: "names a pull twice; a pull counts once"}
	}
	all := side{name: "pulls"}
	if all.pulls, err = s.reduced(ctx, all.name, ids); err != nil {
		return nil, err
	}
	slices.SortStableFunc(all.pulls, func(a, b pipeline.Reduced) int { return a.Pull.StartedAt.Compare(b.Pull.StartedAt) })
	byCell := map[fleet.CellID][]int{}
	for i, r := range all.pulls {
		byCell[r.Pull.Cell] = append(byCell[r.Pull.Cell], i)
		if first := carName(all.pulls[0].Pull); !req.AnyCar && (carName(r.Pull) != first || first == "") {
			return nil, &wire.FieldError{Field: "pulls", Reason: fmt.Sprintf("%s is of %s, %s of %s: pulls of one car repeat; choose pulls of one car (or any_car)",
				all.pulls[0].Pull.ID, orNoName(first), r.Pull.ID, orNoName(carName(r.Pull)))}
		}
	}
	cells := keysOf(byCell)
	switch {
	case len(cells) > 1 && !req.Across:
		return nil, &wire.FieldError{Field: "pulls", Reason: fmt.Sprintf("are of several cells (%s): pulls repeat on one cell; narrow them to one, or ask how the cells agree (across)", join(cells))}
	case len(cells) == 1 && req.Across:
		return nil, &wire.FieldError{Field: "across", Reason: fmt.Sprintf("needs pulls of two cells or more, and all are of %s", cells[0])}
	}
	evened := ""
	if req.Across && len(req.GetPulls().GetPullIds()) == 0 {
		all.pulls, evened = newestOfEach(all.pulls, cells, byCell)
	}
	figure, err := chooseFigure(asked, [2]side{all, {name: all.name, pulls: []pipeline.Reduced{}}})
	if err != nil {
		return nil, err
	}
	curves, err := traced(all, figure)
	if err != nil {
		return nil, err
	}
	out := &pb.GetRepeatabilityResponse{Figure: figure.String(), FigureUnit: figure.Unit(), Correction: correctionOf(figure, [2]side{all})}
	tops := make([]repeat.Pull, len(curves))
	for i, r := range all.pulls {
		speed, top := topOf(r, curves[i])
		tops[i] = top
		out.Pulls = append(out.Pulls, &pb.RepeatedPull{
			PullId: string(r.Pull.ID), CellId: string(r.Pull.Cell), StartedAt: stamp(r.Pull.StartedAt), Value: top.Value, EngineSpeedRadS: speed,
			IntakeAirTemperatureK: top.Intake, RampRateRadS2: r.Curve.RampRate,
		})
	}
	for _, cell := range cells {
		part := make([]repeat.Pull, 0, len(byCell[cell]))
		for _, i := range byCell[cell] {
			part = append(part, tops[i])
		}
		result, err := repeat.Assess(part)
		if err != nil {
			return nil, &wire.FieldError{Field: "pulls", Reason: fmt.Sprintf("cell %s: %v", cell, err)}
		}
		for _, i := range byCell[cell] {
			p := out.Pulls[i]
			if result.SD > 0 {
				p.Grubbs = math.Abs(p.Value-result.Mean) / result.SD
			}
			for _, o := range result.Outlying {
				if string(o.Pull) == p.PullId {
					p.Outlying, p.GrubbsLimit, p.Grubbs = "outlying", &o.Limit, o.G
					if o.Straggler {
						p.Outlying = "straggler"
					}
				}
			}
		}
		for _, n := range result.Notes {
			if len(cells) > 1 {
				n = "on " + string(cell) + " " + n
			}
			out.Notes = append(out.Notes, n)
		}
		if len(cells) == 1 {
			repeats(out, result)
		}
	}
	if len(cells) > 1 {
		if err := agree(out, cells, byCell, tops); err != nil {
			return nil, err
		}
	} else {
		set := compare.Set{Cells: cells, From: all.pulls[0].Pull.StartedAt, Sessions: len(sessionsOf(all)), SD: out.StandardDeviation}
		out.Sentence = summary(all, curves, &set, out.Mean, figure).Sentence
	}
	if evened != "" {
		out.Notes = append(out.Notes, evened)
	}
	out.Notes = append(out.Notes, unlike(all)...)
	more, err := s.notes(ctx, [2]side{all}, figure)
	if err != nil {
		return nil, err
	}
	for _, n := range more {
		out.Notes = append(out.Notes, strings.Replace(n, " (pulls)", "", 1))
	}
	return out, nil
}

// newestOfEach returns of pulls in order of time the newest of each cell, as many
// as the cell with the fewest has, and says so; byCell, their indices, is made
// anew. Pulls that are as many of each cell, or of which a cell has one only, are
// left as they are.
func newestOfEach(pulls []pipeline.Reduced, cells []fleet.CellID, byCell map[fleet.CellID][]int) ([]pipeline.Reduced, string) {
	fewest, most := len(pulls), 0
	for _, c := range cells {
		fewest, most = min(fewest, len(byCell[c])), max(most, len(byCell[c]))
	}
	if fewest == most || fewest < 2 {
		return pulls, ""
	}
	var kept []pipeline.Reduced
	left := map[fleet.CellID]int{}
	for _, c := range cells {
		left[c] = len(byCell[c]) - fewest
		byCell[c] = nil
	}
	for _, r := range pulls {
		if c := r.Pull.Cell; left[c] > 0 {
			left[c]--
		} else {
			byCell[c] = append(byCell[c], len(kept))
			kept = append(kept, r)
		}
	}
	return kept, fmt.Sprintf("of each cell its newest %d pulls are taken, as many as the cell with the fewest has, for ASTM E691 wants as many of each: %d of %d", fewest, len(kept), len(pulls))
}

func orNoName(car string) string {
	if car == "" {
		return "a car without a name"
	}
	return car
}

// repeats fills in how pulls of one cell repeat.
func repeats(out *pb.GetRepeatabilityResponse, r repeat.Result) {
	out.Mean, out.StandardDeviation, out.Lowest, out.Highest, out.RepeatabilityLimit = r.Mean, r.SD, r.Low, r.High, r.Limit
	out.ExpandedUncertainty = &r.U
	if r.Without != nil {
		out.StandardDeviationWithout = &r.Without.SD
	}
	out.ByOrder, out.ByIntake = trend(r.ByOrder), trend(r.ByIntake)
}

func trend(t *repeat.Trend) *pb.Trend {
	if t == nil {
		return nil
	}
	return &pb.Trend{Slope: t.Slope, ExpandedUncertainty: t.U, Probability: t.P, Significant: t.Significant}
}

// mandelLevel is the level of the limits for h and k. Source: ASTM E691-99, 17.1
// (0.5 %, from memory).
const mandelLevel = 0.005

// agree fills in how cells agree.
func agree(out *pb.GetRepeatabilityResponse, cells []fleet.CellID, byCell map[fleet.CellID][]int, tops []repeat.Pull) error {
	places := make([][]float64, len(cells))
	counts := make([]string, len(cells))
	uneven := false
	for i, cell := range cells {
		for _, j := range byCell[cell] {
			places[i] = append(places[i], tops[j].Value)
		}
		counts[i] = fmt.Sprintf("%s has %d", cell, len(places[i]))
		uneven = uneven || len(places[i]) != len(places[0])
	}
	if uneven {
		return &wire.FieldError{Field: "pulls", Reason: fmt.Sprintf("are not as many of each cell (%s), which ASTM E691 wants; name as many of each by their ids", strings.Join(counts, ", "))}
	}
	p, err := repeat.Between(places)
	if err != nil {
		return &wire.FieldError{Field: "pulls", Reason: err.Error()}
	}
	out.Mean = p.Mean
	a := &pb.Agreement{
		Mean: p.Mean, StandardDeviationOfMeans: p.SX, RepeatabilityDeviation: p.Sr, ReproducibilityDeviation: p.SR,
		RepeatabilityLimit: p.Limitr, ReproducibilityLimit: p.LimitR, KLimit: repeat.MandelK(len(cells), len(places[0]), mandelLevel),
	}
	if len(cells) > 2 {
		limit := repeat.MandelH(len(cells), mandelLevel)
		a.HLimit = &limit
	}
	for i, cell := range cells {
		mean, sd := meanSD(places[i])
		a.Cells = append(a.Cells, &pb.AgreeingCell{CellId: string(cell), Pulls: uint32(len(places[i])), Mean: mean, StandardDeviation: sd, H: p.H[i], K: p.K[i]})
		if a.HLimit != nil && math.Abs(p.H[i]) > *a.HLimit {
			out.Notes = append(out.Notes, fmt.Sprintf("cell %s lies apart from the others (h %+.2f, limit ± %.2f at 0.5 %%)", cell, p.H[i], *a.HLimit))
		}
		if p.K[i] > a.KLimit {
			out.Notes = append(out.Notes, fmt.Sprintf("the pulls of cell %s scatter more than those of the others (k %.2f, limit %.2f at 0.5 %%)", cell, p.K[i], a.KLimit))
		}
	}
	out.Across = a
	return nil
}

func meanSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// unlike says what makes pulls no repeats of one another: ramps that differ by
// more than a finding's limit, set-ups, sessions.
func unlike(x side) []string {
	var out []string
	low, high := math.Inf(1), 0.0
	var setUps []string
	for _, r := range x.pulls {
		low, high = min(low, r.Curve.RampRate), max(high, r.Curve.RampRate)
		if s := r.Pull.SetUp; !slices.Contains(setUps, s) {
			setUps = append(setUps, s)
		}
	}
	if limit := finding.DefaultLimits().RampRate.Note; high > low*(1+limit) {
		out = append(out, fmt.Sprintf("the sweeps ran at %.0f to %.0f rpm/s: pulls at different ramp rates are no repeats, and part of the scatter is theirs", low*30/math.Pi, high*30/math.Pi))
	}
	if len(setUps) > 1 {
		out = append(out, "the car's set-up differs between the pulls: "+strings.Join(setUps, "; "))
	}
	if n := len(sessionsOf(x)); n > 1 && len(x.pulls) > 0 {
		cells := map[fleet.CellID]bool{}
		for _, r := range x.pulls {
			cells[r.Pull.Cell] = true
		}
		if n > len(cells) {
			out = append(out, fmt.Sprintf("the pulls are of %d sessions: straps, tyres and heat of each are in the scatter, which is more than repeatability", n))
		}
	}
	return out
}

// sessionsOf returns the sessions of pulls.
func sessionsOf(x side) []string {
	var out []string
	for _, r := range x.pulls {
		if s := sessionName(r.Pull); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

func keysOf[K ~string, V any](m map[K]V) []K {
	out := make([]K, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

func join[T ~string](all []T) string {
	words := make([]string, len(all))
	for i, w := range all {
		words[i] = string(w)
	}
	return strings.Join(words, ", ")
}
