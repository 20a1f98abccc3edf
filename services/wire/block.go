package wire

import (
	"fmt"
	"math"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// Block is a run of samples of one channel.
type Block struct {
	Pull    fleet.PullID
	Cell    fleet.CellID
	Channel fleet.Channel
	Index   uint32
	// Start and Step are the uniform clock, s after the pull's start:
	// t[i] = Start + i·Step. Step is 0 when Times are given.
	Start, Step float64
	// Times are one for each sample, s after the pull's start, rising; empty
	// with a uniform clock.
	Times   Packed
	Samples Packed
	CRC     uint32 // BlockCRC of the message
}

// Sum returns what the pull's checksum needs to know of the block.
func (b Block) Sum() BlockSum {
	return BlockSum{Channel: b.Channel, BlockIndex: b.Index, CRC: b.CRC, Samples: uint32(b.Samples.Len())}
}

// FromSampleBlock validates and converts m, its checksum included. The numbers
// are shared with m, which must not be changed after.
func FromSampleBlock(m *pb.SampleBlock) (Block, error) {
	p := problems{message: "sample_block"}
	p.hash("pull_id", m.GetPullId())
	p.id("cell_id", "cell", m.GetCellId())
	p.channel("channel", m.GetChannel())
	if m.GetBlockIndex() >= MaxBlocks {
		p.add("block_index", "is %d; a channel has at most %d blocks", m.GetBlockIndex(), MaxBlocks)
	}
	b := Block{
		Pull: fleet.PullID(m.GetPullId()), Cell: fleet.CellID(m.GetCellId()), Channel: fleet.Channel(m.GetChannel()),
		Index: m.GetBlockIndex(), CRC: m.GetCrc32C(),
	}
	b.Samples = p.packed("samples", m.GetSamples(), MaxMagnitude)
	switch clock := m.GetClock().(type) {
	case *pb.SampleBlock_Uniform:
		b.Start, b.Step = clock.Uniform.GetStartS(), clock.Uniform.GetStepS()
		p.uniform(b.Start, b.Step, b.Samples.Len())
	case *pb.SampleBlock_Times:
		before := len(p.found)
		b.Times = p.packed("times", clock.Times, MaxPullSeconds)
		if len(p.found) == before {
			p.rising(b.Times, b.Samples.Len())
		}
	default:
		p.add("clock", "is missing; give uniform or times")
	}
	if len(p.found) == 0 {
		if crc := BlockCRC(m); crc != m.GetCrc32C() {
			p.add("crc32c", "is %08x, but the numbers that arrived give %08x; the block was damaged after it was made, make it again from its file", m.GetCrc32C(), crc)
		}
	}
	if err := p.err(); err != nil {
		return Block{}, err
	}
	return b, nil
}

// packed checks that m holds numbers, one kind of them only, all finite and
// none larger in size than limit.
func (p *problems) packed(field string, m *pb.Packed, limit float64) Packed {
	counts, values := m.GetCounts(), m.GetValues()
	switch n := max(len(counts), len(values)); {
	case n == 0:
		p.add(field, "is empty; send a block only with samples")
		return Packed{}
	case len(counts) > 0 && len(values) > 0:
		p.add(field, "has %d counts and %d values; fill one of them only", len(counts), len(values))
		return Packed{}
	case n > MaxBlockSamples:
		p.add(field, "has %d numbers; split it into blocks of at most %d", n, MaxBlockSamples)
		return Packed{}
	}
	scale, offset := m.GetScale(), m.GetOffset()
	if len(values) > 0 {
		if scale != 0 || offset != 0 {
			p.add(field, "has scale %g and offset %g with values; leave both out, or send counts", scale, offset)
		}
		for i, v := range values {
			// NaN fails the comparison too.
			if !(math.Abs(v) <= limit) {
				p.sample(fmt.Sprintf("%s.values[%d]", field, i), v, limit)
				break
			}
		}
		return Packed{Values: values}
	}
	if !(math.Abs(scale) > 0 && math.Abs(scale) <= limit) {
		p.add(field+".scale", "is %v; with counts it has to be finite and not 0", scale)
		return Packed{}
	}
	if !(math.Abs(offset) <= limit) {
		p.add(field+".offset", "is %v; it has to be finite and at most %g in size", offset, limit)
		return Packed{}
	}
	packed := Packed{Scale: scale, Offset: offset, Counts: counts}
	if math.Abs(offset)+math.Abs(scale)*(1<<31) > limit {
		for i := range counts {
			if v := packed.At(i); !(math.Abs(v) <= limit) {
				p.sample(fmt.Sprintf("%s.counts[%d]", field, i), v, limit)
				break
			}
		}
	}
	return packed
}

func (p *problems) sample(field string, v, limit float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		p.add(field, "is %v; leave out samples that were not measured and give the others their times", v)
		return
	}
	p.add(field, "is %g, more than %g in size; check the unit of the column", v, limit)
}

func (p *problems) uniform(start, step float64, n int) {
	// NaN fails the comparisons too.
	switch end := start + float64(n)*step; {
	case !(start >= 0 && start <= MaxPullSeconds):
		p.add("uniform.start_s", "is %v; it counts from the pull's started_at, 0 … %g s", start, MaxPullSeconds)
	case !(step > 0 && step <= MaxPullSeconds):
		p.add("uniform.step_s", "is %v; it has to be above 0", step)
	case end > MaxPullSeconds+step:
		p.add("uniform.step_s", "is %g, the block would end %g s after the pull's start; a pull is shorter than a day", step, end)
	// A step above the spacing of floats at the end keeps all times apart.
	case math.Nextafter(end, math.Inf(1))-end >= step:
		p.add("uniform.step_s", "is %g, too small for times near %g s to differ", step, start)
	}
}

func (p *problems) rising(times Packed, samples int) {
	if times.Len() != samples {
		p.add("times", "has %d times for %d samples; give one for each", times.Len(), samples)
		return
	}
	last := math.Inf(-1)
	for i := range times.Len() {
		t := times.At(i)
		if t < 0 {
			p.add(fmt.Sprintf("times[%d]", i), "is %g s; times count from the pull's started_at, the first sample, and are not negative", t)
			return
		}
		if t <= last {
			p.add(fmt.Sprintf("times[%d]", i), "is %v s after %v s; times have to rise from sample to sample", t, last)
			return
		}
		last = t
	}
}

// ToSampleBlock returns b as its message; its checksum is computed anew. The
// numbers are shared.
func ToSampleBlock(b Block) *pb.SampleBlock {
	m := &pb.SampleBlock{
		PullId: string(b.Pull), CellId: string(b.Cell), Channel: string(b.Channel), BlockIndex: b.Index,
		Samples: ToPacked(b.Samples),
	}
	if b.Times.Len() > 0 {
		m.Clock = &pb.SampleBlock_Times{Times: ToPacked(b.Times)}
	} else {
		m.Clock = &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StartS: b.Start, StepS: b.Step}}
	}
	m.Crc32C = BlockCRC(m)
	return m
}
