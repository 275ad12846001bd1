package stream

import (
	"slices"

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

// Command notes what a person asked for and what became of it. What an alarm or
// a trip tells by itself, with who did it, is not noted twice.
func (h *Hub) Command(c daq.Command, refusal error, now int64) {
	if c.Who == "program" && refusal == nil {
		return
	}
	told := c.Verb == "acknowledge" || c.Verb == "shelve" || c.Verb == "out-of-service" || c.Verb == "bypass"
	if told && refusal == nil {
		return
	}
	n := Note{At: now, Kind: NoteCommand, What: "done", Subject: c.Verb, Who: c.Who, Text: c.Args["rule"], Reason: c.Args["reason"]}
	if refusal != nil {
		n.What, n.Reason, n.Refused = "refused", refusal.Error(), true
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	h.notes.add(n)
}

// noteAlarm compares an alarm with what it was. The lock is held.
func (h *Hub) noteAlarm(was, a *guard.Alarm) {
	old := guard.Normal
	if was != nil {
		old = was.State
	}
	what := became(old, a.State)
	if what == "" {
		return
	}
	n := Note{At: a.Changed, Kind: NoteAlarm, What: what, Subject: a.Rule, Alarm: a.ID, Priority: a.Priority, Text: a.Message}
	if what == "acknowledged" || a.State.Silenced() {
		n.Who = a.Who
	}
	if a.State.Silenced() {
		n.Reason, n.Until = a.Reason, a.Until
	}
	h.notes.add(n)
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
	if was.Phase != s.Phase {
		h.notes.add(Note{At: s.Now, Kind: NotePhase, What: "entered", Subject: s.Phase})
	}
	for i := range s.Trips {
		t := &s.Trips[i]
		k := slices.IndexFunc(was.Trips, func(o guard.Trip) bool { return o.Rule == t.Rule })
		if k < 0 {
			continue
		}
		o := &was.Trips[k]
		switch {
		case t.Tripped && !o.Tripped:
			n := Note{At: t.Since, Kind: NoteTrip, What: "tripped", Subject: t.Rule}
			if t.First {
				n.Text = "first"
			}
			h.notes.add(n)
		case !t.Tripped && o.Tripped:
			h.notes.add(Note{At: s.Now, Kind: NoteTrip, What: "reset", Subject: t.Rule})
		}
		switch {
		case t.Bypassed && !o.Bypassed:
			h.notes.add(Note{At: s.Now, Kind: NoteTrip, What: "bypassed", Subject: t.Rule, Who: t.BypassWho, Reason: t.BypassReason, Until: t.BypassUntil})
		case !t.Bypassed && o.Bypassed:
			h.notes.add(Note{At: s.Now, Kind: NoteTrip, What: "bypass over", Subject: t.Rule})
		}
	}
}
