package sim

import "math"

// kinds are the cases, those with openings first. Each is written from the
// drawn bench of begin; whatever can vary is drawn: lengths, phases, sizes.
func kinds() []ScenarioKind {
	return []ScenarioKind{
		{"vent", "An opening on a steady ramp; time constants of 3 ms to 0.5 s.", 1, false, writeVent},
		{"slow-vent", "A small opening whose blow-down takes seconds.", 1, false, writeSlowVent},
		{"rupture", "The housing breaks: the fixture is empty within the transducer's lag.", 1, false, writeRupture},
		{"long-lag", "A bottom vent empties the fixture faster than a slow transducer follows.", 1, false, writeLongLag},
		{"reseal-small", "An opening that drops by less than 3 % and closes again.", 1, false, writeReseal},
		{"balanced-ramp", "The open top vent nearly balances the ramp, then the bottom vent opens.", 2, false, writeBalanced},
		{"still-rising", "The top vent is open a little and the pressure goes on to the bottom vent.", 2, false, writeStillRising},
		{"two-openings", "Two openings 5 ms apart.", 2, false, writeTwo},
		{"spike-then-vent", "A spike of up to three readings, then an opening within the same window.", 1, false, writeSpikeVent},
		{"step-then-vent", "An opening 25 ms after a step of the supply's regulator.", 1, false, writeStepVent},
		{"dump-then-vent", "An opening 20 ms after the dump valve's edge.", 1, false, writeDumpVent},
		{"lost-frames", "The rows on the onset of an opening are missing.", 1, false, writeLostVent},
		{"hum-vent", "An opening under mains hum of up to 15 standard deviations.", 1, false, writeHumVent},
		{"pump-vent", "An opening under the strokes of a pump.", 1, false, writePumpVent},
		{"spikes-vent", "An opening among 40 spikes a second.", 1, false, writeSpikesVent},
		{"bulge-vent", "The bottom bulges, the ramp flattens, then it opens.", 1, false, writeBulgeVent},
		{"cid-vent", "The current interrupt device acts, later the top vent opens.", 1, false, writeCIDVent},
		{"saturated-vent", "The transducer ends before the specimen opens.", 1, false, writeSaturatedVent},
		{"liquid", "An opening on a liquid bench: the drop falls inside one sample.", 1, true, writeLiquid},

		{"quiet", "A steady ramp and nothing else.", 0, false, func(*script) {}},
		{"hold", "A steady pressure with the supply shut.", 0, false, writeHold},
		{"coarse", "A ramp whose noise is far below one count.", 0, false, writeCoarse},
		{"regulator-step", "The supply's regulator steps to a set pressure and holds it.", 0, false, writeStep},
		{"dump", "The dump valve opens.", 0, false, writeDump},
		{"spikes", "Single spikes of one to three readings.", 0, false, writeSpikes},
		{"spikes-40", "40 spikes a second.", 0, false, writeSpikes40},
		{"dropout", "Readings fall to the low rail for a while.", 0, false, writeDropout},
		{"open-wire", "The sensor's wire breaks and may come back.", 0, false, writeOpen},
		{"rail", "The converter sits at its upper end for a while.", 0, false, writeRail},
		{"frozen", "One reading is repeated, then the true one comes back with a jump.", 0, false, writeFrozen},
		{"pump", "The strokes of a pump on the ramp.", 0, false, writePump},
		{"hum", "Mains hum of 15 standard deviations begins and ends.", 0, false, writeHum},
		{"noise", "The noise grows for a while.", 0, false, writeNoise},
		{"lost-rows", "Rows are missing now and then.", 0, false, writeLost},
		{"power-gap", "Nothing is recorded for seconds in mid-ramp.", 0, false, writeGap},
		{"ramp-stop", "The supply valve shuts in mid-ramp; the gas cools a little.", 0, false, writeStop},
		{"ramp-start", "The supply valve opens from a hold.", 0, false, writeStart},
		{"fill-start", "The supply valve opens on a fixture without pressure: the first gas heats up, then the slope settles.", 0, false, writeFill},
		{"thermal-shock", "Hot gas on the diaphragm: a false low reading that recovers.", 0, false, writeShock},
		{"post-fill-cooling", "A fast fill, then the gas cools at the wall.", 0, false, writeCooling},
		{"leak", "A slow leak at a hold.", 0, false, writeLeak},
		{"bulge", "The bottom bulges on the ramp and does not open.", 0, false, writeBulge},
		{"cid-click", "The current interrupt device acts; the pressure does nothing.", 0, false, writeCID},
		{"water-hammer", "A valve's knock rings in the line.", 0, false, writeHammer},
		{"liquid-ramp", "A steady ramp on a liquid bench that stops.", 0, true, writeLiquidStop},
	}
}

// when draws the time of the main event: after at least a second of ramp.
func (w *script) when() float64 { return w.uniform(1.1, w.lenS-0.8) }

func (w *script) width() float64 { return w.logarithmic(1e-4, 5e-3) }

// maybeShut shuts the supply some time after t, or leaves it open.
func (w *script) maybeShut(t float64) {
	if w.chance(0.6) {
		w.shutSupply(t + w.uniform(0.01, 0.2))
	}
}

// vent adds an opening at t with a time constant.
func (w *script) vent(t, tau float64) {
	w.opens("top vent", t, w.width(), w.orificeFor(tau))
	w.maybeShut(t)
}

func writeVent(w *script)     { w.vent(w.when(), w.logarithmic(3e-3, 0.5)) }
func writeSlowVent(w *script) { w.vent(w.when(), w.logarithmic(0.5, 20)) }

func writeRupture(w *script) {
	t := w.when()
	w.startPa = w.uniform(35e5, 48e5)
	f := w.opens("housing", t, w.logarithmic(1e-4, 8e-4), w.orificeFor(w.logarithmic(5e-5, 4e-4)))
	f.Event = "rupture"
	w.maybeShut(t)
}

func writeLongLag(w *script) {
	for i := range w.sensors {
		w.sensors[i].lag = w.logarithmic(2e-3, 1e-2)
		w.sensors[i].lagU = 0.05 * w.sensors[i].lag
	}
	t := w.when()
	w.opens("bottom vent", t, w.logarithmic(2e-4, 1.5e-3), w.orificeFor(w.logarithmic(3e-4, 2e-3)))
	w.maybeShut(t)
}

func writeReseal(w *script) {
	t := w.when()
	f := w.opens("top vent", t, w.logarithmic(1e-4, 1e-3), w.orificeFor(w.logarithmic(0.02, 0.3)))
	at := w.startPa + w.fix.RampPaS*t
	f.ResealsPa = at * (1 - w.uniform(0.008, 0.03))
	w.maybeShut(t)
}

// writeBalanced holds a ramp that the first opening nearly balances.
func writeBalanced(w *script) {
	w.lenS = w.uniform(5, 8)
	w.fix.RampPaS = w.uniform(2e5, 5e5)
	t := w.uniform(1.2, 2)
	p := w.startPa + w.fix.RampPaS*t
	w.opens("top vent", t, w.width(), w.orificeFor(p/w.fix.RampPaS*w.uniform(0.85, 1.15)))
	w.opens("bottom vent", t+w.uniform(1, w.lenS-t-0.8), w.width(), w.orificeFor(w.logarithmic(3e-3, 0.1)))
}

func writeStillRising(w *script) {
	w.lenS = w.uniform(5, 8)
	w.fix.RampPaS = w.uniform(1e5, 5e5)
	t := w.uniform(1.2, 2.2)
	p := w.startPa + w.fix.RampPaS*t
	w.opens("top vent", t, w.width(), w.orificeFor(p/w.fix.RampPaS*w.uniform(1.5, 4)))
	w.opens("bottom vent", t+w.uniform(1, w.lenS-t-0.8), w.width(), w.orificeFor(w.logarithmic(3e-3, 0.1)))
}

func writeTwo(w *script) {
	t := w.when()
	w.opens("top vent", t, w.logarithmic(1e-4, 1e-3), w.orificeFor(w.logarithmic(0.02, 0.2)))
	w.opens("bottom vent", t+w.uniform(4.5e-3, 6e-3), w.logarithmic(1e-4, 5e-4), w.orificeFor(w.logarithmic(2e-3, 8e-3)))
	w.maybeShut(t)
}

func writeSpikeVent(w *script) {
	t := w.when()
	w.vent(t, w.logarithmic(3e-3, 0.3))
	w.fault(0, t-w.uniform(2e-3, 25e-3), "spike", 3e-4, 0, "spike")
}

func writeStepVent(w *script) {
	t := w.uniform(1.2, w.lenS-1)
	w.regulator(t-w.uniform(0.02, 0.03), w.uniform(0.5e5, 2e5))
	w.vent(t, w.logarithmic(3e-3, 0.2))
}

// regulator makes the supply hold the start pressure and step up by dp at t.
func (w *script) regulator(t, dp float64) {
	w.holdP, w.holdTau, w.steady = w.startPa, w.logarithmic(2e-3, 10e-3), false
	w.at(t, func(s *stand) { s.rig.setP += dp })
	w.truth = append(w.truth, Truth{Event: "supply-step", StartNS: ns(t), OnsetNS: ns(t), PressurePa: w.startPa})
}

// dumps opens the dump valve at t.
func (w *script) dumps(t float64) {
	w.fix.DumpAreaM2 = w.orificeFor(w.logarithmic(0.05, 1))
	w.at(t, func(s *stand) { s.rig.dump.want = true })
	w.truth = append(w.truth, Truth{Event: "dump", StartNS: ns(t), OnsetNS: ns(t)})
}

func writeDumpVent(w *script) {
	t := w.when()
	w.dumps(t - w.uniform(0.018, 0.022))
	w.opens("bottom vent", t, w.logarithmic(1e-4, 1e-3), w.orificeFor(w.logarithmic(2e-3, 2e-2)))
	w.maybeShut(t)
}

func writeLostVent(w *script) {
	t := w.when()
	w.vent(t, w.logarithmic(10e-3, 0.5))
	n := w.uniform(1e-3, 20e-3)
	from := t - n*w.rng.Float64()
	w.cuts = append(w.cuts, [2]float64{from, from + n})
}

// hums gives every sensor hum of up to size standard deviations.
func (w *script) hums(size float64) {
	hz := []float64{50, 60}[w.rng.IntN(2)] * w.uniform(0.998, 1.002)
	for i := range w.sensors {
		x := &w.sensors[i]
		x.noise.HumAmplitude, x.noise.HumHz = size*x.sigma, hz
	}
}

func writeHumVent(w *script) {
	w.hums(w.logarithmic(2, 15))
	w.vent(w.when(), w.logarithmic(3e-3, 0.3))
}

// pumps adds a pump's strokes: a main wave with harmonics, not quite regular.
func (w *script) pumps() {
	hz, a := w.logarithmic(3, 30), w.logarithmic(2, 12)*w.sensors[0].sigma
	ph, wob := w.uniform(0, 2*math.Pi), w.uniform(0.1, 0.5)
	w.pulse = func(t float64) float64 {
		x := 2*math.Pi*hz*t + wob*math.Sin(2*math.Pi*0.3*t) + ph
		return a * (math.Sin(x) + 0.3*math.Sin(2*x+1) + 0.1*math.Sin(3*x+2))
	}
}

func writePumpVent(w *script) {
	w.pumps()
	w.vent(w.when(), w.logarithmic(3e-3, 0.2))
}

func writeSpikesVent(w *script) {
	w.fault(0, w.uniform(0.1, 0.6), "spikes", w.lenS, 40, "spike")
	w.vent(w.when(), w.logarithmic(3e-3, 0.2))
}

// bulges lets the bottom bulge at t.
func (w *script) bulges(t float64) {
	w.bulgeP = w.startPa + w.fix.RampPaS*t
	w.bulgeC = w.uniform(0.15, 0.6) / (w.bulgeP + 1e5) // the ramp flattens to 1/(1+x)
}

func writeBulgeVent(w *script) {
	w.lenS = w.uniform(4, 7)
	t := w.uniform(1.2, 2)
	w.bulges(t)
	w.vent(t+w.uniform(0.8, w.lenS-t-0.8), w.logarithmic(3e-3, 0.2))
}

// clicks lets the current interrupt device act at t.
func (w *script) clicks(t float64) {
	w.at(t, func(s *stand) { s.rig.cidOpen = true })
	w.truth = append(w.truth, Truth{Event: "continuity-loss", StartNS: ns(t), OnsetNS: ns(t)})
}

func writeCIDVent(w *script) {
	t := w.when()
	w.clicks(t - w.uniform(0.2, 1))
	w.vent(t, w.logarithmic(3e-3, 0.2))
}

func writeSaturatedVent(w *script) {
	t := w.when()
	w.fix.RampPaS = w.uniform(1e5, 5e5)
	for i := range w.sensors {
		w.sensors[i].high = w.startPa + w.fix.RampPaS*t*w.uniform(0.2, 0.7)
	}
	w.vent(t, w.logarithmic(3e-3, 0.1))
}

func writeLiquid(w *script) {
	t := w.when()
	w.modulus = w.logarithmic(0.1e9, 1e9)
	w.opens("bottom vent", t, w.logarithmic(1e-4, 5e-4), w.logarithmic(20e-6, 150e-6))
	w.maybeShut(t)
}

func writeLiquidStop(w *script) { w.shutSupply(w.when()) }

func writeHold(w *script) { w.running = false }

func writeCoarse(w *script) {
	for i := range w.sensors {
		x := &w.sensors[i]
		x.step = x.sigma * w.logarithmic(3, 30)
	}
}

func writeStep(w *script) { w.regulator(w.when(), w.logarithmic(0.1e5, 3e5)) }

func writeDump(w *script) {
	t := w.when()
	w.dumps(t)
	w.maybeShut(t)
}

func writeSpikes(w *script) {
	for range 1 + w.rng.IntN(4) {
		// One fault at a time: the next begins when the last is long over.
		w.at(w.uniform(0.3, w.lenS-0.2), func(s *stand) { s.sensors[0].fault.start("spike", s.rig.t, 0, 0) })
	}
	w.truth = append(w.truth, Truth{Event: "sensor-fault", Fault: "spike", Channel: w.sensorName(0)})
}

func writeSpikes40(w *script) { w.fault(0, w.uniform(0.1, 1), "spikes", w.lenS, 40, "spike") }

func writeDropout(w *script) {
	w.fault(0, w.when(), "open-wire", w.logarithmic(1e-3, 1), 0, "dropout")
}

func writeOpen(w *script) { w.fault(0, w.when(), "open-wire", w.uniform(0.2, 4), 0, "open") }
func writeRail(w *script) { w.fault(0, w.when(), "rail", w.logarithmic(5e-3, 1), 0, "rail") }

func writeFrozen(w *script) {
	w.fix.RampPaS = w.uniform(0.5e5, 5e5)
	w.fault(0, w.when(), "frozen", w.uniform(0.05, 0.7), 0, "frozen")
}

func writePump(w *script) { w.pumps() }

func writeHum(w *script) {
	if w.chance(0.5) {
		w.hums(w.logarithmic(5, 15))
		return
	}
	t := w.when()
	w.at(t, func(s *stand) { s.sensors[0].fault.start("hum", s.rig.t, w.lenS, 15) })
}

func writeNoise(w *script) {
	t, f := w.when(), w.uniform(2, 5)
	w.at(t, func(s *stand) { s.sensors[0].fault.start("noise", s.rig.t, 0.6, f) })
}

func writeLost(w *script) {
	for range 2 + w.rng.IntN(8) {
		t := w.uniform(0.2, w.lenS-0.3)
		w.cuts = append(w.cuts, [2]float64{t, t + w.logarithmic(2e-4, 0.1)})
	}
}

func writeGap(w *script) {
	t := w.uniform(1.1, 2)
	w.lenS = w.uniform(5, 8)
	w.cuts = append(w.cuts, [2]float64{t, t + w.uniform(0.3, 3)})
}

func writeStop(w *script) { w.shutSupply(w.when()) }

func writeStart(w *script) {
	w.running = false
	w.at(w.when(), func(s *stand) { s.rig.supply.want = true })
}

func writeFill(w *script) {
	w.running, w.startPa, w.fix.Needle = false, 0, w.chance(0.7)
	w.fix.RampPaS = w.uniform(0.5e5, 2e5)
	w.at(w.uniform(0.8, 2), func(s *stand) { s.rig.supply.want = true })
}

func writeShock(w *script) {
	if w.chance(0.5) {
		w.running = false
	}
	i := w.rng.IntN(len(w.sensors))
	t, a := w.when(), w.logarithmic(0.1e5, 2e5)
	in, back := w.logarithmic(0.05, 0.4), w.logarithmic(0.5, 5)
	w.sensors[i].extra = func(now float64) float64 {
		if now < t {
			return 0
		}
		x := now - t
		return -a * (1 - math.Exp(-x/in)) * math.Exp(-x/back)
	}
	w.truth = append(w.truth, Truth{Event: "sensor-fault", Fault: "thermal-shock", Channel: w.sensorName(i), StartNS: ns(t), OnsetNS: ns(t)})
}

func writeCooling(w *script) {
	w.fix.RampPaS, w.steady = w.logarithmic(5e5, 50e5), false
	w.startPa = w.uniform(3e5, 8e5)
	w.fix.WallTauS, w.fix.Needle = w.logarithmic(0.3, 4), true
	w.shutSupply(w.uniform(0.4, 1.2))
}

func writeLeak(w *script) {
	w.running = false
	t := w.uniform(1, 2)
	tau := w.logarithmic(10, 300)
	w.at(t, func(s *stand) { s.rig.leakArea = w.orificeFor(tau) })
	w.truth = append(w.truth, Truth{Event: "leak", StartNS: ns(t), OnsetNS: ns(t), PressurePa: w.startPa,
		AreaM2: w.orificeFor(tau), RatePaS: (w.startPa + w.fix.AmbientPa) / tau})
}

func writeBulge(w *script) { w.bulges(w.uniform(1.2, w.lenS-1)) }

func writeCID(w *script) { w.clicks(w.when()) }

func writeHammer(w *script) {
	i := w.rng.IntN(len(w.sensors))
	t, a := w.when(), w.logarithmic(5, 40)*w.sensors[i].sigma
	hz, tau := w.logarithmic(200, 2500), w.logarithmic(2e-3, 20e-3)
	w.sensors[i].extra = func(now float64) float64 {
		if x := now - t; x >= 0 {
			return a * math.Sin(2*math.Pi*hz*x) * math.Exp(-x/tau)
		}
		return 0
	}
}
