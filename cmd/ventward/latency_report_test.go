package main

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

const (
	demandRounds = 4
	demandTrips  = 30 // in a round, however long a benchmark is asked to run: nearly all of its time goes by between trips
)

// demands is how long trips took under a load, and what else that cost.
type demands struct {
	name  string
	lines int // beside the first; 0: no load at all

	took, bare                       []time.Duration
	lasted, own, instruments, others time.Duration // clock time, and processor time: of this process, of its stand-in, of everybody else
	sent, lost                       float64       // rows
	early                            int64
}

// round trips some times with a daemon of its own.
func (d *demands) round(b *testing.B) {
	b.Helper()
	p := &part{TB: b}
	defer p.end()
	var s *standIn
	if d.lines == 0 {
		s = newStandIn(p)
	} else {
		s = newLoaded(p, d.lines)
	}
	began, own, machine, instruments := time.Now(), processTime(b), busyTime(b), s.instrumentTime()
	for range demandTrips {
		d.took = append(d.took, s.trip(p))
	}
	d.bare = append(d.bare, s.bare.took...)
	lasted, own := time.Since(began), processTime(b)-own
	d.lasted += lasted
	d.own += own
	d.others += busyTime(b) - machine - own
	d.instruments += s.instrumentTime() - instruments
	d.sent += 10e3 * lasted.Seconds() * float64(len(s.feeds))
	d.lost += float64(s.lost())
	d.early += s.early.Load()
}

func (d *demands) report(b *testing.B, idle *demands) {
	for name, q := range map[string]float64{"p50-µs": 0.5, "p99-µs": 0.99, "max-µs": 1} {
		b.ReportMetric(float64(quantile(d.took, q).Microseconds()), name)
		b.ReportMetric(float64(quantile(d.bare, q).Microseconds()), "bare-"+name)
	}
	b.ReportMetric(float64(quantile(d.took, 0.99))/float64(quantile(idle.took, 0.99)), "p99-ratio")
	b.ReportMetric((d.own-d.instruments).Seconds()/d.lasted.Seconds(), "cores")
	b.ReportMetric(d.instruments.Seconds()/d.lasted.Seconds(), "stand-in-cores")
	b.ReportMetric(d.others.Seconds()/d.lasted.Seconds(), "others-cores")
	b.ReportMetric(100*d.lost/d.sent, "lost-%")
	b.ReportMetric(float64(d.early), "begun-again")
	b.ReportMetric(0, "ns/op")
}

func quantile(took []time.Duration, q float64) time.Duration {
	slices.Sort(took)
	return took[int(math.Ceil(q*float64(len(took))))-1]
}

// A part of a benchmark cleans up at its own end.
type part struct {
	testing.TB
	after []func()
}

func (p *part) Cleanup(f func()) { p.after = append(p.after, f) }

func (p *part) end() {
	for _, f := range slices.Backward(p.after) {
		f()
	}
}

// instrumentTime is what the stand-in for instruments has had of the processors.
func (s *standIn) instrumentTime() time.Duration {
	return time.Duration(s.spent[0].Load() + s.spent[1].Load())
}

// threadTime is what the calling goroutine's own thread has had of them, ns.
func threadTime() int64 {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_THREAD_CPUTIME_ID, &t); err != nil {
		return 0
	}
	return t.Nano()
}

// processTime is what this process has had of them.
func processTime(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// busyTime is how long the machine's processors have worked: the first line of
// /proc/stat without idle and waiting for disks, in hundredths of a second
// (proc_stat(5)).
func busyTime(b *testing.B) (busy time.Duration) {
	b.Helper()
	text, err := os.ReadFile("/proc/stat")
	if err != nil {
		b.Fatal(err)
	}
	for i, f := range strings.Fields(strings.SplitN(string(text), "\n", 2)[0])[1:9] {
		var ticks int64
		if _, err := fmt.Sscan(f, &ticks); err != nil {
			b.Fatal(err)
		}
		if i != 3 && i != 4 {
			busy += time.Duration(ticks) * 10 * time.Millisecond
		}
	}
	return busy
}
