package store

import (
	"context"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
)

// RegistryRow is a row of registry_versions.
type RegistryRow struct {
	Kind        string    `ch:"kind"` // site, cell, car, mass
	ID          string    `ch:"id"`
	EffectiveAt time.Time `ch:"effective_at"`
	RecordedAt  time.Time `ch:"recorded_at"`
	AppliedBy   string    `ch:"applied_by"`
	Body        string    `ch:"body"` // JSON
}

// AppendRegistry adds versions of registry entries, all of them or none.
func (s *Store) AppendRegistry(ctx context.Context, rows []RegistryRow) error {
	return insertRows(ctx, s, "registry_versions", rows)
}

var selectRegistry = "SELECT " + columnsOf[RegistryRow]() + " FROM registry_versions FINAL ORDER BY effective_at, recorded_at, kind, id LIMIT 10000000"

// ReadRegistry returns every version of every registry entry, by the time from
// which it is true, then by the time it was recorded.
func (s *Store) ReadRegistry(ctx context.Context) ([]RegistryRow, error) {
	rows, err := selectRows[RegistryRow](ctx, s, selectRegistry)
	if err != nil {
		return nil, fmt.Errorf("read the registry: %w", err)
	}
	return rows, nil
}

// AuditRow is a row of audit.
type AuditRow struct {
	At      time.Time `ch:"at"`
	Who     string    `ch:"who"`
	What    string    `ch:"what"`    // registry applied, flag acknowledged, flag closed, flag restated, recomputed …
	Subject string    `ch:"subject"` // of what, such as cell bath-1
	Before  string    `ch:"before"`
	After   string    `ch:"after"`
}

// AppendAudit adds changes that a person made.
func (s *Store) AppendAudit(ctx context.Context, rows []AuditRow) error {
	return insertRows(ctx, s, "audit", rows)
}

var selectAudit = "SELECT " + columnsOf[AuditRow]() + ` FROM audit FINAL
WHERE at >= fromUnixTimestamp64Nano({from:Int64}, 'UTC') AND at < fromUnixTimestamp64Nano({until:Int64}, 'UTC')
ORDER BY at DESC, who, what, subject LIMIT {limit:UInt64}`

// ListAudit returns what people changed, newest first. Only the filter's times
// and limit narrow.
func (s *Store) ListAudit(ctx context.Context, f Filter) ([]AuditRow, error) {
	rows, err := selectRows[AuditRow](ctx, s, selectAudit, f.args()...)
	if err != nil {
		return nil, fmt.Errorf("list the audit: %w", err)
	}
	return rows, nil
}

var selectAuditOf = "SELECT " + columnsOf[AuditRow]() + ` FROM audit FINAL
WHERE what IN {what:Array(String)} AND subject IN {subjects:Array(String)} ORDER BY at, who, what, subject`

// AuditOf returns what people did of certain kinds about certain subjects,
// oldest first.
func (s *Store) AuditOf(ctx context.Context, what, subjects []string) ([]AuditRow, error) {
	if len(subjects) == 0 {
		return nil, nil
	}
	rows, err := selectRows[AuditRow](ctx, s, selectAuditOf, clickhouse.Named("what", what), clickhouse.Named("subjects", subjects))
	if err != nil {
		return nil, fmt.Errorf("read the audit: %w", err)
	}
	return rows, nil
}
