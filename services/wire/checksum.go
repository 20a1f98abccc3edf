package wire

import (
	"cmp"
	"encoding/binary"
	"hash/crc32"
	"math"
	"slices"
	"sync"

	pb "rollcall/proto/rollcall/v1"
	"rollcall/services/fleet"
)

// castagnoli is the table of CRC-32C (polynomial 1EDC6F41 hex, RFC 3720
// appendix B.4).
var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// crcBuffers hold numbers on their way into the CRC, which takes bytes only.
var crcBuffers = sync.Pool{New: func() any { return new([8192]byte) }}

// BlockCRC returns the CRC-32C of a block's numbers: the samples first, then
// the clock. All are little-endian; a float is its IEEE 754 binary64 image.
//
//	samples:  scale (float64) offset (float64) then each count (int32)
//	          or each value (float64)
//	clock:    uniform: start_s (float64) step_s (float64)
//	          times:   as samples
//	          none:    nothing
//
// A missing samples or times message counts as one with every field zero. The
// block's names and numbers (pull, channel, index) are not in it; PullChecksum
// covers those.
func BlockCRC(b *pb.SampleBlock) uint32 {
	buffer := crcBuffers.Get().(*[8192]byte)
	defer crcBuffers.Put(buffer)
	crc := updatePacked(0, buffer[:], b.GetSamples())
	switch clock := b.GetClock().(type) {
	case *pb.SampleBlock_Uniform:
		crc = updateFloats(crc, buffer[:], clock.Uniform.GetStartS(), clock.Uniform.GetStepS())
	case *pb.SampleBlock_Times:
		crc = updatePacked(crc, buffer[:], clock.Times)
	}
	return crc
}

func updatePacked(crc uint32, buffer []byte, p *pb.Packed) uint32 {
	crc = updateFloats(crc, buffer, p.GetScale(), p.GetOffset())
	for counts := p.GetCounts(); len(counts) > 0; {
		n := min(len(counts), len(buffer)/4)
		for i, c := range counts[:n] {
			binary.LittleEndian.PutUint32(buffer[4*i:], uint32(c))
		}
		crc = crc32.Update(crc, castagnoli, buffer[:4*n])
		counts = counts[n:]
	}
	return updateFloats(crc, buffer, p.GetValues()...)
}

func updateFloats(crc uint32, buffer []byte, values ...float64) uint32 {
	for len(values) > 0 {
		n := min(len(values), len(buffer)/8)
		for i, v := range values[:n] {
			binary.LittleEndian.PutUint64(buffer[8*i:], math.Float64bits(v))
		}
		crc = crc32.Update(crc, castagnoli, buffer[:8*n])
		values = values[n:]
	}
	return crc
}

// BlockSum is what a pull's checksum needs to know of one block.
type BlockSum struct {
	Channel    fleet.Channel
	BlockIndex uint32
	CRC        uint32 // BlockCRC
	Samples    uint32
}

// PullChecksum returns the CRC-32C over all blocks of a pull, sorted by
// channel name (bytes) and block index. Each block adds
//
//	channel name (UTF-8), one zero byte, block index (uint32),
//	samples (uint32), crc (uint32)
//
// little-endian. The order of sums does not matter and is not changed. No
// block at all gives 0.
func PullChecksum(sums []BlockSum) uint32 {
	sorted := slices.Clone(sums)
	slices.SortFunc(sorted, compareSums)
	var crc uint32
	var record []byte
	for _, s := range sorted {
		record = append(record[:0], s.Channel...)
		record = append(record, 0)
		record = binary.LittleEndian.AppendUint32(record, s.BlockIndex)
		record = binary.LittleEndian.AppendUint32(record, s.Samples)
		record = binary.LittleEndian.AppendUint32(record, s.CRC)
		crc = crc32.Update(crc, castagnoli, record)
	}
	return crc
}

func compareSums(a, b BlockSum) int {
	return cmp.Or(cmp.Compare(a.Channel, b.Channel), cmp.Compare(a.BlockIndex, b.BlockIndex))
}
