package wire

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"ventward/daq"
)

var _ daq.Asker = (*Query)(nil)

// A meter is a simulated instrument on a simulated line in simulated time: it
// answers questions about its values and switches its relays. It shares no code
// with the master.
type meter struct {
	t         testing.TB
	q         *Query
	now       int64
	values    map[string]string // question -> answer without end
	relay     map[string]bool
	deaf      bool
	silentOn  bool // commands are carried out without a word
	alter     func(ask, answer string) (string, int64)
	due       []reply
	asked     []string
	batches   []*daq.Batch
	readbacks []daq.Readback
}

func meterOptions() QueryOptions {
	return QueryOptions{PollS: 0.1, TimeoutS: 0.05, QuarantineS: 0.2, VerifyS: 1, Refusal: "ERR",
		Questions: []Question{{Ask: "P?", Prefix: "P=", Suffix: " kPa", Decimals: []int{3}}, {Ask: "T?", Decimals: []int{2, SkipNumber, 1}}},
		Switches: []Switch{
			{Output: 0, On: "V1 ON", Off: "V1 OFF", OnAnswer: "OK", OffAnswer: "OK", Ask: "V1?", IsOn: "ON", IsOff: "OFF"},
			{Output: 1, On: "HB 1", Off: "HB 0", OnAnswer: "OK", OffAnswer: "OK", Ask: "HB?", IsOn: "1", IsOff: "0", Heartbeat: true},
		}}
}

func newMeter(t testing.TB, o QueryOptions) *meter {
	t.Helper()
	q, err := NewQuery(o, daq.Instrument{Port: daq.Port{Baud: 19200}}, 3)
	if err != nil {
		t.Fatal(err)
	}
	return &meter{t: t, q: q, relay: map[string]bool{}, values: map[string]string{"P?": "P=101.325 kPa", "T?": "23.50, 7, -4.5"}}
}

func (m *meter) serve(ask string) string {
	switch ask {
	case "V1 ON", "V1 OFF":
		m.relay["V1"] = ask == "V1 ON"
		return "OK"
	case "HB 1", "HB 0":
		m.relay["HB"] = ask == "HB 1"
		return "OK"
	case "V1?":
		return map[bool]string{true: "ON", false: "OFF"}[m.relay["V1"]]
	case "HB?":
		return map[bool]string{true: "1", false: "0"}[m.relay["HB"]]
	}
	if v, ok := m.values[ask]; ok {
		return v
	}
	return "ERR 113"
}

// run lets time pass until then.
func (m *meter) run(until int64) {
	for m.now < until {
		send, again := m.q.Next(m.now)
		if send != nil {
			ask := string(send)
			m.q.Sent(m.now+ms/100, nil)
			m.take(ask)
		} else if again <= m.now {
			m.t.Fatalf("at %d ns: told to call again at %d ns", m.now, again)
		}
		next := min(again, until)
		for _, r := range m.due {
			next = min(next, r.after)
		}
		m.now = max(next, m.now)
		rest := m.due[:0]
		for _, r := range m.due {
			if r.after <= m.now {
				m.q.Feed(r.p, m.now)
			} else {
				rest = append(rest, r)
			}
		}
		m.due = rest
		b, r := m.q.Take()
		m.batches, m.readbacks = append(m.batches, b...), append(m.readbacks, r...)
	}
}

func (m *meter) take(sent string) {
	ask, ok := strings.CutSuffix(sent, "\r\n")
	if !ok {
		m.t.Fatalf("sent %q without its end", sent)
	}
	ask, _, _ = strings.Cut(ask, "*") // the checksum is another test's
	m.asked = append(m.asked, ask)
	if m.deaf {
		return
	}
	answer, after := m.serve(ask)+"\r\n", int64(2*ms)
	if m.silentOn && strings.HasPrefix(ask, "V1 ") {
		return
	}
	if m.alter != nil {
		answer, after = m.alter(ask, answer)
	}
	if answer != "" {
		m.due = append(m.due, reply{[]byte(answer), m.now + after})
	}
}

func (m *meter) last(output int) daq.Readback {
	m.t.Helper()
	for i := len(m.readbacks) - 1; i >= 0; i-- {
		if m.readbacks[i].Output == output {
			return m.readbacks[i]
		}
	}
	m.t.Fatalf("nothing read back of output %d", output)
	return daq.Readback{}
}

// Every cycle is a row: exact counts, at the middle between the first question
// and the last answer.
func TestQueryPolls(t *testing.T) {
	m := newMeter(t, meterOptions())
	m.run(1000 * ms)
	if len(m.batches) < 7 {
		t.Fatalf("%d rows", len(m.batches))
	}
	for _, b := range m.batches {
		if !slices.Equal(b.Floats, []float64{101325, 2350, -45}) || b.Counts != nil || b.N != 3 || b.K != 1 || b.Instrument != 3 || !b.Newest {
			t.Fatalf("%+v", b)
		}
		if b.HalfTrip < 2*ms || b.HalfTrip > 10*ms {
			t.Fatalf("half the round trip is %d ns for two answers of 2 ms each", b.HalfTrip)
		}
	}
	o := meterOptions()
	o.Questions, o.Switches = o.Questions[:1], nil
	m = newMeter(t, o)
	m.run(500 * ms)
	if b := m.batches[0]; !slices.Equal(b.Counts, []int32{101325}) || b.Floats != nil {
		t.Fatalf("one question: %+v", b)
	}
	if c := m.q.Counters(); c.Bad+c.Timeouts+c.Discarded+c.Exception != 0 || c.Rows != uint64(len(m.batches)) {
		t.Fatalf("%+v", c)
	}
}

// A question that fails leaves its columns missing; the others are kept.
func TestQueryRowsKeepWhatAnswered(t *testing.T) {
	m := newMeter(t, meterOptions())
	delete(m.values, "P?")
	m.run(1000 * ms)
	c := m.q.Counters()
	if len(m.batches) < 7 || c.Exception < 7 || c.Bad != 0 {
		t.Fatalf("%d rows, %+v: a refusal costs no quarantine", len(m.batches), c)
	}
	if b := m.batches[0]; !math.IsNaN(b.Floats[0]) || b.Floats[1] != 2350 {
		t.Fatalf("%v", b.Floats)
	}
}

func TestQueryAnswers(t *testing.T) {
	for _, c := range []struct {
		q      Question
		answer string
		want   []int32 // nil: refused
		f      fault
	}{
		{Question{Decimals: []int{3}}, "12.5", []int32{12500}, ""},
		{Question{Decimals: []int{3}}, "  +12.5 ", []int32{12500}, ""},
		{Question{Decimals: []int{3}}, "1.25E1", []int32{12500}, ""},
		{Question{Decimals: []int{0}}, "-7", []int32{-7}, ""},
		{Question{Decimals: []int{1}}, "12.55", nil, faultDigits},
		{Question{Decimals: []int{9}}, "12", nil, faultRange},
		{Question{Decimals: []int{3}}, "-", nil, faultForm},
		{Question{Decimals: []int{3}}, "OVER", nil, faultForm},
		{Question{Decimals: []int{3}}, "NaN", nil, faultForm},
		{Question{Decimals: []int{3}}, "0x1p4", nil, faultForm},
		{Question{Decimals: []int{3}}, "1_000", nil, faultForm},
		{Question{Decimals: []int{3}}, "1,2", nil, faultForm},
		{Question{Decimals: []int{3, 0}}, "1", nil, faultForm},
		{Question{Decimals: []int{3, 0}}, "1,2,3", nil, faultForm},
		{Question{Decimals: []int{1, SkipNumber, 0}, Delimiter: ";"}, "1.5; word ;2", []int32{15, 2}, ""},
		{Question{Decimals: []int{2}, Prefix: "P=", Suffix: " bar"}, "P=3.14 bar", []int32{314}, ""},
		{Question{Decimals: []int{2}, Prefix: "P=", Suffix: " bar"}, "P=3.14", nil, faultForm},
		{Question{Decimals: []int{2}, Prefix: "P=", Suffix: " bar"}, "Q=3.14 bar", nil, faultForm},
		{Question{Decimals: []int{2}, Prefix: "ab", Suffix: "ba"}, "aba", nil, faultForm},
	} {
		t1 := &queryTalk{o: QueryOptions{Questions: []Question{c.q}}, end: "\r\n", answerEnd: "\r\n"}
		t1.pose(jobPoll, 0, false)
		line := c.answer + "\r\n"
		need, f := t1.look([]byte(line + "rest"))
		if f != c.f || need != len(line) && f == "" || f == "" && !slices.Equal(t1.numbers, c.want) {
			t.Errorf("%q: %v (%q, %d bytes), want %v (%q)", c.answer, t1.numbers, f, need, c.want, c.f)
		}
		for i := range len(line) { // no part of it is taken for the whole
			if need, f := t1.look([]byte(line[:i])); f != "" || need <= i {
				t.Errorf("%q: a part of %d bytes: needs %d (%q)", c.answer, i, need, f)
			}
		}
	}
}

// A late answer is never taken for the answer to the next question: the values
// change with every question, so that a row of anything else would show.
func TestQueryLateAnswerIsNeverTaken(t *testing.T) {
	o := meterOptions()
	o.Questions = []Question{{Ask: "P?", Decimals: []int{0}}}
	o.Switches = nil
	m := newMeter(t, o)
	n, prompt := 0, map[int32]bool{}
	m.alter = func(ask, _ string) (string, int64) {
		n++
		if n%3 == 0 { // after the timeout of 50 ms and the bytes' own time, before the end of the quarantine
			return fmt.Sprintf("%d\r\n", n), int64(90+n%120) * ms
		}
		prompt[int32(n)] = true
		return fmt.Sprintf("%d\r\n", n), 3 * ms
	}
	m.run(60_000 * ms)
	for _, b := range m.batches {
		if !prompt[b.Counts[0]] {
			t.Fatalf("a row holds the late answer %d", b.Counts[0])
		}
	}
	if c := m.q.Counters(); c.LateReply < 50 || len(m.batches) < 100 {
		t.Fatalf("%d rows, %+v", len(m.batches), c)
	}
}

// With a checksum no flipped bit gives a wrong number.
func TestQueryChecksum(t *testing.T) {
	for _, sum := range []string{ChecksumXOR, ChecksumCRC16} {
		talk := &queryTalk{o: QueryOptions{Checksum: sum, Questions: []Question{{Ask: "P?", Decimals: []int{3}}}}, end: "\r\n", answerEnd: "\r\n"}
		talk.pose(jobPoll, 0, false)
		if ask, _ := talk.request(nil); sum == ChecksumXOR && string(ask) != "P?*6F\r\n" { // 50 xor 3F
			t.Errorf("asks %q", ask)
		}
		good := append(appendSum([]byte("12.345"), 0, sum), "\r\n"...)
		if _, f := talk.look(good); f != "" || talk.numbers[0] != 12345 {
			t.Fatalf("%s: %q gives %v (%q)", sum, good, talk.numbers, f)
		}
		for bit := range 8 * len(good) {
			bad := slices.Clone(good)
			bad[bit/8] ^= 1 << (bit % 8)
			need, f := talk.look(bad)
			if f == "" && need <= len(bad) && talk.numbers[0] != 12345 {
				t.Errorf("%s: %q is taken for %v", sum, bad, talk.numbers)
			}
		}
	}
}

func TestQuerySwitches(t *testing.T) {
	m := newMeter(t, meterOptions())
	m.run(500 * ms)
	if r := m.last(0); r.State != daq.OutputOff || r.Serial != 0 {
		t.Fatalf("before any demand: %+v", r)
	}
	m.asked = nil
	m.q.Demand(daq.Demand{Output: 0, On: true, Serial: 7})
	m.run(m.now + 40*ms)
	if r := m.last(0); r.State != daq.OutputOn || r.Serial != 7 || r.Reason != "" || !m.relay["V1"] {
		t.Fatalf("%+v", r)
	}
	if !slices.Equal(m.asked[:2], []string{"V1 ON", "V1?"}) {
		t.Fatalf("asked %q", m.asked)
	}
	m.q.Demand(daq.Demand{Output: 1, On: true, Serial: 8})
	m.q.Demand(daq.Demand{Output: 0, On: false, Serial: 9})
	m.asked = nil
	m.run(m.now + 40*ms)
	if m.asked[0] != "V1 OFF" || m.asked[1] != "HB 1" { // off goes before an edge
		t.Fatalf("asked %q", m.asked)
	}
	if a, b := m.last(0), m.last(1); a.State != daq.OutputOff || b.State != daq.OutputOn {
		t.Fatalf("%+v, %+v", a, b)
	}
	// A relay that moves by itself is switched off again, and told.
	m.relay["V1"] = true
	m.run(m.now + 1500*ms)
	if r := m.last(0); r.State != daq.OutputOff || m.relay["V1"] {
		t.Fatalf("%+v", r)
	}
}

// A command that the device carries out without a word is read back too.
func TestQuerySilentCommands(t *testing.T) {
	o := meterOptions()
	o.Switches[0].OnAnswer, o.Switches[0].OffAnswer = "", ""
	m := newMeter(t, o)
	m.silentOn = true
	for serial := uint64(1); serial <= 6; serial++ {
		m.q.Demand(daq.Demand{Output: 0, On: serial%2 == 1, Serial: serial})
		m.run(m.now + 300*ms)
		want := map[bool]daq.OutputState{true: daq.OutputOn, false: daq.OutputOff}[serial%2 == 1]
		if r := m.last(0); r.State != want || r.Serial != serial {
			t.Fatalf("demand %d: %+v, want %s", serial, r, want)
		}
	}
	if c := m.q.Counters(); c.Timeouts+c.Bad != 0 {
		t.Fatalf("%+v", c)
	}
}

// What can't be confirmed is unknown; off is tried for ever, on is given up.
func TestQueryUnconfirmed(t *testing.T) {
	for _, c := range []struct {
		name   string
		alter  func(ask, answer string) (string, int64)
		reason string
	}{
		{"no answer", func(string, string) (string, int64) { return "", 0 }, "no answer in time"},
		{"another answer", func(ask, a string) (string, int64) {
			if ask == "V1?" || strings.HasPrefix(ask, "V1 ") {
				return "HUH\r\n", ms
			}
			return a, ms
		}, "isn't the expected one"},
		{"refused", func(ask, a string) (string, int64) {
			if ask == "V1?" || strings.HasPrefix(ask, "V1 ") {
				return "ERR 7\r\n", ms
			}
			return a, ms
		}, "refused V1"},
		{"babble without end", func(string, string) (string, int64) { return strings.Repeat("x", 1200), ms }, "longer than a line"},
	} {
		m := newMeter(t, meterOptions())
		m.alter = c.alter
		m.q.Demand(daq.Demand{Output: 0, On: false, Serial: 1})
		m.run(20_000 * ms)
		if r := m.last(0); r.State != daq.OutputUnknown || !slices.ContainsFunc(m.readbacks, func(r daq.Readback) bool { return r.Output == 0 && strings.Contains(r.Reason, c.reason) }) {
			t.Errorf("%s: %+v; no read-back says %q in %+v", c.name, r, c.reason, m.readbacks)
		}
		offs := 0
		for _, a := range m.asked {
			if a == "V1 OFF" {
				offs++
			}
		}
		if offs < 8 {
			t.Errorf("%s: off was tried %d times in 20 s", c.name, offs)
		}
		m.alter = nil
		m.run(m.now + 3000*ms)
		if r := m.last(0); r.State != daq.OutputOff || r.Serial != 1 {
			t.Errorf("%s: after the device came back: %+v", c.name, r)
		}
	}
}

func TestQueryOptionsAreChecked(t *testing.T) {
	good := meterOptions()
	if ps := good.Check(); len(ps) > 0 {
		t.Fatal(ps)
	}
	for _, c := range []struct {
		field string
		spoil func(o *QueryOptions)
	}{
		{"poll_s", func(o *QueryOptions) { o.PollS = 0 }},
		{"timeout_s", func(o *QueryOptions) { o.TimeoutS = -1 }},
		{"gap_s", func(o *QueryOptions) { o.GapS = math.NaN() }},
		{"end", func(o *QueryOptions) { o.End = ";" }},
		{"answer_end", func(o *QueryOptions) { o.AnswerEnd = "\n\r" }},
		{"checksum", func(o *QueryOptions) { o.Checksum = "md5" }},
		{"refusal", func(o *QueryOptions) { o.Refusal = "E\n" }},
		{"questions", func(o *QueryOptions) { o.Questions, o.Switches = nil, nil }},
		{"questions[0].ask", func(o *QueryOptions) { o.Questions[0].Ask = "" }},
		{"questions[1].ask", func(o *QueryOptions) { o.Questions[1].Ask = "T?\r" }},
		{"questions[0].prefix", func(o *QueryOptions) { o.Questions[0].Prefix = "ä" }},
		{"questions[0].delimiter", func(o *QueryOptions) { o.Questions[0].Delimiter = "." }},
		{"questions[0].decimals", func(o *QueryOptions) { o.Questions[0].Decimals = []int{SkipNumber} }},
		{"questions[0].decimals[0]", func(o *QueryOptions) { o.Questions[0].Decimals = []int{10} }},
		{"switches[0].on", func(o *QueryOptions) { o.Switches[0].On = "" }},
		{"switches[0].off", func(o *QueryOptions) { o.Switches[0].Off = o.Switches[0].On }},
		{"switches[0].ask", func(o *QueryOptions) { o.Switches[0].Ask = strings.Repeat("x", 201) }},
		{"switches[0].is_off", func(o *QueryOptions) { o.Switches[0].IsOff = o.Switches[0].IsOn }},
		{"switches[1].output", func(o *QueryOptions) { o.Switches[1].Output = 0 }},
	} {
		o := meterOptions()
		c.spoil(&o)
		ps := o.Check()
		if len(ps) == 0 || ps[0].Field != c.field || ps[0].Next == "" {
			t.Errorf("%s: %v", c.field, ps)
		}
		if _, err := NewQuery(o, daq.Instrument{Port: daq.Port{Baud: 9600}}, 0); err == nil {
			t.Errorf("%s: accepted", c.field)
		}
	}
	if _, err := NewQuery(good, daq.Instrument{}, 0); err == nil || !strings.Contains(err.Error(), "baud") {
		t.Errorf("without a speed: %v", err)
	}
	if _, err := NewQuery(good, daq.Instrument{Port: daq.Port{Baud: 9600}, Columns: 2}, 0); err == nil {
		t.Error("accepted with another number of columns")
	}
	if d := good.WorstDelayS(); d < 0.05+2*0.2 || d > 0.6 {
		t.Errorf("worst delay %g s at timeout 0.05 s and quarantine 0.2 s", d)
	}
}

// FuzzQuery drives the master by a script of two bytes a step, as FuzzModbus
// does; answers carry a number that changes with every question.
func FuzzQuery(f *testing.F) {
	f.Add([]byte{0, 50, 1, 9, 0, 200, 2, 3, 0, 200, 3, 1, 0, 200, 4, 1, 0, 50, 5, 0, 0, 100})
	f.Add([]byte{6, 1, 0, 255, 7, 40, 0, 10, 6, 0, 0, 255, 2, 2, 0, 100, 1, 190, 0, 255})
	f.Add([]byte{3, 0, 0, 255, 8, 0, 0, 255, 9, 13, 0, 90, 9, 10, 0, 255})
	f.Fuzz(func(t *testing.T, script []byte) {
		if len(script) > 200 {
			script = script[:200]
		}
		o := meterOptions()
		o.Checksum = ChecksumCRC16
		o.Questions = []Question{{Ask: "P?", Prefix: "P=", Decimals: []int{0}}}
		m := newMeter(t, o)
		s := &textSaboteur{m: m, told: map[int32]bool{}}
		m.alter = s.alter
		for ; len(script) >= 2; script = script[2:] {
			s.step(script[0], int(script[1]))
		}
		s.mode = 0
		m.due = nil
		m.q.Demand(daq.Demand{Output: 0, On: false, Serial: 1 << 40})
		from := len(m.batches)
		m.run(m.now + 3000*ms)
		if len(m.batches) < from+15 {
			t.Fatalf("%d rows in 3 s on a good line", len(m.batches)-from)
		}
		if r := m.last(0); r.State != daq.OutputOff || r.Serial != 1<<40 || m.relay["V1"] {
			t.Fatalf("the last demand is not carried out: %+v", r)
		}
		for _, b := range m.batches {
			if !s.told[b.Counts[0]] {
				t.Fatalf("a row holds %d, which no answer in time held", b.Counts[0])
			}
		}
		if c := m.q.Counters(); c.Rows != uint64(len(m.batches)) || c.Discarded > c.Bytes {
			t.Fatalf("%+v", c)
		}
	})
}

type textSaboteur struct {
	m      *meter
	mode   byte
	arg    int
	asked  int32
	serial uint64
	told   map[int32]bool
}

func (s *textSaboteur) step(op byte, arg int) {
	switch m := s.m; op % 10 {
	case 0:
		m.run(m.now + int64(arg)*ms)
	case 1, 2, 3, 4:
		s.mode, s.arg = op%10, arg
	case 5:
		s.mode = 0
	case 6:
		s.serial++
		m.q.Demand(daq.Demand{Output: arg % 3, On: arg&4 != 0, Serial: s.serial})
	case 7, 9: // noise between transactions
		if !m.q.busy {
			m.q.Feed(slices.Repeat([]byte{byte(arg)}, 1+arg%40), m.now)
		}
	case 8:
		m.due = nil // what was under way is gone with the port
		m.q.Reset(m.now)
	}
}

func (s *textSaboteur) alter(ask, answer string) (string, int64) {
	s.asked++
	if strings.HasPrefix(ask, "P?") {
		answer = fmt.Sprintf("P=%d\r\n", s.asked)
	}
	body := strings.TrimSuffix(answer, "\r\n")
	p := append(appendSum([]byte(body), 0, ChecksumCRC16), "\r\n"...)
	switch s.mode {
	case 1: // late, but within the quarantine of 200 ms after the timeout of 50 ms and the bytes' own time
		return string(p), int64(120+s.arg%100) * ms
	case 2: // three flipped bits: CRC-16 finds them all
		for i := range 3 {
			bit := (s.arg*7 + i*11) % (8 * len(p))
			p[bit/8] ^= 1 << (bit % 8)
		}
		return string(p), ms
	case 3:
		return "", 0
	case 4: // torn
		return string(p[:s.arg%len(p)]), ms
	}
	if strings.HasPrefix(ask, "P?") {
		s.told[s.asked] = true
	}
	return string(p), ms
}

func BenchmarkQuery(b *testing.B) {
	o := meterOptions()
	o.Questions, o.Switches = []Question{{Ask: "P?", Decimals: []int{3, 3, 3, 3}}}, nil
	q, err := NewQuery(o, daq.Instrument{Port: daq.Port{Baud: 115200}}, 0)
	if err != nil {
		b.Fatal(err)
	}
	answer := []byte("101.325,12.5,-3.25,0.001\r\n")
	_, now := q.Next(0)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		send, again := q.Next(now)
		for send == nil {
			now = again
			send, again = q.Next(now)
		}
		q.Sent(now, nil)
		q.Feed(answer, now+ms)
		if rows, _ := q.Take(); len(rows) != 1 {
			b.Fatal("no row")
		}
		now += ms
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N), "ns/answer")
}
