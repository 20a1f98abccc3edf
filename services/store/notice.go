package store

import (
	"context"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// NoticeChangeRow is a row of notice_changes.
type NoticeChangeRow struct {
	Subject          string    `ch:"subject"`
	Ordinal          uint32    `ch:"ordinal"`
	State            string    `ch:"state"`
	WantsAction      bool      `ch:"wants_action"`
	Quiet            bool      `ch:"quiet"`
	SeenAt           time.Time `ch:"seen_at"`
	Since            time.Time `ch:"since"`
	SiteID           string    `ch:"site_id"`
	CellID           string    `ch:"cell_id"`
	CarID            string    `ch:"car_id"`
	FlagID           string    `ch:"flag_id"`
	Size             float64   `ch:"size"`
	SizeU            float64   `ch:"size_u"` // expanded, k = 2
	SizeUnit         string    `ch:"size_unit"`
	Cause            string    `ch:"cause"`
	CauseProbability float64   `ch:"cause_probability"`
	TouchedPulls     uint32    `ch:"touched_pulls"`
	Detail           string    `ch:"detail"`
	NextCheck        string    `ch:"next_check"`
}

// NoticeDeliveryRow is a row of notice_deliveries.
type NoticeDeliveryRow struct {
	At        time.Time `ch:"at"`
	Receiver  string    `ch:"receiver"`
	NoticeKey string    `ch:"notice_key"`
	Outcome   string    `ch:"outcome"`
	SiteID    string    `ch:"site_id"`
	Subject   []string  `ch:"subject"`
	Ordinal   []uint32  `ch:"ordinal"`
	State     []string  `ch:"state"`
	Answer    string    `ch:"answer"`
	Replica   string    `ch:"replica"`
}

// The outcomes of notice_deliveries.
const (
	NoticeAdded   = "added"    // the receiver was seen in the configuration for the first time
	NoticeSent    = "sent"     // the receiver took it
	NoticeFailed  = "failed"   // it will be tried again
	NoticeGivenUp = "given up" // it was tried for long enough
	NoticeSettled = "settled"  // the state came back to what the receiver had been told
	NoticeCarried = "carried"  // it was told of the same finding under another flag's id
)

// AppendNoticeChanges adds changes of state. A change that is there already,
// by subject and ordinal, is read once.
func (s *Store) AppendNoticeChanges(ctx context.Context, rows []NoticeChangeRow) error {
	return insertRows(ctx, s, "notice_changes", rows)
}

// AppendNoticeDeliveries adds what became of notices.
func (s *Store) AppendNoticeDeliveries(ctx context.Context, rows []NoticeDeliveryRow) error {
	return insertRows(ctx, s, "notice_deliveries", rows)
}

var (
	selectNoticeChanges    = "SELECT " + columnsOf[NoticeChangeRow]() + " FROM notice_changes FINAL ORDER BY subject, ordinal DESC LIMIT 1 BY subject LIMIT 10000000"
	selectNoticeDeliveries = "SELECT " + columnsOf[NoticeDeliveryRow]() + ` FROM notice_deliveries FINAL
WHERE at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND at < fromUnixTimestamp64Nano({until:Int64}, 'UTC') AND outcome != 'added'
ORDER BY at DESC, receiver, notice_key, outcome LIMIT {limit:UInt64}`
)

// LatestNoticeChanges returns the latest change of every subject, by subject.
func (s *Store) LatestNoticeChanges(ctx context.Context) ([]NoticeChangeRow, error) {
	rows, err := selectRows[NoticeChangeRow](ctx, s, selectNoticeChanges)
	if err != nil {
		return nil, fmt.Errorf("read the changes of state: %w", err)
	}
	return rows, nil
}

// ListNoticeDeliveries returns what became of notices, newest first. Only the
// filter's times and limit narrow.
func (s *Store) ListNoticeDeliveries(ctx context.Context, f Filter) ([]NoticeDeliveryRow, error) {
	rows, err := selectRows[NoticeDeliveryRow](ctx, s, selectNoticeDeliveries, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list notices: %w", err)
	}
	return rows, nil
}

// NoticeTold is the last change of a subject that a receiver was told of, or
// need not be told of any more. TellState is the last state it was really told
// of; empty: none.
type NoticeTold struct {
	Receiver  string `ch:"receiver"`
	Subject   string `ch:"told_subject"`
	Ordinal   uint32 `ch:"told_ordinal"`
	TellState string `ch:"told_state"`
}

const selectNoticeTold = `SELECT receiver, s AS told_subject, max(o) AS told_ordinal, argMaxIf(st, o, outcome IN ('sent', 'carried')) AS told_state
FROM notice_deliveries FINAL
ARRAY JOIN subject AS s, ordinal AS o, CAST(state AS Array(String)) AS st
WHERE outcome IN ('sent', 'given up', 'settled', 'carried')
GROUP BY receiver, told_subject
LIMIT 10000000`

// NoticesTold returns what each receiver was told last of each subject.
func (s *Store) NoticesTold(ctx context.Context) ([]NoticeTold, error) {
	rows, err := selectRows[NoticeTold](ctx, s, selectNoticeTold)
	if err != nil {
		return nil, fmt.Errorf("read what was told: %w", err)
	}
	return rows, nil
}

// NoticeLast says since when a receiver is known, and when a notice of a site
// was last sent to it; the zero time for never.
type NoticeLast struct {
	Receiver string    `ch:"receiver"`
	SiteID   string    `ch:"site_id"`
	Added    time.Time `ch:"added"`
	Sent     time.Time `ch:"sent"`
}

const selectNoticeLast = `SELECT receiver, site_id, minIf(at, outcome = 'added') AS added, maxIf(at, outcome = 'sent') AS sent
FROM notice_deliveries FINAL
WHERE outcome IN ('added', 'sent')
GROUP BY receiver, site_id
LIMIT 10000000`

// NoticesLast returns the times of each receiver by site; a receiver's own
// first time stands at the empty site.
func (s *Store) NoticesLast(ctx context.Context) ([]NoticeLast, error) {
	rows, err := selectRows[NoticeLast](ctx, s, selectNoticeLast)
	if err != nil {
		return nil, fmt.Errorf("read when notices were sent: %w", err)
	}
	for i := range rows {
		// The server's zero time is 1970.
		if rows[i].Added.Unix() <= 0 {
			rows[i].Added = time.Time{}
		}
		if rows[i].Sent.Unix() <= 0 {
			rows[i].Sent = time.Time{}
		}
	}
	return rows, nil
}

// NoticeTurn says that a replica lives, or leaves, and returns those that live:
// heard within lease by the server's clock, longest running first.
func (s *Store) NoticeTurn(ctx context.Context, replica string, leaving bool, lease time.Duration) ([]string, error) {
	args := []any{clickhouse.Named("replica", replica), clickhouse.Named("leaving", boolean(leaving)), clickhouse.Named("lease", lease.Nanoseconds())}
	err := s.exec(ctx, `INSERT INTO notice_turns (replica, started_at, at, leaving)
SELECT {replica:String}, if(count() = 0, now64(9, 'UTC'), min(started_at)), now64(9, 'UTC'), {leaving:UInt8} = 1
FROM notice_turns FINAL WHERE replica = {replica:String} AND NOT leaving`, args...)
	if err != nil {
		return nil, fmt.Errorf("note that this replica lives: %w", err)
	}
	rows, err := selectRows[struct {
		Replica string `ch:"replica"`
	}](ctx, s, `SELECT replica FROM notice_turns FINAL
WHERE NOT leaving AND at > now64(9, 'UTC') - toIntervalNanosecond({lease:Int64})
ORDER BY started_at, replica LIMIT 10000`, args...)
	if err != nil {
		return nil, fmt.Errorf("read which replicas live: %w", err)
	}
	live := make([]string, len(rows))
	for i, r := range rows {
		live[i] = r.Replica
	}
	return live, nil
}

// TouchedCount returns how many customer pulls each flag touches.
func (s *Store) TouchedCount(ctx context.Context) (map[string]uint64, error) {
	rows, err := selectRows[struct {
		FlagID string `ch:"flag_id"`
		Pulls  uint64 `ch:"pulls"`
	}](ctx, s, "SELECT flag_id, count() AS pulls FROM touched_pulls FINAL WHERE present = 1 GROUP BY flag_id LIMIT 1000000")
	if err != nil {
		return nil, fmt.Errorf("count touched pulls: %w", err)
	}
	out := make(map[string]uint64, len(rows))
	for _, r := range rows {
		out[r.FlagID] = r.Pulls
	}
	return out, nil
}
