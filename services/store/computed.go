package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"time"
)

// key is a time as part of a row's key.
func key(t time.Time) string { return strconv.FormatInt(t.UnixNano(), 10) }

// replaceRows makes rows the whole of what readers of a table see: rows that are
// there and not among them get a tombstone. It is one insert, of what differs
// from what is there.
func replaceRows[T any](ctx context.Context, s *Store, table string, rows []T, key func(*T) string, setPresent func(*T, uint8)) error {
	there, err := selectRows[T](ctx, s, "SELECT "+columnsOf[T]()+" FROM "+table+" FINAL WHERE present = 1")
	if err != nil {
		return fmt.Errorf("read %s: %w", table, err)
	}
	return replaceThere(ctx, s, table, there, rows, key, setPresent)
}

// replaceThere is replaceRows of a part of a table: there are the rows that
// readers see of it.
func replaceThere[T any](ctx context.Context, s *Store, table string, there, rows []T, key func(*T) string, setPresent func(*T, uint8)) error {
	old := make(map[string]*T, len(there))
	for i := range there {
		old[key(&there[i])] = &there[i]
	}
	var changed []T
	for _, row := range rows {
		setPresent(&row, 1)
		k := key(&row)
		before := old[k]
		delete(old, k)
		if before == nil || !sameRow(before, &row) {
			changed = append(changed, row)
		}
	}
	for i := range there {
		if old[key(&there[i])] != nil {
			setPresent(&there[i], 0)
			changed = append(changed, there[i])
		}
	}
	return insertRows(ctx, s, table, changed)
}

// sameRow says whether two rows hold the same: times by their moment, an empty
// array like an absent one, numbers to the last bit.
func sameRow[T any](a, b *T) bool {
	x, y := reflect.ValueOf(a).Elem(), reflect.ValueOf(b).Elem()
	for i := range x.NumField() {
		if !sameValue(x.Field(i), y.Field(i)) {
			return false
		}
	}
	return true
}

func sameValue(x, y reflect.Value) bool {
	if t, ok := x.Interface().(time.Time); ok {
		return t.Equal(y.Interface().(time.Time))
	}
	switch x.Kind() {
	case reflect.Pointer:
		if x.IsNil() || y.IsNil() {
			return x.IsNil() == y.IsNil()
		}
		return sameValue(x.Elem(), y.Elem())
	case reflect.Slice:
		if x.Len() != y.Len() {
			return false
		}
		for i := range x.Len() {
			if !sameValue(x.Index(i), y.Index(i)) {
				return false
			}
		}
		return true
	case reflect.Float64:
		return math.Float64bits(x.Float()) == math.Float64bits(y.Float())
	default:
		return x.Equal(y)
	}
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
	{"neighbour_findings", "cell_id, started_at, pull_id", columnsOf[NeighbourRow](), true},
	{"touched_pulls", "flag_id, started_at, pull_id", columnsOf[TouchedRow](), true},
	{"epochs", "cell_id, of, since, epoch", columnsOf[EpochRow](), true},
	{"check_intervals", "cell_id, of", columnsOf[IntervalRow](), true},
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
