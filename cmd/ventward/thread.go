package main

import (
	"os"
	"runtime"
	"runtime/debug"

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
// system knows their ranks, Go's own scheduler doesn't.
const spareThreads = 6

// heapPercent is how much more than what is in use the heap may hold before the
// collector runs. It stops every thread each time, and where one of them waits
// for a processor all others wait with it: memory is cheaper than that.
const heapPercent = 400

// hasten makes room for threads and rare garbage collections. What the
// environment says of the latter (GOGC) holds.
func hasten() {
	runtime.GOMAXPROCS(runtime.NumCPU() + spareThreads)
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(heapPercent)
	}
}
