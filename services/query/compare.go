package query

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/compare"
	"rollcall/services/compute/correction"
	"rollcall/services/compute/finding"
	"rollcall/services/compute/fleetstate"
	"rollcall/services/compute/intake"
	"rollcall/services/compute/powercurve"
	"rollcall/services/compute/repeat"
	"rollcall/services/fleet"
	"rollcall/services/pipeline"
	"rollcall/services/store"
	"rollcall/services/wire"
)

// mostCompared bounds a set: each pull is computed anew from its samples.
const mostCompared = 100

// figures are those that can be compared; preferred is the order in which one is
// taken where none is asked for.
var (
	preferred = []powercurve.Figure{powercurve.CorrectedPower, powercurve.EnginePower, powercurve.WheelPower}
	figures   = append(slices.Clone(preferred), powercurve.CorrectedTorque, powercurve.EngineTorque, powercurve.TractiveForce)
)

// side is one set of a comparison.
type side struct {
	name  string // before, after
	pulls []pipeline.Reduced
}

// ComparePulls computes two sets of pulls anew from their samples and holds
// them against each other.
func (s *Server) ComparePulls(ctx context.Context, req *pb.ComparePullsRequest) (*pb.ComparePullsResponse, error) {
	if err := mayRead(ctx); err != nil {
		return nil, err
	}
	asked, err := figureAsked(req)
	if err != nil {
		return nil, err
	}
	sides := [2]side{{name: "before"}, {name: "after"}}
	for i, set := range []*pb.PullSet{req.GetBefore(), req.GetAfter()} {
		ids, err := s.chosen(ctx, sides[i].name, set)
		if err != nil {
			return nil, err
		}
		if sides[i].pulls, err = s.reduced(ctx, sides[i].name, ids); err != nil {
			return nil, err
		}
	}
	figure, err := chooseFigure(asked, sides)
	if err != nil {
		return nil, err
	}
	settings := compare.Settings{Gain: req.GetGain(), Power: req.GetPower(), AnyCar: req.GetAnyCar()}
	if settings.Session, settings.Pull, err = s.spreads(ctx); err != nil {
		return nil, err
	}
	var curves [2][]compare.Curve
	for i, side := range sides {
		if curves[i], err = traced(side, figure); err != nil {
			return nil, err
		}
	}
	result, err := compare.Compare(curves[0], curves[1], settings)
	if err != nil {
		field := "before, after"
		if errors.Is(err, compare.ErrCars) {
			err = fmt.Errorf("%w (any_car)", err)
		}
		return nil, &wire.FieldError{Field: field, Reason: err.Error()}
	}
	f := compare.Figure{Name: figure.String(), Unit: figure.Unit()}
	out := &pb.ComparePullsResponse{
		Figure: f.Name, FigureUnit: f.Unit, Correction: correctionOf(figure, sides),
		Peak: difference(&result.Peak), Band: difference(&result.Band),
		Plan: result.Plan.Say(), PlanPulls: uint32(result.Plan.Pulls), PlanGain: result.Plan.Gain, SmallestGain: result.Plan.Smallest,
		Repeatability: result.Repeatability.Ratio, SessionDeviation: result.Session.Ratio,
		EngineSpeedLowRadS: result.Low, EngineSpeedHighRadS: result.High, Notes: result.Notes,
	}
	out.Statement = result.Statement(f, "peak", &result.Peak)
	for i := range result.Points {
		out.Points = append(out.Points, difference(&result.Points[i]))
	}
	for _, p := range result.Parts {
		out.Parts = append(out.Parts, &pb.DifferencePart{Name: p.Name, Scope: string(p.Scope), Of: p.ID, Uncertainty: math.Abs(p.U)})
	}
	out.Before = summary(sides[0], curves[0], &result.Before, result.Band.Before, figure)
	out.After = summary(sides[1], curves[1], &result.After, result.Band.After, figure)
	more, err := s.notes(ctx, sides, figure)
	if err != nil {
		return nil, err
	}
	out.Notes = append(out.Notes, more...)
	return out, nil
}

// traced returns the curves of a side for one figure.
func traced(x side, figure powercurve.Figure) ([]compare.Curve, error) {
	var out []compare.Curve
	for _, r := range x.pulls {
		trace, err := r.Curve.Trace(figure, powercurve.OnPoints)
		if err != nil {
			return nil, &wire.FieldError{Field: "figure", Reason: fmt.Sprintf("pull %s does not state %s: %s", r.Pull.ID, figure, whyNot(r.Curve, figure))}
		}
		out = append(out, compare.FromTrace(compare.Curve{
			Pull: r.Pull.ID, At: r.Pull.StartedAt, Cell: r.Pull.Cell, Car: carName(r.Pull), Session: sessionName(r.Pull),
		}, trace))
	}
	return out, nil
}

// topOf returns a pull's peak as back-to-back pulls are judged by.
func topOf(r pipeline.Reduced, c compare.Curve) (speed float64, top repeat.Pull) {
	speed, value, own, common := c.Top()
	return speed, repeat.Pull{ID: r.Pull.ID, At: r.Pull.StartedAt, Value: value, Own: own, Common: common, Intake: r.Curve.IntakeTemperature}
}

// figureAsked returns the figure of a request; 0: none is asked for.
func figureAsked(req *pb.ComparePullsRequest) (powercurve.Figure, error) {
	switch {
	case req.GetGain() < 0 || req.GetGain() > 1 || req.GetGain() != req.GetGain():
		return 0, &wire.FieldError{Field: "gain", Reason: fmt.Sprintf("%g is no gain; write a ratio between 0 and 1, 0.02 for 2 %%", req.GetGain())}
	case req.GetPower() < 0 || req.GetPower() >= 1 || req.GetPower() != req.GetPower():
		return 0, &wire.FieldError{Field: "power", Reason: fmt.Sprintf("%g is no probability to resolve a gain with; write 0.9 for nine times in ten", req.GetPower())}
	case req.GetFigure() == "":
		return 0, nil
	}
	names := make([]string, len(figures))
	for i, f := range figures {
		if names[i] = f.String(); names[i] == req.GetFigure() {
			return f, nil
		}
	}
	return 0, &wire.FieldError{Field: "figure", Reason: fmt.Sprintf("%q cannot be compared; choose %s", req.GetFigure(), strings.Join(names, ", "))}
}

// chosen returns the pulls of a set: those named, or all computed ones that the
// filter leaves, in order of time.
func (s *Server) chosen(ctx context.Context, name string, set *pb.PullSet) ([]fleet.PullID, error) {
	narrowed := set.GetSession() != "" || set.GetLabel() != "" || set.GetCustomerCar() != ""
	f := set.GetFilter()
	narrowed = narrowed || f.GetSiteId() != "" || f.GetCellId() != "" || f.GetCarId() != "" || f.GetFrom() != nil || f.GetUntil() != nil
	switch {
	case len(set.GetPullIds()) > 0 && narrowed:
		return nil, &wire.FieldError{Field: name, Reason: "names pulls and narrows by something else too; do one of the two"}
	case len(set.GetPullIds()) == 0 && !narrowed:
		return nil, &wire.FieldError{Field: name, Reason: "chooses no pulls; name their ids, or narrow by cell, car, customer's car, session, label or time"}
	}
	if ids := set.GetPullIds(); len(ids) > 0 {
		if len(ids) > mostCompared {
			return nil, &wire.FieldError{Field: name, Reason: fmt.Sprintf("names %d pulls; at most %d are compared at once", len(ids), mostCompared)}
		}
		out := make([]fleet.PullID, len(ids))
		for i, id := range ids {
			if !wire.ValidHash(id) {
				return nil, &wire.FieldError{Field: name, Reason: fmt.Sprintf("%q is not a pull's id; it has 32 hexadecimal digits, as `rollcall pulls` lists them", clip(id))}
			}
			out[i] = fleet.PullID(id)
		}
		return out, nil
	}
	narrow, err := s.filter(f)
	if err != nil {
		return nil, err
	}
	narrow.Limit = everything
	rows, err := s.store.ListCurves(ctx, store.PullFilter{Filter: narrow, Kind: fleet.KindPull, Session: set.GetSession(), Label: set.GetLabel()})
	if err != nil {
		return nil, err
	}
	var out []fleet.PullID
	for _, r := range slices.Backward(rows) {
		if r.State == store.StateComputed && (set.GetCustomerCar() == "" || r.CustomerCar == set.GetCustomerCar()) {
			out = append(out, fleet.PullID(r.PullID))
		}
	}
	switch {
	case len(out) == 0:
		return nil, fmt.Errorf("%s: no computed pull is left by what it narrows to; see `rollcall pulls`: %w", name, store.ErrNotFound)
	case len(out) > mostCompared:
		return nil, &wire.FieldError{Field: name, Reason: fmt.Sprintf("chooses %d pulls; at most %d are compared at once: narrow it by session, label or time", len(out), mostCompared)}
	}
	return out, nil
}

// clip keeps a text that somebody sent short.
func clip(s string) string {
	if r := []rune(s); len(r) > 40 {
		return string(r[:40]) + "…"
	}
	return s
}

// reduced computes pulls, refusing what is none.
func (s *Server) reduced(ctx context.Context, name string, ids []fleet.PullID) ([]pipeline.Reduced, error) {
	known := make([]store.PullRow, len(ids))
	for i, id := range ids {
		row, ok, err := s.store.ReadPullBegin(ctx, id)
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, fmt.Errorf("%s: there is no pull %s: %w", name, id, store.ErrNotFound)
		}
		if kind := fleet.Kind(row.Kind); kind != fleet.KindPull {
			return nil, &wire.FieldError{Field: name, Reason: fmt.Sprintf("%s is of kind %s; only pulls are compared", id, kind)}
		}
		known[i] = row
	}
	out, err := s.Reduce(ctx, ids)
	if err != nil {
		return nil, err
	}
	beside, err := s.store.ReadNeighbours(ctx, ids)
	if err != nil {
		return nil, err
	}
	for i, r := range out {
		if r.Curve == nil {
			return nil, &wire.FieldError{Field: name, Reason: fmt.Sprintf("pull %s has no curve: %s; leave it out", known[i].PullID, r.Reason)}
		}
		row, ok, err := s.store.ReadCurve(ctx, r.Pull.ID)
		if err != nil {
			return nil, err
		}
		for _, f := range beside[r.Pull.ID] {
			out[i].Findings = append(out[i].Findings, finding.Finding{Kind: finding.Kind(f.Kind), Channel: fleet.Channel(f.Channel), Text: f.Text})
		}
		if !ok || row.Epoch != string(r.Epoch) {
			return nil, status.Errorf(codes.Unavailable, "pull %s is being computed; try again in a moment", r.Pull.ID)
		}
	}
	return out, nil
}

// whyNot says why a curve does not state a figure.
func whyNot(c *powercurve.Curve, f powercurve.Figure) string {
	corrected := f == powercurve.CorrectedPower || f == powercurve.CorrectedTorque
	switch {
	case c.NoEnginePower != "":
		return c.NoEnginePower
	case corrected && c.Correction == nil:
		return c.CorrectionNote
	}
	return "no point of it could be computed"
}

// states reports whether a curve states a figure, and under which standard.
func states(c *powercurve.Curve, f powercurve.Figure) (fleet.Correction, bool) {
	if _, err := c.Trace(f, powercurve.OnPoints); err != nil {
		return "", false
	}
	if (f == powercurve.CorrectedPower || f == powercurve.CorrectedTorque) && c.Correction != nil {
		return c.Correction.Standard, true
	}
	return fleet.CorrectionNone, true
}

// chooseFigure returns the figure asked for, or the first preferred one that all
// pulls state under one standard. Figures of different standards are not
// compared.
func chooseFigure(asked powercurve.Figure, sides [2]side) (powercurve.Figure, error) {
	try := preferred
	if asked != 0 {
		try = []powercurve.Figure{asked}
	}
	for _, f := range try {
		seen := map[fleet.Correction]bool{}
		all := true
		for _, side := range sides {
			for _, r := range side.pulls {
				standard, ok := states(r.Curve, f)
				if all = all && ok; ok {
					seen[standard] = true
				}
			}
		}
		switch {
		case asked != 0 && len(seen) > 1:
			var names []string
			for _, c := range slices.Sorted(maps.Keys(seen)) {
				names = append(names, correction.Name(c))
			}
			return 0, &wire.FieldError{Field: "figure", Reason: fmt.Sprintf("%s is corrected by different standards (%s); compare %s, or pulls of one standard", f, strings.Join(names, "; "), powercurve.EnginePower)}
		case asked != 0:
			return asked, nil // a pull that does not state it is named later
		case all && len(seen) == 1 && (f != powercurve.CorrectedPower || !seen[fleet.CorrectionNone]):
			return f, nil
		}
	}
	return powercurve.WheelPower, nil
}

// correctionOf returns the standard of a figure, or none.
func correctionOf(f powercurve.Figure, sides [2]side) string {
	c, _ := states(sides[0].pulls[0].Curve, f)
	return string(c)
}

// carName tells cars apart.
func carName(p fleet.Pull) string {
	if p.Car != "" {
		return "reference car " + string(p.Car)
	}
	if p.CustomerCar != "" {
		return p.CustomerCar
	}
	return ""
}

// sessionName joins pulls that share a session's common error: the session of
// a reference car or one that was named, else the day; always on one cell.
func sessionName(p fleet.Pull) string {
	if p.Session != "" {
		return string(p.Cell) + ", " + p.Session
	}
	return string(p.Cell) + ", " + p.StartedAt.UTC().Format(time.DateOnly)
}

// spreads returns what sessions and pulls scatter by in the fleet's reference
// runs, as last estimated; nil without any.
func (s *Server) spreads(ctx context.Context) (session, pull *compare.Spread, err error) {
	rows, err := s.store.ReadEstimates(ctx, store.Filter{Limit: 1})
	if err != nil || len(rows) == 0 {
		return nil, nil, err
	}
	dof := fleetstate.DefaultSettings().Session.Freedom + float64(rows[0].Runs)
	for i, name := range rows[0].VarianceName {
		spread := &compare.Spread{Ratio: math.Sqrt(max(rows[0].Variance[i], 0)), DoF: dof, From: "the fleet's reference runs"}
		switch {
		case spread.Ratio == 0:
		case name == "session":
			session = spread
		case name == "pull":
			pull = spread
		}
	}
	return session, pull, nil
}

func difference(d *compare.Difference) *pb.PullDifference {
	return &pb.PullDifference{
		EngineSpeedRadS: d.EngineSpeed, Before: d.Before, After: d.After, Delta: d.Delta, ExpandedUncertainty: d.U,
		Ratio: d.Ratio, RatioExpandedUncertainty: d.URatio, Resolved: d.Resolved,
		RepeatabilityUncertainty: d.URepeat, SessionUncertainty: d.USession, SharedUncertainty: d.UShared,
	}
}

// summary sums one side up, with what back-to-back pulls say and the sentence
// for the customer, of the peak.
func summary(x side, curves []compare.Curve, set *compare.Set, mean float64, f powercurve.Figure) *pb.SetSummary {
	out := &pb.SetSummary{Sessions: uint32(set.Sessions), From: stamp(set.From), Until: stamp(set.To), Mean: mean}
	for _, c := range set.Cells {
		out.CellIds = append(out.CellIds, string(c))
	}
	first := x.pulls[0]
	sentence := repeat.Sentence{Figure: "peak " + f.String(), Unit: f.Unit(), Pulls: len(x.pulls), Cell: strings.Join(out.CellIds, ", "), At: set.From, Until: set.To}
	var tops []repeat.Pull
	n := float64(len(x.pulls))
	logged := true
	for i, r := range x.pulls {
		out.PullIds = append(out.PullIds, string(r.Pull.ID))
		speed, top := topOf(r, curves[i])
		tops = append(tops, top)
		sentence.EngineSpeed += speed / n
		if a := r.Curve.Air; a != nil {
			sentence.DryPressure, sentence.Temperature = sentence.DryPressure+a.DryPressure()/n, sentence.Temperature+a.Temperature/n
		} else {
			logged = false
		}
	}
	if !logged {
		sentence.DryPressure, sentence.Temperature = 0, 0
	}
	sentence.Intake = meanIntake(x.pulls)
	if c, _ := states(first.Curve, f); c != fleet.CorrectionNone {
		sentence.Correction = correction.Name(c)
		for _, r := range x.pulls {
			sentence.Factor += r.Curve.Correction.Factor / n
			sentence.Outside = cmp.Or(sentence.Outside, r.Curve.Correction.Note)
			sentence.Caution = cmp.Or(sentence.Caution, r.Curve.Correction.Caution)
			if p := r.Curve.PeakEnginePower; p != nil && f == powercurve.CorrectedPower {
				sentence.Uncorrected += p.Value / n
			} else if p := r.Curve.PeakEngineTorque; p != nil && f == powercurve.CorrectedTorque {
				sentence.Uncorrected += p.Value / n
			}
		}
	}
	if f != powercurve.WheelPower && f != powercurve.TractiveForce {
		sentence.Loss = "driveline loss by coast-down"
		if from := first.Curve.CarriedFrom; from != "" {
			sentence.Loss = fmt.Sprintf("driveline loss carried from pull %s of %s", from, first.BaselineAt.UTC().Format("2 Jan 2006"))
		}
	}
	if r, err := repeat.Assess(tops); err == nil {
		sentence.Value, sentence.U, sentence.Limit = r.Mean, r.U, r.Limit
		out.StandardDeviation, out.Range, out.RepeatabilityLimit = &set.SD, &r.Range, &r.Limit
		for _, o := range r.Outlying {
			if !o.Straggler {
				out.OutlyingPullIds = append(out.OutlyingPullIds, string(o.Pull))
			}
		}
		out.Notes = r.Notes
	} else {
		sentence.Value, sentence.U = tops[0].Value, 2*math.Hypot(tops[0].Own, tops[0].Common)
	}
	out.Sentence = sentence.String()
	return out
}

// meanIntake returns the mean intake air temperature, K; 0: not logged in all.
func meanIntake(pulls []pipeline.Reduced) float64 {
	sum := 0.0
	for _, r := range pulls {
		if r.Curve.IntakeTemperature == nil {
			return 0
		}
		sum += *r.Curve.IntakeTemperature
	}
	return sum / float64(len(pulls))
}

// worthNoting is the difference of intake air, K, that is spoken of. Common
// practice, no source.
const worthNoting = 2.0

// notes says what stands beside the numbers: cells in doubt, findings in the
// pulls, air that differed.
func (s *Server) notes(ctx context.Context, sides [2]side, f powercurve.Figure) ([]string, error) {
	var out []string
	cells := map[fleet.CellID]bool{}
	for _, side := range sides {
		for _, r := range side.pulls {
			cells[r.Pull.Cell] = true
		}
	}
	flags, err := s.store.ListFlags(ctx, store.Filter{Cells: slices.Sorted(maps.Keys(cells))}, false)
	if err != nil {
		return nil, err
	}
	for _, g := range flags {
		if g.CellID != "" {
			out = append(out, fmt.Sprintf("cell %s has an open flag (%s): %s", g.CellID, g.Kind, g.Evidence))
		}
	}
	for _, side := range sides {
		for _, r := range side.pulls {
			var kinds []string
			for _, found := range r.Findings {
				if kind := string(found.Kind); !slices.Contains(kinds, kind) {
					kinds = append(kinds, kind)
				}
			}
			if len(kinds) > 0 {
				out = append(out, fmt.Sprintf("pull %s (%s) has findings: %s", r.Pull.ID, side.name, strings.Join(kinds, ", ")))
			}
		}
	}
	if c, _ := states(sides[0].pulls[0].Curve, f); c == fleet.CorrectionNone {
		out = append(out, fmt.Sprintf("%s is as measured: what the air changed between the sets is in the difference", f))
	} else {
		caution := ""
		for _, side := range sides {
			for _, r := range side.pulls {
				caution = cmp.Or(caution, r.Curve.Correction.Caution)
			}
		}
		if caution != "" {
			out = append(out, caution)
		}
	}
	before, after := meanIntake(sides[0].pulls), meanIntake(sides[1].pulls)
	if d := after - before; before > 0 && after > 0 && math.Abs(d) >= worthNoting {
		way := "warmer"
		if d < 0 {
			way = "cooler"
		}
		out = append(out, fmt.Sprintf("the intake air was %.1f K %s after: %s", math.Abs(d), way, worth(sides, d)))
	}
	return out, nil
}

// worth says what a change of the intake air is worth to this car by its own
// pulls, the change between the sets apart.
func worth(sides [2]side, d float64) string {
	var pulls []intake.Pull
	for _, side := range sides {
		for _, r := range side.pulls {
			power := r.Curve.PeakWheelPower
			if power == nil || r.Curve.Air == nil {
				continue
			}
			pulls = append(pulls, intake.Pull{
				ID: r.Pull.ID, At: r.Pull.StartedAt, Group: side.name + " " + string(r.Pull.Cell) + " " + string(r.Epoch),
				Power: power.Value, Temperature: *r.Curve.IntakeTemperature, DryPressure: r.Curve.Air.DryPressure(),
			})
		}
	}
	s, err := intake.Fit(carName(sides[0].pulls[0].Pull), pulls, intake.DefaultSettings())
	if err != nil {
		return fmt.Sprintf("what that is worth to this car is not known (%v)", err)
	}
	change, u, _ := s.Worth(1, d)
	return fmt.Sprintf("worth %+.2f %% ± %.2f %% of wheel power as measured to this car; %s", 100*change, 100*u, s.String())
}
