package drift

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mat"
)

func newRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 7)) }

type dense struct {
	criterion float64
	cov       *mat.Dense
	sol       []float64
}

// denseMixed solves a mixed model by its definition, without any shortcut.
func denseMixed(y []float64, x [][]float64, factors []Factor, variances []float64, residual float64) dense {
	n, p, q := len(y), len(x[0]), 0
	for _, f := range factors {
		q += f.Levels
	}
	w := mat.NewDense(n, q+p, nil)
	g := make([]float64, 0, q)
	at := 0
	for k, f := range factors {
		for i, l := range f.Level {
			v := 1.0
			if f.Value != nil {
				v = f.Value[i]
			}
			w.Set(i, at+l, v)
		}
		for range f.Levels {
			g = append(g, variances[k])
		}
		at += f.Levels
	}
	for i := range n {
		for k := range p {
			w.Set(i, q+k, x[i][k])
		}
	}
	// Henderson: (W'W/σ² + diag(G⁻¹, 0))⁻¹.
	var h mat.Dense
	h.Mul(w.T(), w)
	h.Scale(1/residual, &h)
	for i := range q {
		h.Set(i, i, h.At(i, i)+1/g[i])
	}
	cov := mat.NewDense(q+p, q+p, nil)
	if err := cov.Inverse(&h); err != nil {
		panic(err)
	}
	yv := mat.NewVecDense(n, append([]float64(nil), y...))
	var wy, sol mat.VecDense
	wy.MulVec(w.T(), yv)
	wy.ScaleVec(1/residual, &wy)
	sol.MulVec(cov, &wy)
	// V, by definition.
	v := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			s := 0.0
			for k := range q {
				s += w.At(i, k) * g[k] * w.At(j, k)
			}
			if i == j {
				s += residual
			}
			v.SetSym(i, j, s)
		}
	}
	var ch mat.Cholesky
	if !ch.Factorize(v) {
		panic("V is not positive definite")
	}
	xm := mat.NewDense(n, p, nil)
	for i := range n {
		xm.SetRow(i, x[i])
	}
	var vx mat.Dense
	if err := ch.SolveTo(&vx, xm); err != nil {
		panic(err)
	}
	var xvx mat.Dense
	xvx.Mul(xm.T(), &vx)
	res := mat.NewVecDense(n, nil)
	beta := mat.NewVecDense(p, nil)
	for k := range p {
		beta.SetVec(k, sol.AtVec(q+k))
	}
	res.MulVec(xm, beta)
	res.SubVec(yv, res)
	var vr mat.VecDense
	if err := ch.SolveVecTo(&vr, res); err != nil {
		panic(err)
	}
	out := dense{cov: cov}
	out.criterion = ch.LogDet() + math.Log(mat.Det(&xvx)) + mat.Dot(res, &vr) + float64(n-p)*math.Log(2*math.Pi)
	for i := range q + p {
		out.sol = append(out.sol, sol.AtVec(i))
	}
	return out
}
