package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"

	"github.com/spf13/cobra"

	"ventward/daq"
	"ventward/detect"
	"ventward/store"
)

func verifyCommand(g *global) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "verify RUN",
		Short: "Recompute a stored run from its record and compare",
		Long: `Checks every checksum and the run's hash, feeds the record to the same code that
ran live, and compares events, alarms, demands and figures. Exit 1 and a list of
differences where anything differs.`,
		Example: `  ventward verify 20261125-093012-114-5b1d2c3e`,
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			st, err := store.Open(g.data, store.Options{Access: store.Read})
			if err != nil {
				return err
			}
			defer st.Close()
			v, err := verify(st, args[0])
			if err != nil {
				return err
			}
			return v.print(c.OutOrStdout(), asJSON)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "one JSON line on standard output")
	return c
}

// verdict is what verify found.
type verdict struct {
	Run         string   `json:"run"`
	Same        bool     `json:"same"`
	State       string   `json:"state"`
	Entries     uint64   `json:"entries"`
	Events      int      `json:"events"`
	Alarms      int      `json:"alarms"`
	Findings    int      `json:"findings"`
	Algorithm   int      `json:"algorithm"`
	Recorded    int      `json:"recorded_algorithm"`
	Differences []string `json:"differences"`
}

// maxDifferences bounds what is listed.
const maxDifferences = 50

func (v *verdict) differ(format string, args ...any) {
	if len(v.Differences) < maxDifferences {
		v.Differences = append(v.Differences, fmt.Sprintf(format, args...))
	}
}

func (v *verdict) print(w io.Writer, asJSON bool) error {
	if asJSON {
		if err := json.NewEncoder(w).Encode(v); err != nil {
			return err
		}
	} else {
		if v.Algorithm != v.Recorded {
			fmt.Fprintf(w, "recorded with algorithm %d, recomputed with algorithm %d\n", v.Recorded, v.Algorithm)
		}
		for _, d := range v.Differences {
			fmt.Fprintln(w, d)
		}
		word := "same"
		if !v.Same {
			word = "DIFFERENT"
		}
		fmt.Fprintf(w, "%s: %s (%s; %d entries, %d event revisions, %d alarm changes, %d findings)\n", v.Run, word, v.State, v.Entries, v.Events, v.Alarms, v.Findings)
	}
	if !v.Same {
		return errNo
	}
	return nil
}

// verify checks a run's raw data and recomputes everything derived from it.
func verify(st *store.Store, id string) (*verdict, error) {
	v := &verdict{Run: id, Algorithm: algorithm, Differences: []string{}}
	if err := st.Check(id); err != nil {
		var damage *store.Corrupt
		switch {
		case errors.Is(err, store.ErrUnknown):
			return nil, wrongUse{err}
		case !errors.As(err, &damage):
			return nil, err
		}
		v.differ("raw data: %v", err)
		return v, nil
	}
	rd, err := st.Reader(id)
	if err != nil {
		return nil, err
	}
	defer rd.Close()
	meta := rd.Meta()
	v.State, v.Recorded = string(meta.State), meta.Algorithm
	got := &derived{fits: map[int]detect.Finding{}, found: map[int]detect.Finding{}}
	_, err = play(rd, nil, func(en *daq.Entry, out *outcome, e *engine) error {
		v.Entries++
		got.take(en, out, e)
		return nil
	})
	if err != nil {
		v.differ("record: %v", err)
		return v, nil
	}
	if err := v.compare(rd, got); err != nil {
		return nil, err
	}
	if v.Algorithm != v.Recorded {
		v.differ("algorithm %d is in force, the run was computed with %d: differences are expected", v.Algorithm, v.Recorded)
	}
	v.Same = len(v.Differences) == 0
	return v, nil
}

// derived is what a replay gave.
type derived struct {
	events  []store.EventRow
	alarms  []store.AlarmRow
	demands []store.DemandRow
	fits    map[int]detect.Finding // by window: computed now
	found   map[int]detect.Finding // by window: recorded
}

func (d *derived) take(en *daq.Entry, out *outcome, e *engine) {
	heart, _, _ := e.judge.Heartbeat()
	for i := range out.Events {
		d.events = append(d.events, store.EventRow{N: en.N, Event: out.Events[i]})
	}
	for i := range out.Alarms {
		d.alarms = append(d.alarms, store.AlarmRow{N: en.N, Alarm: out.Alarms[i]})
	}
	for _, dm := range out.Demands {
		if dm.Output != heart {
			d.demands = append(d.demands, store.DemandRow{N: en.N, Demand: dm})
		}
	}
	for _, w := range out.Windows {
		d.fits[w.Serial] = fit(e.bench, w)
	}
	if en.Kind == daq.EntryFinding {
		var f detect.Finding
		if json.Unmarshal(en.Body, &f) == nil {
			d.found[f.Serial] = f
		}
	}
}

func (v *verdict) compare(rd *store.Reader, got *derived) error {
	events, err := rd.Events()
	if err != nil {
		return err
	}
	alarms, err := rd.Alarms()
	if err != nil {
		return err
	}
	demands, err := rd.Demands()
	if err != nil {
		return err
	}
	v.Events, v.Alarms, v.Findings = len(events), len(alarms), len(got.found)
	compareRows(v, "event", events, got.events, func(a, b store.EventRow) string { return unlike(a.N, b.N, a.Event, b.Event) })
	compareRows(v, "alarm", alarms, got.alarms, func(a, b store.AlarmRow) string { return unlike(a.N, b.N, a.Alarm, b.Alarm) })
	compareRows(v, "demand", demands, got.demands, func(a, b store.DemandRow) string { return unlike(a.N, b.N, a.Demand, b.Demand) })
	for serial, f := range got.found {
		now, ok := got.fits[serial]
		switch {
		case !ok:
			v.differ("finding of window %d: the record has one, the replay asked for none", serial)
		default:
			if d := alike(reflect.ValueOf(f), reflect.ValueOf(roundTrip(now)), "finding"); d != "" {
				v.differ("finding of window %d: %s", serial, d)
			}
		}
	}
	return nil
}

// roundTrip passes a finding through the form in which it is recorded.
func roundTrip(f detect.Finding) detect.Finding {
	var out detect.Finding
	if err := json.Unmarshal(findingBody(f), &out); err != nil {
		return f
	}
	return out
}

func compareRows[T any](v *verdict, what string, stored, now []T, differ func(a, b T) string) {
	if len(stored) != len(now) {
		v.differ("%ss: %d stored, %d recomputed", what, len(stored), len(now))
	}
	for i := range min(len(stored), len(now)) {
		if d := differ(stored[i], now[i]); d != "" {
			v.differ("%s %d: %s", what, i, d)
		}
	}
}

func unlike(na, nb uint64, a, b any) string {
	if na != nb {
		return fmt.Sprintf("at entry %d stored, %d recomputed", na, nb)
	}
	return alike(reflect.ValueOf(a), reflect.ValueOf(b), "")
}

// tolerance is the relative difference that figures may have.
const tolerance = 1e-9

// alike compares two values of one type: numbers of float kind within the
// tolerance, all else exactly. It names the first difference.
func alike(a, b reflect.Value, path string) string {
	switch a.Kind() {
	case reflect.Pointer:
		if a.IsNil() || b.IsNil() {
			if a.IsNil() != b.IsNil() {
				return path + ": stored and recomputed differ in having a figure"
			}
			return ""
		}
		return alike(a.Elem(), b.Elem(), path)
	case reflect.Struct:
		for i := range a.NumField() {
			if d := alike(a.Field(i), b.Field(i), path+"."+a.Type().Field(i).Name); d != "" {
				return d
			}
		}
		return ""
	case reflect.Slice:
		if a.Len() != b.Len() {
			return fmt.Sprintf("%s: %d stored, %d recomputed", path, a.Len(), b.Len())
		}
		for i := range a.Len() {
			if d := alike(a.Index(i), b.Index(i), fmt.Sprintf("%s[%d]", path, i)); d != "" {
				return d
			}
		}
		return ""
	case reflect.Float64:
		x, y := a.Float(), b.Float()
		if x == y || math.Abs(x-y) <= tolerance*math.Max(math.Abs(x), math.Abs(y)) {
			return ""
		}
	case reflect.Map:
		if reflect.DeepEqual(a.Interface(), b.Interface()) || a.Len() == 0 && b.Len() == 0 {
			return ""
		}
	default:
		if a.Interface() == b.Interface() {
			return ""
		}
	}
	return fmt.Sprintf("%s: %v stored, %v recomputed", path, a.Interface(), b.Interface())
}
