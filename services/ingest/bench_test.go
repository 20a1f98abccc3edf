package ingest

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
	"rollcall/services/rpc"
	"rollcall/services/store"
	"rollcall/services/store/storetest"
	"rollcall/services/wire"
)

// The shape of a benchmark pull: 20 channels at 100 Hz for 15 s, as counts, in
// blocks of a whole channel; and one sampled faster, in larger blocks.
const benchChannels = 20

// benchCounts returns a smooth signal with noise of a few counts.
func benchCounts(n int, seed uint64) []int32 {
	random := rand.New(rand.NewPCG(seed, 1))
	counts := make([]int32, n)
	for i := range counts {
		counts[i] = int32(20000*math.Sin(float64(i)/300) + 10*random.NormFloat64())
	}
	return counts
}

// benchPulls hands out pulls with ids never used before.
type benchPulls struct {
	samples  int
	channels []fleet.Channel
	counts   [][]int32
	next     atomic.Int64
}

func newBenchPulls(samples int) *benchPulls {
	p := &benchPulls{samples: samples}
	for i := range benchChannels {
		p.channels = append(p.channels, fleet.Channel(fmt.Sprintf("x_%02d", i)))
		p.counts = append(p.counts, benchCounts(samples, uint64(i)))
	}
	return p
}

func (p *benchPulls) values() int { return p.samples * benchChannels }

func (p *benchPulls) blocks() []wire.Block {
	id := fleet.PullID(hashOf(fmt.Sprintf("bench %d %d", p.samples, p.next.Add(1))))
	blocks := make([]wire.Block, benchChannels)
	for i, c := range p.channels {
		blocks[i] = wire.Block{Pull: id, Cell: "north-1", Channel: c, Step: 0.01, Samples: wire.Packed{Scale: 0.25, Counts: p.counts[i]}}
	}
	return blocks
}

// messages returns a pull ready to be sent, sequences from first on.
func (p *benchPulls) messages(first uint64) []*pb.StreamRequest {
	blocks := p.blocks()
	begin := fleet.Pull{ID: blocks[0].Pull, Cell: "north-1", Kind: fleet.KindPull, StartedAt: startedAt, Channels: p.channels}
	out := []*pb.StreamRequest{{Body: &pb.StreamRequest_PullBegin{PullBegin: wire.ToPullBegin(begin)}}}
	var sums []wire.BlockSum
	for _, b := range blocks {
		m := wire.ToSampleBlock(b)
		b.CRC = m.Crc32C
		sums = append(sums, b.Sum())
		out = append(out, &pb.StreamRequest{Body: &pb.StreamRequest_SampleBlock{SampleBlock: m}})
	}
	out = append(out, &pb.StreamRequest{Body: &pb.StreamRequest_PullEnd{PullEnd: wire.ToPullEnd(wire.NewEnd(begin.ID, begin.Cell, sums))}})
	for i, m := range out {
		m.Sequence = first + uint64(i)
	}
	return out
}

// cpuSeconds returns the processor time this process has used: steadier than
// the clock on a busy machine. It holds client and service, not the engine.
func cpuSeconds(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// report gives values a second, and processor time a value.
func report(b *testing.B, values int, cpuBefore float64) {
	b.ReportMetric(float64(values)/b.Elapsed().Seconds(), "values/s")
	b.ReportMetric((cpuSeconds(b)-cpuBefore)*1e9/float64(values), "cpu-ns/value")
}

// BenchmarkDirect inserts the blocks of pulls straight from memory through
// clickhouse-go, some pulls an insert: what ingest is measured against.
func BenchmarkDirect(b *testing.B) {
	for _, shape := range []struct{ samples, pulls int }{{1500, 1}, {1500, 130}, {10000, 1}, {10000, 20}} {
		samples := shape.samples
		b.Run(fmt.Sprintf("samples=%d/pulls=%d", samples, shape.pulls), func(b *testing.B) {
			st := storetest.Open(b)
			pulls := newBenchPulls(samples)
			ctx := context.Background()
			insert := func() {
				batch, err := st.Conn().PrepareBatch(ctx, `INSERT INTO sample_blocks (pull_id, cell_id, channel, block_index, start_s, step_s,
					times_scale, times_offset, times_counts, times_values, scale, offset, counts, values, sample_count, crc32c)`)
				if err != nil {
					b.Fatal(err)
				}
				defer batch.Close()
				var rows []store.BlockRow
				for range shape.pulls {
					for _, block := range pulls.blocks() {
						rows = append(rows, store.FromBlock(block))
					}
				}
				for _, r := range rows {
					if err := batch.Append(r.PullID, r.CellID, r.Channel, r.BlockIndex, r.Start, r.Step,
						r.TimesScale, r.TimesOffset, r.TimesCounts, r.TimesValues, r.Scale, r.Offset, r.Counts, r.Values, r.SampleCount, r.CRC); err != nil {
						b.Fatal(err)
					}
				}
				if err := batch.Send(); err != nil {
					b.Fatal(err)
				}
			}
			insert()
			before := cpuSeconds(b)
			for b.Loop() {
				insert()
			}
			report(b, shape.pulls*pulls.values()*b.N, before)
		})
	}
}

// BenchmarkIngest sends pulls over loopback gRPC from one stream in this
// process, and counts them when their answers are in.
func BenchmarkIngest(b *testing.B) {
	for _, shape := range []struct{ samples, committers int }{{1500, 1}, {1500, 2}, {10000, 1}, {10000, 2}} {
		samples := shape.samples
		b.Run(fmt.Sprintf("samples=%d/committers=%d", samples, shape.committers), func(b *testing.B) {
			s := start(b, storetest.Open(b), func(c *Config, _ *rpc.Config) { c.Committers = shape.committers })
			pulls := newBenchPulls(samples)
			conn, err := grpc.NewClient("passthrough:///"+s.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
			if err != nil {
				b.Fatal(err)
			}
			defer conn.Close()
			ctx, cancel := context.WithCancel(context.Background())
			defer cancel()
			stream, err := pb.NewIngestServiceClient(conn).Stream(ctx)
			if err != nil {
				b.Fatal(err)
			}
			send := func(m *pb.StreamRequest) {
				if err := stream.Send(m); err != nil {
					b.Error(err)
				}
			}
			receive := func(n int) {
				for range n {
					if answer, err := stream.Recv(); err != nil || answer.Code != pb.Code_CODE_OK {
						b.Fatalf("%v, %v", answer, err)
					}
				}
			}
			send(&pb.StreamRequest{Body: &pb.StreamRequest_Hello{Hello: wire.ToHello(wire.Hello{Cell: "north-1", SentAt: time.Now()})}})
			receive(1)
			const perPull = benchChannels + 2
			// As many pulls are under way as an agent's window would hold.
			window := make(chan struct{}, 64)
			go func() {
				sequence := uint64(1)
				for range b.N {
					window <- struct{}{}
					for _, m := range pulls.messages(sequence) {
						send(m)
					}
					sequence += perPull
				}
			}()
			// Not b.Loop: the answers to the last pulls belong to the time.
			b.ResetTimer()
			before := cpuSeconds(b)
			for range b.N {
				receive(perPull)
				<-window
			}
			b.StopTimer()
			report(b, pulls.values()*b.N, before)
		})
	}
}

// BenchmarkDecode is the part of a block's way that is before the queue:
// unmarshalling, validation, checksum.
func BenchmarkDecode(b *testing.B) {
	m := newBenchPulls(10000).messages(1)[1]
	bytes, err := proto.Marshal(m)
	if err != nil {
		b.Fatal(err)
	}
	s := &Server{registry: registry, now: time.Now}
	st := &stream{cell: "north-1"}
	b.ReportAllocs()
	for b.Loop() {
		var got pb.StreamRequest
		if err := proto.Unmarshal(bytes, &got); err != nil {
			b.Fatal(err)
		}
		if it := s.take(st, &got); it.done != nil {
			b.Fatal(it.reason)
		}
	}
	b.ReportMetric(10000*float64(b.N)/b.Elapsed().Seconds(), "values/s")
}
