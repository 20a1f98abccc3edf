package store

import (
	"context"
	"fmt"
	"time"
)

// EstimateRow is a row of estimates: where a cell stands after a run. OffsetU
// is an expanded uncertainty, k = 2.
type EstimateRow struct {
	CellID       string    `ch:"cell_id"`
	At           time.Time `ch:"at"`
	RunID        string    `ch:"run_id"`
	CarID        string    `ch:"car_id"`
	Offset       float64   `ch:"offset"`        // relative error of tractive force
	OffsetU      float64   `ch:"offset_u"`      // expanded, k = 2
	Runs         uint32    `ch:"runs"`          // so far
	NotSeparable string    `ch:"not_separable"` // why this cannot be told from a car; empty: it can
	Deviation    *float64  `ch:"deviation"`
	Innovation   *float64  `ch:"innovation"`
	CusumHigh    float64   `ch:"cusum_high"`
	CusumLow     float64   `ch:"cusum_low"`
	CusumLimit   float64   `ch:"cusum_limit"`
	// Weight of evidence that the cell has changed; a limit of 0: not known.
	Evidence      float64 `ch:"evidence"`
	EvidenceLimit float64 `ch:"evidence_limit"`
	// Probability that the offset is beyond the tolerance now, and when it will be
	// with probability ½, 0.025 and 0.975; nil: not within the horizon.
	Beyond             float64    `ch:"beyond"`
	CrossingAt         *time.Time `ch:"crossing_at"`
	CrossingEarliestAt *time.Time `ch:"crossing_earliest_at"`
	CrossingLatestAt   *time.Time `ch:"crossing_latest_at"`
	FirstEvidenceAt    *time.Time `ch:"first_evidence_at"`
	VarianceName       []string   `ch:"variance_name"`
	Variance           []float64  `ch:"variance"`
	Epoch              string     `ch:"epoch"`
	CodeVersion        string     `ch:"code_version"`
	Present            uint8      `ch:"present"` // 0: a newer computation does not have this row
}

// CarEstimateRow is a row of car_estimates: how far a reference car has moved
// since its first weeks, after a run. ChangeU is an expanded uncertainty, k = 2.
type CarEstimateRow struct {
	CarID       string    `ch:"car_id"`
	At          time.Time `ch:"at"`
	RunID       string    `ch:"run_id"`
	CellID      string    `ch:"cell_id"`
	Change      float64   `ch:"change"`      // relative, against the other cars
	ChangeU     float64   `ch:"change_u"`    // expanded, k = 2
	Probability float64   `ch:"probability"` // that the change is more than the car may
	// Weight of evidence that the car has changed; a limit of 0: not known.
	Evidence      float64   `ch:"evidence"`
	EvidenceLimit float64   `ch:"evidence_limit"`
	Since         time.Time `ch:"since"` // middle of the first weeks
	Runs          uint32    `ch:"runs"`  // so far
	CodeVersion   string    `ch:"code_version"`
	Present       uint8     `ch:"present"` // 0: a newer computation does not have this row
}

// ReplaceEstimates makes rows the whole of the estimates: readers see them and
// no others. Present is set by it.
func (s *Store) ReplaceEstimates(ctx context.Context, rows []EstimateRow) error {
	return replaceRows(ctx, s, "estimates", rows, estimateKey, func(r *EstimateRow, present uint8) { r.Present = present })
}

// ReplaceCarEstimates makes rows the whole of the reference cars' estimates.
func (s *Store) ReplaceCarEstimates(ctx context.Context, rows []CarEstimateRow) error {
	return replaceRows(ctx, s, "car_estimates", rows, carEstimateKey, func(r *CarEstimateRow, present uint8) { r.Present = present })
}

func estimateKey(r *EstimateRow) string { return r.CellID + "/" + key(r.At) + "/" + r.RunID }

func carEstimateKey(r *CarEstimateRow) string { return r.CarID + "/" + key(r.At) + "/" + r.RunID }

const whereEstimates = ` WHERE present = 1 AND at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id)) AND ({car:String} = '' OR car_id = {car:String})`

var (
	selectEstimates          = "SELECT " + columnsOf[EstimateRow]() + " FROM estimates FINAL" + whereEstimates + " ORDER BY at DESC, run_id DESC LIMIT {limit:UInt64}"
	selectEstimatesLatest    = "SELECT " + columnsOf[EstimateRow]() + " FROM estimates FINAL" + whereEstimates + " ORDER BY cell_id, at DESC, run_id DESC LIMIT 1 BY cell_id LIMIT {limit:UInt64}"
	selectCarEstimates       = "SELECT " + columnsOf[CarEstimateRow]() + " FROM car_estimates FINAL" + whereEstimates + " ORDER BY at DESC, run_id DESC LIMIT {limit:UInt64}"
	selectCarEstimatesLatest = "SELECT " + columnsOf[CarEstimateRow]() + " FROM car_estimates FINAL" + whereEstimates + " ORDER BY car_id, at DESC, run_id DESC LIMIT 1 BY car_id LIMIT {limit:UInt64}"
)

// ReadEstimates returns estimates, newest first.
func (s *Store) ReadEstimates(ctx context.Context, f Filter) ([]EstimateRow, error) {
	rows, err := selectRows[EstimateRow](ctx, s, selectEstimates, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read estimates: %w", err)
	}
	return rows, nil
}

// ReadEstimatesLatest returns each cell's newest estimate, by cell.
func (s *Store) ReadEstimatesLatest(ctx context.Context, f Filter) ([]EstimateRow, error) {
	rows, err := selectRows[EstimateRow](ctx, s, selectEstimatesLatest, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read the latest estimates: %w", err)
	}
	return rows, nil
}

// ReadCarEstimates returns the reference cars' estimates, newest first.
func (s *Store) ReadCarEstimates(ctx context.Context, f Filter) ([]CarEstimateRow, error) {
	rows, err := selectRows[CarEstimateRow](ctx, s, selectCarEstimates, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read the cars' estimates: %w", err)
	}
	return rows, nil
}

// ReadCarEstimatesLatest returns each reference car's newest estimate, by car.
func (s *Store) ReadCarEstimatesLatest(ctx context.Context, f Filter) ([]CarEstimateRow, error) {
	rows, err := selectRows[CarEstimateRow](ctx, s, selectCarEstimatesLatest, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("read the cars' latest estimates: %w", err)
	}
	return rows, nil
}
