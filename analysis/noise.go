package analysis

import (
	"math"

	"gonum.org/v1/gonum/floats"
)

// A noise is a stationary noise by its autocovariance.
type noise struct {
	cov   []float64 // at lags 0, 1, 2, ... samples, Pa²; beyond: 0
	sum   []float64 // twice summed autocovariance, see between
	order int       // of the autoregression; 0: white
	dof   float64   // degrees of freedom of its variance; +Inf: not estimated but the floor; 0: not known
}

// newNoise estimates the noise from evenly spaced residuals: an autoregression
// by the Yule-Walker equations, its order by the Bayesian information
// criterion. floor is the least variance (of the quantisation), Pa².
func newNoise(e []float64, floor float64) noise {
	n := len(e)
	limit := 5 * robustSD(e)
	if limit == 0 {
		limit = math.Inf(1)
	}
	clipped := make([]float64, n)
	for i, v := range e {
		clipped[i] = math.Max(-limit, math.Min(limit, v))
	}
	most := min(24, n/12)
	r := make([]float64, most+1)
	for k := range r {
		for i := k; i < n; i++ {
			r[k] += clipped[i] * clipped[i-k]
		}
		r[k] /= float64(n)
	}
	if r[0] <= floor {
		z := whiteNoise(math.Max(floor, 1e-12))
		z.dof = math.Inf(1)
		return z
	}
	a, order := levinson(r, n)
	z := whiteNoise(r[0])
	if order > 0 {
		z = fromAutoregression(a, r, order)
	}
	z.dof = z.freedom(n)
	return z
}

// freedom is the degrees of freedom of a variance estimated from n residuals of
// a straight line. The variance of a sample variance is 2σ⁴/n times the sum of
// the squared autocorrelations over all lags, and 2σ⁴/ν defines ν (Bartlett, On
// the theoretical specification and sampling properties of autocorrelated
// time-series, 1946, from memory; JCGM 100:2008, E.4.3): at least 1.
func (z *noise) freedom(n int) float64 {
	sum := 1.0
	for _, c := range z.cov[1:] {
		sum += 2 * (c / z.cov[0]) * (c / z.cov[0])
	}
	return math.Max(1, float64(n-2)/sum)
}

func whiteNoise(variance float64) noise {
	z := noise{cov: []float64{variance}}
	z.cumulate()
	return z
}

// levinson solves the Yule-Walker equations of rising order (Levinson's
// recursion) and keeps the order of the least information criterion.
func levinson(r []float64, n int) (best []float64, order int) {
	a := make([]float64, len(r))
	v := r[0]
	least := float64(n) * math.Log(v)
	for p := 1; p < len(r); p++ {
		k := r[p]
		for j := 1; j < p; j++ {
			k -= a[j] * r[p-j]
		}
		k /= v
		b := append([]float64(nil), a...)
		b[p] = k
		for j := 1; j < p; j++ {
			b[j] = a[j] - k*a[p-j]
		}
		a = b
		v *= 1 - k*k
		if v <= 1e-9*r[0] {
			break
		}
		if ic := float64(n)*math.Log(v) + float64(p)*math.Log(float64(n)); ic < least {
			least, order = ic, p
			best = append(best[:0], a[:p+1]...)
		}
	}
	return best, order
}

// longest is the greatest lag at which a correlation is kept.
const longest = 96

func fromAutoregression(a, r []float64, order int) noise {
	z := noise{order: order, cov: append([]float64(nil), r[:order+1]...)}
	quiet := 0
	for k := order + 1; k < longest && quiet < order+4; k++ {
		c := 0.0
		for j := 1; j <= order; j++ {
			c += a[j] * z.cov[k-j]
		}
		z.cov = append(z.cov, c)
		if quiet++; math.Abs(c) > 2e-3*r[0] {
			quiet = 0
		}
	}
	// A tail cut off at the longest lag is let fade, so that the covariance
	// stays one.
	for k := range z.cov {
		if len(z.cov) == longest {
			z.cov[k] *= 1 - float64(k)/longest
		}
	}
	z.cumulate()
	return z
}

// cumulate prepares between: sum[x] solves sum[x+1] - 2·sum[x] + sum[x-1] =
// cov[|x|], even in x.
func (z *noise) cumulate() {
	z.sum = []float64{0, z.cov[0] / 2}
	for x := 1; x <= len(z.cov); x++ {
		c := 0.0
		if x < len(z.cov) {
			c = z.cov[x]
		}
		z.sum = append(z.sum, 2*z.sum[x]-z.sum[x-1]+c)
	}
}

func (z *noise) summed(x int) float64 {
	if x < 0 {
		x = -x
	}
	if last := len(z.sum) - 1; x > last { // straight beyond the last correlation
		return z.sum[last] + float64(x-last)*(z.sum[last]-z.sum[last-1])
	}
	return z.sum[x]
}

// between is the covariance of the means over n samples from position a and
// over m samples from position b, Pa².
func (z *noise) between(a, n, b, m int) float64 {
	d := b - a
	s := z.summed(d+m) - z.summed(d) - z.summed(d+m-n) + z.summed(d-n)
	return s / float64(n) / float64(m)
}

// sd is the standard deviation of one sample, Pa.
func (z *noise) sd() float64 { return math.Sqrt(z.cov[0]) }

// slow is the variance that one sample adds to a mean over very many, Pa²: that
// of white noise which is as strong at low frequencies.
func (z *noise) slow() float64 {
	sum := z.cov[0]
	for _, c := range z.cov[1:] {
		sum += 2 * c
	}
	return math.Max(sum, z.cov[0]/4)
}

// A whitener holds the banded Cholesky factor of the bins' covariance.
type whitener struct {
	n, band int
	l       []float64 // column i: rows i..i+band
}

// newWhitener factorises the covariance of the bins' means; positions counts
// samples, so that a hole in the record keeps its length.
func newWhitener(z *noise, b *bins, position func(i int) int) *whitener {
	n := len(b.t)
	pos := make([]int, n)
	for i := range pos {
		pos[i] = position(b.first[i])
	}
	reach := len(z.cov)
	w := &whitener{n: n}
	for i, j := 0, 0; i < n; i++ {
		for pos[i]-(pos[j]+int(b.n[j]))+1 >= reach {
			j++
		}
		w.band = max(w.band, i-j)
	}
	for extra := 0.0; ; extra = math.Max(2*extra, 1e-3) {
		if w.factorise(z, b, pos, extra) {
			return w
		}
	}
}

// factorise tries Cholesky's method with the diagonal raised by the fraction
// extra of itself.
func (w *whitener) factorise(z *noise, b *bins, pos []int, extra float64) bool {
	k := w.band + 1
	w.l = make([]float64, w.n*k)
	at := func(i, j int) *float64 { return &w.l[j*k+i-j] }
	for i := 0; i < w.n; i++ {
		for j := max(0, i-w.band); j <= i; j++ {
			s := z.between(pos[j], int(b.n[j]), pos[i], int(b.n[i]))
			if i == j {
				s = s*(1+extra) + b.slack[i]
			}
			for c := max(0, i-w.band); c < j; c++ {
				if c >= j-w.band {
					s -= *at(i, c) * *at(j, c)
				}
			}
			if i != j {
				*at(i, j) = s / *at(j, j)
				continue
			}
			if !(s > 1e-6*z.cov[0]/b.n[i]) {
				return false
			}
			*at(i, i) = math.Sqrt(s)
		}
	}
	return true
}

// apply solves L·x = v in place; v may be shorter than the factor. It goes by
// columns, whose elements need not wait for each other.
func (w *whitener) apply(v []float64) {
	k := w.band + 1
	for i := range v {
		column := w.l[i*k : i*k+k]
		v[i] /= column[0]
		if rest := v[i+1 : min(i+k, len(v))]; len(rest) > 0 {
			floats.AddScaled(rest, -v[i], column[1:1+len(rest)])
		}
	}
}
