package config

import (
	"ventward/daq"
	"ventward/daq/wire"
)

// lineEnds are the words for what ends a line of text.
var lineEnds = map[string]string{"CR LF": "\r\n", "CR": "\r", "LF": "\n"}

// query reads an instrument that answers questions in text.
func query(s *section, in *daq.Instrument) *wire.QueryOptions {
	o := &wire.QueryOptions{
		PollS:       1 / max(in.RateHz, 0.001),
		TimeoutS:    s.real("timeout_ms", 100, 1, 10_000) / 1000,
		QuarantineS: s.real("quarantine_ms", 200, 1, 10_000) / 1000,
		VerifyS:     s.real("verify_ms", 1000, 10, 60_000) / 1000,
		GapS:        s.real("gap_ms", 0, 0, 10_000) / 1000,
		Baud:        in.Port.Baud,
		Checksum:    s.choice("checksum", wire.ChecksumNone, wire.ChecksumNone, wire.ChecksumXOR, wire.ChecksumCRC16),
		Refusal:     s.text("refusal", ""),
	}
	end := s.choice("end", "CR LF", "CR LF", "CR", "LF")
	o.End = lineEnds[end]
	o.AnswerEnd = lineEnds[s.choice("answer_end", end, "CR LF", "CR", "LF")]
	for _, q := range s.tables("question") {
		o.Questions = append(o.Questions, wire.Question{
			Ask:       q.needText("ask", "the question, without its end"),
			Prefix:    q.text("prefix", ""),
			Suffix:    q.text("suffix", ""),
			Delimiter: q.text("delimiter", ""),
			Decimals:  decimals(q),
		})
		q.close()
	}
	in.Columns = o.Columns()
	return o
}

// decimals reads the decimals of an answer's numbers: one whole number, or a
// list with one for each number, -1 for those that are read over.
func decimals(s *section) []int {
	v, ok := s.take("decimals")
	if !ok {
		s.problem("decimals", "is missing", "add decimals = 3, or decimals = [3, -1, 2] for an answer of several numbers of which the second is read over")
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		list = []any{v}
	}
	var out []int
	for _, e := range list {
		n, whole := e.(int64)
		if !whole || n < wire.SkipNumber || n > wire.MaxDecimals {
			s.problem("decimals", "is not a list of whole numbers from -1 to 9", "write the decimals that the instrument prints, -1 for a number that is read over")
			return nil
		}
		out = append(out, int(n))
	}
	return out
}

// textSwitch reads the lines of text that switch an output.
func textSwitch(s *section, i int, heartbeat bool) wire.Switch {
	return wire.Switch{
		Output:    i,
		Heartbeat: heartbeat,
		On:        s.needText("on", "the command that switches it on"),
		Off:       s.needText("off", "the command that switches it off"),
		OnAnswer:  s.text("on_answer", ""),
		OffAnswer: s.text("off_answer", ""),
		Ask:       s.needText("ask", "the question that reads it back"),
		IsOn:      s.needText("is_on", "the answer to it while it is on"),
		IsOff:     s.needText("is_off", "the answer to it while it is off"),
	}
}
