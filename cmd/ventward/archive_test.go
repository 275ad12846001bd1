package main

import (
	"errors"
	"strings"
	"testing"

	"ventward/dashboard"
	"ventward/store"
)

// What the page can't have of a run it is told with the way to it; a long run of
// slow instruments is no large one.
func TestReadable(t *testing.T) {
	day := int64(24 * 3600e9)
	for _, c := range []struct {
		m    store.Meta
		size int64
		what string
		want string // part of the refusal; empty: none
	}{
		{store.Meta{ID: "a", State: store.StateClosed, Entries: 5, End: day}, 100 << 20, "curves", ""},
		{store.Meta{ID: "a", State: store.StateClosed, Entries: 5, End: day}, 300 << 20, "curves", "ventward export a"},
		{store.Meta{ID: "a", State: store.StateClosed, Entries: 5}, 300 << 20, "report", "ventward report a"},
		{store.Meta{ID: "a", State: store.StateClosed, Entries: 5}, 300 << 20, "journal", "ventward journal a"},
		{store.Meta{ID: "a", State: store.StateOpen, Entries: 5}, 1 << 20, "report", "still being recorded"},
		{store.Meta{ID: "a", State: store.StateClosed}, 1 << 10, "report", "nothing was recorded"},
	} {
		err := readable(&c.m, c.size, c.what)
		var no *dashboard.Refusal
		if c.want == "" && err != nil || c.want != "" && (!errors.As(err, &no) || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s of %d MB, %s: %v, want %q", c.what, c.size>>20, c.m.State, err, c.want)
		}
	}
}
