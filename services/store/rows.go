package store

import (
	"context"
	"fmt"
	"reflect"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"rollcall/services/fleet"
)

// columnsOf returns the columns of a row struct, from its ch tags, with commas
// between: a table's columns are written down once, there.
func columnsOf[T any]() string {
	return columnsWhere[T](func(string, reflect.Type) bool { return true })
}

// columnsWhere is columnsOf with those columns only that keep says yes to.
func columnsWhere[T any](keep func(column string, t reflect.Type) bool) string {
	t := reflect.TypeFor[T]()
	var names []string
	for i := range t.NumField() {
		name := t.Field(i).Tag.Get("ch")
		if name == "" {
			panic("store: field " + t.Name() + "." + t.Field(i).Name + " has no ch tag")
		}
		if keep(name, t.Field(i).Type) {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
}

// exec runs a statement that returns nothing.
func (s *Store) exec(ctx context.Context, statement string, args ...any) error {
	ctx, cancel := s.deadline(ctx)
	defer cancel()
	return classify(s.conn.Exec(ctx, statement, args...))
}

// selectRows runs a query whose columns are T's.
func selectRows[T any](ctx context.Context, s *Store, query string, args ...any) ([]T, error) {
	ctx, cancel := s.deadline(ctx)
	defer cancel()
	var rows []T
	if err := s.conn.Select(ctx, &rows, query, args...); err != nil {
		return nil, classify(err)
	}
	return rows, nil
}

// insertRows inserts rows as one insert, which is durable when it returns nil.
// The table's name is the program's own, never a caller's.
func insertRows[T any](ctx context.Context, s *Store, table string, rows []T) error {
	return insertWith(ctx, s, table, rows, func(batch driver.Batch) error {
		for i := range rows {
			if err := batch.AppendStruct(&rows[i]); err != nil {
				return fmt.Errorf("row %d: %w", i, err)
			}
		}
		return nil
	})
}

// insertWith is insertRows with the way the rows get into the batch.
func insertWith[T any](ctx context.Context, s *Store, table string, rows []T, fill func(driver.Batch) error) error {
	if len(rows) == 0 {
		return nil
	}
	ctx, cancel := s.deadline(ctx)
	defer cancel()
	// The driver watches the context of a batch for a moment longer than it
	// sends, and closes the connection when it sees it end, also when the
	// connection is somebody else's again. So it is given one whose end it sees
	// only until the batch is sent.
	watched, end := context.WithCancel(context.WithoutCancel(ctx))
	defer context.AfterFunc(ctx, end)()
	fail := func(err error) error {
		if ended := ctx.Err(); ended != nil {
			err = ended
		}
		return fmt.Errorf("insert into %s: %w", table, classify(err))
	}
	batch, err := s.conn.PrepareBatch(watched, "INSERT INTO "+table+" ("+columnsOf[T]()+")")
	if err != nil {
		return fail(err)
	}
	defer batch.Close()
	if err := fill(batch); err != nil {
		return fail(err)
	}
	if err := batch.Send(); err != nil {
		return fail(err)
	}
	return nil
}

// Filter narrows a list. Its zero value narrows nothing.
type Filter struct {
	// Cells are those wanted; nil: all; empty but not nil: none.
	Cells []fleet.CellID
	// Car is the reference car wanted; empty: all and none.
	Car fleet.CarID
	// From and Until bound the time, From included, Until not; zero: open.
	From, Until time.Time
	// Limit is the most rows, newest first; 0: DefaultLimit.
	Limit int
}

// DefaultLimit is how many rows a list has at most where nothing is said.
const DefaultLimit = 1000

// args are the parameters the filter conditions take. The earliest and latest
// times are those of DateTime64(9).
func (f Filter) args() []any {
	from, until := int64(-1<<63), int64(1<<63-1)
	if !f.From.IsZero() {
		from = f.From.UnixNano()
	}
	if !f.Until.IsZero() {
		until = f.Until.UnixNano()
	}
	limit := f.Limit
	if limit <= 0 {
		limit = DefaultLimit
	}
	cells := make([]string, len(f.Cells))
	for i, c := range f.Cells {
		cells[i] = string(c)
	}
	return []any{
		clickhouse.Named("all_cells", boolean(f.Cells == nil)), clickhouse.Named("cells", cells), clickhouse.Named("car", string(f.Car)),
		clickhouse.Named("from", from), clickhouse.Named("until", until), clickhouse.Named("limit", uint64(limit)),
	}
}

func boolean(b bool) uint8 {
	if b {
		return 1
	}
	return 0
}
