package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"golang.org/x/sync/errgroup"

	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// PullRow is a row of pulls.
type PullRow struct {
	PullID       string            `ch:"pull_id"`
	CellID       string            `ch:"cell_id"`
	Kind         uint8             `ch:"kind"` // 1 pull, 2 coast-down of a car, 3 coast-down of the empty rollers
	StartedAt    time.Time         `ch:"started_at"`
	CarID        string            `ch:"car_id"`  // the reference car; empty: a customer's car or none
	Label        string            `ch:"label"`   // joins a separate coast-down to its pull
	Session      string            `ch:"session"` // name of the reference run
	CustomerCar  string            `ch:"customer_car"`
	RampRate     *float64          `ch:"ramp_rate_rad_s2"` // rad/s², the sweep asked for, engine side
	RotatingMass *float64          `ch:"rotating_mass_kg"` // kg
	CoastingMass *float64          `ch:"coasting_mass_kg"` // kg
	SetUp        string            `ch:"set_up"`           // of the car, as far as it acts on its losses
	Charging     string            `ch:"charging"`         // of a customer's car: none, turbo, mechanical
	Displacement *float64          `ch:"displacement_m3"`  // m³
	Correction   string            `ch:"correction"`
	Channels     []string          `ch:"channels"`
	Header       map[string]string `ch:"header"`
	AgentVersion string            `ch:"agent_version"`
	ReceivedAt   time.Time         `ch:"received_at"`
}

// FromPull returns p as a row.
func FromPull(p fleet.Pull, receivedAt time.Time) PullRow {
	channels := make([]string, len(p.Channels))
	for i, c := range p.Channels {
		channels[i] = string(c)
	}
	header := p.Header
	if header == nil {
		header = map[string]string{}
	}
	return PullRow{
		PullID: string(p.ID), CellID: string(p.Cell), Kind: uint8(p.Kind), StartedAt: p.StartedAt, CarID: string(p.Car),
		Label: p.Label, Session: p.Session, CustomerCar: p.CustomerCar, RampRate: p.RampRate,
		RotatingMass: p.RotatingMass, CoastingMass: p.CoastingMass, Correction: string(p.Correction),
		SetUp: p.SetUp, Charging: string(p.Charging), Displacement: p.Displacement,
		Channels: channels, Header: header, AgentVersion: p.AgentVersion, ReceivedAt: receivedAt,
	}
}

// Pull returns the row as what it is of. A pull without channels or header has
// nil for them.
func (r PullRow) Pull() fleet.Pull {
	var channels []fleet.Channel
	for _, c := range r.Channels {
		channels = append(channels, fleet.Channel(c))
	}
	header := r.Header
	if len(header) == 0 {
		header = nil
	}
	return fleet.Pull{
		ID: fleet.PullID(r.PullID), Cell: fleet.CellID(r.CellID), Kind: fleet.Kind(r.Kind), StartedAt: r.StartedAt, Car: fleet.CarID(r.CarID),
		Label: r.Label, Session: r.Session, CustomerCar: r.CustomerCar, RampRate: r.RampRate,
		RotatingMass: r.RotatingMass, CoastingMass: r.CoastingMass, Correction: fleet.Correction(r.Correction),
		SetUp: r.SetUp, Charging: fleet.Charging(r.Charging), Displacement: r.Displacement,
		Channels: channels, Header: header, AgentVersion: r.AgentVersion,
	}
}

var selectPulls = "SELECT " + columnsOf[PullRow]() + " FROM pulls FINAL"

// PullFilter narrows a list of pulls further than Filter. Its zero value
// narrows nothing.
type PullFilter struct {
	Filter
	Kind      fleet.Kind // 0: all
	Session   string     // empty: all
	Label     string     // empty: all
	Customers bool       // only customers' cars: those without a reference car
}

// args are the parameters wherePulls takes.
func (f PullFilter) args() []any {
	return append(f.Filter.args(), clickhouse.Named("kind", uint8(f.Kind)), clickhouse.Named("session", f.Session),
		clickhouse.Named("label", f.Label), clickhouse.Named("customers", boolean(f.Customers)))
}

// wherePulls narrows pulls or what was computed of them: the keys first, then the
// newest version of these rows only. What is looked at is the same in every version
// of a row.
func wherePulls(table string) string {
	return ` PREWHERE (cell_id, started_at, pull_id) IN (SELECT cell_id, started_at, pull_id FROM ` + table + `
	WHERE started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
		AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id)) AND ({car:String} = '' OR car_id = {car:String})
		AND ({kind:UInt8} = 0 OR kind = {kind:UInt8}) AND ({session:String} = '' OR session = {session:String})
		AND ({label:String} = '' OR label = {label:String}) AND ({customers:UInt8} = 0 OR (car_id = '' AND kind != 3))
	ORDER BY started_at DESC, pull_id DESC LIMIT 1 BY cell_id, started_at, pull_id LIMIT {limit:UInt64})
ORDER BY started_at DESC, pull_id DESC LIMIT {limit:UInt64}`
}

var selectPullList = selectPulls + wherePulls("pulls")

// ListPulls returns the pulls that were announced, complete or not, newest
// first.
func (s *Store) ListPulls(ctx context.Context, f PullFilter) ([]PullRow, error) {
	rows, err := selectRows[PullRow](ctx, s, selectPullList, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list pulls: %w", err)
	}
	return rows, nil
}

// PullCountRow is how many pulls a cell made.
type PullCountRow struct {
	CellID   string `ch:"cell_id"`
	Pulls    uint64 `ch:"pulls"`
	Unusable uint64 `ch:"unusable"`
	InDoubt  uint64 `ch:"in_doubt"` // of customers, touched by an open flag
}

// A pull that was sent twice has the same key both times.
const selectPullCounts = `WITH touched AS (SELECT DISTINCT pull_id FROM touched_pulls FINAL
	WHERE present = 1 AND flag_id IN (SELECT flag_id FROM flags FINAL WHERE present = 1 AND open)
	AND started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC'))
SELECT p.cell_id AS cell_id, count() AS pulls, countIf(c.state = 'unusable') AS unusable, countIf(p.car_id = '' AND p.pull_id IN (SELECT pull_id FROM touched)) AS in_doubt
FROM (SELECT cell_id, pull_id, any(car_id) AS car_id FROM pulls
	WHERE started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
		AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id)) AND kind = 1
	GROUP BY cell_id, started_at, pull_id) AS p
LEFT JOIN (SELECT pull_id, cell_id, state FROM curves FINAL
	PREWHERE started_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND started_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	WHERE {all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id)) AS c ON c.pull_id = p.pull_id AND c.cell_id = p.cell_id
GROUP BY cell_id ORDER BY cell_id LIMIT {limit:UInt64}`

// CountPulls returns how many pulls each cell made in the filter's time, by cell;
// those that made none are not in it. The filter's car does not narrow.
func (s *Store) CountPulls(ctx context.Context, f Filter) ([]PullCountRow, error) {
	rows, err := selectRows[PullCountRow](ctx, s, selectPullCounts, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("count pulls: %w", err)
	}
	return rows, nil
}

// PullEndRow is a row of pull_ends.
type PullEndRow struct {
	PullID     string    `ch:"pull_id"`
	CellID     string    `ch:"cell_id"`
	Blocks     uint32    `ch:"blocks"`
	Samples    uint64    `ch:"samples"`
	Checksum   uint32    `ch:"checksum"`
	ReceivedAt time.Time `ch:"received_at"`
}

// FromEnd returns e as a row.
func FromEnd(e wire.End, receivedAt time.Time) PullEndRow {
	return PullEndRow{PullID: string(e.Pull), CellID: string(e.Cell), Blocks: e.Blocks, Samples: e.Samples, Checksum: e.Checksum, ReceivedAt: receivedAt}
}

// RawPull is what there is of one pull.
type RawPull struct {
	Begin    PullRow // only when HasBegin
	HasBegin bool
	End      PullEndRow // only when HasEnd
	HasEnd   bool
	Blocks   []BlockRow // by channel, then index, each once
}

var (
	// An id is made from a cell's name and a record's content. Should another
	// cell use it all the same, the first to come has it.
	selectPullsByID = selectPulls + " WHERE pull_id IN {pulls:Array(String)} ORDER BY received_at, cell_id LIMIT 1 BY pull_id"
	selectEndsByID  = "SELECT " + columnsOf[PullEndRow]() + " FROM pull_ends FINAL WHERE pull_id IN {pulls:Array(String)}"
)

// ReadPull returns everything there is of a pull, what was sent twice once. It
// is no error when there is nothing of it.
func (s *Store) ReadPull(ctx context.Context, id fleet.PullID) (RawPull, error) {
	raw, err := s.ReadPulls(ctx, []fleet.PullID{id})
	if err != nil {
		return RawPull{}, err
	}
	return raw[0], nil
}

// ReadPulls is ReadPull of many pulls, in the order asked for. It costs little
// more than one: read some 30 at once where there are many.
func (s *Store) ReadPulls(ctx context.Context, ids []fleet.PullID) ([]RawPull, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = string(id)
	}
	// The ends first: whoever sees one can read all blocks.
	endRows, err := selectRows[PullEndRow](ctx, s, selectEndsByID, clickhouse.Named("pulls", names))
	if err != nil {
		return nil, fmt.Errorf("read the ends of %d pulls: %w", len(ids), err)
	}
	type owned struct{ pull, cell string }
	ends := make(map[owned]PullEndRow, len(endRows))
	for _, row := range endRows {
		ends[owned{row.PullID, row.CellID}] = row
		ends[owned{row.PullID, ""}] = row
	}
	begins := make(map[string]PullRow, len(ids))
	var blocks map[string][]BlockRow
	g, both := errgroup.WithContext(ctx)
	g.Go(func() error {
		rows, err := selectRows[PullRow](both, s, selectPullsByID, clickhouse.Named("pulls", names))
		for _, row := range rows {
			begins[row.PullID] = row
		}
		return err
	})
	g.Go(func() error {
		var err error
		blocks, err = s.readBlocks(both, names)
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, fmt.Errorf("read %d pulls: %w", len(ids), err)
	}
	raw := make([]RawPull, len(ids))
	for i, name := range names {
		raw[i].Begin, raw[i].HasBegin = begins[name]
		// What other cells sent under this id is not of this pull.
		cell := raw[i].Begin.CellID
		raw[i].End, raw[i].HasEnd = ends[owned{name, cell}]
		raw[i].Blocks = slices.DeleteFunc(blocks[name], func(b BlockRow) bool { return raw[i].HasBegin && b.CellID != cell })
	}
	return raw, nil
}

// ReadPullBegin returns what a pull was announced as, and whether it was.
func (s *Store) ReadPullBegin(ctx context.Context, id fleet.PullID) (PullRow, bool, error) {
	rows, err := selectRows[PullRow](ctx, s, selectPullsByID, clickhouse.Named("pulls", []string{string(id)}))
	if err != nil {
		return PullRow{}, false, fmt.Errorf("read pull %s: %w", id, err)
	}
	if len(rows) == 0 {
		return PullRow{}, false, nil
	}
	return rows[0], true, nil
}

// ReadPullBegins is ReadPullBegin of many pulls; those not announced are not in
// it.
func (s *Store) ReadPullBegins(ctx context.Context, ids []fleet.PullID) (map[fleet.PullID]PullRow, error) {
	out := map[fleet.PullID]PullRow{}
	if len(ids) == 0 {
		return out, nil
	}
	names := make([]string, len(ids))
	for i, id := range ids {
		names[i] = string(id)
	}
	rows, err := selectRows[PullRow](ctx, s, selectPullsByID, clickhouse.Named("pulls", names))
	if err != nil {
		return nil, fmt.Errorf("read what %d pulls were announced as: %w", len(ids), err)
	}
	for _, row := range rows {
		out[fleet.PullID(row.PullID)] = row
	}
	return out, nil
}

var selectAwaitingPulls = selectPulls + ` WHERE pull_id IN (SELECT pull_id FROM pull_ends)
	AND pull_id NOT IN (SELECT pull_id FROM curves FINAL WHERE code_version = {code_version:String})
	AND pull_id NOT IN (SELECT pull_id FROM coastdown_results FINAL WHERE code_version = {code_version:String})
ORDER BY started_at, pull_id LIMIT {limit:UInt64}`

// PullsAwaitingComputation returns pulls and coast-downs that have their end but
// neither a curve nor a coast-down result of this code version, oldest first.
func (s *Store) PullsAwaitingComputation(ctx context.Context, codeVersion string, limit int) ([]PullRow, error) {
	rows, err := selectRows[PullRow](ctx, s, selectAwaitingPulls, clickhouse.Named("code_version", codeVersion), clickhouse.Named("limit", uint64(limit)))
	if err != nil {
		return nil, fmt.Errorf("list pulls awaiting computation: %w", err)
	}
	return rows, nil
}

var selectCompletePulls = selectPulls + ` WHERE pull_id IN (SELECT pull_id FROM pull_ends)
	AND (started_at, pull_id) > (fromUnixTimestamp64Nano({after:Int64}, 'UTC'), {after_id:String})
ORDER BY started_at, pull_id LIMIT {limit:UInt64}`

// ListCompletePulls returns the pulls and coast-downs that have their end and
// come after the given one in the order of start, then id: all of them, page by
// page, with the zero time and an empty id first.
func (s *Store) ListCompletePulls(ctx context.Context, after time.Time, afterID fleet.PullID, limit int) ([]PullRow, error) {
	from := int64(-1 << 63)
	if !after.IsZero() {
		from = after.UnixNano()
	}
	rows, err := selectRows[PullRow](ctx, s, selectCompletePulls, clickhouse.Named("after", from),
		clickhouse.Named("after_id", string(afterID)), clickhouse.Named("limit", uint64(limit)))
	if err != nil {
		return nil, fmt.Errorf("list complete pulls: %w", err)
	}
	return rows, nil
}
