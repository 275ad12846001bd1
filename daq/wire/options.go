package wire

// LineOptions describes a text-line instrument: one line a row of readings.
// A line ends with CR, LF or both.
type LineOptions struct {
	Delimiter string       `json:"delimiter"` // between fields, for example "," or ";" or " " (a run of blanks counts as one)
	Fields    int          `json:"fields"`    // fields in a line; a line with another number is refused
	Columns   []LineColumn `json:"columns"`   // in the order of the batch's columns
	SeqField  int          `json:"seq_field"` // index of the field with the device's sequence number; -1: none
	// SeqWrap is the number of values the sequence has before it starts again
	// at 0 (65536 for a 16-bit counter). 0: it never starts again.
	SeqWrap   uint64 `json:"seq_wrap,omitempty"`
	TickField int    `json:"tick_field"` // index of the field with the device's tick; -1: none
	// TickWrap is the number of values the tick has before it starts again.
	TickWrap uint64 `json:"tick_wrap,omitempty"`
	// Checksum is none, xor (*HH: XOR of the bytes before '*' after an optional
	// leading '$') or crc16 (*HHHH: CRC-16 with the Modbus polynomial of the
	// same bytes, high byte first).
	Checksum string `json:"checksum"`
}

// Names of LineOptions.Checksum.
const (
	ChecksumNone  = "none"
	ChecksumXOR   = "xor"
	ChecksumCRC16 = "crc16"
)

// LineColumn maps a field to a column. The decimal number is kept exactly as
// counts of 10^-Decimals, so 12.34 with 3 decimals is 12340 counts. A number
// with more decimals than that (other than zeros) is refused, never rounded.
type LineColumn struct {
	Field    int `json:"field"`
	Decimals int `json:"decimals"`
}

// FrameOptions describes a COBS-framed binary instrument (see the project's
// interface document): version 1, CRC-32C.
type FrameOptions struct {
	Columns int `json:"columns"`
}

// ModbusOptions describes one Modbus RTU line as its only master: the
// registers it polls (one row a poll) and the coils it switches.
type ModbusOptions struct {
	PollS       float64    `json:"poll_s"`       // time between polls of all registers
	TimeoutS    float64    `json:"timeout_s"`    // for an answer, from the end of the request on; 0: 0.1 s
	QuarantineS float64    `json:"quarantine_s"` // silence kept after a timeout or a bad answer, so that a late answer can't be taken for a new one: longer than the slowest device may take; 0: twice TimeoutS
	Baud        int        `json:"baud"`         // for the silent interval of 3.5 characters; 0: the port's
	Registers   []Register `json:"registers"`    // in the order of the batch's columns
	Coils       []Coil     `json:"coils"`        // outputs on this line
	VerifyS     float64    `json:"verify_s"`     // time between read-backs of coils that nobody changed; 0: 1 s
}

// Register is one polled quantity.
type Register struct {
	Unit     int    `json:"unit"`     // 1..247
	Function int    `json:"function"` // 1 coils, 2 discrete inputs, 3 holding registers, 4 input registers
	Address  int    `json:"address"`  // 0-based, as on the wire
	Type     string `json:"type"`     // u16 i16 u32 i32 f32 bit
	Order    string `json:"order"`    // ABCD CDAB BADC DCBA, for 32-bit types; default ABCD
}

// Coil is one switched output. Off is its safe state.
type Coil struct {
	Unit      int  `json:"unit"`
	Address   int  `json:"address"`
	Output    int  `json:"output"`    // index in the bench's output table
	Heartbeat bool `json:"heartbeat"` // each demand is an edge: written at once, not repeated by the line
	// Function writes the output: 5 (0 means 5) or 15 a coil, read back with 1;
	// 6 or 16 a holding register (1 on, 0 off), read back with 3.
	Function int `json:"function,omitempty"`
}

// QueryOptions describes one line of an instrument that answers a line of text
// with a line of text: what it is asked in one cycle (one row a cycle) and the
// outputs it switches. It has one master, this program.
type QueryOptions struct {
	PollS       float64 `json:"poll_s"`       // time between cycles
	TimeoutS    float64 `json:"timeout_s"`    // for an answer, from the end of the question on; 0: 0.1 s
	QuarantineS float64 `json:"quarantine_s"` // silence kept after a timeout or a bad answer, so that a late answer can't be taken for a new one; 0: twice TimeoutS
	VerifyS     float64 `json:"verify_s"`     // time between read-backs of outputs that nobody changed; 0: 1 s
	GapS        float64 `json:"gap_s"`        // silence kept between an answer and the next question, which some devices need
	Baud        int     `json:"baud"`         // for the time that a message takes; 0: the port's
	End         string  `json:"end"`          // what ends a question: CR LF, CR or LF; empty: CR LF
	AnswerEnd   string  `json:"answer_end"`   // what ends an answer; empty: End
	// Checksum of questions and answers: none, xor or crc16, as in LineOptions.
	Checksum string `json:"checksum"`
	// Refusal is how an answer begins that is the device's no ("ERR", say);
	// empty: none is known.
	Refusal   string     `json:"refusal,omitempty"`
	Questions []Question `json:"questions"`
	Switches  []Switch   `json:"switches,omitempty"` // outputs on this line
}

// Question is one question of a cycle. Its answer is Prefix, then one decimal
// number for each entry of Decimals with Delimiter between them, then Suffix;
// blanks round a number and round the answer are ignored.
type Question struct {
	Ask       string `json:"ask"`
	Prefix    string `json:"prefix,omitempty"`
	Suffix    string `json:"suffix,omitempty"`
	Delimiter string `json:"delimiter,omitempty"` // one character; empty: ","
	// Decimals says for each number of the answer how many decimals are kept: the
	// number is kept exactly as counts of 10^-decimals and fills the next column
	// of the batch. A number with more decimals is refused, never rounded.
	// SkipNumber: the number is read over.
	Decimals []int `json:"decimals"`
}

// SkipNumber in Question.Decimals reads over a number of the answer.
const SkipNumber = -1

// Switch is one output switched by lines of text. Off is its safe state.
type Switch struct {
	Output    int    `json:"output"`    // index in the bench's output table
	Heartbeat bool   `json:"heartbeat"` // each demand is an edge: written at once, not repeated by the line
	On        string `json:"on"`        // the command
	Off       string `json:"off"`
	OnAnswer  string `json:"on_answer,omitempty"` // what the device answers to the command; empty: nothing
	OffAnswer string `json:"off_answer,omitempty"`
	Ask       string `json:"ask"`    // reads the output back ...
	IsOn      string `json:"is_on"`  // ... and is answered this while it is on,
	IsOff     string `json:"is_off"` // this while it is off
}

// Columns is the number of columns of a cycle's row.
func (o *QueryOptions) Columns() int {
	n := 0
	for _, q := range o.Questions {
		for _, d := range q.Decimals {
			if d != SkipNumber {
				n++
			}
		}
	}
	return n
}

// Floats tells whether the line's batches hold Floats (the counts as float64)
// instead of Counts: with more than one question a row may have gaps.
func (o *QueryOptions) Floats() bool { return len(o.Questions) > 1 }

// Floats tells whether the line's batches hold Floats instead of Counts: they
// do as soon as one register is f32, or u32, which an int32 count can't hold.
func (o *ModbusOptions) Floats() bool {
	for _, r := range o.Registers {
		if r.Type == "f32" || r.Type == "u32" {
			return true
		}
	}
	return false
}

// HasChecksum tells whether a damaged answer can be told from a good one.
func (o *QueryOptions) HasChecksum() bool {
	return o.Checksum == ChecksumXOR || o.Checksum == ChecksumCRC16
}

// HasChecksum tells whether a damaged line can be told from a good one.
func (o *LineOptions) HasChecksum() bool {
	return o.Checksum == ChecksumXOR || o.Checksum == ChecksumCRC16
}

// WorstDelayS returns how long, in s, a demand may wait until it is on the line:
// a transaction under way without an answer, then the quarantine at its
// longest. A watchdog must wait longer than that for an edge, or a dead sensor
// on the line trips it. Several demands at once, and demands whose own write
// fails, wait longer.
func (o *ModbusOptions) WorstDelayS() float64 {
	return pace{timeout: o.TimeoutS, quarantine: o.QuarantineS}.worstDelay(2*maxADU, o.Baud)
}

// WorstDelayS is the delay of a query line in the same sense.
func (o *QueryOptions) WorstDelayS() float64 {
	longest := 0
	for _, q := range o.Questions {
		longest = max(longest, len(q.Ask)+q.answerLen())
	}
	for _, s := range o.Switches {
		longest = max(longest, len(s.On)+len(s.OnAnswer), len(s.Off)+len(s.OffAnswer), len(s.Ask)+max(len(s.IsOn), len(s.IsOff)))
	}
	return o.GapS + pace{timeout: o.TimeoutS, quarantine: o.QuarantineS}.worstDelay(longest+2*lineOverhead, o.Baud)
}

// worstDelay returns the time in s of a transaction of that many bytes without
// an answer, then the quarantine at its longest.
func (p pace) worstDelay(bytes, baud int) float64 {
	p = p.settled()
	line := 0.0
	if baud > 0 {
		line = float64(bytes+4) * charBits / float64(baud)
	}
	return line + p.timeout + 2*p.quarantine
}
