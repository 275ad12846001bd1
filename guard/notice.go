package guard

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"ventward/daq"
)

// What the program notices of itself, by the argument what of a notice.
const (
	NoticeRecording   = "recording"   // the store takes what it is given
	NoticeSpace       = "space"       // value: free bytes
	NoticeForwarding  = "forwarding"  // value: lag of the copy, s
	NoticeLoop        = "loop"        // value: age of the entry last taken, s
	NoticeAwake       = "awake"       // the computer is kept from sleeping
	NoticeStandstill  = "standstill"  // the loop took nothing for a while; value: how long, s
	NoticeDescription = "description" // the bench description's file is the one that runs
)

// noticed is which rules a notice is for.
var noticed = map[string]RuleKind{
	NoticeRecording: Recording, NoticeSpace: SpaceLow, NoticeForwarding: Forwarding, NoticeLoop: LoopLate, NoticeAwake: "",
	NoticeStandstill: Standstill, NoticeDescription: Description,
}

// notice is the newest of its kind.
type notice struct {
	OK     bool   `json:"ok"`
	Reason string `json:"reason,omitempty"`
	At     int64  `json:"at"` // bench time, ns
}

// notice takes what the program itself noticed: Args what, ok ("true" or
// "false"), reason, and value where the rule states a limit.
func (g *Guard) notice(c daq.Command, what string, now int64) error {
	kind, known := noticed[what]
	if !known {
		return fmt.Errorf("notice: what = %q is not known: use recording, space, forwarding, loop, awake, standstill or description", what)
	}
	ok := c.Args["ok"] == "true"
	g.s.Notices[what] = notice{OK: ok, Reason: c.Args["reason"], At: now}
	for _, k := range g.notices {
		e := &g.conds[k]
		if e.kind != kind {
			continue
		}
		raw := g.noticeHolds(e, ok, c.Args["value"])
		if raw {
			e.What = what + ": " + c.Args["reason"]
		}
		g.set(e, raw, now, now)
	}
	if what == NoticeStandstill && !ok {
		g.stoodStill(now)
	}
	return nil
}

// stoodStill makes a running test safe: nobody watched it for a while, and the
// watchdog relay may have opened. It has to be armed and started again.
func (g *Guard) stoodStill(now int64) {
	switch g.s.Phase {
	case Armed, UnderTest, HoldingPressure:
		g.makeSafe(now)
	default:
		g.permit(false, now)
	}
}

// noticeHolds compares a notice's value with the rule's limit; without either
// the notice itself says whether all is well.
func (g *Guard) noticeHolds(c *condition, ok bool, value string) bool {
	v, err := strconv.ParseFloat(value, 64)
	if g.o.Rules[c.rule].Limit == 0 || err != nil || math.IsNaN(v) {
		return !ok
	}
	bound := c.edge
	if c.Raw {
		bound = c.back
	}
	c.Value = finite(v)
	return !ok || v*c.factor >= bound
}

// Wall tells the wall clock (ns since 1970-01-01 UTC) at bench time now. A
// jump of one against the other is an alarm and otherwise changes nothing:
// judgement runs on bench time. The alarm's condition is over at the next
// call. The date is used for proof tests and calibrations.
func (g *Guard) Wall(now, wall int64) {
	g.reach(now)
	offset := wall - now
	jump := offset - g.s.Offset
	known := g.s.Walled
	g.s.Offset, g.s.Walled = offset, true
	for _, k := range g.steps {
		c := &g.conds[k]
		limit := seconds(g.o.Rules[c.rule].StepS)
		raw := known && (jump >= limit || -jump >= limit)
		if raw {
			c.Value = float64(jump) * 1e-9
			c.What = fmt.Sprintf("the wall clock jumped by %+.3f s; times in the record run on", c.Value)
		}
		g.set(c, raw, now, now)
	}
	if day := wall / 86400e9; day != g.s.Day {
		g.s.Day = day
		g.dated(time.Unix(0, wall).UTC().Format(time.DateOnly), now)
	}
}

// Clock tells whether an instrument's clock is settled.
func (g *Guard) Clock(instrument int, settled bool) {
	if instrument >= 0 && instrument < len(g.s.Settled) {
		g.s.Settled[instrument] = settled
	}
}

// clocks is how many instruments the channels name.
func clocks(chans []daq.Channel) int {
	n := 0
	for i := range chans {
		n = max(n, chans[i].Instrument+1)
	}
	return n
}

// overdue names a date that is over: empty dates are not.
func overdue(due, date string) bool { return due != "" && date != "" && due < date }

func validPhases(ps []Phase) bool {
	return !slices.ContainsFunc(ps, func(p Phase) bool { return !slices.Contains(Phases(), p) })
}
