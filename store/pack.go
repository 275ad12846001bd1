package store

import (
	"encoding/json"

	"ventward/daq"
)

// group is the entries of one chunk of a commit.
type group struct {
	instrument uint16
	form       byte
	width      int
	entries    []*daq.Entry
}

// pack is one commit: the rows made of the items taken from the queue. Its
// memory is used again for the next.
type pack struct {
	rows    []row // of record, then of derived
	record  int   // how many of them are of record
	first   uint64
	last    uint64
	entries uint64
	gaps    uint64
	lost    uint64
	at      int64 // time of the last entry

	codec  codec
	label  [labelSize]byte
	arena  []byte // the rows' bodies
	ends   []int  // where each row's body ends in the arena
	groups []group
	ticks  []*daq.Entry
}

// fill makes the rows of a commit that follows entry prev. The items must stay
// as they are until the pack is filled again.
func (p *pack) fill(items []item, prev uint64) {
	p.reset(items, prev)
	for i := range p.groups {
		if g := &p.groups[i]; len(g.entries) > 0 {
			p.chunk(g)
		}
	}
	if len(p.ticks) > 0 {
		first := p.ticks[0].N
		p.arena = p.codec.ticks(p.arena, first, p.ticks)
		p.add(row{table: tableRecord, kind: rowTicks, a: first, b: p.ticks[len(p.ticks)-1].N, c: uint64(len(p.ticks))})
	}
	for i := range items {
		p.single(&items[i])
	}
	p.record = len(p.rows)
	for i := range items {
		if it := &items[i]; it.entry.Kind == 0 && it.kind != rowGap {
			p.arena = append(p.arena, it.body...)
			p.add(row{table: tableDerived, kind: it.kind, a: it.a, b: it.b, c: it.c})
		}
	}
	p.seal()
}

// reset sorts the items into groups.
func (p *pack) reset(items []item, prev uint64) {
	p.rows, p.arena, p.ends, p.ticks = p.rows[:0], p.arena[:0], p.ends[:0], p.ticks[:0]
	for i := range p.groups {
		p.groups[i].entries = p.groups[i].entries[:0]
	}
	p.first, p.last, p.entries, p.gaps, p.lost, p.at = prev+1, prev, 0, 0, 0, 0
	begun := prev != 0
	for i := range items {
		it := &items[i]
		e := &it.entry
		if !begun && it.kind == rowGap {
			begun, p.first = true, it.a
		}
		if it.kind == rowGap {
			p.last = it.b
			continue
		}
		if e.Kind == 0 {
			continue
		}
		if !begun {
			begun, p.first = true, e.N
		}
		p.last, p.at = e.N, e.At
		p.entries++
		switch e.Kind {
		case daq.EntryBatch:
			g := p.group(e.Batch)
			g.entries = append(g.entries, e)
		case daq.EntryTick:
			p.ticks = append(p.ticks, e)
		}
	}
}

// group finds or makes the batch's group: there are as many as instruments,
// seldom more.
func (p *pack) group(b *daq.Batch) *group {
	form := formOf(b)
	for i := range p.groups {
		if g := &p.groups[i]; g.instrument == b.Instrument && g.form == form && g.width == b.N {
			return g
		}
	}
	p.groups = append(p.groups, group{instrument: b.Instrument, form: form, width: b.N})
	return &p.groups[len(p.groups)-1]
}

func (p *pack) chunk(g *group) {
	first, last := g.entries[0].N, g.entries[len(g.entries)-1].N
	p.arena = p.codec.chunk(p.arena, first, g.entries)
	p.add(row{table: tableRecord, kind: rowBatches, a: first, b: last, c: uint64(len(g.entries))})
}

// single makes the row of an item that has one for itself in record.
func (p *pack) single(it *item) {
	e := &it.entry
	if it.kind == rowGap {
		p.gap(it.a, it.b, it.why)
		return
	}
	if e.Kind == 0 || e.Kind == daq.EntryBatch || e.Kind == daq.EntryTick {
		return
	}
	arena, err := rowBody(p.arena, e)
	if err != nil { // text that JSON refuses; none is known
		p.gap(e.N, e.N, whyMalformed)
		p.entries--
		return
	}
	p.arena = arena
	p.add(row{table: tableRecord, kind: byte(e.Kind), a: e.N, b: e.N, c: 1})
}

func (p *pack) gap(first, last uint64, why string) {
	j, _ := json.Marshal(gapBody{Why: why}) // a struct of one string
	p.arena = append(p.arena, j...)
	p.add(row{table: tableRecord, kind: rowGap, a: first, b: last})
	p.gaps++
	if why != whyBefore {
		p.lost += last - first + 1
	}
}

// add ends the body that was appended to the arena.
func (p *pack) add(r row) {
	p.rows = append(p.rows, r)
	p.ends = append(p.ends, len(p.arena))
}

// seal gives the rows their bodies, now that the arena has stopped moving,
// and their checksums.
func (p *pack) seal() {
	from := 0
	for i := range p.rows {
		r := &p.rows[i]
		r.body = p.arena[from:p.ends[i]:p.ends[i]]
		r.crc = r.sum(&p.label)
		from = p.ends[i]
	}
}
