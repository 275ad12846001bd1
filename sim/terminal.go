package sim

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
)

// Sent is what a device has sent since the simulator began, so that loss can
// be told apart: on the line, in the device, or in whoever reads. Each row that
// the device numbered is in one of Rows, Unheard, Overrun, Lost and Cut, or still
// in its memory.
type Sent struct {
	Rows     uint64 `json:"rows"`     // whose message was handed to the terminal whole
	Messages uint64 `json:"messages"` //
	Bytes    uint64 `json:"bytes"`    //
	Unheard  uint64 `json:"unheard"`  // rows sent while nobody had the terminal open
	Overrun  uint64 `json:"overrun"`  // rows dropped because the reader was too slow and the device's memory full
	Lost     uint64 `json:"lost"`     // rows lost by a fault of the line (dropout, unplug)
	Damaged  uint64 `json:"damaged"`  // messages spoilt by a fault of the line
	Cut      uint64 `json:"cut"`      // rows whose message was cut off when the terminal went away
	Asked    uint64 `json:"asked"`    // questions that came whole, of a device that is asked
}

// terminal is one pseudo-terminal under a stable name. Nothing here waits.
type terminal struct {
	name   string
	link   string // symbolic link; empty: none
	master *os.File
	fd     int
	path   string // of the slave side

	queue  []byte // not yet taken by the kernel
	marks  []mark // messages in the queue
	limit  int    // bytes of device memory
	sent   Sent
	stuckT float64 // since when the kernel took nothing, s; < 0: it does
}

type mark struct {
	left int // bytes of the message still in the queue
	rows uint64
}

// openTerminal makes the terminal and its link.
func openTerminal(name, dir string) (*terminal, error) {
	t := &terminal{name: name, limit: 256 << 10, stuckT: -1, fd: -1}
	if dir != "" {
		t.link = filepath.Join(dir, name)
	}
	return t, t.plug()
}

// plug makes a new pseudo-terminal and points the stable name to it.
func (t *terminal) plug() error {
	m, s, err := pty.Open()
	if err != nil {
		return fmt.Errorf("terminal of %q: %w", t.name, err)
	}
	defer s.Close()
	if err = raw(int(s.Fd())); err != nil {
		m.Close()
		return fmt.Errorf("terminal of %q: raw mode: %w", t.name, err)
	}
	fd := int(m.Fd())
	if err = unix.SetNonblock(fd, true); err != nil {
		m.Close()
		return fmt.Errorf("terminal of %q: %w", t.name, err)
	}
	t.master, t.fd, t.path = m, fd, s.Name()
	if t.link == "" {
		return nil
	}
	tmp := t.link + ".new"
	os.Remove(tmp)
	if err = os.Symlink(t.path, tmp); err == nil {
		err = os.Rename(tmp, t.link)
	}
	if err != nil {
		t.unplug()
		return fmt.Errorf("terminal of %q: stable name: %w: give another folder for the links", t.name, err)
	}
	return nil
}

// raw switches off everything that a terminal does to bytes.
func raw(fd int) error {
	a, err := unix.IoctlGetTermios(fd, unix.TCGETS)
	if err != nil {
		return err
	}
	a.Iflag, a.Oflag, a.Lflag = 0, 0, 0
	a.Cflag = a.Cflag&^(unix.CSIZE|unix.PARENB) | unix.CS8 | unix.CREAD | unix.CLOCAL
	a.Cc[unix.VMIN], a.Cc[unix.VTIME] = 1, 0
	return unix.IoctlSetTermios(fd, unix.TCSETS, a)
}

// unplug takes the terminal away, and its name.
func (t *terminal) unplug() {
	if t.master == nil {
		return
	}
	if t.link != "" {
		os.Remove(t.link)
	}
	t.master.Close()
	t.master, t.fd = nil, -1
	for _, m := range t.marks {
		t.sent.Cut += m.rows
	}
	t.queue, t.marks = t.queue[:0], t.marks[:0]
}

// heard tells whether somebody has the slave side open.
func (t *terminal) heard() bool {
	if t.fd < 0 {
		return false
	}
	p := [1]unix.PollFd{{Fd: int32(t.fd)}}
	for {
		n, err := unix.Poll(p[:], 0)
		if errors.Is(err, unix.EINTR) {
			continue // a signal says nothing of the terminal
		}
		return err == nil && (n == 0 || p[0].Revents&unix.POLLHUP == 0)
	}
}

// send puts a message that carries rows rows into the device's memory.
func (t *terminal) send(msg []byte, rows int) {
	switch {
	case t.fd < 0:
		t.sent.Lost += uint64(rows)
	case len(t.queue)+len(msg) > t.limit:
		t.sent.Overrun += uint64(rows)
	default:
		t.queue = append(t.queue, msg...)
		t.marks = append(t.marks, mark{len(msg), uint64(rows)})
	}
}

// flush hands what it can to the kernel and tells whether nothing is left.
func (t *terminal) flush() bool {
	if len(t.queue) == 0 {
		return true
	}
	if !t.heard() {
		for _, m := range t.marks {
			t.sent.Unheard += m.rows
		}
		t.queue, t.marks = t.queue[:0], t.marks[:0]
		return true
	}
	done := 0
	for done < len(t.queue) {
		n, err := unix.Write(t.fd, t.queue[done:min(len(t.queue), done+4096)])
		if n > 0 {
			done += n
		}
		if errors.Is(err, unix.EINTR) {
			continue
		}
		if err != nil || n == 0 {
			break
		}
	}
	t.account(done)
	return len(t.queue) == 0
}

// account strikes n bytes from the queue.
func (t *terminal) account(n int) {
	t.sent.Bytes += uint64(n)
	t.queue = append(t.queue[:0], t.queue[n:]...)
	whole := 0
	for i := range t.marks {
		m := &t.marks[i]
		if n < m.left {
			m.left -= n
			break
		}
		n -= m.left
		t.sent.Rows += m.rows
		t.sent.Messages++
		whole++
	}
	t.marks = append(t.marks[:0], t.marks[whole:]...)
}

// receive returns what the other side has written.
func (t *terminal) receive(buf []byte) []byte {
	if t.fd < 0 {
		return nil
	}
	n, err := unix.Read(t.fd, buf)
	if err != nil || n <= 0 {
		return nil // EAGAIN: nothing; EIO: nobody has it open
	}
	return buf[:n]
}

// close ends the terminal for good.
func (t *terminal) close() { t.unplug() }
