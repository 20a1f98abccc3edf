package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"time"
)

// key is a time as part of a row's key.
func key(t time.Time) string { return strconv.FormatInt(t.UnixNano(), 10) }

// replaceRows makes rows the whole of what readers of a table see: rows that are
// there and not among them get a tombstone. It is one insert.
func replaceRows[T any](ctx context.Context, s *Store, table string, rows []T, key func(*T) string, setPresent func(*T, uint8)) error {
	there, err := selectRows[T](ctx, s, "SELECT "+columnsOf[T]()+" FROM "+table+" FINAL WHERE present = 1")
	if err != nil {
		return fmt.Errorf("read %s: %w", table, err)
	}
	wanted := make(map[string]bool, len(rows))
	all := make([]T, 0, len(rows))
	for _, row := range rows {
		setPresent(&row, 1)
		wanted[key(&row)] = true
		all = append(all, row)
	}
	for _, row := range there {
		if !wanted[key(&row)] {
			setPresent(&row, 0)
			all = append(all, row)
		}
	}
	return insertRows(ctx, s, table, all)
}

// computedTables are the tables that can be rebuilt, with their sort keys and
// columns; those with tombstones say so.
var computedTables = []struct {
	name, key, columns string
	tombstones         bool
}{
	{"curves", "cell_id, started_at, pull_id", columnsOf[CurveRow](), false},
	{"check_results", "cell_id, performed_at, check_id", columnsOf[CheckResultRow](), false},
	{"coastdown_results", "cell_id, started_at, pull_id", columnsOf[CoastDownRow](), false},
	{"runs", "cell_id, car_id, run_id", columnsOf[RunRow](), false},
	{"estimates", "cell_id, at, run_id", columnsOf[EstimateRow](), true},
	{"car_estimates", "car_id, at, run_id", columnsOf[CarEstimateRow](), true},
	{"flags", "flag_id", columnsOf[FlagRow](), true},
	{"touched_pulls", "flag_id, started_at, pull_id", columnsOf[TouchedRow](), true},
}

// ClearComputed empties every computed table.
func (s *Store) ClearComputed(ctx context.Context) error {
	// The results that others are computed from go last: a program that stops
	// between two statements finds everything to be computed again.
	for i := len(computedTables) - 1; i >= 0; i-- {
		if err := s.exec(ctx, "TRUNCATE TABLE "+computedTables[i].name); err != nil {
			return fmt.Errorf("empty %s: %w", computedTables[i].name, err)
		}
	}
	return nil
}

// Dump is what a computed table holds, as far as a reader can tell.
type Dump struct {
	Table string
	Rows  int
	// SHA256 is over all columns of all rows in the order of the table's key,
	// each column's bytes as ClickHouse writes them (RowBinary), hexadecimal.
	SHA256 string
}

// DumpComputed returns what each computed table holds: two dumps are equal when
// every value of every row is the same to the last bit.
func (s *Store) DumpComputed(ctx context.Context) ([]Dump, error) {
	var dumps []Dump
	for _, t := range computedTables {
		where := ""
		if t.tombstones {
			where = " WHERE present = 1"
		}
		query := "SELECT SHA256(formatRow('RowBinary', " + t.columns + ")) FROM " + t.name + " FINAL" + where + " ORDER BY " + t.key
		dump, err := s.dump(ctx, query)
		if err != nil {
			return nil, fmt.Errorf("dump %s: %w", t.name, err)
		}
		dump.Table = t.name
		dumps = append(dumps, dump)
	}
	return dumps, nil
}

func (s *Store) dump(ctx context.Context, query string) (Dump, error) {
	ctx, cancel := s.deadline(ctx)
	defer cancel()
	rows, err := s.conn.Query(ctx, query)
	if err != nil {
		return Dump{}, classify(err)
	}
	defer rows.Close()
	var d Dump
	h := sha256.New()
	for rows.Next() {
		var sum string
		if err := rows.Scan(&sum); err != nil {
			return Dump{}, err
		}
		h.Write([]byte(sum))
		d.Rows++
	}
	if err := rows.Err(); err != nil {
		return Dump{}, classify(err)
	}
	d.SHA256 = hex.EncodeToString(h.Sum(nil))
	return d, nil
}
