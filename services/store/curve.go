package store

import (
	"context"
	"fmt"
	"reflect"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
)

// The states of a curve and of a coast-down's result.
const (
	StateComputed   = "computed"
	StateIncomplete = "incomplete" // blocks are missing or damaged
	StateUnusable   = "unusable"   // whole, but nothing can be computed from it
)

// CurveRow is a row of curves. A name that ends in U holds a standard
// uncertainty where it is an array (a point each) and an expanded one, k = 2,
// where it is a headline figure.
type CurveRow struct {
	PullID                          string     `ch:"pull_id"`
	CellID                          string     `ch:"cell_id"`
	CarID                           string     `ch:"car_id"`
	Kind                            uint8      `ch:"kind"`
	StartedAt                       time.Time  `ch:"started_at"`
	Session                         string     `ch:"session"`
	Label                           string     `ch:"label"`
	CustomerCar                     string     `ch:"customer_car"`
	State                           string     `ch:"state"` // computed, incomplete, unusable
	Reason                          string     `ch:"reason"`
	Correction                      string     `ch:"correction"`
	CorrectionInRange               bool       `ch:"correction_in_range"`
	CorrectionNote                  string     `ch:"correction_note"`
	NoEnginePower                   string     `ch:"no_engine_power"` // why engine power is not stated
	EngineSpeedLogged               bool       `ch:"engine_speed_logged"`
	CorrectionFactor                *float64   `ch:"correction_factor"`
	CorrectionFactorU               *float64   `ch:"correction_factor_u"`
	PeakWheelPower                  *float64   `ch:"peak_wheel_power_w"`                       // W
	PeakWheelPowerU                 *float64   `ch:"peak_wheel_power_u_w"`                     // W
	PeakWheelPowerEngineSpeed       *float64   `ch:"peak_wheel_power_engine_speed_rad_s"`      // rad/s
	PeakEnginePower                 *float64   `ch:"peak_engine_power_w"`                      // W
	PeakEnginePowerU                *float64   `ch:"peak_engine_power_u_w"`                    // W
	PeakEnginePowerEngineSpeed      *float64   `ch:"peak_engine_power_engine_speed_rad_s"`     // rad/s
	PeakEngineTorque                *float64   `ch:"peak_engine_torque_nm"`                    // N·m
	PeakEngineTorqueU               *float64   `ch:"peak_engine_torque_u_nm"`                  // N·m
	PeakEngineTorqueEngineSpeed     *float64   `ch:"peak_engine_torque_engine_speed_rad_s"`    // rad/s
	PeakCorrectedPower              *float64   `ch:"peak_corrected_power_w"`                   // W
	PeakCorrectedPowerU             *float64   `ch:"peak_corrected_power_u_w"`                 // W
	PeakCorrectedPowerEngineSpeed   *float64   `ch:"peak_corrected_power_engine_speed_rad_s"`  // rad/s
	PeakCorrectedTorque             *float64   `ch:"peak_corrected_torque_nm"`                 // N·m
	PeakCorrectedTorqueU            *float64   `ch:"peak_corrected_torque_u_nm"`               // N·m
	PeakCorrectedTorqueEngineSpeed  *float64   `ch:"peak_corrected_torque_engine_speed_rad_s"` // rad/s
	RampRate                        *float64   `ch:"ramp_rate_rad_s2"`                         // rad/s²
	Window                          *float64   `ch:"window_s"`                                 // s
	PassBand                        *float64   `ch:"pass_band_hz"`                             // Hz
	SweepStart                      *float64   `ch:"sweep_start_s"`                            // s
	SweepEnd                        *float64   `ch:"sweep_end_s"`                              // s
	CoastDownStart                  *float64   `ch:"coast_down_start_s"`                       // s
	CoastDownEnd                    *float64   `ch:"coast_down_end_s"`                         // s
	AirPressure                     *float64   `ch:"air_pressure_pa"`                          // Pa
	AirTemperature                  *float64   `ch:"air_temperature_k"`                        // K
	RelativeHumidity                *float64   `ch:"relative_humidity"`
	LossF0                          *float64   `ch:"loss_f0_n"`                   // N
	LossF1                          *float64   `ch:"loss_f1_n_s_m"`               // N·s/m
	LossF2                          *float64   `ch:"loss_f2_n_s2_m2"`             // N·s²/m²
	LossMass                        *float64   `ch:"loss_mass_kg"`                // kg
	LossNoise                       *float64   `ch:"loss_noise_mps"`              // m/s
	LossSpeedLow                    *float64   `ch:"loss_speed_low_mps"`          // m/s
	LossSpeedHigh                   *float64   `ch:"loss_speed_high_mps"`         // m/s
	LossCov                         []float64  `ch:"loss_cov"`                    // of f0, f1, f2: 00 01 02 11 12 22; empty without a coast-down
	EngineSpeed                     []float64  `ch:"engine_speed_rad_s"`          // rad/s
	Time                            []float64  `ch:"time_s"`                      // s
	Speed                           []float64  `ch:"speed_mps"`                   // m/s
	Acceleration                    []float64  `ch:"acceleration_mps2"`           // m/s²
	BrakeForce                      []float64  `ch:"brake_force_n"`               // N
	TractiveForce                   []float64  `ch:"tractive_force_n"`            // N
	TractiveForceU                  []float64  `ch:"tractive_force_u_n"`          // N
	TractiveForceOwnU               []float64  `ch:"tractive_force_own_u_n"`      // N
	WheelPower                      []float64  `ch:"wheel_power_w"`               // W
	WheelPowerU                     []float64  `ch:"wheel_power_u_w"`             // W
	Loss                            []*float64 `ch:"loss_n"`                      // N
	LossU                           []*float64 `ch:"loss_u_n"`                    // N
	EnginePower                     []*float64 `ch:"engine_power_w"`              // W
	EnginePowerU                    []*float64 `ch:"engine_power_u_w"`            // W
	EngineTorque                    []*float64 `ch:"engine_torque_nm"`            // N·m
	EngineTorqueU                   []*float64 `ch:"engine_torque_u_nm"`          // N·m
	CorrectedPower                  []*float64 `ch:"corrected_power_w"`           // W
	CorrectedPowerU                 []*float64 `ch:"corrected_power_u_w"`         // W
	CorrectedTorque                 []*float64 `ch:"corrected_torque_nm"`         // N·m
	CorrectedTorqueU                []*float64 `ch:"corrected_torque_u_nm"`       // N·m
	BandEngineSpeed                 []float64  `ch:"band_engine_speed_rad_s"`     // rad/s
	BandTime                        []float64  `ch:"band_time_s"`                 // s
	BandSpeed                       []float64  `ch:"band_speed_mps"`              // m/s
	BandAcceleration                []float64  `ch:"band_acceleration_mps2"`      // m/s²
	BandBrakeForce                  []float64  `ch:"band_brake_force_n"`          // N
	BandTractiveForce               []float64  `ch:"band_tractive_force_n"`       // N
	BandTractiveForceU              []float64  `ch:"band_tractive_force_u_n"`     // N
	BandTractiveForceOwnU           []float64  `ch:"band_tractive_force_own_u_n"` // N
	FindingKind                     []string   `ch:"finding_kind"`
	FindingChannel                  []string   `ch:"finding_channel"`
	FindingStart                    []float64  `ch:"finding_start_s"` // s
	FindingEnd                      []float64  `ch:"finding_end_s"`   // s
	FindingSize                     []float64  `ch:"finding_size"`
	FindingUnit                     []string   `ch:"finding_unit"`
	FindingDisqualifying            []bool     `ch:"finding_disqualifying"`
	FindingText                     []string   `ch:"finding_text"`
	Epoch                           string     `ch:"epoch"`                 // of the load-cell calibration it was computed with
	RegistryEffectiveAt             time.Time  `ch:"registry_effective_at"` // of the cell's registry entry it was computed with
	CodeVersion                     string     `ch:"code_version"`
	BaseInertiaEpoch                string     `ch:"base_inertia_epoch"` // of the base inertia it was computed with; empty: the registry's
	ParasiticEpoch                  string     `ch:"parasitic_epoch"`    // of the parasitic loss it was computed with; empty: the registry's
	SetUp                           string     `ch:"set_up"`
	LossAskedFrom                   string     `ch:"loss_asked_from"`                            // the baseline pull whose loss was to be carried
	LossCarriedFrom                 string     `ch:"loss_carried_from"`                          // the one whose loss this is; empty: its own, or none
	PeakWheelPowerEngineSpeedU      *float64   `ch:"peak_wheel_power_engine_speed_u_rad_s"`      // rad/s
	PeakEnginePowerEngineSpeedU     *float64   `ch:"peak_engine_power_engine_speed_u_rad_s"`     // rad/s
	PeakEngineTorqueEngineSpeedU    *float64   `ch:"peak_engine_torque_engine_speed_u_rad_s"`    // rad/s
	PeakCorrectedPowerEngineSpeedU  *float64   `ch:"peak_corrected_power_engine_speed_u_rad_s"`  // rad/s
	PeakCorrectedTorqueEngineSpeedU *float64   `ch:"peak_corrected_torque_engine_speed_u_rad_s"` // rad/s
	MeanWheelPower                  *float64   `ch:"mean_wheel_power_w"`                         // W, over the band
	MeanWheelPowerU                 *float64   `ch:"mean_wheel_power_u_w"`                       // W
	MeanWheelPowerLow               *float64   `ch:"mean_wheel_power_low_rad_s"`                 // rad/s
	MeanWheelPowerHigh              *float64   `ch:"mean_wheel_power_high_rad_s"`                // rad/s
	MeanEnginePower                 *float64   `ch:"mean_engine_power_w"`                        // W, over the band
	MeanEnginePowerU                *float64   `ch:"mean_engine_power_u_w"`                      // W
	MeanEnginePowerLow              *float64   `ch:"mean_engine_power_low_rad_s"`                // rad/s
	MeanEnginePowerHigh             *float64   `ch:"mean_engine_power_high_rad_s"`               // rad/s
	MeanEngineTorque                *float64   `ch:"mean_engine_torque_nm"`                      // N·m, over the band
	MeanEngineTorqueU               *float64   `ch:"mean_engine_torque_u_nm"`                    // N·m
	MeanEngineTorqueLow             *float64   `ch:"mean_engine_torque_low_rad_s"`               // rad/s
	MeanEngineTorqueHigh            *float64   `ch:"mean_engine_torque_high_rad_s"`              // rad/s
	MeanCorrectedPower              *float64   `ch:"mean_corrected_power_w"`                     // W, over the band
	MeanCorrectedPowerU             *float64   `ch:"mean_corrected_power_u_w"`                   // W
	MeanCorrectedPowerLow           *float64   `ch:"mean_corrected_power_low_rad_s"`             // rad/s
	MeanCorrectedPowerHigh          *float64   `ch:"mean_corrected_power_high_rad_s"`            // rad/s
	MeanCorrectedTorque             *float64   `ch:"mean_corrected_torque_nm"`                   // N·m, over the band
	MeanCorrectedTorqueU            *float64   `ch:"mean_corrected_torque_u_nm"`                 // N·m
	MeanCorrectedTorqueLow          *float64   `ch:"mean_corrected_torque_low_rad_s"`            // rad/s
	MeanCorrectedTorqueHigh         *float64   `ch:"mean_corrected_torque_high_rad_s"`           // rad/s
	WindowFromNoise                 *bool      `ch:"window_from_noise"`                          // nil: not said
}

// FindingRow is one finding of a pull. The arrays Finding… of CurveRow hold
// one entry for each.
type FindingRow struct {
	Kind          string
	Channel       string
	Start, End    float64 // s
	Size          float64
	Unit          string
	Disqualifying bool
	Text          string
}

// SetFindings puts findings into the row in place of those there.
func (r *CurveRow) SetFindings(findings []FindingRow) {
	r.FindingKind, r.FindingChannel, r.FindingStart, r.FindingEnd = nil, nil, nil, nil
	r.FindingSize, r.FindingUnit, r.FindingDisqualifying, r.FindingText = nil, nil, nil, nil
	for _, f := range findings {
		r.FindingKind = append(r.FindingKind, f.Kind)
		r.FindingChannel = append(r.FindingChannel, f.Channel)
		r.FindingStart = append(r.FindingStart, f.Start)
		r.FindingEnd = append(r.FindingEnd, f.End)
		r.FindingSize = append(r.FindingSize, f.Size)
		r.FindingUnit = append(r.FindingUnit, f.Unit)
		r.FindingDisqualifying = append(r.FindingDisqualifying, f.Disqualifying)
		r.FindingText = append(r.FindingText, f.Text)
	}
}

// Findings returns the row's findings.
func (r CurveRow) Findings() []FindingRow {
	var findings []FindingRow
	for i := range r.FindingKind {
		findings = append(findings, FindingRow{
			Kind: r.FindingKind[i], Channel: r.FindingChannel[i], Start: r.FindingStart[i], End: r.FindingEnd[i],
			Size: r.FindingSize[i], Unit: r.FindingUnit[i], Disqualifying: r.FindingDisqualifying[i], Text: r.FindingText[i],
		})
	}
	return findings
}

// WriteCurves writes curves with their findings; one replaces that of the same
// pull.
func (s *Store) WriteCurves(ctx context.Context, rows []CurveRow) error {
	return insertRows(ctx, s, "curves", rows)
}

// The key first, by the Bloom filter: with it few rows have their versions told
// apart.
var selectCurve = "SELECT " + columnsOf[CurveRow]() + " FROM curves FINAL WHERE (cell_id, started_at, pull_id) IN (SELECT cell_id, started_at, pull_id FROM curves WHERE pull_id = {pull:String}) LIMIT 1"

// ReadCurve returns a pull's curve, and whether there is one.
func (s *Store) ReadCurve(ctx context.Context, id fleet.PullID) (CurveRow, bool, error) {
	rows, err := selectRows[CurveRow](ctx, s, selectCurve, clickhouse.Named("pull", string(id)))
	if err != nil {
		return CurveRow{}, false, fmt.Errorf("read the curve of pull %s: %w", id, err)
	}
	if len(rows) == 0 {
		return CurveRow{}, false, nil
	}
	return rows[0], true, nil
}

// curveHead are the columns of curves without the points.
var curveHead = columnsWhere[CurveRow](func(column string, t reflect.Type) bool {
	points := t == reflect.TypeFor[[]float64]() || t == reflect.TypeFor[[]*float64]()
	return !points || column == "loss_cov" || strings.HasPrefix(column, "finding_")
})

var (
	selectCurves     = "SELECT " + columnsOf[CurveRow]() + " FROM curves FINAL" + wherePulls("curves")
	selectCurveHeads = "SELECT " + curveHead + " FROM curves FINAL" + wherePulls("curves")
)

// ListCurves returns what was computed of pulls without the points of their
// curves and bands, newest first.
func (s *Store) ListCurves(ctx context.Context, f PullFilter) ([]CurveRow, error) {
	rows, err := selectRows[CurveRow](ctx, s, selectCurveHeads, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list curves: %w", err)
	}
	return rows, nil
}

// ReadCurves is ListCurves with the points.
func (s *Store) ReadCurves(ctx context.Context, f PullFilter) ([]CurveRow, error) {
	rows, err := selectRows[CurveRow](ctx, s, selectCurves, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read curves: %w", err)
	}
	return rows, nil
}

// CoastDownRow is a row of coastdown_results. A name that ends in U holds an
// expanded uncertainty, k = 2.
type CoastDownRow struct {
	PullID              string    `ch:"pull_id"`
	CellID              string    `ch:"cell_id"`
	StartedAt           time.Time `ch:"started_at"`
	State               string    `ch:"state"` // computed, incomplete, unusable
	Reason              string    `ch:"reason"`
	F0                  *float64  `ch:"f0_n"`            // N
	F1                  *float64  `ch:"f1_n_s_m"`        // N·s/m
	F2                  *float64  `ch:"f2_n_s2_m2"`      // N·s²/m²
	Cov                 []float64 `ch:"cov"`             // of f0, f1, f2: 00 01 02 11 12 22; empty when unusable
	Mass                *float64  `ch:"mass_kg"`         // kg
	Noise               *float64  `ch:"noise_mps"`       // m/s
	SpeedLow            *float64  `ch:"speed_low_mps"`   // m/s
	SpeedHigh           *float64  `ch:"speed_high_mps"`  // m/s
	MidSpeed            *float64  `ch:"mid_speed_mps"`   // m/s
	DeltaForce          *float64  `ch:"delta_force_n"`   // N
	DeltaForceU         *float64  `ch:"delta_force_u_n"` // N
	Epoch               string    `ch:"epoch"`
	RegistryEffectiveAt time.Time `ch:"registry_effective_at"`
	CodeVersion         string    `ch:"code_version"`
	BaseInertiaEpoch    string    `ch:"base_inertia_epoch"` // of the base inertia it was computed with; empty: the registry's
	ParasiticEpoch      string    `ch:"parasitic_epoch"`    // of the parasitic loss it was compared with; empty: the registry's
	MassU               *float64  `ch:"mass_u_kg"`          // kg, standard uncertainty of Mass
	LossU               *float64  `ch:"loss_u_n"`           // N, the largest standard uncertainty over the speeds seen
}

// WriteCoastDowns writes results of empty-roller coast-downs; one replaces that
// of the same record.
func (s *Store) WriteCoastDowns(ctx context.Context, rows []CoastDownRow) error {
	return insertRows(ctx, s, "coastdown_results", rows)
}

var selectCoastDowns = "SELECT " + columnsOf[CoastDownRow]() + ` FROM coastdown_results FINAL
PREWHERE started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
WHERE ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
ORDER BY started_at DESC, pull_id DESC LIMIT {limit:UInt64}`

var selectCoastDown = "SELECT " + columnsOf[CoastDownRow]() + " FROM coastdown_results FINAL WHERE pull_id = {pull:String} LIMIT 1"

// ReadCoastDown returns the result of an empty-roller coast-down, and whether
// there is one.
func (s *Store) ReadCoastDown(ctx context.Context, id fleet.PullID) (CoastDownRow, bool, error) {
	rows, err := selectRows[CoastDownRow](ctx, s, selectCoastDown, clickhouse.Named("pull", string(id)))
	if err != nil {
		return CoastDownRow{}, false, fmt.Errorf("read the result of coast-down %s: %w", id, err)
	}
	if len(rows) == 0 {
		return CoastDownRow{}, false, nil
	}
	return rows[0], true, nil
}

// ReadCoastDowns returns results of empty-roller coast-downs, newest first. The
// filter's car does not narrow.
func (s *Store) ReadCoastDowns(ctx context.Context, f Filter) ([]CoastDownRow, error) {
	rows, err := selectRows[CoastDownRow](ctx, s, selectCoastDowns, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read coast-down results: %w", err)
	}
	return rows, nil
}
