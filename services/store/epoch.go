package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"rollcall/services/fleet"
)

// AdoptionRow is a row of parasitic_adoptions.
type AdoptionRow struct {
	PullID      string    `ch:"pull_id"` // of the empty-roller coast-down
	CellID      string    `ch:"cell_id"`
	EffectiveAt time.Time `ch:"effective_at"` // from when its loss holds
	AdoptedAt   time.Time `ch:"adopted_at"`
	AdoptedBy   string    `ch:"adopted_by"`
	Reason      string    `ch:"reason"`
}

// AppendAdoption notes that a person adopted the loss of a coast-down of the
// empty rollers.
func (s *Store) AppendAdoption(ctx context.Context, row AdoptionRow) error {
	if row.PullID == "" || row.CellID == "" || row.AdoptedBy == "" || row.Reason == "" || row.EffectiveAt.IsZero() {
		return errors.New("adopt a parasitic loss: coast-down, cell, from when, reason and who adopts it are all needed")
	}
	return insertRows(ctx, s, "parasitic_adoptions", []AdoptionRow{row})
}

var selectAdoptions = "SELECT " + columnsOf[AdoptionRow]() + " FROM parasitic_adoptions FINAL ORDER BY cell_id, effective_at, adopted_at, pull_id LIMIT 10000000"

// ReadAdoptions returns every adoption of a parasitic loss, by cell, then by the
// time from which it holds, then by the time it was adopted.
func (s *Store) ReadAdoptions(ctx context.Context) ([]AdoptionRow, error) {
	rows, err := selectRows[AdoptionRow](ctx, s, selectAdoptions)
	if err != nil {
		return nil, fmt.Errorf("read adoptions of parasitic losses: %w", err)
	}
	return rows, nil
}

// EpochRow is a row of epochs: a value that pulls are computed with, and from
// when. The arrays Value… hold one entry for each number of it.
type EpochRow struct {
	CellID      string     `ch:"cell_id"`
	Of          string     `ch:"of"` // load cell, base inertia, parasitic loss
	Since       time.Time  `ch:"since"`
	Epoch       string     `ch:"epoch"`  // the check or coast-down it comes from; empty: the registry
	Until       *time.Time `ch:"until"`  // nil: it holds
	Source      string     `ch:"source"` // registry, or the kind of check or record
	ValueName   []string   `ch:"value_name"`
	Value       []float64  `ch:"value"`
	ValueU      []float64  `ch:"value_u"` // expanded, k = 2
	ValueUnit   []string   `ch:"value_unit"`
	Cov         []float64  `ch:"cov"` // upper triangle by rows; empty: of one value
	SignedBy    string     `ch:"signed_by"`
	Reason      string     `ch:"reason"`
	CodeVersion string     `ch:"code_version"`
	Present     uint8      `ch:"present"` // 0: a newer computation does not have this row
}

// ReplaceEpochs makes rows the whole of the epochs. Present is set by it.
func (s *Store) ReplaceEpochs(ctx context.Context, rows []EpochRow) error {
	return replaceRows(ctx, s, "epochs", rows,
		func(r *EpochRow) string { return r.CellID + "/" + r.Of + "/" + key(r.Since) + "/" + r.Epoch },
		func(r *EpochRow, present uint8) { r.Present = present })
}

var selectEpochs = "SELECT " + columnsOf[EpochRow]() + ` FROM epochs FINAL
WHERE present = 1 AND since < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND (until IS NULL OR until > fromUnixTimestamp64Nano({from:Int64}, 'UTC'))
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
ORDER BY cell_id, of, since DESC, epoch LIMIT {limit:UInt64}`

// ListEpochs returns the epochs that held at some time within the filter's, by
// cell, by what they are of, newest first. The filter's car does not narrow.
func (s *Store) ListEpochs(ctx context.Context, f Filter) ([]EpochRow, error) {
	rows, err := selectRows[EpochRow](ctx, s, selectEpochs, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list epochs: %w", err)
	}
	return rows, nil
}

// IntervalRow is a row of check_intervals. The arrays Rule… hold one entry for
// each rule.
type IntervalRow struct {
	CellID      string       `ch:"cell_id"`
	Of          string       `ch:"of"` // load-cell gain, load-cell zero
	LastCheckID string       `ch:"last_check_id"`
	LastCheckAt time.Time    `ch:"last_check_at"`
	DueAt       *time.Time   `ch:"due_at"` // nil: no rule gives a day
	Rule        string       `ch:"rule"`   // time, pulls, drift
	Says        string       `ch:"says"`
	Asked       bool         `ch:"asked"` // the registry asks for an interval: overdue is a flag
	RuleName    []string     `ch:"rule_name"`
	RuleAt      []*time.Time `ch:"rule_at"`
	RuleReached []bool       `ch:"rule_reached"`
	RuleSays    []string     `ch:"rule_says"`
	Pulls       uint32       `ch:"pulls"`
	Rate        *float64     `ch:"rate_per_day"`
	RateU       *float64     `ch:"rate_u_per_day"` // expanded, k = 2
	Reliability float64      `ch:"reliability"`
	AtDue       *float64     `ch:"in_tolerance_at_due"`
	CodeVersion string       `ch:"code_version"`
	Present     uint8        `ch:"present"` // 0: a newer computation does not have this row
}

// ReplaceIntervals makes rows the whole of the intervals. Present is set by it.
func (s *Store) ReplaceIntervals(ctx context.Context, rows []IntervalRow) error {
	return replaceRows(ctx, s, "check_intervals", rows,
		func(r *IntervalRow) string { return r.CellID + "/" + r.Of },
		func(r *IntervalRow, present uint8) { r.Present = present })
}

var selectIntervals = "SELECT " + columnsOf[IntervalRow]() + ` FROM check_intervals FINAL
WHERE present = 1 AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
	AND ({until:Int64} = 9223372036854775807 OR due_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC'))
ORDER BY due_at IS NULL, due_at, cell_id, of LIMIT {limit:UInt64}`

// ListIntervals returns when the next checks are due, the earliest first, those
// without a day last. The filter's cells and limit narrow; its end leaves those
// that are due before it.
func (s *Store) ListIntervals(ctx context.Context, f Filter) ([]IntervalRow, error) {
	rows, err := selectRows[IntervalRow](ctx, s, selectIntervals, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list when checks are due: %w", err)
	}
	return rows, nil
}

type pullTimeRow struct {
	CellID string      `ch:"cell_id"`
	At     []time.Time `ch:"at"`
}

const selectPullTimes = `SELECT cell_id, arraySort(groupArray(started_at)) AS at
FROM (SELECT DISTINCT cell_id, pull_id, started_at FROM pulls FINAL WHERE kind = 1 AND has({cells:Array(String)}, cell_id))
GROUP BY cell_id ORDER BY cell_id LIMIT {limit:UInt64}`

// PullTimes returns when the pulls of cells were made, by cell, in order of
// time; coast-downs alone do not count.
func (s *Store) PullTimes(ctx context.Context, cells []fleet.CellID) (map[fleet.CellID][]time.Time, error) {
	rows, err := selectRows[pullTimeRow](ctx, s, selectPullTimes, Filter{Cells: append([]fleet.CellID{}, cells...), Limit: 10_000_000}.args()...)
	if err != nil {
		return nil, fmt.Errorf("read when pulls were made: %w", err)
	}
	out := make(map[fleet.CellID][]time.Time, len(rows))
	for _, r := range rows {
		out[fleet.CellID(r.CellID)] = r.At
	}
	return out, nil
}
