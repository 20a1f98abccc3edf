package store_test

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"rollcall/services/fleet"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
)

// signal is one channel of a simulated pull: a level that a sweep moves, a
// roller-order ripple and noise, read in steps of an instrument. The sizes are
// common practice, no source.
type signal struct {
	channel                  string
	low, high, ripple, noise float64
	step                     float64 // resolution of the instrument
	coast                    bool    // falls again after the sweep
}

var signals = []signal{
	{"roller_speed", 10, 55, 0.02, 0.01, 0.001, true},
	{"roller_speed_rear", 10, 55, 0.02, 0.01, 0.001, true},
	{"load_cell", 400, 3500, 25, 12, 0.1, true},
	{"engine_speed", 150, 700, 0.5, 0.3, 0.1, true},
	{"air_pressure", 98000, 98020, 0, 3, 1, false},
	{"air_temperature", 294, 295, 0, 0.03, 0.01, false},
	{"relative_humidity", 0.45, 0.46, 0, 0.0005, 0.0001, false},
	{"intake_air_temperature", 296, 304, 0, 0.05, 0.1, false},
	{"pedal", 1, 1, 0, 0.001, 0.001, false},
	{"throttle_angle", 1.5, 1.5, 0, 0.002, 0.001, false},
	{"boost", 150000, 220000, 300, 500, 100, true},
	{"boost_set_point", 152000, 220000, 0, 0, 100, true},
	{"ignition_angle", 0.2, 0.5, 0, 0.01, 0.001, true},
	{"knock_retard", 0, 0.02, 0, 0.005, 0.001, false},
	{"lambda", 0.85, 0.88, 0, 0.01, 0.001, false},
	{"coolant_temperature", 358, 366, 0, 0.05, 0.1, false},
	{"oil_temperature", 363, 378, 0, 0.05, 0.1, false},
	{"tyre_temperature", 310, 340, 0, 0.3, 0.1, false},
	{"x_fuel_pressure", 4e5, 4.1e5, 0, 1500, 100, false},
	{"x_exhaust_temperature", 800, 1150, 0, 1.5, 1, true},
}

// simulate returns the blocks of one pull of seconds s at rate Hz, in blocks of
// at most per samples.
func simulate(rng *rand.Rand, pull string, seconds, rate float64, per int) []store.BlockRow {
	n := int(seconds * rate)
	var blocks []store.BlockRow
	for _, sg := range signals {
		counts := make([]int32, n)
		for i := range counts {
			t := float64(i) / rate
			x := t / (0.6 * seconds)
			if x > 1 {
				x = 1
				if sg.coast {
					x = 1 - (t-0.6*seconds)/(0.4*seconds)
				}
			}
			v := sg.low + (sg.high-sg.low)*x + sg.ripple*math.Sin(2*math.Pi*(3+12*x)*t) + sg.noise*rng.NormFloat64()
			counts[i] = int32(math.Round((v - sg.low) / sg.step))
		}
		for k := 0; k*per < n; k++ {
			part := counts[k*per : min((k+1)*per, n)]
			blocks = append(blocks, store.BlockRow{
				PullID: pull, CellID: "cell-1", Channel: sg.channel, BlockIndex: uint32(k), Start: float64(k*per) / rate, Step: 1 / rate,
				Scale: sg.step, Offset: sg.low, Counts: part, SampleCount: uint32(len(part)), CRC: uint32(k),
			})
		}
	}
	return blocks
}

func pullID(n int) string { return fmt.Sprintf("%032x", uint64(n)*0x9e3779b97f4a7c15) }

// BenchmarkAppend appends pulls of 15 s at 100 Hz with 20 channels, 16 pulls an
// Append, and says how many values a second become durable and how many bytes
// each takes on disk once merged.
func BenchmarkAppend(b *testing.B) {
	for _, pulls := range []int{1, 16, 64} {
		b.Run(fmt.Sprintf("pulls=%d", pulls), func(b *testing.B) {
			s := storetest.Open(b)
			rng := rand.New(rand.NewPCG(1, 2))
			var blocks []store.BlockRow
			for range pulls {
				blocks = append(blocks, simulate(rng, "", 15, 100, 2000)...)
			}
			values := 0
			for _, block := range blocks {
				values += len(block.Counts)
			}
			n, total := 0, 0
			b.ResetTimer()
			for b.Loop() {
				per := len(blocks) / pulls
				for i := range blocks {
					blocks[i].PullID = pullID(n*pulls + i/per)
				}
				if err := s.Append(b.Context(), store.Batch{Blocks: blocks}); err != nil {
					b.Fatal(err)
				}
				n++
				total += values
			}
			b.ReportMetric(float64(total)/b.Elapsed().Seconds(), "values/s")
			b.StopTimer()
			ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
			defer cancel()
			if err := s.Conn().Exec(ctx, "OPTIMIZE TABLE sample_blocks FINAL"); err != nil {
				b.Fatal(err)
			}
			var bytes uint64
			if err := s.Conn().QueryRow(ctx, "SELECT sum(bytes_on_disk) FROM system.parts WHERE active AND database = currentDatabase() AND table = 'sample_blocks'").Scan(&bytes); err != nil {
				b.Fatal(err)
			}
			b.ReportMetric(float64(bytes)/float64(total), "B/value")
		})
	}
}

// BenchmarkReadPull reads pulls of 15 s at 100 Hz with 20 channels, one at a
// time, from a table of 500.
func BenchmarkReadPull(b *testing.B) {
	s := storetest.Open(b)
	rng := rand.New(rand.NewPCG(1, 2))
	const pulls = 500
	at := time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
	for first := 0; first < pulls; first += 50 {
		var batch store.Batch
		for n := first; n < first+50; n++ {
			blocks := simulate(rng, pullID(n), 15, 100, 2000)
			batch.Blocks = append(batch.Blocks, blocks...)
			batch.Pulls = append(batch.Pulls, store.FromPull(fleet.Pull{ID: fleet.PullID(pullID(n)), Cell: "cell-1", Kind: fleet.KindPull, StartedAt: at.Add(time.Duration(n) * time.Minute)}, at))
			batch.Ends = append(batch.Ends, store.PullEndRow{PullID: pullID(n), CellID: "cell-1", Blocks: uint32(len(blocks))})
		}
		if err := s.Append(b.Context(), batch); err != nil {
			b.Fatal(err)
		}
	}
	for _, at := range []int{1, 30} {
		b.Run(fmt.Sprintf("at-once=%d", at), func(b *testing.B) {
			n := 0
			b.ReportAllocs()
			for b.Loop() {
				ids := make([]fleet.PullID, at)
				for i := range ids {
					ids[i] = fleet.PullID(pullID((n + i) % pulls))
				}
				raw, err := s.ReadPulls(b.Context(), ids)
				if err != nil {
					b.Fatal(err)
				}
				for _, r := range raw {
					if !r.HasBegin || !r.HasEnd || len(r.Blocks) != len(signals) || len(r.Blocks[0].Counts) != 1500 {
						b.Fatalf("%d blocks", len(r.Blocks))
					}
				}
				n += at
			}
			b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "pulls/s")
		})
	}
}

// BenchmarkCodecs says for each codec of sample_blocks.counts how many bytes a
// value takes and how long the engine takes to write and to read it.
func BenchmarkCodecs(b *testing.B) {
	s := storetest.Open(b)
	ctx := b.Context()
	rng := rand.New(rand.NewPCG(1, 2))
	const pulls = 64
	var blocks []store.BlockRow
	for n := range pulls {
		blocks = append(blocks, simulate(rng, pullID(n), 15, 100, 2000)...)
	}
	if err := s.Append(ctx, store.Batch{Blocks: blocks}); err != nil {
		b.Fatal(err)
	}
	values := float64(pulls * len(signals) * 1500)
	for i, codec := range []string{"T64, ZSTD(1)", "T64, ZSTD(3)", "T64, LZ4", "T64('bit'), ZSTD(1)", "Delta, ZSTD(1)", "Delta, T64, ZSTD(1)", "DoubleDelta, ZSTD(1)", "ZSTD(1)", "ZSTD(3)", "LZ4"} {
		b.Run(codec, func(b *testing.B) {
			table := fmt.Sprintf("codec_%d", i)
			for _, q := range []string{"DROP TABLE IF EXISTS " + table, "CREATE TABLE " + table + " (pull_id String, channel String, counts Array(Int32) CODEC(" + codec + ")) ENGINE = MergeTree ORDER BY (pull_id, channel) SETTINGS index_granularity = 32"} {
				if err := s.Conn().Exec(ctx, q); err != nil {
					b.Skipf("%s: %v", codec, err)
				}
			}
			var write, read time.Duration
			n := 0
			for b.Loop() {
				began := time.Now()
				if err := s.Conn().Exec(ctx, "INSERT INTO "+table+" SELECT pull_id, channel, counts FROM sample_blocks"); err != nil {
					b.Fatal(err)
				}
				write += time.Since(began)
				began = time.Now()
				if err := s.Conn().Exec(ctx, "SELECT sum(arraySum(counts)) FROM "+table); err != nil {
					b.Fatal(err)
				}
				read += time.Since(began)
				n++
				if n == 1 {
					var bytes uint64
					if err := s.Conn().QueryRow(ctx, "SELECT sum(data_compressed_bytes) FROM system.parts WHERE active AND database = currentDatabase() AND table = {table:String}", clickhouse.Named("table", table)).Scan(&bytes); err != nil {
						b.Fatal(err)
					}
					b.ReportMetric(float64(bytes)/values, "B/value")
				}
				b.StopTimer()
				if err := s.Conn().Exec(ctx, "TRUNCATE TABLE "+table); err != nil {
					b.Fatal(err)
				}
				b.StartTimer()
			}
			b.ReportMetric(float64(write.Milliseconds())/float64(n), "write-ms")
			b.ReportMetric(float64(read.Microseconds())/1000/float64(n), "read-ms")
		})
	}
}
