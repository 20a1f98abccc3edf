package store

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"text/template"
	"time"

	"go.uber.org/zap"
)

//go:embed schema/*.sql
var schemaFiles embed.FS

// Migration is one numbered statement of the schema.
type Migration struct {
	Number    uint32
	Name      string
	Statement string // a text/template over the values of Config it names
	Checksum  string // SHA-256 of the file, hexadecimal
}

var migrationName = regexp.MustCompile(`^([0-9]{4})_([a-z0-9_]+)\.sql$`)

// Migrations returns the schema's statements in order.
func Migrations() ([]Migration, error) { return readMigrations(schemaFiles, "schema") }

func readMigrations(files fs.FS, dir string) ([]Migration, error) {
	entries, err := fs.ReadDir(files, dir)
	if err != nil {
		return nil, fmt.Errorf("read the schema: %w", err)
	}
	var all []Migration
	for _, entry := range entries {
		m := migrationName.FindStringSubmatch(entry.Name())
		if m == nil {
			return nil, fmt.Errorf("read the schema: file %s is not named NNNN_what.sql", entry.Name())
		}
		text, err := fs.ReadFile(files, path.Join(dir, entry.Name()))
		if err != nil {
			return nil, fmt.Errorf("read the schema: %w", err)
		}
		n, err := strconv.ParseUint(m[1], 10, 32)
		if err != nil {
			return nil, fmt.Errorf("read the schema: file %s: %w", entry.Name(), err)
		}
		sum := sha256.Sum256(text)
		all = append(all, Migration{Number: uint32(n), Name: m[2], Statement: string(text), Checksum: hex.EncodeToString(sum[:])})
	}
	slices.SortFunc(all, func(a, b Migration) int { return int(a.Number) - int(b.Number) })
	for i := 1; i < len(all); i++ {
		if all[i].Number == all[i-1].Number {
			return nil, fmt.Errorf("read the schema: number %04d is there twice, as %s and %s", all[i].Number, all[i-1].Name, all[i].Name)
		}
	}
	return all, nil
}

const createMigrations = `CREATE TABLE IF NOT EXISTS schema_migrations
(
    number UInt32,
    name String,
    checksum String,
    applied_at DateTime64(9, 'UTC')
)
ENGINE = ReplacingMergeTree
ORDER BY number
SETTINGS fsync_after_insert = 1, fsync_part_directory = 1
COMMENT 'Statements of the schema that were applied, a row each.'`

const selectMigrations = `SELECT number, name, checksum, applied_at FROM schema_migrations FINAL ORDER BY number LIMIT 100000`

type migrationRow struct {
	Number    uint32    `ch:"number"`
	Name      string    `ch:"name"`
	Checksum  string    `ch:"checksum"`
	AppliedAt time.Time `ch:"applied_at"`
}

// Migrate brings the tables up to this program's schema and returns how many
// statements it applied. Several programs may do it at once. It refuses, and
// changes nothing, when a statement that was applied has been edited since, or
// when the database was migrated by a newer program.
func (s *Store) Migrate(ctx context.Context) (int, error) {
	all, err := Migrations()
	if err != nil {
		return 0, err
	}
	return s.apply(ctx, all)
}

func (s *Store) apply(ctx context.Context, all []Migration) (int, error) {
	if err := s.exec(ctx, createMigrations); err != nil {
		return 0, fmt.Errorf("make schema_migrations: %w", err)
	}
	applied := map[uint32]migrationRow{}
	rows, err := selectRows[migrationRow](ctx, s, selectMigrations)
	if err != nil {
		return 0, fmt.Errorf("read schema_migrations: %w", err)
	}
	known := map[uint32]bool{}
	for _, m := range all {
		known[m.Number] = true
	}
	for _, row := range rows {
		applied[row.Number] = row
		if !known[row.Number] {
			return 0, fmt.Errorf("the database has schema step %04d_%s, which this program does not know: it was migrated by a newer version; run that one", row.Number, row.Name)
		}
	}
	for _, m := range all {
		if row, ok := applied[m.Number]; ok && row.Checksum != m.Checksum {
			return 0, fmt.Errorf("schema step %04d_%s was applied on %s and has been edited since; put it back as it was and make the change in a new step",
				m.Number, m.Name, row.AppliedAt.UTC().Format(time.DateOnly))
		}
	}
	done := 0
	for _, m := range all {
		if _, ok := applied[m.Number]; ok {
			continue
		}
		statement, err := s.render(m)
		if err != nil {
			return done, err
		}
		if err := s.exec(ctx, statement); err != nil {
			return done, fmt.Errorf("apply schema step %04d_%s: %w", m.Number, m.Name, err)
		}
		row := migrationRow{Number: m.Number, Name: m.Name, Checksum: m.Checksum, AppliedAt: time.Now()}
		if err := insertRows(ctx, s, "schema_migrations", []migrationRow{row}); err != nil {
			return done, fmt.Errorf("note schema step %04d_%s: %w", m.Number, m.Name, err)
		}
		done++
		s.log.Debug("schema step applied", zap.Uint32("number", m.Number), zap.String("name", m.Name))
	}
	if done > 0 {
		s.log.Info("schema migrated", zap.Int("steps", done))
	}
	return done, nil
}

// render fills in the values a statement takes from the configuration.
func (s *Store) render(m Migration) (string, error) {
	t, err := template.New(m.Name).Option("missingkey=error").Parse(m.Statement)
	if err != nil {
		return "", fmt.Errorf("read schema step %04d_%s: %w", m.Number, m.Name, err)
	}
	var b strings.Builder
	if err := t.Execute(&b, map[string]int{"HeartbeatDays": s.config.HeartbeatDays}); err != nil {
		return "", fmt.Errorf("fill in schema step %04d_%s: %w", m.Number, m.Name, err)
	}
	return b.String(), nil
}
