package wire

import (
	"math"

	"ventward/daq"
)

const (
	second = 1_000_000_000 // ns

	defaultTimeoutS = 0.1
	defaultVerifyS  = 1.0

	maxOffers = 2    // times that a request is returned by Next
	maxTaken  = 1024 // batches, and read-backs, kept until Take
	charBits  = 11   // start, 8 data, parity or second stop, stop
)

// A job is what a transaction is for.
type job uint8

const (
	jobPoll  job = iota + 1 // a question about readings
	jobWrite                // an output switched
	jobRead                 // a block of outputs read back
)

// A fault says what is wrong with an answer. Empty: nothing.
type fault string

// A talk is what protocols of request and answer differ in: the words of a
// transaction. It has one transaction at a time, and no notion of time.
type talk interface {
	// pose begins the transaction: the poll, output or block with that index, and
	// for a write what is wanted.
	pose(j job, which int, on bool)
	// request appends the request as sent, and returns the length of the longest
	// answer that says yes.
	request(dst []byte) (out []byte, answer int)
	// look examines what has come of an answer. It returns how many bytes the
	// answer has in all (more than len(p) while that isn't known) and, as early as
	// it can be told, what is wrong with it. An answer is complete and right when
	// len(p) >= need and there is no fault.
	look(p []byte) (need int, f fault)
	// refusal says in words that a complete answer is the device's no.
	refusal(p []byte) string
	// values puts a complete answer to a poll into its columns of the row.
	values(p []byte, r *row)
	// state returns the state of the block's i-th output in a complete answer.
	state(p []byte, i int) daq.OutputState
}

// An asker is what protocols of request and answer share: it is the only master
// of its line and drives one transaction after the other.
//
// It sends, in this order: demands that switch off, heartbeats, other demands,
// read-backs, writes that have to be repeated, polls. After a timeout or a bad answer it
// is silent for the quarantine and throws away what comes, so that a late
// answer can't be taken for the answer to the next request. It can't tell an
// answer that comes even later from the answer to a second, equal request: the
// quarantine must be longer than the slowest device may take.
type asker struct {
	talk  talk
	index uint16

	charNS, silentNS, timeoutNS, quarantineNS, pollNS, verifyNS int64

	polls   int // requests that make a row
	columns int
	outputs []output
	blocks  []block

	count   daq.Counters
	epoch   uint32
	emitted bool // a batch of this epoch was made

	started bool
	busy    bool
	job     job
	which   int   // poll, output or block of the job
	asked   int64 // when the request was handed over
	limit   int64 // until when the answer may come
	unsent  bool  // nobody has told yet that the request was handed to the port
	offers  int   // times the request was returned by Next
	onLine  int64 // time that request and answer take on the line
	mute    bool  // the device gives no answer to this request
	tx      []byte
	rx      []byte // its capacity bounds an answer
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

// pace holds the times of an asker, in s; zero takes the default.
type pace struct{ poll, timeout, quarantine, verify float64 }

// settle fills in the defaults.
func (p pace) settled() pace {
	if p.timeout == 0 {
		p.timeout = defaultTimeoutS
	}
	if p.quarantine == 0 {
		p.quarantine = 2 * p.timeout
	}
	if p.verify == 0 {
		p.verify = defaultVerifyS
	}
	return p
}

// setUp readies an asker. silent is the silence in ns that it keeps between
// messages, longest the bytes of the longest message.
func (m *asker) setUp(t talk, index int, p pace, baud int, silent int64, longest int) {
	p = p.settled()
	m.talk, m.index = t, uint16(index)
	m.charNS, m.silentNS = charTime(baud), silent
	m.timeoutNS, m.quarantineNS = nanos(p.timeout), nanos(p.quarantine)
	m.pollNS, m.verifyNS = nanos(p.poll), nanos(p.verify)
	m.tx, m.rx = make([]byte, 0, longest), make([]byte, longest)
}

// setRow readies the row for columns of counts or of floats.
func (m *asker) setRow(polls, columns int, floats bool) {
	m.polls, m.columns = polls, columns
	if floats {
		m.row.values = make([]float64, columns)
	} else {
		m.row.counts = make([]int32, columns)
	}
}

// charTime is the time of one character on the line in ns.
func charTime(baud int) int64 { return charBits * second / int64(baud) }

func nanos(s float64) int64 { return int64(math.Round(s * second)) }

// Counters returns what the master has met.
func (m *asker) Counters() daq.Counters { return m.count }

// Take returns the batches and read-backs since the last call.
func (m *asker) Take() ([]*daq.Batch, []daq.Readback) {
	b, r := m.batches, m.readbacks
	m.batches, m.readbacks = nil, nil
	return b, r
}

// Reset tells that the port went away or came back. Every output is unknown;
// the newest demands are written again and read back, except heartbeats: an
// edge that the loop didn't ask for would feed the watchdog.
func (m *asker) Reset(now int64) {
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
	for i := range m.outputs {
		c := &m.outputs[i]
		c.dirty = c.wished && !c.heartbeat
		c.attempts, c.told = 0, false
		m.report(c, daq.OutputUnknown, "the port went away or came back: nothing is known until the output was written and read back")
	}
	m.begin(now)
}

// begin starts, or starts again, on a line of which nothing is known: an answer
// to somebody's earlier request may still come.
func (m *asker) begin(now int64) {
	m.started = true
	m.isolate(now)
	m.idle, m.heard = now, now-m.silentNS
	m.nextPoll = m.quiet
	m.nextVerify = m.quiet
}

// isolate starts the quarantine.
func (m *asker) isolate(now int64) {
	m.quiet = now + m.quarantineNS
	m.quietMax = now + 2*m.quarantineNS
	m.overdue = true
}

// Next returns the bytes to send now, and when to call it again at the latest.
// The bytes are valid until the next call. A request after which Next is called
// again without Sent is returned once more: it may be a demand to switch off.
func (m *asker) Next(now int64) (send []byte, again int64) {
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
func (m *asker) offer(now int64) ([]byte, int64) {
	m.unsent = true
	m.offers++
	m.asked = now
	send, answer := m.talk.request(m.tx[:0])
	m.onLine = int64(len(send)+answer) * m.charNS
	m.mute = answer == 0
	m.setLimit(now)
	return send, m.limit
}

// setLimit gives the answer its time from when the request was handed over: the
// request's own time on the line, the timeout, the answer's time on the line.
func (m *asker) setLimit(from int64) {
	m.limit = from + m.onLine + m.timeoutNS
}

// ready returns when the line may be used: after the quarantine and a silence
// of 3.5 characters. Bytes that never end can't hold it back for ever.
func (m *asker) ready() int64 {
	silent := min(m.heard+m.silentNS, m.idle+2*m.quarantineNS)
	return max(m.quiet, silent)
}

// Sent tells that the request was handed to the port, or that it failed.
func (m *asker) Sent(now int64, err error) {
	if !m.busy {
		return
	}
	m.unsent = false
	if err != nil {
		m.isolate(now)
		m.fail(now, "the port did not take the request: "+err.Error())
		return
	}
	if m.mute { // there is nothing to wait for but the request's own time on the line
		m.busy, m.idle = false, now
		m.heard = max(m.heard, now+m.onLine)
		m.wrote(&m.outputs[m.which])
		return
	}
	if m.rxN == 0 {
		m.setLimit(now)
	}
}

// expire ends a transaction whose answer did not come in time.
func (m *asker) expire(now int64) {
	m.count.Timeouts++
	m.count.Discarded += uint64(m.rxN)
	m.isolate(now)
	m.fail(now, "no answer in time")
}

// Feed takes received bytes, with the time at which they were read: not the time
// at which their reader got round to hand them over.
func (m *asker) Feed(p []byte, now int64) {
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
	need, f := m.talk.look(m.rx[:m.rxN])
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
func (m *asker) discard(p []byte, now int64) {
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
func (m *asker) answer(p []byte, now int64) {
	m.count.Frames++
	if why := m.talk.refusal(p); why != "" {
		m.count.Exception++
		m.fail(now, why)
		return
	}
	m.busy, m.overdue, m.idle = false, false, now
	switch m.job {
	case jobPoll:
		m.talk.values(p, &m.row)
		m.row.last = now
		m.nextGroup()
	case jobWrite:
		m.wrote(&m.outputs[m.which])
	case jobRead:
		m.readBack(&m.blocks[m.which], p, now)
	}
}

// fail ends the transaction without a usable answer.
func (m *asker) fail(now int64, why string) {
	m.busy, m.rxN, m.idle = false, 0, now
	switch m.job {
	case jobPoll:
		m.pollFailed(now)
	case jobWrite:
		m.writeFailed(&m.outputs[m.which], now, why)
	case jobRead:
		m.readFailed(&m.blocks[m.which], now, why)
	}
}

// choose picks the next transaction, or tells when there may be one.
func (m *asker) choose(now int64) (bool, int64) {
	m.doubt(now)
	if now >= m.nextVerify && len(m.blocks) > 0 {
		m.nextVerify = now + m.verifyNS
		for i := range m.blocks {
			m.blocks[i].due, m.blocks[i].verify, m.blocks[i].tries = true, true, 0
		}
	}
	poll := m.polls > 0 && (m.row.active || now >= m.nextPoll)
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
func (m *asker) wake() int64 {
	t := int64(math.MaxInt64)
	if m.polls > 0 {
		t = m.nextPoll
	}
	if len(m.blocks) > 0 {
		t = min(t, m.nextVerify)
	}
	for i := range m.outputs {
		if c := &m.outputs[i]; c.dirty {
			t = min(t, c.retry)
		}
	}
	return t
}

// pose begins a transaction.
func (m *asker) pose(j job, which int, on bool) {
	m.job, m.which = j, which
	m.talk.pose(j, which, on)
}

// poll asks for the next group of the row, and begins a row where none is under way.
func (m *asker) poll(now int64) {
	r := &m.row
	if !r.active {
		r.active, r.group, r.failed, r.first, r.last = true, 0, 0, now, now
		for i := range r.values {
			r.values[i] = math.NaN()
		}
		m.nextPoll += m.pollNS
		m.skipPolls(now)
	}
	m.pose(jobPoll, r.group, false)
}

// skipPolls counts the rows whose time has passed and moves on.
func (m *asker) skipPolls(now int64) {
	if m.polls == 0 || now < m.nextPoll {
		return
	}
	n := (now-m.nextPoll)/m.pollNS + 1
	m.nextPoll += n * m.pollNS
	m.loseRows(uint64(n))
}

func (m *asker) loseRows(n uint64) {
	m.lost += n
	m.count.LostRows += n
}

// dropRow gives up the row under way.
func (m *asker) dropRow() {
	if m.row.active {
		m.row.active = false
		m.loseRows(1)
	}
}

func (m *asker) pollFailed(now int64) {
	m.row.failed++
	m.row.last = now
	m.nextGroup()
}

func (m *asker) nextGroup() {
	if m.row.group++; m.row.group == m.polls {
		m.finishRow()
	}
}

// finishRow makes a batch of the row. A row of counts needs every group; a row
// of floats has NaN where a group failed, and needs one.
func (m *asker) finishRow() {
	r := &m.row
	if r.failed == m.polls || (r.failed > 0 && r.counts != nil) {
		m.dropRow()
		return
	}
	r.active = false
	b := &daq.Batch{Instrument: m.index, Epoch: m.epoch, Newest: true, N: m.columns, K: 1, Lost: clampRows(m.lost),
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
