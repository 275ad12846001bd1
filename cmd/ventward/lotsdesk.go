package main

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"ventward/analysis/lot"
	"ventward/daq"
	"ventward/dashboard"
	"ventward/detect"
	"ventward/report"
	"ventward/store"
)

// lotsDesk answers what the page asks of lots. Everything below that computes
// runs in the backroom, one question after another.
type lotsDesk struct {
	st    *store.Store
	room  *backroom
	known map[string]knownRun // by id: what ended runs came to never changes
}

var _ dashboard.Lots = (*lotsDesk)(nil)

// mostKnown bounds the runs that are remembered; beyond it they are read anew.
const mostKnown = 20000

// knownRun is what a run came to, before what persons entered.
type knownRun struct {
	shots    []lot.Shot
	features []detect.Feature
	channels []daq.Channel
}

func newLotsDesk(st *store.Store, room *backroom) *lotsDesk {
	return &lotsDesk{st: st, room: room, known: map[string]knownRun{}}
}

func (d *lotsDesk) Lots(ctx context.Context) ([]dashboard.LotRow, error) {
	return ask(ctx, d.room, func() ([]dashboard.LotRow, error) { return d.rows(ctx) })
}

func (d *lotsDesk) LotReport(ctx context.Context, a dashboard.LotAsk) (*report.Document, error) {
	return ask(ctx, d.room, func() (*report.Document, error) { return d.document(ctx, a) })
}

// gathered is one lot with its shots.
type gathered struct {
	row      dashboard.LotRow
	shots    []lot.Shot
	limits   map[string]lot.Limits // of its last run's bench description
	moved    string                // the run since which those hold; empty: all had them
	channels []daq.Channel
	start    time.Time // of its first run
}

// gather reads lots: those named, or all. The lots come in the order of their
// names, which in a lab is that of their making.
func (d *lotsDesk) gather(ctx context.Context, named []string) ([]*gathered, error) {
	all := map[string]*gathered{}
	of := func(name string) *gathered {
		if name == "" || len(named) > 0 && !slices.Contains(named, name) {
			return nil
		}
		g := all[name]
		if g == nil {
			g = &gathered{row: dashboard.LotRow{Lot: name, Lines: []report.LotLine{}}}
			all[name] = g
		}
		return g
	}
	specimens, err := d.st.Specimens(store.SpecimenFilter{})
	if err != nil {
		return nil, err
	}
	paper := map[string]*store.SpecimenEntry{}
	for i := range specimens {
		e := &specimens[i]
		paper[e.ID] = e
		if g := of(e.Lot); g != nil {
			g.count(e)
		}
	}
	ms, err := d.st.Runs(store.Filter{})
	if err != nil {
		return nil, err
	}
	for i := range ms {
		m := &ms[i]
		if g := of(m.Lot); g != nil && counts(m) {
			if ctx.Err() != nil {
				return nil, ctx.Err()
			}
			err := d.add(g, m, paper[m.Specimen])
			if errors.Is(err, errEmpty) {
				continue // it began just now, or ended as it began
			}
			if err != nil {
				return nil, fmt.Errorf("run %s: %w", m.ID, err)
			}
		}
	}
	out := make([]*gathered, 0, len(all))
	for _, g := range all {
		g.shots = distinct(g.shots)
		out = append(out, g)
	}
	slices.SortFunc(out, func(a, b *gathered) int { return strings.Compare(a.row.Lot, b.row.Lot) })
	return out, nil
}

// counts tells whether a run was one: not what is kept between runs, nor one
// that was refused before it began.
func counts(m *store.Meta) bool { return m.Kind != store.KindIdle && m.EndNote != notBegun }

// count adds a specimen to its lot's figures.
func (g *gathered) count(e *store.SpecimenEntry) {
	g.row.Specimens++
	switch l := specimenLine(e); {
	case l.Awaits:
		g.row.Awaiting++
	case l.Status == dashboard.Unused:
		g.row.Unused++
	case l.Status == dashboard.Excluded:
		g.row.Excluded++
	}
}

// add reads a run's shots, and takes in what persons entered of it.
func (d *lotsDesk) add(g *gathered, m *store.Meta, e *store.SpecimenEntry) error {
	k, ok := d.known[m.ID]
	if !ok {
		var err error
		if k, err = d.read(m); err != nil {
			return err
		}
		if m.State != store.StateOpen && len(d.known) < mostKnown {
			d.known[m.ID] = k
		}
	}
	p, err := papers(d.st, m)
	if err != nil {
		return err
	}
	if p.specimen == nil && e != nil && e.Lot == m.Lot {
		p.specimen = &e.Specimen
	}
	shots := slices.Clone(k.shots)
	apply(shots, p)
	g.shots = append(g.shots, shots...)
	g.channels = k.channels
	limits := limitsOf(m, k.features)
	if g.row.Runs > 0 && !reflect.DeepEqual(g.limits, limits) {
		g.moved = m.ID
	}
	g.limits = limits
	when := m.StartUTC().Format(time.RFC3339)
	if g.row.Runs++; g.row.Runs == 1 {
		g.row.FirstUTC, g.start = when, m.StartUTC()
	}
	g.row.LastUTC = when
	if m.Simulated {
		g.row.Simulated++
	}
	return nil
}

func (d *lotsDesk) read(m *store.Meta) (k knownRun, err error) {
	if k.shots, err = runShots(d.st, m); err != nil {
		return k, err
	}
	rd, err := d.st.Reader(m.ID)
	if err != nil {
		return k, err
	}
	defer rd.Close()
	b, err := benchOf(rd)
	if err != nil {
		return k, err
	}
	k.features, k.channels = b.Detect.Features, b.Channels
	return k, nil
}

// limitsOf are the acceptance limits that a run's bench description gives.
func limitsOf(m *store.Meta, features []detect.Feature) map[string]lot.Limits {
	out := map[string]lot.Limits{}
	for _, f := range features {
		out[f.Name] = lot.Limits{Low: f.LowPa, High: f.HighPa, From: "the description of bench " + m.Bench}
	}
	return out
}

// bounds are the limits of the lot's last run. That an earlier run had others
// is told with them.
func (g *gathered) bounds() map[string]lot.Limits {
	if g.moved == "" {
		return g.limits
	}
	out := map[string]lot.Limits{}
	for f, l := range g.limits {
		l.From += " since run " + g.moved + " (earlier runs of the lot had others)"
		out[f] = l
	}
	return out
}

// The statement that the list of lots makes.
var usualStatement = lot.Statement{Confidence: 0.95, Coverage: 0.99}

func (d *lotsDesk) rows(ctx context.Context) ([]dashboard.LotRow, error) {
	all, err := d.gather(ctx, nil)
	if err != nil {
		return nil, err
	}
	out := make([]dashboard.LotRow, 0, len(all))
	for _, g := range all {
		r, err := describeLots(g.shots, limitsOfStored(all), usualStatement, nil, nil)
		if err != nil {
			return nil, err
		}
		for i := range r.sums {
			g.row.Lines = append(g.row.Lines, report.LotSummary(&r.sums[i]))
		}
		out = append(out, g.row)
	}
	return out, nil
}

func (d *lotsDesk) document(ctx context.Context, a dashboard.LotAsk) (*report.Document, error) {
	pool, err := (&lotOptions{pool: a.Pool}).conditions()
	if err != nil {
		return nil, dashboard.FieldProblems{{Field: "pool", Value: strings.Join(a.Pool, ","), Next: err.Error()}}
	}
	st := lot.Statement{Confidence: a.Confidence, Coverage: a.Coverage}
	if err := st.Check(); err != nil {
		return nil, dashboard.FieldProblems{{Field: "confidence", Next: err.Error()}}
	}
	all, err := d.gather(ctx, a.Lots)
	if err != nil {
		return nil, err
	}
	doc := &report.LotReport{Statement: st, Source: "stored runs", Made: time.Now(), Program: version}
	var shots []lot.Shot
	var names []string
	for _, g := range all {
		if len(g.shots) == 0 {
			continue
		}
		names = append(names, g.row.Lot)
		shots = append(shots, g.shots...)
	}
	withBench(doc, slices.DeleteFunc(slices.Clone(all), func(g *gathered) bool { return len(g.shots) == 0 }))
	if len(shots) == 0 {
		return nil, &dashboard.Refusal{Reason: "no shot of lot " + strings.Join(a.Lots, ", ") + " is stored", Next: "choose a lot of which specimens were shot"}
	}
	if !a.Together {
		names = nil
	}
	r, err := describeLots(shots, limitsOfStored(all), st, pool, names)
	if wrong := (wrongUse{}); errors.As(err, &wrong) {
		return nil, &dashboard.Refusal{Reason: err.Error(), Next: "choose other lots"}
	}
	if err != nil {
		return nil, err
	}
	doc.Sums, doc.Pairs = r.sums, r.pairs
	return report.LotDocument(doc), nil
}
