package store

import (
	"context"
	"fmt"
	"time"
)

// RunRow is a row of runs. RampRate and LnC have one entry for each of
// PullIDs; Y to Acceleration have Points entries for each, one pull after the
// other.
type RunRow struct {
	RunID            string      `ch:"run_id"`
	SiteID           string      `ch:"site_id"`
	CellID           string      `ch:"cell_id"`
	CarID            string      `ch:"car_id"`
	Session          string      `ch:"session"`
	StartedAt        time.Time   `ch:"started_at"`
	AirPressure      *float64    `ch:"air_pressure_pa"`   // Pa
	AirTemperature   *float64    `ch:"air_temperature_k"` // K
	RelativeHumidity *float64    `ch:"relative_humidity"`
	PullIDs          []string    `ch:"pull_ids"`
	PullStartedAt    []time.Time `ch:"pull_started_at"`
	LeftOutIDs       []string    `ch:"left_out_ids"`
	LeftOutReasons   []string    `ch:"left_out_reasons"`
	Points           uint16      `ch:"points"`           // band points of each pull
	RampRate         []float64   `ch:"ramp_rate_rad_s2"` // rad/s²
	LnC              []float64   `ch:"ln_c"`
	Y                []float64   `ch:"y"`
	U                []float64   `ch:"u"`
	Force            []float64   `ch:"force_n"`           // N
	BrakeForce       []float64   `ch:"brake_force_n"`     // N
	Speed            []float64   `ch:"speed_mps"`         // m/s
	Acceleration     []float64   `ch:"acceleration_mps2"` // m/s²
	// The engine-to-roller speed ratio, an entry a pull whose engine speed is logged;
	// empty: not known.
	RatioPullIDs        []string  `ch:"ratio_pull_ids"`
	RatioJudges         []bool    `ch:"ratio_judges"`
	LnRatio             []float64 `ch:"ln_ratio"` // of rad/m
	LnRatioU            []float64 `ch:"ln_ratio_u"`
	LnRatioSlope        []float64 `ch:"ln_ratio_slope_1_n"`   // 1/N
	LnRatioSlopeU       []float64 `ch:"ln_ratio_slope_u_1_n"` // 1/N
	RatioForce          []float64 `ch:"ratio_force_n"`        // N
	Epoch               string    `ch:"epoch"`
	RegistryEffectiveAt time.Time `ch:"registry_effective_at"`
	CodeVersion         string    `ch:"code_version"`
}

// WriteRuns writes reference runs; one replaces that of the same id.
func (s *Store) WriteRuns(ctx context.Context, rows []RunRow) error {
	return insertRows(ctx, s, "runs", rows)
}

// RunHead is a reference run as lists show it, without its points.
type RunHead struct {
	RunID          string    `ch:"run_id"`
	CellID         string    `ch:"cell_id"`
	CarID          string    `ch:"car_id"`
	Session        string    `ch:"session"`
	StartedAt      time.Time `ch:"started_at"`
	Used           uint64    `ch:"used"`     // pulls
	LeftOut        uint64    `ch:"left_out"` // pulls
	LeftOutReasons []string  `ch:"left_out_reasons"`
}

const (
	selectRunHeads      = "SELECT run_id, cell_id, car_id, session, started_at, length(pull_ids) AS used, length(left_out_ids) AS left_out, left_out_reasons FROM runs FINAL" + whereRuns + orderRuns
	selectRunHeadsSince = "SELECT run_id, cell_id, car_id, session, started_at, length(pull_ids) AS used, length(left_out_ids) AS left_out, left_out_reasons" + fromRunsSince
)

// ListRuns is ReadRuns with what lists show.
func (s *Store) ListRuns(ctx context.Context, f Filter) ([]RunHead, error) {
	query := selectRunHeads
	if !f.From.IsZero() {
		query = selectRunHeadsSince
	}
	rows, err := selectRows[RunHead](ctx, s, query, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list reference runs: %w", err)
	}
	return rows, nil
}

const (
	whereRuns = `
WHERE started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id)) AND ({car:String} = '' OR car_id = {car:String})`
	orderRuns = `
ORDER BY started_at DESC, run_id DESC LIMIT {limit:UInt64}`
	// For a stretch of time, of which there are few: the keys first, of any version of
	// a row; then the newest version of these rows, which has to fit too, for a late
	// pull can move a run's start.
	fromRunsSince = ` FROM runs FINAL
PREWHERE (cell_id, car_id, run_id) IN (SELECT cell_id, car_id, run_id FROM runs` + whereRuns + `)` + whereRuns + orderRuns
)

var selectRuns = "SELECT " + columnsOf[RunRow]() + " FROM runs FINAL" + whereRuns + orderRuns

// ReadRuns returns reference runs, newest first.
func (s *Store) ReadRuns(ctx context.Context, f Filter) ([]RunRow, error) {
	rows, err := selectRows[RunRow](ctx, s, selectRuns, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read reference runs: %w", err)
	}
	return rows, nil
}
