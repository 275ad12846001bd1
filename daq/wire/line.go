package wire

import (
	"math"

	"ventward/daq"
)

const (
	maxBatchRows = 1024 // rows of one batch of lines
	// doubtRows is believed to be lost at once on a line without checksum when
	// the instrument's rate isn't stated.
	doubtRows = 1000
)

// LineDecoder decodes the text lines of one instrument. It implements
// daq.Decoder. Rows that follow one another within one Feed without loss and
// with the nominal tick step make one batch.
type LineDecoder struct {
	o      LineOptions
	delim  byte
	index  uint16
	ticks  float64 // nominal ticks a row; 0: not known
	count  daq.Counters
	reason reason
	order  sequence
	epoch  uint32

	skip bool // drop everything up to the next end of line, uncounted as bad
	n    int  // bytes of the line under way in part
	part [MaxLine + 8]byte

	fields  [MaxFields][]byte
	row     []int32 // the line's counts
	held    []int32 // the counts of the line that waits for confirmation
	heldAt  int64
	open    run
	pending []int32 // the counts of open
}

// A run is the rows collected for the next batch.
type run struct {
	rows  int
	at    place // of the first row
	last  place
	lost  uint64
	epoch uint32
	when  int64
}

// NewLine returns a decoder for the instrument with that index in the bench's
// table, or an error that names every option that can't be. The instrument's
// RateHz and TickHz, where stated, let it join rows into batches and doubt
// absurd jumps of the counters.
func NewLine(o LineOptions, inst daq.Instrument, index int) (*LineDecoder, error) {
	if err := failed("line", o.Check()); err != nil {
		return nil, err
	}
	if err := indexed("line", index, inst.Columns, len(o.Columns)); err != nil {
		return nil, err
	}
	d := &LineDecoder{o: o, delim: o.Delimiter[0], index: uint16(index), skip: true}
	d.row = make([]int32, len(o.Columns))
	d.held = make([]int32, len(o.Columns))
	if inst.RateHz > 0 && inst.TickHz > 0 {
		d.ticks = inst.TickHz / inst.RateHz
	}
	var doubt uint64
	if !o.HasChecksum() {
		doubt = doubtRows
		if inst.RateHz > 0 {
			doubt = uint64(math.Ceil(inst.RateHz))
		}
	}
	d.order = newSequence(counter{o.SeqField >= 0, o.SeqWrap}, counter{o.TickField >= 0, o.TickWrap}, d.ticks, doubt)
	return d, nil
}

// Counters returns what the decoder has met.
func (d *LineDecoder) Counters() daq.Counters { return d.count }

// Reason says in words why a line was last refused; empty: none was.
func (d *LineDecoder) Reason() string { return d.reason.String() }

// Reset forgets partial input after the port went away; the next batch belongs
// to the next epoch and the rest of a torn line is discarded.
func (d *LineDecoder) Reset() {
	d.count.Discarded += uint64(d.n)
	d.n, d.skip = 0, true
	if d.order.held != nil {
		d.refuse(refusedOrder, 0)
	}
	d.order.restart()
}

// Feed decodes the bytes of one read, completed at bench time at.
func (d *LineDecoder) Feed(p []byte, at int64, out []*daq.Batch) []*daq.Batch {
	d.count.Bytes += uint64(len(p))
	had := len(out)
	start := 0
	for i, c := range p {
		if c == '\n' || c == '\r' {
			out = d.cut(p[start:i], at, out)
			start = i + 1
		}
	}
	d.keep(p[start:])
	out = d.flush(out)
	if len(out) > had {
		out[len(out)-1].Newest = true
	}
	return out
}

// keep adds bytes to the line under way, or skips it when it grows too long.
func (d *LineDecoder) keep(p []byte) {
	if !d.skip && d.n+len(p) > MaxLine {
		d.refuse(refusedLength, d.n)
		d.n, d.skip = 0, true
	}
	if d.skip {
		d.count.Discarded += uint64(len(p))
		return
	}
	d.n += copy(d.part[d.n:], p)
}

func (d *LineDecoder) refuse(why reason, bytes int) {
	d.count.Bad++
	d.count.Discarded += uint64(bytes)
	d.reason = why
}

// cut takes the last bytes of a line, up to its end.
func (d *LineDecoder) cut(p []byte, at int64, out []*daq.Batch) []*daq.Batch {
	if d.n > 0 || d.skip || len(p) > MaxLine {
		d.keep(p)
		p = d.part[:d.n]
	}
	skip := d.skip
	d.n, d.skip = 0, false
	if skip {
		return out
	}
	line := trim(p)
	if len(line) == 0 {
		return out
	}
	m, why := d.decode(line)
	if why != refusedNothing {
		d.refuse(why, len(p))
		return out
	}
	return d.accept(m, at, out)
}

// decode reads a line into d.row.
func (d *LineDecoder) decode(line []byte) (mark, reason) {
	line, ok := d.verify(line)
	if !ok {
		return mark{}, refusedChecksum
	}
	if !d.split(line) {
		return mark{}, refusedFields
	}
	m := mark{rows: 1}
	var why reason
	if f := d.o.SeqField; f >= 0 {
		if m.seq, why = parseCounter(d.fields[f], d.o.SeqWrap); why != refusedNothing {
			return m, why
		}
	}
	if f := d.o.TickField; f >= 0 {
		if m.tick, why = parseCounter(d.fields[f], d.o.TickWrap); why != refusedNothing {
			return m, why
		}
	}
	for i, c := range d.o.Columns {
		if d.row[i], why = parseCounts(d.fields[c.Field], c.Decimals); why != refusedNothing {
			return m, why
		}
	}
	return m, refusedNothing
}

// verify checks and cuts off the checksum and the optional leading '$'.
func (d *LineDecoder) verify(line []byte) ([]byte, bool) {
	body, ok := checked(line, d.o.Checksum)
	if ok && len(body) > 0 && body[0] == '$' {
		body = body[1:]
	}
	return body, ok
}

// checked cuts the checksum off a line, and tells whether it matches. A leading
// '$' is not part of the sum; it is left in place.
func checked(line []byte, checksum string) ([]byte, bool) {
	digits := 0
	switch checksum {
	case ChecksumXOR:
		digits = 2
	case ChecksumCRC16:
		digits = 4
	default:
		return line, true
	}
	star := len(line) - digits - 1
	if star < 0 || line[star] != '*' {
		return nil, false
	}
	want, ok := parseHex(line[star+1:])
	return line[:star], ok && sumOf(line[:star], checksum) == want
}

// sumOf is the checksum of a line without it, a leading '$' left out.
func sumOf(body []byte, checksum string) uint16 {
	if len(body) > 0 && body[0] == '$' {
		body = body[1:]
	}
	if checksum == ChecksumXOR {
		return uint16(xor8(body))
	}
	return CRC16(body)
}

// appendSum appends the checksum of the line that begins at start.
func appendSum(dst []byte, start int, checksum string) []byte {
	switch checksum {
	case ChecksumXOR:
		return appendHex(append(dst, '*'), sumOf(dst[start:], checksum), 2)
	case ChecksumCRC16:
		return appendHex(append(dst, '*'), sumOf(dst[start:], checksum), 4)
	}
	return dst
}

func parseHex(p []byte) (uint16, bool) {
	var v uint16
	for _, c := range p {
		switch {
		case c >= '0' && c <= '9':
			v = v<<4 | uint16(c-'0')
		case c >= 'A' && c <= 'F':
			v = v<<4 | uint16(c-'A'+10)
		case c >= 'a' && c <= 'f':
			v = v<<4 | uint16(c-'a'+10)
		default:
			return 0, false
		}
	}
	return v, true
}

// split cuts a line into exactly o.Fields fields, blanks round them dropped.
func (d *LineDecoder) split(line []byte) bool {
	n := 0
	for {
		if n == d.o.Fields {
			return false
		}
		end := 0
		for end < len(line) && line[end] != d.delim {
			end++
		}
		d.fields[n] = trim(line[:end])
		n++
		if end == len(line) {
			return n == d.o.Fields
		}
		line = line[end+1:]
		if d.delim == ' ' {
			line = trim(line)
		}
	}
}

// trim drops blanks and tabs at both ends.
func trim(p []byte) []byte {
	for len(p) > 0 && (p[0] == ' ' || p[0] == '\t') {
		p = p[1:]
	}
	for len(p) > 0 && (p[len(p)-1] == ' ' || p[len(p)-1] == '\t') {
		p = p[:len(p)-1]
	}
	return p
}

// accept puts d.row in its place in the device's count.
func (d *LineDecoder) accept(m mark, at int64, out []*daq.Batch) []*daq.Batch {
	r := d.order.judge(m)
	if r.refused {
		d.refuse(refusedOrder, 0)
	}
	if r.reset {
		out = d.flush(out)
		d.epoch++
		d.count.Resets++
	}
	if r.held {
		out = d.add(d.held, r.lostA, r.heldAt, d.heldAt, out)
	}
	switch {
	case r.take:
		out = d.add(d.row, r.lost, r.at, at, out)
	case r.hold:
		copy(d.held, d.row)
		d.heldAt = at
	default:
		d.refuse(refusedOrder, 0)
	}
	return out
}

// add appends a row to the open run, after closing it where the row doesn't
// continue it.
func (d *LineDecoder) add(row []int32, lost uint64, at place, when int64, out []*daq.Batch) []*daq.Batch {
	if d.open.rows > 0 && !d.joins(lost, at, when) {
		out = d.flush(out)
	}
	if d.open.rows == 0 {
		d.open = run{at: at, lost: lost, epoch: d.epoch, when: when}
	}
	d.open.rows++
	d.open.last = at
	d.pending = append(d.pending, row...)
	d.count.Frames++
	d.count.Rows++
	d.count.LostRows += lost
	return out
}

// joins tells whether a row continues the open run: nothing lost, and its tick
// where the nominal rate puts it, to one tick.
func (d *LineDecoder) joins(lost uint64, at place, when int64) bool {
	if lost != 0 || d.open.rows >= maxBatchRows || d.open.epoch != d.epoch || d.open.when != when {
		return false
	}
	if !d.order.tick.on {
		return true
	}
	if d.ticks == 0 {
		return false
	}
	want := float64(d.open.rows) * d.ticks
	return math.Abs(float64(at.tick-d.open.at.tick)-want) <= 1
}

// flush closes the open run as a batch.
func (d *LineDecoder) flush(out []*daq.Batch) []*daq.Batch {
	if d.open.rows == 0 {
		return out
	}
	b := &daq.Batch{
		Instrument: d.index, Epoch: d.open.epoch, Arrived: d.open.when,
		HasSeq: d.order.seq.on, HasTick: d.order.tick.on,
		Seq: d.open.at.seq, Tick: d.open.at.tick, Lost: clampRows(d.open.lost),
		N: len(d.row), K: d.open.rows, Counts: make([]int32, len(d.pending)),
	}
	copy(b.Counts, d.pending)
	d.pending = d.pending[:0]
	d.open.rows = 0
	return append(out, b)
}

// AppendLine appends one row as a line of the options' form, ended by CR LF.
// Counts are in the order of o.Columns; fields that nothing is mapped to are 0.
func AppendLine(dst []byte, o *LineOptions, seq, tick uint64, counts []int32) []byte {
	start := len(dst)
	for f := range o.Fields {
		if f > 0 {
			dst = append(dst, o.Delimiter...)
		}
		dst = o.appendField(dst, f, seq, tick, counts)
	}
	dst = appendSum(dst, start, o.Checksum)
	return append(dst, '\r', '\n')
}

func (o *LineOptions) appendField(dst []byte, f int, seq, tick uint64, counts []int32) []byte {
	switch f {
	case o.SeqField:
		return appendCounter(dst, seq, o.SeqWrap)
	case o.TickField:
		return appendCounter(dst, tick, o.TickWrap)
	}
	for i, c := range o.Columns {
		if c.Field == f && i < len(counts) {
			return appendCounts(dst, counts[i], c.Decimals)
		}
	}
	return append(dst, '0')
}

func appendHex(dst []byte, v uint16, digits int) []byte {
	for i := digits - 1; i >= 0; i-- {
		dst = append(dst, "0123456789ABCDEF"[v>>(4*i)&15])
	}
	return dst
}
