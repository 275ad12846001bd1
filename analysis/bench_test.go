package analysis

import (
	"math"
	"math/rand/v2"

	"ventward/daq"
	"ventward/detect"
)

// A specimen is one made-up test with its truth. The pressure is integrated
// with many small Euler-midpoint steps and a lag and a line of its own: nothing
// here is shared with the fit.
type specimen struct {
	name                string
	rate                float64 // samples a second
	ramp, level         float64 // Pa/s, Pa gauge at the effective onset
	area, volume, temp  float64 // m², m³, K
	gamma, molar        float64
	width               float64 // s
	shape               int     // 0 smoothstep, 1 raised cosine, 2 straight, 3 square root
	lag                 float64
	sigma, step         float64 // Pa
	colour              float64 // coefficient of a first-order autoregression
	hum, humHz, humPh   float64 // Pa, Hz, rad
	ringHz, ringDamping float64 // resonance of the line; 0: none
	before, after       float64 // s of record
	reseal              float64 // fraction of the gauge pressure lost at which it closes; 0: never
	warm                bool    // compression warms the gas on the ramp
	heat                float64 // relative rate of heat from the wall, 1/s
	gap                 [2]float64
	truth, slope        float64 // of the line before the opening, at the onset, as played
	spikes              int
	phase               float64 // of the onset against the samples, in samples
	delay               int     // samples after the limit at which the trigger fires
}

const ambient = 100800.0

// clean is the noise-free reading at the sample times and the true pressure
// lost against the ramp.
func (sp *specimen) clean() (t, reading []float64, onset float64) {
	sub := int(math.Max(40, 4e5/sp.rate))
	h := 1 / sp.rate / float64(sub)
	onset = sp.phase / sp.rate
	start := onset - sp.width/2
	c := sp.area * math.Sqrt(sp.gamma*8.314462618/sp.molar) * math.Pow(2/(sp.gamma+1), (sp.gamma+1)/(2*(sp.gamma-1)))
	n0 := int(sp.before * sp.rate)
	n1 := int(sp.after * sp.rate)
	p := sp.level + ambient - sp.ramp*(float64(n0)/sp.rate+onset)
	T := sp.temp
	supply := sp.ramp
	if sp.warm { // what balances the walls at the level of the opening
		rho := sp.ramp / (sp.level + ambient)
		th := (sp.gamma*rho + sp.heat) / (rho + sp.heat)
		T *= th
		supply += sp.heat * (th - 1) / th * (sp.level + ambient)
	}
	q := p - sp.ramp*sp.lag
	y, yd := p, sp.ramp // line
	wr := 2 * math.Pi * sp.ringHz
	open := true
	rc := math.Pow(2/(sp.gamma+1), sp.gamma/(sp.gamma-1))
	deriv := func(now, p, T float64) (dp, dT float64) {
		x := (now - start) / sp.width
		f := math.Max(0, math.Min(1, x))
		switch sp.shape {
		case 0:
			f = f * f * (3 - 2*f)
		case 1:
			f = (1 - math.Cos(math.Pi*f)) / 2
		case 3:
			f = math.Sqrt(f)
		}
		if !open {
			f = 0
		}
		// The supply brings gas of the room's temperature; on a specimen that is
		// not warm the walls keep the vessel's gas at it up to the start.
		if now < start && !sp.warm {
			return sp.ramp, 0
		}
		in := supply / (sp.gamma * sp.temp) // mass flow times R/V
		out := 0.0
		if f > 0 && p > ambient {
			r := ambient / p
			k := 1.0
			if r > rc {
				g := sp.gamma
				k = math.Sqrt(math.Max(0, (math.Pow(r, 2/g)-math.Pow(r, (g+1)/g))*2/(g-1))) / math.Pow(2/(g+1), (g+1)/(2*(g-1)))
			}
			out = f * c * k / math.Sqrt(T) * p / sp.volume
		}
		wall := sp.heat * (sp.temp - T) * p / T
		dp = sp.gamma*(in*sp.temp-out*T) + wall
		dT = T/p*dp - T*T/p*(in-out)
		return dp, dT
	}
	for i := -n0; i < n1; i++ {
		now := float64(i) / sp.rate
		t = append(t, now)
		reading = append(reading, q-ambient)
		if now <= start {
			d, _ := deriv(now, p, T)
			sp.truth = p - ambient + d*(onset-now)
			sp.slope = d
		}
		m := sub
		for k := 0; k < m; k++ {
			a := now + float64(k)*h
			d1, e1 := deriv(a, p, T)
			d2, e2 := deriv(a+h/2, p+h/2*d1, T+h/2*e1)
			pm := p + h/2*d1
			p, T = p+h*d2, T+h*e2
			in := pm
			if sp.ringHz > 0 {
				acc := wr*wr*(pm-y) - 2*sp.ringDamping*wr*(yd-sp.ramp)
				yd += h * acc
				y += h * yd
				in = y
			}
			if sp.lag > 0 {
				q += (in - q) * -math.Expm1(-h/sp.lag)
			} else if q = in; sp.ringHz == 0 {
				q = p
			}
			if sp.reseal > 0 && open && a > onset+sp.width && sp.level+ambient-p > sp.reseal*sp.level {
				open = false
			}
		}
	}
	return t, reading, onset
}

// window plays the specimen with noise from rng into what the monitor would
// hand over. ok is false where no fair trigger would have fired.
func (sp *specimen) window(rng *rand.Rand) (w detect.Window, ch daq.Channel, o detect.Options, onset int64, ok bool) {
	t, clean, at := sp.clean()
	const origin = int64(5e12)
	onset = origin + int64(math.Round(at*1e9))
	w = detect.Window{Event: 1, Serial: 1, Final: true, NoisePa: sp.sigma, StepPa: sp.step, SupplyOpen: 1, Decided: -1}
	ar, info := 0.0, 0.0
	for range 200 {
		ar = sp.colour*ar + math.Sqrt(1-sp.colour*sp.colour)*rng.NormFloat64()
	}
	for i, ti := range t {
		ar = sp.colour*ar + math.Sqrt(1-sp.colour*sp.colour)*rng.NormFloat64()
		if sp.gap[1] > 0 && ti > sp.gap[0] && ti < sp.gap[1] {
			continue
		}
		v := clean[i] + sp.sigma*ar + sp.hum*math.Sin(2*math.Pi*sp.humHz*ti+sp.humPh)
		if sp.step > 0 {
			v = sp.step * math.Round(v/sp.step)
		}
		w.T = append(w.T, origin+int64(math.Round(ti*1e9)))
		w.V = append(w.V, v)
		w.Q = append(w.Q, 0)
		if ti > at-sp.width/2 {
			d := (clean[i] - (sp.truth + sp.slope*(ti-at-sp.lag))) / math.Hypot(sp.sigma, sp.step/3.4)
			info += d * d
		}
		if w.Decided < 0 && info/2 > 24.3 {
			w.Decided = len(w.T) - 1 + sp.delay
		}
	}
	for range sp.spikes {
		i := rng.IntN(len(w.V))
		w.V[i] += (rng.Float64() - 0.5) * 400 * sp.sigma
	}
	w.From, w.Until = 0, len(w.T)
	ch = daq.Channel{Name: "p", Role: daq.RoleSpecimen, Quantity: daq.Pressure, Reference: daq.Gauge, LagS: sp.lag, Step: sp.step, Certificate: "K-1"}
	gas := "N2"
	if sp.gamma > 1.5 {
		gas = "Ar"
	}
	o = detect.Options{Rig: detect.BurstRig, Medium: detect.Gas, Fixture: detect.Fixture{VolumeM3: sp.volume, Gas: gas, TemperatureK: sp.temp, AmbientPa: ambient}}
	ok = w.Decided >= 0 && w.Decided < len(w.T) && info > 100
	return w, ch, o, onset, ok
}

// draw makes a specimen of a family.
func draw(family string, rng *rand.Rand) specimen {
	span := func(a, b float64) float64 { return a * math.Pow(b/a, rng.Float64()) }
	sp := specimen{name: family, rate: 10000, ramp: span(0.05e5, 5e5), level: span(4e5, 60e5), volume: span(10e-6, 500e-6),
		temp: 296, gamma: 1.4, molar: 0.0280134, shape: rng.IntN(3), sigma: span(300, 6000), before: span(0.1, 2)}
	sp.area = span(0.3e-6, 30e-6)
	sp.width = span(0.2e-3, 5e-3)
	if rng.Float64() < 0.8 {
		sp.lag = span(0.05e-3, 1e-3)
	}
	if rng.IntN(2) == 0 {
		sp.rate = 1000
		sp.width = span(0.2e-3, 20e-3)
	}
	if rng.IntN(2) == 0 {
		sp.warm, sp.heat = true, span(0.3, 3)
	}
	switch family {
	case "small":
		sp.area = span(0.02e-6, 0.4e-6)
		sp.before = span(0.5, 3)
	case "bottom":
		sp.area = span(60e-6, 300e-6)
	case "quantised":
		sp.step = sp.sigma * span(1, 6)
	case "coloured":
		sp.colour = 0.3 + 0.65*rng.Float64()
	case "hum":
		sp.hum, sp.humHz, sp.humPh = sp.sigma*span(1, 15), 50*(1+0.002*rng.NormFloat64()), 6.28*rng.Float64()
		sp.before = span(0.3, 2)
	case "ringing":
		sp.ringHz, sp.ringDamping = span(150, 0.2*sp.rate), span(0.01, 0.15)
	case "heat":
		sp.heat = span(1, 20)
	case "gap":
		a := (rng.Float64() - 0.7) * 20 / sp.rate
		sp.gap = [2]float64{a, a + span(3, 20)/sp.rate}
	case "spikes":
		sp.spikes = 20
	case "short":
		sp.before = span(12, 60) / sp.rate
	}
	k := sp.area * 200 / sp.volume * 1.4
	sp.after = math.Max(60/sp.rate, math.Min(2/k, 3))
	if rng.IntN(3) == 0 {
		sp.after *= 0.3 + rng.Float64()
		sp.after = math.Max(60/sp.rate, sp.after)
	}
	sp.delay = rng.IntN(8)
	sp.phase = rng.Float64()
	return sp
}
