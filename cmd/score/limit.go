package main

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"ventward/sim"
)

// A limit is what the noise-free trace allows at best, by the first pressure
// sensor.
type limit struct {
	nLim        int     // samples from the start that the ideal detector needs; 0: never
	information float64 // sum of squares over the variance up to the next event
	allowed     bool    // a fair detector finds it
	resolved    bool    // kind and area can be told
	pressureU   float64 // 2 sigma / sqrt(M), Pa
	onsetSD     float64 // Cramér-Rao bound of the effective onset, s; 0: none
	sigma       float64 // Pa, with the quantisation
	snr         float64 // sqrt(information)
	begin       int     // first sample of the baseline
	start       int     // first sample of the opening
}

// limits computes the limits of the opening Truth[i].
func limits(tr *sim.Trace, i int) (limit, error) {
	other, err := tr.Without(i)
	if err != nil {
		return limit{}, err
	}
	s := &tr.Series[0]
	truth := &tr.Truth[i]
	l := limit{sigma: math.Hypot(s.Sigma, s.Channel.Step/math.Sqrt(12))}
	start := 0
	for start < len(tr.T) && tr.T[start] < truth.StartNS {
		start++
	}
	begin, end := span(tr, i, start)
	l.begin, l.start = begin, start
	r := make([]float64, len(tr.T))
	for k := range r {
		r[k] = shown(s, s.Clean[k]) - shown(s, other[0][k])
	}
	l.detection(tr, r, begin, start, end)
	l.allowed = l.information >= 100
	l.snr = math.Sqrt(l.information)
	m := math.Min(float64(start-begin), tr.RateHz)
	l.pressureU = 2 * l.sigma / math.Sqrt(math.Max(m, 1))
	l.onsetSD = l.cramerRao(tr, r, begin, start, end, float64(truth.OnsetNS)*1e-9)
	l.resolve(tr, truth, s, r, start, end)
	return l, nil
}

// shown is the pressure v as far as the transducer can show it.
func shown(s *sim.Series, v float64) float64 {
	if h := s.Channel.High; h > 0 {
		return math.Min(v, 1.06*h)
	}
	return v
}

// slow tells whether a fair detector finds the leak or bulge Truth[i]: its
// departure from the straight line before it carries enough information.
func slow(tr *sim.Trace, i int) bool {
	s := &tr.Series[0]
	l := limit{sigma: math.Hypot(s.Sigma, s.Channel.Step/math.Sqrt(12))}
	start := 0
	for start < len(tr.T) && tr.T[start] < tr.Truth[i].StartNS {
		start++
	}
	begin, end := span(tr, i, start)
	r := make([]float64, len(tr.T))
	if start-begin < 3 {
		return false
	}
	slope := (s.Clean[start-1] - s.Clean[begin]) / float64(tr.T[start-1]-tr.T[begin])
	for k := start; k < end; k++ {
		r[k] = s.Clean[k] - s.Clean[start-1] - slope*float64(tr.T[k]-tr.T[start-1])
	}
	l.detection(tr, r, begin, start, end)
	return l.information >= 100
}

// span is the stretch free of other true events: at most 1 s before the start.
func span(tr *sim.Trace, i, start int) (begin, end int) {
	from, to := tr.Truth[i].StartNS-int64(1e9), tr.Span
	for k := range tr.Truth {
		t := tr.Truth[k]
		if k == i || t.Event == "sensor-fault" || t.Event == "continuity-loss" {
			continue
		}
		if t.StartNS <= tr.Truth[i].StartNS && t.StartNS > from {
			from = t.StartNS
		}
		if t.StartNS > tr.Truth[i].StartNS && t.StartNS < to {
			to = t.StartNS
		}
	}
	for begin = start; begin > 0 && tr.T[begin-1] >= from; begin-- {
	}
	for end = start; end < len(tr.T) && tr.T[end] < to; end++ {
	}
	return begin, end
}

// detection finds N_lim and the information: r projected off the straight line
// through all samples from begin on.
func (l *limit) detection(tr *sim.Trace, r []float64, begin, start, end int) {
	lnG := math.Log(falseAlarmS * tr.RateHz)
	var n, t1, t2, r0, r1, rr float64
	origin := tr.T[min(start, len(tr.T)-1)]
	for k := begin; k < end; k++ {
		t := float64(tr.T[k]-origin) * 1e-9
		n, t1, t2 = n+1, t1+t, t2+t*t
		r0, r1, rr = r0+r[k], r1+r[k]*t, rr+r[k]*r[k]
		if k < start || k-begin < 2 {
			continue
		}
		det := n*t2 - t1*t1
		left := rr
		if det > 0 {
			left -= (r0*r0*t2 - 2*r0*r1*t1 + r1*r1*n) / det
		}
		left /= l.sigma * l.sigma
		if l.nLim == 0 && left/2 >= lnG {
			l.nLim = k - start + 1
		}
		l.information = math.Max(l.information, left)
	}
}

// cramerRao is the bound for the effective onset with level, ramp, size, time
// scale, opening width and lag as unknowns, by derivatives of the noise-free
// fall. Of the lag the bench knows what it states: its standard uncertainty is
// that of a normal prior.
func (l *limit) cramerRao(tr *sim.Trace, r []float64, begin, start, end int, onset float64) float64 {
	const unknowns = 7
	h := 1 / tr.RateHz
	f := mat.NewSymDense(unknowns, nil)
	var g [unknowns]float64
	late := later(r, h, tr.Series[0].LagS)
	for k := max(begin, 1); k < min(end, len(r)-1); k++ {
		x := float64(tr.T[k])*1e-9 - onset
		d := (r[k+1] - r[k-1]) / (2 * h)
		dd := (r[k+1] - 2*r[k] + r[k-1]) / (h * h)
		g = [unknowns]float64{d, 1, x, r[k], x * d, dd * h * h, late[k]}
		for a := range g {
			for b := a; b < len(g); b++ {
				f.SetSym(a, b, f.At(a, b)+g[a]*g[b]/l.sigma/l.sigma)
			}
		}
	}
	u := math.Max(tr.Series[0].Channel.LagUS, 1e-9)
	f.SetSym(unknowns-1, unknowns-1, f.At(unknowns-1, unknowns-1)+1/(u*u))
	return bound(f)
}

// later is the derivative of what a first-order lag (s) reads by the lag itself:
// less the reading's rate as the lag would read it. Samples are h apart (s).
func later(r []float64, h, lag float64) []float64 {
	out := make([]float64, len(r))
	keep := 0.0
	if lag > 0 {
		keep = math.Exp(-h / lag)
	}
	for k := 1; k < len(r)-1; k++ {
		out[k] = keep*out[k-1] - (1-keep)*(r[k+1]-r[k-1])/(2*h)
	}
	return out
}

// bound is the standard deviation that the information f leaves to its first
// unknown; 0: none.
func bound(f *mat.SymDense) float64 {
	n := f.SymmetricDim()
	scale := make([]float64, n) // unit diagonal before the inversion
	for a := range scale {
		if scale[a] = math.Sqrt(f.At(a, a)); scale[a] == 0 {
			return 0
		}
	}
	for a := range scale {
		for b := a; b < n; b++ {
			f.SetSym(a, b, f.At(a, b)/scale[a]/scale[b])
		}
	}
	var c mat.Cholesky
	if !c.Factorize(f) {
		return 0
	}
	var inv mat.SymDense
	if err := c.InverseTo(&inv); err != nil {
		return 0
	}
	return math.Sqrt(inv.At(0, 0)) / scale[0]
}

// resolve tells whether kind and area can be told: time constant at least
// three lags and at least ten samples in the first tenth of the fall.
func (l *limit) resolve(tr *sim.Trace, truth *sim.Truth, s *sim.Series, r []float64, start, end int) {
	if tr.Liquid {
		return
	}
	tenth := 0.1 * truth.PressurePa
	n := 0
	for k := start; k < end && r[k] > -tenth; k++ {
		n++
	}
	// Time constant of the pressure's choked fall, γ = 1.4, nitrogen or what is near it.
	tau := tr.Fixture.VolumeM3 / (truth.AreaM2 * 0.5787 * math.Sqrt(1.4*296.8*(tr.Fixture.RoomC+273.15))) / 1.4
	l.resolved = n >= 10 && tau >= 3*s.LagS
}

// calibrated is what a sensor with the trace's calibration error reads at the
// true reading v: a straight line through reading against truth, taken from the
// samples outside [begin, end) so that their noise is not that of the fit's.
func calibrated(s *sim.Series, begin, end int, v float64) float64 {
	var e []float64
	for k := range s.V {
		if (k < begin || k >= end) && s.V[k] == s.V[k] {
			e = append(e, s.V[k]-s.Clean[k])
		}
	}
	if len(e) < 100 {
		return v
	}
	middle, spread := quantile(e, 0.5), quantile(e, 0.84)-quantile(e, 0.16)
	var n, x1, x2, y1, xy float64
	for k := range s.V {
		d := s.V[k] - s.Clean[k]
		if k >= begin && k < end || !(math.Abs(d-middle) < 3*spread) {
			continue
		}
		x := s.Clean[k] - v
		n, x1, x2, y1, xy = n+1, x1+x, x2+x*x, y1+d, xy+x*d
	}
	det := n*x2 - x1*x1
	if n < 50 || det <= 1e-6*n*n*v*v { // no spread to tell a slope from
		return v + y1/math.Max(n, 1)
	}
	return v + (y1*x2-x1*xy)/det
}
