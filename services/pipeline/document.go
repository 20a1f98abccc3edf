package pipeline

import (
	"bytes"
	"encoding/json"
	"math"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/compute/baseinertia"
	"rollcall/services/compute/flag"
	"rollcall/services/compute/gum"
	"rollcall/services/compute/loadcell"
	"rollcall/services/fleet"
)

// documentSchema is CheckResult.schema of what document writes.
const documentSchema = 1

// document returns all of a check's result as the JSON of the wire's CheckResult:
// the same bytes for the same result.
func document(judged flag.Check) string {
	raw, err := protojson.Marshal(Result(judged))
	if err != nil {
		panic("pipeline: a check's result cannot be written as JSON: " + err.Error())
	}
	// protojson puts spaces in at random.
	var b bytes.Buffer
	if err := json.Compact(&b, raw); err != nil {
		panic("pipeline: a check's result is not JSON: " + err.Error())
	}
	return b.String()
}

// Result returns all of a check's result as the wire has it.
func Result(judged flag.Check) *pb.CheckResult {
	var out *pb.CheckResult
	if judged.Check.Kind == fleet.CheckBaseInertia {
		m := judged.Inertia
		out = &pb.CheckResult{
			Verdict: m.Verdict.String(), Reason: m.Reason, Risk: m.Risk, BaseInertia: inertiaResult(m), Findings: findingsOf(m.Findings),
		}
	} else {
		out = loadCellResult(judged.Result)
	}
	out.Schema = documentSchema
	return out
}

func loadCellResult(r loadcell.Result) *pb.CheckResult {
	out := &pb.CheckResult{
		Verdict: r.Verdict.String(), Reason: r.Reason, Risk: r.Risk, ZeroVerdict: r.ZeroVerdict.String(), ZeroRisk: r.ZeroRisk,
		Readings: readingsOf(r.Readings), Preloads: readingsOf(r.Preloads),
		LinearityN: r.Linearity, ReversibilityN: r.Reversibility, RepeatabilityN: r.Repeatability,
		ScatterN: r.Scatter, DegreesOfFreedom: uint32(r.DoF), AirDensityKgM3: r.AirDensity,
		Findings: findingsOf(r.Findings),
	}
	for _, s := range r.Stated {
		out.Stated = append(out.Stated, &pb.StatedResult{
			Quantity: string(s.Quantity), Unit: s.Unit, Value: s.Value, ExpandedUncertainty: s.U, CoverageFactor: s.K,
			DegreesOfFreedom: bounded(s.DoF), Budget: budgetOf(s.Budget), Says: s.Says,
		})
	}
	for _, p := range r.Points {
		out.Points = append(out.Points, &pb.PointResult{
			LoadN: p.Load, Direction: pb.LoadDirection(p.Direction), Count: uint32(p.Count), ErrorN: p.Error, ExpandedUncertaintyN: p.U,
			ToleranceN: p.Tolerance, Verdict: p.Verdict.String(), Risk: p.Risk, CoverageFactor: p.K, DegreesOfFreedom: bounded(p.DoF), Budget: budgetOf(p.Budget),
		})
	}
	if r.AsLeftValid {
		out.AsLeft = curveOf(r.AsLeft)
	}
	if i := r.Interpolation; i != nil {
		m := &pb.InterpolationResult{
			Degree: uint32(i.Degree), Coefficients: i.Coefficients[:], Covariance: square(i.Covariance), ResidualN: i.Residual,
			DegreesOfFreedom: uint32(i.DoF), ResidualsN: i.Residuals, LowN: i.Low, HighN: i.High, Rule: i.Rule, Reason: i.Reason,
		}
		for _, t := range i.Tried {
			trial := &pb.InterpolationTrial{
				Degree: uint32(t.Degree), ResidualN: t.Residual, DegreesOfFreedom: uint32(t.DoF),
				Highest: finite(t.Highest), ProbabilityHighest: t.PHighest,
			}
			if t.Replicated {
				trial.LackOfFit, trial.Probability = ptr(finite(t.LackOfFit)), ptr(t.P)
				trial.DegreesOfFreedomLack, trial.DegreesOfFreedomPure = uint32(t.DoFLack), uint32(t.DoFPure)
			}
			m.Tried = append(m.Tried, trial)
		}
		out.Interpolation = m
	}
	if d := r.Drift; d != nil {
		m := &pb.DriftResult{CheckId: string(d.Check), Since: timestamppb.New(d.Since), Days: d.Days}
		if d.ZeroValid {
			m.ZeroN, m.ZeroExpandedUncertaintyN, m.ZeroEn = ptr(d.Zero), ptr(d.UZero), ptr(finite(d.EnZero))
		}
		if d.GainValid {
			m.Gain, m.GainExpandedUncertainty, m.GainEn = ptr(d.Gain), ptr(d.UGain), ptr(finite(d.EnGain))
		}
		out.Drift = m
	}
	if c := r.Class; c != nil {
		m := &pb.ClassResult{Table: c.Table, Asked: c.Asked, Reached: c.Reached, Complete: c.Complete, Met: c.Met, Source: c.Source, FromMemory: c.FromMemory}
		for _, l := range c.Limits {
			m.Limits = append(m.Limits, &pb.ClassLimit{
				Class: l.Class, Quantity: l.Quantity, LimitPercent: l.Limit, Measured: l.Measured, ValuePercent: l.Value, Within: l.Within,
			})
		}
		out.Class = m
	}
	for _, s := range r.Senses {
		m := &pb.SenseResult{
			Sense: pb.LoadSense(s.Sense), Driving: s.Driving, GainDifference: s.GainDifference, GainDifferenceExpandedUncertainty: s.UGainDifference,
		}
		if !s.Driving { // else it is this very result
			m.Result = loadCellResult(s.Result)
		}
		out.Senses = append(out.Senses, m)
	}
	for _, z := range r.SpeedZeros {
		out.SpeedZeros = append(out.SpeedZeros, &pb.SpeedZero{
			SpeedMps: z.Speed, Count: uint32(z.Count), ErrorN: z.Error, ExpandedUncertaintyN: z.U, Verdict: z.Verdict.String(), Risk: z.Risk,
		})
	}
	for _, c := range r.CreepSteps {
		out.CreepSteps = append(out.CreepSteps, &pb.CreepStep{
			LoadN: c.Load, Cycle: uint32(c.Cycle), FromS: c.From, ToS: c.To, ValueN: c.Value, ExpandedUncertaintyN: c.U,
		})
	}
	return out
}

func inertiaResult(m baseinertia.Result) *pb.BaseInertiaResult {
	out := &pb.BaseInertiaResult{
		CoverageFactor: m.K, Budget: budgetOf(m.Budget), StatedKg: m.Stated, Deviation: m.Deviation, DeviationExpandedUncertainty: m.UDeviation,
		ParasiticN: m.Parasitic, ParasiticExpandedUncertaintyN: m.UParasitic, RegistryParasiticN: m.RegistryParasitic,
	}
	if m.Valid {
		out.MassKg, out.ExpandedUncertaintyKg, out.DegreesOfFreedom = ptr(m.Mass), ptr(m.U), bounded(m.DoF)
	}
	for _, r := range m.Runs {
		out.Runs = append(out.Runs, &pb.InertiaRun{
			Index: uint32(r.Index), ForceN: r.Force, ParasiticN: r.Parasitic, FromMps: r.From, ToMps: r.To, DurationS: r.Duration, DecelerationMps2: r.Deceleration,
		})
	}
	for _, v := range m.Values {
		out.Values = append(out.Values, &pb.InertiaValue{First: uint32(v.First), Second: uint32(v.Second), MassKg: v.Mass, Deviation: v.Deviation, Within: v.Within})
	}
	for _, l := range m.Limits {
		out.Limits = append(out.Limits, &pb.InertiaLimit{Name: l.Name, Limit: l.Limit, Value: l.Value, Within: l.Within, Source: l.Source})
	}
	return out
}

func readingsOf(all []loadcell.Reading) []*pb.ReadingResult {
	var out []*pb.ReadingResult
	for _, r := range all {
		out = append(out, &pb.ReadingResult{
			Index: uint32(r.Index), Cycle: uint32(r.Cycle), Direction: pb.LoadDirection(r.Direction), LoadN: r.Load, ReadingN: r.Reading, ErrorN: r.Error,
		})
	}
	return out
}

func budgetOf(all []gum.Component) []*pb.CheckBudgetRow {
	var out []*pb.CheckBudgetRow
	for _, c := range all {
		out = append(out, &pb.CheckBudgetRow{
			Input: c.Name, StandardUncertainty: c.U, Sensitivity: c.Sensitivity, Contribution: c.Contribution(), DegreesOfFreedom: bounded(c.DoF),
		})
	}
	return out
}

func findingsOf(all []loadcell.Finding) []*pb.CheckFinding {
	var out []*pb.CheckFinding
	for _, f := range all {
		out = append(out, &pb.CheckFinding{Kind: string(f.Kind), Text: f.Text, Source: f.Source})
	}
	return out
}

func curveOf(c loadcell.Calibration) *pb.LoadCellCurve {
	out := &pb.LoadCellCurve{
		Epoch: string(c.Epoch), Since: timestamppb.New(c.Since), Degree: uint32(max(c.Degree, 1)), ZeroN: c.Zero, Gain: c.Gain,
		QuadraticPerN: c.Quadratic, CubicPerN2: c.Cubic, ZeroUncertaintyN: c.UZero, GainUncertainty: c.UGain, ZeroGainCovarianceN: c.CovZeroGain,
	}
	if c.Degree > 1 {
		out.Covariance, out.LowN, out.HighN = square(c.Cov), c.Low, c.High
	}
	return out
}

// square returns a matrix by rows.
func square(m [4][4]float64) []float64 {
	var out []float64
	for i := range m {
		out = append(out, m[i][:]...)
	}
	return out
}

// bounded returns degrees of freedom that have a bound, else nil.
func bounded(dof float64) *float64 {
	if math.IsInf(dof, 0) || math.IsNaN(dof) {
		return nil
	}
	return &dof
}

// finite returns a figure that may be without bound, such as the F of a fit
// without scatter, as the largest number there is.
func finite(x float64) float64 { return max(min(x, math.MaxFloat64), -math.MaxFloat64) }
