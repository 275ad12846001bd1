package sim

import (
	"strings"
	"testing"

	"ventward/daq/wire"
)

// bothKinds is a meter with two questions and a valve.
func bothKinds(checksum string) (*meter, *bool) {
	on := false
	m := newMeter(&wire.QueryOptions{End: "\r", AnswerEnd: "\r\n", Checksum: checksum, Refusal: "ERR",
		Questions: []wire.Question{
			{Ask: "READ? 1", Prefix: "1:", Suffix: "E", Delimiter: ";", Decimals: []int{3, wire.SkipNumber, 2}},
			{Ask: "READ? 2", Decimals: []int{4}}},
		Switches: []wire.Switch{{On: "OUT 1,1", Off: "OUT 1,0", OnAnswer: "OK", OffAnswer: "OK", Ask: "OUT? 1", IsOn: "1", IsOff: "0"}}})
	m.value = func(c int) float64 { return []float64{24500, 98, 36200}[c] }
	m.output = func(int) bool { return on }
	m.setOutput = func(_ int, v bool) { on = v }
	return m, &on
}

// TestMeter: questions, numbers, a switch and its read-back, byte by byte. The
// checksums were computed apart (XOR of the bytes before the star).
func TestMeter(t *testing.T) {
	m, on := bothKinds("xor")
	for _, c := range []struct {
		ask, answer string
		on          bool
	}{
		{"READ? 1*3C\r", "1:24.500;0;0.98E*7C\r\n", false},
		{"READ? 2*3F\r", "3.6200*19\r\n", false},
		{"OUT? 1*60\r", "0*30\r\n", false},
		{"OUT 1,1*42\r", "OK*04\r\n", true},
		{"OUT? 1*60\r", "1*31\r\n", true},
		{"OUT 1,0*43\r", "OK*04\r\n", false},
		{"FOO*46\r", "ERR*45\r\n", false},
		{"OUT 1,1*43\r", "", false}, // damaged: nothing is switched
		{"OUT 1,1\r", "", false},
	} {
		got := ""
		for i := range len(c.ask) { // in pieces, as a line delivers it
			got += string(m.take([]byte{c.ask[i]}))
		}
		if got != c.answer || *on != c.on {
			t.Errorf("%q is answered %q, output %v; want %q, %v", c.ask, got, *on, c.answer, c.on)
		}
	}
	if m.requests != 6 || m.refused != 3 {
		t.Errorf("%d answered, %d refused", m.requests, m.refused)
	}
	m.wrongSum = true
	if got := string(m.take([]byte("READ? 2*3F\r"))); got == "3.6200*19\r\n" || !strings.HasPrefix(got, "3.6200*") {
		t.Errorf("spoiled answer %q", got)
	}
	m.wrongSum, m.broken = false, true
	if got := string(m.take([]byte("OUT 1,1*42\r"))); got != "ERR*45\r\n" || *on {
		t.Errorf("a broken meter answers %q", got)
	}
	m.broken = false
	if m.take([]byte(strings.Repeat("x", 2000))); len(m.buf) > maxQuestion {
		t.Errorf("%d bytes kept of a line without an end", len(m.buf))
	}
}

// FuzzMeter: no input makes it panic or answer without an end.
func FuzzMeter(f *testing.F) {
	for _, s := range []string{"READ? 1\r", "OUT 1,1\rOUT? 1\r", "*\r", "\r\r", "OUT 1,1*42\r"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, p []byte) {
		for _, sum := range []string{"none", "xor", "crc16"} {
			m, _ := bothKinds(sum)
			if a := string(m.take(p)); a != "" && !strings.HasSuffix(a, "\r\n") {
				t.Fatalf("%q is answered %q", p, a)
			}
			if len(m.buf) > len(p) {
				t.Fatalf("%d bytes kept of %d", len(m.buf), len(p))
			}
		}
	})
}
