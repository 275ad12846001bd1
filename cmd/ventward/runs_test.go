package main

import (
	"testing"

	"ventward/store"
)

// What isn't known of a run is a dash in the list, never a zero.
func TestRunsWithoutShotOrEnd(t *testing.T) {
	m := store.Meta{Start: 1e9}
	if s, l := shotWords(&m), lastsWords(&m); s != "-" || l != "-" {
		t.Errorf("shot %s, lasts %s", s, l)
	}
	m.Shot, m.End = 7, 4.5e9
	if s, l := shotWords(&m), lastsWords(&m); s != "7" || l != "3.5" {
		t.Errorf("shot %s, lasts %s", s, l)
	}
}
