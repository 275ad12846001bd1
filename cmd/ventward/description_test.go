package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"ventward/store"
)

func TestDescriptionIsWatched(t *testing.T) {
	path := filepath.Join(t.TempDir(), "bench.toml")
	write := func(s string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(s), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if watchedDescription(path) != nil {
		t.Error("a file that isn't there is watched")
	}
	write("a = 1\n")
	d := watchedDescription(path)
	for _, c := range []struct{ text, why string }{{"a = 1\n", ""}, {"a = 2\n", "was changed"}, {"a = 1\n", ""}} {
		write(c.text)
		if why := d.look(); !strings.Contains(why, c.why) || (why == "") != (c.why == "") {
			t.Errorf("%q: %q, want %q", c.text, why, c.why)
		}
	}
	os.Remove(path)
	if d.look() == "" {
		t.Error("a file that went away is not told")
	}
}

// Names of runs keep the order in which the runs were made though the wall clock
// is set back by an hour between them, also over a restart.
func TestRunNamesKeepTheirOrder(t *testing.T) {
	st, err := store.Open(t.TempDir(), store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer st.Close()
	var ids runIDs
	at := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	var all []string
	for _, wall := range []time.Time{at, at, at.Add(-time.Hour), at.Add(-time.Hour + time.Minute), at.Add(time.Hour), at} {
		all = append(all, ids.next(wall, st))
	}
	last := all[len(all)-1]
	r, err := st.Create(store.Meta{Kind: store.KindRun, ID: last, EpochUTC: at.UnixNano()})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Close(t.Context(), store.End{}); err != nil {
		t.Fatal(err)
	}
	var anew runIDs
	all = append(all, anew.next(at.Add(-time.Hour), st))
	for i := 1; i < len(all); i++ {
		if !(all[i] > all[i-1]) {
			t.Errorf("run %d is named %s after %s", i, all[i], all[i-1])
		}
	}
}
