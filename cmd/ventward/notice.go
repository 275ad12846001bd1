package main

import (
	"fmt"

	"ventward/daq"
	"ventward/guard"
)

// lateNS is the age of an entry from which the loop counts as late: a tenth of
// what a stale rule commonly allows.
const lateNS = int64(100e6)

// notices remembers what the loop last told the guard of the program itself. A
// notice is an entry: it is sent when it changes, so that a replay hears it too.
type notices map[string]bool

// tell sends a notice when its state has changed.
func (l *loop) tell(what string, ok bool, reason string, value float64) {
	was, told := l.notices[what]
	if told && was == ok {
		return
	}
	l.notices[what] = ok
	if !ok {
		l.log.Warn().Str("what", what).Msg(reason)
	}
	l.step(message{entry: daq.Entry{Kind: daq.EntryCommand, Command: &daq.Command{Verb: "notice", Who: "program",
		Args: map[string]string{"what": what, "ok": fmt.Sprint(ok), "reason": reason, "value": fmt.Sprint(value)}}}})
}

// standstillNS is how long the loop may take nothing before that is told: as
// long as the watchdog relay waits for an edge, within bounds, for by then it
// has opened. Ticks come thirty times a second.
func (l *loop) standstillNS() int64 {
	s := l.bench.WatchdogS
	if s == 0 {
		s = 1
	}
	return int64(min(max(s, 0.5), 5) * 1e9)
}

// noticeStandstill tells the guard, before anything else is taken, that nothing
// was for a while: the program was stopped, the computer slept or was
// overloaded. What stood in the queues meanwhile is judged after that.
func (l *loop) noticeStandstill() {
	now, last := l.time.Now(), l.taken
	l.taken = now
	if last == 0 || now-last < l.standstillNS() {
		return
	}
	s := seconds(now - last)
	l.tell(guard.NoticeStandstill, false, fmt.Sprintf("the program stood still for %.2f s: nothing was watched", s), s)
}

// watchSelf tells the guard of what the program notices of itself: space on the
// disk, the loop's own lateness, and the copy to the database.
func (l *loop) watchSelf() {
	if free := l.health.free.Load(); free > 0 {
		why := tooLittle(l.bench, free)
		l.tell(guard.NoticeSpace, why == "", why, float64(free))
	}
	l.tell(guard.NoticeLoop, l.lag < lateNS, fmt.Sprintf("readings wait %.2g s for the loop", seconds(l.lag)), seconds(l.lag))
	l.tell(guard.NoticeStandstill, true, "", 0)
	if l.file != nil {
		why := l.file.changed()
		l.tell(guard.NoticeDescription, why == "", why, 0)
	}
	if l.awake != nil {
		if w := l.awake.told.Load(); w != nil {
			l.tell(guard.NoticeAwake, w.ok, w.why, 0)
		}
	}
	if l.forward != nil {
		f := l.forward.Status()
		l.tell(guard.NoticeForwarding, (f.Up || f.Error == "") && f.BehindS < forwardLateS, "the copy to the database is behind: "+f.Error, f.BehindS)
	}
}

// forwardLateS is how far the copy to the database may be behind, s.
const forwardLateS = 60
