package main

import (
	"runtime"

	"golang.org/x/sys/unix"
)

// A rank is how far behind the program's other threads one stands in the line
// for the processor: what the system calls niceness, 0 the others' own.
type rank int

const (
	// foremost is for what a trip waits for: readers of lines, the loop, owners
	// of outputs. They do little and must do it at once.
	foremost rank = -10
	// behind is for what takes its time: fits, statistics, estimates. Not the
	// last place: the collector of garbage has to stop every thread now and
	// then, and a thread that never gets a processor would keep all others
	// waiting for that.
	behind rank = 5
)

// take gives the goroutine a thread of its own at rank r, for good: the thread
// ends with the goroutine. Where the system refuses, as it does to everybody
// without the right to come forward, the thread stays where it was.
func (r rank) take() error {
	runtime.LockOSThread()
	tid := unix.Gettid()
	others, err := niceness(tid)
	if err != nil {
		return err
	}
	return unix.Setpriority(unix.PRIO_PROCESS, tid, others+int(r))
}

// niceness is a thread's place among all of the computer: -20 the first, 0 the
// usual, 19 the last. The system call tells 20 less that, so as to tell it from
// an error: getpriority(2).
func niceness(tid int) (int, error) {
	n, err := unix.Getpriority(unix.PRIO_PROCESS, tid)
	return 20 - n, err
}

// spareThreads is how many threads more than there are processors may run Go
// code at once. Without them one that waits for a processor, though it
// computes for nobody in a hurry, would keep out one that is in a hurry: the
// system knows their places, Go's own scheduler doesn't.
const spareThreads = 6

// spare makes room for them.
func spare() { runtime.GOMAXPROCS(runtime.NumCPU() + spareThreads) }
