package stream

import (
	"encoding/binary"
	"fmt"
	"math"

	"ventward/daq"
)

// A frame is one binary websocket message, little-endian:
//
//	header, 24 bytes
//	 0  u8   kind: 1 live bins, 2 bins of the whole run so far
//	 1  u8   version: 1
//	 2  u16  number of blocks
//	 4  u32  sequence number of the frame; a merged frame has that of its newest part
//	 8  f64  bench time at which the frame was made, s
//	16  f64  width of a bin, s
//	block, one for each channel that has something new
//	 0  u16  channel: index in the channel table of the hello message
//	 2  u16  number of bins n
//	 4  u32  zero
//	 8  f64  bench time of the channel's newest reading, s
//	16  f64  bench time at which the first bin begins, s
//	24  n bins, 20 bytes each, by increasing time
//	     0  u32  bins after the first one
//	     4  f32  smallest reading (Pa, °C, V, A, N; NaN: a gap)
//	     8  f32  largest reading
//	    12  f32  last reading
//	    16  u16  quality: every flag that any reading of the bin carried
//	    18  u16  quality of the last reading
//
// Quality bits are those of daq.Quality, Missing being bit 0. The receiver
// merges a bin into what it has of the same stretch: smaller min, larger max,
// newer last. A bin may come in parts and more than once.
const (
	FrameLive    = 1
	FrameRun     = 2
	FrameVersion = 1

	// Widths outside these (1 ms, a day) are no bins. A day in s is as a double
	// exact to far less than a ns, 50 days are not.
	minWidth = 1e6
	maxWidth = 86400 * 1e9

	// maxSeconds bounds bench time: what int64 holds in ns, with room.
	maxSeconds = 4e9

	headerSize = 24
	blockSize  = 24
	binSize    = 20
)

// A Block is one channel's part of a frame.
type Block struct {
	Channel daq.ChannelID
	Newest  int64 // bench time of the newest reading, ns
	Bins    []Bin // by increasing index
}

// A Frame is what viewers are sent of the samples. It is never changed once
// made: all viewers share it.
type Frame struct {
	Kind   uint8
	Seq    uint32
	Now    int64 // bench time at which it was made, ns
	Width  int64 // of a bin, ns
	Blocks []Block
	data   []byte
}

// Bytes is the frame as it goes over the wire. The slice is shared: read only.
func (f *Frame) Bytes() []byte {
	if f.data != nil {
		return f.data
	}
	return f.encode()
}

// encode never returns more than what a u16 can count: longer blocks and
// tables lose their oldest bins, which the bounds of Hub exclude.
func (f *Frame) encode() []byte {
	size := headerSize
	for _, b := range f.Blocks {
		size += blockSize + binSize*len(b.Bins)
	}
	p := make([]byte, 0, size)
	le := binary.LittleEndian
	p = append(p, f.Kind, FrameVersion)
	p = le.AppendUint16(p, uint16(len(f.Blocks)))
	p = le.AppendUint32(p, f.Seq)
	p = appendSeconds(p, f.Now)
	p = appendSeconds(p, f.Width)
	for _, b := range f.Blocks {
		p = appendBlock(p, b, f.Width)
	}
	return p
}

func appendBlock(p []byte, b Block, width int64) []byte {
	le := binary.LittleEndian
	bins := b.Bins
	if len(bins) > math.MaxUint16 {
		bins = bins[len(bins)-math.MaxUint16:]
	}
	var first int64
	if len(bins) > 0 {
		first = bins[0].Index
	}
	p = le.AppendUint16(p, uint16(b.Channel))
	p = le.AppendUint16(p, uint16(len(bins)))
	p = le.AppendUint32(p, 0)
	p = appendSeconds(p, b.Newest)
	p = appendSeconds(p, first*width)
	for _, c := range bins {
		p = le.AppendUint32(p, uint32(c.Index-first))
		p = le.AppendUint32(p, math.Float32bits(c.Min))
		p = le.AppendUint32(p, math.Float32bits(c.Max))
		p = le.AppendUint32(p, math.Float32bits(c.Last))
		p = le.AppendUint16(p, uint16(c.Worst))
		p = le.AppendUint16(p, uint16(c.LastQ))
	}
	return p
}

func appendSeconds(p []byte, ns int64) []byte {
	return binary.LittleEndian.AppendUint64(p, math.Float64bits(float64(ns)/1e9))
}

// DecodeFrame reads a frame. The error says at which byte what was wrong.
func DecodeFrame(p []byte) (*Frame, error) {
	if len(p) < headerSize {
		return nil, fmt.Errorf("frame of %d bytes: a header has %d", len(p), headerSize)
	}
	if p[0] != FrameLive && p[0] != FrameRun {
		return nil, fmt.Errorf("frame kind %d: known are %d and %d", p[0], FrameLive, FrameRun)
	}
	if p[1] != FrameVersion {
		return nil, fmt.Errorf("frame version %d: this program reads version %d", p[1], FrameVersion)
	}
	le := binary.LittleEndian
	f := &Frame{Kind: p[0], Seq: le.Uint32(p[4:])}
	var ok, ok2 bool
	f.Now, ok = seconds(p[8:])
	f.Width, ok2 = seconds(p[16:])
	if !ok || !ok2 || f.Width < minWidth || f.Width > maxWidth {
		return nil, fmt.Errorf("frame header: time or bin width is no usable number")
	}
	at := headerSize
	for i := 0; i < int(le.Uint16(p[2:])); i++ {
		b, next, err := decodeBlock(p, at, f.Width)
		if err != nil {
			return nil, err
		}
		f.Blocks = append(f.Blocks, b)
		at = next
	}
	if at != len(p) {
		return nil, fmt.Errorf("frame: %d bytes after the last block at byte %d", len(p)-at, at)
	}
	return f, nil
}

func decodeBlock(p []byte, at int, width int64) (Block, int, error) {
	le := binary.LittleEndian
	if len(p)-at < blockSize {
		return Block{}, 0, fmt.Errorf("frame: block at byte %d cut short", at)
	}
	h := p[at : at+blockSize]
	n := int(le.Uint16(h[2:]))
	newest, ok := seconds(h[8:])
	first, ok2 := seconds(h[16:])
	if !ok || !ok2 {
		return Block{}, 0, fmt.Errorf("frame: block at byte %d has a time that is no usable number", at)
	}
	if len(p)-at-blockSize < n*binSize {
		return Block{}, 0, fmt.Errorf("frame: block at byte %d promises %d bins and holds fewer", at, n)
	}
	b := Block{Channel: daq.ChannelID(le.Uint16(h)), Newest: newest}
	index := floorDiv(first+width/2, width)
	at += blockSize
	for i := 0; i < n; i++ {
		q := p[at : at+binSize]
		c := Bin{
			Index: index + int64(le.Uint32(q)),
			Min:   math.Float32frombits(le.Uint32(q[4:])),
			Max:   math.Float32frombits(le.Uint32(q[8:])),
			Last:  math.Float32frombits(le.Uint32(q[12:])),
			Worst: daq.Quality(le.Uint16(q[16:])),
			LastQ: daq.Quality(le.Uint16(q[18:])),
		}
		if i == 0 && c.Index != index || i > 0 && c.Index <= b.Bins[i-1].Index {
			return Block{}, 0, fmt.Errorf("frame: bin at byte %d is not after the one before it", at)
		}
		if math.Abs(float64(c.Index)*float64(width)) > maxSeconds*1e9 {
			return Block{}, 0, fmt.Errorf("frame: bin at byte %d lies beyond any bench time", at)
		}
		b.Bins = append(b.Bins, c)
		at += binSize
	}
	return b, at, nil
}

// seconds reads an f64 of seconds as ns; false where it is out of range.
func seconds(p []byte) (int64, bool) {
	v := math.Float64frombits(binary.LittleEndian.Uint64(p))
	if !(math.Abs(v) < maxSeconds) {
		return 0, false
	}
	return int64(math.Round(v * 1e9)), true
}

// mergeFrames joins consecutive live frames into one that says the same: for
// each channel and bin the smallest, largest and last of all parts, so that a
// viewer who skipped frames misses no spike.
func mergeFrames(frames []*Frame) *Frame {
	last := frames[len(frames)-1]
	out := &Frame{Kind: last.Kind, Seq: last.Seq, Now: last.Now, Width: last.Width}
	at := map[daq.ChannelID]int{}
	for _, f := range frames {
		for _, b := range f.Blocks {
			i, ok := at[b.Channel]
			if !ok {
				i = len(out.Blocks)
				at[b.Channel] = i
				out.Blocks = append(out.Blocks, Block{Channel: b.Channel})
			}
			o := &out.Blocks[i]
			o.Newest = b.Newest
			for _, c := range b.Bins {
				o.Bins = mergeBin(o.Bins, c)
			}
		}
	}
	return out
}
