package detect

import (
	"math"

	"ventward/daq"
)

const (
	seepNs     = int64(250e6) // time that one mean takes
	seepLeast  = 8            // means from which a fall can be called steady
	seepMost   = 16
	seepHeld   = int64(4e9) // a peak this long before the means held may begin the fall
	seepSigma  = 8.0
	seepEase   = 0.8  // the second half falls at least so fast, relative to the first: gas that cools comes to rest
	seepGrow   = 1.6  // and at most so fast
	seepBend   = 0.05 // of the whole fall: further from the line no mean lies
	driftShare = 2e-4 // of the absolute pressure a second: a sensor may drift so fast (common practice, no source)
)

// A seep watches a burst bench's pressure for a slow and steady fall, however
// it began: a ramp that ended before the noise was known, or as gently as gas
// cools, gives no departure that a window could see.
type seep struct {
	v     [seepMost]float64 // means, the newest last
	k     int               // means held
	least int               // samples of the smallest of them
	from  int64             // of the mean under way
	sum   float64
	n     int
	high  float64 // highest mean since the last hole
	highT int64   // its end
}

// due is when the mean under way ends; it begins at t if none is.
func (s *seep) due(t int64) int64 {
	if s.n > 0 {
		t = s.from
	}
	return t + seepNs
}

// push takes valid samples, none but the last of them due, and tells whether a
// mean is complete.
func (s *seep) push(x []daq.Sample) bool {
	if s.n == 0 {
		s.from = x[0].T
	}
	sum := s.sum
	for i := range x {
		sum += x[i].V
	}
	s.sum = sum
	s.n += len(x)
	t := x[len(x)-1].T
	return t-s.from >= seepNs && s.hold(t)
}

// hold ends the mean under way at t where it has enough samples.
func (s *seep) hold(t int64) bool {
	if s.n < 4 {
		return false
	}
	mean := s.sum / float64(s.n)
	if s.k == 0 || mean > s.high {
		s.high, s.highT = mean, t
	}
	if s.k == 0 || s.n < s.least {
		s.least = s.n
	}
	if s.k == seepMost {
		copy(s.v[:], s.v[1:])
		s.k--
	}
	s.v[s.k] = mean
	s.k++
	s.sum, s.n = 0, 0
	return true
}

// trend is the least-squares slope of some means, per mean, and the furthest
// that one lies from the line.
func trend(v []float64) (b, off float64) {
	mid, mean := float64(len(v)-1)/2, 0.0
	for _, x := range v {
		mean += x / float64(len(v))
	}
	s11 := 0.0
	for i, x := range v {
		d := float64(i) - mid
		b += d * (x - mean)
		s11 += d * d
	}
	b /= s11
	for i, x := range v {
		off = math.Max(off, math.Abs(x-mean-b*(float64(i)-mid)))
	}
	return b, off
}

// steady is the rate at which the pressure falls slowly and steadily, per mean,
// of late or for longer; 0: it does not. sd is the standard deviation of one
// mean.
func (s *seep) steady(sd float64) float64 {
	for n := seepLeast; n <= s.k; n *= 2 {
		if b := steadily(s.v[s.k-n:s.k], sd); b > 0 {
			return b
		}
	}
	return 0
}

func steadily(v []float64, sd float64) float64 {
	n := len(v)
	b, off := trend(v)
	b1, _ := trend(v[:n/2])
	b2, _ := trend(v[n/2:])
	half := sd * slopeSD(n/2)
	switch {
	case b > -seepSigma*sd*slopeSD(n), off > 4*sd-seepBend*b*float64(n):
		return 0
	case b2 > seepEase*b1-2*half*math.Hypot(1, seepEase), b2 < seepGrow*b1-2*half:
		return 0
	}
	return -b
}

// seeps tells of a leak where the pressure of a burst bench falls slowly and
// steadily and nothing has opened that explains it.
func (m *Monitor) seeps(c *channel) {
	p := c.p
	if m.opt.Rig == RunawayRig || p.phase != calm || p.sigma() == 0 {
		return
	}
	s := &p.seep
	sd := p.sigma() / math.Sqrt(float64(s.least))
	rate := s.steady(sd * p.excess())
	if rate == 0 && !m.drained() {
		rate = s.settling(sd)
	}
	if rate == 0 || m.drained() || !m.seepsToo(c, rate) {
		return
	}
	rate *= 1e9 / float64(seepNs)
	abs := s.v[s.k-1]
	if c.cfg.Reference != daq.Absolute {
		abs += m.ambient
	}
	if rate < driftShare*abs || rate > slowShare*abs {
		return
	}
	onset := s.highT
	if held := c.lastT - int64(s.k)*seepNs; onset < held-seepHeld {
		onset = held // an older peak has nothing to do with it
	}
	r := m.book.open(Leak, c, onset, c.lastT)
	r.ev.RatePaS = ptr(rate)
	r.ev.Named, r.ev.End = c.lastT, c.lastT
	if !m.supply.known {
		r.ev.flag(FlagKindUncertain) // somebody may be letting it down
	}
	m.book.issue(r)
}

// drained tells whether a way out is known already.
func (m *Monitor) drained() bool {
	for i := len(m.book.recs) - 1; i >= 0; i-- {
		switch e := &m.book.recs[i].ev; {
		case e.Kind == Reseal:
			return false
		case e.Opens(), e.Kind == Dump, e.Kind == Leak:
			return true
		}
	}
	return m.dump.open
}

// seepsToo tells whether the redundant sensors of the volume fall as well, at
// least half as fast: else one of them drifts.
func (m *Monitor) seepsToo(c *channel, rate float64) bool {
	for i := range m.channels {
		o := &m.channels[i]
		if o == c || o.p == nil || o.p.seep.k < seepLeast {
			continue
		}
		if b, _ := trend(o.p.seep.v[:o.p.seep.k]); b > -rate/2 {
			return false
		}
	}
	return true
}
