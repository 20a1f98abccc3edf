package score

import (
	"math"
	"math/rand/v2"
	"sync"

	"gonum.org/v1/gonum/mat"
)

// oracle is a one-sided CUSUM that has been told what nobody can know: the
// change's sign and size, every variance, what the car gives, and what the cell
// read before. With a step of δ standard deviations its reference value is δ/2,
// which finds that step soonest for a given run length without cause (Moustakides,
// Ann. Stat. 14, 1986, from memory).
type oracle struct{ k, h float64 }

// find returns the index of the first value from which the CUSUM is above its
// limit, at or after the start; −1: never. Before the start it begins anew when
// it signals.
func (o oracle) find(z []float64, start int) int {
	s := 0.0
	for i, x := range z {
		s = math.Max(0, s+x-o.k)
		if s > o.h {
			if i >= start {
				return i
			}
			s = 0
		}
	}
	return -1
}

// states is the number of states of the Markov chain of runLength.
const states = 160

// runLength returns the average run length of a one-sided CUSUM started at
// nought, of independent normal values of mean shift and unit sd. The CUSUM's
// values from 0 to h are put in states of width w = 2h/(2m − 1), the first half
// as wide and holding 0; the run lengths solve (I − R)·L = 1. Source: Brook and
// Evans, Biometrika 59, 1972 (from memory).
func runLength(shift, k, h float64) float64 {
	w := 2 * h / (2*states - 1)
	phi := func(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }
	a := mat.NewDense(states, states, nil)
	one := mat.NewVecDense(states, nil)
	for i := range states {
		at := float64(i) * w
		one.SetVec(i, 1)
		for j := range states {
			top := phi((float64(j)+0.5)*w - at + k - shift)
			if j > 0 {
				top -= phi((float64(j)-0.5)*w - at + k - shift)
			}
			a.Set(i, j, -top)
		}
		a.Set(i, i, 1+a.At(i, i))
	}
	var l mat.VecDense
	if err := l.SolveVec(a, one); err != nil && l.Len() == 0 {
		return math.Inf(1)
	}
	return l.AtVec(0)
}

// limits remembers what limitFor found.
var limits sync.Map

// limitFor returns the limit at which a one-sided CUSUM signals without cause
// once in length values.
func limitFor(length, k float64) float64 {
	key := [2]float64{length, k}
	if h, ok := limits.Load(key); ok {
		return h.(float64)
	}
	low, high := 0.05, 30.0
	for range 40 {
		mid := (low + high) / 2
		if l := runLength(0, k, mid); l > 0 && l < length {
			low = mid
		} else {
			high = mid
		}
	}
	limits.Store(key, (low+high)/2)
	return (low + high) / 2
}

// oracleForStep returns the oracle for a step of shift standard deviations.
func oracleForStep(shift, length float64) oracle {
	// A hundredth of a standard deviation moves nothing and bounds the number
	// of limits to work out.
	k := math.Max(0.05, math.Round(shift/2*100)/100)
	return oracle{k, limitFor(length, k)}
}

// slopes remembers what oracleForRamp found.
var slopes sync.Map

// oracleForRamp returns the oracle for a ramp of slope standard deviations a
// value: of the reference values from 0.1 to 2 the one that finds it soonest in
// 400 simulated ramps, each begun after 50 values without.
func oracleForRamp(slope, length float64) oracle {
	// Two figures of the slope are enough for the choice.
	if slope > 0 {
		unit := math.Pow(10, math.Floor(math.Log10(slope))-1)
		slope = math.Round(slope/unit) * unit
	}
	key := [2]float64{slope, length}
	if o, ok := slopes.Load(key); ok {
		return o.(oracle)
	}
	const quiet, longest, paths = 50, 150, 400
	var best oracle
	least := math.Inf(1)
	z := make([]float64, quiet+longest)
	for k := 0.1; k < 2.05; k += 0.1 {
		o := oracle{k, limitFor(length, math.Round(k*10)/10)}
		r := rand.New(rand.NewPCG(7, 7))
		sum := 0.0
		for range paths {
			for i := range z {
				z[i] = r.NormFloat64() + slope*math.Max(0, float64(i-quiet))
			}
			at := o.find(z, quiet)
			if at < 0 {
				at = len(z)
			}
			sum += float64(at - quiet)
		}
		if sum < least {
			least, best = sum, o
		}
	}
	slopes.Store(key, best)
	return best
}
