package compare

import (
	"fmt"
	"math"
	"slices"
)

// widest is how far apart, in the curve's usual steps, two points may be for a
// value between them: one missing point is bridged, a gap is not. Common
// practice, no source.
const widest = 2.5

// commonGrid returns the engine speeds at which every curve can be read: the
// points of the curve with the fewest of them where all overlap.
func commonGrid(all []Curve) []float64 {
	low, high := math.Inf(-1), math.Inf(1)
	for i := range all {
		n := all[i].EngineSpeed
		low, high = max(low, n[0]), min(high, n[len(n)-1])
	}
	inside := func(c *Curve) []float64 {
		var out []float64
		for _, n := range c.EngineSpeed {
			if n >= low && n <= high {
				out = append(out, n)
			}
		}
		return out
	}
	var grid []float64
	for i := range all {
		if g := inside(&all[i]); i == 0 || len(g) < len(grid) {
			grid = g
		}
	}
	return slices.DeleteFunc(grid, func(n float64) bool {
		for i := range all {
			if _, _, ok := all[i].between(n); !ok {
				return true
			}
		}
		return false
	})
}

// usualStep returns the median step of a curve's points.
func (c *Curve) usualStep() float64 {
	steps := make([]float64, 0, len(c.EngineSpeed))
	for i := 1; i < len(c.EngineSpeed); i++ {
		steps = append(steps, c.EngineSpeed[i]-c.EngineSpeed[i-1])
	}
	if len(steps) == 0 {
		return 0
	}
	slices.Sort(steps)
	return steps[len(steps)/2]
}

// between returns the point at or before engine speed n, and the weight of the
// next one in a value there.
func (c *Curve) between(n float64) (i int, weight float64, ok bool) {
	i, exact := slices.BinarySearch(c.EngineSpeed, n)
	if exact {
		return i, 0, true
	}
	if i == 0 || i == len(c.EngineSpeed) {
		return 0, 0, false
	}
	i--
	step := c.EngineSpeed[i+1] - c.EngineSpeed[i]
	return i, (n - c.EngineSpeed[i]) / step, step <= widest*c.usualStep()
}

// reachOf says where the curves lie, for people.
func reachOf(all []Curve) string {
	low, high := &all[0], &all[0]
	for i := range all {
		c := &all[i]
		if c.EngineSpeed[0] > low.EngineSpeed[0] {
			low = c
		}
		if c.EngineSpeed[len(c.EngineSpeed)-1] < high.EngineSpeed[len(high.EngineSpeed)-1] {
			high = c
		}
	}
	const rpm = math.Pi / 30
	return fmt.Sprintf("pull %s begins at %.0f rpm and pull %s ends at %.0f rpm", low.Pull, low.EngineSpeed[0]/rpm, high.Pull, high.EngineSpeed[len(high.EngineSpeed)-1]/rpm)
}

// sampledCurve reads a curve on the common grid.
type sampledCurve struct {
	c      *Curve
	index  []int
	weight []float64
}

func sample(c *Curve, grid []float64) sampledCurve {
	s := sampledCurve{c: c, index: make([]int, len(grid)), weight: make([]float64, len(grid))}
	for k, n := range grid {
		s.index[k], s.weight[k], _ = c.between(n)
	}
	return s
}

// cellOf is one pull's figure: its value, its own uncertainty, and the effects
// of its shared errors in the order of the curve's.
type cellOf struct {
	value, own float64
	effects    []float64
}

func (s *sampledCurve) read(x []float64, k int) float64 {
	i, w := s.index[k], s.weight[k]
	if w == 0 {
		return x[i]
	}
	return x[i] + w*(x[i+1]-x[i])
}

// at returns the figure at grid point k. Between two points of the curve their
// own uncertainties are taken as fully correlated, which errs to the cautious
// side.
func (s *sampledCurve) at(k int) cellOf {
	out := cellOf{value: s.read(s.c.Value, k), own: s.read(s.c.Own, k), effects: make([]float64, len(s.c.Shared))}
	for j := range s.c.Shared {
		out.effects[j] = s.read(s.c.Shared[j].Effect, k)
	}
	return out
}

// peak returns the grid point of the greatest value.
func (s *sampledCurve) peak() int {
	best := 0
	for k := range s.index {
		if s.read(s.c.Value, k) > s.read(s.c.Value, best) {
			best = k
		}
	}
	return best
}

// mean returns the mean over the band by the trapezoid rule,
//
//	ȳ = Σ ½·(y_k + y_k+1)·(n_k+1 − n_k)/(n_K − n_1)
//
// The points' own noise is taken as fully correlated, for neighbours share
// samples; it errs to the cautious side.
func (s *sampledCurve) mean(grid []float64) cellOf {
	out := cellOf{effects: make([]float64, len(s.c.Shared))}
	last := len(grid) - 1
	for k := range grid {
		w := (grid[min(k+1, last)] - grid[max(k-1, 0)]) / 2 / (grid[last] - grid[0])
		p := s.at(k)
		out.value += w * p.value
		out.own += w * p.own
		for j, e := range p.effects {
			out.effects[j] += w * e
		}
	}
	return out
}
