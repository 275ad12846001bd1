package analysis

import (
	"ventward/daq"
	"ventward/detect"
)

// A Runaway gathers, sample by sample, what the results of a runaway rig's test
// need: bounded memory, whatever the length of the test. Feed it in the order
// of the record, then ask for Result.
type Runaway struct {
	o      detect.Options
	p      int // channel of the vessel's pressure; -1: none
	skin   int
	gas    int
	baro   int
	start  int64 // ns, samples before it don't count
	course meanCourse
	rate   steepest
	peakPa float64
	hot    climb // of the skin
	havePa bool
	baroPa float64

	venting, runaway int64               // ns, onsets; 0: not seen
	dumped           int64               // ns, first opening of the dump valve after the venting
	calls            map[int]runawayCall // by the event's number
	doubts           [2]string           // why the kinds of venting and runaway are uncertain
	flagged          map[int]bool        // channels whose reversed readings the record itself names: those are left out
	reversed         map[int]bool        // channels whose wires turned out to be reversed: nothing of them is used
}

// NewRunaway makes a gatherer for the channels of o. Samples before start (ns)
// are passed over.
func NewRunaway(o detect.Options, start int64) *Runaway {
	r := &Runaway{o: o, start: start, p: -1, skin: -1, gas: -1, baro: -1, calls: map[int]runawayCall{},
		flagged: map[int]bool{}, reversed: map[int]bool{}}
	first := func(at *int, i int, is bool) {
		if is && *at < 0 {
			*at = i
		}
	}
	for i := range o.Channels {
		c := &o.Channels[i]
		first(&r.p, i, c.IsPressure())
		first(&r.skin, i, c.Role == daq.RoleSkin)
		first(&r.gas, i, c.Role == daq.RoleGas)
		first(&r.baro, i, c.Role == daq.RoleBarometer)
	}
	return r
}

// Take gives consecutive samples of one channel.
func (r *Runaway) Take(ch daq.ChannelID, s []daq.Sample) {
	i := int(ch)
	if i != r.p && i != r.skin && i != r.gas && i != r.baro {
		return
	}
	for k := range s {
		x := &s[k]
		if x.T < r.start {
			continue
		}
		if x.Q&daq.Bad != 0 || x.V != x.V {
			if i == r.p {
				r.rate.hole()
			}
			if x.Q&daq.Reversed != 0 {
				r.flagged[i] = true
			}
			continue
		}
		switch i {
		case r.p:
			r.course.add(x.T, ofVessel, x.V)
			r.rate.take(x.T, x.V)
			if !r.havePa || x.V > r.peakPa {
				r.peakPa, r.havePa = x.V, true
			}
		case r.skin:
			r.course.add(x.T, ofSkin, x.V)
			r.hot.take(x.T, x.V)
		case r.gas:
			r.course.add(x.T, ofGas, x.V)
		case r.baro:
			r.baroPa = x.V
		}
	}
}

// Event gives an event or a later revision of it.
func (r *Runaway) Event(e *detect.Event) {
	if e.Kind == detect.SensorFault && e.Fault == detect.FaultReversed && !r.flagged[int(e.Channel)] {
		r.reversed[int(e.Channel)] = true
	}
	if e.Onset < r.start {
		return
	}
	if e.Kind == detect.SensorFault && int(e.Channel) == r.skin {
		r.hot.fault(e)
	}
	switch e.Kind {
	case detect.FirstVenting, detect.Runaway, detect.Dump:
		r.calls[e.ID] = callOf(e)
	default:
		delete(r.calls, e.ID) // it was renamed
	}
	venting, runaway := r.called(detect.FirstVenting, 0), r.called(detect.Runaway, 0)
	r.venting, r.runaway = venting.onset, runaway.onset
	r.doubts = [2]string{venting.doubt, runaway.doubt}
	r.dumped = 0
	if r.venting != 0 || r.runaway != 0 {
		r.dumped = r.called(detect.Dump, r.gone()).onset
	}
}

// gone is when gas first came (ns).
func (r *Runaway) gone() int64 {
	if r.venting == 0 || r.runaway != 0 && r.runaway < r.venting {
		return r.runaway
	}
	return r.venting
}

// unusable says why nothing of a thermocouple can be used; empty: it can.
func (r *Runaway) unusable(ch int) string {
	if ch < 0 || !r.reversed[ch] {
		return ""
	}
	return "the wires of " + r.o.Channels[ch].Name + " seem to be reversed: it fell while the vessel was heated; exchange them"
}

// A RunawayResult is what a test on a runaway rig came to. A nil figure was not
// computed; Absent says why, by the names of the result lines. Uncertainties
// are expanded, k = 2.
type RunawayResult struct {
	GasMol      *float64       // mol that the cell gave off, at the settled state
	GasUMol     *float64       // mol
	LostMol     *float64       // mol of it that a leak of the vessel took, reckoned back; nil: none was seen
	GasM3       *float64       // m3 of it at State
	GasM3PerAh  *float64       // m3 an Ah of nominal capacity
	State       ReferenceState //
	RatePaS     *float64       // (dP/dt)max, Pa/s: least squares over ...
	RateWindowS *float64       // ... this window, s, from its first sample to its last, which its size chose
	Venting     int64          // ns; 0: not seen
	SelfHeating int64          // ns; 0: not found
	SelfRateCS  *float64       // °C/s of own heating that counts as its onset
	Runaway     int64          // ns; 0: not seen
	// Why the kind of an event that Venting or Runaway tells of is uncertain;
	// empty: it is not, or was not seen.
	VentingDoubt, RunawayDoubt string
	GasDoubt                   string   // why GasMol may be none of the cell's; empty: it is
	PeakDoubt                  string   // why PeakC is only a lower bound; empty: it is none
	PeakPa                     *float64 // highest valid sample, in the channel's reference
	PeakC                      *float64 // highest valid sample of the skin
	Settled                    [2]int64 // ns, the stretch the amount was taken from
	Budget                     *Budget  // of GasMol; nil where it has no uncertainty
	Absent                     map[string]string
}

func (x *RunawayResult) without(field, reason string) {
	if x.Absent == nil {
		x.Absent = map[string]string{}
	}
	x.Absent[field] = reason
}

// Result computes the results of what was gathered so far.
func (r *Runaway) Result() RunawayResult {
	x := RunawayResult{State: StateAtm25, Venting: r.venting, Runaway: r.runaway, VentingDoubt: r.doubts[0], RunawayDoubt: r.doubts[1]}
	if r.havePa {
		x.PeakPa = &r.peakPa
	} else {
		x.without("peak_bar", "no valid reading of a vessel pressure")
	}
	if why := r.unusable(r.skin); why != "" {
		x.without("peak_C", why)
	} else if peak, doubt, ok := r.hot.peak(r.gone()); ok {
		x.PeakC, x.PeakDoubt = &peak, doubt
	} else {
		x.without("peak_C", "no valid reading of a skin temperature")
	}
	if rate, window, ok := r.rate.result(); ok {
		x.RatePaS, x.RateWindowS = &rate, &window
	} else {
		x.without("dpdt_max_bar_s", "the pressure never rose by more than its noise")
	}
	if r.venting == 0 {
		x.without("first_venting_s", "no first venting was seen")
	}
	if r.runaway == 0 {
		x.without("runaway_s", "no runaway was seen")
	}
	r.selfHeating(&x)
	r.amount(&x)
	return x
}
