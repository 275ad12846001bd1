package analysis

import (
	"fmt"
	"math"
)

// riseShare of the steepest slope is where a rise begins and ends.
const riseShare = 0.02

// GenerationFromRise is the generation curve behind a closed vessel's rise of
// pressure: its shape is that of the pressure's slope round the steepest place
// (t in s, increasing; p in Pa; slopes over window s), its amount (mol) and
// temperature (K, in the cell) are given, as the amount is known far better at
// the settled state than while hot gas is uneven. It takes the vessel's gas for
// equally warm during the rise, so it is an estimate only. At most points
// points, 10 to 20000.
func GenerationFromRise(t, p []float64, amount, kelvin, window float64, points int) (Generation, error) {
	if !positive(amount) || !positive(kelvin) || points < 10 || points > 20000 {
		return Generation{}, fmt.Errorf("generation of %g mol at %g K in %d points: give a positive amount and temperature and 10 to 20000 points", amount, kelvin, points)
	}
	d, err := Slope(t, p, window)
	if err != nil {
		return Generation{}, err
	}
	top := -1
	for i, v := range d {
		if !math.IsNaN(v) && (top < 0 || v > d[top]) {
			top = i
		}
	}
	if top < 0 || !(d[top] > 0) {
		return Generation{}, fmt.Errorf("the pressure does not rise: no generation can be taken from it")
	}
	from, to := top, top
	for from > 0 && d[from] > riseShare*d[top] {
		from--
	}
	for to < len(d)-1 && d[to] > riseShare*d[top] {
		to++
	}
	g := thinned(t[from:to+1], d[from:to+1], points)
	g.TemperatureK = []float64{kelvin}
	sum := g.Amount()
	if len(g.TimeS) < 3 || !(sum > 0) {
		return Generation{}, fmt.Errorf("the rise has %d points: take a shorter window than %g s", len(g.TimeS), window)
	}
	for i := range g.RateMolS {
		g.RateMolS[i] *= amount / sum
	}
	return g, g.check()
}

// thinned takes means over equal numbers of samples, from time 0 on, and begins
// and ends with nothing.
func thinned(t, d []float64, points int) Generation {
	var g Generation
	step := max(1, (len(t)+points-3)/(points-2))
	g.TimeS, g.RateMolS = []float64{0}, []float64{0}
	for a := 0; a < len(t); a += step {
		b := min(a+step, len(t))
		ts, ds, n := 0.0, 0.0, 0.0
		for i := a; i < b; i++ {
			if !math.IsNaN(d[i]) {
				ts, ds, n = ts+t[i]-t[0], ds+d[i], n+1
			}
		}
		if n > 0 && ts/n > g.TimeS[len(g.TimeS)-1] {
			g.TimeS, g.RateMolS = append(g.TimeS, ts/n), append(g.RateMolS, math.Max(ds/n, 0))
		}
	}
	end := t[len(t)-1] - t[0]
	if last := g.TimeS[len(g.TimeS)-1]; end <= last {
		end = last + 1e-9
	}
	g.TimeS, g.RateMolS = append(g.TimeS, end), append(g.RateMolS, 0)
	return g
}
