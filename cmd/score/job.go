package main

import (
	"fmt"
	"math"

	"ventward/analysis"
	"ventward/daq"
	"ventward/detect"
	"ventward/sim"
)

// A job is one trace.
type job struct {
	kind sim.ScenarioKind
	seed uint64
	rate float64
}

// A result is what came of a job.
type result struct {
	job
	err     error
	truths  []opening      // true openings with their limits
	events  []detect.Event // last revision of each, by id
	first   map[int]detect.Event
	wrong   []detect.Event // openings called where there was none
	notes   []string
	windows int
	slow    []sluggish
}

// A sluggish is a true leak or bulge that a fair detector finds.
type sluggish struct {
	sim.Truth
	found bool
}

// An opening is a true opening, its limits, and the event that saw it.
type opening struct {
	sim.Truth
	limit
	event       *detect.Event // nil: missed
	first       detect.Event
	late        int     // samples there were from the start to the decision
	level       float64 // true pressure in the event's channel's reference, Pa
	statistical float64 // the stated uncertainty without the calibration's part, Pa
	shown       float64 // the same as the channel's calibration error makes it
	alone       bool    // one sensor watches the volume: shown is then known exactly
}

const falseAlarmS = 1000 * 3600.0

func (j job) play(o options) result {
	r := result{job: j, first: map[int]detect.Event{}}
	tr, err := sim.Play(sim.Scenario{Kind: j.kind.Name, Seed: j.seed, Rate: j.rate})
	if err != nil {
		r.err = err
		return r
	}
	if err := r.watch(tr, o); err != nil {
		r.err = err
		return r
	}
	for i := range tr.Truth {
		if tr.Truth[i].Opens() {
			l, err := limits(tr, i)
			if err != nil {
				r.err = err
				return r
			}
			r.truths = append(r.truths, opening{Truth: tr.Truth[i], limit: l})
		}
		if k := tr.Truth[i].Event; (k == "leak" || k == "bulge") && slow(tr, i) {
			r.slow = append(r.slow, sluggish{Truth: tr.Truth[i]})
		}
	}
	r.match(tr)
	return r
}

// benchOptions turns the simulated one into what a bench description would say.
func benchOptions(tr *sim.Trace) detect.Options {
	o := detect.Options{Rig: detect.BurstRig, Medium: detect.Gas, FalseAlarmS: falseAlarmS, Channels: tr.Channels(),
		Fixture: detect.Fixture{VolumeM3: tr.Fixture.VolumeM3, Gas: tr.Fixture.Gas, TemperatureK: tr.Fixture.RoomC + 273.15, AmbientPa: tr.Fixture.AmbientPa}}
	if tr.Liquid {
		o.Medium = detect.Liquid
	}
	for range o.Channels {
		o.RateHz = append(o.RateHz, tr.RateHz)
	}
	return o
}

// watch runs conditioner, monitor and fit over the trace.
func (r *result) watch(tr *sim.Trace, o options) error {
	cond, err := daq.NewConditioner(tr.Channels(), []daq.Instrument{tr.Instrument})
	if err != nil {
		return err
	}
	opt := benchOptions(tr)
	m, err := detect.New(opt)
	if err != nil {
		return err
	}
	take := func() {
		for range 8 { // a finding may ask for another window
			ready := m.Take()
			events, windows := ready.Events, ready.Windows
			for _, e := range events {
				r.keep(e)
			}
			if len(windows) == 0 {
				return
			}
			for _, w := range windows {
				r.windows++
				switch {
				case o.nofit:
				case w.Rise:
					m.Finding(analysis.FitFirstVenting(w, opt.Channels[w.Channel]))
				default:
					m.Finding(analysis.FitOpening(w, opt.Channels[w.Channel], opt))
				}
			}
			if o.nofit {
				return
			}
		}
	}
	for _, b := range tr.Batches(int(math.Max(1, tr.RateHz/200))) {
		cond.Take(b, daq.Stamp{Times: b.Times, Settled: true}, func(ch daq.ChannelID, s []daq.Sample) { m.Step(ch, s) })
		m.Tick(b.Arrived)
		take()
	}
	m.Tick(tr.Span)
	take()
	m.Close()
	take()
	return nil
}

// keep holds the first and the last revision of an event.
func (r *result) keep(e detect.Event) {
	if _, ok := r.first[e.ID]; !ok {
		r.first[e.ID] = e
	}
	for i := range r.events {
		if r.events[i].ID == e.ID {
			r.events[i] = e
			return
		}
	}
	r.events = append(r.events, e)
}

// match gives every true opening the first free opening event decided from its
// start on and before the next one could be seen; what is left was false.
func (r *result) match(tr *sim.Trace) {
	used := map[int]bool{}
	slack := int64(2e9 / tr.RateHz)
	for i := range r.truths {
		t := &r.truths[i]
		until := tr.Span
		if i+1 < len(r.truths) {
			until = r.truths[i+1].StartNS + slack
		}
		for k := range r.events {
			e := &r.events[k]
			if used[e.ID] || !e.Opens() || e.Decided < t.StartNS-slack || e.Decided > until {
				continue
			}
			used[e.ID] = true
			t.event, t.first = e, r.first[e.ID]
			for k := t.start; k < len(tr.T) && tr.T[k] <= e.Decided; k++ {
				t.late++
			}
			t.level = t.PressurePa
			if tr.Series[e.Channel].Channel.Reference == daq.Absolute {
				t.level += tr.Fixture.AmbientPa
			}
			cal := r.calibration(tr, t, e.Channel)
			if e.PressureUPa != nil {
				t.statistical = math.Sqrt(math.Max(0, *e.PressureUPa**e.PressureUPa-cal*cal))
			}
			break
		}
	}
	r.matchSlow()
	for _, e := range r.events {
		if e.Opens() && !used[e.ID] {
			r.wrong = append(r.wrong, e)
			r.notes = append(r.notes, fmt.Sprintf("false %s at %.4f s (decided %.4f)", e.Kind, float64(e.Onset)*1e-9, float64(e.Decided)*1e-9))
		}
	}
	for i := range r.truths {
		if t := &r.truths[i]; t.event == nil && t.allowed {
			r.notes = append(r.notes, fmt.Sprintf("missed opening at %.4f s, information %.0f, N_lim %d", float64(t.OnsetNS)*1e-9, t.information, t.nLim))
		}
	}
}

// calibration sets what the trace's calibration errors make of the true level
// where all sensors of the volume are weighed by their variances, in the
// reference of channel ch, and returns the expanded uncertainty that is left.
// Which sensors the program heard, and how it weighed what they differ by, it
// doesn't say: with more than one the level is no more than about right.
func (r *result) calibration(tr *sim.Trace, t *opening, ch daq.ChannelID) float64 {
	var sum, weights float64
	sensors := 0
	for i := range tr.Series {
		s := &tr.Series[i]
		if s.Channel.Role != daq.RoleSpecimen {
			continue
		}
		level := t.PressurePa
		if s.Channel.Reference == daq.Absolute {
			level += tr.Fixture.AmbientPa
		}
		sensors++
		c := s.Channel.Curve
		u := math.Hypot(math.Hypot(c.UOffset, c.UGain*level), s.Sigma/math.Sqrt(math.Max(float64(t.start-t.begin), 1)))
		sum += (calibrated(s, t.begin, t.start, level) - level) / (u * u)
		weights += 1 / (u * u)
	}
	t.shown, t.alone = t.level, sensors == 1
	if weights == 0 {
		return 0
	}
	t.shown += sum / weights
	return 2 / math.Sqrt(weights)
}

// matchSlow looks for an event of its kind for each true leak and bulge.
func (r *result) matchSlow() {
	for i := range r.slow {
		x := &r.slow[i]
		for k := range r.events {
			if e := &r.events[k]; string(e.Kind) == x.Event && e.Decided >= x.StartNS {
				x.found = true
			}
		}
		if !x.found {
			r.notes = append(r.notes, fmt.Sprintf("missed %s at %.4f s, rate %.3g bar/s", x.Event, float64(x.StartNS)*1e-9, x.RatePaS/1e5))
		}
	}
}
