package config

import (
	"fmt"
	"strings"

	"ventward/daq"
	"ventward/detect"
	"ventward/guard"
)

var eventKinds = []string{string(detect.VentOpening), string(detect.Rupture), string(detect.Reseal), string(detect.Leak), string(detect.Bulge),
	string(detect.FirstVenting), string(detect.Runaway), string(detect.ContinuityLoss), string(detect.SupplyStep), string(detect.Dump), string(detect.SensorFault)}

// phrase is the key with which a rule demands outputs off.
const phrase = "de_energise"

func (r *reading) readRules(list []*section) {
	seen := map[string]int{}
	for i, s := range list {
		rule := guard.Rule{
			Name:        s.needText("name", "what the alarm is called"),
			Kind:        guard.RuleKind(s.choice("kind", "", words(guard.RuleKinds())...)),
			Priority:    guard.Priority(s.choice("priority", "", string(guard.Critical), string(guard.High), string(guard.Medium), string(guard.Low))),
			DelayOnS:    s.real("delay_ms", 0, 0, 3.6e6) / 1000,
			DelayOffS:   s.real("delay_off_ms", 0, 0, 3.6e6) / 1000,
			Latching:    s.yes("latching"),
			ReAlarmS:    s.real("re_alarm_min", 0, 0, 1e4) * 60,
			NeverShelve: s.yes("never_shelve"),
			Phases:      phases(s, "phases"),
			TripPhases:  phases(s, "trip_phases"),
			ProofDue:    s.date("proof_due"),
			EndsWatch:   s.yes("ends_watch"),
			Text:        s.text("text", ""),
			Trip:        r.tripped(s),
			Channels:    r.watched(s),
		}
		once(s, seen, rule.Name, i)
		r.ruleKind(s, &rule)
		if rule.Kind == "" { // which keys belong to it can't be told
			s.askLimits()
			for _, key := range kindKeys {
				s.take(key)
			}
		}
		s.close()
		r.bench.Guard.Rules = append(r.bench.Guard.Rules, rule)
	}
}

// kindKeys are the keys that only some kinds of rule have.
var kindKeys = []string{"stale_ms", "events", "feature", "vote", "window_ms", "alarm_on", "instruments", "step_s", "below_MB", "behind_s"}

// words turns a list of named texts into plain ones.
func words[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, w := range list {
		out[i] = string(w)
	}
	return out
}

// phases reads the phases of a test.
func phases(s *section, key string) []guard.Phase {
	var out []guard.Phase
	known := words(guard.Phases())
	for _, name := range s.texts(key) {
		if !contains(known, name) {
			s.problem(key, fmt.Sprintf("%q is no phase of a test", name), "use "+strings.Join(known, ", "))
			continue
		}
		out = append(out, guard.Phase(name))
	}
	return out
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
	perChannel := true
	switch rule.Kind {
	case guard.LimitHigh, guard.LimitLow, guard.Rate, guard.Deviation:
		if rule.Kind == guard.Rate {
			rule.WindowS = s.needReal("window_ms", 1, 3.6e6, "the time over which the slope is taken") / 1000
		}
		if rule.Kind != guard.Deviation {
			rule.Vote = vote(s)
		}
		r.limit(s, rule)
	case guard.Digital:
		rule.Vote = vote(s)
		rule.AlarmOn = fmt.Sprint(s.needWhole("alarm_on", 0, 1, "the state of the input that is the condition"))
	case guard.Stale:
		rule.StaleS = s.needReal("stale_ms", 1, 3.6e6, "the silence after which a channel is stale") / 1000
	case guard.Faulty:
	default:
		perChannel = false
		r.otherKind(s, rule)
	}
	switch {
	case perChannel && !s.has("channels"):
		s.problem("channels", "is missing", "add channels = [\"...\"]: the channels the rule watches")
	case !perChannel && rule.Kind != guard.OnEvent && rule.Kind != "" && s.has("channels"):
		s.problem("channels", fmt.Sprintf("means nothing to a rule of kind %s", rule.Kind), "remove it")
	}
}

// otherKind reads the keys of rules that watch no channels.
func (r *reading) otherKind(s *section, rule *guard.Rule) {
	switch rule.Kind {
	case guard.OnEvent:
		rule.Feature = s.text("feature", "")
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
	case guard.Lost:
		for _, name := range s.texts("instruments") {
			i, ok := r.instruments[name]
			if !ok {
				s.problem("instruments", fmt.Sprintf("instrument %q is not defined", name), "use one of "+known(r.instruments))
				continue
			}
			rule.Instruments = append(rule.Instruments, i)
		}
	case guard.ClockStep:
		rule.StepS = s.real("step_s", 1, 0.001, 3600)
	case guard.SpaceLow:
		rule.Limit = 1e6 * s.real("below_MB", 0, 0, 1e9)
	case guard.Forwarding, guard.LoopLate:
		rule.Limit = s.real("behind_s", 0, 0, 1e6)
	}
}

func vote(s *section) guard.Vote {
	v := guard.Vote(s.text("vote", ""))
	if !v.Known() {
		s.problem("vote", "is no vote", "use 1oo1, 1oo2, 2oo2 or 2oo3, or leave it out")
		return guard.Any
	}
	return v
}

// A bound is what a rule's limit says.
type bound struct {
	key, unit string
	ref       daq.Reference
	value     float64
	given     bool
}

// bound reads a limit under the stem: a value, for a rate one per second, for a
// deviation a difference.
func (s *section) bound(stem string, kind guard.RuleKind, q daq.Quantity) bound {
	switch kind {
	case guard.Rate:
		for _, u := range differences(q) {
			if key := stem + "_" + u.name + "_s"; s.has(key) {
				x, _, ok := s.scaled(key, u)
				return bound{key, u.name + "/s", "", x, ok}
			}
		}
		return bound{}
	case guard.Deviation:
		key, u, _ := s.unitKey(stem, q, true)
		x, ok := s.difference(stem, q)
		return bound{key, u.name, "", x, ok}
	}
	x, u, ok := s.value(stem, q)
	key := stem
	if u.name != "" {
		key += "_" + u.name
	}
	return bound{key, u.name, u.reference, x, ok}
}

// exampleKey is the key that a message suggests for a limit.
func exampleKey(stem string, kind guard.RuleKind, q daq.Quantity, ref daq.Reference) string {
	switch kind {
	case guard.Rate:
		return stem + "_" + exampleUnit(q, "", true) + "_s"
	case guard.Deviation:
		return stem + "_" + exampleUnit(q, "", true)
	}
	return stem + "_" + exampleUnit(q, ref, false)
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
	trip, alarm := s.bound("trip", rule.Kind, q), s.bound("alarm", rule.Kind, q)
	b := trip
	if alarm.given && !trip.given {
		b = alarm
	}
	rule.Limit = b.value
	switch {
	case trip.given && alarm.given:
		s.problemIn(b.key, b.unit, "stands beside an alarm limit", "write two rules: one that trips, one that only alarms")
	case !b.given:
		if !s.asks("trip_") && !s.asks("alarm_") {
			s.problem("kind", "needs a limit", fmt.Sprintf("add %s with %s = [...], or %s", exampleKey("trip", rule.Kind, q, ref), phrase, exampleKey("alarm", rule.Kind, q, ref)))
		}
	case trip.given && !s.has(phrase):
		s.problemIn(b.key, b.unit, "demands no output off", fmt.Sprintf("add %s = [\"...\"], or call the limit alarm%s", phrase, strings.TrimPrefix(b.key, "trip")))
	case alarm.given && s.has(phrase):
		s.problemIn(b.key, b.unit, "demands outputs off, which makes it a trip", fmt.Sprintf("call the limit trip%s, or remove %s", strings.TrimPrefix(b.key, "alarm"), phrase))
	}
	if b.given && b.ref != "" {
		sameReference(s, b.key, unit{name: b.unit, reference: b.ref}, ref)
	}
	if rule.Kind == guard.Rate {
		if w, ok := s.rate("deadband", q); ok {
			rule.Deadband = w
		}
	} else if w, ok := s.difference("deadband", q); ok {
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
