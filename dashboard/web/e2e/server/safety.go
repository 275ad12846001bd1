package main

import (
	"net/url"
	"slices"
	"strconv"

	"ventward/daq"
	"ventward/guard"
	"ventward/stream"
)

// safety does what a test asks for of trips, outputs and the course.
func (b *bench) safety(what string, q url.Values, f float64, now int64) bool {
	switch what {
	case "stands":
		b.trips[1].Stands, b.trips[1].Past = f != 0, q.Get("past") != ""
	case "dump":
		b.dump = daq.OutputState(q.Get("state"))
	case "watchdog":
		b.beating = f != 0
	case "rig":
		b.rig = q.Get("name")
	case "held":
		b.held = &guard.Held{AtLeastPa: f * bar, Reference: daq.Gauge, Pressurised: q.Get("low") == ""}
	case "cut":
		b.cut = &stream.RunState{ID: "20260301-100000-000-0000abcd", Specimen: "M47-0230"}
	case "opened":
		b.held = nil
	case "waits":
		b.waits = []guard.Check{
			{Name: "pressure of p1", OK: true, Required: true},
			{Name: "waiting time", Required: true, Why: "the watch has not lasted 2 min", Cure: "wait", LeftS: f},
		}
	case "load":
		b.load = guard.Load{Total: 12, Recent: 12, Flood: true, Chattering: []string{"gas detector"}}
	case "latch":
		b.alarm(daq.Command{Args: map[string]string{"id": q.Get("v")}}, func(a *guard.Alarm) { a.State = a.State.After(guard.ClearsLatched) }, now)
	case "first":
		b.alarm(daq.Command{Args: map[string]string{"id": q.Get("v")}}, func(a *guard.Alarm) { a.First = true }, now)
	default:
		return false
	}
	return true
}

// guarded obeys the commands that silence, bypass, reset and prepare.
func (b *bench) guarded(c daq.Command, now int64) {
	s, _ := strconv.ParseFloat(c.Args["for_s"], 64)
	until := now + int64(s*1e9)
	switch c.Verb {
	case "shelve":
		b.alarm(c, func(a *guard.Alarm) {
			a.State, a.Until, a.Who, a.Reason = guard.Shelved, until, c.Who, c.Args["reason"]
		}, now)
	case "unshelve", "in-service":
		b.alarm(c, func(a *guard.Alarm) { a.State, a.Until, a.Who, a.Reason = guard.Unacknowledged, 0, "", "" }, now)
	case "out-of-service":
		b.alarm(c, func(a *guard.Alarm) { a.State, a.Who, a.Reason = guard.OutOfService, c.Who, c.Args["reason"] }, now)
	case "bypass", "end-bypass":
		for i := range b.trips {
			if t := &b.trips[i]; t.Rule == c.Args["rule"] {
				t.Bypassed, t.BypassUntil, t.BypassWho, t.BypassReason = c.Verb == "bypass", until, c.Who, c.Args["reason"]
			}
		}
	case "reset":
		for i := range b.trips {
			b.trips[i].Tripped, b.trips[i].First, b.trips[i].Since = false, false, 0
		}
	case "enter":
		b.entered = append(b.entered, c.Args["what"])
	case "prepare":
		b.names = [2]string{c.Args["who1"], c.Args["who2"]}
		b.phase, b.phaseAt = "preparing", now
	case "pressurise":
		b.phase, b.phaseAt, b.supply = "under test", now, true
	case "hold":
		b.phase, b.phaseAt, b.supply = "holding pressure", now, false
	case "make-safe":
		b.phase, b.phaseAt, b.supply = "making safe", now, false
	}
}

// alarm changes the alarm that a command names by id or rule.
func (b *bench) alarm(c daq.Command, change func(*guard.Alarm), now int64) {
	for i := range b.alarms {
		if a := &b.alarms[i]; strconv.Itoa(a.ID) == c.Args["id"] || a.Rule == c.Args["rule"] {
			change(a)
			a.Changed = now
			b.hub.Alarm(*a)
		}
	}
}

func (b *bench) trip(i int, now int64) {
	t := &b.trips[i]
	t.Tripped, t.First, t.Since = true, true, now
	b.tripped, b.supply = now, false
}

func (b *bench) watchdog(now int64) stream.WatchdogState {
	w := stream.WatchdogState{Present: true, Beating: b.beating, Last: now - 120e6}
	if !b.beating {
		w.Last, w.Why = now-5e9, "no fresh reading of p1"
	}
	return w
}

// asked is a guard that is met once somebody has entered what it asks for.
func (b *bench) asked(name, why, cure string) guard.Check {
	if slices.Contains(b.entered, name) {
		return guard.Check{Name: name, Required: true, OK: true}
	}
	return guard.Check{Name: name, Required: true, Why: why, Cure: cure}
}

// guards are one that can't be met from the page, two that wait for an entry,
// one waived, one that waits for names, and one that is met.
func (b *bench) guards() []guard.Check {
	names := guard.Check{Name: guard.GuardNames, Required: true, OK: b.names[0] != "" && b.names[1] != ""}
	if !names.OK {
		names.Why, names.Cure = "two persons are not named", "state who1 and who2"
	}
	return []guard.Check{
		{Name: guard.GuardFresh, OK: true, Required: true},
		{Name: guard.GuardVolume, Required: true, Why: "the volume of the fixture is not determined", Cure: "determine it, put it into the bench description and start anew"},
		b.asked(guard.GuardLeak, "the leak rate of the fixture is not known", "do a leak check at low pressure and enter its result"),
		b.asked(guard.GuardProof, "the proof test of a trip was due", "test it, and enter the test with the next date"),
		{Name: guard.GuardAwake, Why: "whether the computer stays awake is not known yet", Cure: "wait a moment; then look at the program's log"},
		names,
	}
}
