package wire

import (
	"fmt"
	"slices"
	"strings"
)

// Missing says in what a stored pull falls short of its end: which blocks are
// not there, or that what is there is not what was sent. It is empty when the
// pull is whole: as many blocks and samples as the end says, with its
// checksum. sums are the blocks stored, each once, in any order.
//
// A block that is missing was set aside by its agent or is still to come; when
// it comes, the pull becomes whole.
func Missing(end End, sums []BlockSum) string {
	var samples uint64
	for _, s := range sums {
		samples += uint64(s.Samples)
	}
	switch {
	case uint32(len(sums)) == end.Blocks && samples == end.Samples:
		if sum := PullChecksum(sums); sum != end.Checksum {
			return fmt.Sprintf("the blocks stored are not those sent: their checksum is %08x, the pull's end says %08x", sum, end.Checksum)
		}
		return ""
	case uint32(len(sums)) > end.Blocks:
		return fmt.Sprintf("%d blocks are stored, the pull's end says %d", len(sums), end.Blocks)
	}
	reason := fmt.Sprintf("%d of %d blocks and %d of %d samples are stored", len(sums), end.Blocks, samples, end.Samples)
	if gaps := gaps(sums); gaps != "" {
		reason += "; not there: " + gaps
	}
	return reason
}

// gaps names the blocks absent below the highest index of each channel.
func gaps(sums []BlockSum) string {
	const most = 8
	sorted := slices.Clone(sums)
	slices.SortFunc(sorted, compareSums)
	var names []string
	more := 0
	for i, s := range sorted {
		next := uint32(0)
		if i > 0 && sorted[i-1].Channel == s.Channel {
			next = sorted[i-1].BlockIndex + 1
		}
		if next >= s.BlockIndex {
			continue
		}
		name := fmt.Sprintf("block %d of %s", next, s.Channel)
		if s.BlockIndex-next > 1 {
			name = fmt.Sprintf("blocks %d to %d of %s", next, s.BlockIndex-1, s.Channel)
		}
		if len(names) == most {
			more++
			continue
		}
		names = append(names, name)
	}
	if more > 0 {
		names = append(names, fmt.Sprintf("%d more gaps", more))
	}
	return strings.Join(names, ", ")
}
