package fleetstate

import "math"

// Small dense algebra on row-major slices, without allocation.

// cholesky turns the lower triangle of the m×m matrix a into its Cholesky
// factor and returns the log of the determinant; ok: a is positive definite.
func cholesky(a []float64, m int) (logDet float64, ok bool) {
	for i := range m {
		for j := 0; j <= i; j++ {
			s := a[i*m+j]
			for k := range j {
				s -= a[i*m+k] * a[j*m+k]
			}
			if i == j {
				if !(s > 0) || math.IsInf(s, 1) {
					return 0, false
				}
				logDet += math.Log(s)
				a[i*m+i] = math.Sqrt(s)
			} else {
				a[i*m+j] = s / a[j*m+j]
			}
		}
	}
	return logDet, true
}

// forward solves L·x = b in place.
func forward(l []float64, m int, b []float64) {
	for i := range m {
		s := b[i]
		for k := range i {
			s -= l[i*m+k] * b[k]
		}
		b[i] = s / l[i*m+i]
	}
}

// invert returns the inverse of a symmetric positive definite m×m matrix and
// the log of a's determinant. a keeps its values. m ≤ 16 costs nothing.
func invert(dst, a []float64, m int) (logDet float64, ok bool) {
	var room [256]float64
	l := room[:]
	if m*m > len(l) {
		l = make([]float64, m*m)
	}
	l = l[:m*m]
	copy(l, a[:m*m])
	if logDet, ok = cholesky(l, m); !ok {
		return 0, false
	}
	// Columns of L⁻¹, then L⁻ᵀ·L⁻¹.
	var room2 [256]float64
	x := room2[:]
	if m*m > len(x) {
		x = make([]float64, m*m)
	}
	x = x[:m*m]
	for c := range m {
		for i := range m {
			x[i*m+c] = 0
		}
		for i := c; i < m; i++ {
			s := 0.0
			if i == c {
				s = 1
			}
			for k := c; k < i; k++ {
				s -= l[i*m+k] * x[k*m+c]
			}
			x[i*m+c] = s / l[i*m+i]
		}
	}
	for i := range m {
		for j := i; j < m; j++ {
			s := 0.0
			for k := j; k < m; k++ {
				s += x[k*m+i] * x[k*m+j]
			}
			dst[i*m+j], dst[j*m+i] = s, s
		}
	}
	return logDet, true
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}

func axpy(c float64, x, y []float64) {
	y = y[:len(x)]
	for i, v := range x {
		y[i] += c * v
	}
}

// each calls f for 0 … n−1 on so many workers and returns when all are done. f
// must write to places of its own only; then the order does not matter.
func each(n, workers int, f func(worker, i int)) {
	if workers <= 1 || n <= 1 {
		for i := range n {
			f(0, i)
		}
		return
	}
	workers = min(workers, n)
	next := make(chan int, n)
	for i := range n {
		next <- i
	}
	close(next)
	done := make(chan any)
	for w := range workers {
		go func() {
			defer func() { done <- recover() }()
			for i := range next {
				f(w, i)
			}
		}()
	}
	for range workers {
		if p := <-done; p != nil {
			panic(p)
		}
	}
}
