package dashboard

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"net/http"
	"strconv"
	"strings"

	"ventward/daq"
	"ventward/stream"
)

// metrics writes the Prometheus text exposition format, version 0.0.4.
func (s *Server) metrics(w http.ResponseWriter, _ *http.Request) {
	var b bytes.Buffer
	m := metricWriter{w: &b}
	m.gauge("ventward_build_info", "The running program.", 1, "version", s.o.Version)
	writeHub(&m, s.o.Hub.Stats())
	if st := s.o.Hub.Snapshot(-1).State; st != nil {
		writeBench(&m, st)
		writeSensors(&m, st.Sensors)
		writeInstruments(&m, st.Lines)
		writeOutputs(&m, st)
	}
	if s.o.Metrics != nil {
		s.o.Metrics(&b)
	}
	w.Header().Set("Content-Type", "text/plain; version=0.0.4; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Write(b.Bytes())
}

// A metricWriter writes samples and, before the first one of a name, its help
// and type.
type metricWriter struct {
	w    io.Writer
	last string
}

func (m *metricWriter) gauge(name, help string, v float64, labels ...string) {
	m.sample("gauge", name, help, v, labels)
}

func (m *metricWriter) counter(name, help string, v uint64, labels ...string) {
	m.sample("counter", name, help, float64(v), labels)
}

var escapeLabel = strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`)

func (m *metricWriter) sample(kind, name, help string, v float64, labels []string) {
	if math.IsNaN(v) {
		return
	}
	if m.last != name {
		fmt.Fprintf(m.w, "# HELP %s %s\n# TYPE %s %s\n", name, help, name, kind)
		m.last = name
	}
	io.WriteString(m.w, name)
	for i := 0; i+1 < len(labels); i += 2 {
		sep := ","
		if i == 0 {
			sep = "{"
		}
		fmt.Fprintf(m.w, `%s%s="%s"`, sep, labels[i], escapeLabel.Replace(labels[i+1]))
	}
	if len(labels) > 1 {
		io.WriteString(m.w, "}")
	}
	io.WriteString(m.w, " "+strconv.FormatFloat(v, 'g', -1, 64)+"\n")
}

func writeHub(m *metricWriter, h stream.Stats) {
	m.gauge("ventward_viewers", "Viewers of the live feed now.", float64(h.Viewers))
	m.counter("ventward_viewers_joined_total", "Viewers that joined.", h.Joined)
	m.counter("ventward_viewers_turned_away_total", "Viewers turned away because there were too many.", h.Turned)
	m.counter("ventward_viewers_slow_total", "Viewers closed because they fell behind with events and alarms.", h.Slow)
	m.counter("ventward_frames_total", "Sample frames made.", h.Frames)
	m.counter("ventward_frames_merged_total", "Sample frames that a viewer got merged with later ones.", h.Skipped)
	m.counter("ventward_live_refused_bins_total", "Live bins given up because nobody flushed.", h.RefusedBins)
	m.counter("ventward_live_refused_events_total", "Events no longer kept for late viewers.", h.RefusedEvents)
	m.counter("ventward_live_refused_alarms_total", "Alarms no longer kept for late viewers.", h.RefusedAlarms)
}

func writeBench(m *metricWriter, s *stream.State) {
	m.gauge("ventward_loop_lag_seconds", "Age of the entry the loop took last.", s.LoopLagS)
	m.counter("ventward_refused_entries_total", "Entries refused because a queue was full.", s.Refused)
	m.gauge("ventward_recording", "1 while a run is being recorded.", one(s.Record.Recording))
	m.gauge("ventward_store_lag_seconds", "Age of the oldest entry not yet committed.", s.Record.LagS)
	m.counter("ventward_store_lost_entries_total", "Entries that could not be stored.", s.Record.Lost)
	m.gauge("ventward_store_free_bytes", "Free space where runs are stored.", float64(s.Record.FreeBytes))
	if s.Forward != nil {
		m.gauge("ventward_forward_up", "1 while the time-series database answers.", one(s.Forward.Up))
		m.gauge("ventward_forward_lag_seconds", "How far the copy to the time-series database is behind.", s.Forward.LagS)
		m.counter("ventward_forward_points_total", "Points the time-series database took.", s.Forward.Points)
		m.counter("ventward_forward_refused_total", "Points the time-series database refused.", s.Forward.Refused)
	}
}

func writeSensors(m *metricWriter, sensors []stream.SensorState) {
	each := func(f func(*stream.SensorState)) {
		for i := range sensors {
			f(&sensors[i])
		}
	}
	each(func(s *stream.SensorState) {
		if s.Quantity == daq.Pressure && s.Value != nil {
			m.gauge("ventward_pressure_bar", "Newest pressure, bar, in the channel's reference.", *s.Value/1e5, "channel", s.Name, "reference", string(s.Reference))
		}
	})
	each(func(s *stream.SensorState) {
		if s.Quantity == daq.Temperature && s.Value != nil {
			m.gauge("ventward_temperature_celsius", "Newest temperature.", *s.Value, "channel", s.Name)
		}
	})
	each(func(s *stream.SensorState) {
		m.gauge("ventward_sensor_age_seconds", "Age of the newest sample.", s.AgeS, "channel", s.Name)
	})
	each(func(s *stream.SensorState) {
		m.gauge("ventward_sensor_good", "1 while the quality is good.", one(s.Quality == "good" || s.Quality == ""), "channel", s.Name)
	})
	each(func(s *stream.SensorState) {
		m.gauge("ventward_sensor_rate_hertz", "Samples a second.", s.RateHz, "channel", s.Name)
	})
}

func writeInstruments(m *metricWriter, lines []stream.LineState) {
	for i := range lines {
		m.gauge("ventward_instrument_up", "1 while the instrument's port is open.", one(lines[i].Up), "instrument", lines[i].Name)
	}
	counters := []struct {
		name, help string
		of         func(c *daq.Counters) uint64
	}{
		{"bytes", "Bytes received.", func(c *daq.Counters) uint64 { return c.Bytes }},
		{"rows", "Rows of readings decoded.", func(c *daq.Counters) uint64 { return c.Rows }},
		{"bad_messages", "Messages refused: checksum, form or length.", func(c *daq.Counters) uint64 { return c.Bad }},
		{"lost_rows", "Rows missing by the device's own sequence.", func(c *daq.Counters) uint64 { return c.LostRows }},
		{"refused_rows", "Rows refused because the loop's queue was full.", func(c *daq.Counters) uint64 { return c.Refused }},
		{"timeouts", "Questions without an answer in time.", func(c *daq.Counters) uint64 { return c.Timeouts }},
		{"resets", "Resets of the device's sequence or tick.", func(c *daq.Counters) uint64 { return c.Resets }},
	}
	for _, c := range counters {
		for i := range lines {
			m.counter("ventward_instrument_"+c.name+"_total", c.help, c.of(&lines[i].Counters), "instrument", lines[i].Name)
		}
	}
}

func writeOutputs(m *metricWriter, s *stream.State) {
	for i := range s.Outputs {
		m.gauge("ventward_output_demanded", "1 while the output is demanded on.", one(s.Outputs[i].Demanded), "output", s.Outputs[i].Name)
	}
	for i := range s.Outputs {
		m.gauge("ventward_output_agrees", "1 while the output was read back as demanded.", one(s.Outputs[i].Agrees), "output", s.Outputs[i].Name)
	}
	if s.Watchdog.Present {
		m.gauge("ventward_watchdog_beating", "1 while edges for the watchdog relay are confirmed.", one(s.Watchdog.Beating))
	}
	for i := range s.Trips {
		m.gauge("ventward_trip", "1 while the rule's demand to make safe is latched.", one(s.Trips[i].Tripped), "rule", s.Trips[i].Rule)
	}
}

func one(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
