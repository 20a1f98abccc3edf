package showtest

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	rollcallv1 "rollcall/proto/rollcall/v1"
)

// Ids of checks that have a whole result.
var (
	DeadWeightID  = strings.Repeat("a", 32)
	BaseInertiaID = strings.Repeat("c", 32)
)

// GetCheck returns a dead-weight or a base-inertia check with its whole result;
// of another check of the fleet only what lists show.
func (f *Fleet) GetCheck(_ context.Context, r *rollcallv1.GetCheckRequest) (*rollcallv1.GetCheckResponse, error) {
	if f.Err != nil {
		return nil, f.Err
	}
	if r.GetCheckId() == BaseInertiaID {
		return baseInertia(), nil
	}
	i := slices.IndexFunc(f.Checks, func(c *rollcallv1.Check) bool { return c.GetCheckId() == r.GetCheckId() })
	if i < 0 {
		return nil, status.Errorf(codes.NotFound, "there is no check %s", r.GetCheckId())
	}
	answer := &rollcallv1.GetCheckResponse{Check: f.Checks[i], Made: &rollcallv1.CalibrationCheck{CheckId: r.GetCheckId(), CellId: f.Checks[i].GetCellId()}}
	if r.GetCheckId() == DeadWeightID {
		answer.Made, answer.Result = deadWeight()
		answer.RegistryEffectiveAt, answer.CodeVersion = Day(170), "test"
	}
	return answer, nil
}

func deadWeight() (*rollcallv1.CalibrationCheck, *rollcallv1.CheckResult) {
	rising, falling := rollcallv1.LoadDirection_LOAD_DIRECTION_RISING, rollcallv1.LoadDirection_LOAD_DIRECTION_FALLING
	made := &rollcallv1.CalibrationCheck{CheckId: DeadWeightID, CellId: "fen-2", Kind: rollcallv1.CheckKind_CHECK_KIND_DEAD_WEIGHT, State: rollcallv1.CheckState_CHECK_STATE_AS_FOUND,
		PerformedAt: Day(12), PerformedBy: "J. Dahl", Note: "masses of Fenwater " + Attack, ArmAngleRad: Number(0.005), AirPressurePa: Number(101320), AirTemperatureK: Number(293.15),
		Readings: []*rollcallv1.CheckReading{
			{Cycle: 1, Direction: rising, Preload: true, MassIds: []string{"m20-1", "m20-2"}, ReadingN: Number(1182)},
			{Cycle: 1, Direction: rising, ReadingN: Number(0.4)},
			{Cycle: 1, Direction: rising, MassIds: []string{"m20-1", "m20-2"}, ReadingN: Number(1182.1), HeldS: Number(30)},
			{Cycle: 1, Direction: falling, ReadingN: Number(0.5), Mounting: 1},
		}}
	budget := []*rollcallv1.CheckBudgetRow{
		{Input: "scatter", StandardUncertainty: 0.0003, Sensitivity: 1, Contribution: 0.0003, DegreesOfFreedom: Number(17)},
		{Input: "lever arm", StandardUncertainty: 0.00043, Sensitivity: -1, Contribution: -0.00043},
	}
	return made, &rollcallv1.CheckResult{Schema: 1, Verdict: "fail", Reason: "gain error beyond its limit", Risk: 0.0004, ZeroVerdict: "pass", ZeroRisk: 0.001,
		Stated: []*rollcallv1.StatedResult{
			{Quantity: "zero error", Unit: "N", Value: 0.4, ExpandedUncertainty: 0.6, CoverageFactor: 2.11, DegreesOfFreedom: Number(17)},
			{Quantity: "gain error", Unit: "1", Value: 0.0204, ExpandedUncertainty: 0.0011, CoverageFactor: 2.02, DegreesOfFreedom: Number(51.2), Budget: budget, Says: "slope of the line"},
			{Quantity: "creep", Unit: "N", Value: -0.12, ExpandedUncertainty: 0.2, CoverageFactor: 2},
		},
		Readings: []*rollcallv1.ReadingResult{{Index: 1, Cycle: 1, Direction: rising, LoadN: 0, ReadingN: 0.4, ErrorN: 0.4}, {Index: 2, Cycle: 1, Direction: rising, LoadN: 1158, ReadingN: 1182.1, ErrorN: 24.1},
			{Index: 3, Cycle: 1, Direction: falling, LoadN: 0, ReadingN: 0.5, ErrorN: 0.5}},
		Preloads: []*rollcallv1.ReadingResult{{Index: 0, Cycle: 1, Direction: rising, LoadN: 1158, ReadingN: 1182}},
		Points: []*rollcallv1.PointResult{{LoadN: 1158, Direction: rising, Count: 1, ErrorN: 24.1, ExpandedUncertaintyN: 1.3, ToleranceN: 5.79, Verdict: "fail", Risk: 0.0004, CoverageFactor: 2.02},
			{LoadN: 0, Direction: falling, Count: 1, ErrorN: 0.5, ExpandedUncertaintyN: 0.6, CoverageFactor: 2.1}},
		DegreesOfFreedom: 17, ScatterN: 0.3, AirDensityKgM3: 1.2,
		AsLeft:        &rollcallv1.LoadCellCurve{Epoch: DeadWeightID, Since: Day(12), Degree: 1, ZeroN: 0.4, Gain: 0.0204, ZeroUncertaintyN: 0.3, GainUncertainty: 0.00055, ZeroGainCovarianceN: -1e-5},
		Interpolation: &rollcallv1.InterpolationResult{Degree: 1, Coefficients: []float64{0.4, 1.0204, 0, 0}, ResidualN: 0.3, DegreesOfFreedom: 17, HighN: 1158, Rule: "the lowest degree whose lack of fit is not significant at 5 %", Reason: "the line fits: F 0.8, P 0.62"},
		Drift:         &rollcallv1.DriftResult{CheckId: strings.Repeat("d", 32), Since: Day(40), Days: 28, Gain: Number(0.0021), GainExpandedUncertainty: Number(0.0008), GainEn: Number(2.6)},
		Class: &rollcallv1.ClassResult{Table: "iso_376", Asked: "1", Reached: "2", Source: "ISO 376:2011, table 2", FromMemory: true,
			Limits: []*rollcallv1.ClassLimit{{Class: "1", Quantity: "reversibility", LimitPercent: 0.2, Measured: true, ValuePercent: 0.26}, {Class: "2", Quantity: "reversibility", LimitPercent: 0.5, Measured: true, ValuePercent: 0.26, Within: true}, {Class: "2", Quantity: "creep", LimitPercent: 0.1}}},
		Findings: []*rollcallv1.CheckFinding{{Kind: "mass_certificate_ended", Text: "the certificate of check mass m20-2 ended on 2026-05-31: have it calibrated"}, {Kind: "few_loads", Text: "2 loads; 5 are asked", Source: "40 CFR 1065.310"}},
	}
}

func baseInertia() *rollcallv1.GetCheckResponse {
	return &rollcallv1.GetCheckResponse{
		Check: &rollcallv1.Check{CheckId: BaseInertiaID, CellId: "mil-1", Kind: "base inertia", State: "as left", PerformedAt: Day(3), PerformedBy: "J. Dahl", Verdict: "pass", Reason: "within 0.20 %", Readings: 2,
			BaseInertiaKg: Number(586.2), BaseInertiaExpandedUncertaintyKg: Number(1.4), Risk: Number(0.002), OpensEpochAt: Day(3)},
		Made: &rollcallv1.CalibrationCheck{CheckId: BaseInertiaID, CellId: "mil-1", Kind: rollcallv1.CheckKind_CHECK_KIND_BASE_INERTIA, State: rollcallv1.CheckState_CHECK_STATE_AS_LEFT, PerformedAt: Day(3),
			Readings: []*rollcallv1.CheckReading{{Cycle: 1, SetForceN: Number(-900), FromMps: Number(5), ToMps: Number(25), DurationS: Number(13.6)}, {Cycle: 1, SetForceN: Number(900), FromMps: Number(25), ToMps: Number(5), DurationS: Number(12.4)}}},
		Result: &rollcallv1.CheckResult{Schema: 1, Verdict: "pass", Reason: "within 0.20 %", Risk: 0.002, BaseInertia: &rollcallv1.BaseInertiaResult{
			MassKg: Number(586.2), ExpandedUncertaintyKg: Number(1.4), CoverageFactor: 2.1, DegreesOfFreedom: Number(14), StatedKg: 585, Deviation: 0.00205, DeviationExpandedUncertainty: 0.0024,
			Budget:     []*rollcallv1.CheckBudgetRow{{Input: "scatter", StandardUncertainty: 0.4, Sensitivity: 1, Contribution: 0.4, DegreesOfFreedom: Number(5)}},
			Runs:       []*rollcallv1.InertiaRun{{Index: 0, ForceN: -900, ParasiticN: 51, FromMps: 5, ToMps: 25, DurationS: 13.6, DecelerationMps2: -1.4706}, {Index: 1, ForceN: 900, ParasiticN: 52, FromMps: 25, ToMps: 5, DurationS: 12.4, DecelerationMps2: 1.6129}},
			Values:     []*rollcallv1.InertiaValue{{First: 0, Second: 1, MassKg: 586.2, Deviation: 0.00205, Within: true}},
			Limits:     []*rollcallv1.InertiaLimit{{Name: "mean against the value in force", Limit: 0.002, Value: 0.00205, Source: "40 CFR 1066.250"}},
			ParasiticN: 50.3, ParasiticExpandedUncertaintyN: 2.2, RegistryParasiticN: 51.5,
		}},
		RegistryEffectiveAt: Day(170), CodeVersion: "test",
	}
}

// ListEpochs returns epochs of every kind.
func (f *Fleet) ListEpochs(_ context.Context, r *rollcallv1.ListEpochsRequest) (*rollcallv1.ListEpochsResponse, error) {
	f.filter.Store(r.GetFilter())
	all := []*rollcallv1.Epoch{
		{CellId: "fen-2", Of: "base inertia", Since: Day(30), Epoch: BaseInertiaID, Source: "base inertia check", SignedBy: "J. Dahl", Values: []*rollcallv1.EpochValue{{Name: "mass", Value: 586.2, ExpandedUncertainty: 1.4, Unit: "kg"}}},
		{CellId: "fen-2", Of: "base inertia", Since: Day(170), Until: Day(30), Source: "registry", Values: []*rollcallv1.EpochValue{{Name: "mass", Value: 585, ExpandedUncertainty: 5.85, Unit: "kg"}}},
		{CellId: "fen-2", Of: "load cell", Since: Day(170), Source: "registry", Values: []*rollcallv1.EpochValue{{Name: "zero", Unit: "N"}, {Name: "gain", ExpandedUncertainty: 0.002, Unit: "1"}}},
		{CellId: "fen-2", Of: "parasitic loss", Since: Day(40), Epoch: EmptyID, Source: "empty-roller coast-down", SignedBy: "M. Krause", Reason: "new bearings", Covariance: []float64{1, 0, 0, 1, 0, 1},
			Values: []*rollcallv1.EpochValue{{Name: "f0", Value: 41.2, ExpandedUncertainty: 2, Unit: "N"}, {Name: "f1", Value: 1.48, ExpandedUncertainty: 0.2, Unit: "N·s/m"}, {Name: "f2", Value: 0.021, ExpandedUncertainty: 0.004, Unit: "N·s²/m²"}}},
	}
	return &rollcallv1.ListEpochsResponse{Epochs: keep(r.GetFilter(), all, (*rollcallv1.Epoch).GetCellId, none[*rollcallv1.Epoch])}, f.Err
}

// ListParasitics returns two coast-downs, the older one adopted, and one that
// gives nothing.
func (f *Fleet) ListParasitics(_ context.Context, r *rollcallv1.ListParasiticsRequest) (*rollcallv1.ListParasiticsResponse, error) {
	f.filter.Store(r.GetFilter())
	all := []*rollcallv1.ParasiticLoss{
		{PullId: strings.Repeat("e", 32), CellId: "fen-2", StartedAt: Day(12), State: "computed", F0N: 52.9, F1NSM: 1.5, F2NS2M2: 0.0205, Covariance: []float64{1, 0, 0, 0.01, 0, 1e-5}, SpeedLowMps: 5, SpeedHighMps: 45,
			AgainstInForceN: 11.6, AgainstInForceExpandedUncertaintyN: 2.4, EarlierPullId: EmptyID, ChangeN: Number(11.5), ChangeExpandedUncertaintyN: Number(1.9), ChangeResolved: true, ChangeSays: "the loss rose by 11.5 N ± 1.9 N: resolved"},
		{PullId: EmptyID, CellId: "fen-2", StartedAt: Day(40), State: "computed", F0N: 41.2, F1NSM: 1.48, F2NS2M2: 0.021, Covariance: []float64{1, 0, 0, 0.01, 0, 1e-5}, SpeedLowMps: 5, SpeedHighMps: 45, AgainstInForceN: -1.2, AgainstInForceExpandedUncertaintyN: 2.4,
			AdoptedAt: Day(39), AdoptedBy: "M. Krause", AdoptedReason: "new bearings", EffectiveAt: Day(40)},
		{PullId: strings.Repeat("f", 32), CellId: "mil-1", StartedAt: Day(41), State: "unusable", Reason: "the rollers were not coasting"},
	}
	return &rollcallv1.ListParasiticsResponse{Losses: keep(r.GetFilter(), all, (*rollcallv1.ParasiticLoss).GetCellId, none[*rollcallv1.ParasiticLoss])}, f.Err
}

// ListDue returns an overdue check, one that is due and one without a day.
func (f *Fleet) ListDue(_ context.Context, r *rollcallv1.ListDueRequest) (*rollcallv1.ListDueResponse, error) {
	f.filter.Store(r.GetFilter())
	all := []*rollcallv1.DueCheck{
		{CellId: "mil-1", SiteId: "mil", Of: "load-cell gain", DueAt: Day(6), Rule: "time", Says: "due on 2026-06-23 by time: 30 days after the check of 2026-05-24", Overdue: true, LastCheckId: strings.Repeat("b", 32), LastCheckAt: Day(36), PullsSince: 61, Reliability: 0.95,
			Rules: []*rollcallv1.DueRule{{Rule: "time", At: Day(6), Says: "30 days after the check of 2026-05-24"}, {Rule: "pulls", Says: "the registry sets no most number of pulls between two checks"}}},
		{CellId: "fen-2", SiteId: "fen", Of: "load-cell gain", DueAt: timestamppb.New(Now.Add(9 * 24 * time.Hour)), Rule: "drift", Says: "due on 2026-07-08 by drift", LastCheckId: DeadWeightID, LastCheckAt: Day(12), PullsSince: 40,
			RatePerDay: Number(0.00012), RateExpandedUncertaintyPerDay: Number(0.00005), Reliability: 0.95, InToleranceAtDue: Number(0.95)},
		{CellId: "rid-2", SiteId: "rid", Of: "load-cell gain", Says: "no usable check of this load cell is known: make one", Reliability: 0.95},
	}
	return &rollcallv1.ListDueResponse{Due: keep(r.GetFilter(), all, (*rollcallv1.DueCheck).GetCellId, none[*rollcallv1.DueCheck]), At: timestamppb.New(Now)}, f.Err
}
