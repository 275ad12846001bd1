package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"ventward/analysis/lot"
	"ventward/config"
	"ventward/daq"
	"ventward/detect"
	"ventward/report"
	"ventward/store"
)

// runShots makes shots of one run: its openings, by feature. A run with a feature
// under test is one shot of that feature: what else opened is told in its reason.
// Where nothing opened it held to at least its highest pressure.
func runShots(st *store.Store, m *store.Meta) ([]lot.Shot, error) {
	rd, err := st.Reader(m.ID)
	if err != nil {
		return nil, err
	}
	defer rd.Close()
	b, err := benchOf(rd)
	if errors.Is(err, errEmpty) {
		return nil, nil // no shot: it began just now, or ended as it began
	}
	if err != nil {
		return nil, err
	}
	events, err := lastRevisions(rd)
	if err != nil {
		return nil, err
	}
	celsius := b.Detect.Fixture.TemperatureK - 273.15 // what was; a list says what was meant to be
	base := lot.Shot{Lot: m.Lot, ID: shotName(m), Feature: m.Feature, Status: lot.Invalid, PressurePa: notAPressure(), TemperatureC: &celsius,
		Medium: strings.TrimSpace(string(b.Detect.Medium) + " " + gasName(b))}
	if ramp := b.RampPaS; ramp > 0 {
		base.RampPaS = &ramp
	}
	if b.Detect.Rig == detect.RunawayRig {
		base.Reason = "a runaway: the pressure is the vessel's, not what a feature of the cell opened at"
		return []lot.Shot{base}, nil
	}
	var out []lot.Shot
	seen := map[string]bool{}
	var others []string
	for i := range events {
		e := &events[i]
		if !e.Opens() || e.Feature == "" && m.Feature == "" {
			continue
		}
		s := base
		if e.Feature != "" {
			s.Feature = e.Feature
		}
		if seen[s.Feature] {
			continue // the same feature again: the first opening counts
		}
		seen[s.Feature] = true
		if s = openingShot(s, e, m, b); m.Feature == "" || s.Feature == m.Feature {
			out = append(out, s)
		} else {
			others = append(others, openedAt(&s))
		}
	}
	if m.Feature == "" {
		return out, nil
	}
	also := strings.Join(others, " and ")
	switch {
	case len(out) == 0:
		s, err := heldShot(base, st, m, also)
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	case also != "":
		out[0].Reason = bothOf(out[0].Reason, also+" opened too")
	}
	return out, nil
}

// openedAt names another feature's opening within a sentence.
func openedAt(s *lot.Shot) string {
	if !(s.PressurePa > 0) {
		return "the " + s.Feature
	}
	return fmt.Sprintf("the %s (%.2f bar gauge)", s.Feature, s.PressurePa/report.PaPerBar)
}

func shotName(m *store.Meta) string {
	switch {
	case m.Shot > 0:
		return strconv.Itoa(m.Shot)
	case m.Specimen != "":
		return m.Specimen
	}
	return m.ID
}

// gasName names the bench's gas; empty with a liquid.
func gasName(b *config.Bench) string {
	if b.Detect.Medium == detect.Liquid {
		return ""
	}
	return b.Detect.Fixture.Gas
}

// benchOf reads the bench description that a record begins with.
func benchOf(rd *store.Reader) (*config.Bench, error) {
	first, err := firstEntry(rd)
	if err != nil {
		return nil, err
	}
	var s setup
	if err := json.Unmarshal(first.Body, &s); err != nil || s.Bench == nil {
		return nil, errors.Join(errNoSetup, err)
	}
	return s.Bench, nil
}

// openingShot is the shot that an opening makes.
func openingShot(s lot.Shot, e *detect.Event, m *store.Meta, b *config.Bench) lot.Shot {
	if e.RampPaS != nil && *e.RampPaS > 0 {
		s.RampPaS = e.RampPaS
	}
	p := e.PressurePa
	bound := e.Has(detect.FlagSaturated) || e.Has(detect.FlagLowerBound)
	if p == nil && bound {
		p = e.PeakPa
	}
	if p == nil {
		s.Reason = "the opening's pressure could not be computed"
		if why := e.Absent["pressure_Pa"]; why != "" {
			s.Reason += ": " + why
		}
		return s
	}
	if u, ok := report.OpeningBudget(e, b.Channels); ok {
		own := u.Inputs[0].U * report.PaPerBar // the rest is the certificate's and the same for every shot
		s.MeasurementPa = &own
	}
	gauge, why := gaugePa(*p, e.Reference, b)
	s.PressurePa = gauge
	switch {
	case m.State == store.StateOpen:
		s.Reason = "the run is still being recorded"
	case !(gauge > 0):
		s.Reason = "not above zero gauge: check the zero and the reference"
	case bound:
		s.Status, s.Reason = lot.Saturated, "transducer saturated: it opened at least at this pressure"
	default:
		s.Status, s.Reason = lot.Valid, why
	}
	return s
}

// gaugePa turns a recorded pressure into gauge, by the ambient pressure of the
// bench description where it was recorded absolute.
func gaugePa(p float64, ref daq.Reference, b *config.Bench) (pa float64, remark string) {
	if ref != daq.Absolute {
		return p, ""
	}
	ambient := b.Detect.Fixture.AmbientPa
	return p - ambient, fmt.Sprintf("recorded absolute; %.5f bar ambient subtracted", ambient/1e5)
}

// heldShot is the shot of a run in which the feature under test didn't open;
// other says what did.
func heldShot(s lot.Shot, st *store.Store, m *store.Meta, other string) (lot.Shot, error) {
	switch {
	case other != "":
		s.Reason = "not the " + m.Feature + " but " + other + " opened, by the record"
		return s, nil
	case m.State == store.StateOpen:
		s.Reason = "the run is still being recorded"
		return s, nil
	}
	peak, ok, err := highest(st, m.ID)
	if err != nil {
		return s, err
	}
	if !ok || !(peak > 0) {
		s.Reason = "no opening and no valid pressure was seen"
		return s, nil
	}
	s.Status, s.PressurePa, s.Reason = lot.Aborted, peak, "no opening was seen: held to at least this pressure"
	return s, nil
}

// highest plays a run and returns the highest valid specimen pressure, gauge.
// Single highest samples are biased up by noise and may be spikes, so the
// highest median of five counts.
func highest(st *store.Store, id string) (pa float64, ok bool, err error) {
	rd, err := st.Reader(id)
	if err != nil {
		return 0, false, err
	}
	defer rd.Close()
	var last [5]float64
	n := 0
	_, err = play(rd, nil, func(_ *daq.Entry, _ *outcome, e *engine) error {
		if e.main < 0 {
			return nil
		}
		for _, s := range e.samples[e.main] {
			if s.Q&daq.Bad != 0 {
				n = 0
				continue
			}
			last[n%len(last)] = s.V
			if n++; n < len(last) {
				continue
			}
			v, _ := gaugePa(middle(last), e.bench.Channels[e.main].Reference, e.bench)
			if !ok || v > pa {
				pa, ok = v, true
			}
		}
		return nil
	})
	return pa, ok, err
}

// middle is the median of five.
func middle(v [5]float64) float64 {
	for i := 1; i < len(v); i++ {
		for j := i; j > 0 && v[j] < v[j-1]; j-- {
			v[j], v[j-1] = v[j-1], v[j]
		}
	}
	return v[2]
}
