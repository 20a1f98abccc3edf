package store

import (
	"context"
	"fmt"
	"time"

	"rollcall/services/fleet"
)

// HeartbeatRow is a row of heartbeats.
type HeartbeatRow struct {
	CellID           string     `ch:"cell_id"`
	SentAt           time.Time  `ch:"sent_at"`
	ReceivedAt       time.Time  `ch:"received_at"`
	SpoolMessages    uint64     `ch:"spool_messages"`
	SpoolBytes       uint64     `ch:"spool_bytes"`
	SpoolOldestAt    *time.Time `ch:"spool_oldest_at"`
	RejectedFiles    uint64     `ch:"rejected_files"`
	SetAsideMessages uint64     `ch:"set_aside_messages"`
	AgentVersion     string     `ch:"agent_version"`
}

var selectLatestHeartbeats = "SELECT " + columnsOf[HeartbeatRow]() + " FROM latest_heartbeats FINAL LIMIT 1000000"

// LatestHeartbeats returns each cell's newest heartbeat, by the time it was
// received.
func (s *Store) LatestHeartbeats(ctx context.Context) (map[fleet.CellID]HeartbeatRow, error) {
	rows, err := selectRows[HeartbeatRow](ctx, s, selectLatestHeartbeats)
	if err != nil {
		return nil, fmt.Errorf("read the latest heartbeats: %w", err)
	}
	latest := make(map[fleet.CellID]HeartbeatRow, len(rows))
	for _, row := range rows {
		latest[fleet.CellID(row.CellID)] = row
	}
	return latest, nil
}

// RefusalRow is a row of refusals.
type RefusalRow struct {
	CellID    string    `ch:"cell_id"`
	RefusedAt time.Time `ch:"refused_at"`
	Sequence  uint64    `ch:"sequence"`
	Message   string    `ch:"message"` // kind of message, such as sample_block
	Code      string    `ch:"code"`
	Field     string    `ch:"field"`
	Reason    string    `ch:"reason"`
	SizeBytes uint64    `ch:"size_bytes"`
}

var selectHeartbeats = "SELECT " + columnsOf[HeartbeatRow]() + ` FROM heartbeats FINAL
WHERE received_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND received_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
ORDER BY received_at DESC, cell_id LIMIT {limit:UInt64}`

// ListHeartbeats returns heartbeats, newest first by the time they were
// received. The filter's car does not narrow.
func (s *Store) ListHeartbeats(ctx context.Context, f Filter) ([]HeartbeatRow, error) {
	rows, err := selectRows[HeartbeatRow](ctx, s, selectHeartbeats, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list heartbeats: %w", err)
	}
	return rows, nil
}

var selectRefusals = "SELECT " + columnsOf[RefusalRow]() + ` FROM refusals FINAL
WHERE refused_at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND refused_at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
	AND ({all_cells:UInt8} = 1 OR has({cells:Array(String)}, cell_id))
ORDER BY refused_at DESC, cell_id, sequence LIMIT {limit:UInt64}`

// ListRefusals returns refused messages, newest first. The filter's car does
// not narrow.
func (s *Store) ListRefusals(ctx context.Context, f Filter) ([]RefusalRow, error) {
	rows, err := selectRows[RefusalRow](ctx, s, selectRefusals, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list refusals: %w", err)
	}
	return rows, nil
}
