package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// CarryRow is a row of loss_carries: somebody had the loss of a baseline pull
// carried to another pull, or took that back.
type CarryRow struct {
	PullID     string    `ch:"pull_id"`
	DecidedAt  time.Time `ch:"decided_at"`
	FromPullID string    `ch:"from_pull_id"` // the baseline pull; empty: nothing is carried any more
	CellID     string    `ch:"cell_id"`
	DecidedBy  string    `ch:"decided_by"`
	Reason     string    `ch:"reason"`
}

// AppendCarries notes what was decided of pulls' losses.
func (s *Store) AppendCarries(ctx context.Context, rows []CarryRow) error {
	for _, row := range rows {
		if row.PullID == "" || row.DecidedBy == "" || row.Reason == "" {
			return errors.New("carry a loss: pull, reason and who decides it are all needed")
		}
	}
	return insertRows(ctx, s, "loss_carries", rows)
}

// latestCarries are the rows that count, one for each pull.
const latestCarries = ` FROM loss_carries FINAL ORDER BY pull_id, decided_at DESC, from_pull_id DESC LIMIT 1 BY pull_id LIMIT 10000000`

var selectCarries = "SELECT " + columnsOf[CarryRow]() + latestCarries

// ReadCarries returns the latest decision on each pull of which there is one, by
// pull.
func (s *Store) ReadCarries(ctx context.Context) ([]CarryRow, error) {
	rows, err := selectRows[CarryRow](ctx, s, selectCarries)
	if err != nil {
		return nil, fmt.Errorf("read carried losses: %w", err)
	}
	return rows, nil
}

var selectAwaitingCarries = `SELECT latest.pull_id AS pull_id FROM (SELECT pull_id, from_pull_id` + latestCarries + `) AS latest
INNER JOIN (SELECT pull_id, loss_asked_from FROM curves FINAL WHERE code_version = {code_version:String} AND pull_id IN (SELECT pull_id FROM loss_carries)) AS curve
ON curve.pull_id = latest.pull_id
WHERE curve.loss_asked_from != latest.from_pull_id ORDER BY pull_id LIMIT 10000000`

// CarriesAwaitingComputation returns the pulls whose curve of this code version
// was computed before the latest decision on their loss.
func (s *Store) CarriesAwaitingComputation(ctx context.Context, codeVersion string) ([]string, error) {
	rows, err := selectRows[struct {
		PullID string `ch:"pull_id"`
	}](ctx, s, selectAwaitingCarries, clickhouse.Named("code_version", codeVersion))
	if err != nil {
		return nil, fmt.Errorf("list carried losses awaiting computation: %w", err)
	}
	out := make([]string, len(rows))
	for i, row := range rows {
		out[i] = row.PullID
	}
	return out, nil
}
