package sim

import (
	"math"
	"math/rand/v2"
)

// device is one instrument at work: its own clock, its rows on the way to
// messages, and what is wrong with its line.
type device struct {
	in      *Instrument
	index   int
	n       int // columns
	perMsg  int // rows a message
	sensors []*sensor
	column  []*sensor // sensor of each column; nil: none
	cadence cadence   // of a device without sensors

	rows    []float64 // rows not yet sent, row-major, the first is row sent
	sent    int64     // rows that left the device's memory
	resetAt int64     // row whose sequence is 0
	status  uint16

	slave   *slave // of a modbus line
	meter   *meter // of a query line
	replies []reply
	fault   lineFault
	rng     *rand.Rand

	msg, scratch []byte
	counts       []int32
}

// reply is an answer on its way.
type reply struct {
	at  float64 // s
	msg []byte
}

// asked tells whether the device speaks only when it is asked.
func (d *device) asked() bool { return d.slave != nil || d.meter != nil }

// put stores the raw reading of row k.
func (d *device) put(k int64, column int, raw float64) {
	i := int(k-d.sent) * d.n
	for len(d.rows) < i+d.n {
		d.rows = append(d.rows, 0)
	}
	d.rows[i+column] = raw
}

// complete is the number of rows that every sensor has delivered.
func (d *device) complete() int64 {
	k := int64(math.MaxInt64)
	for _, s := range d.sensors {
		k = min(k, s.cadence.k)
	}
	if len(d.sensors) == 0 {
		k = d.cadence.k
	}
	return k
}

// emit turns complete rows into messages and hands them to send.
func (d *device) emit(t float64, send func(msg []byte, rows int, damaged bool), lose func(rows int)) {
	if d.asked() {
		return
	}
	n := d.complete() - d.sent
	if d.fault.on("device-reset", t) {
		d.forget(n)
		d.resetAt = d.sent
		return
	}
	for ; n >= int64(d.perMsg); n -= int64(d.perMsg) {
		d.encode(d.perMsg)
		rows := d.perMsg
		d.forget(int64(rows))
		if d.fault.on("dropout", t) {
			lose(rows)
			continue
		}
		m, hurt := d.fault.damage(d.msg, t, d.rng)
		send(m, rows, hurt)
	}
}

// forget strikes n rows from the device's memory.
func (d *device) forget(n int64) {
	keep := min(len(d.rows), int(n)*d.n)
	d.rows = append(d.rows[:0], d.rows[keep:]...)
	d.sent += n
}

// encode makes the message of the next rows in d.msg.
func (d *device) encode(rows int) {
	d.counts = d.counts[:0]
	for i := range rows * d.n {
		v := 0.0
		if i < len(d.rows) {
			v = d.rows[i]
		}
		d.counts = append(d.counts, int32(v))
	}
	seq := uint64(d.sent - d.resetAt)
	d.msg = d.msg[:0]
	if d.in.Frame != nil {
		d.msg, d.scratch = appendFrame(d.msg, d.n, uint32(seq), d.tick(seq), d.status, d.counts, d.scratch)
		return
	}
	for r := range rows {
		q := seq + uint64(r)
		d.msg = appendLine(d.msg, d.in.Line, q, d.tick(q), d.counts[r*d.n:(r+1)*d.n])
	}
}

// tick is the device's tick at its row seq.
func (d *device) tick(seq uint64) uint64 {
	if d.in.TickHz <= 0 {
		return 0
	}
	return uint64(math.Round(float64(seq) * d.in.TickHz / d.in.RateHz))
}

// turnaround is how long a device thinks before it answers, s.
const turnaround = 1.5e-3

// ask takes bytes from the master and puts the answer on its way.
func (d *device) ask(p []byte, t float64) {
	if d.fault.on("device-reset", t) {
		d.restart()
		return
	}
	var a []byte
	if d.meter != nil {
		d.meter.broken = d.fault.on("exception", t)
		d.meter.wrongSum = d.fault.on("wrong-crc", t)
		a = d.meter.take(p)
	} else {
		d.slave.broken = d.fault.on("exception", t)
		d.slave.wrongCRC = d.fault.on("wrong-crc", t)
		a = d.slave.take(p, t)
	}
	if len(a) == 0 || d.fault.on("silence", t) {
		return
	}
	wait := turnaround
	if d.fault.on("late-answers", t) {
		wait += d.fault.size["late-answers"]
	}
	if len(d.replies) < 64 { // a master that floods the line gets no more
		d.replies = append(d.replies, reply{t + wait, a})
	}
}

// restart is what a device that is asked does while it restarts: it hears and
// says nothing, and its outputs fall off.
func (d *device) restart() {
	d.replies = d.replies[:0]
	if d.meter != nil {
		d.meter.buf = d.meter.buf[:0]
		for i := range d.in.Query.Switches {
			d.meter.setOutput(i, false)
		}
		return
	}
	d.slave.buf = d.slave.buf[:0]
	clear(d.slave.held)
	for i := range d.in.Modbus.Coils {
		d.slave.setOutput(i, false)
	}
}

// questions is how many questions came whole to a device that is asked.
func (d *device) questions() uint64 {
	switch {
	case d.meter != nil:
		return d.meter.heard
	case d.slave != nil:
		return d.slave.requests
	}
	return 0
}

// due returns the answers whose time has come.
func (d *device) due(t float64, send func(msg []byte, rows int, damaged bool)) {
	for len(d.replies) > 0 && d.replies[0].at <= t {
		m, hurt := d.fault.damage(d.replies[0].msg, t, d.rng)
		send(m, 0, hurt)
		d.replies = d.replies[1:]
	}
}
