package sim

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
)

// Command is one line of the control channel, as JSON.
type Command struct {
	// Do is load, ramp, supply, regulator, fill, dump, pump, trigger, shunt, fault,
	// reset-watchdog, status or stop.
	Do       string    `json:"do"`
	Specimen string    `json:"specimen,omitempty"` // load: an id of the world
	Piece    *Specimen `json:"piece,omitempty"`    // load: a specimen of one's own
	BarS     float64   `json:"bar_s,omitempty"`    // ramp: the rate that the needle is set to
	Bar      float64   `json:"bar,omitempty"`      // regulator, fill: gauge pressure; pump: amplitude of its strokes
	Hz       float64   `json:"hz,omitempty"`       // pump: strokes a second
	// Open: dump: false shuts the hand valve again (it also shuts at the next
	// load); supply: false shuts it by hand; trigger: false takes the line back.
	Open *bool `json:"open,omitempty"`
	Fault
}

// Report is one line of the answer channel; the fields that are set tell what
// it is about. All times are ns on the scale of Monotonic.
type Report struct {
	AtNS     int64           `json:"at_ns"`
	Ready    *Ready          `json:"ready,omitempty"`
	Loaded   *Specimen       `json:"loaded,omitempty"` // a specimen is in and shut; the fixture is without pressure
	Truth    *Truth          `json:"truth,omitempty"`
	Supply   *Switch         `json:"supply,omitempty"`
	Dump     *Switch         `json:"dump,omitempty"`
	Watchdog *Switch         `json:"watchdog,omitempty"`
	Fault    *Fault          `json:"fault,omitempty"` // a fault was taken
	Port     *PortChange     `json:"port,omitempty"`
	Sent     map[string]Sent `json:"sent,omitempty"` // by instrument, since the start
	State    *State          `json:"state,omitempty"`
	Results  *Results        `json:"results,omitempty"` // of a runaway rig's cell: with state and when it is taken out
	Stopped  bool            `json:"stopped,omitempty"`
	Error    string          `json:"error,omitempty"`
}

// Ready is the first report: where each instrument can be opened.
type Ready struct {
	Ports     map[string]string `json:"ports"`     // the names to open: links where there are, else the terminals
	Terminals map[string]string `json:"terminals"` // the pseudo-terminals themselves
}

// Switch is the state of something that is open or closed.
type Switch struct {
	Open bool   `json:"open"`
	Why  string `json:"why,omitempty"` // coil, watchdog, hand, start, reset
}

// PortChange tells that a terminal went or came back.
type PortChange struct {
	Instrument string `json:"instrument"`
	Up         bool   `json:"up"`
	Terminal   string `json:"terminal,omitempty"`
}

// State is the answer to status: the true state now.
type State struct {
	PressurePa float64 `json:"pressure_Pa"` // gauge
	AmbientPa  float64 `json:"ambient_Pa"`  // absolute
	InsidePa   float64 `json:"inside_Pa"`   // gauge, in the specimen: differs behind a plugged port and in a cell
	GasC       float64 `json:"gas_C"`
	Loading    bool    `json:"loading"`
	Specimen   string  `json:"specimen"`
	SupplyOpen bool    `json:"supply_open"`
	Watchdog   bool    `json:"watchdog_closed"`
}

// maxCommand is the longest line of the control channel, in bytes.
const maxCommand = 64 << 10

// commands reads control lines until in ends or ctx does. A line that can't be
// read comes as an error. The channel is closed at the end of in.
func commands(ctx context.Context, in io.Reader) <-chan func() (Command, error) {
	out := make(chan func() (Command, error))
	go func() {
		defer close(out)
		sc := bufio.NewScanner(in)
		sc.Buffer(make([]byte, 0, 4096), maxCommand)
		for sc.Scan() {
			if len(sc.Bytes()) == 0 {
				continue
			}
			var c Command
			err := json.Unmarshal(sc.Bytes(), &c)
			if err != nil {
				err = fmt.Errorf("control line %.80q is no command: %w: send {\"do\":...}", sc.Text(), err)
			}
			select {
			case out <- func() (Command, error) { return c, err }:
			case <-ctx.Done():
				return
			}
		}
	}()
	return out
}

// errStop ends Serve at the wish of the control channel.
var errStop = errors.New("stop")

// do obeys one command.
func (v *server) do(c Command) error {
	s := v.stand
	switch c.Do {
	case "load":
		return v.load(c)
	case "fault":
		f := c.Fault
		if err := s.cause(&f); err != nil {
			return err
		}
		v.report(Report{Fault: &f})
	case "reset-watchdog":
		s.relay.reset()
	case "status":
		v.reportState()
	case "stop":
		return errStop
	default:
		ok, err := s.operate(&c)
		if !ok {
			err = fmt.Errorf("command %q is unknown: use load, ramp, supply, regulator, fill, dump, pump, trigger, shunt, fault, reset-watchdog, status or stop", c.Do)
		}
		return err
	}
	return nil
}

// load begins to change the specimen: see server.loading.
func (v *server) load(c Command) error {
	p := c.Piece
	if p == nil {
		if v.opts.World == nil {
			return fmt.Errorf("load %q: the simulator was given no world: send the piece itself", c.Specimen)
		}
		found, ok := v.opts.World.Specimen(c.Specimen)
		if !ok {
			return fmt.Errorf("load %q: the world has no such specimen: see its shots", c.Specimen)
		}
		p = &found
	}
	if err := p.Check(); err != nil {
		return fmt.Errorf("load %q: %w", p.ID, err)
	}
	v.next = p
	return nil
}
