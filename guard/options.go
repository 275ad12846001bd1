package guard

import (
	"fmt"

	"ventward/daq"
)

// Options is the option struct of a Guard.
type Options struct {
	Rules    []Rule        `json:"rules"`
	Outputs  []daq.Output  `json:"outputs"`
	Channels []daq.Channel `json:"channels"`
	// HeartbeatS is the time between edges for the watchdog relay, s.
	HeartbeatS float64 `json:"heartbeat_s"`
	// SafePa is the magnitude of pressure below which, for SafeS seconds, the
	// pressure watch may end. It never means that approach is granted.
	SafePa float64 `json:"safe_Pa,omitempty"`
	SafeS  float64 `json:"safe_s,omitempty"`
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

// Check returns everything wrong with the options.
func (o Options) Check() []Problem {
	var ps []Problem
	names := map[string]bool{}
	for i, r := range o.Rules {
		field := func(f string) string { return fmt.Sprintf("rules[%d].%s", i, f) }
		if r.Name == "" || names[r.Name] {
			ps = append(ps, Problem{field("name"), fmt.Sprintf("%q", r.Name), "give every rule a name of its own"})
		}
		names[r.Name] = true
		ps = append(ps, r.check(field, o)...)
	}
	ps = append(ps, o.checkHeartbeat()...)
	return ps
}

func (o Options) checkHeartbeat() []Problem {
	beats := 0
	for _, out := range o.Outputs {
		if out.Heartbeat {
			beats++
		}
	}
	switch {
	case beats > 1:
		return []Problem{{"outputs", fmt.Sprint(beats, " heartbeats"), "mark one output as heartbeat; a bench has one watchdog relay"}}
	case beats == 1 && !(o.HeartbeatS > 0):
		return []Problem{{"heartbeat_s", fmt.Sprint(o.HeartbeatS), "state the time between edges, at most half the watchdog's time"}}
	}
	return nil
}

func (r Rule) check(field func(string) string, o Options) []Problem {
	var ps []Problem
	for _, c := range r.Channels {
		if int(c) >= len(o.Channels) {
			ps = append(ps, Problem{field("channels"), fmt.Sprint(c), "name a channel of this bench"})
		}
	}
	for _, t := range r.Trip {
		if t < 0 || t >= len(o.Outputs) {
			ps = append(ps, Problem{field("trip"), fmt.Sprint(t), "name an output of this bench"})
		} else if o.Outputs[t].Heartbeat {
			ps = append(ps, Problem{field("trip"), o.Outputs[t].Name, "a rule may not switch the heartbeat; name the valve's output"})
		}
	}
	needChannels := false
	switch r.Kind {
	case LimitHigh, LimitLow, Faulty:
		needChannels = true
	case Stale:
		needChannels = true
		if !(r.StaleS > 0) {
			ps = append(ps, Problem{field("stale_s"), fmt.Sprint(r.StaleS), "state after how many seconds of silence the channel is stale"})
		}
	case OnEvent:
		if len(r.Events) == 0 {
			ps = append(ps, Problem{field("events"), "none", "list the kinds of event that raise this rule"})
		}
	case Unconfirmed, Lost, Recording:
	default:
		ps = append(ps, Problem{field("kind"), fmt.Sprintf("%q", r.Kind), "use limit-high, limit-low, event, stale, sensor-fault, unconfirmed, lost or recording"})
	}
	if needChannels && len(r.Channels) == 0 {
		ps = append(ps, Problem{field("channels"), "none", "name the channels this rule watches"})
	}
	if r.DelayOnS < 0 || r.Deadband < 0 {
		ps = append(ps, Problem{field("delay_on_s"), fmt.Sprint(r.DelayOnS), "delays and deadbands are zero or positive"})
	}
	return ps
}
