package main

import (
	"math"
	"math/rand/v2"
	"testing"
)

// TestCleanBlowdown: opened at once, with walls that give nothing and hardly a
// lag, the played course is the closed form of the isentropic choked blow-down,
// (1 + (k-1)/2 t/tau)^(-2k/(k-1)) (e.g. Thompson, Compressible-Fluid Dynamics;
// from memory).
func TestCleanBlowdown(t *testing.T) {
	c := clean{rate: 1e4, level: 30e5, ambient: 1e3, area: 5e-6, volume: 50e-6, kelvin: 300, width: 1e-6, lag: 1e-7, wall: 1e12}
	times := []float64{-0.01, 0.005, 0.02, 0.05}
	y := c.play(times)
	k := nitrogenK
	tau := k / c.fall()
	for i, at := range times[1:] {
		want := c.level * math.Pow(1+(k-1)/2*at/tau, -2*k/(k-1))
		if math.Abs(y[i+1]/want-1) > 1e-4 {
			t.Errorf("after %g s %g Pa, closed form %g", at, y[i+1], want)
		}
	}
	if y[0] != c.level {
		t.Errorf("before the opening %g Pa, want %g", y[0], c.level)
	}
}

// TestCleanBounds: the bound of the level is near the 2 sigma/sqrt(M) of a
// straight line's end (least squares, textbook; a slow fall helps a little) with
// the ramp over the onset's bound; the fit keeps near the bounds.
func TestCleanBounds(t *testing.T) {
	const seed, n = 424_242, 12
	t.Logf("seeds %d to %d", seed, seed+n-1)
	var onset, level gauge
	for i := range n {
		rng := rand.New(rand.NewPCG(seed+uint64(i), 3))
		c := drawClean(rng, []float64{1e4, 2e3}[i%2])
		times := c.times()
		y := c.play(times)
		bo, bp, _ := c.bounds(times, y)
		line := 2 * c.sigma / math.Sqrt(cleanBefore*c.rate)
		if !(bp > 0.7*line && bp < 4*math.Hypot(line, c.ramp*bo)) || !(bo > 0) {
			t.Errorf("seed %d: bound of the level %g Pa, of a line's end %g; of the onset %g s", seed+i, bp, line, bo)
		}
		f := c.fit(rng, times, y)
		if f.Onset == nil || f.OnsetU == nil || f.PressurePa == nil {
			t.Errorf("seed %d: no figure: %v", seed+i, f.Absent)
			continue
		}
		onset.add(float64(*f.Onset)*1e-9-10-c.onset, float64(*f.OnsetU)*1e-9, bo)
		level.add(*f.PressurePa-c.level, *f.PressureUPa, bp)
	}
	// The goals are 2 of the onset's bound and 1.5 of twice the pressure's.
	if o, p := quantile(onset.err, 0.5), quantile(level.err, 0.5); !(o <= 2) || !(p <= 3) {
		t.Errorf("median error over bound: onset %.2f, pressure %.2f", o, p)
	}
	if onset.in.in < n-3 || level.in.in < n-3 {
		t.Errorf("held: onset %s, pressure %s", onset.in, level.in)
	}
}
