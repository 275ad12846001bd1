package wire

import (
	"math"

	"ventward/daq"
)

const (
	second = 1_000_000_000 // ns

	defaultTimeoutS = 0.1
	defaultVerifyS  = 1.0

	maxADU     = 256  // bytes of a Modbus RTU message
	maxOffers  = 2    // times that a request is returned by Next
	maxTaken   = 1024 // batches, and read-backs, kept until Take
	charBits   = 11   // start, 8 data, parity or second stop, stop
	fastBaud   = 19200
	fastSilent = 1_750_000 // ns: t3.5 above 19200 Bd (Modbus over Serial Line V1.02, 2.5.1.1)
)

// A job is what a transaction is for.
type job uint8

const (
	jobPoll  job = iota + 1 // a group of registers
	jobWrite                // a coil
	jobRead                 // a block of coils read back
)

// Modbus is the only master of one Modbus RTU line. It implements daq.Asker.
//
// It sends, in this order: demands that switch off, heartbeats, other demands,
// read-backs, writes that have to be repeated, polls. After a timeout or a bad answer it
// is silent for the quarantine and throws away what comes, so that a late
// answer can't be taken for the answer to the next request. It can't tell an
// answer that comes even later from the answer to a second, equal request: the
// quarantine must be longer than the slowest device may take.
type Modbus struct {
	o     ModbusOptions
	index uint16

	charNS, silentNS, timeoutNS, quarantineNS, pollNS, verifyNS int64

	groups []group
	coils  []coil
	blocks []block

	count   daq.Counters
	epoch   uint32
	emitted bool // a batch of this epoch was made

	started bool
	busy    bool
	job     job
	which   int // group, coil or block of the job
	req     request
	asked   int64 // when the request was handed over
	limit   int64 // until when the answer may come
	unsent  bool  // nobody has told yet that the request was handed to the port
	offers  int   // times the request was returned by Next
	tx      [maxADU]byte
	rx      [maxADU]byte
	rxN     int

	heard    int64 // last byte received
	idle     int64 // end of the last transaction
	quiet    int64 // end of the quarantine
	quietMax int64 // the quarantine ends then even on a line that babbles
	overdue  bool  // an answer may still come

	row        row
	nextPoll   int64
	nextVerify int64
	yield      bool // a poll goes before the next repetition
	lost       uint64

	batches   []*daq.Batch
	readbacks []daq.Readback
}

// A row is the poll under way.
type row struct {
	active      bool
	group       int // next to ask
	failed      int
	first, last int64 // first request, last answer
	values      []float64
	counts      []int32
}

// NewModbus returns the master of the line of the instrument with that index in
// the bench's table, or an error that names every option that can't be.
func NewModbus(o ModbusOptions, inst daq.Instrument, index int) (*Modbus, error) {
	if o.Baud == 0 {
		o.Baud = inst.Port.Baud
	}
	ps := problems(o.Check())
	if o.Baud == 0 {
		ps.add("baud", 0, "state the speed of the port, for example 19200", "the silent interval between messages depends on it")
	}
	if err := failed("modbus", ps); err != nil {
		return nil, err
	}
	if err := indexed("modbus", index, inst.Columns, len(o.Registers)); err != nil {
		return nil, err
	}
	if o.TimeoutS == 0 {
		o.TimeoutS = defaultTimeoutS
	}
	if o.QuarantineS == 0 {
		o.QuarantineS = 2 * o.TimeoutS
	}
	if o.VerifyS == 0 {
		o.VerifyS = defaultVerifyS
	}
	m := &Modbus{o: o, index: uint16(index)}
	m.charNS = charBits * second / int64(o.Baud)
	m.silentNS = m.charNS*7/2 + 1
	if o.Baud > fastBaud {
		m.silentNS = fastSilent
	}
	m.timeoutNS, m.quarantineNS = nanos(o.TimeoutS), nanos(o.QuarantineS)
	m.pollNS, m.verifyNS = nanos(o.PollS), nanos(o.VerifyS)
	m.groups = grouped(o.Registers)
	m.coils, m.blocks = switched(o.Coils)
	if o.Floats() {
		m.row.values = make([]float64, len(o.Registers))
	} else {
		m.row.counts = make([]int32, len(o.Registers))
	}
	return m, nil
}

func nanos(s float64) int64 { return int64(math.Round(s * second)) }

// Counters returns what the master has met.
func (m *Modbus) Counters() daq.Counters { return m.count }

// Take returns the batches and read-backs since the last call.
func (m *Modbus) Take() ([]*daq.Batch, []daq.Readback) {
	b, r := m.batches, m.readbacks
	m.batches, m.readbacks = nil, nil
	return b, r
}

// Reset tells that the port went away or came back. Every output is unknown;
// the newest demands are written again and read back, except heartbeats: an
// edge that the loop didn't ask for would feed the watchdog.
func (m *Modbus) Reset(now int64) {
	m.count.Discarded += uint64(m.rxN)
	m.busy, m.rxN = false, 0
	m.dropRow()
	if m.started {
		m.skipPolls(now)
	}
	if m.emitted {
		m.epoch++
		m.count.Resets++
		m.emitted = false
	}
	for i := range m.coils {
		c := &m.coils[i]
		c.dirty = c.wished && !c.Heartbeat
		c.attempts, c.told = 0, false
		m.report(c, daq.OutputUnknown, "the port went away or came back: nothing is known until the output was written and read back")
	}
	m.begin(now)
}

// begin starts, or starts again, on a line of which nothing is known: an answer
// to somebody's earlier request may still come.
func (m *Modbus) begin(now int64) {
	m.started = true
	m.isolate(now)
	m.idle, m.heard = now, now-m.silentNS
	m.nextPoll = m.quiet
	m.nextVerify = m.quiet
}

// isolate starts the quarantine.
func (m *Modbus) isolate(now int64) {
	m.quiet = now + m.quarantineNS
	m.quietMax = now + 2*m.quarantineNS
	m.overdue = true
}

// Next returns the bytes to send now, and when to call it again at the latest.
// The bytes are valid until the next call. A request after which Next is called
// again without Sent is returned once more: it may be a demand to switch off.
func (m *Modbus) Next(now int64) (send []byte, again int64) {
	if !m.started {
		m.begin(now)
	}
	if m.busy {
		switch {
		case m.unsent && m.rxN == 0 && m.offers < maxOffers:
			return m.offer(now)
		case now < m.limit:
			return nil, m.limit
		}
		m.expire(now)
	}
	if ready := m.ready(); now < ready {
		return nil, ready
	}
	ok, again := m.choose(now)
	if !ok {
		return nil, again
	}
	m.busy, m.rxN, m.offers = true, 0, 0
	return m.offer(now)
}

// offer returns the request to be sent.
func (m *Modbus) offer(now int64) ([]byte, int64) {
	m.unsent = true
	m.offers++
	m.asked = now
	m.setLimit(now)
	return m.req.append(m.tx[:0]), m.limit
}

// setLimit gives the answer its time from when the request was handed over: the
// request's own time on the line, the timeout, the answer's time on the line.
func (m *Modbus) setLimit(from int64) {
	n := len(m.req.data) + 9 + m.req.answerLen()
	m.limit = from + int64(n)*m.charNS + m.timeoutNS
}

// ready returns when the line may be used: after the quarantine and a silence
// of 3.5 characters. Bytes that never end can't hold it back for ever.
func (m *Modbus) ready() int64 {
	silent := min(m.heard+m.silentNS, m.idle+2*m.quarantineNS)
	return max(m.quiet, silent)
}

// Sent tells that the request was handed to the port, or that it failed.
func (m *Modbus) Sent(now int64, err error) {
	if !m.busy {
		return
	}
	m.unsent = false
	if err != nil {
		m.isolate(now)
		m.fail(now, "the port did not take the request: "+err.Error())
		return
	}
	if m.rxN == 0 {
		m.setLimit(now)
	}
}

// expire ends a transaction whose answer did not come in time.
func (m *Modbus) expire(now int64) {
	m.count.Timeouts++
	m.count.Discarded += uint64(m.rxN)
	m.isolate(now)
	m.fail(now, "no answer in time")
}

// Feed takes received bytes, with the time at which they were read: not the time
// at which their reader got round to hand them over.
func (m *Modbus) Feed(p []byte, now int64) {
	m.count.Bytes += uint64(len(p))
	if len(p) == 0 {
		return
	}
	m.heard = max(m.heard, now)
	if m.busy && now >= m.limit {
		m.expire(now)
	}
	if !m.busy || now < m.asked { // what was read before the request is no answer to it
		m.discard(p, now)
		return
	}
	n := copy(m.rx[m.rxN:], p)
	m.rxN += n
	need, f := m.req.look(m.rx[:m.rxN])
	switch {
	case f != "":
		m.count.Bad++
		m.count.Discarded += uint64(m.rxN + len(p) - n)
		m.isolate(now)
		m.overdue = false
		m.fail(now, string(f))
	case m.rxN >= need:
		m.count.Discarded += uint64(m.rxN - need + len(p) - n)
		m.answer(m.rx[:need], now)
	}
}

// discard throws away what nobody is waiting for.
func (m *Modbus) discard(p []byte, now int64) {
	m.count.Discarded += uint64(len(p))
	if m.overdue {
		m.overdue = false
		m.count.LateReply++
	}
	if now < m.quiet { // the rest of it may come in pieces
		m.quiet = min(max(m.quiet, now+m.quarantineNS/2), m.quietMax)
	}
}

// answer takes a complete answer without fault.
func (m *Modbus) answer(p []byte, now int64) {
	m.count.Frames++
	if p[1]&exceptionBit != 0 {
		m.count.Exception++
		m.fail(now, exceptionText(m.req.function, p[2]))
		return
	}
	m.busy, m.overdue, m.idle = false, false, now
	switch m.job {
	case jobPoll:
		m.polled(p[3:3+m.req.dataLen()], now)
	case jobWrite:
		m.wrote(&m.coils[m.which])
	case jobRead:
		m.readBack(&m.blocks[m.which], p[3:3+m.req.dataLen()], now)
	}
}

// fail ends the transaction without a usable answer.
func (m *Modbus) fail(now int64, why string) {
	m.busy, m.rxN, m.idle = false, 0, now
	switch m.job {
	case jobPoll:
		m.pollFailed(now)
	case jobWrite:
		m.writeFailed(&m.coils[m.which], now, why)
	case jobRead:
		m.readFailed(&m.blocks[m.which], now, why)
	}
}

// choose picks the next transaction, or tells when there may be one.
func (m *Modbus) choose(now int64) (bool, int64) {
	if now >= m.nextVerify && len(m.blocks) > 0 {
		m.nextVerify = now + m.verifyNS
		for i := range m.blocks {
			m.blocks[i].due, m.blocks[i].verify, m.blocks[i].tries = true, true, 0
		}
	}
	poll := len(m.groups) > 0 && (m.row.active || now >= m.nextPoll)
	if i := m.urgent(); i >= 0 {
		m.write(i)
		return true, 0
	}
	if !m.yield || !poll {
		if m.again(now) {
			return true, 0
		}
	}
	if poll {
		m.yield = false
		m.poll(now)
		return true, 0
	}
	return false, m.wake()
}

// wake returns when something is due that isn't now.
func (m *Modbus) wake() int64 {
	t := int64(math.MaxInt64)
	if len(m.groups) > 0 {
		t = m.nextPoll
	}
	if len(m.blocks) > 0 {
		t = min(t, m.nextVerify)
	}
	for i := range m.coils {
		if c := &m.coils[i]; c.dirty {
			t = min(t, c.retry)
		}
	}
	return t
}

// poll asks for the next group of the row, and begins a row where none is under way.
func (m *Modbus) poll(now int64) {
	r := &m.row
	if !r.active {
		r.active, r.group, r.failed, r.first, r.last = true, 0, 0, now, now
		for i := range r.values {
			r.values[i] = math.NaN()
		}
		m.nextPoll += m.pollNS
		m.skipPolls(now)
	}
	m.job, m.which, m.req = jobPoll, r.group, m.groups[r.group].request
}

// skipPolls counts the rows whose time has passed and moves on.
func (m *Modbus) skipPolls(now int64) {
	if len(m.groups) == 0 || now < m.nextPoll {
		return
	}
	n := (now-m.nextPoll)/m.pollNS + 1
	m.nextPoll += n * m.pollNS
	m.loseRows(uint64(n))
}

func (m *Modbus) loseRows(n uint64) {
	m.lost += n
	m.count.LostRows += n
}

// dropRow gives up the row under way.
func (m *Modbus) dropRow() {
	if m.row.active {
		m.row.active = false
		m.loseRows(1)
	}
}

// polled takes a group's data.
func (m *Modbus) polled(data []byte, now int64) {
	for _, mb := range m.groups[m.which].members {
		r := &m.o.Registers[mb.column]
		if m.row.values != nil {
			m.row.values[mb.column] = r.float(data, mb.offset)
		} else {
			m.row.counts[mb.column] = r.counts(data, mb.offset)
		}
	}
	m.row.last = now
	m.nextGroup()
}

func (m *Modbus) pollFailed(now int64) {
	m.row.failed++
	m.row.last = now
	m.nextGroup()
}

func (m *Modbus) nextGroup() {
	if m.row.group++; m.row.group == len(m.groups) {
		m.finishRow()
	}
}

// finishRow makes a batch of the row. A row of counts needs every group; a row
// of floats has NaN where a group failed, and needs one.
func (m *Modbus) finishRow() {
	r := &m.row
	if r.failed == len(m.groups) || (r.failed > 0 && r.counts != nil) {
		m.dropRow()
		return
	}
	r.active = false
	b := &daq.Batch{Instrument: m.index, Epoch: m.epoch, Newest: true, N: len(m.o.Registers), K: 1, Lost: clampRows(m.lost),
		Arrived: r.first + (r.last-r.first)/2, HalfTrip: (r.last - r.first) / 2}
	if r.counts != nil {
		b.Counts = append([]int32(nil), r.counts...)
	} else {
		b.Floats = append([]float64(nil), r.values...)
	}
	m.lost, m.emitted = 0, true
	m.count.Rows++
	if len(m.batches) == maxTaken {
		m.batches = append(m.batches[:0], m.batches[1:]...)
		m.count.Refused++
		b.Refused++
	}
	m.batches = append(m.batches, b)
}
