package stream

import (
	"errors"
	"slices"
	"testing"

	"ventward/daq"
	"ventward/guard"
)

// TestEveryChangeOfAnAlarmIsAWord: each pair of different states that the
// alarm's transition table (ANSI/ISA-18.2) allows is told in a word.
func TestEveryChangeOfAnAlarmIsAWord(t *testing.T) {
	inputs := []guard.AlarmInput{guard.Occurs, guard.Clears, guard.ClearsLatched, guard.Acknowledges, guard.Resets, guard.ReAlarms,
		guard.Shelves, guard.Suppresses, guard.RemovesService, guard.ReleasesStanding, guard.ReleasesQuiet}
	want := map[guard.AlarmInput][]string{
		guard.Occurs: {"raised"}, guard.Clears: {"returned"}, guard.ClearsLatched: {"returned"}, guard.Acknowledges: {"acknowledged"},
		guard.Resets: {"reset"}, guard.ReAlarms: {"announced again"}, guard.Shelves: {"shelved"}, guard.Suppresses: {"suppressed by design"},
		guard.RemovesService: {"out of service"}, guard.ReleasesStanding: {"raised"}, guard.ReleasesQuiet: {"back in force"},
	}
	for _, s := range guard.AlarmStates() {
		for _, in := range inputs {
			next := s.After(in)
			got := became(s, next)
			switch {
			case next == s && got != "":
				t.Errorf("%s on %s stays and is told as %q", s, in, got)
			case next != s && !slices.Contains(want[in], got):
				t.Errorf("%s on %s becomes %s, told as %q, want %q", s, in, next, got, want[in])
			}
		}
	}
}

func TestHistoryTellsWhatHappenedAndWho(t *testing.T) {
	h := testHub(1)
	trip := guard.Trip{Rule: "limit", Outputs: []int{0}}
	state := func(phase string, t guard.Trip) State { return State{Phase: phase, Now: 9, Trips: []guard.Trip{t}} }
	h.State(state("under test", trip))
	a := guard.Alarm{ID: 3, Rule: "limit", Priority: guard.High, State: guard.Unacknowledged, Changed: 5, Message: "high"}
	h.Alarm(a)
	h.Alarm(a) // told again without a change
	trip.Tripped, trip.Since, trip.First = true, 5, true
	h.State(state("making safe", trip))
	a.State, a.Who = guard.Acknowledged, "A. Rahn"
	h.Alarm(a)
	h.Command(daq.Command{Verb: "acknowledge", Who: "A. Rahn"}, nil, 6)                                          // the alarm has told it
	h.Command(daq.Command{Verb: "notice", Who: "program"}, nil, 6)                                               // nobody asked
	h.Command(daq.Command{Verb: "reset", Who: "B. Okoro"}, errors.New("the condition stands: cure it first"), 7) // asked in vain
	a.State, a.Reason, a.Until = guard.Shelved, "being mended", 99
	h.Alarm(a)
	trip.Tripped, trip.Bypassed, trip.BypassWho, trip.BypassReason, trip.BypassUntil = false, true, "B. Okoro", "valve swap", 50
	h.State(state("making safe", trip))
	trip.Bypassed = false
	h.State(state("making safe", trip))
	want := []Note{
		{At: 5, Kind: NoteAlarm, What: "raised", Subject: "limit", Alarm: 3, Priority: guard.High, Text: "high"},
		{At: 9, Kind: NotePhase, What: "entered", Subject: "making safe"},
		{At: 5, Kind: NoteTrip, What: "tripped", Subject: "limit", Text: "first", First: true},
		{At: 5, Kind: NoteAlarm, What: "acknowledged", Subject: "limit", Alarm: 3, Priority: guard.High, Text: "high", Who: "A. Rahn"},
		{At: 7, Kind: NoteCommand, What: "refused", Subject: "reset", Who: "B. Okoro", Reason: "the condition stands: cure it first", Refused: true},
		{At: 5, Kind: NoteAlarm, What: "shelved", Subject: "limit", Alarm: 3, Priority: guard.High, Text: "high", Who: "A. Rahn", Reason: "being mended", Until: 99},
		{At: 9, Kind: NoteTrip, What: "reset", Subject: "limit"},
		{At: 9, Kind: NoteTrip, What: "bypassed", Subject: "limit", Who: "B. Okoro", Reason: "valve swap", Until: 50},
		{At: 9, Kind: NoteTrip, What: "bypass over", Subject: "limit"},
	}
	for i := range want {
		want[i].N = uint64(i + 1)
	}
	got, total := h.Notes(0)
	if !slices.Equal(got, want) || total != uint64(len(want)) {
		t.Errorf("%d notes:\n%+v\nwant\n%+v", total, got, want)
	}
	if got, _ := h.Notes(7); len(got) != 2 || got[0].N != 8 {
		t.Errorf("after 7: %+v", got)
	}
	if got, _ := h.Notes(99); len(got) != 0 {
		t.Errorf("after the last: %+v", got)
	}
}

func TestHistoryIsBounded(t *testing.T) {
	h := testHub(1)
	for i := range 3 * maxNotes {
		h.Command(daq.Command{Verb: "note", Who: "A. Rahn"}, nil, int64(i))
		if n := len(h.notes.list); n > maxNotes {
			t.Fatalf("%d notes are kept", n)
		}
	}
	got, total := h.Notes(0)
	if total != 3*maxNotes || got[len(got)-1].N != total || len(got) < maxNotes*9/10 {
		t.Errorf("%d of %d, the last %d", len(got), total, got[len(got)-1].N)
	}
}

// What was entered is told with its unit, its day and until when it counts: the
// command carries a leak rate in Pa/s, people read mbar/s.
func TestEnteredIsToldWithItsUnit(t *testing.T) {
	for want, args := range map[string]map[string]string{
		"leak, 0.3 mbar/s, done on 2026-11-26, hold at 2 bar":         {"what": guard.EnterLeak, "value": "30", "date": "2026-11-26", "method": "hold at 2 bar"},
		"proof, Opening, done on 2026-11-24, counts until 2027-05-24": {"what": guard.EnterProof, "subject": "Opening", "date": "2026-11-24", "until": "2027-05-24"},
	} {
		n, ok := CommandNote(daq.Command{Verb: "enter", Who: "A. Rahn", Args: args}, nil, 5)
		if !ok || n.Text != want {
			t.Errorf("%q, want %q", n.Text, want)
		}
	}
}
