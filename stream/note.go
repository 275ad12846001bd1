package stream

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"ventward/daq"
	"ventward/guard"
)

// maxNotes bounds the history that the hub remembers; older ones are in the
// runs' records.
const maxNotes = 1000

// NoteKind tells what a note is about.
type NoteKind string

const (
	NoteAlarm   NoteKind = "alarm"   // an alarm changed its state
	NoteTrip    NoteKind = "trip"    // a trip latched, was reset, bypassed or no longer is
	NotePhase   NoteKind = "phase"   // the course of the test moved
	NoteCommand NoteKind = "command" // somebody asked for something
	NoteOutput  NoteKind = "output"  // an output was demanded on or off; in a run's journal only
)

// A Note is one line of the history of a bench: what happened, to what, by whom.
type Note struct {
	N        uint64   // grows by one with each note, from 1
	At       int64    // bench time, ns
	Kind     NoteKind //
	What     string   // raised, acknowledged, returned, reset, shelved, tripped, ...
	Subject  string   // rule, verb or phase
	Alarm    int      // id of the alarm; 0: none
	Priority guard.Priority
	Text     string // the alarm's message
	Who      string
	Reason   string // why it was silenced or bypassed, or why a command was refused
	Until    int64  // shelved or bypassed: bench time at which that ends, ns
	Refused  bool   // a command: it was not done
	First    bool   // first-out: no other alarm, or trip, was unresolved when it came
}

// notes is a ring of the newest notes.
type notes struct {
	list []Note
	n    uint64
}

func (l *notes) add(n Note) {
	l.n++
	n.N = l.n
	if len(l.list) >= maxNotes {
		l.list = slices.Delete(l.list, 0, maxNotes/10)
	}
	l.list = append(l.list, n)
}

// Notes returns, oldest first, what is remembered after note n, and how many
// notes there were in all.
func (h *Hub) Notes(after uint64) ([]Note, uint64) {
	h.mu.Lock()
	defer h.mu.Unlock()
	i, found := slices.BinarySearchFunc(h.notes.list, after, func(n Note, after uint64) int {
		switch {
		case n.N < after:
			return -1
		case n.N > after:
			return 1
		}
		return 0
	})
	if found {
		i++
	}
	return slices.Clone(h.notes.list[i:]), h.notes.n
}

// Command notes what a person asked for and what became of it.
func (h *Hub) Command(c daq.Command, refusal error, now int64) {
	n, ok := CommandNote(c, refusal, now)
	if !ok {
		return
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.notes.add(n)
}

// CommandNote tells what a person asked for and what became of it; refusal nil:
// it was done. False: there is nothing to tell, because the program asked, or
// because an alarm or a trip tells it by itself, with who did it.
func CommandNote(c daq.Command, refusal error, now int64) (Note, bool) {
	told := c.Verb == "acknowledge" || c.Verb == "shelve" || c.Verb == "out-of-service" || c.Verb == "bypass"
	if refusal == nil && (told || c.Who == "program") {
		return Note{}, false
	}
	n := Note{At: now, Kind: NoteCommand, What: "done", Subject: c.Verb, Who: c.Who, Text: subject(c), Reason: c.Args["reason"]}
	if n.Reason == "" {
		n.Reason = c.Args["override"]
	}
	if refusal != nil {
		n.What, n.Reason, n.Refused = "refused", refusal.Error(), true
	}
	return n, true
}

// subject is what a command is about: a rule, an alarm's number, an output, what
// was entered, and the two names of an arming.
func subject(c daq.Command) string {
	if c.Verb == "enter" {
		return enteredWords(c.Args)
	}
	var parts []string
	for _, k := range []string{"rule", "id", "output", "what", "subject", "value", "specimen", "who1", "who2"} {
		if v := c.Args[k]; v != "" && v != c.Who {
			parts = append(parts, v)
		}
	}
	return strings.Join(parts, ", ")
}

// enteredWords says what was entered, with units: what, of which channel or rule,
// the figure, the day on which it was done, until when it counts, and how.
func enteredWords(args map[string]string) string {
	parts := []string{args["what"]}
	add := func(before, v string) {
		if v != "" {
			parts = append(parts, before+v)
		}
	}
	add("", args["subject"])
	value := args["value"]
	if pa, err := strconv.ParseFloat(value, 64); err == nil && args["what"] == guard.EnterLeak {
		value = fmt.Sprintf("%.4g mbar/s", pa/100)
	}
	add("", value)
	add("done on ", args["date"])
	add("counts until ", args["until"])
	add("", args["method"])
	return strings.Join(parts, ", ")
}

// AlarmNote compares an alarm with what it was (nil: not yet raised). False: its
// state is the same.
func AlarmNote(was, a *guard.Alarm) (Note, bool) {
	old := guard.Normal
	if was != nil {
		old = was.State
	}
	what := became(old, a.State)
	if what == "" {
		return Note{}, false
	}
	n := Note{At: a.Changed, Kind: NoteAlarm, What: what, Subject: a.Rule, Alarm: a.ID, Priority: a.Priority, Text: a.Message, First: a.First && what == "raised"}
	if what == "acknowledged" || a.State.Silenced() {
		n.Who = a.Who
	}
	if a.State.Silenced() {
		n.Reason, n.Until = a.Reason, a.Until
	}
	return n, true
}

// became says in a word how an alarm went from a state to another; empty: it
// did not.
func became(old, now guard.AlarmState) string {
	if old == now {
		return ""
	}
	switch now {
	case guard.Unacknowledged:
		if old == guard.Acknowledged {
			return "announced again"
		}
		return "raised"
	case guard.Acknowledged:
		return "acknowledged"
	case guard.LatchedAcknowledged:
		if old == guard.LatchedUnacknowledged {
			return "acknowledged"
		}
		return "returned"
	case guard.ReturnedUnacknowledged, guard.LatchedUnacknowledged:
		return "returned"
	case guard.Shelved:
		return "shelved"
	case guard.OutOfService:
		return "out of service"
	case guard.SuppressedByDesign:
		return "suppressed by design"
	}
	switch {
	case old == guard.ReturnedUnacknowledged:
		return "acknowledged"
	case old == guard.LatchedAcknowledged:
		return "reset"
	case old.Silenced():
		return "back in force"
	}
	return "returned"
}

// noteState compares a state of the bench with the one before. The lock is held.
func (h *Hub) noteState(was, s *State) {
	if was == nil {
		return
	}
	for _, n := range CourseNotes(was.Phase, s.Phase, was.Trips, s.Trips, s.Now) {
		h.notes.add(n)
	}
}

// CourseNotes tells how the course of the test and its trips moved from one
// state to another by bench time now, ns. A trip that was not there before is
// not told.
func CourseNotes(wasPhase, phase string, was, trips []guard.Trip, now int64) (out []Note) {
	if wasPhase != phase {
		out = append(out, Note{At: now, Kind: NotePhase, What: "entered", Subject: phase})
	}
	for i := range trips {
		t := &trips[i]
		k := slices.IndexFunc(was, func(o guard.Trip) bool { return o.Rule == t.Rule })
		if k < 0 {
			continue
		}
		o := &was[k]
		switch {
		case t.Tripped && !o.Tripped:
			n := Note{At: t.Since, Kind: NoteTrip, What: "tripped", Subject: t.Rule, First: t.First}
			if t.First {
				n.Text = "first"
			}
			out = append(out, n)
		case !t.Tripped && o.Tripped:
			out = append(out, Note{At: now, Kind: NoteTrip, What: "reset", Subject: t.Rule})
		}
		switch {
		case t.Bypassed && !o.Bypassed:
			out = append(out, Note{At: now, Kind: NoteTrip, What: "bypassed", Subject: t.Rule, Who: t.BypassWho, Reason: t.BypassReason, Until: t.BypassUntil})
		case !t.Bypassed && o.Bypassed:
			out = append(out, Note{At: now, Kind: NoteTrip, What: "bypass over", Subject: t.Rule})
		}
	}
	return out
}
