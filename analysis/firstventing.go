package analysis

import (
	"math"

	"ventward/daq"
	"ventward/detect"
)

// Bounds of the fit of a first venting.
const (
	riseBefore = 1.5 // s before the trigger that are used,
	riseAhead  = 12  // or so many samples
	riseFewest = 6   // samples on either side of the onset
	// riseSlack is the part of the step by which the model's course (straight,
	// then an exponential rise) may be wrong (judgement, no source).
	riseSlack = 0.01
)

// FitFirstVenting finds when the pressure of a closed vessel began to rise: the
// onset, with its expanded uncertainty (k = 2), of a straight line that from
// there on rises exponentially to another level, over every time constant that
// the samples allow. It knows nothing of the cell: the step and the dip are the
// monitor's. What could not be computed is named in Absent.
func FitFirstVenting(w detect.Window, ch daq.Channel) detect.Finding {
	f := detect.Finding{Event: w.Event, Serial: w.Serial, Final: w.Final, Absent: map[string]string{}}
	s := newStretch(&w)
	from, to := s.index(-math.Max(riseBefore, riseAhead*s.dt)), s.summit()
	if s.dt <= 0 || s.trigger-from < riseFewest || to-s.trigger < 1 || to-from < 2*riseFewest {
		f.Absent["onset_u"] = "the window holds too few good samples round the rise"
		return f
	}
	for i := range s.v {
		s.v[i] = -s.v[i] // a rise is a fall upside down
	}
	at, u, ok := s.riseOnsets(from, to, ch.LagS)
	if !ok {
		f.Absent["onset_u"] = "no rise was found in the window"
		return f
	}
	at -= ch.DelayS
	u = math.Hypot(u, 2*math.Hypot(ch.LagUS, s.dt/math.Sqrt(12)))
	f.Onset, f.OnsetU = new(s.origin+int64(at*1e9)), new(int64(math.Ceil(u*1e9)))
	return f
}

// summit is one past the sample where the pressure is highest after the
// trigger, as far as the noise lets one say.
func (s *stretch) summit() int {
	top, best := s.trigger, math.Inf(-1)
	for i := s.trigger; i+2 < len(s.t); i++ {
		if m := median3(s.v[i], s.v[i+1], s.v[i+2]); m > best {
			top, best = i+2, m
		}
	}
	return min(top+1, len(s.t))
}

func median3(a, b, c float64) float64 {
	return math.Max(math.Min(a, b), math.Min(math.Max(a, b), c))
}

// riseParts are the parts of the rise that are fitted in turn: the less of it,
// the less its later course misleads, and the less the noise allows.
var riseParts = [...]float64{1, 0.5, 0.25, 0.12}

// riseOnsets is the onset by the part of the rise that tells it best, where what
// a part differs from the next larger one counts as uncertainty.
func (s *stretch) riseOnsets(from, to int, lag float64) (onset, u float64, ok bool) {
	last, have := 0.0, false
	for _, part := range riseParts {
		x, ux, found := s.riseOnset(from, s.risen(from, to, part), lag)
		if !found {
			break
		}
		all := ux
		if have {
			all = math.Hypot(ux, x-last)
		}
		if !ok || have && all < u || have && part == riseParts[1] {
			onset, u, ok = x, all, true
		}
		last, have = x, true
	}
	return onset, u, ok
}

// risen is one past the sample from which on the pressure has gone part of its
// way to sample to.
func (s *stretch) risen(from, to int, part float64) int {
	low := median(s.v[from:s.trigger])
	high := s.v[to-1]
	for i := s.trigger; i+1 < to; i++ {
		if (s.v[i]-low)/(high-low) > part && (s.v[i+1]-low)/(high-low) > part {
			return min(max(i+1, s.trigger+3), to)
		}
	}
	return to
}

// riseOnset is the mean onset (s from the trigger) over the likelihood of all
// onsets and time constants, and twice its standard deviation; the rise is seen
// through a lag of first order, in s. The noise is that of the line before the
// rise, widened by Birge's ratio where the model does not fit.
func (s *stretch) riseOnset(from, to int, lag float64) (onset, u float64, ok bool) {
	quiet := max(s.trigger-s.trigger/8-2, from+riseFewest)
	variance := s.noiseVariance(from, min(quiet, s.trigger))
	b := s.bin(from, to, 16*s.dt, 1.0/12, 1.0/12, 0)
	b.lag = lag
	found := searchHinge(&b, variance, s.dt)
	best := hinge{chi2: math.Inf(1)}
	for _, h := range found {
		if h.chi2 < best.chi2 {
			best = h
		}
	}
	if less := s.quieter(from, &best, variance); less < variance {
		scale := variance / less
		for k := range found {
			found[k].chi2 *= scale
		}
		best.chi2, best.line, variance = best.chi2*scale, best.line*scale, less
	}
	if math.IsInf(best.chi2, 1) || best.line-best.chi2 < 9 {
		return 0, 0, false
	}
	misfit := math.Max(1, best.chi2/math.Max(1, float64(len(b.t)-5)))
	slack := riseSlack * best.drop * math.Sqrt(1/variance)
	misfit = math.Max(misfit, slack*slack/float64(len(b.t)))
	var sw, sx, sxx float64
	for i, h := range found {
		width := 0.0 // the grid is uneven: each onset stands for its part of it
		if i > 0 {
			width += math.Abs(h.onset-found[i-1].onset) / 2
		}
		if i+1 < len(found) {
			width += math.Abs(found[i+1].onset-h.onset) / 2
		}
		p := width * math.Exp(-(h.chi2-best.chi2)/2/misfit)
		x := h.onset - best.onset
		sw, sx, sxx = sw+p, sx+p*x, sxx+p*x*x
	}
	mean := sx / sw
	return best.onset + mean, 2 * math.Sqrt(math.Max(0, sxx/sw-mean*mean)), true
}

// noiseVariance is that of samples [from, to) about their line, Pa².
func (s *stretch) noiseVariance(from, to int) float64 {
	return math.Max(math.Pow(robustSD(lineResiduals(s.t[from:to], s.v[from:to])), 2), 1e-6)
}

// quieter is the noise before a rise that does not stand out of what was taken
// for noise: where readings are few the trigger is well behind the onset, and
// that holds the rise itself.
func (s *stretch) quieter(from int, rise *hinge, variance float64) float64 {
	to := s.index(rise.onset) - 1
	if math.IsInf(rise.chi2, 1) || rise.line-rise.chi2 >= 9 || to-from < riseFewest || to >= s.trigger {
		return variance
	}
	return s.noiseVariance(from, to)
}
