package store

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"

	"github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"
	"github.com/ClickHouse/clickhouse-go/v2/lib/column"
	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"rollcall/services/fleet"
	"rollcall/services/wire"
)

// BlockRow is a row of sample_blocks.
type BlockRow struct {
	PullID      string    `ch:"pull_id"`
	CellID      string    `ch:"cell_id"`
	Channel     string    `ch:"channel"`
	BlockIndex  uint32    `ch:"block_index"`
	Start       float64   `ch:"start_s"` // s
	Step        float64   `ch:"step_s"`  // s
	TimesScale  float64   `ch:"times_scale"`
	TimesOffset float64   `ch:"times_offset"`
	TimesCounts []int32   `ch:"times_counts"`
	TimesValues []float64 `ch:"times_values"`
	Scale       float64   `ch:"scale"`
	Offset      float64   `ch:"offset"`
	Counts      []int32   `ch:"counts"`
	Values      []float64 `ch:"values"`
	SampleCount uint32    `ch:"sample_count"`
	CRC         uint32    `ch:"crc32c"`
}

// FromBlock returns b as a row; the numbers are shared.
func FromBlock(b wire.Block) BlockRow {
	return BlockRow{
		PullID: string(b.Pull), CellID: string(b.Cell), Channel: string(b.Channel), BlockIndex: b.Index,
		Start: b.Start, Step: b.Step,
		TimesScale: b.Times.Scale, TimesOffset: b.Times.Offset, TimesCounts: b.Times.Counts, TimesValues: b.Times.Values,
		Scale: b.Samples.Scale, Offset: b.Samples.Offset, Counts: b.Samples.Counts, Values: b.Samples.Values,
		SampleCount: uint32(b.Samples.Len()), CRC: b.CRC,
	}
}

// Block returns the row as what it is of; the numbers are shared.
func (r BlockRow) Block() wire.Block {
	return wire.Block{
		Pull: fleet.PullID(r.PullID), Cell: fleet.CellID(r.CellID), Channel: fleet.Channel(r.Channel), Index: r.BlockIndex,
		Start: r.Start, Step: r.Step,
		Times:   wire.Packed{Scale: r.TimesScale, Offset: r.TimesOffset, Counts: r.TimesCounts, Values: r.TimesValues},
		Samples: wire.Packed{Scale: r.Scale, Offset: r.Offset, Counts: r.Counts, Values: r.Values},
		CRC:     r.CRC,
	}
}

// insertBlocks is insertRows for blocks, a column at a time. Arrays go in as the
// bytes the protocol carries them as, in one piece: the client takes an array one
// value at a time, each through an interface, which was two thirds of the time
// an insert cost it.
func insertBlocks(ctx context.Context, s *Store, rows []BlockRow) error {
	return insertWith(ctx, s, "sample_blocks", rows, func(batch driver.Batch) error {
		columns := batch.Columns()
		for i := range reflect.TypeFor[BlockRow]().NumField() {
			if err := appendColumn(columns[i], rows, i); err != nil {
				return fmt.Errorf("column %s: %w", columns[i].Name(), err)
			}
		}
		return nil
	})
}

// appendColumn appends field i of every row to its column.
func appendColumn(c column.Interface, rows []BlockRow, i int) error {
	field := func(k int) any { return reflect.ValueOf(&rows[k]).Elem().Field(i).Interface() }
	switch field(0).(type) {
	case []int32:
		return decodeArrays(c, rows, func(k int) int { return len(field(k).([]int32)) }, func(dst []byte, k int) []byte {
			for _, x := range field(k).([]int32) {
				dst = binary.LittleEndian.AppendUint32(dst, uint32(x))
			}
			return dst
		})
	case []float64:
		return decodeArrays(c, rows, func(k int) int { return len(field(k).([]float64)) }, func(dst []byte, k int) []byte {
			for _, x := range field(k).([]float64) {
				dst = binary.LittleEndian.AppendUint64(dst, math.Float64bits(x))
			}
			return dst
		})
	}
	for k := range rows {
		if err := c.AppendRow(field(k)); err != nil {
			return err
		}
	}
	return nil
}

// decodeArrays appends an array for each row to an empty column: the end of
// each array among all values (UInt64), then the values, size bytes each,
// little-endian. Source: ClickHouse documentation, "Native format" (from memory).
func decodeArrays(c column.Interface, rows []BlockRow, length func(row int) int, values func(dst []byte, row int) []byte) error {
	ends := make([]byte, 0, 8*len(rows))
	total := 0
	for k := range rows {
		total += length(k)
		ends = binary.LittleEndian.AppendUint64(ends, uint64(total))
	}
	image := &arrayImage{pending: ends, rows: len(rows), values: values}
	if err := c.Decode(proto.NewReader(image), len(rows)); err != nil {
		return fmt.Errorf("append %d arrays of %d values: %w", len(rows), total, err)
	}
	return nil
}

// arrayImage reads as a column of arrays.
type arrayImage struct {
	pending []byte
	row     int
	rows    int
	values  func(dst []byte, row int) []byte
	buffer  []byte
}

func (a *arrayImage) Read(p []byte) (int, error) {
	for len(a.pending) == 0 {
		if a.row == a.rows {
			return 0, io.EOF
		}
		a.buffer = a.values(a.buffer[:0], a.row)
		a.pending = a.buffer
		a.row++
	}
	n := copy(p, a.pending)
	a.pending = a.pending[n:]
	return n, nil
}

// Arrays are read as the bytes ClickHouse writes them as (RowBinary), four to a
// row, because the client decodes an array one value at a time by reflection: the
// counts of a pull of 30 000 values took 9.6 ms as arrays and 5.7 ms so.
const selectBlocks = `SELECT pull_id, cell_id, channel, block_index, start_s, step_s, times_scale, times_offset, scale, offset, crc32c,
	formatRow('RowBinary', times_counts, times_values, counts, values) AS arrays
FROM sample_blocks FINAL WHERE pull_id IN {pulls:Array(String)} ORDER BY pull_id, channel, block_index`

// readBlocks returns the blocks of pulls, by channel and index.
func (s *Store) readBlocks(ctx context.Context, ids []string) (map[string][]BlockRow, error) {
	ctx, cancel := s.deadline(ctx)
	defer cancel()
	rows, err := s.conn.Query(ctx, selectBlocks, clickhouse.Named("pulls", ids))
	if err != nil {
		return nil, classify(err)
	}
	defer rows.Close()
	blocks := map[string][]BlockRow{}
	for rows.Next() {
		var r BlockRow
		var arrays string
		err := rows.Scan(&r.PullID, &r.CellID, &r.Channel, &r.BlockIndex, &r.Start, &r.Step, &r.TimesScale, &r.TimesOffset, &r.Scale, &r.Offset, &r.CRC, &arrays)
		if err != nil {
			return nil, fmt.Errorf("read a block: %w", err)
		}
		if err := r.setArrays(arrays); err != nil {
			return nil, fmt.Errorf("read block %d of %s of pull %s: %w", r.BlockIndex, r.Channel, r.PullID, err)
		}
		r.SampleCount = uint32(max(len(r.Counts), len(r.Values)))
		blocks[r.PullID] = append(blocks[r.PullID], r)
	}
	if err := rows.Err(); err != nil {
		return nil, classify(err)
	}
	return blocks, nil
}

// setArrays fills the row's four arrays from their RowBinary image: each is its
// length (unsigned LEB128), then its numbers, little-endian. Source: ClickHouse
// documentation, "RowBinary" (from memory).
func (r *BlockRow) setArrays(data string) error {
	var err error
	if r.TimesCounts, data, err = takeCounts(data); err != nil {
		return err
	}
	if r.TimesValues, data, err = takeValues(data); err != nil {
		return err
	}
	if r.Counts, data, err = takeCounts(data); err != nil {
		return err
	}
	if r.Values, data, err = takeValues(data); err != nil {
		return err
	}
	if data != "" {
		return fmt.Errorf("%d bytes are left over", len(data))
	}
	return nil
}

var errCutShort = errors.New("the array is cut short")

func takeCounts(data string) ([]int32, string, error) {
	n, data, err := takeLength(data, 4)
	if n == 0 || err != nil {
		return nil, data, err
	}
	counts := make([]int32, n)
	for i := range counts {
		b := data[4*i : 4*i+4]
		counts[i] = int32(uint32(b[0]) | uint32(b[1])<<8 | uint32(b[2])<<16 | uint32(b[3])<<24)
	}
	return counts, data[4*n:], nil
}

func takeValues(data string) ([]float64, string, error) {
	n, data, err := takeLength(data, 8)
	if n == 0 || err != nil {
		return nil, data, err
	}
	values := make([]float64, n)
	for i := range values {
		b := data[8*i : 8*i+8]
		values[i] = math.Float64frombits(uint64(b[0]) | uint64(b[1])<<8 | uint64(b[2])<<16 | uint64(b[3])<<24 |
			uint64(b[4])<<32 | uint64(b[5])<<40 | uint64(b[6])<<48 | uint64(b[7])<<56)
	}
	return values, data[8*n:], nil
}

// takeLength takes an array's length and makes sure that its numbers, size
// bytes each, follow.
func takeLength(data string, size int) (int, string, error) {
	var n uint64
	for shift := 0; ; shift += 7 {
		if data == "" || shift > 35 {
			return 0, "", errCutShort
		}
		b := data[0]
		data = data[1:]
		n |= uint64(b&0x7f) << shift
		if b < 0x80 {
			break
		}
	}
	if n > uint64(len(data)/size) {
		return 0, "", errCutShort
	}
	return int(n), data, nil
}
