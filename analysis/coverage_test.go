package analysis

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"sort"
	"strconv"
	"testing"
)

type tally struct {
	n, in       [3]int
	ratio       [3][]float64
	relArea     []float64
	pRatio      []float64
	sharpP      []float64
	none, unres int
}

func quant(x []float64, q float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	y := append([]float64(nil), x...)
	sort.Float64s(y)
	return y[int(q*float64(len(y)-1)+0.5)]
}

func TestCoverage(t *testing.T) {
	n := 25
	if s := os.Getenv("N"); s != "" {
		n, _ = strconv.Atoi(s)
	}
	seed := uint64(7)
	if s := os.Getenv("SEED"); s != "" {
		x, _ := strconv.Atoi(s)
		seed = uint64(x)
	}
	rng := rand.New(rand.NewPCG(seed, 2))
	t.Logf("seed %d", seed)
	only := os.Getenv("FAM")
	for _, fam := range []string{"top", "small", "bottom", "quantised", "coloured", "hum", "ringing", "heat", "gap", "spikes", "short"} {
		if only != "" && only != fam {
			continue
		}
		var y tally
		for i := 0; i < n; i++ {
			sp := draw(fam, rng)
			w, ch, o, onset, ok := sp.window(rng)
			if !ok {
				continue
			}
			f := FitOpening(w, ch, o)
			if f.PressurePa == nil {
				y.none++
				continue
			}
			count := func(k int, err, u float64) {
				y.n[k]++
				if math.Abs(err) <= u {
					y.in[k]++
				}
				y.ratio[k] = append(y.ratio[k], 2*err/u)
			}
			e0 := float64(*f.Onset-onset) * 1e-9
			count(0, e0, float64(*f.OnsetU)*1e-9)
			count(1, *f.PressurePa-sp.truth, *f.PressureUPa)
			m := math.Min(math.Min(sp.before, 1)*sp.rate, 1e9)
			y.pRatio = append(y.pRatio, math.Abs(*f.PressurePa-sp.truth)/(2*math.Hypot(sp.sigma, sp.step/3.46)/math.Sqrt(m)))
			y.sharpP = append(y.sharpP, *f.PressureUPa/(2*2*math.Hypot(sp.sigma, sp.step/3.46)/math.Sqrt(m)))
			if f.AreaM2 != nil {
				count(2, *f.AreaM2-sp.area, *f.AreaUM2)
				y.relArea = append(y.relArea, math.Abs(*f.AreaM2/sp.area-1))
			} else {
				y.unres++
			}
			if os.Getenv("BAD") != "" {
				zo, zp := 2*e0/(float64(*f.OnsetU)*1e-9), 2*(*f.PressurePa-sp.truth) / *f.PressureUPa
				if math.Abs(zo) > 3 || math.Abs(zp) > 3 {
					a := debug
					best := bestOf(a.fits)
					fmt.Printf("chi2 %.4g of %d, fits %d, w %.3g K %.3g shape %.2g heat %.2g, hinge %+v noise %.3g band %d\n", best.chi2, len(a.b.t), len(a.fits), best.width, best.rate, best.shape, best.heat, a.start, a.noise.sd(), a.white.band)
					fmt.Printf("%s #%d zo %.1f (err %.3g ms, w %.2g lag %.2g) zp %.1f (err %.3g sig) rate %g K %.3g sig %.3g ramp %.3g lev %.3g before %.3g after %.3g flags %v\n", fam, i, zo, e0*1e3, sp.width*1e3, sp.lag*1e3, zp, (*f.PressurePa-sp.truth)/sp.sigma, sp.rate, sp.area*200/sp.volume*1.4, sp.sigma, sp.ramp, sp.level, sp.before, sp.after, f.Flags)
				}
			}
		}
		pc := func(k int) string {
			return fmt.Sprintf("%3d/%3d %.2f (|z| p50 %.2f p95 %.1f)", y.in[k], y.n[k], float64(y.in[k])/float64(y.n[k]), quant(abs(y.ratio[k]), .5), quant(abs(y.ratio[k]), .95))
		}
		t.Logf("%-9s onset %s  pressure %s  area %s rel p50 %.3f p90 %.3f | p/lim p50 %.2f p90 %.2f sharp %.2f | none %d unresolved %d", fam, pc(0), pc(1), pc(2), quant(y.relArea, .5), quant(y.relArea, .9), quant(y.pRatio, .5), quant(y.pRatio, .9), quant(y.sharpP, .5), y.none, y.unres)
	}
}

func abs(x []float64) []float64 {
	y := make([]float64, len(x))
	for i := range x {
		y[i] = math.Abs(x[i])
	}
	return y
}
