package config

import (
	"fmt"
	"strings"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

var ruleKinds = []string{string(guard.LimitHigh), string(guard.LimitLow), string(guard.OnEvent), string(guard.Stale), string(guard.Faulty),
	string(guard.Unconfirmed), string(guard.Lost), string(guard.Recording)}

var eventKinds = []string{string(detect.VentOpening), string(detect.Rupture), string(detect.Reseal), string(detect.Leak), string(detect.Bulge),
	string(detect.FirstVenting), string(detect.Runaway), string(detect.ContinuityLoss), string(detect.SupplyStep), string(detect.Dump), string(detect.SensorFault)}

// phrase is the key with which a rule demands outputs off.
const phrase = "de_energise"

func (r *reading) readRules(list []*section) {
	seen := map[string]int{}
	for i, s := range list {
		rule := guard.Rule{
			Name:     s.needText("name", "what the alarm is called"),
			Kind:     guard.RuleKind(s.choice("kind", "", ruleKinds...)),
			Priority: guard.Priority(s.choice("priority", "", string(guard.Critical), string(guard.High), string(guard.Medium), string(guard.Low))),
			DelayOnS: s.real("delay_ms", 0, 0, 3.6e6) / 1000,
			Text:     s.text("text", ""),
			Trip:     r.tripped(s),
			Channels: r.watched(s),
		}
		once(s, seen, rule.Name, i)
		r.ruleKind(s, &rule)
		if rule.Kind == "" { // which keys belong to it can't be told
			s.askLimits()
			s.take("stale_ms")
			s.take("events")
		}
		s.close()
		r.bench.Guard.Rules = append(r.bench.Guard.Rules, rule)
	}
}

// tripped reads the outputs that a rule demands off.
func (r *reading) tripped(s *section) []int {
	var out []int
	for _, name := range s.texts(phrase) {
		i, ok := r.outputs[name]
		switch {
		case !ok:
			s.problem(phrase, fmt.Sprintf("output %q is not defined", name), "use one of "+known(r.outputs))
		case r.bench.Outputs[i].Heartbeat:
			s.problem(phrase, fmt.Sprintf("output %q is the heartbeat, which is never a rule's to switch", name), "name a valve's output")
		default:
			out = append(out, i)
		}
	}
	return out
}

// watched reads the channels that a rule watches.
func (r *reading) watched(s *section) []daq.ChannelID {
	var out []daq.ChannelID
	for _, name := range s.texts("channels") {
		i, ok := r.channels[name]
		if !ok {
			s.problem("channels", fmt.Sprintf("channel %q is not defined", name), "use one of "+known(r.channels))
			continue
		}
		out = append(out, daq.ChannelID(i))
	}
	return out
}

// ruleKind reads the keys that only one kind of rule has.
func (r *reading) ruleKind(s *section, rule *guard.Rule) {
	perChannel := false
	switch rule.Kind {
	case guard.LimitHigh, guard.LimitLow:
		perChannel = true
		r.limit(s, rule)
	case guard.Stale:
		perChannel = true
		rule.StaleS = s.needReal("stale_ms", 1, 3.6e6, "the silence after which a channel is stale") / 1000
	case guard.Faulty:
		perChannel = true
	case guard.OnEvent:
		for _, name := range s.texts("events") {
			if !contains(eventKinds, name) {
				s.problem("events", fmt.Sprintf("%q is no event", name), "use one of "+strings.Join(eventKinds, ", "))
				continue
			}
			rule.Events = append(rule.Events, detect.Kind(name))
		}
		if !s.has("events") {
			s.problem("events", "is missing", "add events = [\"vent-opening\", \"rupture\"]")
		}
	}
	switch {
	case perChannel && !s.has("channels"):
		s.problem("channels", "is missing", "add channels = [\"...\"]: the channels the rule watches")
	case !perChannel && rule.Kind != guard.OnEvent && rule.Kind != "" && s.has("channels"):
		s.problem("channels", fmt.Sprintf("means nothing to a rule of kind %s", rule.Kind), "remove it")
	}
}

// limit reads trip_UNIT (with outputs to demand off) or alarm_UNIT (without).
func (r *reading) limit(s *section, rule *guard.Rule) {
	q, ref, mixed := r.common(rule.Channels)
	if mixed {
		s.problem("channels", "measure different things", "write one rule for each quantity and reference")
		q = ""
	}
	if q == "" {
		s.askLimits()
		return
	}
	if q == daq.Digital {
		s.problem("channels", "are 0 or 1", "limits need a measured quantity")
	}
	trip, ut, hasTrip := s.value("trip", q)
	alarm, ua, hasAlarm := s.value("alarm", q)
	key, u := "trip_"+ut.name, ut
	rule.Limit = trip
	if hasAlarm && !hasTrip {
		key, u, rule.Limit = "alarm_"+ua.name, ua, alarm
	}
	ex := exampleUnit(q, ref, false)
	switch {
	case hasTrip && hasAlarm:
		s.problemIn(key, u.name, "stands beside an alarm limit", "write two rules: one that trips, one that only alarms")
	case !hasTrip && !hasAlarm:
		if !s.asks("trip") && !s.asks("alarm") {
			s.problem("kind", "needs a limit", fmt.Sprintf("add trip_%s with %s = [...], or alarm_%s", ex, phrase, ex))
		}
	case hasTrip && !s.has(phrase):
		s.problemIn(key, u.name, "demands no output off", fmt.Sprintf("add %s = [\"...\"], or call the limit alarm_%s", phrase, u.name))
	case hasAlarm && s.has(phrase):
		s.problemIn(key, u.name, "demands outputs off, which makes it a trip", fmt.Sprintf("call the limit trip_%s, or remove %s", u.name, phrase))
	}
	if hasTrip || hasAlarm {
		sameReference(s, key, u, ref)
	}
	if w, ok := s.difference("deadband", q); ok {
		rule.Deadband = w
	}
}

// askLimits marks the limits' keys as known where their quantity isn't.
func (s *section) askLimits() {
	for k := range s.keys {
		if strings.HasPrefix(k, "trip_") || strings.HasPrefix(k, "alarm_") || strings.HasPrefix(k, "deadband_") {
			s.asked[k] = true
		}
	}
}

// common is the quantity and reference that the channels share.
func (r *reading) common(ids []daq.ChannelID) (q daq.Quantity, ref daq.Reference, mixed bool) {
	for i, id := range ids {
		c := &r.bench.Channels[id]
		if i > 0 && (c.Quantity != q || c.Reference != ref) {
			return q, ref, true
		}
		q, ref = c.Quantity, c.Reference
	}
	return q, ref, false
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}
