package analysis

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/mat"
)

const (
	lagSamples  = 64      // least number of readings
	lagMost     = 1 << 17 // most readings that are looked at, round the step
	lagNoises   = 20      // a step is at least so many standard deviations of the noise
	lagSpan     = 30      // time constants after the step that are fitted
	ringSamples = 1 << 13 // of the residual in which a resonance is looked for
	ringPart    = 0.3     // part of the residual's power that a resonance must explain
	solveSteps  = 60
)

// A Lag is what a step of pressure tells of a transducer and its line.
type Lag struct {
	TauS   Measured `json:"tau_s"`   // first-order time constant
	OnsetS float64  `json:"onset_s"` // of the step
	FromPa float64  `json:"from_Pa"`
	ToPa   float64  `json:"to_Pa"`
	// NoisePa is the standard deviation of the noise, MisfitPa that of what the
	// model leaves: where it is much larger, the step was no step, or the
	// transducer is not of first order.
	NoisePa  float64 `json:"noise_Pa"`
	MisfitPa float64 `json:"misfit_Pa"`
	Samples  int     `json:"samples"`
	// Coarse: the time constant is shorter than two sample periods and so no more
	// than an upper bound.
	Coarse bool  `json:"coarse,omitempty"`
	Ring   *Ring `json:"ring,omitempty"` // nil: no resonance stands out
}

// A Ring is a damped oscillation after the step.
type Ring struct {
	Hz          Measured `json:"hz"`
	Damping     float64  `json:"damping"` // ratio to the critical one
	AmplitudePa float64  `json:"amplitude_Pa"`
	Explains    float64  `json:"explains"` // part of the residual's power
}

// IdentifyLag fits p = p0 before t0, p1 + (p0 - p1) exp(-(t - t0)/tau) after it, to
// the largest step of a trace (t in s, p in Pa; NaN: missing) by least squares, and
// looks in what is left for the damped oscillation of the line. A step that is
// itself slow (a dump through a narrow valve) makes tau an upper bound. The
// uncertainty counts how far the residuals hang together.
func IdentifyLag(t, p []float64) (Lag, error) {
	var l Lag
	ts, ps, err := soundPairs(t, p)
	if err != nil {
		return l, err
	}
	l.NoisePa = scatter(ps)
	k, err := stepAt(ps, l.NoisePa)
	if err != nil {
		return l, err
	}
	ts, ps, k = cutRound(ts, ps, k)
	period := medianStep(ts)
	l.Samples = len(ts)
	x := startLag(ts, ps, k, period)
	a, b := telling(ts, x)
	m := stepModel{ts[a:b], ps[a:b]}
	cov := solve(m.residuals, x, b-a)
	if ring, ok := findRing(ts, m.left(ts, ps, x), x, period, l.NoisePa); ok {
		// Both at once: each would bias the other.
		x = append(x, ring...)
		m = stepModel{ts[a:b], ps[a:b]}
		cov = solve(m.residuals, x, b-a)
		l.Ring = m.ring(x, cov)
	}
	rest := m.rest(x)
	more := inflation(rest)
	l.TauS, l.MisfitPa = Measured{x[1], math.Sqrt(cov[1] * more)}, rms(rest)
	if l.Ring != nil {
		l.Ring.Hz.U *= math.Sqrt(more)
	}
	l.OnsetS, l.FromPa, l.ToPa = x[0], x[2], x[3]
	if l.Coarse = x[1] > 0 && x[1] < 2*period; l.Coarse { // onset and time constant can't be told apart
		l.TauS.U = period
	}
	if !(x[1] > 0) || x[1]-x[1] != 0 || !(l.TauS.U < x[1] || l.Coarse) {
		return l, fmt.Errorf("lag: the step has no first-order shape (time constant %.3g s +- %.2g s): take a cleaner or faster step", x[1], l.TauS.U)
	}
	return l, nil
}

func soundPairs(t, p []float64) (ts, ps []float64, err error) {
	if len(t) != len(p) {
		return nil, nil, fmt.Errorf("lag: %d times for %d readings: give one each", len(t), len(p))
	}
	for i := range p {
		if p[i]-p[i] == 0 && t[i]-t[i] == 0 {
			ts, ps = append(ts, t[i]), append(ps, p[i])
		}
	}
	if len(ts) < lagSamples {
		return nil, nil, fmt.Errorf("lag: %d sound readings, at least %d are needed", len(ts), lagSamples)
	}
	return ts, ps, nil
}

// stepAt returns the reading at which the largest step begins: where the means
// of the stretches before and after differ most.
func stepAt(p []float64, noise float64) (int, error) {
	w := max(4, len(p)/64)
	sum := make([]float64, len(p)+1)
	for i, x := range p {
		sum[i+1] = sum[i] + (x - p[0])
	}
	best, at := 0.0, 0
	for i := w; i+w <= len(p); i++ {
		d := math.Abs((sum[i+w] - 2*sum[i] + sum[i-w]) / float64(w))
		if d > best {
			best, at = d, i
		}
	}
	if !(best > lagNoises*noise) || best == 0 {
		return 0, fmt.Errorf("lag: the largest change of %.3g Pa does not stand out of noise of %.3g Pa: record a step, for example the dump valve opening at some bar", best, noise)
	}
	return at, nil
}

// cutRound keeps at most lagMost readings round the step.
func cutRound(t, p []float64, k int) ([]float64, []float64, int) {
	a := max(0, k-lagMost/4)
	b := min(len(t), a+lagMost)
	return t[a:b], p[a:b], k - a
}

func medianStep(t []float64) float64 {
	d := make([]float64, len(t)-1)
	for i := range d {
		d[i] = t[i+1] - t[i]
	}
	return median(d)
}

// startLag guesses t0, tau, p0 and p1.
func startLag(t, p []float64, k int, period float64) []float64 {
	p0 := median(p[:max(3, k*3/4)])
	p1 := median(p[len(p)-max(3, (len(p)-k)/4):])
	onset, fall := k, len(p)-1
	for i := max(0, k-len(p)/16); i < len(p); i++ {
		if (p[i]-p0)/(p1-p0) > 0.1 {
			onset = i
			break
		}
	}
	for i := onset; i < len(p); i++ {
		if (p[i]-p0)/(p1-p0) > 0.632 {
			fall = i
			break
		}
	}
	tau := math.Max(t[fall]-t[onset], period)
	return []float64{t[onset] - 0.1*tau, tau, p0, p1}
}

// telling returns the readings that tell something of the step at x: those after it
// up to lagSpan time constants, and as many before, at least lagSamples.
func telling(t, x []float64) (a, b int) {
	onset := sort.SearchFloat64s(t, x[0])
	b = max(min(onset+lagSamples, len(t)), sort.SearchFloat64s(t, x[0]+lagSpan*x[1]))
	return max(0, onset-max(lagSamples, b-onset)), b
}

// A stepModel is the trace that the step is fitted to.
type stepModel struct{ t, p []float64 }

// stepValue is the model at t. x holds t0, tau, p0, p1 and, where the line rings,
// frequency, decay rate and two amplitudes.
func stepValue(t float64, x []float64) float64 {
	u := t - x[0]
	if u <= 0 {
		return x[2]
	}
	v := x[3] + (x[2]-x[3])*math.Exp(-u/x[1])
	if len(x) > 4 {
		v += ringValue(u, x[4:])
	}
	return v
}

func ringValue(u float64, x []float64) float64 {
	w := 2 * math.Pi * x[0] * u
	return math.Exp(-x[1]*u) * (x[2]*math.Cos(w) + x[3]*math.Sin(w))
}

// residuals fills r and the model's derivatives j (a row a reading) at x. Readings
// long after the step count no more: the vessel may warm up or leak.
func (m *stepModel) residuals(x, r []float64, j *mat.Dense) {
	for i, t := range m.t {
		row := j.RawRowView(i)
		clear(row)
		r[i] = 0
		u := t - x[0]
		switch {
		case u > lagSpan*x[1]:
			continue
		case u <= 0:
			row[2] = 1
		default:
			e := math.Exp(-u / x[1])
			d := (x[2] - x[3]) * e / x[1]
			row[0], row[1], row[2], row[3] = d, d*u/x[1], e, 1-e
			if len(x) > 4 {
				ringSlopes(u, x[4:], row)
			}
		}
		r[i] = m.p[i] - stepValue(t, x)
	}
}

// ringSlopes adds the derivatives of the oscillation x at u after the onset to
// those of the step.
func ringSlopes(u float64, x, row []float64) {
	e, w := math.Exp(-x[1]*u), 2*math.Pi*x[0]*u
	c, s := e*math.Cos(w), e*math.Sin(w)
	v, turned := x[2]*c+x[3]*s, x[3]*c-x[2]*s
	row[0] += x[1]*v - 2*math.Pi*x[0]*turned
	row[4], row[5], row[6], row[7] = 2*math.Pi*u*turned, -u*v, c, s
}

// rest is what the model leaves of the readings that count.
func (m *stepModel) rest(x []float64) []float64 {
	var out []float64
	for i, t := range m.t {
		if t-x[0] <= lagSpan*x[1] {
			out = append(out, m.p[i]-stepValue(t, x))
		}
	}
	return out
}

// left is rest for all readings of a trace.
func (m *stepModel) left(t, p, x []float64) []float64 {
	out := make([]float64, len(t))
	for i := range t {
		out[i] = p[i] - stepValue(t[i], x)
	}
	return out
}

// ring reads the oscillation out of the fitted parameters.
func (m *stepModel) ring(x, cov []float64) *Ring {
	y := x[4:]
	ring := &Ring{Hz: Measured{y[0], math.Sqrt(cov[4])}, AmplitudePa: math.Hypot(y[2], y[3]), Damping: y[1] / math.Hypot(y[1], 2*math.Pi*y[0])}
	var with, without float64
	for i, t := range m.t {
		if u := t - x[0]; u > 0 && u < 3/y[1] { // where the ring lives
			d := m.p[i] - stepValue(t, x)
			with += d * d
			d += ringValue(u, y)
			without += d * d
		}
	}
	ring.Explains = 1 - with/without
	return ring
}

// solve minimises the sum of squares by Levenberg's and Marquardt's method from
// x, which it moves, and returns the variances of x that white residuals would
// give. residuals gives data minus model, and the model's derivatives.
func solve(residuals func(x, r []float64, j *mat.Dense), x []float64, n int) []float64 {
	np := len(x)
	r, j, damp := make([]float64, n), mat.NewDense(n, np, nil), 1e-3
	try, jn := make([]float64, np), mat.NewDense(n, np, nil)
	rn := make([]float64, n)
	residuals(x, r, j)
	ss := dot(r, r)
	var a mat.SymDense
	for range solveSteps {
		a.SymOuterK(1, j.T())
		b := mat.NewVecDense(np, nil)
		b.MulVec(j.T(), mat.NewVecDense(n, r))
		step, ok := damped(&a, b, damp)
		if !ok {
			break
		}
		for k := range x {
			try[k] = x[k] + step.AtVec(k)
		}
		residuals(try, rn, jn)
		s := dot(rn, rn)
		if !(s < ss) {
			if damp *= 8; damp > 1e12 {
				break
			}
			continue
		}
		gain := ss - s
		copy(x, try)
		r, rn, j, jn, ss = rn, r, jn, j, s
		damp = math.Max(damp/5, 1e-12)
		if gain < 1e-12*ss {
			break
		}
	}
	return variances(j, r, ss)
}

// scaled returns A with rows and columns divided by the roots of its diagonal,
// which it returns too: the parameters differ by many orders of magnitude.
func scaled(a *mat.SymDense) (*mat.SymDense, []float64) {
	n := a.SymmetricDim()
	d := make([]float64, n)
	for k := range d {
		d[k] = math.Sqrt(a.At(k, k))
		if d[k] == 0 {
			d[k] = 1
		}
	}
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			out.SetSym(i, k, a.At(i, k)/(d[i]*d[k]))
		}
	}
	return out, d
}

// damped solves (A + damp diag A) step = b.
func damped(a *mat.SymDense, b *mat.VecDense, damp float64) (*mat.VecDense, bool) {
	s, d := scaled(a)
	right := mat.NewVecDense(len(d), nil)
	for k := range d {
		s.SetSym(k, k, s.At(k, k)+damp)
		right.SetVec(k, b.AtVec(k)/d[k])
	}
	var c mat.Cholesky
	if !c.Factorize(s) {
		return nil, false
	}
	step := mat.NewVecDense(len(d), nil)
	if c.SolveVecTo(step, right) != nil {
		return nil, false
	}
	for k := range d {
		step.SetVec(k, step.AtVec(k)/d[k])
	}
	return step, true
}

// variances are those of white residuals; infinite where the data don't tell the
// parameters apart.
func variances(j *mat.Dense, r []float64, ss float64) []float64 {
	_, np := j.Dims()
	out := make([]float64, np)
	for k := range out {
		out[k] = math.Inf(1)
	}
	used := 0
	for _, x := range r {
		if x != 0 {
			used++
		}
	}
	var a mat.SymDense
	a.SymOuterK(1, j.T())
	s, d := scaled(&a)
	var c mat.Cholesky
	if used <= np || !c.Factorize(s) {
		return out
	}
	var inv mat.SymDense
	if c.InverseTo(&inv) != nil {
		return out
	}
	for k := range out {
		out[k] = inv.At(k, k) / (d[k] * d[k]) * ss / float64(used-np)
	}
	return out
}

// inflation is by how much correlated residuals raise a fit's variance: one plus
// twice the sum of their autocorrelation up to its first zero.
func inflation(r []float64) float64 {
	var v float64
	for _, x := range r {
		v += x * x
	}
	sum := 1.0
	for lag := 1; lag < min(len(r)/4, 2000) && v > 0; lag++ {
		var c float64
		for i := lag; i < len(r); i++ {
			c += r[i] * r[i-lag]
		}
		if c <= 0 {
			break
		}
		sum += 2 * c / v
	}
	return sum
}

// findRing looks for a damped oscillation A exp(-d t) cos(2 pi f t + phi) in what
// the step alone leaves after its onset, beginning at the highest line of its
// spectrum. It returns frequency, decay rate and two amplitudes to start from.
func findRing(t, left, step []float64, period, noise float64) ([]float64, bool) {
	var ts, r []float64
	for i := range t {
		if t[i] >= step[0] && len(r) < ringSamples {
			ts, r = append(ts, t[i]-step[0]), append(r, left[i])
		}
	}
	if len(r) < lagSamples {
		return nil, false
	}
	f := loudest(r) / period
	if f == 0 {
		return nil, false
	}
	x := []float64{f, 0.05 * 2 * math.Pi * f, 0, 0}
	m := ringModel{ts, r}
	m.amplitudes(x)
	solve(m.residuals, x, len(ts))
	damping := x[1] / math.Hypot(x[1], 2*math.Pi*x[0])
	if !(x[0] > 0 && x[0] < 0.5/period && x[1] > 0 && damping < 0.7) || math.Hypot(x[2], x[3]) < 4*noise {
		return nil, false
	}
	n := min(len(r), max(lagSamples, int(3/(x[1]*period)))) // where the ring lives
	without := make([]float64, n)
	for i := range without {
		without[i] = r[i] - ringValue(ts[i], x)
	}
	return x, 1-dot(without, without)/dot(r[:n], r[:n]) >= ringPart
}

// loudest returns the frequency of the highest line in the spectrum, in cycles a
// reading, beyond the lowest three, where the step's own misfit lies.
func loudest(r []float64) float64 {
	n := 1
	for n < len(r) {
		n *= 2
	}
	c := fourier.NewFFT(n).Coefficients(nil, append(append(make([]float64, 0, n), r...), make([]float64, n-len(r))...))
	best, at := 0.0, 0
	for i := 1 + 3*n/len(r); i < len(c)-1; i++ {
		if a := cmplx.Abs(c[i]); a > best {
			best, at = a, i
		}
	}
	return float64(at) / float64(n)
}

// A ringModel is what is left after a step, counted from its onset.
type ringModel struct{ t, r []float64 }

// amplitudes sets the two amplitudes by linear least squares.
func (m *ringModel) amplitudes(x []float64) {
	var cc, cs, ss, cr, sr float64
	for i, t := range m.t {
		e, w := math.Exp(-x[1]*t), 2*math.Pi*x[0]*t
		c, s := e*math.Cos(w), e*math.Sin(w)
		cc, cs, ss, cr, sr = cc+c*c, cs+c*s, ss+s*s, cr+c*m.r[i], sr+s*m.r[i]
	}
	if det := cc*ss - cs*cs; det > 0 {
		x[2], x[3] = (ss*cr-cs*sr)/det, (cc*sr-cs*cr)/det
	}
}

func (m *ringModel) residuals(x, r []float64, j *mat.Dense) {
	var row [8]float64
	for i, t := range m.t {
		ringSlopes(t, x, row[:])
		copy(j.RawRowView(i), row[4:])
		r[i] = m.r[i] - ringValue(t, x)
	}
}

func rms(r []float64) float64 { return math.Sqrt(dot(r, r) / float64(max(1, len(r)))) }

// dot is the scalar product, in four sums that don't wait for each other.
func dot(a, b []float64) float64 {
	var s0, s1, s2, s3 float64
	b = b[:len(a)]
	i := 0
	for ; i <= len(a)-4; i += 4 {
		x, y := (*[4]float64)(a[i:]), (*[4]float64)(b[i:])
		s0 += x[0] * y[0]
		s1 += x[1] * y[1]
		s2 += x[2] * y[2]
		s3 += x[3] * y[3]
	}
	for ; i < len(a); i++ {
		s0 += a[i] * b[i]
	}
	return (s0 + s1) + (s2 + s3)
}
