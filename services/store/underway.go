package store

import (
	"context"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// UnderWayRow is a pull that has begun and has no result yet, with what came of
// it so far.
type UnderWayRow struct {
	PullID      string    `ch:"pull_id"`
	CellID      string    `ch:"cell_id"`
	Kind        uint8     `ch:"kind"`
	CarID       string    `ch:"car_id"`
	CustomerCar string    `ch:"customer_car"`
	StartedAt   time.Time `ch:"started_at"`
	ReceivedAt  time.Time `ch:"received_at"`
	Ended       uint8     `ch:"ended"`
	Blocks      uint64    `ch:"blocks"`
	Samples     uint64    `ch:"samples"`
	Recorded    float64   `ch:"recorded_s"` // s
}

// Only what started within the day before since is looked at: the spool of a cell
// that was cut off is no pull under way, and the sort key then serves. The blocks'
// arrays are not read: the end of a block comes from its step, of a block with a
// clock of its own from its start.
const selectUnderWay = `WITH fromUnixTimestamp64Nano({since:Int64}, 'UTC') AS since,
	(SELECT groupArray(pull_id) FROM pulls WHERE started_at >= since - INTERVAL 1 DAY AND received_at >= since) AS recent
SELECT p.pull_id AS pull_id, p.cell_id AS cell_id, p.kind AS kind, p.car_id AS car_id, p.customer_car AS customer_car,
	p.started_at AS started_at, p.received_at AS received_at, toUInt8(p.pull_id IN (SELECT pull_id FROM pull_ends WHERE has(recent, pull_id))) AS ended,
	b.blocks AS blocks, b.samples AS samples, b.recorded_s AS recorded_s
FROM (
	SELECT pull_id, cell_id, kind, car_id, customer_car, started_at, received_at FROM pulls
	WHERE started_at >= since - INTERVAL 1 DAY AND received_at >= since LIMIT 1 BY cell_id, started_at, pull_id
) AS p
LEFT JOIN (
	SELECT pull_id, cell_id, count() AS blocks, sum(sample_count) AS samples, max(start_s + step_s * sample_count) AS recorded_s
	FROM sample_blocks FINAL WHERE has(recent, pull_id) GROUP BY pull_id, cell_id
) AS b ON b.pull_id = p.pull_id AND b.cell_id = p.cell_id
WHERE p.pull_id NOT IN (SELECT pull_id FROM curves WHERE has(recent, pull_id)) AND p.pull_id NOT IN (SELECT pull_id FROM coastdown_results WHERE has(recent, pull_id))
ORDER BY p.received_at DESC, p.pull_id LIMIT {limit:UInt64}`

// ListUnderWay returns what has begun since a moment and is not computed,
// newest first.
func (s *Store) ListUnderWay(ctx context.Context, since time.Time, limit int) ([]UnderWayRow, error) {
	rows, err := selectRows[UnderWayRow](ctx, s, selectUnderWay, clickhouse.Named("since", since.UnixNano()), clickhouse.Named("limit", uint64(limit)))
	if err != nil {
		return nil, fmt.Errorf("list what is under way: %w", err)
	}
	return rows, nil
}
