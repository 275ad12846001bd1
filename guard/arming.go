package guard

import (
	"fmt"
	"math"
	"slices"

	"ventward/daq"
)

// A Check is one condition for going on: what it is, whether it is met, and
// if not what is missing and how to cure it.
type Check struct {
	Name     string `json:"name"`
	OK       bool   `json:"ok"`
	Required bool   `json:"required"` // false: waived on this bench, shown only
	Why      string `json:"why,omitempty"`
	Cure     string `json:"cure,omitempty"`
	// LeftS is how long a condition of the watch must still last, s; 0: it is
	// met, or nobody can say.
	LeftS float64 `json:"left_s,omitempty"`
}

// Names of the arming guards; a bench lists those it requires in
// Options.Arming. Fresh readings and no latched or standing trip are always
// required.
const (
	GuardFresh       = "fresh"       // every channel of a rule that makes safe is read
	GuardTrips       = "trips"       // no trip is latched, none stands
	GuardRange       = "range"       // specimen transducers reach the expected peak
	GuardCalibration = "calibration" // their certificates are in force
	GuardZero        = "zero"        // their zeros are verified
	GuardRate        = "rate"        // sample rate and lag hide little of the peak at the intended ramp
	GuardPlausible   = "plausible"   // they show ambient, and agree
	GuardClock       = "clock"       // the clocks of their instruments are settled
	GuardRecording   = "recording"   // the store takes what it is given
	GuardSpace       = "space"       // there is space for the run
	GuardLeak        = "leak"        // the leak rate of the fixture is known
	GuardVolume      = "volume"      // its volume is determined
	GuardDump        = "dump"        // a dump valve was exercised and read back
	GuardWatchdog    = "watchdog"    // an edge for the watchdog relay was read back both ways
	GuardAwake       = "awake"       // the computer is kept from sleeping
	GuardNames       = "names"       // two persons are named
	GuardProof       = "proof"       // the proof test of every trip is in date
	GuardBypass      = "bypass"      // no trip is bypassed
	GuardDescription = "description" // the bench description's file is the one that runs
)

// guards is every arming guard in the order in which they are shown.
var guards = []struct {
	name string
	why  func(g *Guard) (why, cure string) // why empty: met
}{
	{GuardFresh, (*Guard).whyFresh}, {GuardTrips, (*Guard).whyTrips}, {GuardRange, (*Guard).whyRange},
	{GuardCalibration, (*Guard).whyCalibration}, {GuardZero, (*Guard).whyZero}, {GuardRate, (*Guard).whyRate},
	{GuardPlausible, (*Guard).whyPlausible}, {GuardClock, (*Guard).whyClock}, {GuardRecording, (*Guard).whyRecording},
	{GuardSpace, (*Guard).whySpace}, {GuardLeak, (*Guard).whyLeak}, {GuardVolume, (*Guard).whyVolume},
	{GuardDump, (*Guard).whyDump}, {GuardWatchdog, (*Guard).whyWatchdog}, {GuardAwake, (*Guard).whyAwake},
	{GuardNames, (*Guard).whyNames}, {GuardProof, (*Guard).whyProof}, {GuardBypass, (*Guard).whyBypass},
	{GuardDescription, (*Guard).whyDescription},
}

// ArmingGuards lists the names that Options.Arming may hold.
func ArmingGuards() []string {
	out := make([]string, len(guards))
	for i := range guards {
		out[i] = guards[i].name
	}
	return out
}

// Guards judges every arming guard at the guard's own time.
func (g *Guard) Guards() []Check {
	out := make([]Check, len(guards))
	for i := range guards {
		k := &guards[i]
		c := Check{Name: k.name, Required: k.name == GuardFresh || k.name == GuardTrips || slices.Contains(g.o.Arming, k.name)}
		c.Why, c.Cure = k.why(g)
		c.OK = c.Why == ""
		out[i] = c
	}
	return out
}

func (g *Guard) whyFresh() (string, string) {
	return g.unfresh(g.s.Now), "look at its instrument"
}

func (g *Guard) whyTrips() (string, string) {
	for i := range g.s.Trips {
		if t := &g.s.Trips[i]; t.Tripped {
			return fmt.Sprintf("trip %q is latched", t.Rule), t.cure() + "reset"
		}
	}
	for i := range g.s.Trips {
		if t := &g.s.Trips[i]; t.Stands && len(t.Outputs) > 0 && !t.Bypassed {
			if t.Past {
				return fmt.Sprintf("trip %q saw an event", t.Rule), t.cure() + "reset"
			}
			return fmt.Sprintf("the condition of trip %q stands", t.Rule), "cure its cause"
		}
	}
	return "", ""
}

// peak is the highest pressure to expect, Pa gauge: as stated, or the highest
// limit on a specimen channel.
func (g *Guard) peak() float64 {
	p := g.o.ExpectPa
	for i := range g.o.Rules {
		r := &g.o.Rules[i]
		if r.Kind != LimitHigh {
			continue
		}
		for _, ch := range r.Channels {
			if g.o.Channels[ch].IsPressure() {
				p = max(p, r.Limit-g.ambient(ch))
			}
		}
	}
	return p
}

func (g *Guard) whyRange() (string, string) {
	p := g.peak()
	if p <= 0 {
		return "no peak pressure to expect is stated", "state one, or a limit on the specimen's pressure"
	}
	for _, ch := range g.specimens {
		c := &g.o.Channels[ch]
		if top := c.High * daq.FullScale; p+g.ambient(ch) > top {
			return fmt.Sprintf("%s saturates at %.4g bar and %.4g bar may come", c.Name, top/1e5, (p+g.ambient(ch))/1e5), "fit a transducer of a wider range"
		}
	}
	return g.someSpecimen()
}

// someSpecimen says that no channel measures the specimen's pressure.
func (g *Guard) someSpecimen() (string, string) {
	if len(g.specimens) == 0 {
		return "no channel measures the specimen's pressure", "give one the role p"
	}
	return "", ""
}

func (g *Guard) whyCalibration() (string, string) {
	for _, ch := range g.specimens {
		switch c := &g.o.Channels[ch]; {
		case c.Certificate == "":
			return c.Name + " has no calibration certificate", "put its certificate into the bench description and start anew"
		case c.CalDue != "" && g.s.Date == "":
			return "today's date is not known", "state it when arming"
		case overdue(c.CalDue, g.s.Date):
			return fmt.Sprintf("the calibration of %s ran out on %s", c.Name, c.CalDue), "have it calibrated, put the new certificate into the bench description and start anew"
		}
	}
	return g.someSpecimen()
}

func (g *Guard) whyZero() (string, string) {
	for _, ch := range g.specimens {
		c := &g.o.Channels[ch]
		if e, ok := g.s.Entered[EnterZero+"/"+c.Name]; ok {
			if old := g.outdated(e.Date, e.Until, g.o.ZeroDays); old != "" {
				return "the zero of " + c.Name + old, "open the line to air, verify it and enter it"
			}
		} else if !c.Zeroed {
			return "the zero of " + c.Name + " is not verified", "open the line to air, verify it and enter it"
		}
	}
	return g.someSpecimen()
}

// peakPart is the part of full scale that lag and sampling may hide of a peak
// where the options state no limit: the order of a good industrial
// transducer's own accuracy (common practice, no source).
const peakPart = 0.005

// whyRate judges ramp x (period + lag + line delay), one-sided.
func (g *Guard) whyRate() (string, string) {
	if !(g.o.RampPaS > 0) {
		return "the intended ramp is not stated", "state it in the bench description"
	}
	for _, ch := range g.specimens {
		c := &g.o.Channels[ch]
		if int(ch) >= len(g.o.RateHz) || !(g.o.RateHz[ch] > 0) {
			return "the sample rate of " + c.Name + " is not stated", "state it in the bench description"
		}
		loss := g.o.RampPaS * (1/g.o.RateHz[ch] + c.LagS + c.DelayS)
		if most := orElse(g.o.PeakLossPa, peakPart*c.High); loss > most {
			return fmt.Sprintf("%s may miss %.3g bar of a peak at %.3g bar/s; %.3g bar are allowed", c.Name, loss/1e5, g.o.RampPaS/1e5, most/1e5), "use a faster instrument or a slower ramp"
		}
	}
	return g.someSpecimen()
}

// plausiblePa is how far a transducer may be from ambient, or two from each
// other, at rest, where the options state nothing (common practice, no source).
const plausiblePa = 0.5e5

// sound tells whether a channel is fresh and has lately been a measurement.
func (g *Guard) sound(ch int) bool {
	seen, t := g.s.Seen[ch], g.s.Newest[ch].T
	return t != 0 && g.s.Now-seen <= g.freshNS && seen-t <= g.freshNS
}

func (g *Guard) whyPlausible() (string, string) {
	most, agree := orElse(g.o.PlausiblePa, plausiblePa), orElse(g.o.AgreePa, plausiblePa)
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, ch := range g.specimens {
		c, x := &g.o.Channels[ch], g.s.Newest[ch]
		if !g.sound(int(ch)) {
			return c.Name + " shows no measurement", "look at its transducer and instrument"
		}
		v := x.V - g.ambient(ch)
		if math.Abs(v) > most {
			return fmt.Sprintf("%s shows %.3g bar from ambient", c.Name, v/1e5), "vent the line; check range, unit, gauge or absolute, and zero"
		}
		lo, hi = min(lo, v), max(hi, v)
	}
	if hi-lo > agree {
		return fmt.Sprintf("the specimen's transducers differ by %.3g bar at rest", (hi-lo)/1e5), "find out which is wrong"
	}
	return g.someSpecimen()
}

func (g *Guard) whyClock() (string, string) {
	for _, ch := range g.specimens {
		c := &g.o.Channels[ch]
		if c.Instrument >= len(g.s.Settled) || !g.s.Settled[c.Instrument] {
			return "the clock of " + g.instrument(c.Instrument) + " is not settled", "wait until it has been read for a minute"
		}
	}
	return g.someSpecimen()
}

// whyNotice judges what the program noticed of itself.
func (g *Guard) whyNotice(what, bad, cure string) (string, string) {
	n, known := g.s.Notices[what]
	switch {
	case !known:
		return bad + " is not known yet", "wait a moment; then look at the program's log"
	case !n.OK:
		return bad + ": " + n.Reason, cure
	}
	return "", ""
}

func (g *Guard) whyRecording() (string, string) {
	return g.whyNotice(NoticeRecording, "whether the record can be written", "free the disk or mend it")
}

func (g *Guard) whySpace() (string, string) {
	return g.whyNotice(NoticeSpace, "whether there is space for the run", "free space on the disk")
}

func (g *Guard) whyAwake() (string, string) {
	return g.whyNotice(NoticeAwake, "whether the computer stays awake", "forbid it to sleep")
}

func (g *Guard) whyLeak() (string, string) {
	const cure = "do a leak check at low pressure and enter its result"
	rate, date, until := g.o.LeakPaS, g.o.LeakDate, ""
	if e, ok := g.s.Entered[EnterLeak]; ok && e.Date >= date {
		rate, date, until = e.Value, e.Date, e.Until
	}
	if rate == nil {
		return "the leak rate of the fixture is not known", cure
	}
	if most := g.o.LeakMaxPaS; most > 0 && *rate > most {
		return fmt.Sprintf("the fixture leaks %.3g bar/s, more than %.3g", *rate/1e5, most/1e5), "find the leak, check again and enter the result"
	}
	if old := g.outdated(date, until, g.o.LeakDays); old != "" {
		return "the leak rate of the fixture" + old, cure
	}
	return "", ""
}

func (g *Guard) whyVolume() (string, string) {
	const cure = "determine it by expansion or a metered charge, put it into the bench description and start anew"
	if !(g.o.VolumeM3 > 0) {
		return "the volume of the fixture is not determined", cure
	}
	if old := g.outdated(g.o.VolumeDate, "", g.o.VolumeDays); old != "" {
		return "the volume of the fixture" + old, cure
	}
	return "", ""
}

// whyDump judges the dump valves that are outputs by their read-back, and where
// the bench has none the hand valve by what was entered of it.
func (g *Guard) whyDump() (string, string) {
	outputs := false
	for i := range g.o.Outputs {
		if g.o.Outputs[i].Role != daq.RoleDumpValve {
			continue
		}
		outputs = true
		if !g.s.Outputs[i].Off {
			return g.o.Outputs[i].Name + " was not exercised", "exercise it and watch its read-back"
		}
	}
	if outputs {
		return "", ""
	}
	const cure = "open and shut it by hand, watch the gauge, and enter it"
	e, ok := g.s.Entered[EnterDump]
	if !ok {
		return "the dump valve was not exercised", cure
	}
	if old := g.outdated(e.Date, e.Until, g.o.DumpDays); old != "" {
		return "the dump valve's exercise" + old, cure
	}
	return "", ""
}

func (g *Guard) whyWatchdog() (string, string) {
	switch {
	case g.heart < 0:
		return "there is no hardware watchdog relay", "fit one"
	case g.s.Unbeat != "":
		return "no edge is sent to the watchdog relay: " + g.s.Unbeat, "look at its instrument"
	case !g.s.Outputs[g.heart].Off || g.s.Outputs[g.heart].State == daq.OutputUnknown:
		return "no edge for the watchdog relay was read back", "wait a moment, then look at its instrument"
	}
	return "", ""
}

func (g *Guard) whyNames() (string, string) {
	if g.s.Names[0] != "" && g.s.Names[0] == g.s.Names[1] {
		return "one person is named twice", "name a second person"
	}
	if g.s.Names[0] == "" || g.s.Names[1] == "" {
		return "two persons are not named", "state who1 and who2"
	}
	return "", ""
}

func (g *Guard) whyProof() (string, string) {
	for i := range g.s.Trips {
		switch t := &g.s.Trips[i]; {
		case len(t.Outputs) == 0:
		case t.ProofDue == "":
			return fmt.Sprintf("no date is known until which the proof test of trip %q is good", t.Rule), "test it, and enter the test with the next date"
		case g.s.Date == "":
			return "today's date is not known", "state it when arming"
		case t.Overdue:
			return fmt.Sprintf("the proof test of trip %q was due on %s", t.Rule, t.ProofDue), "test it, and enter the test with the next date"
		}
	}
	return "", ""
}

func (g *Guard) whyBypass() (string, string) {
	for i := range g.s.Trips {
		if g.s.Trips[i].Bypassed {
			return fmt.Sprintf("trip %q is bypassed", g.s.Trips[i].Rule), "end the bypass"
		}
	}
	return "", ""
}

func (g *Guard) whyDescription() (string, string) {
	if n, known := g.s.Notices[NoticeDescription]; known && !n.OK {
		return "the bench description that runs is not the one in its file: " + n.Reason, "start the program anew, or put the file back"
	}
	return "", ""
}
