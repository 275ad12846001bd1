package analysis

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// A Problem is a nonlinear least-squares problem: find theta so that the
// weighted squares of Y - Predict(theta) are least.
type Problem struct {
	// Predict fills y (len(Y)) with the model's values at theta.
	Predict func(theta, y []float64)
	// Y are the observations, W their weights (1/variance; nil: all 1).
	Y, W []float64
	// Whiten, where given, takes the place of W for correlated observations: it
	// turns a vector of residuals, or a column of the Jacobian, in place into
	// one whose elements are uncorrelated with variance 1.
	Whiten func(v []float64)
	// Lower and Upper bound theta (nil: no bounds; ±Inf: none on that side).
	Lower, Upper []float64
	// Scale is a typical change of each parameter, for difference quotients of
	// parameters near nought (nil: a thousandth of the start, 1e-3 for nought).
	Scale []float64
	// Rough asks for one-sided difference quotients: half the work, for a fit
	// whose own noise is far above their error.
	Rough bool
	// Jacobian fills those columns of j (column c: j[c*len(Y):(c+1)*len(Y)]) that
	// it knows with dPredict/dtheta[c] at theta, where y already holds
	// Predict(theta), and tells in known which they are. The others, or all where
	// it is nil, are got by difference quotients.
	Jacobian func(theta, y, j []float64, known []bool)

	room *[]float64 // work space that is kept from fit to fit; nil: none
}

// Loss is how much a residual counts, in units of its standard deviation.
type Loss uint8

const (
	Squares Loss = iota // plain least squares
	Huber               // squares up to 1.345, then straight: 95 % efficient on normal noise
	Tukey               // bisquare with 4.685: far outliers count nothing
)

// FitOptions bounds a fit. The zero value is usable.
type FitOptions struct {
	Loss       Loss
	Iterations int     // at most so many accepted or refused steps; 0: 200
	Damping    float64 // first damping, relative to the squared norms of the Jacobian's columns; 0: 1e-3
	Tolerance  float64 // relative change of the sum and of theta at which to stop; 0: 1e-14
}

// FitResult is what Fit found.
type FitResult struct {
	Theta      []float64
	RSS        float64    // weighted sum of squares at Theta (with the loss's weights, where it has any)
	Cov        *mat.Dense // (JᵀWJ)⁻¹: times the variance of unit weight it is the covariance of Theta; nil where singular
	Robust     []float64  // the loss's weight of each observation; nil for Squares
	Iterations int
	Converged  bool
}

// ErrFit is the reason of every refusal of Fit.
var ErrFit = errors.New("fit not possible")

// Fit minimises a sum of squares by Levenberg and Marquardt's method with
// Nielsen's rule for the damping (Madsen, Nielsen and Tingleff, Methods for
// Non-Linear Least Squares Problems, 2004), each step solved by orthogonal
// triangularisation. Bounds are kept by projection: a parameter that rests on
// its bound and would leave it is held for the step. It works on no data of its
// own: the same call gives the same result.
func Fit(p Problem, start []float64, o FitOptions) (FitResult, error) {
	f, err := newFitter(p, start, o)
	if err != nil {
		return FitResult{}, err
	}
	f.run()
	return f.result()
}

type fitter struct {
	p       Problem
	o       FitOptions
	n, m    int // observations, parameters
	theta   []float64
	trial   []float64
	y, y2   []float64
	yd      []float64 // work of the difference quotients
	res     []float64 // weighted residuals
	robust  []float64
	j       []float64 // n by m, column after column, weighted
	rss     float64
	mu, nu  float64
	iter    int
	ok      bool
	columns [][]float64 // of j
	work    []float64   // copy of j and res while they are triangularised
	r       *mat.Dense  // m by m triangle
	qtb     []float64
	known   []bool // columns that the problem's own Jacobian gave
	held    []bool
	scale   []float64
	diag    []float64 // largest column norms met so far: the step's own scale
}

func newFitter(p Problem, start []float64, o FitOptions) (*fitter, error) {
	n, m := len(p.Y), len(start)
	switch {
	case p.Predict == nil || m == 0:
		return nil, fmt.Errorf("%w: no model or no parameter", ErrFit)
	case n < m:
		return nil, fmt.Errorf("%w: %d observations for %d parameters: give more samples", ErrFit, n, m)
	case p.W != nil && len(p.W) != n, p.Lower != nil && len(p.Lower) != m, p.Upper != nil && len(p.Upper) != m, p.Scale != nil && len(p.Scale) != m:
		return nil, fmt.Errorf("%w: weights, bounds or scales of another length than observations or parameters", ErrFit)
	}
	if o.Iterations <= 0 {
		o.Iterations = 200
	}
	if o.Damping <= 0 {
		o.Damping = 1e-3
	}
	if o.Tolerance <= 0 {
		o.Tolerance = 1e-14
	}
	f := &fitter{p: p, o: o, n: n, m: m,
		theta: append([]float64(nil), start...), trial: make([]float64, m), qtb: make([]float64, m),
		held: make([]bool, m), known: make([]bool, m), diag: make([]float64, m), r: mat.NewDense(m, m, nil)}
	f.lay()
	f.scale = p.Scale
	if f.scale == nil {
		f.scale = make([]float64, m)
		for c, v := range start {
			if f.scale[c] = 1e-3 * math.Abs(v); v == 0 {
				f.scale[c] = 1e-3
			}
		}
	}
	if o.Loss != Squares {
		f.robust = make([]float64, n)
	}
	f.clip(f.theta)
	p.Predict(f.theta, f.y)
	f.rss = f.weigh(f.y)
	if math.IsNaN(f.rss) || math.IsInf(f.rss, 0) {
		return nil, fmt.Errorf("%w: the model has no value at the start %v", ErrFit, start)
	}
	return f, nil
}

// lay gives the long vectors their places in one piece of memory.
func (f *fitter) lay() {
	n, m := f.n, f.m
	size := n * (6 + 2*m)
	var room []float64
	if f.p.room != nil && cap(*f.p.room) >= size {
		room = (*f.p.room)[:size]
		clear(room)
	} else {
		room = make([]float64, size)
		if f.p.room != nil {
			*f.p.room = room
		}
	}
	take := func(k int) []float64 {
		x := room[:k:k]
		room = room[k:]
		return x
	}
	f.y, f.y2, f.yd, f.res = take(n), take(n), take(2*n), take(n)
	f.j, f.work = take(n*m), take(n*m+n)
	f.columns = make([][]float64, m)
	for c := range f.columns {
		f.columns[c] = f.j[c*n : (c+1)*n : (c+1)*n]
	}
}

// clip moves theta into its bounds.
func (f *fitter) clip(theta []float64) {
	for i := range theta {
		if f.p.Lower != nil && theta[i] < f.p.Lower[i] {
			theta[i] = f.p.Lower[i]
		}
		if f.p.Upper != nil && theta[i] > f.p.Upper[i] {
			theta[i] = f.p.Upper[i]
		}
	}
}

func (f *fitter) weight(i int) float64 {
	if f.p.W == nil || f.p.Whiten != nil {
		return 1
	}
	return f.p.W[i]
}

// weigh fills res with the weighted residuals of prediction y and returns the
// sum to be made least: with a robust loss rho, the sum of rho.
func (f *fitter) weigh(y []float64) float64 {
	s := 0.0
	for i, v := range y {
		f.res[i] = math.Sqrt(f.weight(i)) * (f.p.Y[i] - v)
	}
	if f.p.Whiten != nil {
		f.p.Whiten(f.res)
	}
	for i, r := range f.res {
		if f.robust == nil {
			s += r * r
			continue
		}
		rho, k := rhoOf(f.o.Loss, r)
		f.robust[i] = k
		f.res[i] = math.Sqrt(k) * r
		s += rho
	}
	return s
}

// rhoOf gives the loss of a standardised residual (r² for small ones) and its
// weight.
func rhoOf(l Loss, r float64) (rho, weight float64) {
	switch a := math.Abs(r); l {
	case Huber:
		const c = 1.345
		if a > c {
			return c * (2*a - c), c / a
		}
	case Tukey:
		const c = 4.685
		if a >= c {
			return c * c / 3, 0
		}
		q := 1 - (r/c)*(r/c)
		return c * c / 3 * (1 - q*q*q), q * q
	}
	return r * r, 1
}

// differentiate fills j with the weighted Jacobian at theta.
func (f *fitter) differentiate() {
	clear(f.known)
	if f.p.Jacobian != nil {
		f.p.Jacobian(f.theta, f.y, f.j, f.known)
	}
	for c, col := range f.columns {
		if !f.known[c] {
			f.quotient(c, col)
		}
		if f.p.Whiten != nil {
			f.p.Whiten(col)
		}
	}
	if f.p.Whiten != nil && f.robust == nil {
		return
	}
	for i := 0; i < f.n; i++ {
		w := math.Sqrt(f.weight(i))
		if f.robust != nil {
			w *= math.Sqrt(f.robust[i])
		}
		for c := 0; c < f.m; c++ {
			f.j[c*f.n+i] *= w
		}
	}
}

// quotient fills one column of j by a central difference, one-sided at a bound.
func (f *fitter) quotient(c int, col []float64) {
	n := f.n
	h := 6e-6 * math.Max(math.Abs(f.theta[c]), f.scale[c])
	if f.p.Rough {
		f.oneSided(c, h/8, col)
		return
	}
	up, down := f.theta[c]+h, f.theta[c]-h
	if f.p.Upper != nil && up > f.p.Upper[c] {
		up = f.theta[c]
	}
	if f.p.Lower != nil && down < f.p.Lower[c] {
		down = f.theta[c]
	}
	copy(f.trial, f.theta)
	f.trial[c] = up
	f.p.Predict(f.trial, f.yd[:n])
	f.trial[c] = down
	f.p.Predict(f.trial, f.yd[n:])
	d := up - down
	for i := range col {
		if d == 0 {
			col[i] = 0
			continue
		}
		col[i] = (f.yd[i] - f.yd[n+i]) / d
	}
}

// oneSided fills one column of j from y at theta and one more prediction.
func (f *fitter) oneSided(c int, h float64, col []float64) {
	copy(f.trial, f.theta)
	f.trial[c] += h
	if f.p.Upper != nil && f.trial[c] > f.p.Upper[c] {
		f.trial[c] = f.theta[c] - h
	}
	d := f.trial[c] - f.theta[c]
	f.p.Predict(f.trial, f.yd[:f.n])
	for i := range col {
		col[i] = (f.yd[i] - f.y[i]) / d
	}
}

// triangularise reduces a copy of the Jacobian to a triangle by Householder
// reflections and applies them to the residuals: Qᵀ·res without forming Q.
func (f *fitter) triangularise() {
	n, m := f.n, f.m
	a := f.work // the columns, then the residuals as one more
	copy(a, f.j)
	copy(a[n*m:], f.res)
	for c := 0; c < m; c++ {
		x := a[c*n+c : (c+1)*n] // the reflection's vector comes to stand here
		norm := math.Sqrt(dot(x, x))
		if norm == 0 {
			continue
		}
		if x[0] > 0 {
			norm = -norm
		}
		x[0] -= norm
		scale := -norm * x[0]
		for k := c + 1; k <= m; k++ {
			y := a[k*n+c : (k+1)*n]
			floats.AddScaled(y, -dot(x, y)/scale, x)
		}
		x[0] = norm
	}
	for r := 0; r < m; r++ {
		for c := 0; c < m; c++ {
			f.r.Set(r, c, 0)
			if c >= r {
				f.r.Set(r, c, a[c*n+r])
			}
		}
		f.qtb[r] = a[m*n+r]
	}
}

func (f *fitter) run() {
	tiny := 0
	f.mu, f.nu = f.o.Damping, 2
	fresh := true
	var g []float64
	for f.iter = 0; f.iter < f.o.Iterations; f.iter++ {
		if fresh {
			f.weigh(f.y)
			f.differentiate()
			g = f.prepare()
			fresh = false
		}
		step, ok := f.step()
		if !ok {
			f.mu, f.nu = f.mu*f.nu, f.nu*2
			if f.mu > 1e300 {
				break
			}
			continue
		}
		predicted, small := f.move(step, g)
		f.p.Predict(f.trial, f.y2)
		rss := f.weigh(f.y2)
		if gain := f.rss - rss; gain >= 0 && !math.IsNaN(rss) {
			rel := gain / math.Max(f.rss, 1e-300)
			f.theta, f.trial = f.trial, f.theta
			f.y, f.y2 = f.y2, f.y
			f.rss = rss
			fresh = true
			q := 2*gain/math.Max(predicted, 1e-300) - 1
			f.mu *= math.Max(1.0/3, 1-q*q*q)
			f.nu = 2
			if small || rel < f.o.Tolerance {
				if tiny++; tiny >= 2 || small || f.p.Rough {
					f.ok = true
					break
				}
			} else {
				tiny = 0
			}
			continue
		}
		if small {
			f.ok = true // no better point within the tolerance
			break
		}
		f.mu, f.nu = f.mu*f.nu, f.nu*2
		if f.mu > 1e300 {
			break
		}
	}
	f.weigh(f.y)
	f.differentiate()
}

// prepare holds the parameters that would leave their bounds, renews the
// scales and factorises; it returns the gradient Jᵀ·res.
func (f *fitter) prepare() []float64 {
	g := make([]float64, f.m)
	for c := 0; c < f.m; c++ {
		col := f.columns[c]
		g[c] = dot(col, f.res)
		f.held[c] = f.p.Lower != nil && f.theta[c] <= f.p.Lower[c] && g[c] < 0 ||
			f.p.Upper != nil && f.theta[c] >= f.p.Upper[c] && g[c] > 0
		if f.held[c] {
			clear(col)
		}
		f.diag[c] = math.Max(f.diag[c], math.Sqrt(dot(col, col)))
	}
	f.triangularise()
	return g
}

// step solves min |R·d - Qᵀres|² + mu·|D·d|² for a step d that keeps the
// bounds: what would pass its bound is put on it and the rest solved again.
func (f *fitter) step() ([]float64, bool) {
	d := make([]float64, f.m)
	fixed := append([]bool(nil), f.held...)
	for range f.m + 1 {
		if !f.solve(d, fixed) {
			return d, false
		}
		again := false
		for c := range d {
			if fixed[c] {
				continue
			}
			v := f.theta[c] + d[c]
			if f.p.Lower != nil && v < f.p.Lower[c] {
				d[c], fixed[c], again = f.p.Lower[c]-f.theta[c], true, true
			} else if f.p.Upper != nil && v > f.p.Upper[c] {
				d[c], fixed[c], again = f.p.Upper[c]-f.theta[c], true, true
			}
		}
		if !again {
			return d, true
		}
	}
	return d, true
}

// solve fills d where it is not fixed.
func (f *fitter) solve(d []float64, fixed []bool) bool {
	m := f.m
	a := mat.NewDense(2*m, m, nil)
	b := mat.NewVecDense(2*m, nil)
	for r := 0; r < m; r++ {
		rhs := f.qtb[r]
		for c := r; c < m; c++ {
			if fixed[c] {
				rhs -= f.r.At(r, c) * d[c]
			} else {
				a.Set(r, c, f.r.At(r, c))
			}
		}
		b.SetVec(r, rhs)
		k := f.diag[r]
		if k == 0 || fixed[r] {
			k = 1
		}
		a.Set(m+r, r, math.Sqrt(f.mu)*k)
	}
	var qr mat.QR
	qr.Factorize(a)
	var x mat.VecDense
	if err := qr.SolveVecTo(&x, false, b); err != nil {
		if _, poor := err.(mat.Condition); !poor {
			return false
		}
	}
	for c := range d {
		v := x.AtVec(c)
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
		if !fixed[c] {
			d[c] = v
		}
	}
	return true
}

// move sets trial one step on and tells the reduction that the linear model
// predicts and whether the step is below the tolerance.
func (f *fitter) move(step, g []float64) (predicted float64, small bool) {
	small = true
	for c, d := range step {
		f.trial[c] = f.theta[c] + d
		if math.Abs(d) > f.o.Tolerance*(math.Abs(f.theta[c])+f.o.Tolerance) {
			small = false
		}
		dd := f.diag[c]
		predicted += d * (f.mu*dd*dd*d + g[c])
	}
	f.clip(f.trial)
	return predicted, small
}

func (f *fitter) result() (FitResult, error) {
	r := FitResult{Theta: f.theta, RSS: f.rss, Iterations: f.iter, Converged: f.ok, Robust: f.robust}
	r.Cov = f.covariance()
	return r, nil
}

// covariance is (JᵀJ)⁻¹ from the triangle of J with its columns scaled to unit
// length, or nil where a column is nought or depends on others.
func (f *fitter) covariance() *mat.Dense {
	m := f.m
	scale := make([]float64, m)
	for c := range scale {
		col := f.columns[c]
		s := math.Sqrt(dot(col, col))
		if s == 0 || math.IsNaN(s) || math.IsInf(s, 0) {
			return nil
		}
		scale[c] = s
		for i := range col {
			col[i] /= s
		}
	}
	f.triangularise()
	var inv, cov mat.Dense
	eye := mat.NewDiagDense(m, nil)
	for c := 0; c < m; c++ {
		eye.SetDiag(c, 1)
	}
	if err := inv.Solve(f.r, eye); err != nil {
		if c, poor := err.(mat.Condition); !poor || float64(c) > 1e14 {
			return nil
		}
	}
	cov.Mul(&inv, inv.T())
	for c := 0; c < m; c++ {
		for d := 0; d < m; d++ {
			v := cov.At(c, d) / scale[c] / scale[d]
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil
			}
			cov.Set(c, d, v)
		}
	}
	return &cov
}
