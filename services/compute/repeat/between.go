package repeat

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Precision is how places that measured the same thing agree: laboratories a
// material, or cells one car.
type Precision struct {
	Mean float64 // of the places' means
	SX   float64 // standard deviation of the places' means
	Sr   float64 // repeatability: within a place
	// SR is the reproducibility, between places:
	//
	//	s_R = √(s_x² + s_r²·(n − 1)/n), not below s_r
	SR float64
	// LimitR and Limitr are 2.8·s_R and 2.8·s_r.
	Limitr, LimitR float64
	H, K           []float64 // Mandel's, a place each: (x̄_i − x̄)/s_x and s_i/s_r
}

// ErrUnbalanced says that places cannot be compared.
var ErrUnbalanced = errors.New("agreement between places needs two or more, with as many results each, two or more")

// Between returns how places agree, each with as many results. Places all alike
// give nought for h or k, not a number divided by nought. Source: ASTM E691-99,
// 15 and 16 (from memory); ISO 5725-2:1994, 7.
func Between(places [][]float64) (Precision, error) {
	if len(places) < 2 || len(places[0]) < 2 {
		return Precision{}, fmt.Errorf("%d places: %w", len(places), ErrUnbalanced)
	}
	n := len(places[0])
	means, sds := make([]float64, len(places)), make([]float64, len(places))
	var p Precision
	for i, x := range places {
		if len(x) != n {
			return Precision{}, fmt.Errorf("place %d has %d results, the first %d: %w", i, len(x), n, ErrUnbalanced)
		}
		means[i], sds[i] = stat.MeanStdDev(x, nil)
		if v := means[i] + sds[i]; v-v != 0 {
			return Precision{}, fmt.Errorf("place %d has a result that is not a number", i)
		}
		p.Sr += sds[i] * sds[i] / float64(len(places))
	}
	p.Sr = math.Sqrt(p.Sr)
	p.Mean, p.SX = stat.MeanStdDev(means, nil)
	p.SR = max(p.Sr, math.Sqrt(p.SX*p.SX+p.Sr*p.Sr*float64(n-1)/float64(n)))
	p.Limitr, p.LimitR = limitFactor*p.Sr, limitFactor*p.SR
	for i := range places {
		h, k := 0.0, 0.0
		if p.SX > 0 {
			h = (means[i] - p.Mean) / p.SX
		}
		if p.Sr > 0 {
			k = sds[i] / p.Sr
		}
		p.H, p.K = append(p.H, h), append(p.K, k)
	}
	return p, nil
}

// MandelH returns the two-sided limit of |h| for p places at a level,
//
//	h = (p − 1)·t/√(p·(p + t² − 2)),  t = t(1 − level/2; p − 2)
//
// It panics for p < 3. Source: ISO 5725-2:1994, table 6.
func MandelH(p int, level float64) float64 {
	if p < 3 {
		panic("repeat: Mandel's h needs three places")
	}
	m := float64(p)
	t := distuv.StudentsT{Sigma: 1, Nu: m - 2}.Quantile(1 - level/2)
	return (m - 1) * t / math.Sqrt(m*(m+t*t-2))
}

// MandelK returns the limit of k for p places with n results each at a level,
//
//	k = √(p/(1 + (p − 1)/F)),  F = F(1 − level; n − 1, (p − 1)(n − 1))
//
// It panics for p < 2 or n < 2. Source: ISO 5725-2:1994, table 6.
func MandelK(p, n int, level float64) float64 {
	if p < 2 || n < 2 {
		panic("repeat: Mandel's k needs two places with two results")
	}
	m, d := float64(p), float64(n-1)
	f := distuv.F{D1: d, D2: (m - 1) * d}.Quantile(1 - level)
	return math.Sqrt(m / (1 + (m-1)/f))
}

// CochranLimit returns the upper limit of Cochran's C = s²_max/Σs² for p places
// with n results each at a level,
//
//	C = 1/(1 + (p − 1)/F),  F = F(1 − level/p; n − 1, (p − 1)(n − 1))
//
// It panics for p < 2 or n < 2. Source: ISO 5725-2:1994, 7.3.3 and table 4.
func CochranLimit(p, n int, level float64) float64 {
	if p < 2 || n < 2 {
		panic("repeat: Cochran's test needs two places with two results")
	}
	m, d := float64(p), float64(n-1)
	f := distuv.F{D1: d, D2: (m - 1) * d}.Quantile(1 - level/m)
	return 1 / (1 + (m-1)/f)
}
