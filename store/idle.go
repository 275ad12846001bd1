package store

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"ventward/daq"
)

// IdleOptions say how much of what happens while nothing is armed is kept.
// Zero values stand for the defaults.
type IdleOptions struct {
	Segment  time.Duration // length of a file; 5 min
	Keep     time.Duration // at least this much is kept; 15 min
	MaxBytes int64         // of all idle files together; 2 GiB
}

// Idle is the record kept while nothing is armed: a row of files in the format
// of a run, the oldest of which are deleted. Its methods are those of a Run;
// a jump in the entries' numbers (while a run was on, say) begins a new file.
type Idle struct {
	*journal
}

// Idle begins the idle record. m describes the bench; its id, kind and start
// are set for each file.
func (s *Store) Idle(m Meta, o IdleOptions) (*Idle, error) {
	if s.opts.Access != Daemon {
		return nil, fmt.Errorf("store: only the daemon keeps an idle record: %w", ErrReadOnly)
	}
	if o.Segment <= 0 {
		o.Segment = 5 * time.Minute
	}
	if o.Keep <= 0 {
		o.Keep = 15 * time.Minute
	}
	if o.MaxBytes <= 0 {
		o.MaxBytes = 2 << 30
	}
	m.Kind = KindIdle
	j := newJournal(s, nil)
	j.q.segment = true
	j.segment = &segments{store: s, meta: m.header(), opts: o}
	s.register(j)
	go j.write()
	return &Idle{journal: j}, nil
}

// Close ends the newest file. The record is kept until a later one replaces
// it.
func (i *Idle) Close(ctx context.Context) error {
	return i.stop(closing{ctx: ctx, end: End{Note: "end of the idle record"}})
}

// segments cuts the idle record into files. Only the writer uses it.
type segments struct {
	store  *Store
	meta   Meta
	opts   IdleOptions
	start  int64      // time of the first entry of the file, ns
	full   bool       // the file has had its share of MaxBytes
	config *daq.Entry // in force: each file begins with it
	suffix uint32

	trouble error // of the last pruning
}

// ends tells that a new file begins with the item.
func (g *segments) ends(it *item) bool {
	return it.entry.Kind != 0 && (it.fresh || g.full || it.entry.At-g.start >= int64(g.opts.Segment))
}

// turn begins a new file before the journal's items where one is due, and puts
// the configuration in force at its head.
func (g *segments) turn(j *journal) error {
	first := &j.items[0]
	if j.f == nil || g.ends(first) {
		if err := g.next(j, first); err != nil {
			return err
		}
		j.items = g.preface(j.items)
	}
	for i := range j.items {
		if e := &j.items[i].entry; e.Kind == daq.EntryConfig {
			c := *e
			g.config = &c
		}
	}
	g.full = j.f.bytes > g.opts.MaxBytes/8
	return nil
}

// preface puts the configuration before the items of a new file.
func (g *segments) preface(items []item) []item {
	e := &items[0].entry
	if g.config == nil || e.Kind == 0 || e.Kind == daq.EntryConfig {
		return items
	}
	head := []item{{entry: *g.config}}
	if e.N > g.config.N+1 {
		head = append(head, item{kind: rowGap, a: g.config.N + 1, b: e.N - 1, why: whyBefore})
	}
	return append(head, items...)
}

// next ends the file in use and begins another.
func (g *segments) next(j *journal, first *item) error {
	if j.f != nil {
		if err := j.finish(End{Note: "next file of the idle record"}); err != nil {
			return err
		}
		j.f.close() // complete and synced; nothing is left to lose
		j.f = nil
	}
	m := g.meta
	m.Start = first.entry.At
	f, err := g.create(m)
	if err != nil {
		return err
	}
	j.f = f
	g.start, g.full = m.Start, false
	first.fresh = false
	j.mu.Lock()
	j.meta, j.health.Run = f.meta, f.meta.ID
	j.mu.Unlock()
	g.trouble = g.prune(f.meta)
	return nil
}

func (g *segments) create(m Meta) (*file, error) {
	for try := 0; ; try++ {
		m.ID = NewID(m.StartUTC(), g.suffix)
		g.suffix++
		f, err := g.store.create(m)
		if !errors.Is(err, ErrExists) || try == 100 {
			return f, err
		}
	}
}

// prune deletes the oldest files that aren't needed to cover Keep, and more
// where they take too much room.
func (g *segments) prune(newest Meta) error {
	ctx := context.Background()
	all, err := g.store.cat.list(ctx, Filter{Kind: KindIdle, Newest: true})
	if err != nil {
		return err
	}
	horizon := newest.EpochUTC + newest.Start - int64(g.opts.Keep)
	var total int64
	for _, m := range all {
		dir := g.store.folder(m)
		total += sizeOf(dir)
		if m.ID == newest.ID || m.EpochUTC+m.End >= horizon && total <= g.opts.MaxBytes*3/4 {
			continue
		}
		if err := os.RemoveAll(dir); err != nil {
			return diskError(err)
		}
		if err := g.store.cat.remove(ctx, m.ID); err != nil {
			return err
		}
	}
	return nil
}

// sizeOf sums the files of a folder.
func sizeOf(dir string) (n int64) {
	names, _ := os.ReadDir(dir)
	for _, e := range names {
		if st, err := os.Stat(filepath.Join(dir, e.Name())); err == nil {
			n += st.Size()
		}
	}
	return n
}
