package analysis

import (
	"math"
	"slices"
)

// Self-heating onset. A calorimeter that waits after each step counts 0.02
// °C/min (from memory: the usual threshold of stepwise calorimetry). A heated
// cell can't show that little: its onset is where its own heating reaches a
// tenth of the rate that the heater gives, and never less than 0.02 °C/min or
// than the thermocouple's noise can tell. What the heater gives is a rate that
// falls in a straight line with temperature (constant power, losses in
// proportion), fitted before.
const (
	selfLeast    = 0.02 / 60 // °C/s
	selfPart     = 0.1
	selfNoise    = 5.0
	slopeSpan    = 5.0  // s on either side over which a rate is taken
	slopeCells   = 5    // and at least so many cells
	afterVent    = 12.0 // s for which boiling hides the cell's own heating
	heaterFrom   = 0.2  // the heater's rate is taken between these parts of
	heaterUntil  = 0.5  // the rise to runaway
	heaterCells  = 12
	heaterPasses = 3
	selfSteep    = 3.0 // times the heater's rate, where a runaway is under way
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
	case r.skin < 0 || len(r.hot.tops) == 0:
		x.without("self_heating_s", "no skin temperature")
		return
	case r.runaway == 0:
		x.without("self_heating_s", "no runaway was seen that self-heating went on to")
		return
	}
	until := r.course.index(r.runaway)
	found, ok := r.ownHeating(until)
	if ok && found.cell < 0 {
		found, ok = r.laterHeating(until, found)
		if !ok {
			x.without("self_heating_s", "the heater alone met the criteria of the runaway, and nothing that it does not give was seen")
			return
		}
	}
	if !ok {
		x.without("self_heating_s", "too little of the heating before it is recorded to know the heater's own rate")
		return
	}
	x.SelfRateCS, x.SelfHeating = &found.limit, r.course.at(found.cell)
}

// An ownHeat is where a cell's own heating began.
type ownHeat struct {
	cell  int     // of the course; -1: nowhere
	limit float64 // °C/s beyond what the heater gives that counts
	a, b  float64 // what the heater gives, a + b T, °C/s
}

// ownHeating goes back from cell until as far as the skin rises by more than the
// heater gives. ok is false where that is not known.
func (r *Runaway) ownHeating(until int) (h ownHeat, ok bool) {
	c := &r.course
	half := r.slopeHalf()
	rate := c.rates(half, until)
	a, b, u, ok := r.heater(rate, until)
	if !ok {
		return ownHeat{}, false
	}
	h = ownHeat{cell: -1, a: a, b: b, limit: math.Max(selfLeast, selfNoise*u)}
	for i := until - 1; i >= 0; i-- {
		T, seen := c.cells[i].mean(ofSkin)
		if !seen || r.boils(i) || rate[i] != rate[i] {
			continue
		}
		given := a + b*T
		limit := math.Max(math.Max(selfLeast, selfPart*given), selfNoise*u)
		if rate[i]-given < limit {
			break
		}
		h.cell, h.limit = i, limit
	}
	return h, true
}

// laterHeating looks for own heating where there was none before a runaway was
// told at cell told: the heater may have met its criteria alone, and then the
// runaway comes later; or it began at once, as a nail's does. h is what was
// found so far. ok is false where the cell never heated itself.
func (r *Runaway) laterHeating(told int, h ownHeat) (ownHeat, bool) {
	c := &r.course
	half := r.slopeHalf()
	rate := c.rates(half, len(c.cells))
	for i := max(0, told-half); i < len(rate); i++ {
		T, seen := c.cells[i].mean(ofSkin)
		if !seen || !(rate[i] > selfSteep*math.Max(h.a+h.b*T, selfLeast)) {
			continue
		}
		if i <= told+2*half {
			h.cell = max(0, told-1)
			return h, true
		}
		later, ok := r.ownHeating(i)
		if later.cell < 0 {
			later.cell = i
		}
		return later, ok
	}
	return h, false
}

// slopeHalf is how many cells on either side a rate is taken over.
func (r *Runaway) slopeHalf() int {
	return max(slopeCells, int(math.Round(slopeSpan/r.course.seconds())))
}

// boils tells whether a rate taken at cell i sees the skin's dip at the first
// venting.
func (r *Runaway) boils(i int) bool {
	t := r.course.at(i)
	margin := int64(r.slopeHalf()) * r.course.width
	return r.venting != 0 && t > r.venting-margin && t < r.venting+int64(afterVent*1e9)+margin
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
	var temperature, rise []float64
	for i := range rate {
		T, seen := c.cells[i].mean(ofSkin)
		if seen && T >= lo && T <= hi && rate[i] == rate[i] && !r.boils(i) {
			temperature, rise = append(temperature, T), append(rise, rate[i])
		}
	}
	// A venting that was not told, a jump: what lies far from the line has no say.
	for range heaterPasses {
		if a, b, u, ok = fallingLine(temperature, rise); !ok {
			return 0, 0, 0, false
		}
		temperature, rise = near(temperature, rise, a, b)
	}
	return a, b, u, true
}

// fallingLine fits rise = a + b T with b at most nought, for a rate that grows
// with temperature is no heater's; u is the standard deviation about it.
func fallingLine(T, rise []float64) (a, b, u float64, ok bool) {
	n := float64(len(T))
	var st, stt, sr, str float64
	for i := range T {
		st += T[i]
		stt += T[i] * T[i]
		sr += rise[i]
		str += T[i] * rise[i]
	}
	d := n*stt - st*st
	if n < heaterCells || d <= 0 {
		return 0, 0, 0, false
	}
	b = math.Min(0, (n*str-st*sr)/d)
	a = (sr - b*st) / n
	for i := range T {
		u += sq(rise[i] - a - b*T[i])
	}
	return a, b, math.Sqrt(u / n), true
}

// near keeps the points whose distance from the line is no more than five robust
// standard deviations (1.4826 median distances) of all.
func near(T, rise []float64, a, b float64) (T2, rise2 []float64) {
	away := make([]float64, len(T))
	for i := range T {
		away[i] = math.Abs(rise[i] - a - b*T[i])
	}
	sorted := slices.Clone(away)
	slices.Sort(sorted)
	most := 5 * 1.4826 * sorted[len(sorted)/2]
	for i := range T {
		if away[i] <= most {
			T2, rise2 = append(T2, T[i]), append(rise2, rise[i])
		}
	}
	return T2, rise2
}
