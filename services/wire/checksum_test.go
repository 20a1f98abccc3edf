package wire

import (
	"math"
	"slices"
	"testing"

	pb "rollcall/proto/rollcall/v1"
)

// The expected values were computed by a bit-by-bit CRC-32C (reflected
// polynomial 82F63B78 hex) in Python 3.11 over struct.pack of the layout in
// the doc comments; the same program gives E3069283 hex for "123456789", the
// check value of RFC 3720 appendix B.4 / the CRC catalogue (from memory).
func TestBlockCRC(t *testing.T) {
	for _, c := range []struct {
		name  string
		block *pb.SampleBlock
		want  uint32
	}{
		{"counts, uniform", &pb.SampleBlock{
			Clock:   &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StartS: 0.5, StepS: 0.01}},
			Samples: &pb.Packed{Scale: 0.25, Offset: -3, Counts: []int32{0, 1, -1, math.MaxInt32, math.MinInt32}},
		}, 0xded167c8},
		{"values, times as counts", &pb.SampleBlock{
			Clock:   &pb.SampleBlock_Times{Times: &pb.Packed{Scale: 0.001, Counts: []int32{0, 10, 21}}},
			Samples: &pb.Packed{Values: []float64{1.5, 0, 1e-9}},
		}, 0x3ac84851},
		{"no clock, no samples", &pb.SampleBlock{}, 0x42709aea},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := BlockCRC(c.block); got != c.want {
				t.Errorf("BlockCRC = %08x, want %08x", got, c.want)
			}
		})
	}
}

// A block longer than the buffer gives the same CRC as the plain definition.
func TestBlockCRCLong(t *testing.T) {
	counts := make([]int32, 5001)
	values := make([]float64, 5001)
	for i := range counts {
		counts[i] = int32(i*i - 70000)
		values[i] = float64(i) / 8
	}
	got := BlockCRC(&pb.SampleBlock{
		Samples: &pb.Packed{Scale: 2, Offset: 1, Counts: counts},
		Clock:   &pb.SampleBlock_Times{Times: &pb.Packed{Values: values}},
	})
	// The same Python program.
	if want := uint32(0xdbb5a2a7); got != want {
		t.Errorf("BlockCRC = %08x, want %08x", got, want)
	}
}

func TestPullChecksum(t *testing.T) {
	sums := []BlockSum{
		{Channel: "roller_speed", BlockIndex: 1, CRC: 0xdeadbeef, Samples: 7},
		{Channel: "load_cell", BlockIndex: 0, CRC: 1, Samples: 65536},
		{Channel: "roller_speed", BlockIndex: 0, CRC: 0x01020304, Samples: 1500},
	}
	// The same Python program.
	const want = 0xd0e24655
	if got := PullChecksum(sums); got != want {
		t.Errorf("PullChecksum = %08x, want %08x", got, want)
	}
	if sums[0].Channel != "roller_speed" || sums[0].BlockIndex != 1 {
		t.Error("PullChecksum changed its argument")
	}
	slices.Reverse(sums)
	if got := PullChecksum(sums); got != want {
		t.Errorf("PullChecksum of the reverse = %08x, want %08x", got, want)
	}
	if got := PullChecksum(nil); got != 0 {
		t.Errorf("PullChecksum of nothing = %08x, want 0", got)
	}
}

func BenchmarkBlockCRC(b *testing.B) {
	block := &pb.SampleBlock{Samples: &pb.Packed{Scale: 1, Counts: make([]int32, MaxBlockSamples)},
		Clock: &pb.SampleBlock_Uniform{Uniform: &pb.UniformClock{StepS: 0.01}}}
	b.SetBytes(4 * MaxBlockSamples)
	for b.Loop() {
		BlockCRC(block)
	}
}
