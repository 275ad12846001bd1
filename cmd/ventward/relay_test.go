package main

import (
	"testing"
	"time"

	"ventward/sim"
)

// The relay box restarts under a test: its coils fall off, so that the supply
// shuts. The program tells it, and never opens the supply again by itself.
func TestRelayBoxRestarts(t *testing.T) {
	t.Parallel()
	r := newRig(t, 38, nil)
	r.serve()
	run := underTest(t, r)
	r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && rep.Supply.Open })
	if err := r.sim.do(sim.Command{Do: "fault", Fault: sim.Fault{Name: "device-reset", Instrument: "relay", Seconds: 0.4}}); err != nil {
		t.Fatal(err)
	}
	r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool { return rep.Supply != nil && !rep.Supply.Open })
	r.await("the supply to be demanded off and read back off", 30*time.Second, supplyOff)
	if body, code := r.do("pressurise", nil); code/100 == 2 {
		t.Errorf("the test goes on without being armed anew: %s", body)
	}
	if err := r.sim.do(sim.Command{Do: "status"}); err != nil {
		t.Fatal(err)
	}
	r.sim.await(t, 20*time.Second, func(rep *sim.Report) bool {
		if rep.Supply != nil && rep.Supply.Open {
			t.Error("the supply was opened again")
		}
		return rep.State != nil
	})
	r.ended(run)
	t.Log(r.events(run))
	r.verify(run)
}
