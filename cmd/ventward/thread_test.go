package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// What a trip waits for stands before everything else on the computer, and
// what takes its time behind: a reader for each of the example's three lines,
// the owner of the one that is asked, the loop; the fits, and the two rooms
// that work for the page. Nobody else's place is changed.
func TestThreadsOfTheDaemon(t *testing.T) {
	r := newRig(t, 4, nil)
	r.serve()
	r.await("fresh sensors and a beating watchdog", 20*time.Second, ready)
	ranks := threadRanks(t, r.daemon.Process.Pid)
	t.Logf("threads by rank: %v", ranks)
	if ranks[behind] != 3 {
		t.Errorf("%d threads stand behind, want 3", ranks[behind])
	}
	if want := 5; ranks[foremost] == 0 && mayNotComeForward() {
		if !strings.Contains(r.daemonE.String(), "LimitNICE=-10") {
			t.Errorf("not let come forward, and the log doesn't tell how to allow it: %s", r.daemonE)
		}
	} else if ranks[foremost] != want {
		t.Errorf("%d threads stand before others, want %d", ranks[foremost], want)
	}
	if len(ranks) > 3 || ranks[0] == 0 {
		t.Errorf("threads by rank %v, want everybody else at 0", ranks)
	}
}

// mayNotComeForward tells whether the system refuses it to this process too.
func mayNotComeForward() bool {
	refused := make(chan bool)
	go func() { refused <- foremost.take() != nil }() // the thread ends with it
	return <-refused
}

// usualNiceness is what this process began with, and what it starts has.
var usualNiceness, _ = niceness(os.Getpid())

// threadRanks counts the threads of a process by their rank.
func threadRanks(t *testing.T, pid int) map[rank]int {
	t.Helper()
	dirs, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*", pid))
	if err != nil || len(dirs) == 0 {
		t.Fatalf("no threads of process %d: %v", pid, err)
	}
	ranks := map[rank]int{}
	for _, d := range dirs {
		var tid int
		if _, err := fmt.Sscan(filepath.Base(d), &tid); err != nil {
			t.Fatal(err)
		}
		if n, err := niceness(tid); err == nil { // else it has ended meanwhile
			ranks[rank(n-usualNiceness)]++
		}
	}
	return ranks
}

// A daemon that has ended leaves no thread that runs before others: what is
// locked to a goroutine ends with it.
func TestThreadsEndWithTheDaemon(t *testing.T) {
	before := threadRanks(t, os.Getpid())[foremost]
	p := &part{TB: t}
	newStandIn(p)
	p.end()
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		if now := threadRanks(t, os.Getpid())[foremost]; now <= before+1 { // a process's first thread can't end: it sleeps for good
			return
		} else if time.Now().After(end) {
			t.Fatalf("%d threads run before others after the daemon has ended, %d before it began", now, before)
		}
	}
}
