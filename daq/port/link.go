package port

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sys/unix"
)

// Errors that a Link's calls wrap.
var (
	ErrClosed       = errors.New("the link is closed")
	ErrDown         = errors.New("the device is away")
	ErrTimeout      = errors.New("the device takes no bytes")
	ErrNotSupported = errors.New("not supported on this port")
)

// An Owner is told what happens to a port. Its methods are called from the
// Link's reader goroutine, one at a time, the first of them maybe before Open
// returns. They must not wait and must not call Close.
type Owner interface {
	// Bytes takes what one read brought, at bench time at. p is valid during
	// the call.
	Bytes(p []byte, at int64)
	// Up tells that the device was opened, for the first time or again.
	Up()
	// Down tells that the device went away, or could not be opened for the
	// first time (Options.Patient). It is told once for each time.
	Down(err error)
}

// Stats counts what a Link has met. Every field only grows.
type Stats struct {
	BytesIn, BytesOut uint64
	Reads             uint64 // reads that brought bytes
	Opens             uint64 // successful openings
	Losses            uint64 // times the device went away
	Attempts          uint64 // attempts to reopen it that failed
	WriteErrors       uint64 // writes that failed, timeouts included
	WriteTimeouts     uint64
}

// A Link is one serial port with one reader goroutine, which always drains it,
// and which reopens it when the device goes away.
type Link struct {
	o     Options
	owner Owner

	mu  sync.Mutex // held by whoever uses dev other than to read
	dev *device    // nil while the device is away

	closing atomic.Bool   // Close was called: an error of Read is ours
	stop    chan struct{} // closed by Close
	done    chan struct{} // closed by the reader goroutine
	closed  error         // of the device's close; read after done

	bytesIn, bytesOut, reads, opens, losses, attempts, writeErrors, writeTimeouts atomic.Uint64
}

// Open opens the port and starts to read it. It fails when the options can't
// be, and, unless they say Patient, when the device isn't there, is in use or
// isn't a serial port.
func Open(o Options, owner Owner) (*Link, error) {
	if err := o.Check(); err != nil {
		return nil, err
	}
	o.setDefaults()
	l := &Link{o: o, owner: owner, stop: make(chan struct{}), done: make(chan struct{})}
	d, err := open(&l.o)
	if err != nil && !o.Patient {
		return nil, err
	}
	if err == nil {
		l.setUp(d)
	}
	go l.run(d, err)
	return l, nil
}

// run is the reader goroutine: it reads the device until it goes away, and
// opens it again.
func (l *Link) run(d *device, err error) {
	defer close(l.done)
	for {
		if d != nil {
			l.owner.Up()
			err = l.read(d)
			l.setDown(d)
		}
		if l.closing.Load() {
			return
		}
		l.owner.Down(err)
		if d = l.reopen(); d == nil {
			return
		}
	}
}

// read passes bytes on until the device goes away or the link is closed.
func (l *Link) read(d *device) error {
	buf := make([]byte, 32<<10)
	for !l.closing.Load() {
		n, err := d.port.Read(buf)
		at := l.o.Now()
		if n > 0 {
			l.bytesIn.Add(uint64(n))
			l.reads.Add(1)
			l.owner.Bytes(buf[:n], at)
		}
		if err != nil && !errors.Is(err, unix.EAGAIN) {
			if l.closing.Load() {
				return ErrClosed
			}
			l.losses.Add(1)
			return fmt.Errorf("port: %s went away: %w; readings go on when it is back", d.path, err)
		}
	}
	return ErrClosed
}

func (l *Link) setUp(d *device) {
	l.mu.Lock()
	l.dev = d
	l.mu.Unlock()
	l.opens.Add(1)
}

// setDown closes the device. Nobody reads it any more, and nobody writes while
// the mutex is held: its descriptor can't be used by mistake once another file
// has it.
func (l *Link) setDown(d *device) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.dev = nil
	if err := d.close(); l.closing.Load() {
		l.closed = err
	}
}

// reopen tries until the device is back, or returns nil when the link is closed.
func (l *Link) reopen() *device {
	wait := l.o.ReopenMin
	for {
		timer := time.NewTimer(wait)
		select {
		case <-l.stop:
			timer.Stop()
			return nil
		case <-timer.C:
		}
		if d, err := open(&l.o); err == nil {
			l.setUp(d)
			return d
		}
		l.attempts.Add(1)
		wait = min(2*wait, l.o.ReopenMax)
	}
}

// Write hands all of p to the port, or fails within the write timeout. After a
// timeout what the system still held is thrown away: a command must not go out
// long after it was given up.
func (l *Link) Write(p []byte) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	err := l.write(p)
	if err != nil {
		l.writeErrors.Add(1)
	}
	return err
}

func (l *Link) write(p []byte) error {
	end := time.Now().Add(l.o.WriteTimeout)
	for sent := 0; sent < len(p); {
		if l.closing.Load() {
			return fmt.Errorf("port: %s: %w", l.o.Path, ErrClosed)
		}
		if l.dev == nil {
			return fmt.Errorf("port: %s: %w; plug it in", l.o.Path, ErrDown)
		}
		n, err := l.dev.port.Write(p[sent:])
		sent += n
		l.bytesOut.Add(uint64(n))
		if n > 0 {
			continue
		}
		if err != nil && !errors.Is(err, unix.EAGAIN) && !errors.Is(err, unix.EINTR) {
			return fmt.Errorf("port: %s: %w (%v); plug it in", l.o.Path, ErrDown, err)
		}
		if !time.Now().Before(end) {
			l.writeTimeouts.Add(1)
			_ = l.dev.port.ResetOutputBuffer()
			return fmt.Errorf("port: %s: %w: %d of %d bytes in %v; check the device and its flow control", l.o.Path, ErrTimeout, sent, len(p), l.o.WriteTimeout)
		}
		l.dev.waitWritable(10 * time.Millisecond)
	}
	return nil
}

// waitWritable waits until the port may take bytes, or for d.
func (d *device) waitWritable(limit time.Duration) {
	fds := []unix.PollFd{{Fd: int32(d.handle), Events: unix.POLLOUT}}
	n, err := unix.Poll(fds, int(limit.Milliseconds()))
	if err != nil || n == 0 || fds[0].Revents&unix.POLLOUT == 0 {
		return
	}
	// Some drivers call themselves writable and then take nothing.
	time.Sleep(time.Millisecond)
}

// SetRTS sets the request-to-send line. The error wraps ErrNotSupported where
// the port has none, as on a pseudo-terminal.
func (l *Link) SetRTS(on bool) error {
	return l.setLine("RTS", func(d *device) error { return d.port.SetRTS(on) })
}

// SetDTR sets the data-terminal-ready line, as SetRTS does.
func (l *Link) SetDTR(on bool) error {
	return l.setLine("DTR", func(d *device) error { return d.port.SetDTR(on) })
}

func (l *Link) setLine(name string, set func(*device) error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closing.Load() {
		return fmt.Errorf("port: %s: %s: %w", l.o.Path, name, ErrClosed)
	}
	if l.dev == nil {
		return fmt.Errorf("port: %s: %s: %w; plug it in", l.o.Path, name, ErrDown)
	}
	err := set(l.dev)
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.ENOTTY), errors.Is(err, unix.EINVAL), errors.Is(err, unix.ENOSYS), errors.Is(err, unix.EOPNOTSUPP):
		return fmt.Errorf("port: %s: %s is %w (%v); use a port with modem lines, or another output", l.o.Path, name, ErrNotSupported, err)
	}
	return fmt.Errorf("port: %s: can't set %s: %w; check the device", l.o.Path, name, err)
}

// Device returns the resolved path of the device in use, empty while it is away.
func (l *Link) Device() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.dev == nil {
		return ""
	}
	return l.dev.path
}

// Stats returns what the link has met so far.
func (l *Link) Stats() Stats {
	return Stats{
		BytesIn: l.bytesIn.Load(), BytesOut: l.bytesOut.Load(), Reads: l.reads.Load(), Opens: l.opens.Load(), Losses: l.losses.Load(),
		Attempts: l.attempts.Load(), WriteErrors: l.writeErrors.Load(), WriteTimeouts: l.writeTimeouts.Load(),
	}
}

// Close stops the reader, waits for it and closes the port. A Write under way
// ends at once. It takes up to the read timeout of 100 ms. Further calls do nothing.
func (l *Link) Close() error {
	if l.closing.CompareAndSwap(false, true) {
		close(l.stop)
	}
	<-l.done
	return l.closed
}
