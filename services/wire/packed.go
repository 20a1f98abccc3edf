package wire

import (
	"math"

	pb "rollcall/proto/rollcall/v1"
)

// Packed is a run of numbers, either counts of a known step or plain values:
//
//	number[i] = Offset + Scale · Counts[i]     or     number[i] = Values[i]
//
// Exactly one of Counts and Values is filled; Scale and Offset are 0 with
// Values. The slices may be shared with the message they came in.
type Packed struct {
	Scale, Offset float64
	Counts        []int32
	Values        []float64
}

// Len returns how many numbers there are.
func (p Packed) Len() int { return max(len(p.Counts), len(p.Values)) }

// At returns number i. The product is rounded before the sum on every
// machine, so that a number is the same bits everywhere.
func (p Packed) At(i int) float64 {
	if p.Counts != nil {
		return p.Offset + float64(p.Scale*float64(p.Counts[i]))
	}
	return p.Values[i]
}

// Expand appends the numbers to dst and returns it.
func (p Packed) Expand(dst []float64) []float64 {
	if p.Counts == nil {
		return append(dst, p.Values...)
	}
	for _, c := range p.Counts {
		dst = append(dst, p.Offset+float64(p.Scale*float64(c)))
	}
	return dst
}

// packTolerance is how far, relative, a count may give its value back: four
// units in the last place. A decimal fraction such as 12.7 and 127·0.1 differ
// by one.
const packTolerance = 4 * 0x1p-52

// Pack packs values as counts of scale above offset where they are such counts,
//
//	|offset + scale·count − value| ≤ packTolerance·max(|value|, |offset|),
//
// and as plain values, bit for bit, otherwise. A scale of 0 asks for plain
// values. The values are copied.
func Pack(values []float64, scale, offset float64) Packed {
	if counts, ok := countsOf(values, scale, offset); ok {
		return Packed{Scale: scale, Offset: offset, Counts: counts}
	}
	return Packed{Values: append([]float64(nil), values...)}
}

func countsOf(values []float64, scale, offset float64) ([]int32, bool) {
	if scale == 0 || len(values) == 0 {
		return nil, false
	}
	p := Packed{Scale: scale, Offset: offset, Counts: make([]int32, len(values))}
	for i, v := range values {
		c := math.RoundToEven((v - offset) / scale)
		// NaN fails the comparisons too.
		if !(c >= math.MinInt32 && c <= math.MaxInt32) {
			return nil, false
		}
		p.Counts[i] = int32(c)
		if !(math.Abs(p.At(i)-v) <= packTolerance*max(math.Abs(v), math.Abs(offset))) {
			return nil, false
		}
	}
	return p.Counts, true
}

// ToPacked returns p as its message. The slices are shared.
func ToPacked(p Packed) *pb.Packed {
	return &pb.Packed{Scale: p.Scale, Offset: p.Offset, Counts: p.Counts, Values: p.Values}
}
