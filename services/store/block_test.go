package store

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Expected bytes: ClickHouse documentation, "RowBinary" (from memory): an array
// is its length as unsigned LEB128, then its numbers, little-endian. That the
// server writes them so is shown by TestRoundTrip.
func TestSetArrays(t *testing.T) {
	const one = "\x00\x00\x00\x00\x00\x00\xf0\x3f" // 1.0, IEEE 754 binary64
	for _, tt := range []struct {
		name, data string
		want       BlockRow
		fails      bool
	}{
		{"empty arrays", "\x00\x00\x00\x00", BlockRow{}, false},
		{"counts", "\x00\x00\x02\x01\x00\x00\x00\xfe\xff\xff\xff\x00", BlockRow{Counts: []int32{1, -2}}, false},
		{"times and values", "\x01\xff\xff\xff\x7f\x01" + one + "\x00\x01" + one, BlockRow{TimesCounts: []int32{math.MaxInt32}, TimesValues: []float64{1}, Values: []float64{1}}, false},
		{"length of two bytes", "\x00\x00\x00\xc8\x01" + strings.Repeat(one, 200), BlockRow{Values: repeated(1, 200)}, false},
		{"nothing", "", BlockRow{}, true},
		{"cut in a number", "\x01\x01\x00\x00", BlockRow{}, true},
		{"cut in a length", "\x00\x00\x80", BlockRow{}, true},
		{"length beyond the data", "\xff\xff\xff\xff\x0f", BlockRow{}, true},
		{"length without end", strings.Repeat("\xff", 20), BlockRow{}, true},
		{"left over", "\x00\x00\x00\x00\x00", BlockRow{}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var got BlockRow
			err := got.setArrays(tt.data)
			if (err != nil) != tt.fails {
				t.Fatalf("setArrays: %v", err)
			}
			if diff := cmp.Diff(tt.want, got); err == nil && diff != "" {
				t.Errorf("want -, got +\n%s", diff)
			}
		})
	}
}

func repeated(v float64, n int) []float64 {
	all := make([]float64, n)
	for i := range all {
		all[i] = v
	}
	return all
}
