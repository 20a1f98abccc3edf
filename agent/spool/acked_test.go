package spool

import (
	"testing"

	"pgregory.net/rapid"
)

// TestAckedSet compares with a plain set.
func TestAckedSet(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var a ackedSet
		model := map[uint64]bool{}
		rt.Repeat(map[string]func(*rapid.T){
			"add": func(rt *rapid.T) {
				from := rapid.Uint64Range(1, 60).Draw(rt, "from")
				to := from + rapid.Uint64Range(0, 5).Draw(rt, "more")
				a.add(from, to)
				for n := from; n <= to; n++ {
					model[n] = true
				}
			},
			"": func(rt *rapid.T) {
				prefix := uint64(0)
				for model[prefix+1] {
					prefix++
				}
				if a.prefix != prefix {
					rt.Fatalf("prefix %d, want %d", a.prefix, prefix)
				}
				if want := uint64(len(model)) - prefix; a.beyond != want {
					rt.Fatalf("%d beyond, want %d", a.beyond, want)
				}
				for n := uint64(1); n <= 70; n++ {
					if a.has(n, n) != model[n] {
						rt.Fatalf("has(%d) is %v", n, !model[n])
					}
					if a.has(n, n+2) != (model[n] && model[n+1] && model[n+2]) {
						rt.Fatalf("has(%d, %d) is wrong", n, n+2)
					}
				}
				for i := 1; i < len(a.spans); i++ {
					if a.spans[i].from <= a.spans[i-1].to+1 {
						rt.Fatalf("spans touch: %v", a.spans)
					}
				}
			},
		})
	})
}
