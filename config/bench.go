package config

import (
	_ "embed"
	"fmt"
	"os"
	"path/filepath"

	"ventward/daq"
	"ventward/daq/wire"
	"ventward/detect"
	"ventward/guard"
)

// Bench is a bench description: the option structs of the packages that run
// it. It travels in every record as JSON and comes back from it unchanged,
// but for the database's token, which never leaves the daemon.
type Bench struct {
	Name   string `json:"name"`
	Listen string `json:"listen"` // address of the web page
	Source string `json:"source"` // name of the file it was read from

	Instruments []Instrument      `json:"instruments"`
	Channels    []daq.Channel     `json:"channels"`
	Outputs     []daq.Output      `json:"outputs,omitempty"`
	Detect      detect.Options    `json:"detect"`
	Guard       guard.Options     `json:"guard"`
	Record      Record            `json:"record"`
	Influx      *Influx           `json:"influx,omitempty"` // nil: no copy to a database
	Watch       Watch             `json:"watch"`
	Fixture     Fixture           `json:"fixture,omitzero"`
	RampPaS     float64           `json:"ramp_Pa_s,omitempty"`        // intended ramp; 0: not stated
	Slow        map[string]string `json:"slow_accepted_by,omitempty"` // by channel: who accepted an instrument that is too slow for the ramp
	WatchdogS   float64           `json:"watchdog_s,omitempty"`       // the hard relay opens after this long without an edge
	HeartbeatS  float64           `json:"heartbeat_s,omitempty"`      // time between edges
	NoWatchdog  string            `json:"without_watchdog,omitempty"` // who decided to run outputs without one

	source *document // where it was read from; nil when it came from a record
}

// Instrument is one device on one serial line, with the options of its
// protocol: exactly one of Line, Frame, Modbus and Query is set.
type Instrument struct {
	daq.Instrument
	Line   *wire.LineOptions   `json:"line,omitempty"`
	Frame  *wire.FrameOptions  `json:"frame,omitempty"`
	Modbus *wire.ModbusOptions `json:"modbus,omitempty"`
	Query  *wire.QueryOptions  `json:"query,omitempty"`

	AdapterS  float64 `json:"adapter_s,omitempty"`  // that a serial adapter may keep bytes back, s
	FrameRows int     `json:"frame_rows,omitempty"` // rows in one frame; 0: as many as fit
}

// Fixture is what was determined of the fixture, and when.
type Fixture struct {
	VolumeDate   string  `json:"volume_date,omitempty"`
	VolumeMethod string  `json:"volume_method,omitempty"`
	LeakDate     string  `json:"leak_date,omitempty"`
	LeakUPaS     float64 `json:"leak_u_Pa_s,omitempty"` // standard uncertainty of the leak rate, Pa/s
}

// Record says how the record is kept.
type Record struct {
	PreTriggerS  float64 `json:"pre_trigger_s"`  // kept from before a run starts, at most 120 s
	IdleS        float64 `json:"idle_s"`         // kept on disk while nothing is armed
	CommitS      float64 `json:"commit_s"`       // time between commits
	MinFreeBytes uint64  `json:"min_free_bytes"` // free space that arming asks for
}

// Influx names the time-series database to which stored runs are copied.
type Influx struct {
	URL      string `json:"url"`
	Org      string `json:"org,omitempty"`
	Bucket   string `json:"bucket"` // of a 1.8 server: database/retention policy
	TokenEnv string `json:"token_env,omitempty"`
	// Token is a secret ("user:password" for a 1.8 server): it is not part of
	// the JSON that goes into the record.
	Token string `json:"-"`
}

// Watch is the pressure watch that ends a run.
type Watch struct {
	SafePa float64 `json:"safe_Pa"` // every specimen pressure below this, Pa gauge ...
	ForS   float64 `json:"for_s"`   // ... for this long, s
}

//go:embed kiln2.toml
var example []byte

// Example returns the commented description of the example bench "Kiln 2",
// which the demo runs.
func Example() []byte { return append([]byte(nil), example...) }

// Load reads the bench description at path. The error is Problems where the
// description itself is wrong.
func Load(path string) (*Bench, error) {
	data, err := readFile("bench description", path)
	if err != nil {
		return nil, err
	}
	return Parse(filepath.Base(path), data)
}

// readFile reads a description; what names it in messages.
func readFile(what, path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; give the path of a readable file", what, err)
	}
	if info.Size() > maxBytes {
		return nil, fmt.Errorf("%s: %d bytes is more than the %d a description may have; check that this is the right file", path, info.Size(), maxBytes)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w; give the path of a readable file", what, err)
	}
	return data, nil
}

// Parse reads a bench description; name is the file's name for messages. All
// problems come back at once, as Problems.
func Parse(name string, data []byte) (*Bench, error) {
	d := readDocument(name, data)
	if len(d.problems) > 0 {
		return nil, d.problems
	}
	b := &Bench{Source: name, source: d}
	r := reading{d: d, bench: b}
	r.root(d.section())
	d.unknown()
	if len(d.problems) == 0 {
		r.crossCheck()
	}
	if len(d.problems) == 0 {
		r.own()
	}
	if len(d.problems) > 0 {
		return nil, d.problems.sorted()
	}
	return b, nil
}

// A reading fills a bench from a document.
type reading struct {
	d           *document
	bench       *Bench
	instruments map[string]int // name -> index
	channels    map[string]int
	outputs     map[string]int
}

func (r *reading) root(s *section) {
	b := r.bench
	b.Name = s.needText("name", "the bench's name, as it is to stand in records and on the page")
	b.Listen = s.text("listen", "127.0.0.1:8437")
	r.test(s.table("test"))
	r.cell(s.table("cell"))
	b.Detect.Features = features(s)
	r.readInstruments(s.tables("instrument"), s)
	r.readChannels(s.tables("channel"), s)
	r.readOutputs(s.tables("output"))
	r.watchdog(s.table("watchdog"))
	r.readRules(s.tables("rule"))
	r.record(s.table("record"))
	r.watch(s.table("pressure_watch"))
	r.arming(s.table("arming"))
	r.hold(s.table("hold"))
	r.alarms(s.table("alarms"))
	r.influx(s)
	s.close()
	r.share()
}

// share gives the packages the tables they have in common.
func (r *reading) share() {
	b := r.bench
	b.Detect.Channels = b.Channels
	b.Detect.RateHz = make([]float64, len(b.Channels))
	for i, c := range b.Channels {
		if c.Instrument < len(b.Instruments) {
			b.Detect.RateHz[i] = b.Instruments[c.Instrument].RateHz
		}
	}
	b.Guard.Channels = b.Channels
	b.Guard.Outputs = b.Outputs
	b.Guard.HeartbeatS = b.HeartbeatS
	b.Guard.SafePa, b.Guard.SafeS = b.Watch.SafePa, b.Watch.ForS
	b.Guard.RateHz, b.Guard.RampPaS = b.Detect.RateHz, b.RampPaS
	b.Guard.VolumeM3, b.Guard.AmbientPa = b.Detect.Fixture.VolumeM3, b.Detect.Fixture.AmbientPa
	b.Guard.Instruments = nil
	for i := range b.Instruments {
		b.Guard.Instruments = append(b.Guard.Instruments, b.Instruments[i].Name)
	}
}

// DaqInstruments lists the bench's instruments without their protocols'
// options.
func (b *Bench) DaqInstruments() []daq.Instrument {
	out := make([]daq.Instrument, len(b.Instruments))
	for i := range b.Instruments {
		out[i] = b.Instruments[i].Instrument
	}
	return out
}
