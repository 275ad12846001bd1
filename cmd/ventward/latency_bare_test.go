package main

import (
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// A bareWay is two terminals and a thread that writes to one what it reads
// from the other: the way of a trip without the program.
type bareWay struct {
	near, far           *os.File // where the instrument and the relay are
	nearSlave, farSlave *os.File // where the program would be
	in, through, out    int      // descriptors of near, nearSlave and farSlave
	arrives             int      // that of far
	arrived             chan int64
	took                []time.Duration
}

func newBareWay(b testing.TB) *bareWay {
	w := &bareWay{arrived: make(chan int64, 64)}
	w.near, w.nearSlave = terminalPair(b)
	w.far, w.farSlave = terminalPair(b)
	// Taken here: close may come before the goroutines have begun.
	w.in, w.through, w.out, w.arrives = int(w.near.Fd()), blocking(w.nearSlave), blocking(w.farSlave), blocking(w.far)
	return w
}

func (w *bareWay) send() { unix.Write(w.in, []byte("over the limit")) }

// relay does what the program does, without anything between.
func (w *bareWay) relay() {
	_ = foremost.take()
	eachRead(w.through, func(p []byte) { unix.Write(w.out, p) })
}

// watch tells when something came out.
func (w *bareWay) watch() {
	_ = foremost.take()
	eachRead(w.arrives, func([]byte) { w.arrived <- time.Now().UnixNano() })
}

// await notes how long what was sent at that time took.
func (w *bareWay) await(b testing.TB, sent int64) {
	b.Helper()
	select {
	case at := <-w.arrived:
		w.took = append(w.took, time.Duration(at-sent))
	case <-time.After(5 * time.Second):
		b.Fatal("what was sent through two bare terminals did not arrive within 5 s")
	}
}

// close ends relay and watch by taking their other ends away.
func (w *bareWay) close() {
	w.near.Close()
	w.farSlave.Close()
}

// end closes what is left once they have ended.
func (w *bareWay) end() {
	w.nearSlave.Close()
	w.far.Close()
}

// eachRead reads until the other end is gone.
func eachRead(fd int, do func([]byte)) {
	buf := make([]byte, 256)
	for {
		n, err := unix.Read(fd, buf)
		switch {
		case err == unix.EINTR:
		case err != nil || n == 0:
			return
		default:
			do(buf[:n])
		}
	}
}

// blocking is the descriptor of a file whose reader waits in the system itself:
// the runtime's own way of waiting takes a detour through another thread.
func blocking(f *os.File) int {
	fd := int(f.Fd())
	_ = unix.SetNonblock(fd, false)
	return fd
}
