package rpc

import (
	"google.golang.org/grpc/experimental"
	"google.golang.org/grpc/mem"
)

// Messages are decoded out of pooled buffers, which are cleared each time they
// are taken. The library's pool knows nothing between 32 KiB and 1 MiB, so
// that a block of 40 KiB costs the clearing of 1 MiB; this one has every power
// of two between 256 B and 4 MiB. BenchmarkIngest has the figures.
func init() {
	pool, err := mem.NewBinaryTieredBufferPool(8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 22)
	if err != nil {
		panic(err) // a size that no machine can allocate
	}
	experimental.SetDefaultBufferPool(pool)
}
