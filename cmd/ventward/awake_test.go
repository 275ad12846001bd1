package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A computer that can't sleep is awake; one that can is when a system manager
// forbids it, and only as long as its helper runs; else it is not.
func TestAwake(t *testing.T) {
	dir := t.TempDir()
	file := func(name, text string, mode os.FileMode) string {
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, []byte(text), mode); err != nil {
			t.Fatal(err)
		}
		return p
	}
	states, none, manager := file("states", "freeze mem disk\n", 0o644), file("none", "\n", 0o644), file("manager", "", 0o644)
	helper := func(script string) { file("systemd-inhibit", "#!/bin/sh\n"+script, 0o755) }
	t.Setenv("PATH", dir+":"+os.Getenv("PATH"))
	for _, c := range []struct {
		what   string
		a      *awake
		script string
		ok     bool
	}{
		{"can't sleep", &awake{manager: "/nonexistent", states: none}, "", true},
		{"knows no sleep", &awake{manager: "/nonexistent", states: "/nonexistent"}, "", true},
		{"no manager", &awake{manager: "/nonexistent", states: states}, "", false},
		{"held", &awake{manager: manager, states: states}, "shift 4; exec \"$@\"\n", true},
		{"refused", &awake{manager: manager, states: states}, "exit 1\n", false},
		{"ends", &awake{manager: manager, states: states}, "shift 4; \"$@\" </dev/null\n", false},
	} {
		helper(c.script)
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan struct{})
		go func() { defer close(ended); c.a.run(ctx) }()
		var got *wakefulness
		for end := time.Now().Add(20 * time.Second); time.Now().Before(end); time.Sleep(5 * time.Millisecond) {
			if got = c.a.told.Load(); got != nil && got.ok == c.ok {
				break
			}
		}
		if got == nil || got.ok != c.ok || got.why == "" {
			t.Errorf("%s: %+v", c.what, got)
		}
		stop()
		<-ended
	}
}
