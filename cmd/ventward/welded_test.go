package main

import (
	"slices"
	"strings"
	"testing"
	"time"

	"ventward/daq"
	"ventward/guard"
)

// A relay whose contact is welded takes the write, and its read-back goes on
// saying on. Through the whole daemon: that is an alarm, and making safe does
// not count as done until it reads off.
func TestWeldedOutput(t *testing.T) {
	bench := exampleBench(t)
	welded := bench.Guard.Rules[slices.IndexFunc(bench.Guard.Rules, func(r guard.Rule) bool { return r.Kind == guard.Welded })]
	s := standInFor(t, bench, daemonOptions{Bench: bench}, t.TempDir(), 0, welded)
	await := func(what string, ok func() bool) {
		t.Helper()
		for end := time.Now().Add(30 * time.Second); !ok(); time.Sleep(10 * time.Millisecond) {
			if time.Now().After(end) {
				t.Fatalf("waited for %s: %s", what, s.state())
			}
		}
	}
	phase := func() string { return s.d.loop.status.Load().Phase }
	s.ready(t)
	await("the supply to be on", func() bool { return s.coils[0].Load() })
	s.welded.Store(true)
	if _, err := s.d.command(t.Context(), daq.Command{Verb: "abort", Who: "bench"}); err != nil {
		t.Fatal(err)
	}
	await("the alarm", func() bool {
		return slices.ContainsFunc(s.d.loop.hub.Snapshot(0).Alarms, func(a guard.Alarm) bool {
			return a.Rule == welded.Name && a.State == guard.Unacknowledged && strings.Contains(a.Message, "read back on")
		})
	})
	if p := phase(); p != string(guard.MakingSafe) {
		t.Errorf("%s, though the supply reads on", p)
	}
	s.coils[0].Store(false) // somebody has cut its power
	await("the pressure watch", func() bool { return phase() == string(guard.PressureWatch) })
}
