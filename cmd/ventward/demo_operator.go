package main

import (
	"context"
	"errors"
	"strconv"
	"time"

	"ventward/config"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/guard"
)

// Names of the demo's two persons, invented.
const (
	demoWho1 = "A. Rahn"
	demoWho2 = "B. Okoro"
)

// demoLeakPaS is the leak rate that the demo's operator enters, Pa/s: what the
// simulated fixture has, which is none.
const demoLeakPaS = 0.0

// freshDates moves certificates and proof tests of an invented bench that have
// run out, so that the demo works in any year.
func freshDates(b *config.Bench, today time.Time) {
	soon, next := today.AddDate(0, 1, 0).Format(time.DateOnly), today.AddDate(1, 0, 0).Format(time.DateOnly)
	for i := range b.Channels { // shared by detection and guard
		if c := &b.Channels[i]; c.CalDue != "" && c.CalDue < soon {
			c.CalDue = next
		}
	}
	for i := range b.Guard.Rules {
		if r := &b.Guard.Rules[i]; r.ProofDue != "" && r.ProofDue < soon {
			r.ProofDue = next
		}
	}
}

// enterSteps enters what the bench asks for before a day's first shot. The
// dump valve was just opened and shut to put the specimen in.
func (d *demo) enterSteps(ctx context.Context) error {
	today := time.Unix(0, d.time.Wall()).UTC().Format(time.DateOnly)
	if d.day == today {
		return nil
	}
	d.day = today
	for _, a := range []map[string]string{
		{"what": guard.EnterLeak, "value": strconv.FormatFloat(demoLeakPaS, 'g', -1, 64), "method": "as the simulated fixture is made"},
		{"what": guard.EnterDump, "method": "opened and shut when the specimen was put in"},
	} {
		a["date"] = today
		var later *dashboard.Refusal // a demo faster than the clock on the wall was here before, and entered a later day
		if _, err := d.daemon.command(ctx, daq.Command{Verb: "enter", Who: demoWho1, Args: a}); err != nil && !errors.As(err, &later) {
			return err
		}
	}
	return nil
}
