package analysis

import (
	"math"
)

// Self-heating onset. A calorimeter that waits after each step counts 0.02
// °C/min (from memory: the usual threshold of stepwise calorimetry). A heated
// cell can't show that little: its onset is where its own heating reaches a
// tenth of the rate that the heater gives, and never less than 0.02 °C/min or
// than the thermocouple's noise can tell. What the heater gives is a rate that
// falls in a straight line with temperature (constant power, losses in
// proportion), fitted before.
const (
	selfLeast   = 0.02 / 60 // °C/s
	selfPart    = 0.1
	selfNoise   = 5.0
	slopeSpan   = 5.0  // s on either side over which a rate is taken
	slopeCells  = 5    // and at least so many cells
	afterVent   = 12.0 // s for which boiling hides the cell's own heating
	heaterFrom  = 0.2  // the heater's rate is taken between these parts of
	heaterUntil = 0.5  // the rise to runaway
	heaterCells = 12
)

// rates are the skin's rates of rise in °C/s; NaN where there is none.
func (c *meanCourse) rates(half, until int) []float64 {
	out := make([]float64, until)
	for i := range out {
		_, b, n := c.line(ofSkin, i-half, i+half+1)
		out[i] = math.NaN()
		if n > half {
			out[i] = b
		}
	}
	return out
}

// selfHeating finds the onset of self-heating that went on to runaway.
func (r *Runaway) selfHeating(x *RunawayResult) {
	switch {
	case r.unusable(r.skin) != "":
		x.without("self_heating_s", r.unusable(r.skin))
		return
	case r.skin < 0 || !r.haveC:
		x.without("self_heating_s", "no skin temperature")
		return
	case r.runaway == 0:
		x.without("self_heating_s", "no runaway was seen that self-heating went on to")
		return
	}
	c := &r.course
	until := c.index(r.runaway)
	half := max(slopeCells, int(math.Round(slopeSpan/c.seconds())))
	rate := c.rates(half, until)
	a, b, u, ok := r.heater(rate, until)
	if !ok {
		x.without("self_heating_s", "too little of the heating before it is recorded to know the heater's own rate")
		return
	}
	hidden := func(i int) bool {
		t := c.at(i)
		margin := int64(float64(half) * float64(c.width))
		return r.venting != 0 && t > r.venting-margin && t < r.venting+int64(afterVent*1e9)+margin
	}
	onset, last := -1, until
	for i := until - 1; i >= 0; i-- {
		T, seen := c.cells[i].mean(ofSkin)
		if !seen || hidden(i) || rate[i] != rate[i] {
			continue
		}
		given := a + b*T
		limit := math.Max(math.Max(selfLeast, selfPart*given), selfNoise*u)
		if rate[i]-given < limit {
			break
		}
		onset, last = i, i
		x.SelfRateCS = &limit
	}
	if onset < 0 {
		onset = max(0, last-1)
		limit := math.Max(selfLeast, selfNoise*u)
		x.SelfRateCS = &limit
	}
	x.SelfHeating = c.at(onset)
}

// heater fits the heater's own rate a + b T (°C/s, T in °C) between two parts
// of the rise to runaway; u is the standard deviation of one rate about it.
func (r *Runaway) heater(rate []float64, until int) (a, b, u float64, ok bool) {
	c := &r.course
	cold, _, n0 := c.line(ofSkin, 0, min(until, 20))
	hot, _, n1 := c.line(ofSkin, until-3, until)
	if n0 == 0 || n1 == 0 || hot <= cold {
		return 0, 0, 0, false
	}
	lo, hi := cold+heaterFrom*(hot-cold), cold+heaterUntil*(hot-cold)
	var n, st, stt, sr, str, srr float64
	for i := range rate {
		T, seen := c.cells[i].mean(ofSkin)
		if !seen || T < lo || T > hi || rate[i] != rate[i] {
			continue
		}
		n++
		st += T
		stt += T * T
		sr += rate[i]
		str += T * rate[i]
		srr += rate[i] * rate[i]
	}
	d := n*stt - st*st
	if n < heaterCells || d <= 0 {
		return 0, 0, 0, false
	}
	b = math.Min(0, (n*str-st*sr)/d) // a rate that grows with temperature is no heater's
	a = (sr - b*st) / n
	u = math.Sqrt(math.Max(0, srr-a*sr-b*str) / n)
	return a, b, u, true
}
