package wire

import (
	"bytes"

	"ventward/daq"
)

const (
	maxText      = 200 // bytes of a question, a command or an expected answer
	numberBytes  = 24  // of the longest number that is reckoned with
	lineOverhead = 8   // bytes of a checksum and an end of line, at most
)

// Faults of a text answer.
const (
	faultLong    fault = "the answer is longer than a line may be: check the line speed and answer_end"
	faultSum     fault = "the answer's checksum doesn't match"
	faultForm    fault = "the answer has not the stated form: check prefix, suffix, delimiter and the numbers"
	faultAnswer  fault = "the answer isn't the expected one"
	faultRange   fault = "a number of the answer is too large for its decimals: lower decimals"
	faultDigits  fault = "a number of the answer has more decimals than are kept: raise decimals"
	faultNothing fault = ""
)

// Query is the only master of one line of text questions and answers. It
// implements daq.Asker.
type Query struct{ asker }

// NewQuery returns the master of the line of the instrument with that index in
// the bench's table, or an error that names every option that can't be.
func NewQuery(o QueryOptions, inst daq.Instrument, index int) (*Query, error) {
	if o.Baud == 0 {
		o.Baud = inst.Port.Baud
	}
	ps := problems(o.Check())
	if o.Baud == 0 {
		ps.add("baud", 0, "state the speed of the port, for example 9600", "the time that a message takes depends on it")
	}
	if err := failed("query", ps); err != nil {
		return nil, err
	}
	if err := indexed("query", index, inst.Columns, o.Columns()); err != nil {
		return nil, err
	}
	t := &queryTalk{o: o, end: lineEnd(o.End), answerEnd: lineEnd(o.End), numbers: make([]int32, 0, MaxFields)}
	if o.AnswerEnd != "" {
		t.answerEnd = o.AnswerEnd
	}
	for _, q := range o.Questions {
		t.starts = append(t.starts, t.columns)
		for _, d := range q.Decimals {
			if d != SkipNumber {
				t.columns++
			}
		}
	}
	q := &Query{}
	q.setUp(t, index, pace{o.PollS, o.TimeoutS, o.QuarantineS, o.VerifyS}, o.Baud, max(nanos(o.GapS), charTime(o.Baud)), MaxLine+lineOverhead)
	q.setRow(len(o.Questions), t.columns, o.Floats())
	for i, s := range o.Switches {
		q.outputs = append(q.outputs, output{index: s.Output, heartbeat: s.Heartbeat, state: daq.OutputUnknown, block: i})
		q.blocks = append(q.blocks, block{outputs: []int{i}})
	}
	return q, nil
}

func lineEnd(end string) string {
	if end == "" {
		return "\r\n"
	}
	return end
}

// A queryTalk is the words of questions and answers in text.
type queryTalk struct {
	o         QueryOptions
	end       string
	answerEnd string
	starts    []int // by question: its first column
	columns   int

	job     job
	which   int
	on      bool
	numbers []int32 // of the answer last found right
}

func (t *queryTalk) pose(j job, which int, on bool) { t.job, t.which, t.on = j, which, on }

// words returns what the transaction sends, and the longest answer to it in
// bytes without checksum and end; 0: none is expected.
func (t *queryTalk) words() (ask string, answer int) {
	switch t.job {
	case jobPoll:
		q := &t.o.Questions[t.which]
		return q.Ask, q.answerLen()
	case jobRead:
		s := &t.o.Switches[t.which]
		return s.Ask, max(len(s.IsOn), len(s.IsOff))
	}
	s := &t.o.Switches[t.which]
	if t.on {
		return s.On, len(s.OnAnswer)
	}
	return s.Off, len(s.OffAnswer)
}

// answerLen is the length of the longest answer that is reckoned with.
func (q *Question) answerLen() int {
	return len(q.Prefix) + len(q.Suffix) + len(q.Decimals)*(numberBytes+1)
}

func (t *queryTalk) request(dst []byte) ([]byte, int) {
	ask, answer := t.words()
	start := len(dst)
	dst = appendSum(append(dst, ask...), start, t.o.Checksum)
	if answer > 0 {
		answer += lineOverhead
	}
	return append(dst, t.end...), answer
}

// text returns the answer in p without line ends and checksum, and how many
// bytes of p it takes; more than len(p) while its end has not come. Ends of line
// before the answer are skipped.
func (t *queryTalk) text(p []byte) (body []byte, need int, f fault) {
	start := 0
	for start < len(p) && (p[start] == '\r' || p[start] == '\n') {
		start++
	}
	n := bytes.Index(p[start:], []byte(t.answerEnd))
	switch {
	case n > MaxLine || n < 0 && len(p)-start > MaxLine:
		return nil, len(p), faultLong
	case n < 0:
		return nil, len(p) + 1, faultNothing
	}
	need = start + n + len(t.answerEnd)
	body, ok := checked(trim(p[start:start+n]), t.o.Checksum)
	if !ok {
		return nil, need, faultSum
	}
	return trim(body), need, faultNothing
}

func (t *queryTalk) look(p []byte) (int, fault) {
	body, need, f := t.text(p)
	if f != faultNothing || need > len(p) {
		return need, f
	}
	if t.refused(body) {
		return need, faultNothing
	}
	switch t.job {
	case jobPoll:
		return need, t.read(&t.o.Questions[t.which], body)
	case jobRead:
		s := &t.o.Switches[t.which]
		if string(body) != s.IsOn && string(body) != s.IsOff {
			return need, faultAnswer
		}
	case jobWrite:
		s := &t.o.Switches[t.which]
		want := s.OffAnswer
		if t.on {
			want = s.OnAnswer
		}
		if string(body) != want {
			return need, faultAnswer
		}
	}
	return need, faultNothing
}

// read takes the numbers out of an answer.
func (t *queryTalk) read(q *Question, body []byte) fault {
	t.numbers = t.numbers[:0]
	rest, ok := bytes.CutPrefix(body, []byte(q.Prefix))
	if ok {
		rest, ok = bytes.CutSuffix(rest, []byte(q.Suffix))
	}
	if !ok {
		return faultForm
	}
	delim := byte(',')
	if q.Delimiter != "" {
		delim = q.Delimiter[0]
	}
	for i, d := range q.Decimals {
		rest = trim(rest)
		end := bytes.IndexByte(rest, delim)
		if last := i == len(q.Decimals)-1; last != (end < 0) {
			return faultForm
		} else if last {
			end = len(rest)
		}
		field := trim(rest[:end])
		rest = rest[min(end+1, len(rest)):]
		if d == SkipNumber {
			continue
		}
		v, why := parseCounts(field, d)
		switch why {
		case refusedNothing:
		case refusedRange:
			return faultRange
		case refusedDecimals:
			return faultDigits
		default:
			return faultForm
		}
		t.numbers = append(t.numbers, v)
	}
	return faultNothing
}

func (t *queryTalk) refused(body []byte) bool {
	return t.o.Refusal != "" && bytes.HasPrefix(body, []byte(t.o.Refusal))
}

func (t *queryTalk) refusal(p []byte) string {
	body, _, _ := t.text(p)
	if !t.refused(body) {
		return ""
	}
	ask, _ := t.words()
	return "the device refused " + ask + ": " + string(body)
}

func (t *queryTalk) values(_ []byte, r *row) {
	at := t.starts[t.which]
	for i, v := range t.numbers {
		if r.values != nil {
			r.values[at+i] = float64(v)
		} else {
			r.counts[at+i] = v
		}
	}
}

func (t *queryTalk) state(p []byte, _ int) daq.OutputState {
	body, _, _ := t.text(p)
	s := &t.o.Switches[t.which]
	switch string(body) {
	case s.IsOff:
		return daq.OutputOff
	case s.IsOn:
		return daq.OutputOn
	}
	return daq.OutputUnknown
}
