package main

import (
	"bufio"
	"encoding/json"
	"io"
	"strings"
	"testing"

	"ventward/sim"
)

func TestProcedureShunt(t *testing.T) {
	const bench = "../../testdata/bench/sensors.toml" // 0.873 mV/V, 30 bar per mV/V
	s, _ := answerOf(t, 0, "shunt", "--bench", bench, "--channel", "p1", "--before", "0.02", "--after", "26.21")
	near(t, "error", s["error"], 0, 1e-4)
	answerOf(t, exitNo, "shunt", "--bench", bench, "--channel", "p1", "--before", "0.02", "--after", "24.2")
}

// shuntLive runs the check on the simulated bench's own port, through its
// protocol: as a person would, the shunt is closed once the program asks for it.
func shuntLive(t *testing.T, r *rig, channel string, size float64) (stdout, told string, code int) {
	t.Helper()
	c := command("procedure", "shunt", "--bench", r.bench, "--channel", channel, "--live", "--seconds", "0.5", "--json")
	in, err := c.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	c.Stdout = &out
	errs, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	closed := false
	sc := bufio.NewScanner(errs)
	for sc.Scan() {
		told += sc.Text() + "\n"
		if strings.HasPrefix(sc.Text(), "Close the shunt") {
			if err := r.sim.do(sim.Command{Do: "shunt", Fault: sim.Fault{Channel: channel, Size: size}}); err != nil {
				t.Fatal(err)
			}
			io.WriteString(in, "\n")
			closed = true
		}
	}
	c.Wait()
	if closed {
		shut := false
		r.sim.do(sim.Command{Do: "shunt", Open: &shut, Fault: sim.Fault{Channel: channel}})
	}
	return out.String(), told, c.ProcessState.ExitCode()
}

// The shunt of a bridge is checked over its live line: a good one passes, one
// whose signal is a tenth too small, or that stays open, does not. A bridge on a
// port that carries outputs is not read, nor one while the daemon has it.
func TestShuntOverALiveLine(t *testing.T) {
	r := sensorsRig(t, 36)
	for _, c := range []struct {
		size float64
		code int
		err  [2]float64 // bounds of the relative error
	}{
		{1, 0, [2]float64{-0.004, 0.004}}, // its gain is within the certificate's 0.06 bar of 60
		{0.9, exitNo, [2]float64{-0.104, -0.096}},
		{1e-6, exitNo, [2]float64{-1.01, -0.99}},
	} {
		out, told, code := shuntLive(t, r, "p1", c.size)
		var m struct{ Result struct{ Error float64 } }
		if err := json.Unmarshal([]byte(out), &m); err != nil || code != c.code || m.Result.Error < c.err[0] || m.Result.Error > c.err[1] {
			t.Errorf("%g times the signal: exit %d, want %d: %q %s", c.size, code, c.code, out, told)
		}
		t.Logf("%g times the signal: exit %d, %s%s", c.size, code, told, out)
	}
	r.serve()
	if out, told, code := shuntLive(t, r, "p1", 1); code != exitFail || out != "" || !strings.Contains(told, "--before") {
		t.Errorf("a port that the daemon has: exit %d, %q, %q", code, out, told)
	}
}
