package store

import (
	"context"

	"github.com/ClickHouse/clickhouse-go/v2"

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

var selectBlocks = "SELECT " + columnsOf[BlockRow]() + " FROM sample_blocks FINAL WHERE pull_id = {pull:String} ORDER BY channel, block_index"

func (s *Store) readBlocks(ctx context.Context, id fleet.PullID) ([]BlockRow, error) {
	return selectRows[BlockRow](ctx, s, selectBlocks, clickhouse.Named("pull", string(id)))
}
