package store

import (
	"context"
	"errors"
	"sync"
	"time"

	"ventward/daq"
)

// Health tells how far what was appended is safe on disk.
type Health struct {
	Run        string // id of the run (of the newest segment of an idle record)
	Committed  uint64 // last entry that is safe on disk
	Commits    uint64
	QueueBytes int // waiting for the disk
	QueueLimit int
	Waiting    bool   // an entry is not yet safe
	Oldest     int64  // bench time at which the oldest such entry was taken, ns
	Lost       uint64 // entries that were dropped, or never given
	Refused    uint64 // entries out of order, events and alarms without room
	Gaps       uint64 // stretches of missing numbers
	Err        error  // why the last try to commit failed; nil: it didn't
}

const maxBackoff = 5 * time.Second

// journal is a run, or an idle record, being written: the queue that the loop
// fills, and the one goroutine that empties it.
type journal struct {
	store   *Store
	q       queue
	wake    chan struct{}
	closing chan closing
	done    chan struct{}
	segment *segments // idle record only

	// The writer's own.
	f       *file
	p       pack
	items   []item // taken from the queue, not yet safe
	packed  bool   // p holds them
	backoff time.Duration
	retry   time.Time

	mu     sync.Mutex
	health Health
	meta   Meta
	ended  bool // a closing was handed over
}

type closing struct {
	ctx     context.Context
	end     End
	abandon bool
	result  chan error
}

func newJournal(s *Store, f *file) *journal {
	j := &journal{
		store:   s,
		q:       queue{limit: s.opts.QueueBytes},
		wake:    make(chan struct{}, 1),
		closing: make(chan closing, 1),
		done:    make(chan struct{}),
		f:       f,
	}
	if f != nil {
		j.meta = f.meta
		j.health.Run = f.meta.ID
	}
	return j
}

// append takes an entry from the loop.
func (j *journal) append(e *daq.Entry) {
	if j.q.push(e) >= j.store.opts.CommitBytes {
		select {
		case j.wake <- struct{}{}:
		default:
		}
	}
}

// write is the writer's goroutine.
func (j *journal) write() {
	defer close(j.done)
	t := time.NewTicker(j.store.opts.CommitInterval)
	defer t.Stop()
	for {
		select {
		case <-t.C:
		case <-j.wake:
		case c := <-j.closing:
			c.result <- j.shut(c)
			return
		}
		if time.Now().After(j.retry) {
			j.flush() // an error stands in Health and is tried again
		}
	}
}

// flush commits what waits. After an error the same items are kept for the
// next try.
func (j *journal) flush() error {
	for {
		more, err := j.step()
		if err != nil {
			j.fail(err)
			return err
		}
		if !more {
			return nil
		}
	}
}

// step makes one commit. more tells that at least another full one waits.
func (j *journal) step() (more bool, err error) {
	if len(j.items) == 0 {
		var stop func(*item) bool
		if j.segment != nil {
			stop = j.segment.ends
		}
		j.items = j.q.take(j.items, j.store.opts.CommitBytes, stop)
		j.packed = false
	}
	if len(j.items) == 0 {
		return false, nil
	}
	if j.segment != nil && !j.packed {
		if err := j.segment.turn(j); err != nil {
			return false, err
		}
	}
	if !j.packed {
		j.p.fill(j.items, j.f.tail.last)
		j.packed = true
	}
	if err := j.f.commit(&j.p); err != nil {
		return false, err
	}
	j.succeed()
	return j.q.waiting() > 0 && (j.q.waiting() >= j.store.opts.CommitBytes || j.segment != nil), nil
}

// succeed acknowledges the commit.
func (j *journal) succeed() {
	j.q.done(j.items)
	clear(j.items)
	j.items, j.packed = j.items[:0], false
	j.backoff, j.retry = 0, time.Time{}
	j.mu.Lock()
	j.health.Committed, j.health.Commits, j.health.Err = j.f.tail.last, j.health.Commits+1, nil
	if j.segment != nil {
		j.health.Err = j.segment.trouble
	}
	j.mu.Unlock()
	if on := j.store.opts.OnCommit; on != nil {
		on(j.f.meta.ID, j.f.tail.last)
	}
}

func (j *journal) fail(err error) {
	j.backoff = min(max(2*j.backoff, j.store.opts.CommitInterval), maxBackoff)
	j.retry = time.Now().Add(j.backoff)
	j.mu.Lock()
	j.health.Err = err
	j.mu.Unlock()
}

func (j *journal) state() Health {
	j.mu.Lock()
	h := j.health
	j.mu.Unlock()
	j.q.state(&h)
	return h
}

// stop hands the end over to the writer and waits for it.
func (j *journal) stop(c closing) error {
	c.result = make(chan error, 1)
	j.mu.Lock()
	first := !j.ended
	j.ended = true
	j.mu.Unlock()
	if !first {
		<-j.done
		return ErrClosed
	}
	j.q.finish()
	j.closing <- c
	<-j.done
	j.store.forget(j)
	return <-c.result
}

// abandon ends the writing without an end of the run.
func (j *journal) abandon() error {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	err := j.stop(closing{ctx: ctx, abandon: true})
	if errors.Is(err, ErrClosed) {
		return nil
	}
	return err
}

// shut commits what is left and ends the file. Within the context's time it
// tries again whatever the disk refuses; when the disk is full it gives half
// of the ballast back, and if that isn't enough it drops what waits and gives
// the rest back, so that the run gets its end.
func (j *journal) shut(c closing) error {
	var err error
	if c.abandon {
		err = j.flush()
	} else {
		err = j.insist(c.ctx, func() error { return j.endAt(c.end) })
	}
	if j.f == nil {
		return err
	}
	return errors.Join(err, j.f.close())
}

// endAt commits everything that waits, then ends the file.
func (j *journal) endAt(end End) error {
	for ok := true; ok; ok = j.q.waiting() > 0 {
		if err := j.flush(); err != nil {
			return err
		}
	}
	if j.f == nil {
		return nil
	}
	err := j.finish(end)
	if err != nil {
		j.fail(err)
	}
	return err
}

// insist repeats an act until it is done or the context ends.
func (j *journal) insist(ctx context.Context, act func() error) error {
	released := 0
	for {
		err := act()
		if err == nil {
			return nil
		}
		if isFull(err) {
			more := j.store.releaseBallast() == nil
			if more {
				released++
			}
			if released >= 2 {
				j.drop()
			}
			if more {
				continue
			}
		}
		select {
		case <-ctx.Done():
			return errors.Join(err, ctx.Err())
		case <-time.After(min(j.backoff, time.Second)):
		}
	}
}

// drop replaces everything that waits by one gap. A commit whose fate isn't
// known stays.
func (j *journal) drop() {
	if j.f == nil || j.f.doubt || j.f.unsaid {
		return
	}
	gap := item{kind: rowGap, why: whyDisk}
	var entries, derived uint64
	for {
		for i := range j.items {
			it := &j.items[i]
			entries += it.entries()
			if it.entry.Kind == 0 && it.kind != rowGap {
				derived++
				continue
			}
			from, to := it.span()
			if gap.a == 0 {
				gap.a = from
			}
			gap.b = to
		}
		j.q.done(j.items)
		clear(j.items)
		if j.items = j.q.take(j.items[:0], j.store.opts.CommitBytes, nil); len(j.items) == 0 {
			break
		}
	}
	j.packed = false
	if gap.b != 0 {
		j.items = append(j.items, gap)
	}
	if entries+derived > 0 {
		j.q.dropped(entries, derived)
	}
}

// entries is how many entries dropping the item loses.
func (it *item) entries() uint64 {
	if it.entry.Kind != 0 {
		return 1
	}
	return 0
}

// span returns the numbers that an entry or a gap covers.
func (it *item) span() (from, to uint64) {
	if it.entry.Kind != 0 {
		return it.entry.N, it.entry.N
	}
	return it.a, it.b
}

// finish ends the file and tells the catalog.
func (j *journal) finish(end End) error {
	m, err := j.f.finish(j.ending(end))
	if err != nil {
		return err
	}
	if err := j.store.cat.put(context.Background(), m); err != nil {
		return diskError(err)
	}
	j.mu.Lock()
	j.meta, j.health.Err = m, nil
	j.mu.Unlock()
	return nil
}

func (j *journal) ending(end End) ending {
	var h Health
	j.q.state(&h)
	if end.At == 0 {
		end.At = j.f.at
	}
	e := j.f.ending(StateClosed, end)
	e.Refused = h.Refused
	return e
}
