package wire_test

import (
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"ventward/daq"
	"ventward/daq/port"
	"ventward/daq/wire"
)

// A tap decodes what a Link reads and keeps the account: every row that the
// device numbered is either there, with the values that belong to its number,
// or counted as lost.
type tap struct {
	mu      sync.Mutex
	decoder daq.Decoder
	value   func(seq uint64, column int) int32
	first   uint64
	next    uint64
	begun   bool
	wrong   int
	rows    uint64
	epoch   uint32
	ups     chan struct{}
	buf     []*daq.Batch
}

func (p *tap) Up() {
	p.mu.Lock()
	p.decoder.Reset()
	p.mu.Unlock()
	p.ups <- struct{}{}
}

func (p *tap) Down(error) {
	p.mu.Lock()
	p.decoder.Reset()
	p.mu.Unlock()
}

func (p *tap) Bytes(b []byte, at int64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.buf = p.decoder.Feed(b, at, p.buf[:0])
	for _, b := range p.buf {
		p.take(b)
	}
}

func (p *tap) take(b *daq.Batch) {
	if !p.begun {
		p.first, p.next, p.begun = b.Seq, b.Seq, true
	}
	if b.Seq != p.next+uint64(b.Lost) || b.Epoch < p.epoch {
		p.wrong++
	}
	for k := range b.K {
		for c := range b.N {
			if b.Counts[k*b.N+c] != p.value(b.Seq+uint64(k), c) {
				p.wrong++
			}
		}
	}
	p.next, p.epoch = b.Seq+uint64(b.K), b.Epoch
	p.rows += uint64(b.K)
}

func (p *tap) awaitRow(t *testing.T, seq uint64) {
	t.Helper()
	for end := time.Now().Add(patience); ; time.Sleep(5 * time.Millisecond) {
		p.mu.Lock()
		next, n := p.next, p.decoder.Counters()
		p.mu.Unlock()
		if next >= seq {
			return
		}
		if time.Now().After(end) {
			t.Fatalf("at row %d, waiting for %d: %+v", next, seq, n)
		}
	}
}

func (p *tap) account(t *testing.T, name string, lossless bool) {
	t.Helper()
	p.mu.Lock()
	defer p.mu.Unlock()
	n := p.decoder.Counters()
	if p.wrong != 0 || n.Rows != p.rows || p.next-p.first != n.Rows+n.LostRows {
		t.Errorf("%s: rows %d to %d, %d wrong, %+v", name, p.first, p.next, p.wrong, n)
	}
	if lossless && (n.LostRows != 0 || n.Bad != 0) {
		t.Errorf("%s: %+v", name, n)
	}
	t.Logf("%s: %d rows, %d lost, %d epochs", name, n.Rows, n.LostRows, p.epoch+1)
}

// replaceable is a device behind a stable name that can be unplugged.
type replaceable struct {
	name   string
	master *os.File
}

func (r *replaceable) plug(t *testing.T) {
	t.Helper()
	m, s, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.Close(); s.Close() })
	os.Remove(r.name)
	if err := os.Symlink(s.Name(), r.name); err != nil {
		t.Fatal(err)
	}
	r.master = m
}

// Eight columns as frames, unplugged in mid-stream while the device goes on
// counting, beside two columns as lines, on real pseudo-terminals.
func TestStreamsKeepTheAccount(t *testing.T) {
	fd, err := wire.NewFrame(wire.FrameOptions{Columns: 8}, daq.Instrument{RateHz: 10000, TickHz: 1e6}, 0)
	if err != nil {
		t.Fatal(err)
	}
	lo := wire.LineOptions{Delimiter: ",", Fields: 4, Columns: []wire.LineColumn{{Field: 2, Decimals: 2}, {Field: 3}}, SeqField: 0, SeqWrap: 65536, TickField: 1, Checksum: wire.ChecksumCRC16}
	ld, err := wire.NewLine(lo, daq.Instrument{RateHz: 1000, TickHz: 1e6}, 1)
	if err != nil {
		t.Fatal(err)
	}
	value := func(seq uint64, c int) int32 { return int32(seq)*8 + int32(c) - 70000 }
	frames := &tap{decoder: fd, value: value, ups: make(chan struct{}, 8)}
	lines := &tap{decoder: ld, value: value, ups: make(chan struct{}, 8)}
	fast := &replaceable{name: filepath.Join(t.TempDir(), "fast")}
	slow := &replaceable{name: filepath.Join(t.TempDir(), "slow")}
	for dev, p := range map[*replaceable]*tap{fast: frames, slow: lines} {
		dev.plug(t)
		l, err := port.Open(port.Options{Path: dev.name, Baud: 921600, LockDir: t.TempDir(), ReopenMin: 5 * time.Millisecond, ReopenMax: 5 * time.Millisecond}, p)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		<-p.ups
	}

	var senders sync.WaitGroup
	senders.Go(func() { // 70000 rows: across the wrap of its 16-bit sequence
		var buf []byte
		slow.master.Write([]byte("torn\n"))
		for seq := uint64(0); seq < 70000; seq++ {
			buf = wire.AppendLine(buf, &lo, seq, 1000*seq, []int32{value(seq, 0), value(seq, 1)})
			if seq%50 == 49 {
				slow.master.Write(buf)
				buf = buf[:0]
			}
		}
	})
	seq := uint64(1<<32 - 40000) // across the wrap of its 32-bit sequence
	send := func(n int) {
		var buf []byte
		f := wire.Frame{Columns: 8, Counts: make([]int32, 8*50)}
		for range n {
			f.Seq, f.Tick = uint32(seq), 100*seq
			for i := range f.Counts {
				f.Counts[i] = value(seq+uint64(i/8), i%8)
			}
			buf, _ = wire.AppendFrame(buf[:0], &f)
			fast.master.Write(buf)
			seq += 50
		}
	}
	send(1000)
	frames.awaitRow(t, seq)
	frames.account(t, "frames before the unplug", true)
	fast.master.Write([]byte{9, 9, 9}) // a torn frame
	fast.master.Close()
	seq += 12_345 // the device goes on counting
	fast.plug(t)
	<-frames.ups
	send(1000)
	frames.awaitRow(t, seq)
	frames.account(t, "frames", false)
	frames.mu.Lock()
	n := fd.Counters()
	frames.mu.Unlock()
	if n.LostRows != 12_345 || n.Resets != 1 {
		t.Errorf("%+v", n)
	}
	senders.Wait()
	lines.awaitRow(t, 70000)
	lines.account(t, "lines", true)
}
