package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
)

// NeighbourRow is a row of neighbour_findings: what is to be said of a pull
// beside those around it.
type NeighbourRow struct {
	PullID               string    `ch:"pull_id"`
	CellID               string    `ch:"cell_id"`
	StartedAt            time.Time `ch:"started_at"`
	FindingKind          []string  `ch:"finding_kind"`
	FindingChannel       []string  `ch:"finding_channel"`
	FindingStart         []float64 `ch:"finding_start_s"` // s
	FindingEnd           []float64 `ch:"finding_end_s"`   // s
	FindingSize          []float64 `ch:"finding_size"`
	FindingUnit          []string  `ch:"finding_unit"`
	FindingDisqualifying []bool    `ch:"finding_disqualifying"`
	FindingText          []string  `ch:"finding_text"`
	CodeVersion          string    `ch:"code_version"`
	Present              uint8     `ch:"present"` // 0: a newer computation does not have this row
}

// SetFindings puts findings into the row in place of those there.
func (r *NeighbourRow) SetFindings(findings []FindingRow) {
	var c CurveRow
	c.SetFindings(findings)
	r.FindingKind, r.FindingChannel, r.FindingStart, r.FindingEnd = c.FindingKind, c.FindingChannel, c.FindingStart, c.FindingEnd
	r.FindingSize, r.FindingUnit, r.FindingDisqualifying, r.FindingText = c.FindingSize, c.FindingUnit, c.FindingDisqualifying, c.FindingText
}

// Findings returns the row's findings.
func (r NeighbourRow) Findings() []FindingRow {
	return CurveRow{
		FindingKind: r.FindingKind, FindingChannel: r.FindingChannel, FindingStart: r.FindingStart, FindingEnd: r.FindingEnd,
		FindingSize: r.FindingSize, FindingUnit: r.FindingUnit, FindingDisqualifying: r.FindingDisqualifying, FindingText: r.FindingText,
	}.Findings()
}

// whereNeighbours narrows to cells and a stretch of time, both ends included.
const whereNeighbours = ` WHERE cell_id IN {cells:Array(String)}
	AND started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at <= fromUnixTimestamp64Nano({until:Int64}, 'UTC')`

// within are the parameters of whereNeighbours; zero times are open ends.
func within(cells []fleet.CellID, from, until time.Time) []any {
	names := make([]string, len(cells))
	for i, c := range cells {
		names[i] = string(c)
	}
	first, last := int64(-1<<63), int64(1<<63-1)
	if !from.IsZero() {
		first = from.UnixNano()
	}
	if !until.IsZero() {
		last = until.UnixNano()
	}
	return []any{clickhouse.Named("cells", names), clickhouse.Named("from", first), clickhouse.Named("until", last)}
}

// ReplaceNeighbours makes rows the whole of what readers see of some cells' pulls
// between two times, both included; zero times are open ends. Rows that keep
// refuses stay as they are. Present is set by it.
func (s *Store) ReplaceNeighbours(ctx context.Context, cells []fleet.CellID, from, until time.Time, keep func(NeighbourRow) bool, rows []NeighbourRow) error {
	there, err := selectRows[NeighbourRow](ctx, s, "SELECT "+columnsOf[NeighbourRow]()+" FROM neighbour_findings FINAL"+whereNeighbours+" AND present = 1", within(cells, from, until)...)
	if err != nil {
		return fmt.Errorf("read neighbour_findings: %w", err)
	}
	there = slices.DeleteFunc(there, keep)
	return replaceThere(ctx, s, "neighbour_findings", there, rows,
		func(r *NeighbourRow) string { return r.CellID + "/" + key(r.StartedAt) + "/" + r.PullID },
		func(r *NeighbourRow, present uint8) { r.Present = present })
}

var selectNeighbours = "SELECT " + columnsOf[NeighbourRow]() + ` FROM neighbour_findings FINAL
WHERE present = 1 AND pull_id IN (SELECT arrayJoin({pulls:Array(String)})) ORDER BY cell_id, started_at, pull_id LIMIT 10000000`

// ReadNeighbours returns what is to be said of pulls beside those around them,
// by pull; pulls of which nothing is are not in it.
func (s *Store) ReadNeighbours(ctx context.Context, pulls []fleet.PullID) (map[fleet.PullID][]FindingRow, error) {
	out := map[fleet.PullID][]FindingRow{}
	if len(pulls) == 0 {
		return out, nil
	}
	ids := make([]string, len(pulls))
	for i, id := range pulls {
		ids[i] = string(id)
	}
	rows, err := selectRows[NeighbourRow](ctx, s, selectNeighbours, clickhouse.Named("pulls", ids))
	if err != nil {
		return nil, fmt.Errorf("read findings beside other pulls: %w", err)
	}
	for _, row := range rows {
		out[fleet.PullID(row.PullID)] = row.Findings()
	}
	return out, nil
}

// NeighboursSince returns from when on findings beside neighbours may be behind
// the curves: the five weeks before the newest, because a program was stopped
// between the two only then; the zero time when there are none of this code
// version.
func (s *Store) NeighboursSince(ctx context.Context, codeVersion string) (time.Time, error) {
	rows, err := selectRows[struct {
		Rows  uint64    `ch:"rows"`
		Since time.Time `ch:"since"`
	}](ctx, s, `SELECT (SELECT count() FROM neighbour_findings WHERE code_version = {code_version:String}) AS rows, max(started_at) - INTERVAL 35 DAY AS since FROM curves`,
		clickhouse.Named("code_version", codeVersion))
	if err != nil {
		return time.Time{}, fmt.Errorf("read how far findings beside neighbours reach: %w", err)
	}
	if len(rows) == 0 || rows[0].Rows == 0 {
		return time.Time{}, nil
	}
	return rows[0].Since, nil
}

// SurroundRow is what the pulls around a pull see of it.
type SurroundRow struct {
	PullID           string    `ch:"pull_id"`
	CellID           string    `ch:"cell_id"`
	CarID            string    `ch:"car_id"`
	StartedAt        time.Time `ch:"started_at"`
	Session          string    `ch:"session"`
	CustomerCar      string    `ch:"customer_car"`
	SetUp            string    `ch:"set_up"`
	RampRate         *float64  `ch:"ramp_rate_rad_s2"`       // rad/s², as it ran
	AskedRampRate    *float64  `ch:"asked_ramp_rate_rad_s2"` // rad/s²
	SweepStart       *float64  `ch:"sweep_start_s"`          // s
	SweepEnd         *float64  `ch:"sweep_end_s"`            // s
	AirPressure      *float64  `ch:"air_pressure_pa"`        // Pa
	AirTemperature   *float64  `ch:"air_temperature_k"`      // K
	RelativeHumidity *float64  `ch:"relative_humidity"`
}

const selectSurround = `SELECT c.pull_id AS pull_id, c.cell_id AS cell_id, c.car_id AS car_id, c.started_at AS started_at, c.session AS session,
	c.customer_car AS customer_car, c.set_up AS set_up, c.ramp_rate_rad_s2 AS ramp_rate_rad_s2, p.asked AS asked_ramp_rate_rad_s2,
	c.sweep_start_s AS sweep_start_s, c.sweep_end_s AS sweep_end_s,
	c.air_pressure_pa AS air_pressure_pa, c.air_temperature_k AS air_temperature_k, c.relative_humidity AS relative_humidity
FROM (SELECT pull_id, cell_id, car_id, started_at, session, customer_car, set_up, ramp_rate_rad_s2, sweep_start_s, sweep_end_s,
	air_pressure_pa, air_temperature_k, relative_humidity FROM curves FINAL` + whereNeighbours + ` AND kind = 1 AND state = 'computed') AS c
LEFT JOIN (SELECT pull_id, cell_id, ramp_rate_rad_s2 AS asked FROM pulls FINAL` + whereNeighbours + `) AS p
ON p.pull_id = c.pull_id AND p.cell_id = c.cell_id
ORDER BY started_at, pull_id LIMIT 10000000`

// ReadSurround returns the computed pulls of some cells between two times, both
// included, oldest first; zero times are open ends.
func (s *Store) ReadSurround(ctx context.Context, cells []fleet.CellID, from, until time.Time) ([]SurroundRow, error) {
	rows, err := selectRows[SurroundRow](ctx, s, selectSurround, within(cells, from, until)...)
	if err != nil {
		return nil, fmt.Errorf("read the pulls around others: %w", err)
	}
	return rows, nil
}
