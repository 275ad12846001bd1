package analysis

import (
	"math"

	"ventward/detect"
)

// shared is the part of a fit's variance that redundant sensors have in common:
// the same gas, the same opening and the same model of both (judgement, no
// source). Of the onset's they share what lag and line make where that is more:
// sensors of one kind are told one lag and sit on one manifold.
const shared = 0.2

// sharedGas is the same for the rate of the fall, which rests on what is thought
// of gas, walls and supply.
const sharedGas = 0.8

// worstMisfit is Birge's ratio above which another sensor is not heard.
const worstMisfit = 6

// consult joins what the other sensors of the volume say to v: each figure is
// the mean by inverse variances, and what the sensors differ by beyond their
// uncertainties counts as one. Their calibrations are independent, their
// delays and lags are their own. The fewest degrees of freedom count.
func (a *opening) consult(v *seen) {
	all := []seen{*v}
	for i := range a.w.Others {
		if x, ok := a.other(&a.w.Others[i], v); ok {
			all = append(all, x)
		}
	}
	if len(all) == 1 {
		return
	}
	var n int
	onsetShared := shared
	rates := make([]reading, 0, len(all))
	onsets, starts, levels := make([]reading, len(all)), make([]reading, len(all)), make([]reading, len(all))
	for i, x := range all {
		v.dof = math.Min(v.dof, x.dof) // 0: of one isn't known
		onsetShared = math.Max(onsetShared, x.common)
		onsets[i] = reading{x.onset, x.onsetU}
		starts[i] = reading{x.start, x.startU}
		levels[i] = reading{x.level, math.Hypot(x.levelU, x.cal)}
		if x.resolved {
			rates = append(rates, reading{x.lnK, x.lnKU})
			n++
		}
	}
	m := join(onsets, onsetShared)
	v.onset, v.onsetU = m.x, m.u
	m = join(starts, shared)
	v.start, v.startU = math.Min(m.x, v.onset), m.u
	m = join(levels, 0)
	v.level, v.levelU, v.cal = m.x, m.u, 0
	if n > 0 {
		m = join(rates, sharedGas)
		v.lnK, v.lnKU, v.resolved = m.x, m.u, true
	}
}

// blindSamples is how many samples another sensor may lack at the onset and yet
// be heard (judgement, no source).
const blindSamples = 8

// blind tells that another sensor lacks the samples at the onset (s from the
// seat's trigger) that the seat has: it was silent, frozen or at its rail. Its
// own onset would lie anywhere in that hole.
func (a *opening) blind(w *detect.Window, onset float64) bool {
	b := newStretch(w)
	at := onset + float64(a.s.origin-b.origin)*1e-9
	if b.dt <= 0 || len(b.t) == 0 || b.t[len(b.t)-1] < at+blindSamples*b.dt {
		return true
	}
	hole := b.hole(at-2*b.dt, at+2*b.dt)
	return hole > blindSamples*b.dt && hole > 2*a.s.hole(onset-2*a.s.dt, onset+2*a.s.dt)
}

// farOff is the part of the seat's pressure above ambient by which another sensor
// may be off and yet be heard; fewestSeen is chi square by which its fall must be
// better than a straight line (judgement, no source). A dead one, or one that rests
// at its end, says nothing of the opening.
const (
	farOff     = 0.1
	fewestSeen = 30
)

// other fits the window of another sensor of the same volume; times are turned
// to count from the seat's trigger, as the seat's onset does.
func (a *opening) other(w *detect.Window, v *seen) (seen, bool) {
	if int(w.Channel) < 0 || int(w.Channel) >= len(a.o.Channels) || a.blind(w, v.onset) {
		return seen{}, false
	}
	b, ok := fitWindow(w, &a.o.Channels[w.Channel], a.o)
	if !ok || b.excess() > worstMisfit || b.start.line < b.start.chi2+fewestSeen {
		return seen{}, false
	}
	x, ok := b.look()
	if !(x.onsetU > 0 && x.levelU > 0) || math.Abs(x.level-v.level) > farOff*math.Max(v.level-a.ambient, 0)+6*math.Hypot(x.cal, v.cal) {
		return seen{}, false
	}
	d := float64(b.s.origin-a.s.origin) * 1e-9
	x.onset, x.start = x.onset+d, x.start+d
	return x, ok
}

// A reading is a figure with its standard uncertainty.
type reading struct{ x, u float64 }

// join is the mean of independent readings under a scatter between them that
// is estimated by the method of moments (DerSimonian and Laird, Meta-analysis in
// clinical trials, 1986). What they share of the smallest variance does not shrink.
func join(r []reading, shared float64) reading {
	least := math.Inf(1)
	var sw, sw2, sx float64
	for _, y := range r {
		w := 1 / (y.u*y.u + 1e-300)
		sw, sw2, sx = sw+w, sw2+w*w, sx+w*y.x
		least = math.Min(least, y.u*y.u)
	}
	if len(r) == 1 {
		return r[0]
	}
	mean, q := sx/sw, 0.0
	for _, y := range r {
		q += (y.x - mean) * (y.x - mean) / (y.u*y.u + 1e-300)
	}
	between := math.Max(0, (q-float64(len(r)-1))/(sw-sw2/sw))
	sw, sx = 0, 0
	for _, y := range r {
		w := 1 / (y.u*y.u + between + 1e-300)
		sw, sx = sw+w, sx+w*y.x
	}
	return reading{sx / sw, math.Sqrt(1/sw + shared*math.Max(0, least-1/sw))}
}
