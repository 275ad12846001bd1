package main

import (
	"context"
	"testing"
	"time"

	"ventward/daq"
)

// A bypass that somebody set at the demo's page is ended before the next
// shot is armed.
func TestDemoEndsABypass(t *testing.T) {
	s := newStandIn(t)
	ctx := context.Background()
	d := &demo{o: &demoOptions{}, daemon: s.d}
	bypassed := func(want bool) {
		t.Helper()
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
			if st := s.d.loop.status.Load(); st != nil && len(st.Trips) > 0 && st.Trips[0].Bypassed == want {
				return
			}
		}
		t.Fatalf("the trip is not seen with bypassed = %t", want)
	}
	if _, err := s.d.command(ctx, daq.Command{Verb: "bypass", Who: demoWho2,
		Args: map[string]string{"rule": "Specimen pressure high", "for_s": "600", "reason": "to see what it does"}}); err != nil {
		t.Fatal(err)
	}
	bypassed(true)
	if err := d.endBypasses(ctx); err != nil {
		t.Fatal(err)
	}
	bypassed(false)
	if ended := s.d.loop.status.Load().Trips[0]; ended.BypassReason != "" {
		t.Errorf("%+v", ended)
	}
}
