package main

import (
	"strings"
	"testing"
	"time"

	"ventward/sim"
)

// Eight columns at 10 kHz in frames, two at 1 kHz in text lines and two at
// 10 Hz over Modbus at the same time: what the daemon decoded is what the
// devices sent, to the row, but for what was still on its way.
func TestThreeInstrumentsAtOnce(t *testing.T) {
	r := newRig(t, 15, func(s string) string {
		s = strings.Replace(s, "columns = 4", "columns = 8", 1)
		return strings.Replace(s, "baud = 3000000", "baud = 6000000", 1)
	})
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	armed(t, r)
	time.Sleep(4 * time.Second)
	if err := r.sim.do(sim.Command{Do: "status"}); err != nil {
		t.Fatal(err)
	}
	rep := r.sim.await(t, 5*time.Second, func(rep *sim.Report) bool { return rep.Sent["fast"].Rows > 30000 })
	time.Sleep(300 * time.Millisecond)
	for name, sent := range rep.Sent {
		c := instrument(r.state(), name)["counters"].(map[string]any)
		t.Logf("%s: sent %+v, decoded %v", name, sent, c)
		// What was sent while the port was being opened may be lost, nothing after.
		if c["bad"].(float64) != 0 || c["lost_rows"].(float64) > float64(sent.Unheard) || c["refused"].(float64) != 0 {
			t.Errorf("%s: bad, lost or refused on a clean line: %v", name, c)
		}
		if name != "relay" && c["rows"].(float64)+float64(sent.Unheard) < float64(sent.Rows) {
			t.Errorf("%s: %v rows decoded, %d were sent before", name, c["rows"], sent.Rows)
		}
	}
	r.must("end", map[string]string{"reason": "test", "override": "test"})
}
