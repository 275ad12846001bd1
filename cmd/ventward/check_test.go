package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/config"
)

// check tells worst-case times and possible losses, for people and as JSON lines,
// and refuses what is too slow.
func TestCheckTellsTimes(t *testing.T) {
	bench := filepath.Join(t.TempDir(), "bench.toml")
	if err := os.WriteFile(bench, config.Example(), 0o644); err != nil {
		t.Fatal(err)
	}
	out, errs, code := program(t, "check", "--bench", bench)
	if code != 0 || errs != "" {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, want := range []string{"Specimen pressure high", "supply valve", "no guarantee", "may be up to", "watchdog relay opens", "detection's own delay", "nothing wrong"} {
		if !strings.Contains(out, want) {
			t.Errorf("check does not say %q:\n%s", want, out)
		}
	}
	out, _, code = program(t, "check", "--bench", bench, "--json")
	kinds := map[string]int{}
	for _, line := range strings.Split(strings.TrimSpace(out), "\n") {
		var m map[string]json.RawMessage
		if err := json.Unmarshal([]byte(line), &m); err != nil || len(m) != 1 {
			t.Fatalf("%q: %v", line, err)
		}
		for k := range m {
			kinds[k]++
		}
	}
	if code != 0 || kinds["path"] < 4 || kinds["peak_loss"] != 2 || kinds["summary"] != 1 {
		t.Errorf("exit %d, lines %v", code, kinds)
	}
	for _, args := range [][]string{{"check"}, {"check", "--bench", bench, "--json", "--ports"}, {"check", "--bench", "../../testdata/bench/bad/slow.toml"}} {
		if out, errs, code := program(t, args...); code != exitWrong || out != "" || errs == "" {
			t.Errorf("%v: exit %d, %q, %q", args, code, out, errs)
		}
	}
}

// meterBench is a bench of one instrument that is asked in text.
const meterBench = `name = "Kiln 2, meter"
[[instrument]]
name = "meter"
protocol = "query"
port = "%s"
baud = 115200
rate_hz = 20
timeout_ms = 1000
refusal = "ERR"
[[instrument.question]]
ask = "P?"
prefix = "P="
suffix = " kPa"
decimals = 2
[[instrument.question]]
ask = "T?"
delimiter = ";"
decimals = [1, 2]
[[channel]]
name = "p1"
role = "p"
instrument = "meter"
column = 1
range_bara = [0.0, 60.0]
reads = "kPaa"
[[channel]]
name = "room"
role = "t_ambient"
instrument = "meter"
column = 2
range_C = [-20.0, 60.0]
reads = "C"
[[channel]]
name = "shield"
role = "shield"
instrument = "meter"
column = 3
one_when = "clear"
`

// check --ports asks an independent instrument, a shell script behind socat, over
// a real pseudo-terminal and shows its values.
func TestCheckPortsAsksAQueryInstrument(t *testing.T) {
	dir := t.TempDir()
	script, err := filepath.Abs("../../testdata/slave/meter.sh")
	if err != nil {
		t.Fatal(err)
	}
	port := filepath.Join(dir, "meter")
	cmd := exec.Command("socat", "PTY,link="+port+",raw,echo=0,wait-slave", "EXEC:sh "+script)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatalf("can't start socat: %v: install it (apt-get install socat)", err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	for end := time.Now().Add(20 * time.Second); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(port); err == nil {
			break
		}
		if time.Now().After(end) {
			t.Fatal("socat makes no terminal")
		}
	}
	bench := filepath.Join(dir, "bench.toml")
	if err := os.WriteFile(bench, fmt.Appendf(nil, meterBench, port), 0o644); err != nil {
		t.Fatal(err)
	}
	out, errs, code := program(t, "check", "--bench", bench, "--ports", "--seconds", "2")
	if code != 0 {
		t.Fatalf("exit %d: %s", code, errs)
	}
	for _, want := range []string{"23.5", "bar absolute", "0 bad messages"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	if strings.Contains(out, "no reading") {
		t.Errorf("a channel has no reading:\n%s", out)
	}
}
