package main

import (
	"context"
	"fmt"

	"ventward/dashboard"
)

// A backroom does what pages ask for and what takes a while, one thing after
// another: statistics of lots, estimates. Its one thread stands behind the
// loop's in the line for the processor.
type backroom struct {
	jobs chan func()
}

const backroomQueue = 8

func newBackroom() *backroom { return &backroom{jobs: make(chan func(), backroomQueue)} }

// run works until ctx is done.
func (b *backroom) run(ctx context.Context) {
	_ = behind.take()
	for {
		select {
		case f := <-b.jobs:
			f()
		case <-ctx.Done():
			return
		}
	}
}

// errFull is the answer where too much waits.
var errFull = &dashboard.Refusal{Reason: fmt.Sprintf("%d questions wait already", backroomQueue), Next: "wait for their answers, or cancel an estimate, and ask again"}

// post queues f and doesn't wait.
func (b *backroom) post(f func()) error {
	select {
	case b.jobs <- f:
		return nil
	default:
		return errFull
	}
}

// ask has f done and waits for its answer, as long as ctx allows. An answer
// that nobody waits for any more is thrown away.
func ask[T any](ctx context.Context, b *backroom, f func() (T, error)) (T, error) {
	type reply struct {
		v   T
		err error
	}
	done := make(chan reply, 1)
	err := b.post(func() {
		if ctx.Err() == nil {
			v, err := f()
			done <- reply{v, err}
		}
	})
	if err != nil {
		var none T
		return none, err
	}
	select {
	case r := <-done:
		return r.v, r.err
	case <-ctx.Done():
		var none T
		return none, ctx.Err()
	}
}
