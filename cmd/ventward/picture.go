package main

import (
	"fmt"
	"math"

	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
	"ventward/report"
	"ventward/stream"
)

// A picture is what can be told of a bench from its engine alone, live or in a
// replay.
type picture struct {
	bench     *config.Bench
	eng       *engine
	simulated bool
	heart     int // heartbeat output; -1: none
}

// state is the bench at bench time now, which is utc on the clock.
func (p picture) state(now int64, utc string) *stream.State {
	phase, since := p.eng.judge.Phase()
	s := &stream.State{Bench: p.bench.Name, Rig: string(p.bench.Detect.Rig), Simulated: p.simulated, Now: now, NowUTC: utc,
		Phase: string(phase), PhaseAt: since, Trips: p.eng.judge.Trips()}
	p.showOutputs(s, now)
	p.showSensors(s, now)
	p.showPressure(s)
	p.showCourse(s)
	s.Cautions = p.cautions(s)
	return s
}

func (p picture) showOutputs(s *stream.State, now int64) {
	for i, o := range p.bench.Outputs {
		if o.Heartbeat {
			_, last, why := p.eng.judge.Heartbeat()
			s.Watchdog = stream.WatchdogState{Present: true, Last: last, Why: why}
			v := p.eng.judge.Output(i)
			period := int64(p.bench.HeartbeatS * 1e9)
			s.Watchdog.Beating = why == "" && v.State != daq.OutputUnknown && now-last < 2*period+int64(200e6)
			continue
		}
		v := p.eng.judge.Output(i)
		s.Outputs = append(s.Outputs, stream.OutputState{Name: o.Name, Role: o.Role, Demanded: v.Want, State: v.State, Since: v.Since, Agrees: v.Agrees, Reason: v.Why})
	}
}

func (p picture) showSensors(s *stream.State, now int64) {
	for i := range p.bench.Channels {
		c := &p.bench.Channels[i]
		st := stream.SensorState{Name: c.Name, Role: c.Role, Quantity: c.Quantity, Reference: c.Reference, Low: c.Low, High: c.High,
			RateHz: p.bench.Instruments[c.Instrument].RateHz, Due: c.CalDue, Zeroed: c.Zeroed, Quality: "no reading yet", Noise: p.eng.watch.NoisePa(daq.ChannelID(i))}
		if n := &p.eng.newest[i]; n.T != 0 {
			st.At, st.AgeS, st.Quality = n.T, seconds(now-n.T), n.Q.String()
			if !math.IsNaN(n.V) {
				v := n.V
				u := 2 * c.Curve.U(v)
				st.Value, st.U = &v, &u
			}
		}
		s.Sensors = append(s.Sensors, st)
	}
}

func (p picture) showPressure(s *stream.State) {
	for i := range p.bench.Detect.Features {
		f := &p.bench.Detect.Features[i]
		s.Features = append(s.Features, stream.FeatureState{Name: f.Name, LowPa: f.LowPa, HighPa: f.HighPa})
	}
	e := p.eng
	if e.peak.have {
		highest, ramp := e.peak.max, e.peak.rampPaS
		s.PeakPa, s.RampPaS = &highest, &ramp
		if climb := e.peak.climbPaS; e.main >= 0 && climb > 0 {
			loss := peakLoss(&p.bench.Channels[e.main], p.bench.Instruments[p.bench.Channels[e.main].Instrument].RateHz, climb)
			s.PeakLoss = &loss
		}
	}
	for _, r := range p.bench.Guard.Rules {
		if r.Kind != guard.LimitHigh || len(r.Trip) == 0 || len(r.Channels) == 0 || !p.bench.Channels[r.Channels[0]].IsPressure() {
			continue
		}
		if v := r.Limit; s.TripPa == nil || v < *s.TripPa {
			s.TripPa = &v
		}
	}
}

// peakLoss is what lag, line delay and sampling may hide of a peak on a steady
// ramp, one-sided, Pa: ramp x (period + lag + delay).
func peakLoss(c *daq.Channel, rateHz, rampPaS float64) float64 {
	t := c.LagS + c.DelayS
	if rateHz > 0 {
		t += 1 / rateHz
	}
	return rampPaS * t
}

// showCourse tells what arming and the pressure watch wait for, and of a
// specimen that did not open.
func (p picture) showCourse(s *stream.State) {
	j := p.eng.judge
	if p := guard.Phase(s.Phase); p == guard.AtRest || p == guard.Preparing {
		s.Guards = j.Guards()
	} else if p == guard.PressureWatch {
		s.Waits = j.Watch()
	}
	if h, ok := j.Held(); ok {
		s.Held = &h
	}
	s.Load, s.Names = j.Load(), j.Names()
}

// leastLossPa is the least of a peak's loss that is told as a figure: below it
// the ramp is the noise's.
const leastLossPa = 10

// peakCaution is caution 5 for a loss in Pa.
func peakCaution(lossPa float64) string {
	if lossPa < leastLossPa {
		return fmt.Sprintf("The peak may be higher than recorded, by less than %g bar, at its ramp and sample rate.", leastLossPa/1e5)
	}
	return fmt.Sprintf("The peak may be up to %.2g bar higher than recorded at its ramp and sample rate.", lossPa/1e5)
}

// cautions lists those of the trade's cautions that apply now.
func (p picture) cautions(s *stream.State) []string {
	cs := []string{
		"Monitoring aid, not a safety device: over-pressure protection, emergency stop and access are hardware. Follow the local rules.",
		"A zero on the screen is no proof of zero pressure: vent, and read the local gauge before approach.",
	}
	if s.Simulated {
		cs = append(cs, "Simulated bench: nothing here was measured.")
	}
	for i := range s.Sensors {
		c := &p.bench.Channels[i]
		if !c.IsPressure() || p.eng.newest[i].T == 0 {
			continue
		}
		switch q := p.eng.newest[i].Q; {
		case q&daq.Saturated != 0:
			cs = append(cs, c.Name+" is saturated: its value is a lower bound.")
		case c.Certificate == "":
			cs = append(cs, c.Name+" has no calibration in force: its value is a bound, not a measurement.")
		case !c.Zeroed:
			cs = append(cs, "The zero of "+c.Name+" is not verified.")
		}
	}
	if s.PeakLoss != nil {
		cs = append(cs, peakCaution(*s.PeakLoss))
	}
	if p.bench.Detect.Rig == detect.RunawayRig {
		cs = append(cs, report.CautionCell)
	}
	if s.Held != nil && s.Held.Pressurised && (s.Phase == string(guard.MakingSafe) || s.Phase == string(guard.PressureWatch)) {
		cs = append(cs, fmt.Sprintf("This specimen did not open: held to at least %.2f bar %s, STILL PRESSURISED.", s.Held.AtLeastPa/1e5, s.Held.Reference))
	}
	if s.Phase == string(guard.UnderTest) || s.Phase == string(guard.HoldingPressure) {
		cs = append(cs, "No drop seen does not mean not opened.")
	}
	return cs
}
