package store

import (
	"context"
	"fmt"
)

// SessionRow names a reference run by what its pulls have in common.
type SessionRow struct {
	CellID  string `ch:"cell_id"`
	CarID   string `ch:"car_id"`
	Session string `ch:"session"`
}

// selectSessions lists the sessions whose run is not there, does not hold just
// the pulls that have a curve, or began in the five weeks before the newest: a
// program that was stopped between a curve and its run may have left a run
// behind its curves only then.
var selectSessions = `WITH
	curved AS (SELECT cell_id, car_id, session, arraySort(groupArray(pull_id)) AS ids, max(started_at) AS latest
		FROM curves FINAL WHERE car_id != '' AND kind = 1 GROUP BY cell_id, car_id, session),
	assembled AS (SELECT cell_id, car_id, session, arraySort(arrayConcat(pull_ids, left_out_ids)) AS ids, code_version FROM runs FINAL)
SELECT curved.cell_id AS cell_id, curved.car_id AS car_id, curved.session AS session
FROM curved LEFT JOIN assembled ON curved.cell_id = assembled.cell_id AND curved.car_id = assembled.car_id AND curved.session = assembled.session
WHERE curved.ids != assembled.ids OR curved.latest > (SELECT max(latest) FROM curved) - INTERVAL 35 DAY
ORDER BY cell_id, car_id, session LIMIT 10000000`

// ReadSessions returns the sessions that may have to be assembled again.
func (s *Store) ReadSessions(ctx context.Context) ([]SessionRow, error) {
	rows, err := selectRows[SessionRow](ctx, s, selectSessions)
	if err != nil {
		return nil, fmt.Errorf("list sessions to assemble: %w", err)
	}
	return rows, nil
}
