package daq

import "strings"

// A Batch is what one instrument said in one message (or one group of
// messages): K rows of N raw readings that follow one another at the
// instrument's own rate. It is the record and is never changed once the loop
// has taken it; ring, store and stream share it.
type Batch struct {
	Instrument uint16 // index in the bench's instrument table
	Epoch      uint32 // counts reconnections and resets of the device's counters, from 0
	Arrived    int64  // bench time, ns, straight after the read that completed it
	HalfTrip   int64  // ns, half the round trip of a polled reading (0: streaming); Arrived is then the middle of request and answer
	Seq        uint64 // device sequence number of the first row, unwrapped; meaningless without HasSeq
	Tick       uint64 // device tick of the first row, unwrapped; meaningless without HasTick
	HasSeq     bool
	HasTick    bool
	Newest     bool   // the last batch of its Read: only these carry a clean arrival time for clock recovery
	Status     uint16 // the device's own status bits
	Lost       uint32 // rows missing before this batch, by the device's sequence (line damage, device overrun)
	Refused    uint32 // rows this program had to refuse before this batch because a queue was full
	N          int    // columns
	K          int    // rows
	// Counts holds K rows of N raw counts, row-major. Nil where the instrument
	// speaks floating point or a trace was imported: then Floats holds them
	// (NaN = missing).
	Counts []int32
	Floats []float64
	// Times are the K rows' own times (ns, strictly increasing) where they are
	// known as they are, as in an imported trace: they are used unchanged, and
	// no clock is recovered. Nil: the clock is recovered from Seq, Tick and
	// Arrived.
	Times []int64
}

// Raw returns the raw reading of row k, column c.
func (b *Batch) Raw(k, c int) float64 {
	if b.Counts != nil {
		return float64(b.Counts[k*b.N+c])
	}
	return b.Floats[k*b.N+c]
}

// Quality says why a sample may not be trusted. Zero is good.
type Quality uint16

const (
	Missing      Quality = 1 << iota // no reading (NaN); the value is NaN
	Saturated                        // at or above 98 % of full scale: the value is a lower bound
	Under                            // below the range
	Open                             // sensor open circuit or below the live zero
	Rail                             // converter at its end
	Frozen                           // code does not move although it should
	Spike                            // one to three samples that came back
	Gap                              // samples were lost before this one
	Unsettled                        // clock not yet recovered
	Shock                            // thermal shock of the transducer suspected
	Late                             // arrived after a stall; the time is less certain
	Uncalibrated                     // no calibration in force
	Reversed                         // wires of the thermocouple suspected to be reversed
	Unreferred                       // what the value is referred to (cold junction, excitation, barometer) was not read lately
)

var qualityNames = [...]string{"missing", "saturated", "under", "open", "rail", "frozen", "spike", "gap", "unsettled", "shock", "late", "uncalibrated", "reversed", "unreferred"}

// Bad is the set of flags with which a value is no measurement at all.
const Bad = Missing | Open | Rail | Frozen | Spike | Reversed

// String lists the flags, for example "saturated gap"; "good" for none.
func (q Quality) String() string {
	if q == 0 {
		return "good"
	}
	var s []string
	for i, n := range qualityNames {
		if q&(1<<i) != 0 {
			s = append(s, n)
		}
	}
	return strings.Join(s, " ")
}

// A Sample is one reading in engineering units with its time: derived from
// the record, never the record itself.
type Sample struct {
	T   int64   // bench time at which it was sampled, ns
	V   float64 // value in the channel's unit
	Raw float64 // raw reading
	Q   Quality
}
