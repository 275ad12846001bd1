package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"ventward/dashboard"
	"ventward/detect"
	"ventward/report"
	"ventward/store"
)

// archive lends stored runs to the page.
type archive struct {
	s    *store.Store
	room *backroom // where reports and journals are computed
	told *newest[*dashboard.Journal]
	seen *newest[*dashboard.Curves]
}

// newArchive remembers what was asked last.
func newArchive(st *store.Store, room *backroom) archive {
	return archive{st, room, &newest[*dashboard.Journal]{}, &newest[*dashboard.Curves]{}}
}

// mostReport bounds the run whose report, journal or curves the page asks for, bytes
// of its file: they are computed from the whole record, beside a bench that may
// be at work. Measured, a MB takes 0.1 to 0.2 s. Two channels at 10 kHz fill
// 140 MB an hour; a day of slow thermocouples takes less.
const mostReport = 256 << 20

// RunReport is the document of ventward report, of a run that has ended.
func (a archive) RunReport(ctx context.Context, id string) (*report.Document, error) {
	return ask(ctx, a.room, func() (*report.Document, error) {
		if err := a.waitable(id, "report"); err != nil {
			return nil, err
		}
		return documentOfRun(a.s, id, false, &adequacyOptions{})
	})
}

// Journal is what happened in a run that has ended.
func (a archive) Journal(ctx context.Context, id string) (*dashboard.Journal, error) {
	return ask(ctx, a.room, func() (*dashboard.Journal, error) {
		if err := a.waitable(id, "journal"); err != nil {
			return nil, err
		}
		return a.told.of(id, func() (*dashboard.Journal, error) { return journalOf(ctx, a.s, id) })
	})
}

// Curves are the readings of a run that has ended.
func (a archive) Curves(ctx context.Context, id string, from, to float64, bins int) (*dashboard.Curves, error) {
	return ask(ctx, a.room, func() (*dashboard.Curves, error) {
		if err := a.waitable(id, "curves"); err != nil {
			return nil, err
		}
		return a.seen.of(fmt.Sprint(id, " ", from, " ", to, " ", bins), func() (*dashboard.Curves, error) { return curvesOf(ctx, a.s, id, from, to, bins) })
	})
}

// waitable tells why what is computed from a run's whole record can't be had by
// a page: nil, it can.
func (a archive) waitable(id, what string) error {
	rd, err := a.s.Reader(id)
	if err != nil {
		return dashboard.ErrNoRun
	}
	defer rd.Close()
	m := rd.Meta()
	return readable(&m, rd.Bytes(), what)
}

// readable tells why a page can't have what of a run whose file holds size bytes.
func readable(m *store.Meta, size int64, what string) error {
	command := map[string]string{"report": "write its report with ventward report " + m.ID + " -o run.pdf", "journal": "list it with ventward journal " + m.ID,
		"curves": "take them out with ventward export " + m.ID + " --format parquet -o run.parquet"}
	switch {
	case m.State == store.StateOpen:
		return &dashboard.Refusal{Reason: "run " + m.ID + " is still being recorded", Next: "ask again when it has ended"}
	case m.Entries == 0:
		return &dashboard.Refusal{Reason: "nothing was recorded in run " + m.ID + ": it ended as it began", Next: "choose another run"}
	case size > mostReport:
		return &dashboard.Refusal{Reason: fmt.Sprintf("run %s holds %d MB, more than the %d MB that a page waits for", m.ID, size>>20, int64(mostReport)>>20), Next: command[what]}
	}
	return nil
}

// Runs lists the newest runs first.
func (a archive) Runs(_ context.Context, limit int) ([]dashboard.RunSummary, error) {
	ms, err := a.s.Runs(store.Filter{})
	if err != nil {
		return nil, err
	}
	var out []dashboard.RunSummary
	for i := len(ms) - 1; i >= 0 && len(out) < limit; i-- {
		if ms[i].Kind != store.KindIdle {
			out = append(out, summarise(&ms[i]))
		}
	}
	return out, nil
}

// Run returns one run with the newest revision of each of its events.
func (a archive) Run(_ context.Context, id string) (dashboard.RunSummary, []report.Line, error) {
	rd, err := a.s.Reader(id)
	if err != nil {
		return dashboard.RunSummary{}, nil, dashboard.ErrNoRun
	}
	defer rd.Close()
	m := rd.Meta()
	sum := summarise(&m)
	events, err := lastRevisions(rd)
	if err != nil {
		return sum, nil, err
	}
	first, err := firstEntry(rd)
	if errors.Is(err, errEmpty) {
		return sum, nil, nil
	}
	if err != nil {
		return sum, nil, err
	}
	var s setup
	if err := json.Unmarshal(first.Body, &s); err != nil || s.Bench == nil {
		return sum, nil, errNoSetup
	}
	lines := make([]report.Line, 0, len(events))
	for i := range events {
		lines = append(lines, report.EventLine(events[i], m.Start, s.Bench.Channels))
	}
	n := len(lines)
	sum.Events = &n
	return sum, lines, nil
}

func summarise(m *store.Meta) dashboard.RunSummary {
	return dashboard.RunSummary{ID: m.ID, Specimen: m.Specimen, Lot: m.Lot, Shot: m.Shot, StartUTC: m.StartUTC().Format(time.RFC3339Nano), DurationS: lasts(m),
		Open: m.State == store.StateOpen, Interrupted: m.State == store.StateInterrupted}
}

// lastRevisions returns the newest revision of each event of a run, by id.
func lastRevisions(rd *store.Reader) ([]detect.Event, error) {
	rows, err := rd.Events()
	if err != nil {
		return nil, err
	}
	last := map[int]detect.Event{}
	for i := range rows {
		last[rows[i].Event.ID] = rows[i].Event
	}
	out := make([]detect.Event, 0, len(last))
	for _, e := range last {
		out = append(out, e)
	}
	slices.SortFunc(out, func(a, b detect.Event) int { return a.ID - b.ID })
	return out, nil
}
