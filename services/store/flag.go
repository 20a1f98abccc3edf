package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
)

// FlagRow is a row of flags. A name that ends in U holds an expanded
// uncertainty, k = 2. The arrays Cause… hold one entry for each cause.
type FlagRow struct {
	FlagID           string     `ch:"flag_id"`
	CellID           string     `ch:"cell_id"`
	CarID            string     `ch:"car_id"`
	Kind             string     `ch:"kind"` // recalibrate, drifting, reference car, check due early, check overdue
	Open             bool       `ch:"open"`
	FirstEvidenceAt  time.Time  `ch:"first_evidence_at"`
	OpenedAt         time.Time  `ch:"opened_at"`
	UpdatedAt        time.Time  `ch:"updated_at"`
	ClosedAt         *time.Time `ch:"closed_at"`
	ClosedReason     string     `ch:"closed_reason"`
	ClosedBy         string     `ch:"closed_by"`
	Size             float64    `ch:"size"`
	SizeU            float64    `ch:"size_u"` // expanded, k = 2
	SizeUnit         string     `ch:"size_unit"`
	CauseFault       []string   `ch:"cause_fault"`
	CauseProbability []float64  `ch:"cause_probability"`
	CauseSize        []float64  `ch:"cause_size"`
	CauseSizeU       []float64  `ch:"cause_size_u"` // expanded, k = 2
	CauseUnit        []string   `ch:"cause_unit"`
	NextCheck        string     `ch:"next_check"`
	Evidence         string     `ch:"evidence"`
	Epoch            string     `ch:"epoch"`
	CodeVersion      string     `ch:"code_version"`
	Present          uint8      `ch:"present"` // 0: a newer computation does not have this row
	DueAt            *time.Time `ch:"due_at"`  // of kind check overdue: since when it is due; of check due early: by when it should be made
}

// TouchedRow is a row of touched_pulls.
type TouchedRow struct {
	FlagID      string    `ch:"flag_id"`
	StartedAt   time.Time `ch:"started_at"`
	PullID      string    `ch:"pull_id"`
	CellID      string    `ch:"cell_id"`
	CustomerCar string    `ch:"customer_car"`
	Effect      float64   `ch:"effect"`   // relative effect on the stated power
	EffectU     float64   `ch:"effect_u"` // expanded, k = 2
	CodeVersion string    `ch:"code_version"`
	Present     uint8     `ch:"present"` // 0: a newer computation does not have this row
}

// CauseRow is a possible fault behind a flag.
type CauseRow struct {
	Fault       string
	Probability float64
	Size, SizeU float64 // in Unit; SizeU expanded, k = 2
	Unit        string
}

// SetCauses puts causes into the row in place of those there.
func (r *FlagRow) SetCauses(causes []CauseRow) {
	r.CauseFault, r.CauseProbability, r.CauseSize, r.CauseSizeU, r.CauseUnit = nil, nil, nil, nil, nil
	for _, c := range causes {
		r.CauseFault = append(r.CauseFault, c.Fault)
		r.CauseProbability = append(r.CauseProbability, c.Probability)
		r.CauseSize = append(r.CauseSize, c.Size)
		r.CauseSizeU = append(r.CauseSizeU, c.SizeU)
		r.CauseUnit = append(r.CauseUnit, c.Unit)
	}
}

// Causes returns the row's causes.
func (r FlagRow) Causes() []CauseRow {
	var causes []CauseRow
	for i := range r.CauseFault {
		causes = append(causes, CauseRow{Fault: r.CauseFault[i], Probability: r.CauseProbability[i], Size: r.CauseSize[i], SizeU: r.CauseSizeU[i], Unit: r.CauseUnit[i]})
	}
	return causes
}

// ReplaceFlags makes flags and touched the whole of the flags and of the pulls
// they touch: readers see them and no others. Present is set by it. The flags
// go last: a flag that is seen has its pulls.
func (s *Store) ReplaceFlags(ctx context.Context, flags []FlagRow, touched []TouchedRow) error {
	err := replaceRows(ctx, s, "touched_pulls", touched,
		func(r *TouchedRow) string { return r.FlagID + "/" + key(r.StartedAt) + "/" + r.PullID },
		func(r *TouchedRow, present uint8) { r.Present = present })
	if err != nil {
		return err
	}
	return replaceRows(ctx, s, "flags", flags,
		func(r *FlagRow) string { return r.FlagID },
		func(r *FlagRow, present uint8) { r.Present = present })
}

var (
	selectFlags = "SELECT " + columnsOf[FlagRow]() + ` FROM flags FINAL
WHERE present = 1 AND (open OR {closed:UInt8} = 1)
	AND opened_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND (closed_at IS NULL OR closed_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC'))
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id)) AND ({car:String} = '' OR car_id = {car:String})
ORDER BY opened_at DESC, flag_id LIMIT {limit:UInt64}`
	selectFlag    = "SELECT " + columnsOf[FlagRow]() + " FROM flags FINAL WHERE present = 1 AND flag_id = {flag:String} LIMIT 1"
	selectTouched = "SELECT " + columnsOf[TouchedRow]() + ` FROM touched_pulls FINAL
WHERE present = 1 AND has({flags:Array(String)}, flag_id) ORDER BY flag_id, started_at, pull_id LIMIT 1000000`
	// The few open flags first: touched_pulls is sorted by them.
	selectDoubts = "SELECT " + columnsOf[TouchedRow]() + ` FROM touched_pulls FINAL
WHERE present = 1 AND flag_id IN (SELECT flag_id FROM flags FINAL WHERE present = 1 AND open)
	AND pull_id IN (SELECT arrayJoin({pulls:Array(String)}))
ORDER BY flag_id, started_at, pull_id LIMIT 10000000`
)

// ListFlags returns flags that were open at some time within the filter's, newest
// first; closed ones only when asked for.
func (s *Store) ListFlags(ctx context.Context, f Filter, closed bool) ([]FlagRow, error) {
	rows, err := selectRows[FlagRow](ctx, s, selectFlags, append(f.args(), clickhouse.Named("closed", boolean(closed)))...)
	if err != nil {
		return nil, fmt.Errorf("list flags: %w", err)
	}
	return rows, nil
}

// ReadFlag returns a flag, and whether there is one.
func (s *Store) ReadFlag(ctx context.Context, id fleet.FlagID) (FlagRow, bool, error) {
	rows, err := selectRows[FlagRow](ctx, s, selectFlag, clickhouse.Named("flag", string(id)))
	if err != nil {
		return FlagRow{}, false, fmt.Errorf("read flag %s: %w", id, err)
	}
	if len(rows) == 0 {
		return FlagRow{}, false, nil
	}
	return rows[0], true, nil
}

// ReadTouched returns the pulls that each of the flags touches, by time.
func (s *Store) ReadTouched(ctx context.Context, flags []fleet.FlagID) (map[fleet.FlagID][]TouchedRow, error) {
	ids := make([]string, len(flags))
	for i, id := range flags {
		ids[i] = string(id)
	}
	rows, err := selectRows[TouchedRow](ctx, s, selectTouched, clickhouse.Named("flags", ids))
	if err != nil {
		return nil, fmt.Errorf("read touched pulls: %w", err)
	}
	touched := map[fleet.FlagID][]TouchedRow{}
	for _, row := range rows {
		touched[fleet.FlagID(row.FlagID)] = append(touched[fleet.FlagID(row.FlagID)], row)
	}
	return touched, nil
}

// ReadDoubts returns, by pull, why pulls are doubted: the rows of those of them
// that an open flag touches, by flag.
func (s *Store) ReadDoubts(ctx context.Context, pulls []fleet.PullID) (map[fleet.PullID][]TouchedRow, error) {
	doubts := map[fleet.PullID][]TouchedRow{}
	if len(pulls) == 0 {
		return doubts, nil
	}
	ids := make([]string, len(pulls))
	for i, id := range pulls {
		ids[i] = string(id)
	}
	rows, err := selectRows[TouchedRow](ctx, s, selectDoubts, clickhouse.Named("pulls", ids))
	if err != nil {
		return nil, fmt.Errorf("read what pulls are doubted for: %w", err)
	}
	for _, row := range rows {
		doubts[fleet.PullID(row.PullID)] = append(doubts[fleet.PullID(row.PullID)], row)
	}
	return doubts, nil
}

// ClosingRow is a row of flag_closings.
type ClosingRow struct {
	FlagID   string    `ch:"flag_id"`
	CellID   string    `ch:"cell_id"` // the flag's cell, or
	CarID    string    `ch:"car_id"`  // its reference car
	ClosedAt time.Time `ch:"closed_at"`
	ClosedBy string    `ch:"closed_by"`
	Reason   string    `ch:"reason"`
}

// AppendClosing notes that a person closed a flag. The flag itself is closed by
// whoever computes the flags.
func (s *Store) AppendClosing(ctx context.Context, row ClosingRow) error {
	if row.FlagID == "" || row.ClosedBy == "" || row.Reason == "" {
		return errors.New("close a flag: flag, reason and who closes it are all needed")
	}
	return insertRows(ctx, s, "flag_closings", []ClosingRow{row})
}

var selectClosings = "SELECT " + columnsOf[ClosingRow]() + " FROM flag_closings FINAL ORDER BY closed_at, flag_id LIMIT 10000000"

// ReadClosings returns every closing of a flag, oldest first.
func (s *Store) ReadClosings(ctx context.Context) ([]ClosingRow, error) {
	rows, err := selectRows[ClosingRow](ctx, s, selectClosings)
	if err != nil {
		return nil, fmt.Errorf("read closings of flags: %w", err)
	}
	return rows, nil
}
