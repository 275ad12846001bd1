package main

import (
	"errors"
	"fmt"
	"testing"
)

// Asked again, an answer is not computed again; the oldest goes first, and a
// failure is never remembered.
func TestNewestAnswersOnce(t *testing.T) {
	var k newest[int]
	computed := 0
	ask := func(n int) {
		t.Helper()
		if v, err := k.of(fmt.Sprint(n), func() (int, error) { computed++; return 10 * n, nil }); v != 10*n || err != nil {
			t.Errorf("%d: %d %v", n, v, err)
		}
	}
	for n := range mostNewest {
		ask(n)
		ask(n)
	}
	if computed != mostNewest {
		t.Errorf("%d computed, want %d", computed, mostNewest)
	}
	ask(mostNewest) // the first is forgotten for it
	if ask(0); computed != mostNewest+2 {
		t.Errorf("%d computed, want %d", computed, mostNewest+2)
	}
	if _, err := k.of("bad", func() (int, error) { return 0, errors.New("no") }); err == nil {
		t.Error("no error")
	}
	if v, err := k.of("bad", func() (int, error) { return 7, nil }); v != 7 || err != nil {
		t.Errorf("after a failure: %d %v", v, err)
	}
}
