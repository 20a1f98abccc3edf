package score

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// tail is what a two-sided interval of 95 % leaves out on either side.
const tail = 0.025

// Garwood returns the exact 95 % interval of a rate of which n events were seen
// in an exposure,
//
//	χ²(0.025; 2n)/2 … χ²(0.975; 2n + 2)/2
//
// over the exposure. Source: Garwood, Biometrika 28, 1936 (from memory).
func Garwood(n int, exposure float64) (low, high float64) {
	if n > 0 {
		low = distuv.ChiSquared{K: float64(2 * n)}.Quantile(tail) / 2
	}
	high = distuv.ChiSquared{K: float64(2*n + 2)}.Quantile(1-tail) / 2
	return low / exposure, high / exposure
}

// ClopperPearson returns the exact 95 % interval of a share of which k of n were
// seen, n > 0. Source: Clopper and Pearson, Biometrika 26, 1934 (from memory).
func ClopperPearson(k, n int) (low, high float64) {
	high = 1
	if k > 0 {
		low = distuv.Beta{Alpha: float64(k), Beta: float64(n - k + 1)}.Quantile(tail)
	}
	if k < n {
		high = distuv.Beta{Alpha: float64(k + 1), Beta: float64(n - k)}.Quantile(1 - tail)
	}
	return low, high
}

// resamples is how often the bootstrap draws.
const resamples = 2000

// Bootstrap returns the 95 % percentile interval of a statistic of n independent
// units (fleets): it is worked out of n units drawn with replacement. Source:
// Efron, Ann. Stat. 7, 1979 (from memory).
func Bootstrap(n int, statistic func(units []int) float64) (low, high float64) {
	r := rand.New(rand.NewPCG(uint64(n), 20))
	units := make([]int, n)
	var all []float64
	for range resamples {
		for i := range units {
			units[i] = r.IntN(n)
		}
		if x := statistic(units); !math.IsNaN(x) {
			all = append(all, x)
		}
	}
	if len(all) == 0 {
		return math.NaN(), math.NaN()
	}
	slices.Sort(all)
	return all[int(tail*float64(len(all)))], all[min(len(all)-1, int((1-tail)*float64(len(all))))]
}

// count is how many of a fleet's n cases are as they should be.
type count struct{ good, n int }

func (c *count) add(good bool) {
	c.n++
	if good {
		c.good++
	}
}

// share returns the share of good cases with its 95 % interval: the bootstrap
// over fleets where a fleet brings several cases, which are not independent;
// exact where each brings one, or where the bootstrap has nothing to vary, then
// by fleets. n is the number of cases; fleets without any do not count.
func share(fleets []count) (figure, low, high float64, n int) {
	fleets = slices.DeleteFunc(slices.Clone(fleets), func(c count) bool { return c.n == 0 })
	good, most := 0, 0
	for _, c := range fleets {
		good += c.good
		n += c.n
		most = max(most, c.n)
	}
	if n == 0 {
		return math.NaN(), math.NaN(), math.NaN(), 0
	}
	figure = float64(good) / float64(n)
	if most == 1 {
		low, high = ClopperPearson(good, n)
		return figure, low, high, n
	}
	low, high = Bootstrap(len(fleets), func(units []int) float64 {
		g, m := 0, 0
		for _, u := range units {
			g += fleets[u].good
			m += fleets[u].n
		}
		return float64(g) / float64(m)
	})
	if low == high {
		low, high = ClopperPearson(int(math.Round(figure*float64(len(fleets)))), len(fleets))
	}
	return figure, low, high, n
}
