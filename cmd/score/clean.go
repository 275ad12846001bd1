package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"text/tabwriter"

	"gonum.org/v1/gonum/mat"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
)

// A clean opening is one with nothing in its way: white noise, a lag that is
// known exactly, a steady supply, no line. What the fit leaves to be wished
// there is its own.
type clean struct {
	rate, sigma          float64 // Hz, Pa
	level, ramp, ambient float64 // Pa absolute at the effective onset, Pa/s, Pa absolute
	area, volume, kelvin float64 // m2, m3, K
	width, lag, wall     float64 // s
	law                  int     // of the opening: 0 straight, 1 cubic
	onset                float64 // effective, s
}

const (
	cleanBefore, cleanAfter = 1.2, 0.8 // s
	nitrogenR, nitrogenK    = 296.8, 1.4
)

// drawClean draws one that is resolved.
func drawClean(rng *rand.Rand, rate float64) clean {
	log := func(a, b float64) float64 { return a * math.Exp(rng.Float64()*math.Log(b/a)) }
	for {
		c := clean{rate: rate, sigma: log(300, 6000), level: log(8e5, 38e5), ramp: log(0.05e5, 5e5), ambient: 1e5,
			area: log(0.5e-6, 200e-6), volume: log(10e-6, 500e-6), kelvin: 293 + 10*rng.Float64(), width: log(0.05e-3, 5e-3),
			lag: log(1e-4, 3e-3), wall: log(0.3, 3), law: rng.IntN(2), onset: (2*rng.Float64() - 1) / rate}
		if f := c.fall(); 1/f >= 3*c.lag && 0.1/f*rate >= 10 && c.width < 0.3/f {
			return c
		}
	}
}

// fall is the relative rate of the choked fall of the open vessel, 1/s.
func (c *clean) fall() float64 {
	return nitrogenK * c.area / c.volume * math.Sqrt(nitrogenR*c.kelvin) * math.Sqrt(nitrogenK) * math.Pow(2/(nitrogenK+1), (nitrogenK+1)/(2*(nitrogenK-1)))
}

// times are the samples' times, s.
func (c *clean) times() []float64 {
	t := make([]float64, int((cleanBefore+cleanAfter)*c.rate))
	for i := range t {
		t[i] = float64(i)/c.rate - cleanBefore
	}
	return t
}

// play is what the transducer reads without noise: mass and energy of an ideal
// gas in a rigid vessel (first law for an open system), isentropic outflow
// (NACA Report 1135), Runge and Kutta's fourth-order rule.
func (c *clean) play(t []float64) []float64 {
	out := make([]float64, len(t))
	begin := c.onset - c.width/2
	k := nitrogenK
	fall := c.fall()
	p := c.level - c.ramp*c.width/2
	rho := c.ramp / p // the ramp has warmed the gas up to its balance with the walls
	th := 1 + (k-1)*rho/(rho+1/c.wall)
	supply := c.ramp + (th-1)/c.wall*p/th
	rates := func(x, p, th float64) (dp, dth float64) {
		open := math.Min(x/c.width, 1)
		if c.law == 1 {
			open *= open * (3 - 2*open)
		}
		flow := 0.0
		if r := c.ambient / p; r < 1 {
			flow = open * fall * p * math.Sqrt(th)
			if r > math.Pow(2/(k+1), k/(k-1)) {
				choked := math.Sqrt(k) * math.Pow(2/(k+1), (k+1)/(2*(k-1)))
				flow *= math.Sqrt(2*k/(k-1)*(math.Pow(r, 2/k)-math.Pow(r, (k+1)/k))) / choked
			}
		}
		wall := (1 - th) / c.wall
		dp = supply - flow + wall*p/th
		return dp, th/p*(supply*(1-th/k)-flow*(1-1/k)) + wall
	}
	q := p - c.ramp*c.lag
	now := begin
	for i, ti := range t {
		if ti <= begin {
			out[i] = c.level + c.ramp*(ti-c.onset-c.lag)
			continue
		}
		n := int(math.Ceil((ti - now) / math.Max(math.Min(2e-5, c.width/20), 2e-6)))
		if now > begin+2*c.width {
			n = int(math.Ceil((ti - now) / 1e-4))
		}
		h := (ti - now) / float64(n)
		for range n {
			x := now - begin
			a1, b1 := rates(x, p, th)
			a2, b2 := rates(x+h/2, p+h/2*a1, th+h/2*b1)
			a3, b3 := rates(x+h/2, p+h/2*a2, th+h/2*b2)
			a4, b4 := rates(x+h, p+h*a3, th+h*b3)
			before := p
			p += h / 6 * (a1 + 2*a2 + 2*a3 + a4)
			th += h / 6 * (b1 + 2*b2 + 2*b3 + b4)
			slope := (p - before) / h // the lag's answer to a straight piece
			q = p - slope*c.lag + (q-before+slope*c.lag)*math.Exp(-h/c.lag)
			now += h
		}
		out[i] = q
	}
	return out
}

// bounds are the Cramér-Rao bounds of effective onset (s), pressure (Pa) and
// relative area, with onset, level, ramp, area, opening time and the walls' heat
// unknown and all else known.
func (c *clean) bounds(t, y []float64) (onset, level, area float64) {
	change := func(step float64, f func(*clean)) []float64 {
		d := *c
		f(&d)
		z := d.play(t)
		for i := range z {
			z[i] = (z[i] - y[i]) / step
		}
		return z
	}
	shift := 0.02 / c.rate
	j := [][]float64{
		change(shift, func(d *clean) { d.onset += shift }),
		change(100, func(d *clean) { d.level += 100 }),
		change(100, func(d *clean) { d.ramp += 100 }),
		change(1e-3, func(d *clean) { d.area *= 1.001 }),
		change(0.02, func(d *clean) { d.width *= 1.02 }),
		change(0.02, func(d *clean) { d.wall *= 1.02 }),
	}
	n := len(j)
	var scale [6]float64
	for a := range j {
		for _, v := range j[a] {
			scale[a] += v * v
		}
		scale[a] = math.Sqrt(scale[a])
	}
	f := mat.NewSymDense(n, nil)
	for a := range j {
		for b := a; b < n; b++ {
			sum := 0.0
			for i := range j[a] {
				sum += j[a][i] * j[b][i]
			}
			f.SetSym(a, b, sum/scale[a]/scale[b])
		}
	}
	f.SetSym(n-1, n-1, f.At(n-1, n-1)+math.Pow(c.sigma/scale[n-1], 2)) // the walls' rate is known to a factor e
	f.SetSym(n-2, n-2, f.At(n-2, n-2)+math.Pow(c.sigma/3/scale[n-2], 2))
	var ch mat.Cholesky
	if !ch.Factorize(f) {
		return math.NaN(), math.NaN(), math.NaN()
	}
	var inv mat.SymDense
	if ch.InverseTo(&inv) != nil {
		return math.NaN(), math.NaN(), math.NaN()
	}
	sd := func(a int) float64 { return c.sigma * math.Sqrt(inv.At(a, a)) / scale[a] }
	return sd(0), sd(1), sd(3)
}

// fit makes the trace, hands it to the fit and returns its finding.
func (c *clean) fit(rng *rand.Rand, t, y []float64) detect.Finding {
	w := detect.Window{Serial: 1, Final: true, NoisePa: c.sigma, SupplyOpen: -1}
	for i, v := range y {
		w.T, w.V, w.Q = append(w.T, int64(math.Round((t[i]+10)*1e9))), append(w.V, v+c.sigma*rng.NormFloat64()), append(w.Q, 0)
		if w.Decided == 0 && t[i] > c.onset && c.level+c.ramp*(t[i]-c.onset-c.lag)-v > 6*c.sigma {
			w.Decided = i
		}
	}
	w.Until = len(w.T)
	if w.Decided == 0 {
		w.Decided = int(cleanBefore*c.rate) + 5
	}
	ch := daq.Channel{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Absolute, LagS: c.lag, Certificate: "exact"}
	o := detect.Options{Rig: detect.BurstRig, Medium: detect.Gas, Channels: []daq.Channel{ch}, RateHz: []float64{c.rate},
		Fixture: detect.Fixture{VolumeM3: c.volume, Gas: "N2", TemperatureK: c.kelvin, AmbientPa: c.ambient}}
	return analysis.FitOpening(w, ch, o)
}

// A gauge collects errors and stated standard uncertainties of one figure over
// their bounds.
type gauge struct {
	err, stated []float64
	in          interval
}

func (g *gauge) add(err, u, bound float64) {
	if math.IsNaN(bound) || bound <= 0 {
		return
	}
	g.err, g.stated = append(g.err, math.Abs(err)/bound), append(g.stated, u/2/bound)
	g.in.add(err, u)
}

// runClean fits n clean openings a rate and prints how far the fit is from the
// Cramér-Rao bound. An efficient estimate has p50 0.67, p90 1.64 and a stated
// uncertainty of 1.
func runClean(first uint64, n int, verbose bool, out io.Writer) {
	w := tabwriter.NewWriter(out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "clean openings\terror / bound p50, p90\tstated / bound p50, p90\theld at k = 2")
	for _, rate := range []float64{10000, 1000} {
		var onset, level, area gauge
		none := 0
		for i := range n {
			rng := rand.New(rand.NewPCG(first+uint64(i), uint64(rate)))
			c := drawClean(rng, rate)
			t := c.times()
			y := c.play(t)
			bo, bp, ba := c.bounds(t, y)
			f := c.fit(rng, t, y)
			if f.Onset == nil || f.OnsetU == nil || f.PressurePa == nil || f.AreaM2 == nil {
				none++
				continue
			}
			eo, uo := float64(*f.Onset)*1e-9-10-c.onset, float64(*f.OnsetU)*1e-9
			ea, ua := *f.AreaM2/c.area-1, *f.AreaUM2/c.area
			onset.add(eo, uo, bo)
			level.add(*f.PressurePa-c.level, *f.PressureUPa, bp)
			area.add(ea, ua, ba)
			if verbose {
				fmt.Fprintf(out, "%5.0f Hz seed %d: tau %.3g s lag %.3g ms w %.3g ms sigma %.3g bar ramp %.3g bar/s: onset %.3g +- %.3g us (limit %.3g), level %.3g +- %.3g mbar (%.3g), area %.2f +- %.2f %% (%.2f)\n",
					rate, first+uint64(i), 1/c.fall(), c.lag*1e3, c.width*1e3, c.sigma/1e5, c.ramp/1e5, eo*1e6, uo*1e6, bo*1e6,
					(*f.PressurePa-c.level)/100, *f.PressureUPa/100, bp/100, ea*100, ua*100, ba*100)
			}
		}
		for _, r := range []struct {
			name string
			g    *gauge
		}{{"onset", &onset}, {"pressure", &level}, {"area", &area}} {
			fmt.Fprintf(w, "%g Hz %s\t%.2f, %.2f\t%.2f, %.2f\t%s\n", rate, r.name, quantile(r.g.err, 0.5), quantile(r.g.err, 0.9), quantile(r.g.stated, 0.5), quantile(r.g.stated, 0.9), r.g.in)
		}
		if none > 0 {
			fmt.Fprintf(w, "%g Hz without a figure\t%d\n", rate, none)
		}
	}
	w.Flush()
}
