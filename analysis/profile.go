package analysis

import (
	"math"
	"slices"
)

// A profile is the best course with some figures held, its misfit and the
// covariance of all figures (nought for the held ones).
type profile struct {
	course
	late      float64 // by how much the effective onset lies after the middle of the opening time, s
	at, slope float64 // pressure and ramp at the onset as they would be without the opening, Pa and Pa/s
	chi2      float64
	cov       [figures][figures]float64
	lnDet     float64 // of the free figures' covariance
	share     float64 // logarithm of its prior share
	weight    float64
	tried     bool // it differs from another in the impulse line alone
	first     bool // of two openings the first is told: the course can't be solved
}

// fit fits the given figures from course c on.
func (a *opening) fit(c course, free []figure, most int) (profile, bool) {
	b := &a.b
	n := a.used
	limits, _ := a.bounds()
	sv := a.solver(&c)
	var theta, scale, lower, upper []float64
	obs := append([]float64(nil), b.y[:n]...)
	var soft []int // places in theta that carry a prior
	for k, f := range free {
		l := limits[f]
		theta, scale = append(theta, c.get(f)), append(scale, l.scale)
		lower, upper = append(lower, l.low), append(upper, l.high)
		if l.sd > 0 {
			soft = append(soft, k)
			obs = append(obs, l.mean/l.sd)
		}
	}
	unpack := func(th []float64) course {
		d := c
		for k, f := range free {
			d.set(f, th[k])
		}
		return d
	}
	p := Problem{Y: obs, Rough: true, Lower: lower, Upper: upper, Scale: scale,
		Predict: func(th, y []float64) {
			d := unpack(th)
			sv.read(&d, b.t[:n], y[:n])
			for i, k := range soft {
				y[n+i] = th[k] / limits[free[k]].sd
			}
		},
		Jacobian: func(th, y, j []float64, known []bool) {
			d := unpack(th)
			a.columns(sv, &d, free, &limits, y, j, known)
			for k := range free {
				if known[k] {
					clear(j[k*len(y)+n : (k+1)*len(y)])
				}
			}
			for i, k := range soft {
				if known[k] {
					j[k*len(y)+n+i] = 1 / limits[free[k]].sd
				}
			}
		},
		Whiten: func(v []float64) { a.white.apply(v[:n]) },
		room:   &a.room,
	}
	r, err := Fit(p, theta, FitOptions{Iterations: most, Tolerance: 1e-5})
	if err != nil {
		return profile{}, false
	}
	if r.Cov == nil { // what rests on its bound is taken for known
		inside := within(free, r.Theta, lower, upper)
		if len(inside) == len(free) || !slices.Contains(inside, figOnset) || !slices.Contains(inside, figLevel) {
			return profile{}, false
		}
		return a.fit(unpack(r.Theta), inside, most)
	}
	out := profile{course: unpack(r.Theta), chi2: r.RSS, lnDet: lnDet(r)}
	for i, f := range free { // what a figure leaves open is its range at most
		if l := limits[f]; r.Cov.At(i, i) > (l.high-l.low)*(l.high-l.low)/12 {
			out.lnDet -= math.Log(r.Cov.At(i, i) * 12 / (l.high - l.low) / (l.high - l.low))
		}
	}
	for i, f := range free {
		for j, g := range free {
			out.cov[f][g] = r.Cov.At(i, j)
		}
	}
	out.at, out.slope = out.level, out.ramp
	if !a.first {
		out.seen(sv, free, &limits)
	}
	return out, true
}

// within is the free figures whose values theta lie between their bounds.
func within(free []figure, theta, lower, upper []float64) (inside []figure) {
	for k, f := range free {
		if theta[k] > lower[k] && theta[k] < upper[k] {
			inside = append(inside, f)
		}
	}
	return inside
}

// solver prepares for courses near c over the bins in use.
func (a *opening) solver(c *course) *solver {
	return newSolver(a.law, c.onset, math.Max(a.b.t[a.used-1]+2*a.s.dt, c.onset+4*a.s.dt), c.rate)
}

// seen fills in level and ramp at the onset where an earlier event leads there:
// the level's row of the covariance is then that of the level at the onset.
func (p *profile) seen(sv *solver, free []figure, limits *[figures]bound) {
	if p.earlier == straightRamp {
		return
	}
	sv.solve(&p.course)
	p.at, p.slope = sv.aim-sv.gauge+p.zero, sv.slope
	var grad [figures]float64
	for _, f := range free {
		c, h := p.course, 1e-4*limits[f].scale
		c.set(f, c.get(f)+h)
		sv.solve(&c)
		grad[f] = (sv.aim - sv.gauge + c.zero - p.at) / h
	}
	var row [figures]float64
	for _, f := range free {
		for _, g := range free {
			row[f] += grad[g] * p.cov[g][f]
		}
	}
	own := 0.0
	for _, f := range free {
		own += grad[f] * row[f]
	}
	for _, f := range free {
		p.cov[figLevel][f], p.cov[f][figLevel] = row[f], row[f]
	}
	p.cov[figLevel][figLevel] = own
}

// lnDet is the logarithm of the determinant of the covariance, each figure in
// units of its scale of change.
func lnDet(r FitResult) float64 {
	m := len(r.Theta)
	// Cov is a product of triangles: its determinant by Cholesky, inline.
	l := make([]float64, m*m)
	sum := 0.0
	for i := 0; i < m; i++ {
		for j := 0; j <= i; j++ {
			s := r.Cov.At(i, j) / math.Sqrt(r.Cov.At(i, i)*r.Cov.At(j, j))
			for k := 0; k < j; k++ {
				s -= l[i*m+k] * l[j*m+k]
			}
			if i == j {
				l[i*m+i] = math.Sqrt(math.Max(s, 1e-12))
				sum += 2 * math.Log(l[i*m+i])
			} else {
				l[i*m+j] = s / l[j*m+j]
			}
		}
		sum += math.Log(r.Cov.At(i, i))
	}
	return sum
}

func bestOf(p []profile) *profile {
	var b *profile
	for i := range p {
		if b == nil || p[i].chi2 < b.chi2 {
			b = &p[i]
		}
	}
	return b
}

// weigh gives each profile its share: likelihood times the volume of the rest,
// under an even prior of ln w and ln K.
func (a *opening) weigh() {
	excess := a.excess()
	top := math.Inf(-1)
	for i := range a.fits {
		top = math.Max(top, a.fits[i].evidence(excess))
	}
	sum := 0.0
	for i := range a.fits {
		a.fits[i].weight = math.Exp(a.fits[i].evidence(excess) - top)
		sum += a.fits[i].weight
	}
	for i := range a.fits {
		a.fits[i].weight /= sum
	}
}

func (p *profile) evidence(excess float64) float64 {
	return p.share + p.lnDet/2 - p.chi2/2/excess
}

// mixed is middle and standard deviation of a figure over the profiles.
func (a *opening) mixed(f figure) (mean, sd float64) {
	return a.mixture(func(p *profile) float64 {
		switch f {
		case figOnset:
			return p.onset + p.late
		case figLevel:
			return p.at
		case figRamp:
			return p.slope
		}
		return p.get(f)
	}, f, 1, f, 0)
}

// mixedRate is mixed for the rate of the fall: of the fits that differ in the
// impulse line alone, which says little of it, the one that they differ from
// counts, lest the hypotheses that it is compared with lose weight to them.
func (a *opening) mixedRate() (mean, sd float64) {
	all, sum := a.fits, 0.0
	two := all[len(all)-1].first != all[0].first // beside the one they are compared with as a whole
	a.fits = nil
	for i := range all {
		if !all[i].tried || two {
			a.fits = append(a.fits, all[i])
			sum += all[i].weight
		}
	}
	if a.settled == 0 {
		a.settled = a.misfit(bestOf(all))
		defer func() { a.settled = 0 }()
	}
	if sum < leastUntried {
		a.fits, sum = all, 1
	}
	for i := range a.fits {
		a.fits[i].weight /= sum
	}
	mean, sd = a.mixed(figRate)
	a.fits = all
	return mean, sd
}

// leastUntried is the weight below which the fits without another line are not
// heard alone.
const leastUntried = 0.1

// noiseOf is the mean variance of a figure that the noise alone makes, were lag
// and line known.
func (a *opening) noiseOf(f figure) float64 {
	sum := 0.0
	for i := range a.fits {
		p := a.fits[i]
		for _, g := range []figure{figLag, figRing, figDamp} {
			p.know(g)
		}
		sum += p.weight * p.cov[f][f]
	}
	return sum * a.excess()
}

// know makes of the covariance what it is where figure g is known.
func (p *profile) know(g figure) {
	own := p.cov[g][g]
	if own <= 0 {
		return
	}
	row := p.cov[g]
	for i := range p.cov {
		for j := range p.cov[i] {
			p.cov[i][j] -= row[i] * row[j] / own
		}
	}
}

// held is the share of a normal distribution within two standard deviations.
const held = 0.9545

// mixture is the middle of a value that has the gradients gf and gg by the
// figures f and g, and half of how far the interval about it reaches that holds
// as much as two standard deviations of a normal distribution do (JCGM 101, 7.7:
// the interval that the distribution itself gives). The middle is the median:
// what a few unlikely profiles say moves neither.
func (a *opening) mixture(value func(p *profile) float64, f figure, gf float64, g figure, gg float64) (middle, sd float64) {
	n := len(a.fits)
	x, s := make([]float64, n), make([]float64, n)
	excess := a.excess()
	low, high, most := math.Inf(1), math.Inf(-1), 0.0
	for i := range a.fits {
		p := &a.fits[i]
		x[i] = value(p)
		s[i] = math.Sqrt(math.Max(gf*gf*p.cov[f][f]+2*gf*gg*p.cov[f][g]+gg*gg*p.cov[g][g], 0)*excess + 1e-300)
		if p.weight > 1e-6 {
			low, high, most = math.Min(low, x[i]), math.Max(high, x[i]), math.Max(most, s[i])
		}
	}
	below := func(at float64) float64 { // of the sum of normal distributions
		sum := 0.0
		for i := range x {
			sum += a.fits[i].weight * math.Erfc((x[i]-at)/(math.Sqrt2*s[i])) / 2
		}
		return sum
	}
	middle = bisect(low, high, func(m float64) bool { return below(m) < 0.5 })
	reach := bisect(0, high-low+4*most, func(r float64) bool { return below(middle+r)-below(middle-r) < held })
	return middle, reach / 2
}

// bisect is where short stops being true between low and high.
func bisect(low, high float64, short func(x float64) bool) float64 {
	for range 60 {
		if x := (low + high) / 2; short(x) {
			low = x
		} else {
			high = x
		}
	}
	return high
}

// misfit is Birge's ratio of a profile: by how much its sum of squares exceeds
// what the noise explains, over all bins or over those of the opening and the
// fall alone, whichever is more; not below 1, and only where that is no chance.
func (a *opening) misfit(p *profile) float64 {
	n := a.used
	e := make([]float64, n)
	sv := a.solver(&p.course)
	sv.read(&p.course, a.b.t[:n], e)
	for i := range e {
		e[i] = a.b.y[i] - e[i]
	}
	a.white.apply(e)
	ratio := func(from int, taken float64) float64 {
		sum := 0.0
		for _, v := range e[from:] {
			sum += v * v
		}
		free := float64(n-from) - taken
		if free < 3 || sum < free+2.5*math.Sqrt(2*free) {
			return 1
		}
		return sum / free
	}
	first := a.after(math.Min(p.onset-p.width/2, p.anchor()) - 3*a.s.dt)
	return math.Max(ratio(0, 6), ratio(min(first, n), 4))
}

// excess is the misfit of the best fit. It widens the intervals where the model
// is not the whole truth.
func (a *opening) excess() float64 {
	if a.settled > 0 {
		return a.settled
	}
	best := bestOf(a.fits)
	if best == nil {
		return 1
	}
	return a.misfit(best)
}
