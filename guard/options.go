package guard

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"ventward/daq"
)

// Options is the option struct of a Guard. Zero values of the numbers mean
// what their comments say, so that a bench which states nothing has no
// obligations beyond fresh readings and no trip.
type Options struct {
	Rules    []Rule        `json:"rules"`
	Outputs  []daq.Output  `json:"outputs"`
	Channels []daq.Channel `json:"channels"`
	// Instruments names the instruments, for messages.
	Instruments []string `json:"instruments,omitempty"`
	// RateHz is by channel: samples a second; 0: not stated.
	RateHz []float64 `json:"rate_Hz,omitempty"`
	// HeartbeatS is the time between edges for the watchdog relay, s.
	HeartbeatS float64 `json:"heartbeat_s"`

	// Arming lists the guards that this bench requires before it may be armed,
	// beyond fresh readings and no trip; see ArmingGuards.
	Arming []string `json:"arming,omitempty"`
	// ExpectPa is the highest pressure to expect, Pa gauge; 0: only the limits
	// on specimen channels tell.
	ExpectPa    float64  `json:"expect_Pa,omitempty"`
	RampPaS     float64  `json:"ramp_Pa_s,omitempty"`     // intended ramp, Pa/s; 0: not stated
	PeakLossPa  float64  `json:"peak_loss_Pa,omitempty"`  // what sampling and lag may hide of a peak, Pa; 0: 0.5 % of full scale
	PlausiblePa float64  `json:"plausible_Pa,omitempty"`  // how far from ambient a transducer may be at rest, Pa; 0: 0.5 bar
	AgreePa     float64  `json:"agree_Pa,omitempty"`      // how far redundant transducers may differ at rest, Pa; 0: 0.5 bar
	AmbientPa   float64  `json:"ambient_Pa,omitempty"`    // Pa absolute where there is no barometer; 0: the standard atmosphere
	VolumeM3    float64  `json:"volume_m3,omitempty"`     // of the fixture; 0: not determined
	LeakPaS     *float64 `json:"leak_Pa_s,omitempty"`     // leak rate of the fixture, Pa/s; nil: not known
	LeakMaxPaS  float64  `json:"leak_max_Pa_s,omitempty"` // highest leak rate allowed, Pa/s; 0: any
	LeakDate    string   `json:"leak_date,omitempty"`     // YYYY-MM-DD; empty: not stated
	VolumeDate  string   `json:"volume_date,omitempty"`   // YYYY-MM-DD; empty: not stated

	// How many days what was determined counts; 0: for ever.
	ZeroDays   int `json:"zero_days,omitempty"`
	LeakDays   int `json:"leak_days,omitempty"`
	VolumeDays int `json:"volume_days,omitempty"`
	DumpDays   int `json:"dump_days,omitempty"`

	// HoldAfterS is how long the pressure may not rise by HoldRisePa under test
	// before the test counts as holding pressure, and the supply is shut; 0:
	// only a command does that.
	HoldAfterS float64 `json:"hold_after_s,omitempty"`
	HoldRisePa float64 `json:"hold_rise_Pa,omitempty"`

	// SafePa is how near ambient the specimen's pressure must be, for SafeS
	// seconds, before the pressure watch may end. It never means that approach
	// is granted.
	SafePa     float64 `json:"safe_Pa,omitempty"`
	SafeS      float64 `json:"safe_s,omitempty"`
	WatchMaxC  float64 `json:"watch_max_C,omitempty"`  // highest skin and gas temperature for it, °C; 0: not asked
	WatchWaitS float64 `json:"watch_wait_s,omitempty"` // least duration of the watch, s
	// WatchBinds refuses to end a test before these conditions are met, unless
	// a reason is given. Otherwise they are only shown.
	WatchBinds bool `json:"watch_binds,omitempty"`

	ShelveMaxS float64 `json:"shelve_max_s,omitempty"` // longest shelving, s; 0: 3600
	ShelveMax  int     `json:"shelve_max,omitempty"`   // alarms shelved at once; 0: 10
	BypassMaxS float64 `json:"bypass_max_s,omitempty"` // longest bypass, s; 0: 1800
	BypassMax  int     `json:"bypass_max,omitempty"`   // trips bypassed at once; 0: 1
}

// A Problem is one thing wrong with an option struct.
type Problem struct {
	Field   string // for example rules[2].limit
	Value   string
	Message string // what is wrong and what to do
}

func (p Problem) Error() string {
	return fmt.Sprintf("%s = %s: %s", p.Field, p.Value, p.Message)
}

// problems collects what is wrong.
type problems []Problem

func (ps *problems) add(bad bool, field string, value any, message string) {
	if bad {
		*ps = append(*ps, Problem{field, fmt.Sprint(value), message})
	}
}

// positive wants numbers that are zero or positive, and finite.
func (ps *problems) positive(field string, x float64) {
	ps.add(!(x >= 0) || math.IsInf(x, 0), field, x, "state zero or a positive number")
}

// Check returns everything wrong with the options.
func (o Options) Check() []Problem {
	var ps problems
	names := map[string]bool{}
	for i := range o.Rules {
		r := &o.Rules[i]
		field := func(f string) string { return fmt.Sprintf("rules[%d].%s", i, f) }
		ps.add(r.Name == "" || names[r.Name], field("name"), fmt.Sprintf("%q", r.Name), "give every rule a name of its own")
		names[r.Name] = true
		r.check(&ps, field, &o)
	}
	o.checkHeartbeat(&ps)
	o.checkCourse(&ps)
	return ps
}

func (o *Options) checkHeartbeat(ps *problems) {
	beats := 0
	for i := range o.Outputs {
		if o.Outputs[i].Heartbeat {
			beats++
		}
	}
	ps.add(beats > 1, "outputs", fmt.Sprint(beats, " heartbeats"), "mark one output as heartbeat; a bench has one watchdog relay")
	ps.add(beats == 1 && !(o.HeartbeatS > 0), "heartbeat_s", o.HeartbeatS, "state the time between edges, at most half the watchdog's time")
}

func (o *Options) checkCourse(ps *problems) {
	for i, name := range o.Arming {
		ps.add(!slices.Contains(ArmingGuards(), name), fmt.Sprintf("arming[%d]", i), name, "use "+strings.Join(ArmingGuards(), ", "))
	}
	for _, f := range []struct {
		name string
		x    float64
	}{
		{"expect_Pa", o.ExpectPa}, {"ramp_Pa_s", o.RampPaS}, {"peak_loss_Pa", o.PeakLossPa}, {"plausible_Pa", o.PlausiblePa}, {"agree_Pa", o.AgreePa},
		{"ambient_Pa", o.AmbientPa}, {"volume_m3", o.VolumeM3}, {"leak_max_Pa_s", o.LeakMaxPaS}, {"hold_after_s", o.HoldAfterS},
		{"hold_rise_Pa", o.HoldRisePa}, {"safe_Pa", o.SafePa}, {"safe_s", o.SafeS}, {"watch_wait_s", o.WatchWaitS},
		{"zero_days", float64(o.ZeroDays)}, {"leak_days", float64(o.LeakDays)}, {"volume_days", float64(o.VolumeDays)}, {"dump_days", float64(o.DumpDays)},
		{"shelve_max_s", o.ShelveMaxS}, {"shelve_max", float64(o.ShelveMax)}, {"bypass_max_s", o.BypassMaxS}, {"bypass_max", float64(o.BypassMax)},
	} {
		ps.positive(f.name, f.x)
	}
	ps.add(o.HoldAfterS > 0 && !(o.HoldRisePa > 0), "hold_rise_Pa", o.HoldRisePa, "state the rise that counts, above the transducers' noise")
	ps.add(o.WatchBinds && !(o.SafeS > 0 && o.SafePa > 0), "safe_s", o.SafeS, "a watch that binds needs safe_Pa and safe_s")
}

func (r *Rule) check(ps *problems, field func(string) string, o *Options) {
	ps.add(!slices.Contains(RuleKinds(), r.Kind), field("kind"), fmt.Sprintf("%q", r.Kind), "use "+kindWords())
	ps.add(r.Kind.ofChannels() && len(r.Channels) == 0, field("channels"), "none", "name the channels this rule watches")
	for i, c := range r.Channels {
		ps.add(int(c) >= len(o.Channels), field("channels"), c, "name a channel of this bench")
		ps.add(slices.Contains(r.Channels[:i], c), field("channels"), c, "name each channel once")
	}
	for _, f := range []struct {
		name string
		x    float64
	}{{"delay_on_s", r.DelayOnS}, {"delay_off_s", r.DelayOffS}, {"deadband", r.Deadband}, {"re_alarm_s", r.ReAlarmS}} {
		ps.positive(field(f.name), f.x)
	}
	ps.add(math.IsNaN(r.Limit) || math.IsInf(r.Limit, 0), field("limit"), r.Limit, "state a number")
	r.checkKind(ps, field, o)
	r.checkVote(ps, field)
	r.checkTrip(ps, field, o)
	ps.add(!validPhases(r.Phases), field("phases"), r.Phases, "use "+phaseWords())
}

// checkKind judges what only one kind of rule has.
func (r *Rule) checkKind(ps *problems, field func(string) string, o *Options) {
	switch r.Kind {
	case Rate:
		ps.add(r.Limit == 0, field("limit"), r.Limit, "state the slope: positive for a rise, negative for a fall")
		ps.add(!(r.WindowS > 0), field("window_s"), r.WindowS, "state the time over which the slope is taken")
		for _, c := range r.Channels {
			slow := int(c) < len(o.RateHz) && o.RateHz[c] > 0 && r.WindowS*o.RateHz[c] < 4
			ps.add(slow, field("window_s"), r.WindowS, "make it at least four sample periods of "+o.channel(c).Name)
		}
	case Deviation:
		ps.add(!(r.Limit > 0), field("limit"), r.Limit, "state by how much the pair may differ")
		pair := len(r.Channels) == 2
		ps.add(!pair, field("channels"), len(r.Channels), "name the two channels of the pair")
		if pair {
			a, b := o.channel(r.Channels[0]), o.channel(r.Channels[1])
			ps.add(a.Quantity != b.Quantity || a.Reference != b.Reference, field("channels"), a.Name+" "+b.Name, "a pair measures the same quantity with the same reference")
		}
	case Digital:
		ps.add(r.AlarmOn != "0" && r.AlarmOn != "1", field("alarm_on"), fmt.Sprintf("%q", r.AlarmOn), `state the state that is the condition, "0" or "1"`)
		for _, c := range r.Channels {
			ps.add(o.channel(c).Quantity != daq.Digital, field("channels"), o.channel(c).Name, "is no digital input")
		}
	case Stale:
		ps.add(!(r.StaleS > 0), field("stale_s"), r.StaleS, "state after how many seconds of silence the channel is stale")
	case OnEvent:
		ps.add(len(r.Events) == 0, field("events"), "none", "list the kinds of event that raise this rule")
	case ClockStep:
		ps.add(!(r.StepS > 0), field("step_s"), r.StepS, "state the jump that counts")
		ps.add(r.DelayOnS > 0, field("delay_on_s"), r.DelayOnS, "a jump is over at once: remove the delay")
	}
}

// channel is a channel of the bench, or an empty one.
func (o *Options) channel(c daq.ChannelID) daq.Channel {
	if int(c) < len(o.Channels) {
		return o.Channels[c]
	}
	return daq.Channel{}
}

func (r *Rule) checkVote(ps *problems, field func(string) string) {
	switch {
	case !r.Vote.Known():
		ps.add(true, field("vote"), fmt.Sprintf("%q", r.Vote), "use 1oo1, 1oo2, 2oo2 or 2oo3, or leave it out")
	case r.Vote != Any && !r.Kind.votes():
		ps.add(true, field("vote"), r.Vote, "only limits, rates and digital inputs vote")
	case r.Vote != Any:
		ps.add(len(r.Channels) != r.Vote.Channels(), field("channels"), len(r.Channels), fmt.Sprintf("a vote %s is over %d channels", r.Vote, r.Vote.Channels()))
	}
}

func (r *Rule) checkTrip(ps *problems, field func(string) string, o *Options) {
	for _, t := range r.Trip {
		if t < 0 || t >= len(o.Outputs) {
			ps.add(true, field("trip"), t, "name an output of this bench")
			continue
		}
		ps.add(o.Outputs[t].Heartbeat, field("trip"), o.Outputs[t].Name, "a rule may not switch the heartbeat; name the valve's output")
	}
	ps.add(r.Kind == Bypassed && len(r.Trip) > 0, field("trip"), r.Trip, "a bypass is shown, it doesn't trip: remove the outputs")
	if r.ProofDue != "" {
		_, err := time.Parse(time.DateOnly, r.ProofDue)
		ps.add(err != nil, field("proof_due"), r.ProofDue, "write a date as 2031-05-24")
	}
	if len(r.TripPhases) == 0 {
		return
	}
	ps.add(!validPhases(r.TripPhases), field("trip_phases"), r.TripPhases, "use "+phaseWords())
	ps.add(!slices.Contains(r.TripPhases, UnderTest) || !slices.Contains(r.TripPhases, HoldingPressure), field("trip_phases"), r.TripPhases,
		"under test and holding pressure can't be left out: the specimen is under pressure then")
}

func kindWords() string {
	var s []string
	for _, k := range RuleKinds() {
		s = append(s, string(k))
	}
	return strings.Join(s, ", ")
}

func phaseWords() string {
	var s []string
	for _, p := range Phases() {
		s = append(s, string(p))
	}
	return strings.Join(s, ", ")
}
