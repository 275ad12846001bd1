package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"time"
)

// awake keeps the computer from sleeping while a bench is watched, where there
// is a system manager that can forbid it, and says where nothing can.
type awake struct {
	manager string // exists while the system manager runs
	states  string // lists the states into which the computer can sleep
	told    atomic.Pointer[wakefulness]
}

// wakefulness is what is known of it.
type wakefulness struct {
	ok  bool
	why string
}

func newAwake() *awake { return &awake{manager: "/run/systemd/system", states: "/sys/power/state"} }

// holdAgain is the pause before sleep is forbidden again after the helper ended.
const holdAgain = 10 * time.Second

// run holds sleep off until ctx is done. The lock is a child's that reads from
// us: it goes when we do, however that is.
func (a *awake) run(ctx context.Context) {
	if states, err := os.ReadFile(a.states); err != nil || strings.TrimSpace(string(states)) == "" {
		a.tell(true, "this computer cannot sleep")
		<-ctx.Done()
		return
	}
	if _, err := os.Stat(a.manager); err != nil {
		a.tell(false, "no system manager runs here that could forbid sleep")
		<-ctx.Done()
		return
	}
	for ctx.Err() == nil {
		err := a.hold(ctx)
		if ctx.Err() != nil {
			return
		}
		a.tell(false, fmt.Sprintf("sleep is no longer forbidden: %v", err))
		select {
		case <-time.After(holdAgain):
		case <-ctx.Done():
		}
	}
}

// hold forbids sleep as long as the helper runs.
func (a *awake) hold(ctx context.Context) error {
	c := exec.CommandContext(ctx, "systemd-inhibit", "--what=sleep:idle:handle-lid-switch", "--who=Ventward", "--why=a bench is being watched", "--mode=block",
		"sh", "-c", "echo held; cat >/dev/null")
	in, err := c.StdinPipe()
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := c.StdoutPipe()
	if err != nil {
		return err
	}
	if err := c.Start(); err != nil {
		return err
	}
	var word [4]byte
	if n, _ := out.Read(word[:]); n > 0 { // it says so once it has the lock
		a.tell(true, "sleep is forbidden")
	}
	if err := c.Wait(); err != nil {
		return err
	}
	return fmt.Errorf("the helper ended")
}

func (a *awake) tell(ok bool, why string) { a.told.Store(&wakefulness{ok, why}) }
