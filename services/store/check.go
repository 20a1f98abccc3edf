package store

import (
	"cmp"
	"context"
	"fmt"
	"reflect"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
)

// CheckRow is a row of calibration_checks.
type CheckRow struct {
	CheckID          string     `ch:"check_id"`
	CellID           string     `ch:"cell_id"`
	Kind             uint8      `ch:"kind"`  // as fleet.CheckKind
	State            uint8      `ch:"state"` // 1 as found, 2 as left
	PerformedAt      time.Time  `ch:"performed_at"`
	PerformedBy      string     `ch:"performed_by"`
	AirPressure      *float64   `ch:"air_pressure_pa"`   // Pa
	AirTemperature   *float64   `ch:"air_temperature_k"` // K
	RelativeHumidity *float64   `ch:"relative_humidity"`
	ReadingCycle     []uint32   `ch:"reading_cycle"`
	ReadingDirection []uint8    `ch:"reading_direction"` // 1 rising, 2 falling
	ReadingMasses    []string   `ch:"reading_masses"`
	Reading          []*float64 `ch:"reading_n"`           // N, as the indicator read, at the lever arm
	ReadingSimulated []*float64 `ch:"reading_simulated_n"` // N, the force a shunt stands for
	Note             string     `ch:"note"`
	AgentVersion     string     `ch:"agent_version"`
	ReceivedAt       time.Time  `ch:"received_at"`

	StandardID  string     `ch:"standard_id"`
	ArmAngle    *float64   `ch:"arm_angle_rad"` // rad; nil: levelled
	Adjusted    *bool      `ch:"adjusted"`
	EffectiveAt *time.Time `ch:"effective_at"` // nil: PerformedAt
	// In a row of before these are empty.
	ReadingPreload         []bool     `ch:"reading_preload"`
	ReadingSense           []uint8    `ch:"reading_sense"` // 1 tension, 2 compression
	ReadingMounting        []uint32   `ch:"reading_mounting"`
	ReadingHeld            []*float64 `ch:"reading_held_s"`       // s
	ReadingSpeed           []*float64 `ch:"reading_speed_mps"`    // m/s
	ReadingReference       []*float64 `ch:"reading_reference_n"`  // N
	ReadingReferenceTorque []*float64 `ch:"reading_reference_nm"` // N·m
	ReadingSetForce        []*float64 `ch:"reading_set_force_n"`  // N
	ReadingFrom            []*float64 `ch:"reading_from_mps"`     // m/s
	ReadingTo              []*float64 `ch:"reading_to_mps"`       // m/s
	ReadingDuration        []*float64 `ch:"reading_duration_s"`   // s
}

// FromCheck returns c as a row.
func FromCheck(c fleet.Check, receivedAt time.Time) CheckRow {
	r := CheckRow{
		CheckID: string(c.ID), CellID: string(c.Cell), Kind: uint8(c.Kind), State: uint8(c.State),
		PerformedAt: c.PerformedAt, PerformedBy: c.PerformedBy,
		AirPressure: c.AirPressure, AirTemperature: c.AirTemperature, RelativeHumidity: c.Humidity,
		Note: c.Note, AgentVersion: c.AgentVersion, ReceivedAt: receivedAt,
		StandardID: string(c.Standard), ArmAngle: c.ArmAngle, Adjusted: c.Adjusted,
	}
	if !c.EffectiveAt.IsZero() {
		r.EffectiveAt = &c.EffectiveAt
	}
	for _, reading := range c.Readings {
		masses := make([]string, len(reading.Masses))
		for i, m := range reading.Masses {
			masses[i] = string(m)
		}
		r.ReadingCycle = append(r.ReadingCycle, uint32(reading.Cycle))
		r.ReadingDirection = append(r.ReadingDirection, uint8(reading.Direction))
		// Mass ids have no comma in them.
		r.ReadingMasses = append(r.ReadingMasses, strings.Join(masses, ","))
		r.Reading = append(r.Reading, reading.Force)
		r.ReadingSimulated = append(r.ReadingSimulated, reading.Simulated)
		var force, torque *float64
		if c.Kind == fleet.CheckTorque {
			torque = reading.Reference
		} else {
			force = reading.Reference
		}
		r.ReadingPreload = append(r.ReadingPreload, reading.Preload)
		r.ReadingSense = append(r.ReadingSense, uint8(reading.Sense))
		r.ReadingMounting = append(r.ReadingMounting, uint32(reading.Mounting))
		r.ReadingHeld = append(r.ReadingHeld, reading.Held)
		r.ReadingSpeed = append(r.ReadingSpeed, reading.Speed)
		r.ReadingReference = append(r.ReadingReference, force)
		r.ReadingReferenceTorque = append(r.ReadingReferenceTorque, torque)
		r.ReadingSetForce = append(r.ReadingSetForce, reading.SetForce)
		r.ReadingFrom = append(r.ReadingFrom, reading.From)
		r.ReadingTo = append(r.ReadingTo, reading.To)
		r.ReadingDuration = append(r.ReadingDuration, reading.Duration)
	}
	return r
}

// Check returns the row as what it is of.
func (r CheckRow) Check() fleet.Check {
	c := fleet.Check{
		ID: fleet.CheckID(r.CheckID), Cell: fleet.CellID(r.CellID), Kind: fleet.CheckKind(r.Kind), State: fleet.CheckState(r.State),
		PerformedAt: r.PerformedAt, PerformedBy: r.PerformedBy,
		AirPressure: r.AirPressure, AirTemperature: r.AirTemperature, Humidity: r.RelativeHumidity,
		Note: r.Note, AgentVersion: r.AgentVersion,
		Standard: fleet.StandardID(r.StandardID), ArmAngle: r.ArmAngle, Adjusted: r.Adjusted,
	}
	if r.EffectiveAt != nil {
		c.EffectiveAt = *r.EffectiveAt
	}
	for i := range r.ReadingCycle {
		var masses []fleet.MassID
		if r.ReadingMasses[i] != "" {
			for _, m := range strings.Split(r.ReadingMasses[i], ",") {
				masses = append(masses, fleet.MassID(m))
			}
		}
		c.Readings = append(c.Readings, fleet.Reading{
			Cycle: int(r.ReadingCycle[i]), Direction: fleet.Direction(r.ReadingDirection[i]), Masses: masses,
			Force: r.Reading[i], Simulated: r.ReadingSimulated[i],
			Preload: at(r.ReadingPreload, i), Sense: fleet.Sense(at(r.ReadingSense, i)), Mounting: int(at(r.ReadingMounting, i)),
			Held: at(r.ReadingHeld, i), Speed: at(r.ReadingSpeed, i), Reference: cmp.Or(at(r.ReadingReference, i), at(r.ReadingReferenceTorque, i)),
			SetForce: at(r.ReadingSetForce, i), From: at(r.ReadingFrom, i), To: at(r.ReadingTo, i), Duration: at(r.ReadingDuration, i),
		})
	}
	return c
}

// at returns an element of a column that rows of before do not have.
func at[T any](column []T, i int) T {
	if i < len(column) {
		return column[i]
	}
	var none T
	return none
}

var selectChecks = "SELECT " + columnsOf[CheckRow]() + " FROM calibration_checks FINAL"

const whereChecks = ` PREWHERE performed_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND performed_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
WHERE ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
ORDER BY performed_at DESC, check_id DESC LIMIT {limit:UInt64}`

// ListChecks returns calibration checks as they were made, newest first. The
// filter's car does not narrow.
func (s *Store) ListChecks(ctx context.Context, f Filter) ([]CheckRow, error) {
	rows, err := selectRows[CheckRow](ctx, s, selectChecks+whereChecks, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list checks: %w", err)
	}
	return rows, nil
}

var selectCheck = selectChecks + " WHERE check_id = {check:String} LIMIT 1"

// ReadCheck returns a calibration check as it was made, and whether there is
// one.
func (s *Store) ReadCheck(ctx context.Context, id fleet.CheckID) (CheckRow, bool, error) {
	rows, err := selectRows[CheckRow](ctx, s, selectCheck, clickhouse.Named("check", string(id)))
	if err != nil {
		return CheckRow{}, false, fmt.Errorf("read check %s: %w", id, err)
	}
	if len(rows) == 0 {
		return CheckRow{}, false, nil
	}
	return rows[0], true, nil
}

var selectAwaitingChecks = selectChecks + ` WHERE check_id NOT IN (SELECT check_id FROM check_results FINAL WHERE code_version = {code_version:String})
ORDER BY performed_at, check_id LIMIT {limit:UInt64}`

// ChecksAwaitingComputation returns calibration checks without a result of
// this code version, oldest first.
func (s *Store) ChecksAwaitingComputation(ctx context.Context, codeVersion string, limit int) ([]CheckRow, error) {
	rows, err := selectRows[CheckRow](ctx, s, selectAwaitingChecks, clickhouse.Named("code_version", codeVersion), clickhouse.Named("limit", uint64(limit)))
	if err != nil {
		return nil, fmt.Errorf("list checks awaiting computation: %w", err)
	}
	return rows, nil
}

// CheckResultRow is a row of check_results. A name that ends in U holds an
// expanded uncertainty, k = 2, except those of the calibration, which are
// standard ones.
type CheckResultRow struct {
	CheckID                string    `ch:"check_id"`
	CellID                 string    `ch:"cell_id"`
	Kind                   uint8     `ch:"kind"`
	State                  uint8     `ch:"state"`
	PerformedAt            time.Time `ch:"performed_at"`
	PerformedBy            string    `ch:"performed_by"`
	Verdict                string    `ch:"verdict"` // pass, conditional pass, conditional fail, fail, unusable
	Reason                 string    `ch:"reason"`
	ZeroError              *float64  `ch:"zero_error_n"`   // N
	ZeroErrorU             *float64  `ch:"zero_error_u_n"` // N
	GainError              *float64  `ch:"gain_error"`
	GainErrorU             *float64  `ch:"gain_error_u"`
	Readings               uint32    `ch:"readings"`
	PointForce             []float64 `ch:"point_force_n"`   // N, the force applied, at the lever arm
	PointReading           []float64 `ch:"point_reading_n"` // N
	PointError             []float64 `ch:"point_error_n"`   // N
	PointErrorU            []float64 `ch:"point_error_u_n"` // N, expanded, k = 2
	PointCycle             []uint32  `ch:"point_cycle"`
	PointDirection         []uint8   `ch:"point_direction"`
	OpensEpoch             bool      `ch:"opens_epoch"`        // an as-left check whose calibration holds from then on
	CalibrationEpoch       string    `ch:"calibration_epoch"`  // the epoch opened
	CalibrationZero        float64   `ch:"calibration_zero_n"` // N
	CalibrationGain        float64   `ch:"calibration_gain"`
	CalibrationZeroU       float64   `ch:"calibration_zero_u_n"` // N
	CalibrationGainU       float64   `ch:"calibration_gain_u"`
	CalibrationCovZeroGain float64   `ch:"calibration_cov_zero_gain_n"` // N
	Epoch                  string    `ch:"epoch"`                       // in force when the check was made
	RegistryEffectiveAt    time.Time `ch:"registry_effective_at"`
	CodeVersion            string    `ch:"code_version"`

	StandardID   string     `ch:"standard_id"`
	Risk         *float64   `ch:"risk"`              // probability that the decision is wrong
	OpensEpochAt *time.Time `ch:"opens_epoch_at"`    // from when its calibration or base inertia holds
	BaseInertia  *float64   `ch:"base_inertia_kg"`   // kg
	BaseInertiaU *float64   `ch:"base_inertia_u_kg"` // kg
	Result       string     `ch:"result"`            // JSON of the wire's CheckResult; empty: of before
}

// WriteCheckResults writes results of checks; one replaces that of the same
// check.
func (s *Store) WriteCheckResults(ctx context.Context, rows []CheckResultRow) error {
	return insertRows(ctx, s, "check_results", rows)
}

var selectCheckResults = "SELECT " + columnsOf[CheckResultRow]() + " FROM check_results FINAL" + whereChecks

// ReadCheckResults returns results of checks, newest first. The filter's car
// does not narrow.
func (s *Store) ReadCheckResults(ctx context.Context, f Filter) ([]CheckResultRow, error) {
	rows, err := selectRows[CheckResultRow](ctx, s, selectCheckResults, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read check results: %w", err)
	}
	return rows, nil
}

// checkHead are the columns of check_results without the points and the whole
// result.
var checkHead = columnsWhere[CheckResultRow](func(column string, _ reflect.Type) bool {
	return !strings.HasPrefix(column, "point_") && column != "result"
})

var selectCheckHeads = "SELECT " + checkHead + " FROM check_results FINAL" +
	strings.Replace(whereChecks, "WHERE (", "WHERE ({kind:UInt8} = 0 OR kind = {kind:UInt8}) AND (", 1)

// ListCheckResults is ReadCheckResults of a kind of check, 0: of all, without the
// points and the whole result.
func (s *Store) ListCheckResults(ctx context.Context, f Filter, kind fleet.CheckKind) ([]CheckResultRow, error) {
	rows, err := selectRows[CheckResultRow](ctx, s, selectCheckHeads, append(f.args(), clickhouse.Named("kind", uint8(kind)))...)
	if err != nil {
		return nil, fmt.Errorf("read check results: %w", err)
	}
	return rows, nil
}

var selectCheckResult = "SELECT " + columnsOf[CheckResultRow]() + " FROM check_results FINAL WHERE check_id = {check:String} LIMIT 1"

// ReadCheckResult returns the result of a check, and whether there is one.
func (s *Store) ReadCheckResult(ctx context.Context, id fleet.CheckID) (CheckResultRow, bool, error) {
	rows, err := selectRows[CheckResultRow](ctx, s, selectCheckResult, clickhouse.Named("check", string(id)))
	if err != nil {
		return CheckResultRow{}, false, fmt.Errorf("read the result of check %s: %w", id, err)
	}
	if len(rows) == 0 {
		return CheckResultRow{}, false, nil
	}
	return rows[0], true, nil
}

// VerdictRow is what a check came to.
type VerdictRow struct {
	CellID      string    `ch:"cell_id"`
	Kind        uint8     `ch:"kind"`
	PerformedAt time.Time `ch:"performed_at"`
	CheckID     string    `ch:"check_id"`
	Verdict     string    `ch:"verdict"`
}

// Only rows of the times at which a kind of check was last made are read; the time
// is of the sort key: see whereEstimates.
var selectVerdictsLatest = "SELECT " + columnsOf[VerdictRow]() + ` FROM check_results FINAL
PREWHERE (cell_id, performed_at) IN (SELECT cell_id, max(performed_at) FROM check_results
	WHERE {all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id) GROUP BY cell_id, kind)
ORDER BY cell_id, kind, performed_at DESC, check_id DESC LIMIT 1 BY cell_id, kind LIMIT {limit:UInt64}`

// ListVerdictsLatest returns what each cell's newest check of each kind came to, by
// cell and kind. Only the filter's cells and limit narrow.
func (s *Store) ListVerdictsLatest(ctx context.Context, f Filter) ([]VerdictRow, error) {
	rows, err := selectRows[VerdictRow](ctx, s, selectVerdictsLatest, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list the latest verdicts: %w", err)
	}
	return rows, nil
}
