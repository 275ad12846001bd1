package wire_test

import (
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"ventward/daq"
	"ventward/daq/wire"
)

// The query master against an independent instrument, a shell script behind
// socat, over a real pseudo-terminal and the serial library.

// startMeter returns the path of the instrument's terminal.
func startMeter(t *testing.T) string {
	t.Helper()
	script, err := filepath.Abs("../../testdata/slave/meter.sh")
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(t.TempDir(), "meter")
	cmd := exec.Command("socat", "PTY,link="+path+",raw,echo=0,wait-slave", "EXEC:sh "+script)
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatalf("can't start socat: %v: install it (apt-get install socat)", err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		if _, err := os.Stat(path); err == nil {
			return path
		}
		if time.Now().After(end) {
			t.Fatal("socat makes no terminal")
		}
	}
}

func meterStation(t *testing.T, o wire.QueryOptions) *station {
	t.Helper()
	q, err := wire.NewQuery(o, daq.Instrument{Port: daq.Port{Baud: 115200}}, 0)
	if err != nil {
		t.Fatal(err)
	}
	return drive(t, startMeter(t), q)
}

func TestMeterRows(t *testing.T) {
	s := meterStation(t, wire.QueryOptions{PollS: 0.02, TimeoutS: 8, QuarantineS: 0.05, Refusal: "ERR", Questions: []wire.Question{
		{Ask: "P?", Prefix: "P=", Suffix: " kPa", Decimals: []int{2}}, {Ask: "T?", Delimiter: ";", Decimals: []int{1, 2}}, {Ask: "NONSENSE", Decimals: []int{0}}}})
	s.await("ten rows", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool { return len(rows) >= 10 })
	s.mu.Lock()
	defer s.mu.Unlock()
	last := s.rows[0].Arrived - 1
	for i, b := range s.rows {
		if !slices.Equal(b.Floats[:3], []float64{float64(100*(i+1) + 25), 235, -175}) || !math.IsNaN(b.Floats[3]) {
			t.Fatalf("row %d: %v", i, b.Floats)
		}
		if b.HalfTrip <= 0 || b.Arrived <= last {
			t.Fatalf("row at %d +- %d after %d", b.Arrived, b.HalfTrip, last)
		}
		last = b.Arrived
	}
	if c := s.counters; c.Bad+c.Timeouts != 0 || c.Exception == 0 {
		t.Fatalf("%+v", c)
	}
}

// An answer that comes after the timeout is thrown away: the numbers go on with
// the next question's.
func TestMeterLateAnswer(t *testing.T) {
	s := meterStation(t, wire.QueryOptions{PollS: 0.05, TimeoutS: 0.1, QuarantineS: 1.5,
		Questions: []wire.Question{{Ask: "P?", Prefix: "P=", Suffix: " kPa", Decimals: []int{2}}},
		Switches:  []wire.Switch{{Output: 0, On: "SLOW 0.6", Off: "V OFF", OnAnswer: "OK", OffAnswer: "OK", Ask: "V?", IsOn: "ON", IsOff: "OFF"}}})
	s.await("a row", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool { return len(rows) >= 1 })
	s.demand <- daq.Demand{Output: 0, On: true, Serial: 1}
	s.await("the late answer", func(_ []*daq.Batch, _ []daq.Readback, c daq.Counters) bool { return c.LateReply >= 1 })
	s.demand <- daq.Demand{Output: 0, On: false, Serial: 2}
	at := len(s.snapshot())
	s.await("rows after it", func(rows []*daq.Batch, _ []daq.Readback, _ daq.Counters) bool { return len(rows) >= at+3 })
	rows, lost := s.snapshot(), 0
	for i := 1; i < len(rows); i++ {
		step := int(rows[i].Counts[0]-rows[i-1].Counts[0]) / 100
		if step < 1 {
			t.Fatalf("row %d holds %d after %d: an old answer was taken for a new one", i, rows[i].Counts[0], rows[i-1].Counts[0])
		}
		lost += step - 1
	}
	if lost == 0 {
		t.Fatal("no answer was thrown away")
	}
}

func (s *station) snapshot() []*daq.Batch {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.rows)
}

func TestMeterOutput(t *testing.T) {
	s := meterStation(t, wire.QueryOptions{TimeoutS: 8, QuarantineS: 0.05, VerifyS: 0.05,
		Switches: []wire.Switch{{Output: 4, On: "V ON", Off: "V OFF", OnAnswer: "OK", OffAnswer: "OK", Ask: "V?", IsOn: "ON", IsOff: "OFF"}}})
	for serial := uint64(1); serial <= 4; serial++ {
		want := map[bool]daq.OutputState{true: daq.OutputOn, false: daq.OutputOff}[serial%2 == 1]
		s.demand <- daq.Demand{Output: 4, On: serial%2 == 1, Serial: serial}
		s.await("read-back", func(_ []*daq.Batch, rs []daq.Readback, _ daq.Counters) bool {
			return slices.ContainsFunc(rs, func(r daq.Readback) bool { return r.Serial == serial && r.State == want && r.Reason == "" })
		})
	}
	s.await("verification", func(_ []*daq.Batch, rs []daq.Readback, _ daq.Counters) bool { return len(rs) > 12 })
}
